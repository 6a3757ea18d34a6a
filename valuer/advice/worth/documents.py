"""The answers as they leave the house: one frozen record per question, the same for CLI and API.

Money is rounded to whole cents here, at the door, and nowhere before. Every sum of money is in the currency
the document names; hours are hands-on bench hours; chances run from 0 to 1.
"""

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from valuer.advice.ports import Basis


def _rounded(digits: int) -> AfterValidator:
    return AfterValidator(lambda number: round(float(number), digits) + 0.0)  # + 0.0 turns -0.0 into 0.0


Money = Annotated[float, _rounded(2)]
Hours = Annotated[float, _rounded(4)]
Chance = Annotated[float, _rounded(4), Field(ge=0, le=1)]
Verdict = Literal["worth doing", "not worth doing", "must be done"]
Route = Literal["working", "for repair", "for parts", "scrap"]


class Document(BaseModel):
    """Base of every answer: frozen, no field beyond the declared ones, no NaN, no infinity."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)


class Value(Document):
    """What a machine is expected to sell for, and the range that should hold the price."""

    amount: Money = Field(description="expected sale price, in the currency named here")
    low: Money = Field(description="low end of the range, same currency")
    high: Money = Field(description="high end of the range, same currency")
    coverage: float = Field(0.8, description="share of sales that should fall in the range")
    currency: str = Field(description="ISO 4217 code")


class FaultCost(Document):
    """What one remaining fault takes off the sale price."""

    fault: str = Field(description="id of the fault in the catalogue")
    severity: Literal["slight", "serious"]
    chance: Chance = Field(description="chance that it is there; 1 unless a reading lies in a grey zone")
    cured_alone: Money = Field(description="money regained if only this fault is cured")
    lost_alone: Money = Field(description="money lost if this were the only fault")
    share: Money = Field(description="Shapley share of the whole gap to the sound machine; shares sum to it")
    records: int = Field(ge=0, description="training sales that show this fault at this severity")


class Safety(Document):
    """Whether the machine may be sold as a working mower. No price, discount or wording lifts it."""

    may_be_sold: bool = Field(description="as a working mower; false while anything is listed below")
    must_cure: tuple[str, ...] = Field(description="fault ids that must be cured first")
    unchecked: tuple[str, ...] = Field(
        description="checks that must be passed first; unmeasured is not passed"
    )
    statement: str = Field(description="the verdict in one sentence")
    sources: tuple[str, ...] = Field(description="law and standards behind it, and whom it defers to")


class Advice(Document):
    """What every answer about one machine carries."""

    id: str = Field(description="id of the machine")
    value: Value
    safety: Safety
    cautions: tuple[str, ...] = Field(description="to be read before hands go near the machine")
    warnings: tuple[str, ...] = Field(description="what weakens these numbers, worst first")
    basis: Basis


class Valuation(Advice):
    """What a machine is worth as it stands, and what each fault takes off."""

    sound_value: Money = Field(description="expected sale price with every listed fault cured")
    fault_costs: tuple[FaultCost, ...] = Field(description="largest share first")


class FixAdvice(Document):
    """One possible fix for one fault: expected_return = gain x odds - parts - bench_hours x hour value."""

    fix: str = Field(description="id of the fix in the catalogue")
    fault: str = Field(description="id of the fault it is meant to cure")
    name: str = Field(description="the fix in plain words")
    gain: Money = Field(description="money regained if it works, every other fault left as it is")
    parts: Money = Field(description="parts and consumables, likely price")
    bench_hours: Hours = Field(description="hours if done alone, strip-down included")
    odds: Chance = Field(description="likely chance that it cures the fault")
    odds_low: Chance = Field(description="low end of the odds (10 % of belief lies below)")
    odds_high: Chance = Field(description="high end of the odds (10 % of belief lies above)")
    expected_return: Money = Field(description="expected money left by this fix done alone, own hours paid")
    verdict: Verdict
    reason: str = Field(description="why, in one sentence")
    break_even: str | None = Field(None, description="odds above which trying it before a surer fix pays")


class PlanStep(Document):
    """One step of a plan: do this, and if it fails that."""

    fix: str
    faults: tuple[str, ...] = Field(description="faults of this machine it may cure")
    parts: Money
    bench_hours: Hours = Field(description="own hours of the step and the strip-down it is first to need")
    if_it_fails: tuple[str, ...] = Field(
        description="tried next on what it leaves, in order; empty: stop and disclose"
    )


class BestPlan(Document):
    """The set of fixes with the highest expected return, fallbacks and odds counted."""

    fixes: tuple[str, ...] = Field(description="fix ids in working order; empty: sell it as it stands")
    steps: tuple[PlanStep, ...]
    expected_return: Money = Field(description="expected money gained over selling as it stands, hours paid")
    bench_hours: Hours = Field(description="expected hours")
    cash: Money = Field(description="expected cash for parts")
    worst_hours: Hours = Field(description="hours if every first try fails")
    worst_cash: Money = Field(description="cash if every first try fails; what a cash limit binds")
    value_after: Money = Field(description="expected sale price after the plan")
    chance_of_loss: Chance = Field(
        description="chance that the sale brings less than selling as it stands plus the costs of the plan"
    )
    sold_as: Route = Field(
        description="how it leaves if the plan works; as working only once safety allows it"
    )
    left_and_disclosed: tuple[str, ...] = Field(description="faults left in, to be told to the buyer")
    method: str = Field(description="how it was found, and the largest gap to the optimum where not exact")
    gap: Money = Field(0.0, description="no other plan can be better by more than this; 0 when exact")


class HourPoint(Document):
    """The best plan at one value of an hour."""

    hour_value: Money
    fixes: tuple[str, ...]
    expected_return: Money
    bench_hours: Hours


class FixPlan(Advice):
    """Which fixes pay on one machine, which must be done, and the best set of them."""

    fixes: tuple[FixAdvice, ...] = Field(description="every possible fix, best return first")
    best: BestPlan
    hour_value: Money = Field(description="what an hour of own time is worth")
    margin: Money = Field(description="money a fix must bring beyond its costs before it is advised")
    by_hour_value: tuple[HourPoint, ...] = Field((), description="the best plan at several values of an hour")
    switch_points: tuple[Money, ...] = Field((), description="values of an hour at which the plan changes")


class BenchMachine(Document):
    """One machine's place in the queue of the bench."""

    id: str
    value: Value
    value_now: Money = Field(description="expected sale price as it stands")
    value_after: Money = Field(description="expected sale price after its best plan")
    expected_return: Money = Field(description="expected money gained over selling as it stands, hours paid")
    bench_hours: Hours = Field(description="expected hours of the plan")
    return_per_hour: Money = Field(description="expected return per bench hour; 0 when no work is advised")
    chance_of_loss: Chance
    plan: tuple[str, ...] = Field(description="fix ids in working order; empty: sell it as it stands")
    cash: Money = Field(description="expected cash for parts")
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
