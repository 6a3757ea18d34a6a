"""The answers about what to look at next, what to pay, what to work on this week, and a shop's quote."""

from typing import Literal

from pydantic import Field

from valuer.advice.ports import Basis
from valuer.advice.worth.documents import Advice, Chance, Document, Hours, Money, Route, Verdict

Course = Literal["go on", "sell as it stands", "break for parts", "scrap"]
CheckKind = Literal["cause", "safety", "attribute", "reading"]
Action = Literal["work", "sell as it stands", "break for parts", "scrap", "not this week"]
Errand = Literal["fetch it", "do not fetch it"]
UnknownFrom = Literal["machines taken in", "running machines on offer"]
OwnerChoice = Literal["repair", "sell as it stands", "replace"]


class NextCheck(Document):
    """Something to look at before more is decided: what it can show, and what knowing it is worth."""

    check: str = Field(description="id of the look, of the safety check, of the attribute or of the fault")
    kind: CheckKind = Field(description="cause of a symptom, safety check, attribute, or a reading in doubt")
    name: str = Field(description="what is done, in plain words")
    minutes: float = Field(ge=0, description="bench minutes it takes")
    cash: Money = Field(description="money it takes")
    shows: tuple[str, ...] = Field(description="what it can show")
    value_of_looking: Money = Field(
        description="expected money gained by deciding after the look, cost not off"
    )
    perfect_information: Money = Field(description="what knowing for sure would bring; never less")
    expected_return: Money = Field(description="value of looking less its cash and own time")
    value_per_minute: float = Field(description="value of looking less its cash, per bench minute, money")
    verdict: Verdict
    reason: str


class CauseChance(Document):
    """One thing a symptom may turn out to be."""

    cause: str
    name: str
    chance: Chance
    fault: str | None = Field(description="what it is called once known; null: nothing is left after its fix")


class SymptomCauses(Document):
    """What a symptom may turn out to be, after what the readings say."""

    fault: str
    causes: tuple[CauseChance, ...] = Field(description="most likely first; the chances sum to 1")


class NextChecks(Advice):
    """Whether to go on with a machine, and which check earns most per minute."""

    verdict: Course
    reason: str
    checks: tuple[NextCheck, ...] = Field(description="highest value per minute first")
    symptoms: tuple[SymptomCauses, ...]
    hour_value: Money


class CostLine(Document):
    """One cost between fetching a machine and handing it over."""

    name: str
    cash: Money
    hours: Hours


class PurchaseLimit(Advice):
    """The most to pay for a machine before it is taken in."""

    most_to_pay: Money = Field(description="price at which the expected return is the wanted one; 0 at least")
    limit: Money = Field(description="the same, below 0 when even a free machine does not bring it")
    verdict: Errand
    reason: str
    asked: Money | None = Field(description="what the seller asks, if known")
    wanted_return: Money = Field(description="money to be left over, own hours paid")
    wanted_per_hour: Money | None = Field(description="wanted for every own hour instead, if so asked")
    return_if_free: Money = Field(description="expected return at a price of 0")
    proceeds: Money = Field(description="expected money from the sale after the best plan")
    costs: tuple[CostLine, ...]
    hours: Hours = Field(description="own hours from the trip to the hand-over")
    low: Money = Field(description="the limit if the unknown faults are bad (one time in ten it is lower)")
    high: Money = Field(description="the limit if they are good (one time in ten it is higher)")
    not_known: tuple[str, ...] = Field(description="faults counted at their share among machines of a kind")
    unknown_from: UnknownFrom = Field(description="the kind: running ones where it is known to run")


class PlannedMachine(Document):
    """What to do with one machine this week."""

    id: str
    action: Action
    fixes: tuple[str, ...] = Field(description="fix ids in working order")
    expected_return: Money = Field(description="expected money gained over selling as it stands, hours paid")
    bench_hours: Hours = Field(description="expected hours")
    cash: Money = Field(description="cash if every first try fails, which the limit binds")
    sold_as: Route


class BenchPlan(Document):
    """Which plans on which machines under this week's hours and cash."""

    machines: tuple[PlannedMachine, ...] = Field(
        description="machines to work on first, best return per hour"
    )
    expected_return: Money
    bench_hours: Hours = Field(description="expected hours of all chosen plans")
    cash: Money = Field(description="worst-case cash of all chosen plans")
    hours_free: Hours | None = Field(description="hours this week; null: no limit")
    cash_free: Money | None = Field(description="cash this week; null: no limit")
    one_more_hour: Money = Field(description="what one more hour would bring, its own worth paid")
    ten_more_cash: Money = Field(description="what ten more in cash would bring")
    gap: Money = Field(description="what a better choice of these plans could bring; 0: proved best")
    currency: str
    hour_value: Money
    cautions: tuple[str, ...]
    warnings: tuple[str, ...]
    basis: Basis


class OwnerOption(Document):
    """One thing the owner can do, with the same figures as the others."""

    option: OwnerChoice
    pays: Money = Field(description="money out; below 0 comes in")
    worth_after: Money = Field(description="what the owner's machine would sell for afterwards; 0 for none")
    better_off: Money = Field(description="worth afterwards less money out, over doing nothing")
    years: float | None = Field(description="years of mowing to expect; null for none")
    cost_per_year: Money | None = Field(description="what a year of mowing then costs; null for none")
    says: str


class RepairQuote(Advice):
    """A shop's quote against selling as it stands and a new machine, from the owner's view."""

    view: Literal["owner"] = "owner"
    bill: Money = Field(description="what the shop will ask, the fee for looking included unless paid")
    still_to_pay: Money = Field(description="the bill less a fee already paid: what the decision is about")
    value_after: Money = Field(description="expected sale price after the repair")
    new_price: Money | None = Field(description="a comparable new machine; null: not known")
    share_of_new: float | None = Field(description="bill as a share of a new machine")
    share_of_value: float = Field(description="bill as a share of the value after repair")
    options: tuple[OwnerOption, ...]
    advised: OwnerChoice
    reason: str
