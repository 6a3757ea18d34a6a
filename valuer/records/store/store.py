"""Store: the user's machines, sales and prices seen around; every change is one transaction."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from dataclasses import replace as replaced
from datetime import datetime
from pathlib import Path
from secrets import token_hex
from typing import Any, NamedTuple

from sqlalchemy import Connection, Engine, Table, delete, func, insert, select, update

from valuer.domain.machine import with_changes
from valuer.records.entries import Book, Comparable, MachineEntry
from valuer.records.own_terms import OwnTerms
from valuer.records.picture_files import picture_file
from valuer.records.store import beside
from valuer.records.store.backups import back_up, backups
from valuer.records.store.kept_book import KeptBook, Mark, mark_of
from valuer.records.store.odd_rows import odd_row
from valuer.records.store.opening import address, file_of, name_of, opened
from valuer.records.store.problems import Changed, Conflict, StoreProblem, damaged, plainly
from valuer.records.store.reading import (
    AT_ONCE,
    Kept,
    Which,
    named,
    one_entry,
    page,
    pieces,
    whole_entries,
)
from valuer.records.store.rows import comparable_of, comparable_rows, content_of, rows_of
from valuer.records.store.tables import (
    changes,
    comparables,
    machines,
    pictures,
    posts,
)


class Post(NamedTuple):
    """The answer that a repeated request gets again. ``request`` is the SHA-256 of what was asked."""

    request: str
    status: int
    body: str
    version: int | None


@dataclass(frozen=True)
class Difference:
    """What adding a book would do: new ids, ids that are there already, entries that differ.

    ``plain`` counts new machines of a plain table, which are not held as entries. ``copy`` is the copy of the
    records made before, where they are too many to be taken back as one deed; ``deed`` is the number of that deed.
    """

    new: tuple[MachineEntry, ...]
    same: int
    changed: tuple[tuple[MachineEntry, MachineEntry], ...]
    new_seen: tuple[Comparable, ...]
    same_seen: int
    plain: int = 0
    copy: Path | None = None
    deed: int | None = None
    new_pictures: int = 0
    own_terms: bool | None = None
    """Whether the file's own terms are taken; None where it has none, or the same."""

    @property
    def added(self) -> int:
        """Machines that are new, those of a plain table included."""
        return len(self.new) + self.plain


def _identity(file: Path | None) -> tuple[int, int] | None:
    """What tells a file from another that takes its name; None for a server, or where it is gone."""
    try:
        found = file.stat() if file else None
    except OSError:
        return None
    return (found.st_dev, found.st_ino) if found else None


def _count(connection: Connection) -> tuple[Mark, Mark]:
    """Count a change; returns the mark before it and the one after it."""
    before = mark_of(connection)
    connection.execute(update(changes).values(number=changes.c.number + 1, mark=token_hex(16)))
    return before, mark_of(connection)


WRITES = "ids of entries"


def _writes(connection: Connection, *ids: str) -> None:
    """Say whose entries the change under way writes or removes; where nobody says, any may have been."""
    connection.info[WRITES] = {*ids, *(connection.info[WRITES] or ())}


JPEG = "image/jpeg"


