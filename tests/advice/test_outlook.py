"""What a seller may look forward to: weeks of a listing rolled back and learned from, beside plain loops over them."""

from dataclasses import astuple
from typing import Any

import numpy as np
import pytest

from tests.advice.test_asking_price import ONE, YEAR, SeasonModel
from tests.fake_selling import FakeSelling
from valuer.advice.sale.asking_price import curve, standing
from valuer.advice.sale.history import PastWeek, Stood
from valuer.advice.sale.keeping import from_each_month
from valuer.advice.sale.outlook import (
    NODES,
    TURNS,
    USUAL_ASKS,
    USUAL_CUTS,
    USUAL_LEFT_OVER,
    USUAL_WEEKS,
    WEIGHTS,
    Outlook,
)
from valuer.advice.sale.sale import History, later, sales
from valuer.advice.sale.waiting import as_followed, follow, roll_back
from valuer.domain.shop import ShopTerms
from valuer.price_model.selling import SellingModel

LISTED = {"m1": Stood((PastWeek(2, 230), PastWeek(2, 220)))}

ASKS = np.array([[60.0, 80, 100, 120, 150], [60.0, 70, 80, 90, 100], [60.0, 70, 80, 90, 100]])
LEFT_OVER = np.array([[30.0, 32, 28, 25, 20, 16], [30.0, 85, 20, 20, 20, 10], [30.0, 300, 20, 20, 20, 10]]).T
COST, TIED_UP = np.array([1.0, 2, 0, 3, 1]), 0.01


def sold(week: int, ask: Any, least: Any) -> tuple[Any, Any]:
    """Chance and price of a sale: fewer come for a high ask, ever fewer by the week; haggled down by a tenth."""
    coming = np.exp(-ask / (90 - 10 * week)) * np.exp(-np.maximum(least, 0) / 200)
    return coming, np.maximum(0.9 * ask, least)


class Branches:
    """Every branch of one start followed to its end: the ask stands or is cut, it sells, or is stopped."""

    def __init__(self, start: int) -> None:
        self.asks, self.left_over = ASKS[start], LEFT_OVER[:, start]

    def least(self, week: int, place: int, cuts: int) -> float:
        return (1 - TIED_UP) * self.worth(week + 1, place, cuts) - float(COST[week])

    def standing(self, week: int, place: int, cuts: int) -> float:
        least = self.least(week, place, cuts)
        chance, price = sold(week, self.asks[place], least)
        return float(max(chance * price + (1 - chance) * least, self.left_over[week]))

    def worth(self, week: int, place: int, cuts: int) -> float:
        if week == len(COST):
            return float(self.left_over[-1])
        cut = [self.standing(week, lower, cuts - 1) for lower in range(place) if cuts]
        return max([self.standing(week, place, cuts), *cut])

    def plan(self, cuts: int) -> list[tuple[float, float, float, bool]]:
        """Ask, least, worth and whether to stop by week; of equal worths, but for last bits, the lowest ask."""
        every = [self.standing(0, at, cuts) for at in range(len(self.asks))]
        place, told = int(np.argmax(np.round(every, 9))), []
        for week in range(len(COST)):
            lower = [self.standing(week, at, cuts - 1) for at in range(place) if cuts and week]
            if lower and max(lower) > self.standing(week, place, cuts) + 1e-9:
                place, cuts = int(np.argmax(np.round(lower, 9))), cuts - 1
            worth = self.standing(week, place, cuts)
            stop = bool(worth <= self.left_over[week])
            told.append((float(self.asks[place]), self.least(week, place, cuts), worth, stop))
            if stop:
                break
        return told


