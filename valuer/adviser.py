"""Adviser: one object that holds what answers rest on, and one method per question.

The same documents leave through ``--json`` and through the API. A question loads its own room of the advice only: a
command answers one and is gone.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache, cached_property
from typing import TYPE_CHECKING

from pydantic import ValidationError

from valuer.advice.worth.lattice import scene_of
from valuer.answers.spelling import spelt
from valuer.domain.english import English
from valuer.domain.faults import fault_catalogue
from valuer.domain.fixes import fix_catalogue
from valuer.domain.symptoms import looks, may_cure, symptom_catalogue, symptom_for
from valuer.domain.words import one_of
from valuer.price_model.corrected import at_first

if TYPE_CHECKING:
    from valuer.advice.ports import Basis, ValueModel
    from valuer.advice.sale.outlook import SaleChances
    from valuer.advice.work.done import Done
    from valuer.answers.around import Catalogue, ModelCard
    from valuer.answers.deal import PurchaseLimits, RepairQuotes
    from valuer.answers.sale import AskingPrices, Listings, Offers
    from valuer.answers.work import BenchPlans, BenchRankings, WorkLists
    from valuer.answers.worth import Valuations
    from valuer.domain.machine import Machine
    from valuer.domain.shop import ShopTerms
    from valuer.domain.shop_figures import ShopFigures
    from valuer.learning import OwnRecords
    from valuer.records.entries import FixDone, Prediction

Results = Mapping[str, Mapping[str, str]]
"""Words by name by machine id: how fixes went (worked, failed), or what looks showed."""


class NotUsable(ValueError):
    """A part of a question that does not fit the machines asked about; ``place`` is where it stands."""

    def __init__(self, place: tuple[str, ...], message: str) -> None:
        super().__init__(message)
        self.place = place


@contextmanager
def _about(*place: str) -> Iterator[None]:
    """Give an error of the advice the place of what it is about."""
    try:
        yield
    except ValueError as error:
        raise NotUsable(place, str(error)) from None


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
        from valuer.learning import NO_RECORDS

        own = self.own or NO_RECORDS
        return own() if callable(own) else own

    def model_for(self, terms: ShopTerms) -> ValueModel:
        """The price model, corrected by own sales where there are any."""
        if self.own is None:  # without loading what learns from them
            return self._at_first
        return self.records.corrected(self.model, terms.price_level)

    @cached_property
    def _at_first(self) -> ValueModel:
        """The price model before anything was learnt: what it has worked out for itself serves the next question."""
        return at_first(self.model)

    def value(self, machines: Sequence[Machine], terms: ShopTerms) -> Valuations:
        """What each machine is worth as it stands, and what each fault takes off."""
        from valuer.advice.worth.valuation import value_machines
        from valuer.answers.worth import Valuations

        _check_all(machines)
        values = value_machines(machines, self.model_for(terms), terms)
        return spelt(Valuations(valuations=values), terms.words)

    def prediction(self, machine: Machine, terms: ShopTerms) -> Prediction:
        """What a machine is expected to bring in the month of the terms, as it is kept beside a sale.

        Raises NotUsable where the price level makes more of it than a record can hold.
        """
        from valuer.records.entries import Prediction

        (said,) = self.value([machine], terms).valuations
        try:
            return Prediction(
                amount=said.value.amount,
                low=said.value.low,
                high=said.value.high,
                model=said.basis.model,
                data_sha256=said.basis.data_sha256,
                own_sales=said.basis.own_sales,
            )
        except ValidationError:
            worth = f"{said.value.low:g} to {said.value.high:g}"
            what = f"at this level the machine would bring {worth}, more than a record can hold; correct it"
            raise NotUsable(("terms", "price_level"), what) from None

    def work_lists(
        self,
        machines: Sequence[Machine],
        terms: ShopTerms,
        done: Results | None = None,
        seen: Results | None = None,
        hour_values: Sequence[float] | None = None,
    ) -> WorkLists:
        """What to look at and what to do on each machine, in which order, and when to stop.

        ``done`` tells how fixes went so far and ``seen`` what looks showed, each by machine id: the list goes
        on from there. ``hour_values`` asks for the list at other values of an hour, at the usual ones when
        empty. Raises NotUsable.
        """
        from valuer.advice.work.work_list import work_lists
        from valuer.answers.work import WorkLists

        own = self.records
        model = own.corrected(self.model, terms.price_level)
        work = work_so_far(own, machines, terms, done or {}, seen or {})
        lists = work_lists(machines, model, terms, own.shop, work, hour_values)
        return spelt(WorkLists(work_lists=lists), terms.words)

    def promised(self, machine: Machine, terms: ShopTerms, done: FixDone) -> FixDone:
        """The try with what was expected of it before its outcome was known; as it is where it is no fix here."""
        from valuer.advice.work.promise import promise

        own = self.records
        model = own.corrected(self.model, terms.price_level)
        work = work_so_far(own, [machine], terms, {}, {})
        told = promise(machine, model, terms, done.fix, done.fault, own.shop, work.get(machine.id))
        if told is None:
            return done
        expected = {"promised": round(told.left, 2), "odds": round(told.odds, 3), "gain": round(told.gain, 2)}
        return done.model_copy(update=expected)

    def bench_ranking(self, machines: Sequence[Machine], terms: ShopTerms) -> BenchRankings:
        """All machines in the order of expected return per bench hour."""
        from valuer.advice.work.bench import rank_bench
        from valuer.answers.work import BenchRankings

        own = self.records
        model = own.corrected(self.model, terms.price_level)
        work = work_so_far(own, machines, terms, {}, {})
        ranking = rank_bench(machines, model, terms, work, own.shop)
        return spelt(BenchRankings(bench_ranking=ranking), terms.words)

    def bench_plan(
        self, machines: Sequence[Machine], terms: ShopTerms, done: Results | None = None
    ) -> BenchPlans:
        """Which lists on which machines within the terms' hours and cash, and the ranking beside it."""
        from valuer.advice.work.bench import plan_and_rank
        from valuer.answers.work import BenchPlans

        own = self.records
        model = own.corrected(self.model, terms.price_level)
        work = work_so_far(own, machines, terms, done or {}, {})
        plan, ranking = plan_and_rank(machines, model, terms, work, own.shop)
        return spelt(BenchPlans(bench_plan=plan, bench_ranking=ranking), terms.words)

    def purchase_limits(
        self,
        machines: Sequence[Machine],
        terms: ShopTerms,
        *,
        want: float = 0.0,
        want_per_hour: float | None = None,
        asked: float | None = None,
        not_there: Sequence[str] = (),
    ) -> PurchaseLimits:
        """The most to pay for each machine; ``not_there`` are faults that were looked for and not found."""
        from valuer.advice.deal.purchase import purchase_limits
        from valuer.answers.deal import PurchaseLimits

        for fault in not_there:
            if fault not in fault_catalogue():
                raise NotUsable(("not_there",), one_of("fault", fault, fault_catalogue()))
        _check_all(machines)
        own = self.records
        limits = purchase_limits(
            machines,
            own.corrected(self.model, terms.price_level),
            terms,
            want=want,
            want_per_hour=want_per_hour,
            asked=asked,
            sound=not_there,
            shop=own.shop,
        )
        return spelt(PurchaseLimits(purchase_limits=limits), terms.words)

    def repair_quotes(
        self,
        machines: Sequence[Machine],
        terms: ShopTerms,
        figures: Mapping[str, ShopFigures] | None = None,
    ) -> RepairQuotes:
        """Repair, sell as it stands, or replace, as the owner sees it; the repairer's work list beside it.

        ``figures`` are what is known of a shop's quote, by machine id; the rest is usual. Raises NotUsable.
        """
        from valuer.advice.deal.repair_quote import quote_repairs
        from valuer.advice.deal.shop_figures import whole_quotes
        from valuer.answers.deal import RepairQuotes

        _check_all(machines)
        given, model = figures or {}, self.model_for(terms)
        for name, known in given.items():
            check_cures(_asked("quotes", name, machines), terms, known.cures or ())
        quoted = whole_quotes(machines, given, model, terms)
        usual = tuple(m.id for m in machines if m.id not in given or not given[m.id].whole)
        answers = quote_repairs(machines, quoted, model, terms)
        lists = self.work_lists(machines, terms).work_lists
        told = RepairQuotes(repair_quotes=answers, quoted=quoted, usual=usual, work_lists=lists)
        return spelt(told, terms.words)

    def _to_sell(self, machines: Sequence[Machine], terms: ShopTerms) -> tuple[ValueModel, SaleChances]:
        """The price model and how listings sell, both corrected by own records where there are any."""
        _check_all(machines)
        model = self.model_for(terms)
        chances: SaleChances = model.selling  # type: ignore[attr-defined]  # kept in the same artifact
        return model, chances

    def asking_prices(
        self, machines: Sequence[Machine], terms: ShopTerms, weeks: int = 12, room: int | None = None
    ) -> AskingPrices:
        """What to ask for each machine over so many weeks, the least to take, and whether to list now.

        With ``room`` for so many listed at once: which of them to list now.
        """
        from valuer.advice.sale.asking_price import asking_prices
        from valuer.advice.sale.together import list_together
        from valuer.answers.sale import AskingPrices

        model, chances = self._to_sell(machines, terms)
        history = self.records.on_offer(machines, terms, self.model)
        told = AskingPrices(
            asking_prices=asking_prices(machines, model, chances, terms, weeks, history),
            together=list_together(machines, model, chances, terms, room, weeks, history) if room else None,
        )
        return spelt(told, terms.words)

    def offers(
        self,
        machines: Sequence[Machine],
        terms: ShopTerms,
        offer: float,
        week: int | None = None,
        weeks: int = 12,
        ask: float | None = None,
        *,
        sure: bool = False,
    ) -> Offers:
        """What to do about an offer for each machine in a week of its listing, that of the records if none is named."""
        from valuer.advice.sale.offer import judge_offers
        from valuer.answers.sale import Offers

        model, chances = self._to_sell(machines, terms)
        history = self.records.on_offer(machines, terms, self.model)
        answers = judge_offers(machines, model, chances, terms, offer, week, weeks, ask, history, sure=sure)
        return spelt(Offers(offers=answers), terms.words)

    def listings(
        self, machines: Sequence[Machine], terms: ShopTerms, done: Sequence[str] = (), weeks: int = 12
    ) -> Listings:
        """A draft to paste for each machine, or why there is none."""
        from valuer.advice.sale.listing import draft_listings
        from valuer.answers.sale import Listings

        model, chances = self._to_sell(machines, terms)
        history = self.records.on_offer(machines, terms, self.model)
        drafts = draft_listings(machines, model, chances, terms, done, weeks, history)
        return spelt(Listings(listings=drafts), terms.words)

    @property
    def basis(self) -> Basis:
        """What the answers rest on."""
        model = self._at_first if self.own is None else self.records.corrected(self.model)
        return model.basis


