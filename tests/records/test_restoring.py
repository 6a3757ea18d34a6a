"""Putting a copy back: a healthy store is never moved, what was moved comes back, only our own form is believed."""

import os
import resource
import signal
import sqlite3
import stat
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from tests.records.bench import NOW, damage, entry, full_entry, put_back_to
from valuer.records.entries import Book
from valuer.records.store import backups, restoring
from valuer.records.store.kept_book import mark_of
from valuer.records.store.problems import Damaged, StoreProblem
from valuer.records.store.store import Store, backup_store, open_store, restore_store, store_backups

PAGE = 4096


@pytest.fixture
def copied(file: Path) -> Path:
    """A copy of three machines; the store itself has gone on to four."""
    store = open_store(NOW, str(file))
    store.add(Book(machines=tuple(full_entry(f"m{number}") for number in range(3))), NOW)
    copy = backup_store(NOW, str(file))
    store.take(entry("later"), NOW)
    store.close()
    return copy


def ids(file: Path) -> list[str]:
    """Who stands in a store."""
    store = open_store(NOW, str(file))
    try:
        return sorted(kept.entry.id for kept in store.entries())
    finally:
        store.close()


OLD, NEW = ["m0", "m1", "m2"], ["later", "m0", "m1", "m2"]


@contextmanager
def files_up_to(size: int) -> Iterator[None]:
    """No file may grow beyond a size: the error of a full disk, at any place one likes."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)


def names(folder: Path) -> set[str]:
    return {each.name for each in folder.iterdir() if not each.name.endswith(("-wal", "-shm"))}


def test_a_healthy_store_stays_where_it_is_whenever_the_disk_is_full(file: Path, copied: Path) -> None:
    """At every page at which a file can end, until restoring succeeds."""
    refused = 0
    for pages in range(0, 400, 3):
        inode = file.stat().st_ino
        try:
            with files_up_to(pages * PAGE):
                restore_store(copied, NOW + timedelta(minutes=pages), str(file))
        except StoreProblem as problem:
            refused += 1
            assert "the disk takes no more; nothing was changed, make room" in str(problem)
            assert ids(file) == NEW
            assert names(file.parent) == {"records.sqlite", "backups"}
            assert file.stat().st_ino == inode
        else:
            break
    assert refused > 5
    assert ids(file) == OLD


def test_a_damaged_store_comes_back_to_its_place_whenever_the_rest_fails(file: Path, copied: Path) -> None:
    spoilt = damage(file)
    kept = None
    for pages in range(0, 400, 3):
        try:
            with files_up_to(pages * PAGE):
                kept = restore_store(copied, NOW, str(file))
        except StoreProblem:
            assert file.read_bytes() == spoilt
            assert store_backups(str(file)) == (copied,)
        else:
            break
    assert kept
    assert kept.read_bytes() == spoilt
    assert set(store_backups(str(file))) == {copied, kept}, "what was set aside is listed"
    assert ids(file) == OLD


@pytest.mark.parametrize("broken", ["rename", "make_durable"])
def test_what_was_set_aside_comes_back_when_its_place_cannot_be_taken(
    file: Path, copied: Path, monkeypatch: pytest.MonkeyPatch, broken: str
) -> None:
    spoilt, rename = damage(file), Path.rename

    def no_room(path: Path, *to: Path) -> Path:
        if broken == "rename" and (not path.name.startswith(".") or to[0] != file):
            return rename(path, *to)
        raise OSError(28, "No space left on device")

    if broken == "rename":
        monkeypatch.setattr(Path, "rename", no_room)
    else:
        monkeypatch.setattr(restoring, "make_durable", lambda path: no_room(path) if path.is_dir() else None)
    with pytest.raises(StoreProblem, match="the disk takes no more"):
        restore_store(copied, NOW, str(file))
    assert file.read_bytes() == spoilt
    assert store_backups(str(file)) == (copied,)


def test_a_store_that_another_is_writing_to_is_neither_waited_for_without_end_nor_moved(
    file: Path, copied: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(backups, "PATIENCE_S", 0.2)
    with closing(sqlite3.connect(file, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreProblem, match="another process is writing to it; try again in a moment"):
            restore_store(copied, NOW, str(file))
        other.execute("ROLLBACK")
    assert ids(file) == NEW


def add(statement: str) -> Callable[[sqlite3.Connection], object]:
    return lambda connection: connection.execute(statement)


STRANGE = {
    "a trigger": (
        add("CREATE TRIGGER t AFTER INSERT ON machines BEGIN DELETE FROM sales; END"),
        "holds the trigger t, which valuer never wrote",
    ),
    "a view": (add("CREATE VIEW v AS SELECT 1"), "holds the view v"),
    "another table": (add("CREATE TABLE mine (id)"), "holds the table mine"),
    "another column": (add("ALTER TABLE machines ADD COLUMN mine"), "has another table machines"),
    "a table less": (add("DROP TABLE posts"), "lacks the table posts"),
    "another index": (add("CREATE UNIQUE INDEX u ON sales (machine_id, sold_on)"), "has another table sales"),
    "a newer form": (
        add("UPDATE alembic_version SET version_num = '9000'"),
        "was written by a newer valuer (its form is 9000",
    ),
    "no form": (add("DELETE FROM alembic_version"), "its form is none"),
    "an odd document": (
        add("UPDATE machines SET document = '{\"id\": \"m1\"' WHERE id = 'm1'"),
        "table machines, row 'm1' cannot be read",
    ),
    "another's document": (
        add("UPDATE machines SET document = '{\"id\": \"m2\"}' WHERE id = 'm1'"),
        "table machines, row 'm1' tells of 'm2'",
    ),
    "an odd day": (add("UPDATE sales SET sold_on = 'May'"), "table sales, row 'm0' cannot be read"),
    "words for money": (add("UPDATE sales SET price_cents = 'dear'"), "table sales, row 'm0' cannot be read"),
    "no price": (add("UPDATE sales SET predicted_low_cents = NULL"), "table sales, row 'm0' cannot be read"),
    "offers that are none": (
        add("UPDATE listing_weeks SET offers_cents = '[1'"),
        "table listing_weeks, row 'm0', '2026-05-04' cannot be read",
    ),
    "sold before taken in": (
        add("UPDATE sales SET sold_on = '2020-01-01'"),
        "table machines, row 'm0' does not go with what hangs on it",
    ),
    "a child without its machine": (
        add("UPDATE sales SET machine_id = 'nobody' WHERE machine_id = 'm0'"),
        "lost what they belong to",
    ),
    "an odd fix": (
        add("UPDATE fixes_done SET fix = 'prayer'"),
        "table fixes_done, row 'm0', 0 cannot be read",
    ),
}


@pytest.mark.parametrize("what", STRANGE)
def test_only_a_store_of_ours_whose_every_row_reads_is_believed(file: Path, copied: Path, what: str) -> None:
    change, words = STRANGE[what]
    with closing(sqlite3.connect(copied)) as connection:
        connection.execute("PRAGMA foreign_keys=OFF")
        change(connection)
        connection.commit()
    with pytest.raises(StoreProblem) as refusal:
        restore_store(copied, NOW, str(file))
    assert words in str(refusal.value)
    assert "\n" not in str(refusal.value)
    assert ids(file) == NEW
    assert names(file.parent) == {"records.sqlite", "backups"}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("UPDATE sales SET price_cents = 'dear' WHERE machine_id = 'm1'", "table sales, row 'm1'"),
        ("UPDATE machines SET taken_on = 'May' WHERE id = 'm2'", "table machines, row 'm2'"),
        (
            "UPDATE listing_weeks SET offers_cents = '{' WHERE machine_id = 'm1'",
            "table listing_weeks, row 'm1'",
        ),
    ],
)
def test_an_odd_row_in_use_is_named_by_table_and_row(
    file: Path, copied: Path, change: str, words: str
) -> None:
    with closing(sqlite3.connect(file)) as connection:
        connection.execute(change)
        connection.commit()
    store = open_store(NOW, str(file))
    with pytest.raises(Damaged, match=words):
        store.book()
    store.close()


def test_a_fault_of_whoever_changes_an_entry_is_not_called_damage(file: Path, copied: Path) -> None:
    store = open_store(NOW, str(file))

    def wrong(_: object) -> None:
        raise ValueError("not the store's")

    with pytest.raises(ValueError, match="not the store's"):
        store.change("m0", wrong, NOW)  # type: ignore[arg-type]
    store.close()


def test_a_copy_of_an_older_form_is_brought_up_to_date_before_it_takes_the_place(
    file: Path, copied: Path
) -> None:
    with closing(sqlite3.connect(copied)) as connection:
        put_back_to(connection, "0001")
    server = open_store(NOW, str(file))
    restore_store(copied, NOW, str(file))
    assert server.count() == 3, "a server of this form goes on with it"
    server.take(entry("after"), NOW)
    server.close()


def test_a_link_to_the_store_stays_a_link(file: Path, copied: Path) -> None:
    link = file.with_name("link.sqlite")
    link.symlink_to(file)
    damage(file)
    restore_store(copied, NOW, str(link))
    assert link.is_symlink()
    assert ids(file) == OLD


def mode(file: Path) -> int:
    return stat.S_IMODE(file.stat().st_mode)


def test_a_new_store_and_its_copies_are_for_their_owner_and_a_shared_one_stays_shared(file: Path) -> None:
    open_store(NOW, str(file)).close()
    assert mode(file) == 0o600
    assert mode(backup_store(NOW, str(file))) == 0o600
    file.chmod(0o640)
    assert mode(backup_store(NOW, str(file))) == 0o640


def test_two_copies_of_one_second_stand_beside_each_other_and_none_is_written_over(
    file: Path, copied: Path
) -> None:
    second = backup_store(NOW, str(file))
    assert second != copied
    mine = file.with_name("mine")
    backup_store(NOW, str(file), mine)
    before = mine.read_bytes()
    with pytest.raises(StoreProblem, match="mine: is there already; give another path"):
        backup_store(NOW, str(file), mine)
    assert mine.read_bytes() == before


def test_copies_under_any_name_are_listed(file: Path, copied: Path) -> None:
    named = backups.backup_folder(file) / "before the fair"
    backup_store(NOW, str(file), named)
    assert set(store_backups(str(file))) == {copied, named}
    restore_store(named, NOW, str(file))
    assert ids(file) == NEW


@pytest.fixture
def served(file: Path, copied: Path) -> Iterator[Store]:
    """The store as a server holds it open."""
    store = open_store(NOW, str(file))
    yield store
    store.close()


@pytest.mark.parametrize("harm", ["gone", "another"])
def test_a_store_whose_file_is_gone_or_another_takes_no_more_writes(
    file: Path, served: Store, harm: str
) -> None:
    file.rename(file.with_name("elsewhere.sqlite"))
    if harm == "another":
        open_store(NOW, str(file)).close()
    words = {"gone": "is gone since", "another": "was replaced by another file since"}[harm]
    with pytest.raises(StoreProblem, match=words):
        served.take(entry("lost"), NOW)
    with pytest.raises(StoreProblem, match=words):
        served.book()
    assert "lost" not in ids(file.with_name("elsewhere.sqlite"))


def test_a_write_during_which_the_file_is_taken_away_is_not_acknowledged(file: Path, served: Store) -> None:
    def moved(before: object) -> object:
        file.rename(file.with_name("elsewhere.sqlite"))
        return before

    with pytest.raises(StoreProblem, match="is gone since it was opened"):
        served.change("m0", moved, NOW)  # type: ignore[arg-type]


def test_what_is_remembered_of_the_records_hangs_on_a_count_and_not_on_a_clock(
    file: Path, copied: Path
) -> None:
    """Changes within one tick of the clock, a clock set back, a copy put back: each gives another mark."""
    server, other = open_store(NOW, str(file)), open_store(NOW, str(file))

    def mark() -> object:
        with server.reading() as connection:
            return mark_of(connection)

    marks = [mark()]
    for moment in (NOW, NOW, NOW - timedelta(days=4_000)):
        other.change("m0", lambda before: before, moment)
        marks.append(mark())
    restore_store(copied, NOW, str(file))
    marks.append(mark())
    for _ in range(4):
        other.change("m0", lambda before: before, NOW)
        marks.append(mark())
    assert len(set(marks)) == len(marks)
    server.close()
    other.close()


def test_a_clock_that_runs_ahead_forgets_no_deed(file: Path) -> None:
    store = open_store(NOW, str(file))
    store.take(entry("m0"), NOW)
    store.take(entry("m1"), NOW.replace(year=9999))
    store.take(entry("m2"), NOW)
    assert [deed.machine_id for deed in store.deeds(NOW - timedelta(days=1))] == ["m2", "m1", "m0"]
    store.close()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give files away")
def test_a_copy_belongs_to_whom_the_store_belongs(file: Path) -> None:
    open_store(NOW, str(file)).close()
    os.chown(file, 65534, 65534)
    assert backup_store(NOW, str(file)).stat().st_uid == 65534


def test_what_is_acknowledged_outlives_a_power_cut(file: Path) -> None:
    """SQLite's own word for it: in a log ahead, only FULL (2) writes the log out at each commit."""
    store = open_store(NOW, str(file))
    with store.writing() as connection:
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar_one() == 2
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar_one() == "wal"
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar_one() == 1
    store.close()