@pytest.mark.parametrize(
    ("cuts", "first"),
    [
        (0, [120] * 5),
        (1, [120, 120, 120, 80, 80]),
        (2, [150, 120, 120, 80, 80]),
        (4, [150, 120, 100, 80, 60]),
    ],
)
def test_each_start_is_worth_what_every_branch_followed_comes_to(cuts: int, first: list[float]) -> None:
    """Three starts of five weeks side by side: one cut as often as it may be, two stopped in the second week."""
    found = roll_back(
        ASKS, lambda week, least: sold(week, ASKS[:, None], least), COST, LEFT_OVER, cuts, TIED_UP
    )
    asked, least = as_followed(found)
    for start in range(3):
        branches = Branches(start)
        plan, told = branches.plan(cuts), follow(found, start)
        assert found.best[start] == pytest.approx(max(plan[0][2], LEFT_OVER[0, start]), rel=1e-12)
        assert [(week.ask, week.stop) for week in told] == [(week[0], week[3]) for week in plan]
        assert [week.least for week in told] == pytest.approx([week[1] for week in plan])
        assert [week.worth for week in told] == pytest.approx([week[2] for week in plan])
        kept = plan + [plan[-1]] * (len(COST) - len(plan))
        assert asked[:, start].tolist() == [week[0] for week in kept]
        assert least[:, start] == pytest.approx([min(week[1], week[0]) for week in kept])
    assert [week.ask for week in follow(found)] == first
    assert [len(follow(found, start)) for start in (1, 2)] == [2, 2]


def outlook(chances: Any, listed: int = 0) -> Outlook:
    """A machine worth 150 in April and May, in doubt by .2 of log, that goes up in the middle of April."""
    return Outlook(chances, 150 * YEAR, 4, 0.2, {}, listed, left_doubt=0.2)


def test_weeks_go_on_from_those_listed(learned: SellingModel) -> None:
    """Three weeks listed: the next are the fourth to the seventh, that one in May."""
    found = outlook(learned, 3).prospect(np.array([[140.0, 160.0]]), 4).chance(np.array([[[120.0], [130.0]]]))
    for week, month in enumerate((4, 4, 4, 5)):
        told = learned.weeks(
            np.log([140 / 150, 160 / 150]), np.asarray(float(month)), np.asarray(week + 4.0), {},
            0.2 * NODES.reshape(-1, 1, 1),
        )  # fmt: skip
        by_itself = told.chance(np.log([[120 / 150], [130 / 150]]))
        assert found[week, :, 0] == pytest.approx(by_itself, rel=1e-12)


def test_a_week_is_seen_with_what_is_believed_by_then_and_no_least_is_above_the_ask(
    learned: SellingModel,
) -> None:
    """Three weeks, two of beliefs: in the third those of the second still hold. A least of 200 is that of 160."""
    prospect = outlook(learned).prospect(np.array([[140.0, 160.0]]), 3)
    beliefs = np.array([[0.1, 0.2, 0.4, 0.2, 0.1], [0.4, 0.3, 0.2, 0.1, 0.0]]).reshape(2, 5, 1, 1, 1)
    sale, least = prospect.believing(beliefs), np.array([[[120.0], [200.0]]])
    taken = np.array([[[120.0, 120.0], [140.0, 160.0]]])
    for week, believed in ((0, 0), (1, 1), (2, 1)):
        chances, shares = prospect.sold(taken, week)
        by_node = beliefs[believed] * chances
        prices = taken + shares * (np.array([140.0, 160.0]) - taken)
        chance, price = sale(week, least)
        assert chance == pytest.approx(by_node.sum(axis=0), rel=1e-12)
        assert price == pytest.approx((by_node * prices).sum(axis=0) / by_node.sum(axis=0), rel=1e-12)


