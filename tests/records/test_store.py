"""What the store promises, on a SQLite file and on a PostgreSQL server alike."""

from collections.abc import Collection
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from pydantic import ValidationError
from sqlalchemy import Connection, select

from tests.records.bench import NOW, entry, full_entry, machine, seen
from valuer.records import bench
from valuer.records.entries import Book, MachineEntry, Sale
from valuer.records.store import beside, kept_book
from valuer.records.store.problems import Changed, Conflict, NotThere
from valuer.records.store.store import Post, Store, open_store
from valuer.records.store.tables import machines


def sold(before: MachineEntry) -> MachineEntry:
    """The entry with a sale on it."""
    return before.model_copy(update={"sale": Sale(sold_on=date(2026, 5, 20), price=120.0)})


def test_what_is_written_is_read_back(store: Store) -> None:
    store.add(Book(machines=(full_entry(), entry("grey-2")), comparables=(seen(),)), NOW)
    assert store.entry("green-1") == (full_entry(), 1)
    assert store.entry("grey-2") == (entry("grey-2"), 1)
    assert store.comparables() == (seen(),)
    assert store.book() == Book(machines=(entry("grey-2"), full_entry()), comparables=(seen(),))


def test_it_is_still_there_after_closing(address: str) -> None:
    first = open_store(NOW, address)
    first.take(full_entry(), NOW)
    first.close()
    again = open_store(NOW, address)
    assert again.entry("green-1").entry == full_entry()
    again.close()


def test_money_is_whole_cents(store: Store) -> None:
    # A third of a unit cannot be kept in cents; what is written down is what is shown from the start.
    third = MachineEntry(machine=machine(), taken_on=date(2026, 5, 1), paid=10 / 3)
    assert third.paid == 3.33
    store.take(third, NOW)
    with store.reading() as connection:
        assert connection.execute(select(machines.c.paid_cents)).scalar_one() == 333


def test_moments_are_kept_in_utc(store: Store) -> None:
    noon_east = datetime(2026, 6, 1, 14, 30, tzinfo=timezone(timedelta(hours=2)))
    store.take(entry(), noon_east)
    with store.reading() as connection:
        found = connection.execute(select(machines.c.recorded_at)).scalar_one()
    assert found == datetime(2026, 6, 1, 12, 30, tzinfo=UTC)
    assert found.tzinfo is UTC


def test_what_did_not_change_is_not_understood_again_and_what_did_is(store: Store) -> None:
    """At one and the same moment, for no clock decides it: a sale, a machine gone, another under its name."""
    store.add(Book(machines=(full_entry(), entry("grey-2"), entry("red-3"))), NOW)
    before = {each.id: each for each in store.book().machines}
    store.change("grey-2", sold, NOW)
    store.remove("red-3", NOW)
    store.take(entry("red-3").model_copy(update={"paid": 77.0}), NOW)
    after = {each.id: each for each in store.book().machines}
    assert after["green-1"] is before["green-1"]
    assert after["grey-2"] == sold(before["grey-2"])
    assert after["red-3"].paid == 77.0
    store.remove("red-3", NOW)
    assert [each.id for each in store.book().machines] == ["green-1", "grey-2"]


