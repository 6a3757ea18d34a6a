"""What is known about troubleshooting from outside comes out of the tree, and laws that must hold whatever is asked."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.advice.fake import FakeModel
from tests.advice.made_up import Bench, bench, tree_of, value_of
from valuer.advice.work.beliefs import LookAt, Riddle, story
from valuer.advice.work.board import Act, Board
from valuer.advice.work.course import course_of
from valuer.advice.work.done import Done
from valuer.advice.work.job import jobs
from valuer.advice.work.tree import STOP, Prices, Tree, solve
from valuer.advice.work.trouble import Move, Trouble, plain_trouble
from valuer.advice.work.work_list import work_lists
from valuer.advice.worth.named import Named
from valuer.domain.machine import Finding, Machine
from valuer.domain.shop import ShopTerms

RICH = 10_000.0
"""Money by a cure so large that every way ends with it."""


def one_cause(chances: Sequence[float], costs: Sequence[float]) -> Bench:
    """A machine with one cause among several, each cured for sure by its own fix; only cured it is worth anything."""
    causes = {f"cause_{i}": p for i, p in enumerate(chances)}
    odds = {
        f"fix_{i}": {"no_start": {name: float(j == i) for j, name in enumerate(causes)}}
        for i in range(len(chances))
    }
    fixes = {f"fix_{i}": cost for i, cost in enumerate(costs)}
    return Bench(causes, {}, fixes, odds, {frozenset(): RICH, frozenset({"no_start"}): 0.0}, ())


def first_act(tree: Tree) -> str:
    """The id of the act to do first."""
    place = tree.choice(tree.start)
    return "stop" if place == STOP else tree.acts[place].id


def test_one_cause_is_looked_for_where_cost_over_chance_is_least() -> None:
    """(chance, cost) A (.5, 30), B (.3, 10), C (.2, 40): order B A C costs 10 + .7 x 30 + .2 x 40 = 39.

    Kadane and Simon's rule as cited in the literature of sequential diagnosis; the costs derived by hand.
    """
    tree = tree_of(one_cause((0.5, 0.3, 0.2), (30.0, 10.0, 40.0)))
    assert first_act(tree) == "fix_1"
    assert RICH - tree.value[tree.start] == pytest.approx(39.0)


@given(st.lists(st.tuples(st.integers(1, 20), st.integers(1, 60)), min_size=2, max_size=5))
@settings(max_examples=8, deadline=None)
def test_under_its_assumptions_the_largest_chance_over_cost_comes_first(drawn: list[tuple[int, int]]) -> None:
    """One fault, a fix for each cause that surely cures it and is seen to: Heckerman, Breese and Rommelse, CACM 1995.

    The expected cost of the order by chance over cost, written out, is what the tree pays.
    """
    total = sum(weight for weight, _ in drawn)
    chances, costs = [w / total for w, _ in drawn], [float(c) for _, c in drawn]
    order = sorted(range(len(drawn)), key=lambda i: -chances[i] / costs[i])
    still = [sum(chances[i] for i in order[place:]) for place in range(len(order))]
    expected = sum(p * costs[i] for p, i in zip(still, order, strict=True))
    tree = tree_of(one_cause(chances, costs))
    assert RICH - tree.value[tree.start] == pytest.approx(expected)


def plant(good: float, look_cost: float) -> Tree:
    """Build large (200 or -180), build small (100 or -20), or nothing; the market good with this chance.

    Places: 0 nothing decided and nothing known, 1 and 2 known good and bad, 3 to 6 built.
    """
    n = 7
    ends = np.array([0.0, 0.0, 0.0, 200.0, -180.0, 100.0, -20.0])

    def move(shows: tuple[str, str], ways: Mapping[int, tuple[tuple[float, int], tuple[float, int]]]) -> Move:
        chance, leads = np.tile([0.0, 1.0], (n, 1)), np.tile(np.arange(n)[:, None], 2)
        for place, row in ways.items():
            chance[place], leads[place] = [p for p, _ in row], [to for _, to in row]
        return Move(shows, chance, leads, np.isin(np.arange(n), list(ways)), np.zeros(n, dtype=bool))

    market = {0: good, 1: 1.0, 2: 0.0}
    built = {
        name: move(("good", "bad"), {at: ((p, well), (1 - p, badly)) for at, p in market.items()})
        for name, well, badly in (("large", 3, 4), ("small", 5, 6))
    }
    asked = move(("good", "bad"), {0: ((good, 1), (1 - good, 2))})
    depth = np.array([0, 1, 1, 2, 2, 2, 2])
    there = np.ones(n)
    trouble = Trouble(Finding("dirty", "serious"), there, there, there > 0, depth, {**built, "ask": asked}, 0)
    acts = [Act((name,), "fix", 0.0, 0.0, (((0, name),),)) for name in built]
    acts.append(Act(("ask",), "look", look_cost, 0.0, (((0, "ask"),),)))
    return solve([trouble], acts, ends, [(Prices(0.0), frozenset())])[0]


@pytest.mark.parametrize(("good", "without", "knowing"), [(0.6, 52.0, 120.0), (0.5, 40.0, 100.0)])
def test_perfect_information_is_worth_what_the_textbook_says(
    good: float, without: float, knowing: float
) -> None:
    """Large .6 x 200 - .4 x 180 = 48, small .6 x 100 - .4 x 20 = 52; knowing .6 x 200 = 120: worth 68 (.5: 60).

    Decision-analysis textbook example, published; .5 derived.
    """
    worth = knowing - without
    assert plant(good, RICH).value[0] == pytest.approx(without)
    assert plant(good, 0.0).value[0] == pytest.approx(knowing)
    assert first_act(plant(good, worth - 0.5)) == "ask"
    assert first_act(plant(good, worth + 0.5)) != "ask"


@pytest.mark.parametrize(("odds", "first"), [(0.38, "replace"), (0.42, "try")])
def test_the_cheap_repair_is_tried_first_where_its_odds_beat_its_share_of_the_dear_one(
    odds: float, first: str
) -> None:
    """18 for the try, 45 for the part: worth trying from odds of 18 / 45 = .40 (derived)."""
    trouble = plain_trouble(Finding("dirty", "serious"), {"try": odds, "replace": 1.0})
    acts = [
        Act((name,), "fix", cost, 0.0, (((0, name),),)) for name, cost in (("replace", 45.0), ("try", 18.0))
    ]
    ends = np.where(trouble.there > 0, 0.0, RICH)
    (tree,) = solve([trouble], acts, ends, [(Prices(0.0), frozenset())])
    assert first_act(tree) == first


def test_a_session_tells_each_result_once_whichever_part_of_it_cured() -> None:
    """Two fixes of .25 and .88 on one fault, the second (.5) on another too: .88 x .5, .12 x .5, the same again."""
    both = plain_trouble(Finding("vibration", "serious"), {"first": 0.25, "second": 0.88})
    other = plain_trouble(Finding("blade_mount_loose", "serious"), {"second": 0.5})
    parts = (((1, "first"),), ((0, "second"), (1, "second")))
    board = Board((other, both), (Act(("first", "second"), "fix", 30.0, 0.0, parts),))
    told = {frozenset(edge.shows): edge.chance for edge in board.edges((other.start, both.start), 0)}
    assert len(told) == len(board.edges((other.start, both.start), 0))
    assert told == {
        frozenset({(0, shown), (1, after)}): pytest.approx(chance)
        for shown in ("cured", "still there")
        for after, chance in (("cured", 0.44), ("still there", 0.06))
    }


def test_a_doubtful_reading_is_taken_again_before_a_dear_cure_by_hand() -> None:
    """There at .4, 100 without it and 0 with it, a sure cure for 30: left alone 60, cured unseen 70.

    Measured for 2: .6 x 100 + .4 x (100 - 30) - 2 = 86. For 18 more it would not be worth it.
    """
    trouble = plain_trouble(Finding("stiff_roll", "serious", 0.4), {"fix": 1.0})
    fix = Act(("fix",), "fix", 30.0, 0.0, (((0, "fix"),),))
    for cost, value, first in (
        (2.0, 86.0, "again_stiff_roll"),
        (17.0, 71.0, "again_stiff_roll"),
        (19.0, 70.0, "fix"),
    ):
        again = Act(("again_stiff_roll",), "measure", cost, 0.0, (((0, "again_stiff_roll"),),))
        (tree,) = solve([trouble], [fix, again], 100 * (1 - trouble.there), [(Prices(0.0), frozenset())])
        assert first_act(tree) == first
        assert tree.value[tree.start] == pytest.approx(value)


def test_the_margin_is_charged_for_every_fix_and_for_no_look() -> None:
    """Two fixes of 30 and 2 hours, money counted twice, an hour at 10, 5 to clear each: 60 + 20 + 10."""
    counted = Prices(hour=10.0, cash=2.0, margin=5.0)
    assert counted.of(Act(("a", "b"), "fix", 30.0, 2.0, ())) == 90
    assert counted.of(Act(("a",), "look", 30.0, 2.0, ())) == 80
    assert counted.of(Act(("a",), "measure", 0.0, 2.0, ())) == 20


def test_what_a_fix_that_failed_says_of_the_cause_by_hand() -> None:
    """Two causes alike, a fix that cures the one at .8: failed, it leaves .1 of .6, and the other is .5 of .6.

    A surer one that fails besides, .95, leaves .025 of .525; what the lesser one said is in that already.
    """
    odds = {"lesser": [0.8, 0.0], "surer": [0.95, 0.0]}
    riddle = Riddle(
        finding=Finding("no_start", "serious"),
        causes=("a", "b"),
        prior=np.array([0.5, 0.5]),
        fixes=tuple(odds),
        odds=np.array(list(odds.values())),
        costs=np.ones(2),
        looks=(),
        named=Named(np.ones(2), ("a", "b"), 1.0),
        gain=RICH,
    )
    for failed, chance in ((["lesser"], 0.1 / 0.6), (["lesser", "surer"], 0.025 / 0.525)):
        told = story(riddle, failed=failed)
        assert told.beliefs[told.trouble.start] == pytest.approx([chance, 1 - chance])


# ---------------------------------------------------------------------------------------------------------- looks
@pytest.mark.parametrize("alike", [0, 1])
def test_the_same_measurement_is_not_taken_twice(alike: int) -> None:
    """Two looks that tell the same of two causes: as one measurement, the second is not on offer after the first."""
    table = np.array([[0.9, 0.2], [0.1, 0.8]])
    riddle = Riddle(
        finding=Finding("no_start", "serious"),
        causes=("a", "b"),
        prior=np.array([0.5, 0.5]),
        fixes=("fix",),
        odds=np.array([[0.8, 0.0]]),
        costs=np.ones(1),
        looks=(
            LookAt("one", ("yes", "no"), 1.0, table, 0),
            LookAt("other", ("yes", "no"), 1.0, table, alike),
        ),
        named=Named(np.ones(2), ("a", "b"), 1.0),
        gain=RICH,
    )
    before, after = story(riddle).trouble, story(riddle, seen={"one": "yes"}).trouble
    assert before.moves["other"].can[before.start]
    assert after.moves["other"].can[after.start] == (alike == 1)


SEEDS = st.integers(0, 10_000)


def with_look(made: Bench, cost: float, table: Mapping[str, tuple[float, ...]] | None) -> Bench:
    """The made-up machine with one look only, or none."""
    return replace(made, looks={} if table is None else {"look_a": (cost, table)})


@given(SEEDS)
@settings(max_examples=12, deadline=None)
def test_no_look_is_worth_more_than_knowing_the_cause(seed: int) -> None:
    """Howard's bound: perfect information, free, brings at least what any look does; and no free look hurts."""
    made = bench(seed)
    (_, table), *_ = made.looks.values()
    sure = {
        cause: tuple(float(i == j) for j in range(len(made.causes))) for i, cause in enumerate(made.causes)
    }
    without, perfect = value_of(with_look(made, 0.0, None)), value_of(with_look(made, 0.0, sure))
    looked = value_of(with_look(made, 0.0, table))
    assert without - 1e-7 <= looked <= perfect + 1e-7


