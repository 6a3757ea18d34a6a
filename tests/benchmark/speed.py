"""How long an answer takes, in a unit that every machine measures for itself.

One unit is scikit-learn's predict of 256 rows by 25 trees of 6 leaves, fitted on fixed numbers. Processor time, all
figures side by side in one run: a shared machine slows them alike. ``--seed`` draws the machines, ``--largest`` is the
largest book of own sales and the largest bench that is tried.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from api.records import LiveRecords
from tests.benchmark.figures import Figure, at_least, at_most, beside
from tests.faults.echo import pace, serving_echo
from tests.faults.serving import ROOT, House
from tests.price_model.machines import as_machine, from_market
from valuer.adviser import Adviser
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms
from valuer.market.sales import draw_sales
from valuer.price_model import load_or_train
from valuer.price_model.mower import model_table
from valuer.records.entries import Book, MachineEntry, Sale
from valuer.records.store.store import Store, open_store

NOW = datetime(2026, 6, 1, tzinfo=UTC)
TERMS = ShopTerms(month=5, hours=6.0)
FAULTS = (
    *(
        "no_start",
        "stale_fuel",
        "blade_dull",
        "bag_missing",
        "drive_slip",
        "oil_leak_minor",
        "rattle",
        "dirty",
    ),
    *("choke_fault", "stiff_roll", "wheel_wobble", "paint_faded", "smoke_blue", "handle_loose", "low_power"),
    "deck_surface_rust",
)
BARE = "import numpy, pydantic, click"


MACHINES = 12
"""Machines of the market that a question about one is asked of."""


@dataclass(frozen=True)
class Clock:
    """Processor time in units."""

    unit: float

    def units(self, work: Callable[[], object], times: int = 1) -> float:
        """Of one piece of work, the least of three rounds after one to warm up."""
        work()
        return min(_seconds(work, times) for _ in range(3)) / times / self.unit

    def of_each(self, machines: Sequence[Machine], ask: Callable[[list[Machine]], object]) -> float:
        """Of a question about one machine: the mean over the first MACHINES, for they differ tenfold."""
        asked = [[machine] for machine in machines[:MACHINES]]
        return self.units(lambda: [ask(one) for one in asked]) / len(asked)

    def once(self, work: Callable[[], object]) -> float:
        """Of work that must not be repeated: it remembers."""
        return _seconds(work, 1) / self.unit


def _seconds(work: Callable[[], object], times: int) -> float:
    start = time.process_time()
    for _ in range(times):
        work()
    return time.process_time() - start


def run(seed: int = 11, largest: int = 1000) -> Iterator[Figure]:
    """All figures, each beside what was wanted."""
    clock = Clock(_unit())
    yield beside("unit, ms of processor time", f"{1000 * clock.unit:.2f}")
    yield from _processes()
    adviser, machines = Adviser(load_or_train()), from_market(200, seed)
    yield from _one_machine(clock, adviser, machines)
    yield from _benches(clock, adviser, machines, seed, largest)
    yield from _own_sales(clock, adviser.model, machines, seed, largest)
    yield from _api()
    yield from _training(seed)


def _unit() -> float:
    from sklearn.ensemble import HistGradientBoostingRegressor  # noqa: PLC0415 - only here

    rng = np.random.default_rng(0)
    x = rng.normal(size=(2000, 20))
    grower = HistGradientBoostingRegressor(max_iter=25, max_leaf_nodes=6, early_stopping=False)
    fitted = grower.fit(x, x[:, 0] + x[:, 1] ** 2)
    return Clock(1.0).units(lambda: fitted.predict(x[:256]), 50)


def _processes() -> Iterator[Figure]:
    """Whole commands, interpreter start included, against one that imports what every answer needs."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "m.json"
        file.write_text(
            '[{"id": "m1", "tier": "mid", "age_years": 6, "faults": ["no_start:serious"]}]', "utf-8"
        )
        home = {"XDG_DATA_HOME": f"{folder}/data", "XDG_CACHE_HOME": f"{folder}/cache"}
        home["PYTHONPYCACHEPREFIX"] = f"{folder}/compiled"
        price = ["-m", "valuer", "price", str(file)]
        _process(price, home)
        shutil.rmtree(Path(f"{home['PYTHONPYCACHEPREFIX']}{ROOT}"))  # libraries were compiled by pip
        first = _process(price, home)
        again = [(_process(price, home), _process(["-c", BARE], home)) for _ in range(5)]
    ours, bare = (min(each) for each in zip(*again, strict=True))
    yield at_most("`valuer price FILE`, whole process / importing numpy, pydantic, click", ours / bare, 3, 1)
    yield at_most(
        "first command after installing, our files not yet compiled / the second", first / ours, 1.5, 2
    )


