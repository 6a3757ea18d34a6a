"""A file into the store: all of it or nothing."""

from dataclasses import replace as replaced
from datetime import datetime
from pathlib import Path

from valuer.records.book_files import book_in
from valuer.records.files import (
    Say,
    bytes_of,
    is_json,
    is_workbook,
    name_of,
    sheet_text,
    text_in,
    unsaid,
)
from valuer.records.store.backups import back_up
from valuer.records.store.beside import MOST_AT_ONCE
from valuer.records.store.plain_tables import add_plain, plain_table
from valuer.records.store.store import Difference, Store


def text_of(path: str) -> tuple[str, str]:
    """The name and the text of a file, a workbook's as CSV, or of standard input for ``-``; raises BadFile."""
    name = name_of(path)
    data = bytes_of(path, name)
    return name, sheet_text(name, data) if is_workbook(name) else text_in(name, data)


def compared(store: Store, name: str, text: str, say: Say = unsaid) -> Difference:
    """What adding the text of a file would do; raises BadFile. ``say`` hears which words were taken for others."""
    return store.difference(book_in(name, text, say))


def imported(
    store: Store, name: str, text: str, now: datetime, *, replace: bool = False, say: Say = unsaid
) -> Difference:
    """Add the text of a file; raises BadFile, or Conflict where it differs from what is there.

    It can be taken back as one deed; the records are copied first where the file holds too much for that.
    """
    copy = None
    table = plain_table(text, now) if text.strip() and not is_json(name, text) else None
    if table and len(table.ids) > MOST_AT_ONCE:
        copy = _copied(store, now)
        if add_plain(store, table):
            return Difference((), 0, (), (), 0, plain=len(table.ids), copy=copy)
    book = book_in(name, text, say)
    few = max(len(book.machines), len(book.comparables)) <= MOST_AT_ONCE
    if not few and copy is None:
        copy = _copied(store, now)
    return replaced(store.add(book, now, replace=replace, remember=few), copy=copy)


def _copied(store: Store, now: datetime) -> Path | None:
    """A copy of the records; None for a server, which has its own way."""
    return back_up(store.file, now, "before-import") if store.file else None