def test_after_a_write_of_its_own_only_what_was_written_is_read(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No look at the stamps of the rest either; a picture or own terms change nothing of the book."""
    store.add(Book(machines=(full_entry(), entry("grey-2"), entry("red-3")), comparables=(seen(),)), NOW)
    store.book()
    asked: list[list[str]] = []
    read = kept_book._read

    def reads(connection: Connection, names: Collection[str]) -> list[MachineEntry]:
        asked.append(sorted(names))
        return read(connection, names)

    monkeypatch.setattr(kept_book, "_read", reads)
    monkeypatch.delattr(kept_book, "_after_others")
    store.change("grey-2", sold, NOW)
    store.remove("red-3", NOW)
    store.take(entry("blue-4"), NOW)
    assert [each.id for each in store.book().machines] == ["blue-4", "green-1", "grey-2"]
    assert asked == [["blue-4", "grey-2", "red-3"]]
    store.keep_terms({"hours": 3.0}, 0, NOW)
    before = store.book()
    assert asked[1:] == [[]]
    assert store.book() is before


def test_what_another_program_writes_is_read_too(address: str) -> None:
    """In between, a machine is taken away and another in under its name: at one moment, so it looks unchanged."""
    ours, theirs = open_store(NOW, address), open_store(NOW, address)
    ours.add(Book(machines=(entry("a"), entry("b"), entry("c"))), NOW)
    ours.book()
    ours.change("a", sold, NOW)
    theirs.change("b", sold, NOW)
    theirs.add(Book(comparables=(seen(),)), NOW)
    ours.remove("c", NOW)
    ours.take(entry("c", paid=77.0), NOW)
    found = ours.book()
    assert [(each.id, each.paid, each.sale is not None) for each in found.machines] == [
        ("c", 77.0, False),
        ("a", 25.0, True),
        ("b", 25.0, True),
    ]
    assert found.comparables == (seen(),)
    assert found == theirs.book()
    for each in (ours, theirs):
        each.close()


def test_the_bench_and_the_sold_are_told_apart(store: Store) -> None:
    store.add(Book(machines=(full_entry("b"), entry("c"), entry("a"))), NOW)
    assert [kept.entry.id for kept in store.entries("bench")] == ["a", "c"]
    assert [kept.entry.id for kept in store.entries("sold")] == ["b"]
    assert [kept.entry.id for kept in store.entries(offset=1, limit=1)] == ["c"]
    assert [store.count(which) for which in ("all", "bench", "sold")] == [3, 2, 1]


def test_a_change_counts_the_version_up(store: Store) -> None:
    store.take(entry(), NOW)
    kept = store.change("green-1", sold, NOW)
    assert kept == (sold(entry()), 2)
    assert store.entry("green-1") == kept


def test_a_change_of_what_somebody_else_changed_is_refused(store: Store) -> None:
    store.take(entry(), NOW)
    store.change("green-1", sold, NOW, version=1)
    with pytest.raises(Changed, match="green-1 was changed since it was read; read it again"):
        store.change("green-1", lambda before: before.model_copy(update={"paid": 1.0}), NOW, version=1)
    assert store.entry("green-1").entry == sold(entry())


def test_an_id_is_taken_once(store: Store) -> None:
    store.take(entry(), NOW)
    with pytest.raises(Conflict, match="green-1: on record already"):
        store.take(entry(), NOW)


def test_a_change_that_fails_changes_nothing(store: Store) -> None:
    store.take(entry(), NOW)

    def breaks(_before: MachineEntry) -> MachineEntry:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        store.change("green-1", breaks, NOW)
    assert store.entry("green-1") == (entry(), 1)


def test_an_unknown_machine_gets_the_nearest_name(store: Store) -> None:
    store.take(entry(), NOW)
    with pytest.raises(NotThere, match=r"no machine 'gren-1' in the records; did you mean 'green-1'\?"):
        store.entry("gren-1")


def test_removing_takes_everything_along(store: Store) -> None:
    store.take(full_entry(), NOW)
    store.remove("green-1", NOW, version=1)
    assert store.count() == 0
    store.take(entry(), NOW)
    assert store.entry("green-1").entry.fixes == (), "the fixes of the removed one are gone too"


def test_the_same_book_twice_adds_nothing(store: Store) -> None:
    book = Book(
        machines=(full_entry(), entry("grey-2")), comparables=(seen(), seen(), seen(150.0, "sale_seen"))
    )
    first = store.add(book, NOW)
    assert (len(first.new), len(first.new_seen), first.same_seen) == (2, 2, 1)
    again = store.add(book, NOW)
    assert (again.new, again.changed, again.new_seen) == ((), (), ())
    assert (again.same, again.same_seen) == (2, 3)
    assert (store.count(), len(store.comparables())) == (2, 2)


def test_a_book_that_differs_is_refused_whole_unless_it_is_to_replace(store: Store) -> None:
    store.take(entry(), NOW)
    book = Book(machines=(entry(paid=30.0), entry("grey-2")))
    with pytest.raises(Conflict, match="green-1: on record already, and not the same; --replace"):
        store.add(book, NOW)
    assert store.count() == 1
    assert [after.paid for _, after in store.difference(book).changed] == [30.0]
    store.add(book, NOW, replace=True)
    assert store.entry("green-1") == (entry(paid=30.0), 2)
    assert store.count() == 2


def test_an_answer_is_remembered_with_the_change_it_belongs_to(store: Store) -> None:
    store.take(
        entry(), NOW, post=("key-1", lambda kept: Post("a" * 64, 201, '{"id": "green-1"}', kept.version))
    )
    assert store.answered("key-1") == Post("a" * 64, 201, '{"id": "green-1"}', 1)
    assert store.answered("key-2") is None


def test_writers_queue_and_no_change_is_lost(address: str) -> None:
    # Eight threads add one to the same figure ten times each, each through a store of its own: 80 in the end.
    first = open_store(NOW, address)
    first.take(entry(paid=0.0), NOW)

    def add_ten(_: int) -> None:
        mine = open_store(NOW, address)
        for _ in range(10):
            mine.change("green-1", lambda e: e.model_copy(update={"paid": (e.paid or 0) + 1}), NOW)
        mine.close()

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(add_ten, range(8)))
    kept = first.entry("green-1")
    first.close()
    assert (kept.entry.paid, kept.version) == (80.0, 81)


def test_two_that_open_a_new_store_at_once_both_find_it(address: str) -> None:
    def open_and_count(_: int) -> int:
        mine = open_store(NOW, address)
        found = mine.count()
        mine.close()
        return found

    with ThreadPoolExecutor(6) as pool:
        assert list(pool.map(open_and_count, range(6))) == [0] * 6


def test_what_cannot_be_is_refused_and_changes_nothing(store: Store) -> None:
    store.take(entry("a"), NOW)
    store.change("a", lambda before: before, NOW)
    with pytest.raises(Conflict, match="the id stays; take it in under b instead"):
        store.change("a", lambda _: entry("b"), NOW)
    with pytest.raises(Conflict, match="a is not sold, so there is no sale to take back"):
        store.change("a", bench.unsold, NOW)
    with pytest.raises(Changed, match="was changed since it was read"):
        store.rename("a", "c", NOW, 1)
    with pytest.raises(NotThere, match="no machine 'nobody' in the records"):
        store.keep_picture("nobody", "machine", "image/jpeg", b"a picture", NOW)
    with pytest.raises(NotThere, match="no picture 'x' of 'a'"):
        store.drop_picture("a", "x")
    with pytest.raises(NotThere, match="no deed 4711 is remembered"):
        store.undo(4711, NOW)
    store.change("a", sold, NOW)
    with pytest.raises(Conflict, match="a was sold on 2026-05-20; take another machine in"):
        store.change("a", lambda before: bench.taken(before, machine("a"), before.taken_on), NOW)
    assert [(kept.entry.id, kept.version) for kept in store.entries()] == [("a", 3)]


def test_the_last_deed_is_that_of_the_machine_asked_about_and_where_none_is_it_is_said(store: Store) -> None:
    with pytest.raises(NotThere, match="nothing is remembered that could be taken back"):
        store.last_deed()
    store.take(entry("a"), NOW)
    store.take(entry("b"), NOW)
    assert (store.last_deed().machine_id, store.last_deed("a").machine_id) == ("b", "a")
    with pytest.raises(NotThere, match="nothing of c is remembered"):
        store.last_deed("c")


def test_of_the_deeds_before_the_newest_so_many_are_remembered(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(beside, "MOST_DEEDS", 2)
    for name in ("a", "b", "c", "d"):
        store.take(entry(name), NOW)
    assert [deed.machine_id for deed in store.deeds(NOW)] == ["d", "c", "b"]


def test_own_terms_count_their_versions_up(store: Store) -> None:
    versions = [store.own_terms().version]
    for weeks in (4, 6):
        store.keep_terms({"weeks": weeks}, versions[-1], NOW)
        versions.append(store.own_terms().version)
    assert versions == [0, 1, 2]
    with pytest.raises(Changed, match="own terms were changed since they were read"):
        store.keep_terms({"weeks": 8}, 1, NOW)


def test_writing_several_at_once_counts_only_what_became_another(store: Store) -> None:
    """One new, one as it was, one changed: versions 1, 1 and 2."""
    store.add(Book(machines=(entry("same"), entry("other"))), NOW)
    made = {"new": entry("new"), "same": entry("same"), "other": sold(entry("other"))}
    done = store.put(list(made), lambda name, _: made[name], NOW)
    assert [before for before, _ in done] == [None, entry("same"), entry("other")]
    assert {kept.entry.id: (kept.entry, kept.version) for kept in store.entries()} == {
        "new": (made["new"], 1),
        "same": (made["same"], 1),
        "other": (made["other"], 2),
    }


def test_a_week_stands_once_on_a_machine() -> None:
    week = full_entry().weeks[0]
    with pytest.raises(ValidationError, match="a week may stand once on a machine"):
        MachineEntry.model_validate({**entry().model_dump(), "weeks": [week.model_dump(), week.model_dump()]})
