"""Asking prices: laws that hold whatever the terms, and what a repairer would laugh at if it were otherwise.

Ids T.. are those of the trade's sanity facts (common practice, no source).
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fake_model import FakeModel
from tests.fake_selling import FakeSelling
from valuer.advice.ports import FloatArray, Months
from valuer.advice.sale.asking_price import asking_prices, fast_sale, standing
from valuer.advice.sale.keeping import keep_or_list, kept_for
from valuer.advice.sale.listing import draft_listings
from valuer.advice.sale.offer import judge_offers
from valuer.advice.sale.sale import LEFT_OVER, sales
from valuer.advice.sale.together import list_together
from valuer.advice.sale.waiting import beats, best_place, follow, roll_back
from valuer.advice.sale.written import step_at, written, written_between
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms
from valuer.price_model.selling import SellingModel

YEAR = np.array([0.77, 0.83, 0.93, 1.0, 1.0, 0.96, 0.92, 0.88, 0.84, 0.785, 0.735, 0.725])
"""Price of a month beside that of April (common practice, no source)."""


class SeasonModel(FakeModel):
    """The fake with a season: column 0 holds the month's price factor, and a range that can be told."""

    def __init__(self, width: float = 0.2, sound: float = 1.0) -> None:
        self.width, self.sound = width, sound

    def encode(self, machines: Sequence[Machine], month: Months) -> FloatArray:
        rows = super().encode(machines, month)
        return np.column_stack([rows, np.broadcast_to(YEAR[np.asarray(month) - 1], len(rows))])

    def value(self, rows: FloatArray) -> FloatArray:
        return super().value(rows[:, :-1]) * rows[:, -1] * self.sound

    def interval(self, rows: FloatArray, value: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        value = self.value(rows) if value is None else value
        return value / (1 + self.width), value * (1 + self.width)


ONE = Machine.model_validate({"id": "m1", "looked_over": True})
MONTHS, ROLL = st.integers(1, 12), st.integers(1, 16)


@settings(max_examples=15)
@given(month=MONTHS, low=st.floats(0, 4), more=st.floats(0, 10), weeks=ROLL)
def test_a_dearer_week_never_raises_the_least_to_take(
    learned: SellingModel, month: int, low: float, more: float, weeks: int
) -> None:
    cheap, dear = (plan(learned, month, weeks, cost) for cost in (low, low + more))
    assert dear.least_to_take <= cheap.least_to_take + 0.011  # both are rounded to cents


@settings(max_examples=20)
@given(month=MONTHS, weeks=ROLL, more=st.integers(1, 10))
def test_more_time_never_lowers_the_least_to_take(
    learned: SellingModel, month: int, weeks: int, more: int
) -> None:
    """The asks to choose from are those of the longer time, or the grid itself would differ."""
    sale = sales([ONE], SeasonModel(), learned, ShopTerms(month=month))[0]
    asks, left = sale.asks(weeks + more), sale.left_over(weeks + more)
    week_sale = sale.outlook.prospect(asks, weeks + more).believing(sale.outlook.learned)
    short, long = (
        roll_back(asks, week_sale, np.full(w, sale.cost), left[: w + 1], 3, sale.tied_up)
        for w in (weeks, weeks + more)
    )
    assert (long.standing[:weeks, :, -1] >= short.standing[:, :, -1] - 1e-9).all()


def plan(chances: SellingModel, month: int, weeks: int, cost: float) -> Any:
    terms = ShopTerms(month=month, storage_per_week=cost)
    return asking_prices([ONE], SeasonModel(), chances, terms, weeks)[0]


@settings(max_examples=20)
@given(month=MONTHS, weeks=st.integers(1, 10))
def test_t31_a_higher_ask_never_sells_sooner(learned: SellingModel, month: int, weeks: int) -> None:
    sale = sales([ONE], SeasonModel(), learned, ShopTerms(month=month))[0]
    chance, _ = standing(sale, np.linspace(60, 400, 60), weeks)
    assert (np.diff(chance) <= 1e-12).all()


@pytest.mark.parametrize("autumn", [10, 11])
@pytest.mark.parametrize("spring", [4, 5])
def test_t05_the_spring_ask_is_at_least_the_autumn_ask(
    learned: SellingModel, spring: int, autumn: int
) -> None:
    """Listed in the month itself: what is told in autumn may be the ask of April, for which the machine is kept."""
    asks = {
        month: follow(sales([ONE], SeasonModel(), learned, ShopTerms(month=month))[0].waiting(12))[0].ask
        for month in (spring, autumn)
    }
    assert asks[spring] > asks[autumn]
    told: Any = asking_prices([ONE], SeasonModel(), learned, ShopTerms(month=autumn))[0]
    assert (told.keeping.month, told.ask) == (
        4,
        asking_prices([ONE], SeasonModel(), learned, ShopTerms(month=4))[0].ask,
    )


@settings(max_examples=20)
@given(month=MONTHS, weeks=ROLL)
def test_t32_least_expected_ask_stand_in_that_order(learned: SellingModel, month: int, weeks: int) -> None:
    answer: Any = asking_prices([ONE], SeasonModel(), learned, ShopTerms(month=month), weeks)[0]
    assert answer.least_to_take <= answer.expected_price <= answer.ask


@settings(max_examples=20)
@given(month=MONTHS, weeks=ROLL)
def test_t33_the_least_is_not_below_a_quick_sale(learned: SellingModel, month: int, weeks: int) -> None:
    """The least in a week is worth what is left over the week after, a week's standing off."""
    answer: Any = asking_prices([ONE], SeasonModel(), learned, ShopTerms(month=month), weeks)[0]
    sale = sales([ONE], SeasonModel(), learned, ShopTerms(month=answer.keeping.month))[0]
    left = sale.left_over(weeks)[1 : len(answer.weeks) + 1, 0]
    floor = np.minimum((1 - sale.tied_up) * left - sale.cost, [week.ask for week in answer.weeks])
    assert ([week.least_to_take for week in answer.weeks] >= floor - 0.011).all()
    assert LEFT_OVER < 1


def test_t34_a_dear_place_turns_keeping_into_selling(learned: SellingModel) -> None:
    cheap = asking_prices([ONE], SeasonModel(), learned, ShopTerms(month=12, storage_per_week=0.69))[0]
    dear = asking_prices([ONE], SeasonModel(), learned, ShopTerms(month=12, storage_per_week=8.0))[0]
    assert cheap.keeping is not None
    assert dear.keeping is not None
    assert (cheap.keeping.verdict, dear.keeping.verdict) == ("keep", "check first")
    assert cheap.keeping.month in (3, 4, 5)
    assert cheap.keeping.worth_kept > cheap.keeping.worth_now


def test_t34_keeping_appears_only_where_it_is_worth_more(learned: SellingModel) -> None:
    for month in range(1, 13):
        keeping = asking_prices([ONE], SeasonModel(), learned, ShopTerms(month=month))[0].keeping
        assert keeping is not None
        assert (keeping.verdict == "keep") == (keeping.worth_kept > keeping.worth_now)


def test_the_last_bits_of_a_float_decide_nothing() -> None:
    """.1 + .2 is not .3 to a computer; the first of two equal worths is the best, and neither beats the other."""
    assert best_place(np.array([0.0, 0.3, 0.1 + 0.2])) == 1
    assert not beats(0.1 + 0.2, 0.3)
    assert beats(0.3001, 0.3)


def test_t50_a_sound_machine_out_of_season_is_only_a_question_of_the_month(learned: SellingModel) -> None:
    answer: Any = asking_prices([ONE], SeasonModel(), learned, ShopTerms(month=11))[0]
    assert answer.keeping is not None
    assert answer.keeping.verdict in ("keep", "check first")
    assert answer.ask is not None
    assert not answer.safety.must_cure


@pytest.mark.parametrize("month", [3, 5, 8, 11])
def test_what_is_worth_more_and_surer_is_not_asked_less_for(learned: SellingModel, month: int) -> None:
    doubtful: Any = asking_prices([ONE], SeasonModel(0.3), learned, ShopTerms(month=month))[0]
    sure: Any = asking_prices([ONE], SeasonModel(0.2, sound=1.04), learned, ShopTerms(month=month))[0]
    assert sure.value.high - sure.value.low < doubtful.value.high - doubtful.value.low
    assert sure.ask >= doubtful.ask


def test_an_open_recall_has_no_price_of_any_kind() -> None:
    """T12 and T16: no ask, no least, no offer that may be taken."""
    recalled = Machine.model_validate({"id": "m1", "faults": ["recall_open:serious"]})
    answer: Any = asking_prices([recalled], FakeModel(), FakeSelling(), ShopTerms(month=5))[0]
    assert (answer.ask, answer.least_to_take, answer.sold_as, answer.weeks) == (None, None, None, ())
    offer: Any = judge_offers([recalled], FakeModel(), FakeSelling(), ShopTerms(month=5), 500.0)[0]
    assert (offer.verdict, offer.take_brings) == (None, None)


def test_what_brings_no_more_than_scrap_is_not_listed() -> None:
    """A machine worth 3 weighs 29 kg or more, and light iron brings .22 a kilogram: 6 and more (second hand)."""
    answer = asking_prices([ONE], SeasonModel(sound=0.015), FakeSelling(), ShopTerms(month=5))[0]
    assert (answer.sold_as, answer.ask, answer.weeks) == ("scrap", None, ())
    assert "Scrap leaves about" in str(answer.refusal)
    offer = judge_offers([ONE], SeasonModel(sound=0.015), FakeSelling(), ShopTerms(month=5), 9.0)[0]
    assert offer.verdict == "take it"


def test_a_counter_goes_half_way_at_most_unless_waiting_is_worth_more() -> None:
    """Counter half-way to the ask, once (common practice, no source)."""
    answer = judge_offers([ONE], FakeModel(), FakeSelling(), ShopTerms(month=5), 185.0, ask=230.0)[0]
    assert answer.verdict == "counter"
    assert answer.counter is not None
    assert answer.wait_brings is not None
    assert answer.counter <= max((185 + 230) / 2, answer.wait_brings + 10)


def test_money_in_another_unit_changes_no_decision() -> None:
    """T43: with every sum times ten the plan is the same plan."""
    one: Any
    ten: Any
    one, ten = (
        asking_prices([ONE], FakeModel(), FakeSelling(), ShopTerms(month=9, price_level=level))[0]
        for level in (1.0, 10.0)
    )
    assert [10 * week.ask for week in one.weeks] == pytest.approx([week.ask for week in ten.weeks])
    assert [week.chance for week in one.weeks] == pytest.approx([week.chance for week in ten.weeks], abs=1e-4)


def test_care_and_risk_of_the_winter_come_off_what_keeping_is_worth() -> None:
    """Half an hour at 15 and 7 for the care are 14.50; of a tenth at risk a tenth is lost."""
    free = {
        "month": 12,
        "winter_care": 0.0,
        "winter_care_hours": 0.0,
        "keeping_loss": 0.0,
        "hour_value": 15.0,
    }
    alone, cared, risky = (
        keep_or_list(sales([ONE], SeasonModel(), FakeSelling(), terms)[0], terms, 12)
        for terms in (
            ShopTerms.model_validate(free | more)
            for more in ({}, {"winter_care": 7.0, "winter_care_hours": 0.5}, {"keeping_loss": 0.1})
        )
    )
    assert alone.month == cared.month == risky.month
    assert alone.worth_kept - cared.worth_kept == pytest.approx(14.5, abs=0.011)
    assert risky.worth_kept == pytest.approx(
        0.9 * (alone.worth_kept + alone.storage) - alone.storage, abs=0.02
    )


def test_what_is_left_over_is_never_less_than_scrap() -> None:
    """A quick sale brings .60 of the value; where that is little, the iron brings more."""
    poor, fair = (
        sales([ONE], SeasonModel(sound=sound), FakeSelling(), ShopTerms(month=5))[0] for sound in (0.02, 1.0)
    )
    assert poor.left_over(3).tolist() == [[poor.floor]] * 4
    assert fair.left_over(0)[0] == pytest.approx(0.60 * fair.value.amount, abs=0.01)


def test_a_counter_brings_what_its_chance_and_what_is_left_of_the_offer_come_to() -> None:
    """Paid with its chance; else he stands by his offer half the time, and there is waiting otherwise (judgement)."""
    by_hand = 0
    for offer in np.arange(150.0, 256.0, 5.0):
        told: Any = judge_offers(
            [ONE], FakeModel(), FakeSelling(), ShopTerms(month=5), float(offer), ask=260.0
        )[0]
        if told.verdict != "counter" or offer <= told.wait_brings:
            continue
        by_hand += 1
        chance, left = told.counter_accepted, 0.5 * offer + 0.5 * told.wait_brings
        assert told.counter_brings == pytest.approx(chance * told.counter + (1 - chance) * left, abs=0.1)
    assert by_hand


@settings(max_examples=20)
@given(offer=st.floats(20, 300), week=st.integers(1, 12))
def test_an_offer_above_what_waiting_is_worth_is_never_sent_away(offer: float, week: int) -> None:
    answer: Any = judge_offers([ONE], FakeModel(), FakeSelling(), ShopTerms(month=5), offer, week)[0]
    assert (answer.verdict == "wait") <= (offer < answer.wait_brings + 0.01)
    if answer.verdict == "counter":
        assert answer.counter > offer
        assert answer.counter_brings >= max(
            answer.wait_brings - 0.01, offer if offer >= answer.wait_brings else 0
        )


@given(price=st.floats(10, 5000))
def test_asks_are_written_as_people_write_them(price: float) -> None:
    """Ask ends in 0 or 5 from 50 on, and is the nearest of its kind: never over 5 % off."""
    ask = written(price)
    assert abs(ask - price) <= 0.051 * price
    assert price < 50 or ask % 5 == pytest.approx(0, abs=1e-6)


def test_the_asks_looked_at_rise_and_stay_in_range() -> None:
    asks = written_between(83, 290)
    assert (np.diff(asks) > 0).all()
    assert asks[0] >= 83
    assert asks[-1] <= 290


@given(low=st.floats(0.5, 3000), times=st.floats(1.2, 4))
def test_the_asks_looked_at_are_all_that_people_write_between(low: float, times: float) -> None:
    asks, high = written_between(low, low * times), low * times
    assert asks[1:] == pytest.approx([price + step_at(price) for price in asks[:-1]])
    assert low * (1 - 1e-9) <= asks[0] <= low + step_at(low) * (1 + 1e-9)
    assert high * (1 + 1e-9) >= asks[-1] > high - step_at(high) * (1 + 1e-9)


def test_a_fair_offer_is_a_share_of_the_value_by_hand() -> None:
    """A sale ends half way between the least and the ask: at an ask of the value and a least of .6 of it, at .8 of it.

    Nobody is sent away for less: whoever takes less of the value sells sooner.
    """
    (sale,) = sales([ONE], FakeModel(), FakeSelling(), ShopTerms(month=5, storage_per_week=0))
    value = sale.outlook.value_in(0)
    asks = np.array([value])
    (low, at), (high, dearer) = (standing(sale, asks, 1, least) for least in (0.6, 0.9))
    assert at == pytest.approx(0.8 * value)
    assert dearer == pytest.approx(0.95 * value)
    assert low > high


def test_gone_in_a_week_is_the_highest_ask_that_four_in_five_would_be_by_hand() -> None:
    """Odds of e^3 * 2/3 at the value, halved by every tenth of a log: 4 to 1 at log(ask / value) = .174, 1.19 of it."""
    (sale,) = sales([ONE], FakeModel(), FakeSelling(log_odds=3.0), ShopTerms(month=5))
    told, value, asks = fast_sale(sale), sale.outlook.value_in(0), sale.asks(1)[0]
    assert told.chance >= 0.8
    assert told.ask == asks[asks <= 1.19 * value].max()
    (slow,) = sales([ONE], FakeModel(), FakeSelling(log_odds=-3.0), ShopTerms(month=5))
    assert fast_sale(slow).ask == slow.asks(1)[0, 0], "where none is likely, the lowest there is"


def test_come_backs_standing_and_money_tied_up_count_week_by_week() -> None:
    """A week of 3 that fees of a tenth and three come-backs in a hundred at .4 are taken off: 3 / (1 - .112) = 3.378.

    5.2 % a year are .1 % a week of what the machine is worth.
    """
    shop = ShopTerms(
        month=5, storage_per_week=3, fee_share=0.1, come_backs=0.03, come_back_cost=0.4, tied_up_a_year=0.052
    )
    one = Machine.model_validate({"id": "m1"})
    (sale,) = sales([one], FakeModel(), FakeSelling(), shop)
    assert sale.cost == pytest.approx(3 / 0.888)
    assert sale.tied_up == pytest.approx(0.001)
    patient = ShopTerms(month=5, storage_per_week=0, tied_up_a_year=0)
    (free,) = sales([one], FakeModel(), FakeSelling(), patient)
    dear = replace(free, tied_up=0.02)
    assert dear.waiting(12).best < free.waiting(12).best
    assert replace(free, cost=3.0).waiting(12).best < free.waiting(12).best


def test_keeping_for_a_month_loses_what_is_tied_up_meanwhile() -> None:
    """A month of 52 / 12 weeks at 2 % a week leaves .98 to the power of 4.33 of what the machine is worth then."""
    terms = ShopTerms(month=5, storage_per_week=0, tied_up_a_year=0)
    (free,) = sales([Machine.model_validate({"id": "m1"})], FakeModel(), FakeSelling(), terms)
    kept, tied = (kept_for(replace(free, tied_up=share), terms, 1, 1) for share in (0.0, 0.02))
    assert tied < kept * 0.98**4
    assert tied == pytest.approx(kept * 0.98 ** (52 / 12), rel=0.03), "the week on offer then is tied up too"


@pytest.mark.parametrize("weeks", [1, 4, 12])
def test_the_weeks_until_it_is_sold_are_those_in_which_it_is_still_unsold(weeks: int) -> None:
    """The mean of a count is the sum of the chances that it is more than 0, 1, 2 ...; past the end it is gone."""
    told = asking_prices([ONE], SeasonModel(), FakeSelling(doubt=1.0), ShopTerms(month=5), weeks)[0]
    unsold = [1.0, *(1 - week.sold_by for week in told.weeks[:-1])]
    assert told.expected_weeks == pytest.approx(sum(unsold), abs=0.05)


@pytest.mark.parametrize(("weeks", "times"), [(2, "once"), (3, "twice"), (4, "3 times")])
def test_how_often_it_is_cut_is_said_as_people_say_it(weeks: int, times: str) -> None:
    told = asking_prices([ONE], SeasonModel(), FakeSelling(doubt=1.0), ShopTerms(month=5), weeks)[0]
    assert sum(week.cut for week in told.weeks) == weeks - 1
    assert f"is cut {times}, a week" in told.ladder[1].says


def test_half_way_itself_may_be_named_and_its_chance_by_hand() -> None:
    """Worth 200, 190 offered, 230 asked: half-way is 210.

    At 230 the odds of a visitor are 2/3 x .5 ^ (log(1.15) / .1) = .253, 1 to 4.95. His limit is above 190 with
    1 / (1 + exp(log(.95) / .08)) = .655, above 210 with .352: chances of a sale of .1323 and .0711, visits of
    -log(1 - .1323) = .1419 and .0737. Of those who would pay 190, .520 would pay 210.
    """
    told: Any = judge_offers([ONE], FakeModel(), FakeSelling(), ShopTerms(month=5), 190.0, ask=230.0)[0]
    assert told.counter == 210
    assert told.counter_accepted == pytest.approx(0.520, abs=0.001)


def test_a_counter_written_above_the_ask_finds_those_who_would_pay_the_ask() -> None:
    """Between 201 and 207 nobody writes a price; 210 is the nearest. Of visits at the ask, limits decide as below."""
    told: Any = judge_offers([ONE], FakeModel(), FakeSelling(), ShopTerms(month=5), 201.0, ask=207.0)[0]
    odds = 2 / 3 * 0.5 ** (np.log(207 / 200) / 0.1)
    visits = [
        -np.log1p(-odds / (1 + odds) / (1 + np.exp(np.log(limit / 200) / 0.08))) for limit in (201, 207)
    ]
    assert told.counter == 210
    assert told.counter_accepted == pytest.approx(visits[1] / visits[0], abs=0.001)


def test_where_everybody_would_buy_few_of_them_pay_much_more() -> None:
    """A chance of one is no endless stream of buyers: it counts as twenty of them a week."""
    everybody = FakeSelling(log_odds=60.0)
    told: Any = judge_offers([ONE], FakeModel(), everybody, ShopTerms(month=5), 1.0, ask=200.0)[0]
    assert told.verdict == "wait"
    assert told.counter_accepted == pytest.approx(-np.log(0.5) / 20.7, abs=0.001)


def test_who_names_no_weeks_has_twelve_at_every_door() -> None:
    asked = plainly(FakeModel(), FakeSelling())
    assert asking_prices(**asked)[0].horizon == 12
    assert judge_offers(**asked, offer=150.0) == judge_offers(**asked, offer=150.0, weeks=12)
    assert draft_listings(**asked) == draft_listings(**asked, weeks=12)
    assert list_together(**asked, room=1) == list_together(**asked, room=1, weeks=12)


def plainly(model: Any, chances: Any) -> dict[str, Any]:
    """What every question about selling names: one machine, in May."""
    return {"machines": [ONE], "model": model, "chances": chances, "terms": ShopTerms(month=5)}


def test_weeks_that_are_named_stood_at_the_ask_advised_where_no_other_is() -> None:
    """The plan cuts twice in three weeks; what was asked in those that are over is its first ask."""
    asked = plainly(SeasonModel(), FakeSelling(doubt=1.0))
    advised = asking_prices(**asked, weeks=3)[0].ask
    told = judge_offers(**asked, offer=150.0, week=3, weeks=3)
    assert told == judge_offers(**asked, offer=150.0, week=3, weeks=3, ask=advised)
    assert told[0].so_far is not None
    assert told[0].so_far.weeks == 2


@pytest.mark.parametrize("asked", [None, 60.0, 100.0])
def test_no_more_is_named_than_is_asked(learned: SellingModel, asked: float | None) -> None:
    """In winter, where it is kept: an ask below what keeping is worth is no price to name, and none above it is."""
    terms = ShopTerms(month=12)
    for offer in (30.0, 60.0, 90.0):
        (told,) = judge_offers([ONE], SeasonModel(), learned, terms, offer, ask=asked, sure=True)
        assert told.ask is not None
        assert told.counter is not None
        assert told.wait_brings is not None
        assert told.counter <= told.ask
        if asked is None:
            assert told.ask >= told.wait_brings
            assert told.verdict != "wait" or offer < told.wait_brings
        elif offer < told.wait_brings and asked < told.wait_brings:
            assert told.verdict == "wait"
            assert f"more than the {asked:.0f} that is asked" in told.reason
