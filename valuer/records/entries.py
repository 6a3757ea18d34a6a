"""What is written down about a machine: taken in, fixes tried, weeks listed, the sale. Money is own money.

Days are days on the user's own calendar; the store adds the moment in UTC at which an entry was made.
"""

from datetime import date, timedelta
from typing import Annotated, Any, Literal, get_args

from pydantic import BeforeValidator, Field, PlainSerializer, WithJsonSchema, model_validator

from valuer.domain.bounds import MOST_MONEY
from valuer.domain.fixes import fix_catalogue
from valuer.domain.machine import Machine
from valuer.domain.record import Listed, Record, Remark, Several, word_of, wrong
from valuer.domain.symptoms import may_cure
from valuer.domain.words import one_of, shown
from valuer.records.own_terms import OwnTerms
from valuer.records.picture_files import PictureFile

SoldAs = Literal["working", "for_repair", "for_parts", "scrap"]
Seen = Literal["sale_seen", "ask_seen"]
FIRST_DAY, LAST_DAY = date(1970, 1, 1), date(2199, 12, 31)
"""Days that a calendar of ours holds: a week more or less can be reckoned from each, and a clock may stand wrong."""


def parse_day(value: object) -> date:
    """Return the day written as YYYY-MM-DD; raises a validation error that says what came.

    >>> parse_day("2026-05-03")
    datetime.date(2026, 5, 3)
    """
    if type(value) is date and value <= LAST_DAY:
        return value
    try:
        if isinstance(value, str) and len(value) == len("2026-05-03"):
            day = date.fromisoformat(value)
            if (
                FIRST_DAY - timedelta(days=6) <= day <= LAST_DAY
            ):  # the Monday of a week may lie before its day
                return day
    except ValueError:
        pass
    raise wrong("day_form", f"expected a day as YYYY-MM-DD, 1970 to 2199, got {shown(value)}")


Day = Annotated[
    date,
    BeforeValidator(parse_day),
    PlainSerializer(date.isoformat, return_type=str),
    WithJsonSchema({"type": "string", "format": "date"}),
]


def _hundredths(value: object) -> object:
    """Money is kept in cents and time in hundredths of an hour, so no more than that is taken in."""
    return round(value, 2) if isinstance(value, float) else value


Exact = Annotated[float, BeforeValidator(_hundredths)]


def _money(description: str) -> Any:
    return Field(None, ge=0, le=MOST_MONEY, description=f"{description}, own money")


def _price(description: str) -> Any:
    return Field(gt=0, le=MOST_MONEY, description=f"{description}, own money")


def _hours(description: str) -> Any:
    return Field(None, ge=0, le=1_000, description=description)


class FixDone(Record):
    """One try at curing a fault: what was done, what came of it, what it took."""

    fix: str = Field(description="id of the fix in the catalogue")
    fault: str = Field(description="id of the fault it was meant to cure")
    cured: bool = Field(description="whether the fault was gone at the retest")
    done_on: Day = Field(description="day of the retest")
    parts: Exact | None = _money("parts and consumables paid")
    hours: Exact | None = _hours("own bench hours, strip-down included")
    snag: bool | None = Field(None, description="whether something else was made worse")
    promised: Exact | None = Field(None, description="return the advice expected that day, own money")
    odds: float | None = Field(None, ge=0, le=1, description="odds that it would cure, as advised that day")
    gain: Exact | None = Field(None, description="what a cure was worth that day, after fees, own money")
    note: Remark | None = Field(None, description="what was found")

    @model_validator(mode="after")
    def _is_a_fix_for_it(self) -> "FixDone":
        fixes = fix_catalogue()
        if self.fix not in fixes:
            raise wrong("unknown_fix", one_of("fix", self.fix, fixes))
        if self.fault not in (able := may_cure(self.fix)):
            raise wrong("no_cure", one_of(f"fault that {self.fix} may cure", self.fault, able))
        return self


