"""The queue of the bench: which machine earns most for the next free hour."""

from collections.abc import Sequence

from valuer.advice.bay import Bay, bays
from valuer.advice.common import (
    basis_warnings,
    cautions,
    leaving_actions,
    noise,
    safety_of,
    season_warnings,
    warnings_for,
)
from valuer.advice.documents import BenchMachine, BenchRanking
from valuer.advice.outcomes import chance_of_loss
from valuer.advice.plan_document import if_all_works, value_after, working_order
from valuer.advice.policies import usual_workshop
from valuer.advice.ports import ValueModel
from valuer.advice.routes import ROUTES
from valuer.advice.search import Plan, best_plan
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms


def rank_bench(machines: Sequence[Machine], model: ValueModel, terms: ShopTerms) -> BenchRanking:
    """Return the machines by expected return per bench hour, the limiting factor, highest first.

    Every machine brings its best plan within the hours and cash at hand; one without work that pays comes
    last, the dearest first, and is sold as it stands.
    """
    every = bays(machines, model, terms, usual_workshop())
    rows = [_row(bay, best_plan(bay.case, terms.hours, terms.cash), model, terms) for bay in every]
    ranked = tuple(sorted(rows, key=lambda row: (-row.return_per_hour, -row.expected_return, -row.value_now)))
    actions = {action for row in rows for action in (*row.plan, *leaving_actions(row.safety))}
    return BenchRanking(
        machines=ranked,
        currency=terms.currency,
        hour_value=terms.hour_value,
        cautions=cautions(actions),
        warnings=(*basis_warnings(model), *season_warnings(terms)),
        basis=model.basis,
    )


def _row(bay: Bay, plan: Plan, model: ValueModel, terms: ShopTerms) -> BenchMachine:
    common = (*basis_warnings(model), *season_warnings(terms))
    return BenchMachine(
        id=bay.lattice.machine.id,
        value=bay.value,
        value_now=bay.lattice.now,
        value_after=value_after(bay, plan),
        expected_return=plan.returns,
        bench_hours=plan.hours,
        return_per_hour=plan.returns / plan.hours if plan.hours > 0 else 0.0,
        chance_of_loss=chance_of_loss(bay.case, plan, noise(bay.value), bay.selling),
        plan=tuple(bay.case.shop.names[place] for place in working_order(bay, plan)),
        cash=plan.cash,
        sold_as=ROUTES[int(bay.out.route[if_all_works(bay, plan)])],
        safety=safety_of(bay.lattice.machine, terms),
        warnings=tuple(line for line in warnings_for(bay.lattice, model, terms) if line not in common),
    )