class Store:
    """Records at one address. Methods raise StoreProblem; a change happens wholly or not at all."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self.name = name_of(engine.url)
        self.file = file_of(engine.url)
        self._is = _identity(self.file)
        self._kept = KeptBook()

    def close(self) -> None:
        """Let go of the file or the server."""
        self._engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees the store as of one moment."""
        with self._said_plainly(), self._engine.connect() as connection, connection.begin():
            self._still_there()
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """The one connection that may write; others wait, and see nothing until it is done."""
        with self._said_plainly(), self._engine.execution_options(writes=True).begin() as connection:
            self._still_there()
            connection.info[WRITES] = None
            yield connection
            before, after = _count(connection)
            ids = connection.info[WRITES]
            self._still_there()  # what is acknowledged stands in the file that the next command reads
        self._kept.wrote(before, after, ids)

    def _still_there(self) -> None:
        """Raise StoreProblem where the file was taken away, or another put in its place, since it was opened."""
        found = _identity(self.file)
        if found != self._is:
            what = "was replaced by another file" if found else "is gone"
            raise StoreProblem(
                f"{self.name} {what} since it was opened, so nothing is written; start valuer anew"
            )

    @contextmanager
    def _said_plainly(self) -> Iterator[None]:
        try:
            with plainly(self.name):
                yield
        except (ValueError, TypeError, ArithmeticError, LookupError, RecursionError):
            odd = self._odd_row()  # where every row can be read, it is no fault of the store's
            if odd is None:
                raise
            raise damaged(self.name, odd) from None

    def _odd_row(self) -> str | None:
        with plainly(self.name), self._engine.connect() as connection:
            return odd_row(connection)

    def entries(self, which: Which = "all", offset: int = 0, limit: int | None = None) -> tuple[Kept, ...]:
        """Entries, those on the bench first in the order of taking in, then the sold in the order of sale."""
        with self.reading() as connection:
            return whole_entries(connection, page(which, offset, limit))

    def count(self, which: Which = "all") -> int:
        """How many entries there are."""
        with self.reading() as connection:
            found = page(which, 0, None).with_only_columns(func.count()).order_by(None)
            return int(connection.execute(found).scalar_one())

    def entry(self, machine_id: str) -> Kept:
        """One entry; raises NotThere with the nearest id."""
        with self.reading() as connection:
            return one_entry(connection, machine_id)

    def comparables(self) -> tuple[Comparable, ...]:
        """Prices seen around, oldest first."""
        with self.reading() as connection:
            found = connection.execute(select(comparables).order_by(comparables.c.seen_on, comparables.c.id))
            return tuple(comparable_of(row) for row in found.mappings())

    def book(self) -> Book:
        """Everything on record as of one moment; an entry that stands as it stood is not read and understood again."""
        with self.reading() as connection:
            return self._kept.read(connection)

    def difference(self, book: Book) -> Difference:
        """What adding the book would do."""
        with self.reading() as connection:
            return _difference(connection, book)

    def add(self, book: Book, now: datetime, *, replace: bool = False, remember: bool = False) -> Difference:
        """Add a book; entries that are there already and differ are replaced, or refuse the whole.

        remember: whether it may be taken back, as one deed.
        """
        with self.writing() as connection:
            found = _difference(connection, book)
            if found.changed and not replace:
                ids = ", ".join(after.id for _, after in found.changed[:5])
                more = f" and {len(found.changed) - 5} more" if len(found.changed) > 5 else ""  # noqa: PLR2004
                raise Conflict(
                    f"{ids}{more}: on record already, and not the same; --replace takes the new ones"
                )
            _writes(connection, *(entry.id for entry in found.new), *(after.id for _, after in found.changed))
            _insert(connection, rows_of((entry, 1, now, now) for entry in found.new))
            for _, after in found.changed:
                _rewrite(connection, after, one_entry(connection, after.id).version + 1, now)
            _insert(connection, comparable_rows(found.new_seen, now))
            found = self._beside(connection, book, found, now, replace=replace)
            if remember:
                done = [*((None, entry) for entry in found.new), *found.changed]
                seen = [content_of(each) for each in found.new_seen]
                return replaced(found, deed=beside.log_all(connection, done, now, seen))
            return found

    def _beside(
        self, connection: Connection, book: Book, found: Difference, now: datetime, *, replace: bool
    ) -> Difference:
        """Keep a book's pictures, and its own terms where there are none yet or they are to be replaced."""
        for picture in book.pictures:
            beside.keep_picture(connection, picture.machine, picture.shows, JPEG, picture.content, now)
        if found.own_terms is None or book.own_terms is None:
            return found
        taken = found.own_terms or replace
        if taken:
            beside.keep_terms(connection, book.own_terms.model_dump(exclude_defaults=True), None, now)
        return replaced(found, own_terms=taken)

    def everything(self) -> Book:
        """The book with all pictures and the own terms, as an export carries it."""
        book = self.book()
        with self.reading() as connection:
            own = beside.terms_kept(connection).document
            return book.model_copy(
                update={
                    "pictures": tuple(picture_file(*row) for row in beside.every_picture(connection)),
                    "own_terms": OwnTerms.model_validate(own) if own else None,
                }
            )

    def change(
        self,
        machine_id: str,
        change: Callable[[MachineEntry], MachineEntry],
        now: datetime,
        version: int | None = None,
        post: tuple[str, Callable[[Kept], Post]] | None = None,
    ) -> Kept:
        """Change one entry; with ``version``, only if nobody changed it since. Raises NotThere, Changed.

        ``post`` is a key with the answer to remember under it, in the same transaction.
        """
        with self.writing() as connection:
            before = one_entry(connection, machine_id)
            if version is not None and version != before.version:
                raise Changed(f"{machine_id} was changed since it was read; read it again")
            after = Kept(change(before.entry), before.version + 1)
            if after.entry.id != machine_id:
                raise Conflict(f"{machine_id}: the id stays; take it in under {after.entry.id} instead")
            _writes(connection, machine_id)
            _rewrite(connection, after.entry, after.version, now)
            beside.log(connection, before.entry, after.entry, now)
            _remember(connection, post, after, now)
            return after

    def take(
        self,
        entry: MachineEntry,
        now: datetime,
        post: tuple[str, Callable[[Kept], Post]] | None = None,
    ) -> Kept:
        """Write down a new machine; raises Conflict when its id is on record."""
        with self.writing() as connection:
            if connection.execute(select(machines.c.id).where(machines.c.id == entry.id)).first():
                raise Conflict(f"{entry.id}: on record already; give this one an id of its own")
            _writes(connection, entry.id)
            _insert(connection, rows_of([(entry, 1, now, now)]))
            connection.execute(
                delete(pictures).where(pictures.c.machine_id == entry.id)
            )  # of one removed before
            beside.log(connection, None, entry, now)
            _remember(connection, post, Kept(entry, 1), now)
            return Kept(entry, 1)

    def put(
        self, ids: Sequence[str], make: Callable[[str, MachineEntry | None], MachineEntry], now: datetime
    ) -> tuple[tuple[MachineEntry | None, MachineEntry], ...]:
        """Write entries made from what is there under each id, or from None; returns before and after."""
        with self.writing() as connection:
            _writes(connection, *ids)
            there = {kept.entry.id: kept for kept in whole_entries(connection, named(ids))}
            made = [
                (there.get(name), make(name, there[name].entry if name in there else None)) for name in ids
            ]
            for before, after in made:
                if before is None:
                    _insert(connection, rows_of([(after, 1, now, now)]))
                elif before.entry != after:
                    _rewrite(connection, after, before.version + 1, now)
            done = tuple((before.entry if before else None, after) for before, after in made)
            beside.log_all(connection, done, now)
            return done

    def remove(self, machine_id: str, now: datetime, version: int | None = None) -> MachineEntry:
        """Remove a machine with all that hangs on it; raises NotThere, Changed."""
        with self.writing() as connection:
            before = one_entry(connection, machine_id)
            if version is not None and version != before.version:
                raise Changed(f"{machine_id} was changed since it was read; read it again")
            _writes(connection, machine_id)
            connection.execute(delete(machines).where(machines.c.id == machine_id))
            beside.log(connection, before.entry, None, now)
            return before.entry

    def rename(self, machine_id: str, name: str, now: datetime, version: int | None = None) -> Kept:
        """Give a machine another id; its work, weeks, sale and pictures go with it.

        Raises NotThere, Changed, and Conflict where the name is taken.
        """
        with self.writing() as connection:
            before = one_entry(connection, machine_id)
            if version is not None and version != before.version:
                raise Changed(f"{machine_id} was changed since it was read; read it again")
            _writes(connection, machine_id, name)
            after = _renamed(connection, before, name, now)
            beside.log(connection, before.entry, after.entry, now)
            return after

    def undo(self, number: int, now: datetime) -> Kept | None:
        """Take a deed back; returns the entry as it stands then, None where it was taken in by that deed.

        Raises NotThere, and Conflict where the machine was changed after it.
        """
        with self.writing() as connection:
            deed = beside.deed(connection, number)
            if deed.undone_at is not None:
                raise Conflict("this was taken back already")
            return _undone(connection, deed, now)

    def undo_at_once(self, number: int, now: datetime) -> tuple[beside.Deed, ...]:
        """Take back all that was done at once with a deed: a file taken in, an import.

        Returns what was taken back, the newest first. Raises NotThere, and Conflict, with nothing taken back, where
        a machine was changed after it.
        """
        with self.writing() as connection:
            back = beside.done_with(connection, beside.deed(connection, number))
            if not back:
                raise Conflict("this was taken back already")
            for deed in back:
                _undone(connection, deed, now)
            return back

    def last_deed(self, machine_id: str | None = None) -> beside.Deed:
        """What was done last and still stands, to one machine or to any; raises NotThere."""
        with self.reading() as connection:
            return beside.last_deed(connection, machine_id)

    def own_terms(self) -> beside.OwnTermsKept:
        """The shop's own terms, those that were given."""
        with self.reading() as connection:
            return beside.terms_kept(connection)

    def keep_terms(self, document: dict[str, Any], version: int, now: datetime) -> beside.OwnTermsKept:
        """Keep own terms in the place of those of a version; raises Changed."""
        with self.writing() as connection:
            _writes(connection)
            return beside.keep_terms(connection, document, version, now)

    def pictures(self, machine_id: str) -> tuple[beside.Picture, ...]:
        """The pictures of a machine; raises NotThere."""
        with self.reading() as connection:
            one_entry(connection, machine_id)
            return beside.pictures_of(connection, machine_id)

    def picture(self, machine_id: str, name: str) -> tuple[str, bytes]:
        """Media type and content of one picture; raises NotThere."""
        with self.reading() as connection:
            return beside.picture(connection, machine_id, name)

    def keep_picture(
        self, machine_id: str, shows: str, media_type: str, content: bytes, now: datetime
    ) -> beside.Picture:
        """Keep a picture of a machine; raises NotThere, Conflict."""
        with self.writing() as connection:
            _writes(connection)
            one_entry(connection, machine_id)
            return beside.keep_picture(connection, machine_id, shows, media_type, content, now)

    def drop_picture(self, machine_id: str, name: str) -> None:
        """Take a picture away; raises NotThere."""
        with self.writing() as connection:
            _writes(connection)
            beside.drop_picture(connection, machine_id, name)

    def deeds(self, since: datetime) -> tuple[beside.Deed, ...]:
        """What was changed since a moment, the newest first."""
        with self.reading() as connection:
            return beside.deeds_since(connection, since)

    def deed(self, number: int) -> beside.Deed:
        """One deed; raises NotThere."""
        with self.reading() as connection:
            return beside.deed(connection, number)

    def answered(self, key: str) -> Post | None:
        """The answer remembered under a key, if there is one."""
        with self.reading() as connection:
            row = connection.execute(select(posts).where(posts.c.key == key)).mappings().first()
        return Post(row["request"], row["status"], row["body"], row["version"]) if row else None


