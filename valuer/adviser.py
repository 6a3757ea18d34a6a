"""Adviser: one object that holds what answers rest on, and one method per question.

The same documents leave through ``--json`` and through the API.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from valuer import __version__
from valuer.advice.asking_price import asking_prices
from valuer.advice.bench import rank_bench
from valuer.advice.documents import BenchRanking, FixPlan, Valuation
from valuer.advice.fix_plan import plan_fixes
from valuer.advice.listing import draft_listings
from valuer.advice.offer import judge_offers
from valuer.advice.outlook import SaleChances
from valuer.advice.ports import Basis, ValueModel
from valuer.advice.selling_documents import AskingPrice, Listing, OfferAdvice
from valuer.advice.valuation import value_machines
from valuer.domain.cautions import Caution, caution_catalogue
from valuer.domain.faults import Fault, fault_catalogue
from valuer.domain.fixes import Fix, fix_catalogue
from valuer.domain.gates import Gate, gate_catalogue
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms
from valuer.learning import NO_RECORDS, OwnRecords
from valuer.paths import shipped
from valuer.records.template import attributes, readings


class Answer(BaseModel):
    """What leaves the house: one named part, so that more can stand beside it later."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Valuations(Answer):
    """The answer to: what are these machines worth, and what does each fault take off?"""

    valuations: tuple[Valuation, ...] = Field(description="one per machine, in the order asked")


class FixPlans(Answer):
    """The answer to: which fixes pay on these machines?"""

    fix_plans: tuple[FixPlan, ...] = Field(description="one per machine, in the order asked")


class BenchRankings(Answer):
    """The answer to: which machine earns most for the next free hour?"""

    bench_ranking: BenchRanking


class AskingPrices(Answer):
    """The answer to: what to ask for these machines, when to cut, the least to take?"""

    asking_prices: tuple[AskingPrice, ...] = Field(description="one per machine, in the order asked")


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

    markdown: str = Field(description="the card, nine sections")
    metrics: dict[str, Any] = Field(description="figures of the evaluation run that made the card")


class Health(Answer):
    """Whether questions can be answered, and what the answers rest on."""

    status: str
    version: str
    basis: Basis


@dataclass(frozen=True)
class Adviser:
    """Answers questions about machines with one price model, under the terms that come with each question.

    ``own`` are the user's records: values are bent towards own sales, fixes towards own tries, and what
    failed on a machine of the records is not advised again at the same odds.
    """

    model: ValueModel
    own: OwnRecords | Callable[[], OwnRecords] | None = None

    @property
    def records(self) -> OwnRecords:
        """The user's records as of now; empty where there are none."""
        own = self.own or NO_RECORDS
        return own() if callable(own) else own

    def model_for(self, terms: ShopTerms) -> ValueModel:
        """The price model, corrected by own sales where there are any."""
        return self.records.corrected(self.model, terms.price_level)

    def value(self, machines: Sequence[Machine], terms: ShopTerms) -> Valuations:
        """What each machine is worth as it stands, and what each fault takes off."""
        return Valuations(valuations=value_machines(machines, self.model_for(terms), terms))

    def fix_plans(self, machines: Sequence[Machine], terms: ShopTerms) -> FixPlans:
        """For each machine: every possible fix with its expected return, and the best set of them."""
        own = self.records
        model = own.corrected(self.model, terms.price_level)
        return FixPlans(fix_plans=plan_fixes(machines, model, terms, own.shop, own.done(machines)))

    def bench_ranking(self, machines: Sequence[Machine], terms: ShopTerms) -> BenchRankings:
        """All machines in the order of expected return per bench hour."""
        own = self.records
        model = own.corrected(self.model, terms.price_level)
        return BenchRankings(bench_ranking=rank_bench(machines, model, terms, own.done(machines), own.shop))

    @property
    def selling(self) -> SaleChances:
        """How listings sell, as it was learned with the price model."""
        found: SaleChances = self.model.selling  # type: ignore[attr-defined]  # kept in the same artifact
        return found

    def asking_prices(self, machines: Sequence[Machine], terms: ShopTerms, weeks: int = 12) -> AskingPrices:
        """What to ask for each machine over so many weeks, the least to take, and whether to list now."""
        return AskingPrices(
            asking_prices=asking_prices(machines, self.model_for(terms), self.selling, terms, weeks)
        )

    def offers(
        self,
        machines: Sequence[Machine],
        terms: ShopTerms,
        offer: float,
        week: int = 1,
        weeks: int = 12,
        ask: float | None = None,
    ) -> Offers:
        """What to do about an offer for each machine in a week of its listing."""
        return Offers(
            offers=judge_offers(machines, self.model_for(terms), self.selling, terms, offer, week, weeks, ask)
        )

    def listings(
        self, machines: Sequence[Machine], terms: ShopTerms, done: Sequence[str] = (), weeks: int = 12
    ) -> Listings:
        """A draft to paste for each machine, or why there is none."""
        return Listings(
            listings=draft_listings(machines, self.model_for(terms), self.selling, terms, done, weeks)
        )

    def health(self) -> Health:
        """What the answers rest on."""
        basis = self.records.corrected(self.model).basis
        return Health(status="ok", version=__version__, basis=basis)


def catalogue() -> Catalogue:
    """Every attribute, reading, fault, check, fix and caution, each figure with its mark."""
    return Catalogue(
        attributes=attributes(),
        readings=readings(),
        faults=tuple(fault_catalogue().values()),
        checks=tuple(gate_catalogue().values()),
        fixes=tuple(fix_catalogue().values()),
        cautions=tuple(caution_catalogue().values()),
    )


def model_card() -> ModelCard:
    """The card of the shipped price model and the figures it is made from."""
    return ModelCard(
        markdown=shipped("model_cards/resale_value.md").read_text("utf-8"),
        metrics=json.loads(shipped("model_cards/metrics.json").read_text("utf-8")),
    )