@given(SEEDS, st.floats(0.0, 20.0))
@settings(max_examples=12, deadline=None)
def test_a_look_that_shows_the_same_whatever_the_cause_is_worth_nothing(seed: int, cost: float) -> None:
    """It can change nothing that is done afterwards."""
    made = bench(seed)
    table = dict.fromkeys(made.causes, (0.3, 0.7))
    assert value_of(with_look(made, cost, table)) == pytest.approx(
        value_of(with_look(made, cost, None)), abs=1e-7
    )


# ---------------------------------------------------------------------------------------------------------- lists
FAULTS = ("starter_noise", "fuel_leak_carb", "blade_dull", "stiff_roll", "dirty", "surging", "oil_leak_seal")
MACHINES = st.lists(st.sampled_from(FAULTS), min_size=1, max_size=3, unique=True).map(
    lambda names: Machine.model_validate(
        {
            "id": "m",
            "drive": "rear_variable",
            "faults": [f"{name}:serious" for name in names],
            "looked_over": True,
        }
    )
)
FAKE = FakeModel()


def gained(machine: Machine, done: Done | None = None, **terms: object) -> float:
    """What the list of a machine brings over leaving it."""
    shop = ShopTerms.model_validate({"month": 5, **terms})
    return course_of(jobs([machine], FAKE, shop, done={machine.id: done} if done else None)[0]).returns


