"""Which records teach: own sales of whole machines, each once, and prices seen around; machines that were listed."""

from collections.abc import Sequence
from datetime import date

from valuer.records.entries import Book, Comparable, MachineEntry

Teacher = MachineEntry | Comparable

WHOLE = ("working", "for_repair")
"""What was sold as one of these was sold as a machine; the price of parts or scrap is not that of one."""

SAYS_ENOUGH = 6
"""Attributes that a machine says before two equal ones, sold on one day at one price, count as the same one."""

DayAndPrice = tuple[date, float]


def entered_again(book: Book) -> tuple[str, ...]:
    """Ids of sales that repeat one before them: same machine, day and price under another id. They teach nothing."""
    teachers = Teachers()
    teachers.of(book)
    return tuple(entry.id for entry in book.machines if id(entry) in teachers.again)


class Teachers:
    """The teachers of a book, brought up to date by the entries that differ from those of the book before.

    A record is told by its id as an object: one that changed is another. again: those that repeat one before them.
    listed: those that were listed.
    """

    def __init__(self) -> None:
        self.again = set[int]()
        self.listed: dict[int, MachineEntry] = {}
        self._entries: dict[int, MachineEntry] = {}
        self._sold: dict[int, MachineEntry] = {}
        self._alike: dict[DayAndPrice, set[int]] = {}

    def of(self, book: Book) -> dict[int, Teacher]:
        """Those of this book by their ids as objects."""
        before, now = self._entries, dict(zip(map(id, book.machines), book.machines, strict=True))
        self._entries, touched = now, set[DayAndPrice]()
        for key in before.keys() - now.keys():
            self.listed.pop(key, None)
            if self._sold.pop(key, None):
                touched.add(_day_and_price(before[key]))
                self._alike[_day_and_price(before[key])].discard(key)
        for key in [key for key in now if key not in before]:  # in their order, not in that of a set
            if now[key].weeks:
                self.listed[key] = now[key]
            sale = now[key].sale
            if sale and sale.sold_as in WHOLE:
                self._sold[key] = now[key]
                touched.add(_day_and_price(now[key]))
                self._alike.setdefault(_day_and_price(now[key]), set()).add(key)
        self._look_again_at(touched)
        own = {key: entry for key, entry in self._sold.items() if key not in self.again}
        return {**own, **{id(seen): seen for seen in book.comparables}}

    def _look_again_at(self, touched: set[DayAndPrice]) -> None:
        """See which of the sales of these days and prices repeat one that stands before them in the book."""
        for told in touched:
            self.again -= self._alike[told]
        several = [self._alike[told] for told in touched if len(self._alike[told]) > 1]
        if several:  # hardly a sale shares its day and its price with another
            place = {key: number for number, key in enumerate(self._entries)}
            for alike in several:
                self.again |= _repeated([self._entries[key] for key in sorted(alike, key=place.__getitem__)])


def _day_and_price(entry: MachineEntry) -> DayAndPrice:
    assert entry.sale  # noqa: S101 - only sold ones are asked about
    return entry.sale.sold_on, entry.sale.price


def _repeated(entries: Sequence[MachineEntry]) -> set[int]:
    """Those of the entries whose machine is that of one before."""
    seen, again = set[str](), set[int]()
    for entry in entries:
        told = entry.machine.model_dump_json(exclude={"id"}, exclude_unset=True)
        if told in seen and len(entry.machine.model_fields_set) > SAYS_ENOUGH:
            again.add(id(entry))
        seen.add(told)
    return again