def open_store(now: datetime, where: str | None = None) -> Store:
    """The store at an address, made or brought up to date where needed; raises StoreProblem."""
    return Store(opened(address(where), now))


def backup_store(now: datetime, where: str | None = None, to: Path | None = None) -> Path:
    """Copy a SQLite store and return the copy; raises StoreProblem."""
    return back_up(_file(where), now, to=to)


def store_backups(where: str | None = None) -> tuple[Path, ...]:
    """The copies of a SQLite store, newest first."""
    return backups(_file(where))


def restore_store(backup: Path, now: datetime, where: str | None = None) -> Path | None:
    """Put a copy in the store's place; returns where the store that stood there is kept."""
    from valuer.records.store.restoring import restore

    return restore(_file(where), backup, now)


def _file(where: str | None) -> Path:
    url = address(where)
    file = file_of(url)
    if file is None:
        raise StoreProblem(
            f"{name_of(url)}: a server has its own way of copying (pg_dump); `valuer export` works too"
        )
    return file


def _difference(connection: Connection, book: Book) -> Difference:
    there = _known(connection, machines.c.id, [entry.id for entry in book.machines])
    again = [entry for entry in book.machines if entry.id in there]
    now = {
        kept.entry.id: kept.entry
        for ids in pieces([entry.id for entry in again])
        for kept in whole_entries(connection, named(ids))
    }
    changed = tuple((now[entry.id], entry) for entry in again if now[entry.id] != entry)
    seen = {content_of(each): each for each in book.comparables}
    seen_there = _known(connection, comparables.c.content, list(seen))
    return Difference(
        new=tuple(entry for entry in book.machines if entry.id not in there),
        same=len(again) - len(changed),
        changed=changed,
        new_seen=tuple(each for content, each in seen.items() if content not in seen_there),
        same_seen=len(book.comparables) - len(seen) + len(seen_there),
        new_pictures=beside.not_kept(connection, book.pictures),
        own_terms=_takes_terms(connection, book.own_terms),
    )


