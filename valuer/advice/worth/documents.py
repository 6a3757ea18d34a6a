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
Times = Annotated[float, _rounded(4), Field(ge=0)]
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
    called: str | None = Field(None, description="what its owner calls it, where that is more than the id")
    value: Value
    safety: Safety
    cautions: tuple[str, ...] = Field(description="to be read before hands go near the machine")
    warnings: tuple[str, ...] = Field(description="what weakens these numbers, worst first")
    basis: Basis


class Valuation(Advice):
    """What a machine is worth as it stands, and what each fault takes off."""

    sound_value: Money = Field(description="expected sale price with every listed fault cured")
    fault_costs: tuple[FaultCost, ...] = Field(description="largest share first")
    not_looked_for: tuple[str, ...] = Field(
        description="faults nobody looked for; they count as in what untested machines bring"
    )
    looking_adds: Money = Field(
        description="what the price would gain if all of these were looked for and not there"
    )
    looked_low: Money = Field(
        description="low end of the range if everything had been looked for and nothing found"
    )
    looked_high: Money = Field(description="high end of it")
