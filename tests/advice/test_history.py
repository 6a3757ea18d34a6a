"""What weeks listed say: Bayes by hand, and the directions in which anybody in the trade would move.

No enquiry in weeks: price, pictures or season; many enquiries and no sale: a fault seen on arrival (common practice,
no source).
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from itertools import pairwise
from types import EllipsisType
from typing import Any

import numpy as np
import pytest

from tests.advice.test_asking_price import YEAR, SeasonModel
from tests.benchmark.past_weeks import NODES, true_weights
from tests.benchmark.true_market import draw_cases
from tests.fake_model import FakeModel
from tests.fake_selling import FakeSelling, FakeWeeks
from valuer.advice.ports import FloatArray
from valuer.advice.sale.asking_price import asking_prices
from valuer.advice.sale.history import (
    ADVERT_SD,
    ASKERS_SD,
    PUT_OFF,
    PUT_OFF_CHANCE,
    VISITS_FALL,
    PastWeek,
    Stood,
    after,
    learn,
)
from valuer.advice.sale.offer import judge_offers
from valuer.advice.sale.outlook import Outlook
from valuer.advice.sale.sale import sales
from valuer.advice.sale.why import so_far
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms
from valuer.learning import OwnRecords
from valuer.price_model.selling import SellingModel
from valuer.records.entries import Book, FixDone, ListingWeek, MachineEntry

ONE = Machine.model_validate({"id": "m1"})
MAY = ShopTerms(month=5)


def outlook(chances: Any, month: int = 5, sd: float = 0.2) -> Outlook:
    """A machine worth 150 in May."""
    return Outlook(chances, 150 * YEAR, month, sd, {})


class Certain(FakeSelling):
    """So many buyers a week as worth over value, whatever is asked: each pays anything."""

    def shifted(self, log_odds: float) -> "Certain":
        return self

    def weeks(
        self,
        ask: FloatArray,
        month: FloatArray,
        week: FloatArray,
        faults: Mapping[str, float],
        worth: FloatArray,
    ) -> FakeWeeks:
        rate = np.exp(worth) + 0.0 * (ask + month + week)
        return CertainWeeks(1 - np.exp(-rate), worth)


class CertainWeeks(FakeWeeks):
    """Weeks in which whoever comes buys."""

    def chance(self, least: FloatArray, at: int | EllipsisType = ...) -> FloatArray:
        return np.asarray(self.comes[at] + 0.0 * least)


@pytest.mark.parametrize("weeks", [1, 3, 6])
def test_bayes_by_hand_for_weeks_in_which_nobody_came(weeks: int) -> None:
    """Rate of buyers exp(worth + seen): the chance of none in n weeks is exp(-n exp(worth + seen)).

    Prior normal: ADVERT_SD for the advert, for the worth what advert and put-off leave of the doubt of .2. Their sum
    is normal too: one integral over it, each part getting its share of the variance of the sum's mean. What puts
    people off does not change this rate, and is on average in the value already.
    """
    found = learn(outlook(Certain(doubt=1.0)), [PastWeek(5, 150)] * weeks, 6.0)
    put_off = PUT_OFF_CHANCE * (1 - PUT_OFF_CHANCE) * (PUT_OFF * 0.2) ** 2
    of_worth = 0.2**2 - put_off - (ADVERT_SD / VISITS_FALL) ** 2
    variance = of_worth + ADVERT_SD**2
    total = np.linspace(-6, 6, 20001) * np.sqrt(variance)
    share = np.exp(-(total**2) / (2 * variance) - weeks * np.exp(total))
    mean = float((share * total).sum() / share.sum())
    assert found.worth == pytest.approx(mean * of_worth / variance, abs=2e-3)
    assert found.seen == pytest.approx(mean * ADVERT_SD**2 / variance, abs=4e-3)
    assert found.unsold == pytest.approx(np.exp(-weeks), rel=1e-6)


def test_nothing_seen_leaves_value_and_doubt_as_they_were(learned: SellingModel) -> None:
    """A week hardly begun says nothing: what may be put off or unseen is in the value's doubt already, not on top."""
    before = outlook(learned)
    found = learn(before, [PastWeek(5, 150, share=1e-9)], 6.0)
    assert found.worth == pytest.approx(0.0, abs=1e-4)
    as_worth = ADVERT_SD / VISITS_FALL  # the advert's part is told apart, in visitors
    assert np.hypot(found.sd, as_worth) == pytest.approx(before.doubt, rel=2e-3)