def _takes_terms(connection: Connection, given: OwnTerms | None) -> bool | None:
    kept = beside.terms_kept(connection).document
    if given is None or given == OwnTerms.model_validate(kept):
        return None
    return not kept


def _known(connection: Connection, column: Any, values: Sequence[str]) -> set[str]:
    if len(values) > AT_ONCE:  # most of the table is asked about: read it once
        return set(connection.execute(select(column)).scalars()) & set(values)
    return set(connection.execute(select(column).where(column.in_(values))).scalars())


def _insert(connection: Connection, rows: dict[Table, list[dict[str, Any]]]) -> None:
    for table, lines in rows.items():
        if lines:
            connection.execute(insert(table), lines)


def _rewrite(connection: Connection, entry: MachineEntry, version: int, now: datetime) -> None:
    """Write an entry over its old rows; the moment it was first written down stays."""
    first = connection.execute(select(machines.c.recorded_at).where(machines.c.id == entry.id)).scalar_one()
    connection.execute(delete(machines).where(machines.c.id == entry.id))
    _insert(connection, rows_of([(entry, version, first, now)]))


def _renamed(connection: Connection, before: Kept, name: str, now: datetime) -> Kept:
    if connection.execute(select(machines.c.id).where(machines.c.id == name)).first():
        raise Conflict(f"{name}: on record already; give this one an id of its own")
    entry = before.entry.model_copy(update={"machine": with_changes(before.entry.machine, id=name)})
    first = connection.execute(select(machines.c.recorded_at).where(machines.c.id == before.entry.id))
    recorded_at = first.scalar_one()
    connection.execute(delete(machines).where(machines.c.id == before.entry.id))
    connection.execute(delete(pictures).where(pictures.c.machine_id == name))  # of one removed before
    moved = update(pictures).where(pictures.c.machine_id == before.entry.id)
    connection.execute(moved.values(machine_id=name))
    _insert(connection, rows_of([(entry, before.version + 1, recorded_at, now)]))
    return Kept(entry, before.version + 1)


