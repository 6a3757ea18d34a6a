"""Any sequence of what people do with the records, against a model of some lines; on a file and on a server.

``VALUER_SEQUENCES=500`` tries more of them than the few of every day.
"""

import os
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from tests.records.bench import NOW, machine
from valuer.domain.machine import with_changes
from valuer.records import bench
from valuer.records.book_files import as_csv, as_json, book_in
from valuer.records.entries import Book, FixDone, ListingWeek, MachineEntry, Sale
from valuer.records.store.beside import Deed
from valuer.records.store.problems import Changed, Conflict, NotThere, StoreProblem
from valuer.records.store.reading import Kept
from valuer.records.store.store import Post, Store, backup_store, open_store, restore_store

IDS = st.sampled_from(["m1", "m2", "m3"])
DAYS = st.dates(date(2026, 5, 1), date(2026, 8, 30))
MONEY = st.integers(1, 100_000).map(lambda cents: cents / 100)
FIX = {"fix": "blade_sharpen", "fault": "blade_dull"}


Refused = type[Exception] | None


class Model:
    """The records as one may think of them: entries by id with a count of changes, and what was changed, in order."""

    def __init__(self) -> None:
        self.kept: dict[str, Kept] = {}
        self.deeds: list[tuple[str, MachineEntry | None, MachineEntry | None]] = []
        self.posts: dict[str, Kept] = {}

    def put(self, name: str, entry: MachineEntry | None, version: int, *, deed: bool = True) -> None:
        """Another entry under a name, or none."""
        before = self.kept.pop(name, None)
        if entry is not None:
            self.kept[name] = Kept(entry, version)
        if deed and (before.entry if before else None) != entry:
            self.deeds.append((name, before.entry if before else None, entry))

    def change(self, name: str, change: Callable[[MachineEntry], MachineEntry]) -> Kept:
        """The entry changed, or the refusal that is due."""
        if name not in self.kept:
            raise NotThere(name)
        before = self.kept[name]
        self.put(name, change(before.entry), before.version + 1)
        return self.kept[name]

    def rename(self, name: str, to: str) -> Kept:
        """The entry under another name, or the refusal that is due."""
        if name not in self.kept:
            raise NotThere(name)
        if to in self.kept:
            raise Conflict(to)
        before = self.kept.pop(name)
        after = before.entry.model_copy(update={"machine": with_changes(before.entry.machine, id=to)})
        self.kept[to] = Kept(after, before.version + 1)
        self.deeds.append((to, before.entry, after))
        return self.kept[to]

    def add(self, entries: Sequence[MachineEntry], *, replace: bool) -> tuple[int, int]:
        """How many of the entries are new and how many others under a known name, or the refusal that is due."""
        new = [entry for entry in entries if entry.id not in self.kept]
        others = [entry for entry in entries if entry not in new and self.kept[entry.id].entry != entry]
        if others and not replace:
            raise Conflict("others")
        for entry in (*new, *others):
            self.put(entry.id, entry, self.kept[entry.id].version + 1 if entry in others else 1)
        return len(new), len(others)

    def undo(self, back: Sequence[Deed]) -> Refused:
        """Take deeds back, the newest first: all of them, or none where something came after one."""
        kept = dict(self.kept)
        for deed in back:
            there = kept.pop(deed.machine_id, None)
            taken = deed.before is not None and deed.before.id in kept
            if deed.undone_at is not None or (there.entry if there else None) != deed.after or taken:
                return Conflict
            if deed.before is not None:
                kept[deed.before.id] = Kept(deed.before, there.version + 1 if there else 1)
        self.kept = kept if back else self.kept
        return None if back else Conflict


def outcome(do: Callable[[], Any]) -> tuple[Any, Refused]:
    """What comes of it: an answer, or the kind of its refusal."""
    try:
        return do(), None
    except (NotThere, Conflict, Changed) as refusal:
        return None, type(refusal)