@pytest.mark.parametrize(("asked", "share"), [(18, 1.0), (9, 0.5)])
def test_enquiries_by_hand(asked: int, share: float) -> None:
    """Three times as many ask as would, nobody buys, the worth is sure: a sum over a fine grid of advert and talk.

    Poisson: the chance of 18 at a mean of 6 exp(seen + talk), times that of no buyer, exp(-exp(seen)); in half a week
    both means are half.
    """
    week = PastWeek(5, 150, enquiries=asked, share=share)
    found = learn(outlook(Certain(doubt=0.0)), [week], 6.0)
    seen, talk = np.meshgrid(
        np.linspace(-5, 5, 801) * ADVERT_SD, np.linspace(-5, 5, 801) * ASKERS_SD, indexing="ij"
    )
    log_mean = np.log(6.0 * share) + seen + talk
    said = asked * log_mean - np.exp(log_mean) - share * np.exp(seen)
    chance = np.exp(said - said.max() - (seen / ADVERT_SD) ** 2 / 2 - (talk / ASKERS_SD) ** 2 / 2)
    assert found.seen == pytest.approx(float((chance * seen).sum() / chance.sum()), abs=0.01)


def test_what_silence_says_is_that_of_the_same_weeks_without_an_offer(learned: SellingModel) -> None:
    weeks = [PastWeek(5, 165, 130, 4), PastWeek(5, 160)]
    heard = learn(outlook(learned), weeks, 6.0)
    quiet = learn(outlook(learned), [replace(week, refused=0.0) for week in weeks], 6.0)
    assert heard.silent == pytest.approx(quiet.worth)
    assert heard.silent < heard.worth


def test_a_week_begun_is_not_yet_a_week_listed(learned: SellingModel) -> None:
    weeks = [PastWeek(5, 165), PastWeek(5, 165, share=0.4)]
    now = outlook(learned)
    assert after(now, weeks, learn(now, weeks, 6.0)).next_week == 2


def test_silence_lowers_the_value_and_more_of_it_lowers_it_more(learned: SellingModel) -> None:
    moved = [learn(outlook(learned), [PastWeek(5, 150, 0, 0)] * weeks, 6.0).worth for weeks in (1, 2, 4, 8)]
    assert all(later < sooner < 0 for sooner, later in pairwise(moved))


def test_silence_at_a_dear_ask_says_less_than_at_a_fair_one(learned: SellingModel) -> None:
    fair, dear = (learn(outlook(learned), [PastWeek(5, ask)] * 3, 6.0) for ask in (150.0, 210.0))
    assert fair.worth < dear.worth
    assert fair.unsold < dear.unsold
    assert dear.causes["price"] > fair.causes["price"]


def test_silence_in_winter_says_less_than_in_spring(learned: SellingModel) -> None:
    spring = learn(outlook(learned), [PastWeek(5, 160)] * 3, 6.0)
    winter = learn(outlook(learned, 12), [PastWeek(12, 160 * YEAR[11])] * 3, 6.0)
    assert spring.worth < winter.worth
    assert winter.causes["season"] > spring.causes["season"] + 0.2


def test_a_higher_refused_offer_says_more_for_the_machine(learned: SellingModel) -> None:
    low, high = (learn(outlook(learned), [PastWeek(5, 175, offer)] * 2, 6.0) for offer in (105.0, 160.0))
    assert low.worth < high.worth
    assert high.sd < outlook(learned).doubt


@pytest.mark.parametrize("refused", [(0.0, 0.0, 0.0), (0.0, 0.0, 1.06), (0.0, 1.06, 1.06), (0.0, 0.0, 0.8)])
def test_offers_in_november_move_the_value_as_the_law_of_the_market_has_it(
    learned: SellingModel, refused: Sequence[float]
) -> None:
    """Two refused offers of 120 for a machine worth 113 make some 130 of it: so few come that one says a lot.

    Beside the exact posterior of the simulator, which knows its own visitors and leasts: within 4 in 100.
    """
    for case in (replace(case, month=11) for case in draw_cases(6, 777)):
        now = case.sale(learned).outlook
        values = [float(case.values[now.month_of(n) - 1]) for n in range(3)]
        weeks = tuple(
            PastWeek(now.month_of(n), ask * value, share * value)
            for n, (ask, share, value) in enumerate(zip((1.33, 1.25, 1.25), refused, values, strict=True))
        )
        leasts = [max(0.95 * value, 1.001 * week.refused) for week, value in zip(weeks, values, strict=True)]
        exact = float(true_weights(case, weeks, leasts) @ (NODES * case.truth.spread))
        assert learn(now, weeks, 6.0).worth == pytest.approx(exact, abs=0.055)


