"""The bench as it leaves the house: the week's lists, the ranking, and what one machine can give another."""

from typing import Literal

from pydantic import Field

from valuer.advice.ports import Basis
from valuer.advice.worth.documents import Chance, Document, Hours, Money, Route, Safety, Value

Action = Literal["work", "sell as it stands", "break for parts", "scrap", "not this week"]


class BenchMachine(Document):
    """One machine's place in the queue of the bench."""

    id: str
    called: str | None = Field(None, description="what its owner calls it, where that is more than the id")
    value: Value
    value_now: Money = Field(description="expected sale price as it stands")
    value_after: Money = Field(description="expected sale price after its work list")
    left_now: Money = Field(description="money left from leaving it as it stands, selling paid")
    expected_return: Money = Field(description="money gained over leaving it as it stands, hours paid")
    bench_hours: Hours = Field(description="expected hours of the list")
    return_per_hour: Money = Field(description="expected return per bench hour; 0 when no work is advised")
    chance_of_loss: Chance
    first_step: str | None = Field(description="the first step of its list in plain words; null: no work")
    steps: tuple[str, ...] = Field(description="ids of the list's steps in working order")
    cash: Money = Field(description="expected money for parts")
    waits_days: float = Field(ge=0, description="days the list waits for parts or a remedy, at most")
    sold_as: Route
    safety: Safety
    warnings: tuple[str, ...]


class BenchRanking(Document):
    """The machines of the bench, the one that earns most per bench hour first."""

    machines: tuple[BenchMachine, ...]
    currency: str = Field(description="ISO 4217 code of every sum of money here")
    hour_value: Money
    cautions: tuple[str, ...]
    warnings: tuple[str, ...]
    basis: Basis


class PlannedMachine(Document):
    """What to do with one machine this week."""

    id: str
    called: str | None = Field(None, description="what its owner calls it, where that is more than the id")
    action: Action
    first_step: str | None = Field(description="the first step in plain words; null: no work")
    steps: tuple[str, ...] = Field(description="ids of the list's steps in working order")
    expected_return: Money = Field(description="money gained over leaving it as it stands, hours paid")
    bench_hours: Hours = Field(description="expected hours")
    cash: Money = Field(description="parts if all goes the dearest way, which the limit binds")
    waits_days: float = Field(ge=0, description="days the list waits for parts or a remedy, at most")
    sold_as: Route


class Donor(Document):
    """A part of one machine that would do more in another."""

    part: str
    donor: str = Field(description="id of the machine that gives it, and goes in bits or for scrap")
    into: str = Field(description="id of the machine that gets it")
    fix: str = Field(description="fix by which it gets it")
    brings: Money = Field(description="what that brings beyond dealing with both by their own lists")
    says: str


class BenchPlan(Document):
    """Which lists on which machines under this week's hours and cash."""

    machines: tuple[PlannedMachine, ...] = Field(
        description="machines to work on first, best return per hour"
    )
    expected_return: Money
    bench_hours: Hours = Field(description="expected hours of all chosen lists")
    cash: Money = Field(description="worst-case cash of all chosen lists")
    hours_free: Hours | None = Field(description="hours this week; null: no limit")
    cash_free: Money | None = Field(description="cash this week; null: no limit")
    one_more_hour: Money = Field(description="what one more hour would bring, its own worth paid")
    ten_more_cash: Money = Field(description="what ten more in cash would bring")
    gap: Money = Field(description="what a better choice of these lists could bring; 0: proved best")
    donors: tuple[Donor, ...] = Field(description="machines worth more as a donor, the best first")
    currency: str
    hour_value: Money
    cautions: tuple[str, ...]
    warnings: tuple[str, ...]
    basis: Basis
