"""Whatever a file holds, its reader gives what it promises or its own refusal, in lines that can be printed."""

import csv
import io
import json
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.bad_files.corpus import TABLES, Broken, cases
from tests.records.bench import NOW
from valuer.price_model.design import TableError
from valuer.price_model.sales_file import read_sales_text
from valuer.records.book_files import COLUMNS, book_in
from valuer.records.files import BadFile, machines_in, text_in
from valuer.records.imports import imported
from valuer.records.store.plain_tables import plain_table
from valuer.records.store.store import open_store

Read = Callable[[str, bytes], Any]
READERS: dict[str, Read] = {
    "machines": machines_in,
    "records": lambda name, data: book_in(name, text_in(name, data)),
    "sales": lambda name, data: read_sales_text(data, name),
}
CORPUS = [(kind, name) for kind in READERS for name in cases(kind)]


def refusal(kind: str, name: str, data: bytes) -> list[str]:
    """The lines of the reader's own refusal, or none; anything else it raises goes through."""
    try:
        READERS[kind](name, data)
    except (BadFile, TableError) as refused:
        return str(refused).split("\n")
    return []


@pytest.mark.parametrize("kind", READERS)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_the_file_before_it_is_broken_is_read(kind: str, encoding: str) -> None:
    assert not refusal(kind, "good.csv", TABLES[kind].text.encode(encoding))
    if TABLES[kind].json:
        assert not refusal(kind, "good.json", str(TABLES[kind].json).encode(encoding))


@pytest.mark.parametrize(("kind", "name"), CORPUS)
def test_a_broken_file_is_refused_by_name_and_place(kind: str, name: str) -> None:
    broken: Broken = cases(kind)[name]
    lines = refusal(kind, f"mine{broken.ending}", broken.data)
    assert lines, "accepted"
    assert all(line.startswith(f"mine{broken.ending}") and line.isprintable() for line in lines)
    assert all(len(line) < 500 for line in lines), "however much came, a line is a line"
    if broken.place:
        assert re.search(broken.place, lines[0]), lines[0]


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8)
    | st.sampled_from(["m1", "mid", "blade_dull:slight", "2026-05-01", "ask_seen", "=1+1"]),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.sampled_from(["machine", "id", "faults", "readings", "sale", "x"]), inner, max_size=4),
    max_leaves=12,
)  # fmt: skip
NAMES = [*COLUMNS, "machine", "sale", "form", "machines", "comparables", "seen_on", "other"]
OBJECTS = st.dictionaries(st.sampled_from(NAMES), VALUES, max_size=6)


@given(
    kind=st.sampled_from([*READERS]),
    data=st.binary(max_size=300),
    ending=st.sampled_from([".csv", ".json", ""]),
)
def test_any_bytes(kind: str, data: bytes, ending: str) -> None:
    assert all(line.startswith("a") for line in refusal(kind, f"a{ending}", data))


@given(st.lists(OBJECTS, max_size=3), st.lists(OBJECTS, max_size=2))
def test_any_objects_in_json(machines: list[Any], comparables: list[Any]) -> None:
    for kind, top in {
        "machines": machines,
        "records": {"machines": machines, "comparables": comparables},
    }.items():
        text = json.dumps(top)  # with NaN and Infinity, as Python writes them
        assert all(line.isprintable() for line in refusal(kind, "a.json", text.encode()))


CELLS = st.text(max_size=10) | st.sampled_from(
    ["m1", "mid", "6", "-1", "nan", "1e400", "=1", "'=1", "x:y", "blade_dull:slight", "2026-05-01", "own",
     "ask_seen", "[", "[[]]", '{"a": NaN}', "[" * 3000, "working", "\ud800", "9" * 400, "yes"]
)  # fmt: skip
TABLE = st.lists(st.sampled_from(COLUMNS), max_size=6, unique=True).flatmap(
    lambda more: st.tuples(
        st.just(["id", *[name for name in more if name != "id"]]),
        st.lists(st.lists(CELLS, min_size=1, max_size=7), max_size=4),
    )
)


def as_text(rows: list[list[str]]) -> bytes:
    """The rows as a CSV file; half surrogates, which no file can hold, as question marks."""
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    return text.getvalue().encode("utf-8", "replace")


@given(TABLE)
def test_any_cells_in_csv(table: tuple[list[str], list[list[str]]]) -> None:
    header, rows = table
    data = as_text([header, *[(row + [""] * 9)[: len(header)] for row in rows]])
    for kind in ("machines", "records"):
        assert all(line.isprintable() for line in refusal(kind, "a.csv", data))


@given(st.lists(st.lists(CELLS, min_size=16, max_size=16), max_size=3))
def test_any_cells_in_a_sales_file(rows: list[list[str]]) -> None:
    lines = refusal("sales", "a.csv", as_text([TABLES["sales"].header.split(","), *rows]))
    assert all(line.isprintable() for line in lines)


@given(
    kind=st.sampled_from([*READERS]),
    at=st.integers(0, 300),
    drop=st.integers(0, 4),
    put=st.binary(max_size=4),
)
def test_a_good_file_with_some_bytes_swapped(kind: str, at: int, drop: int, put: bytes) -> None:
    good = TABLES[kind].text.encode()
    at %= len(good)
    assert all(
        line.startswith("a.csv") for line in refusal(kind, "a.csv", good[:at] + put + good[at + drop :])
    )


PLAIN = st.lists(
    st.tuples(*[CELLS | st.sampled_from([good]) for good in TABLES["records"].row.split(",")]), max_size=3
)


@given(PLAIN)
def test_the_quick_reader_of_plain_tables_takes_nothing_the_careful_one_refuses(
    rows: list[tuple[str, ...]],
) -> None:
    text = as_text([TABLES["records"].header.split(","), *map(list, rows)]).decode()
    if plain_table(text, NOW) is not None:
        assert len(book_in("a.csv", text).machines) == len(rows)


@given(TABLE)
def test_an_import_adds_all_or_nothing(table: tuple[list[str], list[list[str]]]) -> None:
    header, rows = table
    text = as_text([header, *[(row + [""] * 9)[: len(header)] for row in rows]]).decode()
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(NOW, str(Path(folder) / "records.sqlite"))
        try:
            imported(store, "a.csv", text, NOW)
        except BadFile:
            assert store.count() == 0
        finally:
            store.close()