@given(MACHINES, st.floats(0.0, 6.0), st.floats(0.0, 3.0))
@settings(max_examples=8, deadline=None)
def test_more_hours_never_hurt(machine: Machine, hours: float, more: float) -> None:
    """What fits into fewer hours fits into more."""
    assert gained(machine, hours=hours) <= gained(machine, hours=hours + more) + 0.011


@given(MACHINES, st.floats(0.0, 120.0), st.floats(0.0, 60.0))
@settings(max_examples=8, deadline=None)
def test_more_cash_never_hurts(machine: Machine, cash: float, more: float) -> None:
    """What fits into less cash fits into more."""
    assert gained(machine, cash=cash) <= gained(machine, cash=cash + more) + 0.011


@given(
    MACHINES,
    st.sampled_from(("carb_new_generic", "recoil_new", "blade_new", "deck_scrape")),
    st.floats(0.0, 30.0),
)
@settings(max_examples=8, deadline=None)
def test_cheaper_parts_never_hurt(machine: Machine, fix: str, cheaper: float) -> None:
    """A list can be followed as before, at less cost."""
    dear = gained(machine, own_parts={fix: 30.0})
    assert dear <= gained(machine, own_parts={fix: 30.0 - cheaper}) + 0.011


@given(st.floats(0.0, 200.0))
@settings(max_examples=4, deadline=None)
def test_money_spent_never_counts(paid: float) -> None:
    """What a part cost that was fitted in vain changes nothing that is to be done now."""
    machine = Machine.model_validate(
        {"id": "m", "drive": "rear_variable", "faults": ["fuel_leak_carb:serious"], "looked_over": True}
    )
    done = Done(frozenset(), {"fuel_leak_carb": frozenset({"bowl_gasket"})})
    paid_for = [machine.model_copy(update={"own_parts": {"bowl_gasket": price}}) for price in (0.0, paid)]
    one, other = (work_lists([each], FAKE, ShopTerms(month=5), done={"m": done})[0] for each in paid_for)
    assert [step.parts_of_it for step in one.steps] == [step.parts_of_it for step in other.steps]
    assert one.left == pytest.approx(other.left)