BELIEVED = SeasonModel(sound=137 / 147)
"""One of which 137 is believed in November."""


def test_what_moved_the_value_is_said(learned: SellingModel) -> None:
    weeks = (PastWeek(11, 150), PastWeek(11, 140, 120), PastWeek(11, 140, 120))
    told: Any = asking_prices([ONE], BELIEVED, learned, ShopTerms(month=11), history={"m1": Stood(weeks)})[0]
    assert told.value.amount > told.so_far.believed
    assert f"That nobody bought makes the {told.so_far.believed:.0f} believed before" in told.so_far.moved
    assert f"that 120 was offered makes it {told.value.amount:.0f}: so few come" in told.so_far.moved
    quiet: Any = asking_prices(
        [ONE], BELIEVED, learned, ShopTerms(month=11), history={"m1": Stood(weeks[:1])}
    )[0]
    assert quiet.so_far.moved.endswith(f"{quiet.value.amount:.0f}.")
    asked: Any = asking_prices(
        [ONE],
        BELIEVED,
        learned,
        ShopTerms(month=11),
        history={"m1": Stood((replace(weeks[0], enquiries=2),))},
    )[0]
    assert asked.so_far.moved.startswith("That 2 asked and nobody bought makes")


def test_an_offer_that_moves_nothing_says_nothing_of_how_few_come(learned: SellingModel) -> None:
    """Few come in November; but only where the value rose by it did the offer say a lot."""
    weeks = (PastWeek(11, 150), PastWeek(11, 140, 120), PastWeek(11, 140, 120))
    (sale,) = sales([ONE], BELIEVED, learned, ShopTerms(month=11), {"m1": Stood(weeks)})
    risen, as_it_was = (so_far(replace(sale, believed=each)) for each in (sale.believed, sale.value.amount))
    assert risen is not None
    assert as_it_was is not None
    assert "so few come" in risen.moved
    assert "so few come" not in as_it_was.moved


def test_one_silly_offer_moves_little(learned: SellingModel) -> None:
    """A first offer at half the ask is talk, and such are common (common practice, no source)."""
    none, silly = (learn(outlook(learned), [PastWeek(5, 165, offer)], 6.0) for offer in (0.0, 80.0))
    assert abs(silly.worth - none.worth) < 0.05


def test_many_asked_and_offered_little_points_to_what_they_saw(learned: SellingModel) -> None:
    seen = learn(outlook(learned), [PastWeek(5, 165, 100, 10)] * 4, 6.0)
    quiet = learn(outlook(learned), [PastWeek(5, 165, 0, 1)] * 4, 6.0)
    assert max(seen.causes, key=lambda cause: seen.causes[cause]) == "fault"
    assert quiet.causes["fault"] < seen.causes["fault"]


@pytest.mark.parametrize("heard", ["noise", "smoke"])
def test_what_is_heard_or_seen_as_it_runs_puts_off_those_who_come(heard: str) -> None:
    """The same silence is sooner the machine's own where it is noisy or smokes (common practice, no source)."""
    plain = outlook(Certain())
    told = replace(plain, levels={heard: 1.0})
    weeks = [PastWeek(5, 165)] * 2
    assert learn(told, weeks, 6.0).causes["fault"] > 1.5 * learn(plain, weeks, 6.0).causes["fault"]


@pytest.mark.parametrize(
    "weeks", [[PastWeek(5, 165)], [PastWeek(5, 165, 120, 4, 0.5)], [PastWeek(5, 20)] * 52]
)
def test_the_explanations_are_chances(learned: SellingModel, weeks: Sequence[PastWeek]) -> None:
    causes = learn(outlook(learned), weeks, 6.0).causes
    assert sum(causes.values()) == pytest.approx(1.0)
    assert all(chance >= 0 for chance in causes.values())


def records(*weeks: ListingWeek, today: date, fixes: tuple[FixDone, ...] = ()) -> OwnRecords:
    """The machine listed."""
    entry = MachineEntry(machine=ONE, taken_on=date(2026, 3, 2), weeks=weeks, fixes=fixes)
    return OwnRecords(Book(machines=(entry,)), today)


def week(day: str, ask: float, *offers: float, asked: int | None = None) -> ListingWeek:
    return ListingWeek(week_of=day, ask=ask, offers=offers, enquiries=asked)  # type: ignore[arg-type]


def test_the_records_tell_the_weeks_and_what_was_silent_between_them() -> None:
    own = records(
        week("2026-04-27", 170, 110, 120, asked=3), week("2026-05-11", 150), today=date(2026, 5, 20)
    )
    told = own.on_offer([ONE], MAY, SeasonModel())["m1"].weeks
    assert [(w.month, w.ask, w.refused, w.enquiries) for w in told] == [
        (4, 170, 120, 3),
        (5, 170, 0, None),
        (5, 150, 0, None),
    ]
    assert [round(w.share, 2) for w in told] == [1, 1, 1]


