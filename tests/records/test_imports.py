"""A file into the store: a plain table takes a short way, and the records are the same to the letter."""

from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from tests.records.bench import NOW
from valuer.domain.faults import fault_catalogue
from valuer.records import imports
from valuer.records.book_files import book_in
from valuer.records.files import BadFile
from valuer.records.imports import imported, text_of
from valuer.records.store.plain_tables import add_plain, plain_table
from valuer.records.store.problems import Conflict
from valuer.records.store.store import Store, open_store
from valuer.records.store.tables import machines, sales

TABLE = """id,drive,age_years,high_wheels,faults,taken_on,paid,sold_on,price
m1,push,6,yes,"dirty:slight;blade_dull:serious",2026-05-01,25,2026-05-20,120
m2,,,,,,,2026-05-21,99.50
m3,rear_variable,4.5,no,drive_slip:slight,2026-05-02,,2026-05-22,180
"""


def rows(store: Store) -> list[list[Any]]:
    """Everything in the two tables."""
    with store.reading() as connection:
        every = (select(machines).order_by(machines.c.id), select(sales).order_by(sales.c.machine_id))
        return [list(map(tuple, connection.execute(each))) for each in every]


def both_ways(folder: Path, text: str) -> tuple[list[list[Any]], list[list[Any]]]:
    """The rows by the short way and by the long one."""
    found = []
    for name in ("short", "long"):
        path = folder / f"{name}.sqlite"
        path.unlink(missing_ok=True)
        store = open_store(NOW, str(path))
        if name == "short":
            table = plain_table(text, NOW)
            assert table, "the short way is open"
            assert add_plain(store, table)
        else:
            store.add(book_in("sales.csv", text), NOW)
        found.append(rows(store))
        store.close()
        for ending in ("-wal", "-shm"):
            path.with_name(path.name + ending).unlink(missing_ok=True)
    return found[0], found[1]


def test_a_plain_table_leaves_what_any_file_leaves(tmp_path: Path) -> None:
    short, long = both_ways(tmp_path, TABLE)
    assert short == long


FAULTS = sorted(name for name, fault in fault_catalogue().items() if not fault.needs)
LINE = st.tuples(
    st.sampled_from(["", "push", "all_wheel"]),
    st.sampled_from(["", "0", "6", "6.0", "12.25"]),
    st.lists(st.sampled_from(FAULTS), max_size=4, unique=True),
    st.sampled_from(["", "0", "12.345", "25"]),
    st.sampled_from(["1", "99.995", "1e2", "150"]),
)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(lines=st.lists(LINE, min_size=1, max_size=6))
def test_the_short_way_and_the_long_one_never_differ(tmp_path: Path, lines: list[Any]) -> None:
    text = "id,drive,age_years,faults,paid,sold_on,price\n"
    for number, (drive, age, faults, paid, price) in enumerate(lines):
        told = ";".join(f"{fault}:serious" for fault in faults)
        text += f"m{number},{drive},{age},{told},{paid},2026-05-0{number + 1},{price}\n"
    short, long = both_ways(tmp_path, text)
    assert short == long


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("m3,rear", "m1,rear"),
        ("m3,rear", "m 3,rear"),
        ("push,6,", "pull,6,"),
        ("push,6,", "push,old,"),
        ("dirty:slight;", "dirty:slight;dirty:serious;"),
        ('push,6,yes,"dirty:slight', 'push,6,yes,"drive_slip:slight'),
        ("2026-05-22", "2026-05-01"),
        ("99.50", "-1"),
        ("99.50", "nan"),
        ("99.50", "0.001"),
        ("99.50", ""),
        ("paid", "payed"),
    ],
)
def test_what_is_not_plain_is_refused_by_the_careful_reader_and_nothing_is_kept(
    store: Store, old: str, new: str
) -> None:
    text = TABLE.replace(old, new)
    assert text != TABLE
    assert plain_table(text, NOW) is None
    with pytest.raises(BadFile):
        imported(store, "sales.csv", text, NOW)
    assert store.count() == 0


def test_a_table_of_too_many_for_one_deed_is_taken_on_a_file_and_on_a_server(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(imports, "MOST_AT_ONCE", 2)
    for added, same in ((3, 0), (0, 3)):
        told = imported(store, "sales.csv", TABLE, NOW)
        assert (told.added, told.same, store.count()) == (added, same, 3)


def test_the_same_table_twice_adds_nothing_and_a_changed_one_is_refused(store: Store) -> None:
    assert imported(store, "sales.csv", TABLE, NOW).added == 3
    again = imported(store, "sales.csv", TABLE, NOW)
    assert (again.added, again.same) == (0, 3)
    with pytest.raises(Conflict, match="m2: on record already, and not the same"):
        imported(store, "sales.csv", TABLE.replace("99.50", "98"), NOW)
    assert store.entry("m2").entry.sale


def test_a_workbook_is_imported_with_its_days(store: Store, tmp_path: Path) -> None:
    """A day in a cell of a spreadsheet is a day; words that were taken for others are said."""
    openpyxl = pytest.importorskip("openpyxl")
    pytest.importorskip("python_calamine")
    book = openpyxl.Workbook()
    for row in (
        ["id", "drive", "looks", "sold_on", "price"],
        ["old-1", "push", "rough", date(2026, 4, 2), 90],
    ):
        book.active.append(row)
    book.save(tmp_path / "sales.xlsx")
    said: list[str] = []
    assert imported(store, *text_of(str(tmp_path / "sales.xlsx")), NOW, say=said.append).added == 1
    entry = store.entry("old-1").entry
    assert entry.sale is not None
    assert (entry.sale.sold_on, entry.sale.price, entry.machine.looks) == (date(2026, 4, 2), 90, "scarred")
    assert said == ["sales.xlsx: looks 'rough' is read as scarred, 1 time"]
    (tmp_path / "sales.xlsx").write_bytes(b"PK\x03\x04" + bytes(200))
    with pytest.raises(BadFile, match="a workbook that cannot be read"):
        text_of(str(tmp_path / "sales.xlsx"))