class AnySequence(RuleBasedStateMachine):
    """Every rule does the same to the store and to the model, and both must answer the same."""

    address: Callable[[], str]
    folder: Path

    def __init__(self) -> None:
        super().__init__()
        self.where = type(self).address()
        self.on_file = "://" not in self.where
        self.store: Store = open_store(NOW, self.where)
        self.model = Model()
        self.moment = NOW

    copies = Bundle("copies")

    def both(self, store: Callable[[], Any], model: Callable[[], Any]) -> None:
        """Do it to both."""
        assert outcome(store) == outcome(model)

    def tick(self) -> Any:
        """The next moment."""
        self.moment += timedelta(seconds=1)
        return self.moment

    @rule(name=IDS, day=DAYS, paid=st.none() | MONEY)
    def take(self, name: str, day: date, paid: float | None) -> None:
        """A machine is taken in."""
        entry = bench.taken(None, machine(name), day, paid)

        def taken() -> Kept:
            if name in self.model.kept:
                raise Conflict(name)
            self.model.put(name, entry, 1)
            return Kept(entry, 1)

        self.both(lambda: self.store.take(entry, self.tick()), taken)

    @rule(name=IDS, age=st.integers(0, 20))
    def measure(self, name: str, age: int) -> None:
        """It is looked at again."""
        self.change(name, lambda entry: bench.taken(entry, machine(name, age_years=age), entry.taken_on))

    @rule(name=IDS, cured=st.booleans(), day=DAYS)
    def work(self, name: str, cured: bool, day: date) -> None:  # noqa: FBT001 - drawn by name
        """A fix is tried."""
        done = FixDone.model_validate({**FIX, "cured": cured, "done_on": day})
        self.change(name, lambda entry: bench.tried(entry, done))

    @rule(name=IDS, day=DAYS, ask=MONEY, offers=st.lists(MONEY, max_size=2))
    def offer(self, name: str, day: date, ask: float, offers: list[float]) -> None:
        """A listed week."""
        week = ListingWeek(week_of=day, ask=ask, offers=tuple(offers))
        self.change(name, lambda entry: bench.offered(entry, week))

    @rule(name=IDS, day=DAYS, price=MONEY)
    def sell(self, name: str, day: date, price: float) -> None:
        """A sale."""
        self.change(name, lambda entry: bench.sold(entry, Sale(sold_on=day, price=price)))

    @rule(name=IDS)
    def unsell(self, name: str) -> None:
        """A sale is taken back."""
        self.change(name, bench.unsold)

    def change(self, name: str, change: Callable[[MachineEntry], MachineEntry]) -> None:
        """One change of one entry, the same on both sides."""
        self.both(
            lambda: self.store.change(name, change, self.tick()), lambda: self.model.change(name, change)
        )

    @rule(name=IDS, version=st.integers(1, 4))
    def strike(self, name: str, version: int) -> None:
        """A machine is struck, by somebody who has read a version of it."""

        def struck() -> MachineEntry:
            if name not in self.model.kept:
                raise NotThere(name)
            before = self.model.kept[name]
            if before.version != version:
                raise Changed(name)
            self.model.put(name, None, 0)
            return before.entry

        self.both(lambda: self.store.remove(name, self.tick(), version), struck)

    @rule(key=st.sampled_from(["k1", "k2"]), name=IDS, age=st.integers(0, 20))
    def post_twice(self, key: str, name: str, age: int) -> None:
        """A change under a key is done once, however often it is sent."""

        def answer(kept: Kept) -> Post:
            return Post("0" * 64, 200, kept.entry.model_dump_json(), kept.version)

        def older(entry: MachineEntry) -> MachineEntry:
            return bench.taken(entry, machine(name, age_years=age), entry.taken_on)

        known = self.store.answered(key)
        assert (known is not None) == (key in self.model.posts)
        if known is None and name in self.model.kept and self.model.kept[name].entry.sale is None:
            self.both(
                lambda: self.store.change(name, older, self.tick(), post=(key, answer)),
                lambda: self.model.change(name, older),
            )
            self.model.posts[key] = self.model.kept[name]
        elif known is not None:
            assert (known.version, known.body) == (
                self.model.posts[key].version,
                self.model.posts[key].entry.model_dump_json(),
            )

    @rule(name=IDS, to=IDS)
    def rename(self, name: str, to: str) -> None:
        """A machine gets another name."""
        if name != to:
            self.both(lambda: self.store.rename(name, to, self.tick()), lambda: self.model.rename(name, to))

    @precondition(lambda self: self.model.deeds)
    @rule(data=st.data(), whole=st.booleans())
    def undo(self, data: st.DataObject, whole: bool) -> None:  # noqa: FBT001 - drawn by name
        """One of the last deeds is taken back, alone or with all that was done at once with it."""
        deeds = self.store.deeds(NOW)
        assert [(deed.machine_id, deed.before, deed.after) for deed in reversed(deeds)] == self.model.deeds
        deed = data.draw(st.sampled_from(deeds[:3]))
        at_once = [each for each in deeds if each.done_at == deed.done_at and each.undone_at is None]
        undo = self.store.undo_at_once if whole else self.store.undo
        _, refused = outcome(lambda: undo(deed.number, self.tick()))
        assert refused is self.model.undo(at_once if whole else [deed])

    @rule(
        names=st.lists(IDS, min_size=1, unique=True), age=st.integers(0, 20), day=DAYS, replace=st.booleans()
    )
    def import_others(self, names: list[str], age: int, day: date, replace: bool) -> None:  # noqa: FBT001 - the same
        """A file is taken in: new machines, and others under a name that is there."""
        others = [bench.taken(None, machine(name, age_years=age), day, None) for name in names]
        book = book_in("import.json", as_json(Book(machines=tuple(others))))

        def counted() -> tuple[int, int]:
            found = self.store.add(book, self.tick(), replace=replace, remember=True)
            return len(found.new), len(found.changed)

        self.both(counted, lambda: self.model.add(others, replace=replace))

    @rule(csv=st.booleans())
    def export_and_import(self, csv: bool) -> None:  # noqa: FBT001 - drawn by name
        """What is exported and read again adds nothing, and is the same in a store of its own."""
        book = self.store.book()
        if not book.machines:
            return
        text = as_csv(book) if csv else as_json(book)
        again = book_in("export.csv" if csv else "export.json", text)
        assert again == book
        found = self.store.add(again, self.tick())
        assert (found.added, found.same, found.changed) == (0, len(book.machines), ())

    @precondition(lambda self: self.on_file)
    @rule(target=copies)
    def back_up(self) -> tuple[Path, dict[str, Kept], list[Any], dict[str, Kept]]:
        """A copy is made."""
        copy = backup_store(self.tick(), self.where)
        return copy, dict(self.model.kept), list(self.model.deeds), dict(self.model.posts)

    @precondition(lambda self: self.on_file)
    @rule(copy=consumes(copies))
    def restore(self, copy: tuple[Path, dict[str, Kept], list[Any], dict[str, Kept]]) -> None:
        """A copy is put back while the store is in use."""
        path, self.model.kept, self.model.deeds, self.model.posts = copy
        restore_store(path, self.tick(), self.where)

    @precondition(lambda self: not self.on_file)
    @rule()
    def copy_a_server(self) -> None:
        """A server has its own way of copying, and says which."""
        with pytest.raises(StoreProblem, match="pg_dump"):
            backup_store(self.tick(), self.where)

    @rule()
    def start_anew(self) -> None:
        """The program is ended and started again."""
        self.store.close()
        self.store = open_store(self.tick(), self.where)

    @rule(name=IDS, age=st.integers(0, 20))
    def somebody_else_measures(self, name: str, age: int) -> None:
        """Another program at the same store looks at it again: this one is not told."""

        def measured(entry: MachineEntry) -> MachineEntry:
            return bench.taken(entry, machine(name, age_years=age), entry.taken_on)

        other = open_store(self.tick(), self.where)
        self.both(
            lambda: other.change(name, measured, self.tick()), lambda: self.model.change(name, measured)
        )
        other.close()

    @invariant()
    def agree(self) -> None:
        """Everything on record is what the model thinks."""
        entries = self.store.entries()
        assert {kept.entry.id: kept for kept in entries} == self.model.kept
        assert self.store.book().machines == tuple(kept.entry for kept in entries)
        sold = sum(kept.entry.sale is not None for kept in self.model.kept.values())
        counts = self.store.count("sold"), self.store.count("bench")
        assert counts == (sold, len(self.model.kept) - sold)

    def teardown(self) -> None:
        """Let go of it."""
        self.store.close()


@pytest.mark.parametrize("kind", ["file", pytest.param("server", marks=pytest.mark.server)])
def test_any_sequence_leaves_what_the_model_says(
    kind: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    numbers = iter(range(1_000_000))

    def on_file() -> str:
        folder = tmp_path / str(next(numbers))
        folder.mkdir()
        return str(folder / "records.sqlite")

    def on_server() -> str:
        emptied = request.getfixturevalue("emptied_server")
        return str(emptied())

    class Here(AnySequence):
        address = staticmethod(on_file if kind == "file" else on_server)

    sequences = int(os.environ.get("VALUER_SEQUENCES", "20"))
    run_state_machine_as_test(
        Here,
        settings=settings(
            max_examples=sequences,
            stateful_step_count=25,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