def test_a_copy_that_did_not_come_out_whole_is_not_kept(
    file: Path, copied: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a bad disk would do it: what was written is not what is read."""
    copy = backups.copy

    def spoilt(source: Path, target: Path, like: Path | None = None) -> None:
        copy(source, target, like)
        damage(target)

    monkeypatch.setattr(backups, "copy", spoilt)
    with pytest.raises(Damaged):
        backup_store(NOW, str(file))
    assert store_backups(str(file)) == (copied,)
    assert names(backups.backup_folder(file)) == {copied.name}


def test_a_damaged_copy_is_not_put_back(file: Path, copied: Path) -> None:
    spoilt = damage(copied)
    with pytest.raises(Damaged, match=r"-asked\.sqlite is damaged"):
        restore_store(copied, NOW, str(file))
    assert ids(file) == NEW
    assert copied.read_bytes() == spoilt


def test_what_is_not_there_is_neither_copied_nor_put_back(file: Path) -> None:
    with pytest.raises(StoreProblem, match="no such file, so there is nothing to back up"):
        backups.back_up(file, NOW)
    open_store(NOW, str(file)).close()
    with pytest.raises(StoreProblem, match="mine: no such backup"):
        restore_store(file.with_name("mine"), NOW, str(file))
    assert ids(file) == []


def test_what_the_system_says_of_a_folder_is_told_without_its_number_and_its_path(file: Path) -> None:
    open_store(NOW, str(file)).close()
    file.with_name("backups").write_text("a file where the folder of copies would be")
    with pytest.raises(StoreProblem, match=r"the database refuses \(File exists\); nothing was changed"):
        backup_store(NOW, str(file))


def test_a_copy_whose_owner_may_not_be_given_is_for_us_alone(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The store is another's, and may be read by a group we cannot name: nobody but us reads the copy."""
    open_store(NOW, str(file)).close()
    file.chmod(0o664)

    def no_right(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "chown", no_right)
    assert mode(backup_store(NOW, str(file))) == 0o600


def test_what_cannot_be_moved_aside_leaves_every_part_in_its_place(
    file: Path, copied: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The log is moved, the store itself cannot be: the log comes back, and the refusal is said."""
    spoilt, rename = damage(file), Path.rename
    log = file.with_name(file.name + "-wal")
    log.write_bytes(b"log")

    def stuck(path: Path, to: Path) -> Path:
        if path == file:
            raise OSError(13, "Permission denied")
        return rename(path, to)

    monkeypatch.setattr(Path, "rename", stuck)
    with pytest.raises(OSError, match="Permission denied"):
        backups.moved_aside(file, NOW)
    assert file.read_bytes() == spoilt
    assert log.read_bytes() == b"log"
