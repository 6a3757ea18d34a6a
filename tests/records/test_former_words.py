"""Looks were called clean, used and rough once: files and records of then are read, and it is said what as."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.records.bench import NOW, entry, put_back_to
from valuer.domain.machine import FORMER_LOOKS, Machine
from valuer.price_model.artifact import RECORDS, SHIPPED, ArtifactRefused, kept
from valuer.price_model.plain import from_bytes, to_bytes
from valuer.price_model.sales_file import read_sales_text
from valuer.price_model.training import first_sales, invented_sales
from valuer.records.book_files import as_csv, as_json, book_in
from valuer.records.entries import Book, Comparable
from valuer.records.files import machines_in
from valuer.records.store.store import open_store

WAYS = {
    "a.csv": "id,looks\nm1,Rough\nm2,rough\nm3,used\nm4,clean\nm5,bright\n",
    "a.json": json.dumps(
        [
            {"id": f"m{n}", "looks": word}
            for n, word in enumerate(["Rough", "rough", "used", "clean", "bright"], 1)
        ]
    ),
}


@pytest.mark.parametrize("name", WAYS)
def test_a_machine_file_of_before_is_read_and_each_word_named_once(name: str) -> None:
    said: list[str] = []
    machines = machines_in(name, WAYS[name].encode(), said.append)
    assert [machine.looks for machine in machines] == ["scarred", "scarred", "scuffed", "bright", "bright"]
    assert said == [
        f"{name}: looks 'Rough' is read as scarred, 1 time",
        f"{name}: looks 'rough' is read as scarred, 1 time",
        f"{name}: looks 'used' is read as scuffed, 1 time",
        f"{name}: looks 'clean' is read as bright, 1 time",
    ]


def test_a_word_that_is_only_written_otherwise_is_not_said() -> None:
    said: list[str] = []
    machines_in("a.csv", b"id,looks,tier,drive\nm1,SCARRED,Mid,rear-variable\n", said.append)
    assert said == []


def test_an_export_of_before_is_read() -> None:
    machine = Machine(id="m1", looks="scarred")
    book = Book(
        machines=(entry("m1").model_copy(update={"machine": machine}),),
        comparables=(Comparable(machine=machine, kind="sale_seen", price=80, seen_on=NOW.date()),),
    )
    for name, text in (("a.json", as_json(book)), ("a.csv", as_csv(book))):
        said: list[str] = []
        assert book_in(name, text.replace("scarred", "rough"), said.append) == book
        assert said == [f"{name}: looks 'rough' is read as scarred, 2 times"]


def test_the_record_itself_names_the_word_of_today() -> None:
    with pytest.raises(ValueError, match=r"got 'clean'.*'clean' is called bright now"):
        Machine.model_validate({"id": "m1", "looks": "clean"})


def test_a_table_of_sales_of_before_is_read() -> None:
    shipped = first_sales(invented_sales(), 50)
    old = shipped
    for former, now in FORMER_LOOKS.items():
        old = old.replace(f",{now},".encode(), f",{former},".encode())
    assert old != shipped
    assert read_sales_text(old, "sales").equals(read_sales_text(shipped, "sales"))


def test_a_store_of_before_is_brought_up_to_date_whole(tmp_path: Path) -> None:
    """Machines, prices seen around, deeds to be undone; a note that quotes the old form stays as it is."""
    file = tmp_path / "valuer.sqlite"
    store = open_store(NOW, str(file))
    machine = Machine(id="m1", looks="scarred", note='said "looks":"rough"')
    first = entry("m1").model_copy(update={"machine": machine})
    store.take(first, NOW)
    store.change("m1", lambda kept: kept.model_copy(update={"paid": 7.0}), NOW)
    seen = Comparable(machine=Machine(id="x", looks="bright"), kind="sale_seen", price=80, seen_on=NOW.date())
    store.add(Book(comparables=(seen,)), NOW)
    new = dump(file)
    store.close()
    put_back(file)
    assert '"looks":"rough"' in "".join(dump(file))
    store = open_store(NOW, str(file))
    assert store.entry("m1").entry.machine == machine
    assert store.book().comparables == (seen,)
    assert store.add(Book(comparables=(seen,)), NOW).added == 0, "the same price seen again adds nothing"
    store.close()
    assert dump(file) == new


def dump(file: Path) -> list[str]:
    """All that stands in a store, but for the count of its changes."""
    with closing(sqlite3.connect(file)) as connection:
        return [line for line in connection.iterdump() if '"changes"' not in line]


def put_back(file: Path) -> None:
    """Make a store of form 0003 of one of today."""
    with closing(sqlite3.connect(file)) as connection:
        for former, now in FORMER_LOOKS.items():
            for table, column in (
                ("machines", "document"),
                ("comparables", "document"),
                ("deeds", "before"),
                ("deeds", "after"),
            ):
                connection.execute(
                    f'UPDATE {table} SET "{column}" = replace("{column}", ?, ?)',  # noqa: S608 - names of ours
                    (f'"looks":"{now}"', f'"looks":"{former}"'),
                )
        connection.execute("UPDATE comparables SET content = 'of before'")
        put_back_to(connection, "0003")


def test_a_kept_model_that_knows_the_words_of_before_is_refused(tmp_path: Path) -> None:
    """It would take today's words for looks that nobody told, in silence."""
    model, about = from_bytes(SHIPPED.read_bytes(), RECORDS)
    data = to_bytes(model, RECORDS, about)
    path = tmp_path / "old.npz"
    path.write_bytes(data)
    assert kept(path).price_model.columns.levels["looks"] == ("bright", "scarred", "scuffed")
    columns = model.price_model.columns
    object.__setattr__(columns, "levels", {**columns.levels, "looks": ("clean", "rough", "used")})
    path.write_bytes(to_bytes(model, RECORDS, about))
    with pytest.raises(ArtifactRefused, match="looks clean, rough, used of before"):
        kept(path)