def test_what_is_learned_from_not_selling_is_bayes_on_the_plan_that_it_leads_to(
    learned: SellingModel,
) -> None:
    """One start: the plan under what is believed, each node's chance to be unsold by each week, and that three times.

    From the second time on the two are met half way, for a plan that waits and one that hurries call each other up.
    """
    seen = outlook(learned)
    low, high = np.exp(learned.ask_range)
    lowest = 150 * YEAR.min()
    asks = np.geomspace(max(low, 0.6) * min(150, 1.2 * lowest), 150 * high, USUAL_ASKS)[None]
    left_over = np.full((USUAL_WEEKS + 1, 1), USUAL_LEFT_OVER * lowest)
    beliefs = np.tile(WEIGHTS, (USUAL_WEEKS + 1, 1))
    for turn in range(TURNS):
        sale = seen.prospect(asks, USUAL_WEEKS).believing(beliefs.reshape(*beliefs.shape, 1, 1, 1))
        plan = follow(roll_back(asks, sale, np.zeros(USUAL_WEEKS), left_over, USUAL_CUTS))
        unsold = [WEIGHTS]
        for week in range(USUAL_WEEKS):
            told = plan[min(week, len(plan) - 1)]
            chances = seen.prospect(np.array([[told.ask]]), week + 1).chance(
                np.asarray(min(told.least, told.ask)), week
            )
            unsold.append(unsold[-1] * (1 - chances[:, 0, 0, 0]))
        bayes = np.array([left / left.sum() for left in unsold])
        beliefs = bayes if turn == 0 else (beliefs + bayes) / 2
    assert seen.learned[..., 0, 0, 0] == pytest.approx(beliefs, rel=1e-9)
    assert (np.diff(beliefs @ NODES) < 0).all(), "the longer it stands, the less it is worth"


@pytest.mark.parametrize("history", [{}, LISTED])
@pytest.mark.parametrize("month", [2, 9])
def test_starts_side_by_side_are_worth_what_each_is_alone(
    learned: SellingModel, month: int, history: History
) -> None:
    """One table for now and the eight months to come; a listing by itself is the judge. Later it is put up afresh."""
    sale = sales([ONE], SeasonModel(), learned, ShopTerms(month=month), history)[0]
    table = from_each_month(sale, 9)
    for months in range(9):
        alone = (later(sale, (month - 1 + months) % 12 + 1) if months else sale).waiting(9)
        assert table.best[months] == pytest.approx(alone.best[0], rel=1e-12)
        plans = [
            np.array([astuple(week) for week in plan]) for plan in (follow(table, months), follow(alone))
        ]
        assert plans[0] == pytest.approx(plans[1], rel=1e-12)


def test_asks_reach_as_high_as_the_best_week_to_come() -> None:
    """Listed in mid-March: of an end in April, worth 1 / .93 of now, the fake's listings ask e^.5 at most."""
    sale = sales([ONE], SeasonModel(), FakeSelling(), ShopTerms(month=3))[0]
    now = sale.outlook.value_in(0)
    assert sale.asks(1)[0, -1] <= now * np.exp(0.5) < sale.asks(8)[0, -1] <= now / 0.93 * np.exp(0.5)


def test_an_ask_left_standing_by_hand() -> None:
    """The chance to be unsold is a product over weeks; the price of every sale lies half way up, as the fake's."""
    (sale,) = sales([ONE], SeasonModel(), FakeSelling(), ShopTerms(month=5))
    value, asks = sale.outlook.value_in(0), np.array([200.0, 240.0])
    odds = 2 / 3 * np.array([0.5 ** (np.log(ask / value) / 0.1) for ask in asks])
    weekly = odds / (1 + odds) / (1 + np.exp(np.log(0.85) / 0.08))
    chance, price = standing(sale, asks, 2)
    assert chance == pytest.approx(np.array([weekly, 1 - (1 - weekly) ** 2]))
    assert price == pytest.approx(np.tile((0.85 * value + asks) / 2, (2, 1)))
    for point in curve(sale):
        sold_by, brought = standing(sale, np.array([point.ask]), 4)
        assert point.sold_by_week_1 == pytest.approx(sold_by[0, 0], abs=1e-3)
        assert point.sold_by_week_4 == pytest.approx(sold_by[3, 0], abs=1e-3)
        assert point.expected_price == pytest.approx(brought[3, 0], abs=0.011)