class ListingWeek(Record):
    """One listed week: what was asked, what was offered. A machine has one entry a week."""

    week_of: Day = Field(description="any day of that week; kept as its Monday")
    ask: Exact = _price("price asked at the end of the week")
    offers: Several[Annotated[Exact, Field(gt=0, le=MOST_MONEY)]] = Field(
        (), description="offers refused, own money"
    )
    enquiries: int | None = Field(None, ge=0, le=10_000, description="people who asked")
    no_shows: int | None = Field(None, ge=0, le=10_000, description="appointments nobody kept")

    @model_validator(mode="before")
    @classmethod
    def _monday(cls, data: Any) -> Any:
        if isinstance(data, dict) and "week_of" in data:
            day = parse_day(data["week_of"])
            return {**data, "week_of": date.fromordinal(day.toordinal() - day.weekday())}
        return data


class Prediction(Record):
    """What was expected of a sale on the day it was made, before the price was known."""

    amount: Exact = _price("expected sale price")
    low: Exact = _price("low end of the 80 % interval")
    high: Exact = _price("high end of the 80 % interval")
    model: str = Field(max_length=200, description="name and version of the price model")
    data_sha256: str = Field(max_length=64, description="data it was trained on")
    own_sales: int = Field(ge=0, description="own sales that corrected it")


class Sale(Record):
    """The end of a machine's stay: the price agreed, and what was expected that day."""

    sold_on: Day = Field(description="day of the sale")
    price: Exact = _price("price received")
    sold_as: Annotated[SoldAs, word_of("sold_as", get_args(SoldAs))] = Field(
        "working", description="how it left: working, for_repair, for_parts or scrap"
    )
    fees: Exact | None = _money("fees and costs of the sale")
    hours: Exact | None = _hours("own hours for listing, answering, showing")
    prediction: Prediction | None = Field(None, description="what was predicted before the sale")


class MachineEntry(Record):
    """A machine in the records, as it stands now or as it was sold, with everything done to it."""

    machine: Machine
    taken_on: Day = Field(description="day it was taken in")
    paid: Exact | None = _money("purchase price and fetching; no decision looks at it")
    hours: Exact | None = _hours("own hours for fetching and the first look; no decision looks at them")
    fixes: Several[FixDone] = Field((), description="fixes tried, in order")
    weeks: Several[ListingWeek] = Field((), description="weeks listed, in order")
    sale: Sale | None = Field(None, description="absent while it stands on the bench")

    @model_validator(mode="after")
    def _in_order(self) -> "MachineEntry":
        weeks = [week.week_of for week in self.weeks]
        if len(set(weeks)) < len(weeks):
            raise wrong("week_twice", "a week may stand once on a machine; put its offers into one entry")
        if self.sale and self.sale.sold_on < self.taken_on:
            raise wrong(
                "sold_before", f"sold on {self.sale.sold_on} but taken in on {self.taken_on}; correct one"
            )
        return self

    @property
    def id(self) -> str:
        """The machine's id."""
        return self.machine.id

    @property
    def days_to_sell(self) -> int | None:
        """Days from the first week listed to the sale; None when one of them is not known."""
        if self.sale is None or not self.weeks:
            return None
        return max(0, self.sale.sold_on.toordinal() - min(week.week_of for week in self.weeks).toordinal())


class Comparable(Record):
    """A price seen around, of a machine that is not one's own: a sale, or only an ask."""

    machine: Machine
    kind: Annotated[Seen, word_of("kind", get_args(Seen))] = Field(description="sale_seen or ask_seen")
    seen_on: Day = Field(description="day it was seen")
    price: Exact = _price("price agreed or asked")


class Book(Record):
    """Everything on record, and the form of a JSON file out of `valuer export` and into `valuer import`."""

    machines: Listed[MachineEntry] = ()
    comparables: Listed[Comparable] = ()
    pictures: Listed[PictureFile] = ()
    own_terms: OwnTerms | None = None
