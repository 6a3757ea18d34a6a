"""An owner's quote: have it repaired, sell it as it stands, or buy a new one, with the numbers side by side.

The owner's view differs from the reseller's: a year of mowing counts, a shop's hours are paid in money, and a
fee already paid is gone whatever is decided.
"""

from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from valuer.advice.deal.documents import OwnerChoice, OwnerOption, RepairQuote
from valuer.advice.ports import ValueModel
from valuer.advice.worth.common import cautions, leaving_actions, ranges, safety_of, warnings_for
from valuer.advice.worth.lattice import Lattice, Scene, is_barred, lattices, scene_of
from valuer.domain.bounds import MOST_MONEY
from valuer.domain.machine import Machine
from valuer.domain.record import Record, Several
from valuer.domain.shop import ShopTerms
from valuer.domain.words import one_of

LIFE_YEARS = 9.0
"""Years a machine usually serves: 7 to 10, with care 10 to 15 (general texts, second hand)."""

REPAIRED_YEARS = 3.0
"""Years an old machine still serves after a repair, at least (judgement, no source)."""

SENSIBLE_SHARE = 0.5
"""Bill above this share of a new machine: usually not sensible (widely repeated rule, second hand)."""


class Quote(Record):
    """What a shop asks: parts and hours, its rate, the fee for looking. Money in own money."""

    parts: float = Field(ge=0, le=MOST_MONEY, description="price of the parts, as the shop will charge them")
    hours: float = Field(ge=0, le=1_000, description="shop hours")
    rate: float | None = Field(
        None, ge=0, le=MOST_MONEY, description="price of a shop hour; absent: the terms' rate"
    )
    diagnosis_fee: float = Field(0.0, ge=0, le=MOST_MONEY, description="fee for looking, if charged besides")
    fee_paid: bool = Field(default=False, description="the fee is paid already: it is gone either way")
    cures: Several[str] | None = Field(None, description="faults it will cure; absent: all that are listed")
    new_price: float | None = Field(None, gt=0, le=MOST_MONEY, description="a comparable new machine")

    def bill(self, terms: ShopTerms) -> float:
        """Return all the shop asks for.

        Parts of 80 and three hours at 60 come to 260 (common practice, no source).
        """
        rate = terms.shop_rate if self.rate is None else self.rate
        return self.parts + self.hours * rate + self.diagnosis_fee


def quote_repairs(
    machines: Sequence[Machine], quotes: Sequence[Quote], model: ValueModel, terms: ShopTerms
) -> tuple[RepairQuote, ...]:
    """Return the comparison for each machine and its quote, in the order asked; one call of the model.

    Raises ValueError when a quote says it cures a fault the machine does not have.
    """
    scenes = []
    for machine, quote in zip(machines, quotes, strict=True):
        seen = scene_of(machine, terms)
        scenes += [seen, _repaired(seen, quote)]
    every = lattices(scenes, model, terms)
    return tuple(
        _answer(every[2 * place], every[2 * place + 1], quote, model, terms)
        for place, quote in enumerate(quotes)
    )


def _repaired(scene: Scene, quote: Quote) -> Scene:
    known = [item.fault for item in scene.findings]
    for fault in quote.cures or ():
        if fault not in known:
            raise ValueError(one_of("fault that the quote cures", fault, known))
    cured = known if quote.cures is None else quote.cures
    return Scene(scene.machine, tuple(item for item in scene.findings if item.fault not in cured))


def _answer(
    before: Lattice, after: Lattice, quote: Quote, model: ValueModel, terms: ShopTerms
) -> RepairQuote:
    machine, bill = before.machine, quote.bill(terms)
    to_pay = bill - quote.diagnosis_fee * quote.fee_paid
    new = quote.new_price or machine.new_price
    options = _options(before, after, to_pay, new)
    advised, reason = _advised(options, after.now, to_pay)
    safety = safety_of(machine, terms)
    return RepairQuote(
        id=machine.id,
        called=machine.called,
        value=ranges([before], model, terms)[0],
        bill=bill,
        still_to_pay=to_pay,
        value_after=after.now,
        new_price=new,
        share_of_new=round(bill / new, 3) if new else None,
        share_of_value=round(bill / max(after.now, 1e-9), 3),
        options=options,
        advised=advised,
        reason=reason + _rule(bill, new),
        safety=safety,
        cautions=cautions(leaving_actions(safety)),
        warnings=warnings_for(before, model, terms),
        basis=model.basis,
    )


def _options(before: Lattice, after: Lattice, to_pay: float, new: float | None) -> tuple[OwnerOption, ...]:
    age = before.machine.age_years
    years = max(REPAIRED_YEARS, LIFE_YEARS - age) if age is not None else REPAIRED_YEARS
    repair = _option("repair", to_pay, after.now, before.now, years, "Keep it, repaired.")
    sell = OwnerOption(
        option="sell as it stands",
        pays=-before.now,
        worth_after=0.0,
        better_off=0.0,
        years=None,
        cost_per_year=None,
        says="Take the money and be without a mower.",
    )
    kept = (repair,) if any(is_barred(item) for item in before.findings) else (repair, sell)
    if new is None:
        return kept
    replaced = _option("replace", new - before.now, new, before.now, LIFE_YEARS, "Sell it and buy a new one.")
    return (*kept, replaced)


def _option(
    option: Literal["repair", "replace"], pays: float, worth: float, now: float, years: float, says: str
) -> OwnerOption:
    """Return an option; a year costs what is paid or not got for the old machine, spread over the years."""
    given_up = pays + now
    return OwnerOption(
        option=option,
        pays=pays,
        worth_after=worth,
        better_off=worth - given_up,
        years=years,
        cost_per_year=given_up / years,
        says=says,
    )


def _advised(options: Sequence[OwnerOption], after: float, to_pay: float) -> tuple[OwnerChoice, str]:
    mowing = [option for option in options if option.cost_per_year is not None]
    best = min(mowing, key=lambda option: option.cost_per_year or 0.0)
    repair = options[0]
    if len(mowing) > 1:
        costs = ", ".join(f"{option.option} {option.cost_per_year:.0f}" for option in mowing)
        return best.option, f"Cheapest year of mowing ({costs})."
    if repair.better_off >= 0:
        return "repair", f"The repair adds more to its worth than the {to_pay:.0f} still to pay."
    if len(options) == 1:
        return (
            "repair",
            "A recall is open: it may not be sold; claim the maker's free remedy before anything else.",
        )
    return (
        "sell as it stands",
        f"{to_pay:.0f} to pay for a machine then worth {after:.0f}; name the price of a new one to compare.",
    )


def _rule(bill: float, new: float | None) -> str:
    if not new or bill <= SENSIBLE_SHARE * new:
        return ""
    return f" The bill is {bill / new:.0%} of a new machine; above half is usually called not sensible."