def test_this_week_counts_as_far_as_it_has_gone() -> None:
    own = records(week("2026-05-04", 170), week("2026-05-11", 170), today=date(2026, 5, 13))
    assert own.on_offer([ONE], MAY, SeasonModel())["m1"].weeks[-1].share == pytest.approx(2 / 7)


def test_a_machine_cured_since_is_on_offer_afresh() -> None:
    done = FixDone(fix="blade_sharpen", fault="blade_dull", cured=True, done_on=date(2026, 5, 6))
    own = records(week("2026-04-27", 90), week("2026-05-04", 150), today=date(2026, 5, 13), fixes=(done,))
    assert [w.ask for w in own.on_offer([ONE], MAY, SeasonModel())["m1"].weeks] == [150]


def test_a_machine_off_the_market_for_long_or_in_the_south() -> None:
    old = records(week("2026-01-05", 170), today=date(2026, 5, 20))
    assert old.on_offer([ONE], MAY, SeasonModel()) == {}
    south = ShopTerms(month=11, hemisphere="south")
    own = records(week("2026-11-02", 170), today=date(2026, 11, 10))
    assert own.on_offer([ONE], south, SeasonModel())["m1"].weeks[0].month == 5


def test_the_weeks_of_a_machine_are_read_with_a_speed_that_has_not_heard_them(learned: SellingModel) -> None:
    """Its own silence slows sales in general; what that took is given back before the machine itself is judged."""
    own = records(week("2026-04-27", 150), week("2026-05-11", 150), today=date(2026, 5, 20))
    model: Any = SeasonModel()
    model.selling = learned
    heard = own.speed(model)
    stood = own.on_offer([ONE], MAY, model)["m1"]
    assert heard.moved < 0
    assert stood.counted == pytest.approx(heard.moved)  # it alone was heard
    told: Any = asking_prices([ONE], model, learned.shifted(heard.moved), MAY, history={"m1": stood})[0]
    alone: Any = asking_prices([ONE], model, learned, MAY, history={"m1": Stood(stood.weeks)})[0]
    assert told == alone


def test_a_week_that_is_named_is_read_with_the_same_speed_as_those_on_record(learned: SellingModel) -> None:
    """`offer --week 3` puts other weeks in the place of the one on record; what that one has moved is given back."""
    heard = {"m1": Stood((PastWeek(5, 160),), counted=-0.4)}
    told: Any = judge_offers(
        [ONE], SeasonModel(), learned.shifted(-0.4), MAY, 120.0, week=3, ask=160.0, history=heard
    )[0]
    alone: Any = judge_offers([ONE], SeasonModel(), learned, MAY, 120.0, week=3, ask=160.0)[0]
    assert told == alone


def test_the_chance_that_it_is_unsold_by_hand() -> None:
    """One buyer a week, all told: exp(-1) for a week, exp(-1.4) for that and two fifths of the next."""
    for weeks, chance in (
        ([PastWeek(5, 165)], -1.0),
        ([PastWeek(5, 165), PastWeek(5, 165, share=0.4)], -1.4),
    ):
        assert learn(outlook(Certain()), weeks, 6.0).unsold == pytest.approx(float(np.exp(chance)), rel=1e-6)
        told: Any = so_far(sales([ONE], FakeModel(), Certain(), MAY, {"m1": Stood(tuple(weeks))})[0])
        assert told.unsold == pytest.approx(float(np.exp(chance)), abs=1e-4)


def test_the_chance_that_it_is_unsold_goes_by_the_week_of_the_listing(learned: SellingModel) -> None:
    """Three weeks of May at 1.1 of the value: the product of the chances that none of them sells it."""
    told = learn(outlook(learned), [PastWeek(5, 165)] * 3, 6.0)
    unsold = 1.0
    for number in (1.0, 2.0, 3.0):
        listed = learned.weeks(np.log(np.array(1.1)), np.array(5.0), np.array(number), {}, np.array(0.0))
        unsold *= 1 - float(listed.chance(np.log(np.array(0.85))))
    assert told.unsold == pytest.approx(unsold, rel=1e-9)


SEEN = {"m1": Stood((PastWeek(5, 230), PastWeek(5, 220), PastWeek(5, 210, 150, 0)))}


