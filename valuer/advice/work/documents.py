"""The work list of a machine as it leaves the house, and what stands beside it."""

from typing import Literal

from pydantic import Field

from valuer.advice.worth.documents import Advice, Chance, Document, Hours, Money, Route, Times

StepKind = Literal["check", "look", "measure", "fix"]
Verdict = Literal["go on", "sell as it stands", "break for parts", "scrap", "no sale while a recall is open"]


class Then(Document):
    """What follows a result: the step of that number, or the sale where there is none."""

    step: int | None = Field(description="number of the step; null: stop, and leave by the best way out")
    chance: Chance = Field(description="chance of it after this result; 1 where the result decides it")


class StepResult(Document):
    """One way a step can go."""

    shows: str = Field(description="what is to be told: cured, still there, or what the look showed")
    by_fault: dict[str, str] = Field(
        default_factory=dict,
        description="the same by fault; of a step on several each is told by itself, a look as LOOK:FAULT",
    )
    says: str = Field(description="the same in plain words")
    chance: Chance
    then: tuple[Then, ...]
    left: Money = Field(description="money left from then on if the list is followed, costs to come paid")


class Part(Document):
    """One fix or look of a step, and what it works on."""

    id: str = Field(description="id of the fix, the look or the safety check")
    faults: tuple[str, ...] = Field(description="faults of this machine it works on")
    name: str


class WorkStep(Document):
    """One session at the bench: a check, a look, a fix, or fixes that share their strip-down."""

    number: int
    kind: StepKind
    parts_of_it: tuple[Part, ...]
    name: str = Field(description="what is done, in plain words")
    chance: Times = Field(
        description="chance that it comes to this step; above 1 where it may be done again for another fault"
    )
    minutes: float = Field(ge=0, description="bench minutes, strip-down included")
    parts: Money = Field(description="money for parts")
    brings: Money = Field(description="what the list would lose without this step: the best list without it")
    pays_until: Money | None = Field(
        None, description="price of the parts above which the step no longer pays"
    )
    waits_days: float = Field(0, ge=0, description="days of waiting for parts, a test or a remedy")
    waiting_costs: Money = Field(0, description="what the machine costs by standing for these days")
    proof: str | None = Field(None, description="what must be seen before it is called cured")
    checks_again: tuple[str, ...] = Field((), description="safety checks to be passed again after it")
    cautions: tuple[str, ...] = Field(description="to be read before this step")
    why: str
    results: tuple[StepResult, ...]


class End(Document):
    """One way in which it ends if the list is followed."""

    route: Route
    chance: Chance
    proceeds: Money = Field(description="money from leaving this way, on average, selling paid")


class WayNow(Document):
    """What leaving today by one way would bring."""

    route: Route
    left: Money = Field(description="money left, own hours paid")
    open: bool = Field(description="whether safety and law leave this way open as it stands")


class OtherStep(Document):
    """Something that could be done first instead."""

    id: str
    name: str
    less: Money = Field(description="how much less is left, done first, than by the list; 0: equally good")
    later: bool = Field(description="whether the list has it later")


class CauseChance(Document):
    """One thing a symptom may turn out to be."""

    cause: str
    name: str
    chance: Chance
    fault: str | None = Field(description="what it is called once known; null: nothing is left after its fix")


class SymptomCauses(Document):
    """What a symptom may turn out to be, after readings, looks and fixes that failed."""

    fault: str
    causes: tuple[CauseChance, ...] = Field(description="most likely first; the chances sum to 1")


class Question(Document):
    """An attribute that is not known: finding it out makes the price fit better."""

    attribute: str
    how: str
    minutes: float
    worth: Money = Field(description="what a price that fits better brings, on average")


class GateStep(Document):
    """A safety check to be passed before it is sold as working."""

    check: str
    how: str
    minutes: float
    cautions: tuple[str, ...]


class HourPoint(Document):
    """The list at one value of an hour."""

    hour_value: Money
    steps: tuple[str, ...] = Field(
        description="ids of its steps in working order; empty: leave it as it stands"
    )
    expected_return: Money
    bench_hours: Hours


class WorkList(Advice):
    """What to do with one machine, step by step, when to stop, and how it then leaves.

    left = sum over ends of chance x proceeds - sum over steps of chance x (parts + minutes / 60 x hour value);
    expected_return = left - left_now; bench_hours and cash are the same sums of minutes and parts.
    """

    verdict: Verdict
    summary: str = Field(description="the list in one sentence")
    left_now: Money = Field(description="money left from leaving it as it stands today, the best way open")
    left: Money = Field(description="money left if the list is followed, own hours paid")
    expected_return: Money = Field(description="money gained over leaving it as it stands, hours paid")
    bench_hours: Hours = Field(description="expected bench hours of the list")
    cash: Money = Field(description="expected money for parts")
    worst_hours: Hours = Field(description="bench hours if all goes the longest way")
    worst_cash: Money = Field(
        description="money for parts if all goes the dearest way; what a cash limit binds"
    )
    value_after: Money = Field(description="expected sale price after the work")
    chance_of_loss: Chance = Field(
        description="chance that following it leaves less than leaving as it stands was expected to"
    )
    sold_as: Route = Field(
        description="the likeliest way out after the work; working only once safety allows it"
    )
    steps: tuple[WorkStep, ...]
    ends: tuple[End, ...]
    ways_now: tuple[WayNow, ...] = Field(description="what each way out would leave today")
    before_sale: tuple[GateStep, ...] = Field(
        description="safety checks still to be passed before a sale as working"
    )
    left_and_disclosed: tuple[str, ...] = Field(
        description="faults left in if the work holds, to be told to the buyer"
    )
    others: tuple[OtherStep, ...] = Field(description="what else could come first, and what that would cost")
    symptoms: tuple[SymptomCauses, ...]
    questions: tuple[Question, ...]
    hour_value: Money
    margin: Money
    method: str
    gap: Money = Field(
        description="what a list that follows every act could bring beyond it, at most; 0 when exact"
    )
    by_hour_value: tuple[HourPoint, ...] = ()
    switch_points: tuple[Money, ...] = Field(
        (), description="values of an hour between which the list changes"
    )