def _process(arguments: list[str], surroundings: dict[str, str]) -> float:
    """Processor seconds of a process of its own."""
    kept = {k: v for k, v in os.environ.items() if k not in {"PYTHONDONTWRITEBYTECODE", "VALUER_STORE"}}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, *arguments],
        cwd=ROOT,
        env={**kept, **surroundings},
        check=True,
        stdout=subprocess.DEVNULL,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _with_faults(count: int) -> Machine:
    told = [f"{name}:slight" for name in FAULTS[:count]]
    known = {"tier": "mid", "drive": "rear_variable", "age_years": 6.0, "deck_width_in": 21.0}
    return Machine.model_validate({"id": f"faults{count}", **known, "faults": told})


def _one_machine(clock: Clock, adviser: Adviser, machines: list[Machine]) -> Iterator[Figure]:
    eight, sixteen = [_with_faults(8)], [_with_faults(16)]
    price = clock.of_each(machines, lambda one: adviser.value(one, TERMS))
    yield at_most("price of one machine, in process, units", price, 5, 0)
    all_eight = clock.units(lambda: (adviser.value(eight, TERMS), adviser.work_lists(eight, TERMS)))
    yield at_most("values, work list and documents of a machine with 8 faults, units", all_eight, 12, 0)
    for name, ask, goal in (
        ("ask", lambda one: adviser.asking_prices(one, TERMS), 120),
        ("listing", lambda one: adviser.listings(one, TERMS), 130),
        ("offer", lambda one: adviser.offers(one, TERMS, 90.0), 60),
    ):
        yield at_most(f"{name} of one machine, units", clock.of_each(machines, ask), goal, 0)
    lists = [clock.units(lambda m=many: adviser.work_lists(m, TERMS)) for many in (eight, sixteen)]  # type: ignore[misc]
    yield at_most("16 faults / 8 faults, work list", lists[1] / lists[0], 8, 1)
    limits = clock.of_each(machines, lambda one: adviser.purchase_limits(one, TERMS))
    yield at_most("buy, no own sales, units", limits, 120, 0)


def _benches(
    clock: Clock, adviser: Adviser, machines: list[Machine], seed: int, largest: int
) -> Iterator[Figure]:
    small = clock.once(lambda: adviser.bench_plan(machines, TERMS))
    yield at_most("bench of 200, units", small, 1500, 0)
    if largest > len(machines):
        times, peak = (float(each) for each in _told_by(f"tell_bench({largest}, {seed})").split())
        yield at_most(f"bench of {largest:,} / of its first 200, time", times, 1.2 * largest / 200, 1)
        yield at_most(f"bench of {largest:,}, peak memory of the process, MB", peak, 600, 0)


def _told_by(call: str) -> str:
    """What a function of this module prints in a process of its own, whose memory nothing else has filled."""
    program = f"from tests.benchmark import speed; speed.{call}"
    ran = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, check=True, capture_output=True, text=True
    )
    return ran.stdout


def tell_bench(count: int, seed: int) -> None:
    """Print the time of a bench drawn from the market over that of its first 200, and the peak of memory in MB."""
    adviser, machines = Adviser(load_or_train()), from_market(count, seed)
    few, all_of_them = (
        _seconds(lambda bench=bench: adviser.bench_plan(bench, TERMS), 1)  # type: ignore[misc]
        for bench in (machines[:200], machines)
    )
    print(all_of_them / few, _peak_so_far())


def _peak_so_far() -> float:
    """Peak memory of this process in MB, as Linux tells it: what `getrusage` says begins with the parent's."""
    return int(Path("/proc/self/status").read_text("utf-8").split("VmHWM:")[1].split()[0]) / 1000


