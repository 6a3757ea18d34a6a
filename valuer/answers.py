"""Answers: what leaves the house, one named part a question. The same documents for ``--json`` and the API."""

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from valuer.advice.deal.documents import PurchaseLimit, RepairQuote
from valuer.advice.deal.repair_quote import Quote
from valuer.advice.sale.selling_documents import AskingPrice, Listing, OfferAdvice, Together
from valuer.advice.work.bench_documents import BenchPlan, BenchRanking
from valuer.advice.work.documents import WorkList
from valuer.advice.worth.documents import Valuation
from valuer.domain.cautions import Caution
from valuer.domain.faults import Fault
from valuer.domain.fixes import Fix
from valuer.domain.gates import Gate


class Answer(BaseModel):
    """What leaves the house: one named part, so that more can stand beside it later."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Valuations(Answer):
    """The answer to: what are these machines worth, and what does each fault take off?"""

    valuations: tuple[Valuation, ...] = Field(description="one per machine, in the order asked")


class WorkLists(Answer):
    """The answer to: what to look at, what to do, in which order, when to stop?"""

    work_lists: tuple[WorkList, ...] = Field(description="one per machine, in the order asked")


class BenchRankings(Answer):
    """The answer to: which machine earns most for the next free hour?"""

    bench_ranking: BenchRanking


class BenchPlans(Answer):
    """The answer to: which plans on which machines this week? The ranking by return per hour stands beside."""

    bench_plan: BenchPlan
    bench_ranking: BenchRanking


class PurchaseLimits(Answer):
    """The answer to: what is the most to pay for these machines?"""

    purchase_limits: tuple[PurchaseLimit, ...] = Field(description="one per machine, in the order asked")


class RepairQuotes(Answer):
    """The answer to an owner: repair it, sell it as it stands, or replace it?"""

    repair_quotes: tuple[RepairQuote, ...] = Field(description="one per machine, in the order asked")
    quoted: tuple[Quote, ...] = Field(description="the figures behind each of them, in the same order")
    usual: tuple[str, ...] = Field(
        description="machines whose parts or hours are usual ones, because no shop's were given"
    )
    work_lists: tuple[WorkList, ...] = Field(
        description="what somebody who repairs to sell would do with each, in the same order: as /v1/work-lists"
    )


class AskingPrices(Answer):
    """The answer to: what to ask for these machines, when to cut, the least to take?"""

    asking_prices: tuple[AskingPrice, ...] = Field(description="one per machine, in the order asked")
    together: Together | None = Field(None, description="which to list now, where room was named")


class Offers(Answer):
    """The answer to: somebody offers so much; take it, name another price, or wait?"""

    offers: tuple[OfferAdvice, ...] = Field(description="one per machine, in the order asked")


class Listings(Answer):
    """The answer to: what do I write, and what must I tell the buyer?"""

    listings: tuple[Listing, ...] = Field(description="one per machine, in the order asked")


class Catalogue(Answer):
    """Everything a machine file may say, and everything that can be done about it."""

    attributes: dict[str, str] = Field(description="what each attribute of a machine means, by name")
    readings: dict[str, str] = Field(description="what each reading means, by name; the unit is in the name")
    faults: tuple[Fault, ...]
    checks: tuple[Gate, ...] = Field(description="what must hold before a machine is sold as working")
    fixes: tuple[Fix, ...]
    cautions: tuple[Caution, ...]


class ModelCard(Answer):
    """What the price model is for, what it is not for, and how far off it is."""

    markdown: str = Field(description="the card of the model in force")
    metrics: dict[str, Any] = Field(
        description="figures the shipped card is made from; none for another card"
    )