def test_the_range_is_as_wide_as_the_doubt_that_is_left(learned: SellingModel) -> None:
    """What weeks say moves the range as it moves the doubt: both ends by the same share in logs."""
    before, now = (sales([ONE], SeasonModel(), learned, MAY, history)[0] for history in ({}, SEEN))
    wider = now.outlook.sd / before.outlook.sd
    assert abs(wider - 1) > 0.01
    for end in ("low", "high"):
        old, new = (np.log(getattr(each.value, end) / each.value.amount) for each in (before, now))
        assert new == pytest.approx(wider * old, rel=1e-3)


def test_ask_goes_on_from_the_week_it_is_in(learned: SellingModel) -> None:
    fresh: Any = asking_prices([ONE], SeasonModel(), learned, MAY)[0]
    told: Any = asking_prices([ONE], SeasonModel(), learned, MAY, history=SEEN)[0]
    assert (fresh.week, told.week, told.weeks[0].week) == (1, 4, 4)
    assert told.value.amount < fresh.value.amount
    assert told.ask < fresh.ask
    assert told.least_to_take < fresh.least_to_take
    assert told.value.low < told.value.amount < told.value.high
    assert told.so_far.believed == fresh.value.amount
    assert (told.so_far.first_ask, told.so_far.ask, told.so_far.best_offer) == (230, 210, 150)


@pytest.mark.parametrize("month", [3, 5, 8, 10, 11, 12])
@pytest.mark.parametrize("history", [{}, SEEN])
def test_ask_and_offer_have_one_least_to_take(
    learned: SellingModel, month: int, history: dict[str, Stood]
) -> None:
    """One decision, one number: keeping for spring is weighed in both."""
    terms = ShopTerms(month=month)
    told = {
        name: Stood(tuple(replace(w, month=month) for w in stood.weeks)) for name, stood in history.items()
    }
    ask: Any = asking_prices([ONE], SeasonModel(), learned, terms, history=told)[0]
    offer: Any = judge_offers([ONE], SeasonModel(), learned, terms, 100.0, history=told)[0]
    assert offer.wait_brings == min(ask.least_to_take, max(offer.ask, ask.least_to_take))
    assert offer.so_far == ask.so_far


def test_an_offer_below_what_spring_is_worth_is_not_taken_in_winter(learned: SellingModel) -> None:
    """B2 of the first users' report: `ask` kept it for spring, `offer` sold it for less."""
    terms = ShopTerms(month=12)
    ask: Any = asking_prices([ONE], SeasonModel(), learned, terms)[0]
    assert ask.keeping.verdict == "keep"
    offer: Any = judge_offers([ONE], SeasonModel(), learned, terms, ask.least_to_take - 10)[0]
    assert offer.verdict in ("wait", "counter")
    assert "April" in offer.reason or "March" in offer.reason


def test_an_offer_far_above_the_ask_is_asked_back() -> None:
    answer: Any = judge_offers([ONE], FakeModel(), FakeSelling(), MAY, 400.0, ask=200.0)[0]
    assert answer.verdict == "ask back"
    assert "200" in answer.reason
    for offer, verdict in ((1.06 * 200, "ask back"), (1.04 * 200, "take it")):
        near: Any = judge_offers([ONE], FakeModel(), FakeSelling(), MAY, offer, ask=200.0)[0]
        assert near.verdict == verdict, "a twentieth above may be haste, more is a slip or a trick"
    sure: Any = judge_offers([ONE], FakeModel(), FakeSelling(), MAY, 400.0, ask=200.0, sure=True)[0]
    assert sure.verdict == "take it"


def test_gates_come_before_any_price() -> None:
    """Unmeasured is not passed: nothing is said to be listed now that may not be offered."""
    answer: Any = asking_prices([ONE], FakeModel(), FakeSelling(), MAY)[0]
    assert answer.first.startswith("Not to be offered as working yet")
    assert answer.keeping.verdict != "list now"
    dead = Machine.model_validate({"id": "d", "faults": ["no_start:serious"], "checks": {"recall": "passed"}})
    for_repair: Any = asking_prices([dead], FakeModel(), FakeSelling(), MAY)[0]
    assert (for_repair.first, for_repair.sold_as) == (None, "for repair")


def test_every_price_stands_once_on_the_ladder() -> None:
    answer: Any = asking_prices([ONE], FakeModel(), FakeSelling(), MAY)[0]
    rungs = {rung.name: rung.amount for rung in answer.ladder}
    assert rungs == {
        "worth": answer.value.amount,
        "ask": answer.ask,
        "expect": answer.expected_price,
        "least": answer.least_to_take,
    }
    assert rungs["least"] <= rungs["expect"] <= rungs["ask"]
