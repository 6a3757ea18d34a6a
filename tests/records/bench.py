"""Invented machines and sales to write down, and what becomes of a store on a bad disk."""

import sqlite3
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from valuer.domain.machine import Machine
from valuer.records.entries import Comparable, FixDone, ListingWeek, MachineEntry, Prediction, Sale

NOW = datetime(2026, 6, 1, 12, 30, tzinfo=UTC)
MONDAY = date(2026, 5, 4)


def machine(name: str = "green-1", **known: Any) -> Machine:
    """A machine with a leak, a reading and a check."""
    wire = {
        "id": name,
        "drive": "rear_variable",
        "age_years": 6,
        "tier": "mid",
        "faults": ["fuel_leak_carb:slight", "blade_dull:slight"],
        "readings": {"blade_stop_s": [2.1, 2.3, 2.2], "fuel_paper_5min": "damp"},
        "checks": {"recall": "passed"},
    }
    return Machine.model_validate(wire | known)


def entry(name: str = "green-1", **more: Any) -> MachineEntry:
    """The machine taken in on the first of May for 25."""
    return MachineEntry(machine=machine(name), taken_on=date(2026, 5, 1), paid=25.0, hours=0.8).model_copy(
        update=more
    )


def full_entry(name: str = "green-1") -> MachineEntry:
    """A machine with one entry of every kind on it."""
    seat = FixDone(
        fix="needle_seat",
        fault="fuel_leak_carb",
        cured=False,
        done_on=date(2026, 5, 3),
        parts=4.0,
        hours=0.75,
        snag=False,
        promised=12.5,
        odds=0.55,
        gain=41.25,
        note="seat worn",
    )
    first = ListingWeek(week_of=MONDAY, ask=180.0, offers=(140.0, 150.5), enquiries=3, no_shows=1)
    second = ListingWeek(week_of=MONDAY + timedelta(days=7), ask=165.0)
    said = Prediction(amount=158.2, low=120.0, high=201.0, model="fake 1", data_sha256="0" * 64, own_sales=4)
    sale = Sale(
        sold_on=date(2026, 5, 16), price=160.0, sold_as="for_repair", fees=2.5, hours=1.5, prediction=said
    )
    return entry(name, fixes=(seat,), weeks=(first, second), sale=sale)


def seen(price: float = 190.0, kind: Any = "ask_seen") -> Comparable:
    """A price seen around."""
    return Comparable(machine=machine("seen-1"), kind=kind, seen_on=date(2026, 5, 10), price=price)


def damage(file: Path, place: int = 30) -> bytes:
    """Spoil a store where everybody notices, and return what it holds then."""
    with file.open("r+b") as bytes_of:
        bytes_of.seek(place)
        bytes_of.write(b"\xff" * 4000)
    return file.read_bytes()


ADDED_IN = {
    "0002": [f"DROP TABLE {table}" for table in ("own_terms", "pictures", "deeds")],
    "0003": ["DROP TABLE changes"],
    "0005": [f"ALTER TABLE fixes_done DROP COLUMN {column}" for column in ("odds", "gain_cents")],
}
"""How what a form brought is taken out of a store again."""


def put_back_to(connection: sqlite3.Connection, form: str) -> None:
    """Make a store of an older form of one of today; what stands in its texts is as it was."""
    for later in sorted(ADDED_IN, reverse=True):
        for statement in ADDED_IN[later] if later > form else ():
            connection.execute(statement)
    connection.execute("UPDATE alembic_version SET version_num = ?", (form,))
    connection.commit()
