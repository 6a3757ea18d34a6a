"""Which records teach prices: kept from book to book, the same as found anew."""

from datetime import date

from hypothesis import given
from hypothesis import strategies as st

from tests.records.bench import entry, machine, seen
from valuer.records.entries import Book, MachineEntry, Sale
from valuer.records.teaching import Teachers, entered_again


def sold(name: str, price: float, sold_as: str = "working", **known: object) -> MachineEntry:
    """A machine sold on the 20th of May."""
    sale = Sale(sold_on=date(2026, 5, 20), price=price, sold_as=sold_as)  # type: ignore[arg-type]
    return entry(name, machine=machine(name, looks="scuffed", start="rope", **known), sale=sale)


POOL = (
    *(sold(f"a{i}", 100.0) for i in range(4)),
    sold("b", 100.0, tier="budget"),
    sold("c", 90.0),
    sold("d", 90.0, "for_repair"),
    sold("e", 90.0, "scrap"),
    entry("f"),
)
"""Four times the same one, another one at that price, two of one kind at another price, scrap and one not sold."""


def test_own_sales_of_whole_machines_teach_once_and_prices_seen_around() -> None:
    around = seen(150.0)
    book = Book(machines=POOL, comparables=(around,))
    teach = Teachers().of(book)
    assert [getattr(each, "id", "around") for each in teach.values()] == ["a0", "b", "c", "around"]
    assert entered_again(book) == ("a1", "a2", "a3", "d")


@given(st.lists(st.sets(st.sampled_from(range(len(POOL)))), min_size=2, max_size=8))
def test_what_teaches_is_the_same_kept_from_book_to_book_and_found_anew(books: list[set[int]]) -> None:
    """Machines come and go; the first of equal ones teaches, another where it is gone."""
    kept = Teachers()
    for places in books:
        book = Book(machines=tuple(POOL[place] for place in sorted(places)))
        assert kept.of(book) == Teachers().of(book)
