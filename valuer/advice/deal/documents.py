"""Deals as they leave the house: the most to pay for a machine, and an owner's quote."""

from typing import Literal

from pydantic import Field

from valuer.advice.worth.documents import Advice, Document, Hours, Money

Errand = Literal["fetch it", "do not fetch it"]
UnknownFrom = Literal["machines taken in", "running machines listed"]
OwnerChoice = Literal["repair", "sell as it stands", "replace"]


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
    first_step: str | None = Field(
        description="first step of its work list, on what is known of it; null: no work"
    )


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