def work_so_far(
    own: OwnRecords, machines: Sequence[Machine], terms: ShopTerms, results: Results, seen: Results
) -> dict[str, Done]:
    """How work went on each machine: what is on record, in its file, and what comes with the question."""
    from valuer.advice.work.done import NOTHING_DONE, done_work

    done = own.done(machines)
    work = {machine.id: done.get(machine.id, NOTHING_DONE) for machine in machines}
    _check_all(machines)
    for machine in machines:
        if machine.seen:
            work[machine.id] = replace(work[machine.id], seen=dict(machine.seen))
    for name, shown in seen.items():
        check_looks(_asked("seen", name, machines), terms, shown)
        work[name] = replace(work[name], seen={**work[name].seen, **shown})
    for name, given in results.items():
        before = work[_asked("done", name, machines).id]
        found = [
            item
            for item in scene_of(_asked("done", name, machines), terms).findings
            if item.fault not in before.cured
        ]
        with _about("done", name):
            work[name] = _joined(before, done_work(found, given))
    return work


def _joined(before: Done, after: Done) -> Done:
    cured = before.cured | after.cured
    tried = {
        fault: before.failed.get(fault, frozenset()) | after.failed.get(fault, frozenset())
        for fault in {*before.failed, *after.failed} - cured
    }
    return replace(before, cured=cured, failed=tried)


