"""Maker, model and serial number: kept with the record, in every file, and in no calculation."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.fake_model import FakeModel
from tests.records.bench import entry, machine
from valuer.advice.worth.valuation import value_machines
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms
from valuer.price_model.mower import CATEGORICAL, NUMERIC, SALE_COLUMNS
from valuer.records.book_files import as_csv, as_json, book_in
from valuer.records.entries import Book
from valuer.records.files import machines_in
from valuer.records.store.store import open_store

PLATE = {"maker": "Grünwerk (invented)", "model": "K-21 S", "serial": "0042-17"}


@given(words=st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=60))
def test_any_words_on_a_plate_survive_the_files(words: str) -> None:
    book = Book(machines=(entry("m", machine=machine("m", maker=words, model=f"={words}"[:60])),))
    assert book_in("book.json", as_json(book)) == book
    assert book_in("book.csv", as_csv(book)) == book


def test_a_machine_file_has_columns_for_them() -> None:
    (one,) = machines_in("a.csv", "id,maker,model,serial\nm1, Grünwerk ,K-21 S,0042-17\n".encode())
    assert (one.maker, one.model, one.serial) == ("Grünwerk", "K-21 S", "0042-17")


def test_the_store_keeps_them(tmp_path: Path) -> None:
    moment = datetime(2026, 5, 3, tzinfo=UTC)
    kept = entry("m", machine=machine("m", **PLATE))
    store = open_store(moment, str(tmp_path / "book.sqlite"))
    try:
        store.put(["m"], lambda _name, _before: kept, moment)
        assert store.entry("m").entry == kept
    finally:
        store.close()


@pytest.mark.parametrize("text", ["two\nlines", "", "  ", "bell\x07", "x" * 61])
def test_what_stands_on_no_plate_is_refused(text: str) -> None:
    with pytest.raises(ValidationError):
        machine("m", serial=text)


def test_the_price_model_has_no_column_for_them() -> None:
    assert not set(PLATE) & {*CATEGORICAL, *NUMERIC, *SALE_COLUMNS}


def test_a_machine_with_a_plate_is_worth_what_it_is_without() -> None:
    terms, faults = ShopTerms(month=5), ["dirty:slight", "stiff_roll:slight"]
    bare, named = (Machine.model_validate({"id": "m", "faults": faults, **plate}) for plate in ({}, PLATE))
    one, other = value_machines([bare, named], FakeModel(), terms)
    assert one == other
