"""Records as files: what is written can be read again, and one bad row keeps everything out."""

import csv
import io
import json
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.records.bench import entry, full_entry, machine, seen
from valuer.records.book_files import as_csv, as_json, book_in
from valuer.records.entries import Book, Sale
from valuer.records.files import BadFile
from valuer.records.ledger import ledger

BOOK = Book(machines=(full_entry(), entry("grey-2")), comparables=(seen(), seen(150.0, "sale_seen")))


@pytest.mark.parametrize(("name", "write"), [("book.json", as_json), ("book.csv", as_csv)])
def test_what_is_written_is_read_again(name: str, write: object) -> None:
    assert book_in(name, write(BOOK)) == BOOK  # type: ignore[operator]


@given(note=st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1, max_size=80))
def test_any_note_survives_json(note: str) -> None:
    book = Book(machines=(entry("m", machine=machine("m", note=note)),))
    assert book_in("book.json", as_json(book)) == book


NOTES = st.text("=+-@\uff1d\uff0b\uff0d\uff20'\"ab, ;\t\r\n\x0b", min_size=1, max_size=12) | st.text(
    st.characters(codec="utf-8", exclude_characters="\0"), min_size=1, max_size=40
)
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""What a spreadsheet takes for the beginning of a formula; the wide ones where such are typed (from memory)."""


@given(note=NOTES)
def test_any_note_survives_csv_and_never_begins_as_a_formula(note: str) -> None:
    book = Book(
        machines=(entry("m", machine=machine("m", note=note)), full_entry("-1")), comparables=(seen(),)
    )
    text = as_csv(book)
    assert book_in("book.csv", text) == book
    for cells in csv.reader(io.StringIO(text, newline="")):
        assert not any(cell.startswith(FORMULA) for cell in cells)


def test_a_note_with_a_zero_character_is_refused_for_no_text_file_could_hold_it() -> None:
    with pytest.raises(ValidationError, match=r"a zero character cannot be kept, got .*; leave it out"):
        machine("m", note="a\0b")


BAD = {
    "": "the file is empty; `valuer export` shows what one looks like",
    "id\n": "holds no machine and no price; `valuer export` writes a file",
    "id,taken_on\nm1,1.5.2026\n": "row 2, taken_on: expected a day as YYYY-MM-DD, 1970 to 2199, got '1.5",
    "id,taken_on,paid\nm1,2026-05-01,-5\n": "row 2, paid: paid must be 0 or more, got -5.0",
    "id,taken_on,paid\nm1,2026-05-01,five\n": (
        "row 2, paid: expected an amount of money, got 'five'; leave it empty when unknown"
    ),
    "id,taken_on\nm1,2026-05-01\nm1,2026-05-02\n": (
        "row 3, id: 'm1' is used in row 2 already; give each machine its own"
    ),
    "id,taken,price\nm1,2026-05-01,5\n": "row 1, taken: unknown column; did you mean 'taken_on'?",
    "id,kind,sold_on,price\nm1,rumour,2026-05-01,5\n": "row 2, kind: kind must be one of sale_seen, ask_seen",
    "id,kind,sold_on,price,paid\nm1,ask_seen,2026-05-01,5,3\n": "row 2, paid: unknown name 'paid'",
    '{"form": "valuer records 9", "machines": []}': "expected an object with form 'valuer records 1'",
    '{"machines": 3}': "machines: expected a list, got 3",
    '{"machines": [3]}': "machines 1: expected an object, got 3",
}


@pytest.mark.parametrize("text", BAD)
def test_a_bad_file_is_refused_with_the_place(text: str) -> None:
    with pytest.raises(BadFile) as refusal:
        book_in("book", text)
    assert BAD[text] in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_every_bad_row_is_listed() -> None:
    rows = "id,taken_on,drive\na,2026-05-01,pull\nb,2026-05-01,push\nc,never,push\n"
    with pytest.raises(BadFile) as refusal:
        book_in("book.csv", rows)
    assert [problem.row for problem in refusal.value.problems] == ["row 2", "row 4"]


def test_a_plain_table_of_sales_will_do() -> None:
    (one,) = book_in("sales.csv", "id,drive,sold_on,price\nm1,push,2026-05-01,90\n").machines
    assert one.sale == Sale(sold_on=date(2026, 5, 1), price=90.0)
    assert one.taken_on == date(2026, 5, 1)


def test_unknowns_are_left_out_of_json() -> None:
    told = json.loads(as_json(Book(machines=(entry("grey-2"),))))["machines"][0]
    assert set(told) == {"machine", "taken_on", "paid", "hours"}


def test_the_ledger_by_hand() -> None:
    # Sold for 160; paid 25, a seat for 4, fees 2.50: profit 128.50. Hours .8 + .75 + 1.5 = 3.05.
    accounts = ledger([full_entry(), entry("grey-2", paid=40.0)])
    sold, open_ = accounts.lines
    assert (sold.profit, sold.spent, sold.hours, sold.profit_per_hour) == (128.5, 31.5, 3.05, 42.13)
    assert (open_.profit, open_.state) == (None, "bench")
    assert (accounts.profit, accounts.hours, accounts.tied_up) == (128.5, 3.05, 40.0)
    assert (accounts.sold, accounts.on_bench) == (1, 1)