def possible_looks(machine: Machine, terms: ShopTerms) -> dict[str, tuple[str, ...]]:
    """The looks that findings of the machine ask for, each with what it may show.

    A look that two faults share may be told of one of them only, as ``LOOK:FAULT``.
    """
    from valuer.advice.work.trouble import AGAIN, MEASURED

    found = scene_of(machine, terms).findings
    possible: dict[str, tuple[str, ...]] = {
        f"{AGAIN}_{item.fault}": MEASURED for item in found if item.chance < 1
    }
    for item in found:
        symptom = symptom_for(item.fault)
        for look in looks(symptom) if symptom else ():
            shows = tuple(look.outcomes)
            possible[f"{look.id}:{item.fault}"] = shows
            possible[look.id] = tuple(dict.fromkeys((*possible.get(look.id, ()), *shows)))
    return possible


def check_looks(machine: Machine, terms: ShopTerms, outcomes: Mapping[str, str]) -> None:
    """Raise NotUsable unless these looks belong to findings of the machine and can show these outcomes."""
    possible = possible_looks(machine, terms)
    for name, outcome in outcomes.items():
        if name not in possible:
            look_id, _, fault = name.partition(":")
            faults = [other.partition(":")[2] for other in possible if other.startswith(f"{look_id}:")]
            plain = [other for other in possible if ":" not in other]
            words = one_of(f"fault that {look_id} is about", fault, faults) if faults else ""
            raise NotUsable(("seen", machine.id, name), words or one_of("look", name, plain))
        if outcome not in possible[name]:
            message = one_of(f"outcome of {name}", outcome, possible[name])
            raise NotUsable(("seen", machine.id, name), message)