def _own_sales(
    clock: Clock, model: object, machines: list[Machine], seed: int, largest: int
) -> Iterator[Figure]:
    _, table = draw_sales(max(largest, 1000) + 1, seed + 1)
    for count, goal in ((100, 60), (200, None), (1000, 100), (10_000, 400)):
        if count > largest:
            continue
        entries = tuple(_sold(i, row) for i, row in enumerate(table.head(count + 1).to_dict("records")))
        with tempfile.TemporaryDirectory() as folder:
            store = open_store(NOW, str(Path(folder) / "records.sqlite"))
            store.add(Book(machines=entries[:-1]), NOW)
            adviser = Adviser(model, LiveRecords(store))  # type: ignore[arg-type]
            if goal is None:
                limits = clock.of_each(machines, lambda one, a=adviser: a.purchase_limits(one, TERMS))  # type: ignore[misc]
                yield at_most(f"buy, with {count} own sales, units", limits, 150, 0)
            else:
                yield _after_a_write(clock, adviser, store, entries[-1], machines[0], count, goal)
            store.close()
    yield at_most("peak memory of `valuer price FILE` with 1,000 own sales, MB", _peak(table), 150, 0)


def _after_a_write(
    clock: Clock, adviser: Adviser, store: Store, last: MachineEntry, machine: Machine, count: int, goal: int
) -> Figure:
    adviser.value([machine], TERMS)
    store.add(Book(machines=(last,)), NOW)
    return at_most(
        f"first answer after a write, {count:,} own sales, units",
        clock.once(lambda: adviser.value([machine], TERMS)),
        goal,
        0,
    )


def _sold(number: int, row: dict[Any, Any]) -> MachineEntry:
    """A machine of the market that was sold within the last two years."""
    day = date(2026, 5, 30) - timedelta(days=number % 700)
    machine = as_machine(f"s{number}", row)
    return MachineEntry(
        machine=machine, taken_on=day - timedelta(days=20), sale=Sale(sold_on=day, price=float(row["price"]))
    )


def _peak(table: object) -> float:
    """Peak memory of the whole process in MB, as Linux tells it of itself: what `getrusage` says begins with ours."""
    with tempfile.TemporaryDirectory() as folder:
        rows = table.head(1000).to_dict("records")  # type: ignore[attr-defined]
        store = open_store(NOW, str(Path(folder) / "records.sqlite"))
        store.add(Book(machines=tuple(_sold(i, row) for i, row in enumerate(rows))), NOW)
        store.close()
        (Path(folder) / "m.json").write_text('[{"id": "m1", "tier": "mid"}]', "utf-8")
        said = "sys.stderr.write(open('/proc/self/status').read().split('VmHWM:')[1].split()[0])"
        imports = "import atexit, sys; from valuer.cli import main"
        told = f"{imports}; atexit.register(lambda: {said}); main(sys.argv[1:])"
        ran = subprocess.run(
            [sys.executable, "-c", told, "price", f"{folder}/m.json"],
            cwd=ROOT, check=True, capture_output=True, text=True,
            env={**os.environ, "VALUER_STORE": f"{folder}/records.sqlite", "XDG_DATA_HOME": folder},
        )  # fmt: skip
    return float(ran.stderr.split()[-1]) / 1000


def _api() -> Iterator[Figure]:
    with tempfile.TemporaryDirectory() as folder:
        house = House(Path(folder), Path(folder) / "cache", Path(folder) / "data")
        with house.serving() as running, serving_echo() as port:
            ours, bare = pace(running.port), pace(port)
    yield at_least("API, valuations a second / echo of the same body", ours / bare, 0.35, 2)


def _training(seed: int) -> Iterator[Figure]:
    """Training beside default trees of scikit-learn on the same columns."""
    from sklearn.ensemble import HistGradientBoostingRegressor  # noqa: PLC0415 - only here

    from valuer.price_model.mower import train_mower_model  # noqa: PLC0415 - the same

    model = load_or_train()
    table = draw_sales(20_000, seed)[1]
    ours = _seconds(lambda: train_mower_model(table, model.basis), 1)
    numbers = model_table(table).select_dtypes("number")
    x, y = numbers.drop(columns="price").to_numpy(float), np.log(numbers["price"].to_numpy(float))
    plain = _seconds(lambda: HistGradientBoostingRegressor().fit(x, y), 1)
    yield beside(
        "training on 20,000 rows / default trees' training, this process's time", f"{ours / plain:.0f}"
    )
