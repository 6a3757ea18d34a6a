"""A file into the store: all of it or nothing."""

from datetime import datetime

from valuer.records.book_files import book_in
from valuer.records.files import Say, bytes_of, is_json, name_of, text_in, unsaid
from valuer.records.store.plain_tables import add_plain, plain_table
from valuer.records.store.store import Difference, Store


def text_of(path: str) -> tuple[str, str]:
    """The name and the text of a file, or of standard input for ``-``; raises BadFile."""
    name = name_of(path)
    return name, text_in(name, bytes_of(path, name))


def compared(store: Store, name: str, text: str, say: Say = unsaid) -> Difference:
    """What adding the text of a file would do; raises BadFile. ``say`` hears which words were taken for others."""
    return store.difference(book_in(name, text, say))


def imported(
    store: Store, name: str, text: str, now: datetime, *, replace: bool = False, say: Say = unsaid
) -> Difference:
    """Add the text of a file; raises BadFile, or Conflict where it differs from what is there."""
    table = plain_table(text, now) if text.strip() and not is_json(name, text) else None
    if table and add_plain(store, table):
        return Difference((), 0, (), (), 0, plain=len(table.ids))
    return store.add(book_in(name, text, say), now, replace=replace)