def _check_all(machines: Sequence[Machine]) -> None:
    for machine in machines:
        check_known(machine)


def check_known(machine: Machine) -> None:
    """Raise NotUsable unless a machine's own causes, looks and figures of fixes have names of the catalogue."""
    symptoms = {item.fault: symptom for item in machine.faults if (symptom := symptom_for(item.fault))}
    for fault, cause in machine.causes.items():
        _known(("causes", machine.id), "symptom of this machine", fault, symptoms)
        _known(("causes", machine.id), f"cause of {fault}", cause, symptoms[fault].causes)
    for name, outcome in machine.seen.items():
        every = _results_of_looks()
        look_id, _, fault = name.partition(":")
        _known(("seen", machine.id, name), "look", look_id, every)
        _known(("seen", machine.id, name), f"outcome of {name}", outcome, every[look_id])
        if fault:
            _known(("seen", machine.id, name), f"fault that {look_id} is about", fault, fault_catalogue())
    for part in ("own_parts", "own_hours", "new_parts"):
        for fix in getattr(machine, part):
            _known((part, machine.id), "fix", fix, fix_catalogue())


@cache
def _results_of_looks() -> dict[str, tuple[str, ...]]:
    """What each look, and each reading taken again, can show."""
    from valuer.advice.work.trouble import AGAIN, MEASURED

    every: dict[str, tuple[str, ...]] = {f"{AGAIN}_{fault}": MEASURED for fault in fault_catalogue()}
    for symptom in symptom_catalogue().values():
        for look in looks(symptom):
            every[look.id] = tuple(dict.fromkeys((*every.get(look.id, ()), *look.outcomes)))
    return every


def _known(place: tuple[str, ...], what: str, name: str, names: Collection[str]) -> None:
    if name not in names:
        raise NotUsable(place, one_of(what, name, names))


def check_cures(machine: Machine, terms: ShopTerms, cures: Sequence[str]) -> None:
    """Raise NotUsable unless the machine has the faults that a quote says it cures."""
    known = [item.fault for item in scene_of(machine, terms).findings]
    for fault in cures:
        if fault not in known:
            raise NotUsable(
                ("quotes", machine.id, "cures"), one_of("fault that the quote cures", fault, known)
            )


def _asked(part: str, name: str, machines: Sequence[Machine]) -> Machine:
    for machine in machines:
        if machine.id == name:
            return machine
    raise NotUsable((part, name), one_of("machine", name, [machine.id for machine in machines]))


def catalogue(words: English = "british") -> Catalogue:
    """Every attribute, reading, fault, check, fix and caution, each figure with its mark."""
    from valuer.answers.around import Catalogue
    from valuer.domain.cautions import caution_catalogue
    from valuer.domain.gates import gate_catalogue
    from valuer.records.template import attributes, readings

    told = Catalogue(
        attributes=attributes(),
        readings=readings(),
        faults=tuple(fault_catalogue().values()),
        checks=tuple(gate_catalogue().values()),
        fixes=tuple(fix_catalogue().values()),
        acts_on={fix: may_cure(fix) for fix in fix_catalogue()},
        cautions=tuple(caution_catalogue().values()),
    )
    return spelt(told, words)


def model_card() -> ModelCard:
    """The card of the price model in force: the shipped one with its figures, or that of sales the user gave."""
    from valuer.answers.around import ModelCard
    from valuer.paths import shipped
    from valuer.price_model.given import card_in_force

    own = card_in_force()
    if own is not None:
        return ModelCard(markdown=own, metrics={}, pictures={})
    return ModelCard(
        markdown=shipped("model_cards/resale_value.md").read_text("utf-8"),
        metrics=json.loads(shipped("model_cards/metrics.json").read_text("utf-8")),
        pictures={
            path.name: path.read_text("utf-8") for path in sorted(shipped("model_cards").glob("*.svg"))
        },
    )
