"""The answers about selling as they leave the house: asking price, offer at the door, listing."""

from typing import Literal

from pydantic import Field

from valuer.advice.sale.history import Cause
from valuer.advice.worth.documents import Advice, Chance, Document, Money, Route

OfferVerdict = Literal["take it", "counter", "wait", "ask back"]
ListingVerdict = Literal["list now", "keep", "check first"]


class SoldBy(Document):
    """How likely it has sold by the end of a week."""

    week: int = Field(ge=1, description="weeks after the listing went up")
    chance: Chance


class AskingWeek(Document):
    """What to do in one week of the listing, if it has not sold before."""

    week: int = Field(ge=1, description="1 is the first week")
    month: int = Field(ge=1, le=12)
    ask: Money
    cut: bool = Field(description="the ask comes down in this week")
    least_to_take: Money = Field(description="what waiting on is worth: below it, waiting is better")
    chance: Chance = Field(description="chance of a sale in this week if it has not sold before")
    sold_by: Chance = Field(description="chance that it has sold by the end of this week")
    expected_price: Money = Field(description="expected price of a sale in this week")


class AskingPoint(Document):
    """What another ask, left standing, would come to."""

    ask: Money
    sold_by_week_1: Chance
    sold_by_week_4: Chance
    expected_price: Money = Field(description="expected price if it sells within four weeks")


class FastSale(Document):
    """The ask at which it should be gone within a week, any fair offer taken."""

    ask: Money
    chance: Chance = Field(description="chance that it is gone within a week")
    expected_price: Money


class Keeping(Document):
    """List it now, or keep it for a better month."""

    verdict: ListingVerdict = Field(
        description="check first: something has to be passed before it may be offered"
    )
    month: int = Field(ge=1, le=12, description="month to list it in: this one, or the one to keep it for")
    weeks: int = Field(ge=0, description="weeks it would stand before")
    worth_now: Money = Field(description="what listing now is worth, waiting and unsold ends counted")
    worth_kept: Money = Field(
        description="the same for the best later month, storage, care, risk and money tied up off"
    )
    storage: Money = Field(description="what standing until then costs, care included")
    ask_now: Money = Field(description="what to ask if it is listed today all the same")
    reason: str


class Rung(Document):
    """One price, named once."""

    name: Literal["worth", "ask", "expect", "least"]
    amount: Money
    says: str = Field(description="what this price is, in one sentence")


class Reason(Document):
    """Something that may have kept it from selling, and what to do about it."""

    cause: Cause
    odds: Chance = Field(description="chance that this held it up most")
    says: str
    do: str


class SoFar(Document):
    """What the weeks listed have said; already in value, range and plan."""

    weeks: int = Field(ge=0, description="whole weeks it has been listed, unsold")
    first_ask: Money
    ask: Money = Field(description="asked now")
    best_offer: Money | None = Field(None, description="highest offer refused")
    enquiries: int | None = Field(None, ge=0, description="people who asked, where they were counted")
    believed: Money = Field(description="value before these weeks")
    unsold: Chance = Field(
        description="share of machines worth the value before that would be unsold by now at these asks"
    )
    moved: str = Field(description="what moved the value, and how far: silence, and offers refused")
    reasons: tuple[Reason, ...] = Field(description="why it has not sold, likeliest first; odds sum to 1")


class AskingPrice(Advice):
    """What to ask, when to cut to what, the least to take, and what it should bring."""

    sold_as: Route | None = Field(
        description="how it may be offered; none where it may not be offered at all"
    )
    first: str | None = Field(None, description="what has to be done before it may be offered at all")
    refusal: str | None = Field(None, description="why there is no asking price")
    week: int = Field(1, ge=1, description="week of the listing, 1 where it is not listed yet")
    so_far: SoFar | None = Field(None, description="what the weeks listed have said")
    ladder: tuple[Rung, ...] = Field((), description="every price once: worth, ask, expect, least")
    horizon: int = Field(
        ge=1, description="weeks from its listing, or from today, after which it must be gone"
    )
    ask: Money | None = Field(None, description="what to ask when it is listed as advised")
    least_to_take: Money | None = Field(None, description="what waiting is worth today; keep it to yourself")
    expected_price: Money | None = Field(None, description="expected price of the sale")
    expected_weeks: float | None = Field(
        None, description="expected weeks until it is sold or the horizon is over"
    )
    sold_by: tuple[SoldBy, ...] = Field((), description="chance of a sale by weeks 2, 4, 8 and the horizon")
    weeks: tuple[AskingWeek, ...] = ()
    left_over: Money | None = Field(
        None, description="what a quick sale to a repairer would bring at the end"
    )
    fast_sale: FastSale | None = None
    storage_a_week: Money = Field(description="what a week of standing costs")
    curve: tuple[AskingPoint, ...] = Field((), description="sale chance against ask, left standing")
    keeping: Keeping | None = None


class OnOffer(Document):
    """One machine beside the others: list it now, or not."""

    id: str
    called: str | None = Field(None, description="what its owner calls it, where that is more than the id")
    verdict: str = Field(description="list now, wait, keep, check first or not for sale")
    gain: Money | None = Field(None, description="what listing it now is worth more than in a month")
    alike: tuple[str, ...] = Field((), description="machines listed with it that draw the same buyers")
    reason: str


class Together(Document):
    """Which machines to list at once, those to list now first, the most gain first."""

    room: int = Field(ge=1)
    machines: tuple[OnOffer, ...]


class OfferAdvice(Advice):
    """An offer at the door: take it, counter, or wait; what each is expected to bring, in prices."""

    sold_as: Route | None
    first: str | None = Field(None, description="what has to be done before it may be handed over")
    refusal: str | None = Field(None, description="why no offer may be taken")
    offer: Money
    week: int = Field(ge=1)
    so_far: SoFar | None = Field(None, description="what the weeks listed have said")
    ask: Money | None = None
    verdict: OfferVerdict | None = None
    take_brings: Money | None = None
    counter: Money | None = Field(None, description="what to name instead, said once and friendly")
    counter_accepted: Chance | None = Field(None, description="chance that the counter is paid")
    counter_brings: Money | None = None
    wait_brings: Money | None = Field(
        None, description="what waiting on or keeping it is worth, the larger: the least to take today"
    )
    reason: str


class Listing(Advice):
    """An honest draft to paste. Nothing in it that the machine's file does not say."""

    sold_as: Route | None = Field(description="how it is offered; none where it may not be offered")
    refusal: str | None = Field(None, description="why there is no draft")
    title: str = ""
    price: Money | None = None
    text: str = Field("", description="plain text to paste, at most 15 lines")
    markdown: str = Field("", description="the same in Markdown")
    short: str = Field("", description="title, price and one paragraph")
    short_markdown: str = Field("", description="the same in Markdown")
    photos: tuple[str, ...] = Field((), description="pictures and films to take, in order")
    for_the_buyer: tuple[str, ...] = Field((), description="cautions to give the buyer")
    for_the_seller: tuple[str, ...] = Field(
        (), description="for the seller alone: still to do, to show, legal notes; in no advert"
    )