def _undone(connection: Connection, deed: beside.Deed, now: datetime) -> Kept | None:
    beside.mark_undone(connection, deed.number, now)
    _writes(connection, deed.machine_id, *(each.id for each in (deed.before, deed.after) if each))
    if deed.seen:
        for some in pieces(deed.seen):
            connection.execute(delete(comparables).where(comparables.c.content.in_(some)))
        return None
    there = whole_entries(connection, named([deed.machine_id]))
    if (there[0].entry if there else None) != deed.after:
        raise Conflict(f"{deed.machine_id} was changed after that; take back the later change first")
    return _put_back(connection, deed, there[0].version if there else 0, now)


def _put_back(connection: Connection, deed: beside.Deed, version: int, now: datetime) -> Kept | None:
    if deed.before is None:
        connection.execute(delete(machines).where(machines.c.id == deed.machine_id))
        return None
    if deed.after is None:
        _insert(connection, rows_of([(deed.before, 1, now, now)]))
        return Kept(deed.before, 1)
    if deed.before.id != deed.after.id:
        return _renamed(connection, Kept(deed.after, version), deed.before.id, now)
    _rewrite(connection, deed.before, version + 1, now)
    return Kept(deed.before, version + 1)


def _remember(
    connection: Connection, post: tuple[str, Callable[[Kept], Post]] | None, kept: Kept, now: datetime
) -> None:
    if post:
        key, answer = post
        connection.execute(insert(posts), [{"key": key, "recorded_at": now, **answer(kept)._asdict()}])
