"""Own listings: sooner or later than the model, little from little, and bent by no forgotten one."""

import gc
import weakref
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from typing import cast

import numpy as np
import pytest

from tests.fake_model import SOUND, FakeModel
from tests.fake_selling import FakeSelling
from valuer.advice.ports import FloatArray, Months
from valuer.advice.worth.lattice import lattices, scene_of
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms
from valuer.price_model import own_listings
from valuer.price_model.corrected import CorrectedModel
from valuer.price_model.local_correction import Correction
from valuer.price_model.mower import MowerModel
from valuer.price_model.own_listings import (
    NO_LISTINGS,
    SHIFTS,
    Heard,
    OwnListing,
    OwnWeek,
    Speed,
    _encoded,
    learn_speed,
)
from valuer.price_model.selling import NODES, WEIGHTS, SellingModel
from valuer.records.entries import MachineEntry

MODEL = FakeModel()
BARE = Machine.model_validate({"id": "m1"})


def listing(weeks: int, *, sold: bool, ask: float = SOUND, days_ago: float = 0.0) -> OwnListing:
    """A sound machine listed in May at one ask."""
    every = tuple(OwnWeek(number=k + 1, month=5, ask=ask) for k in range(weeks))
    return OwnListing(BARE, every, sold, days_ago)


def learnt(*listings: OwnListing, doubt: float = 0.0) -> Speed:
    """What these listings teach."""
    return learn_speed(MODEL, cast("SellingModel", FakeSelling(doubt)), listings)


def weekly_chance() -> float:
    """Of the fake at an ask of the value in May, least .85: odds 2 / 3, and most limits lie above the least."""
    zero = np.zeros(1)
    weeks = FakeSelling().weeks(zero, zero + 5, zero + 1, {}, zero)
    return float(weeks.chance(zero + np.log(0.85))[0])


def test_without_listings_nothing_is_moved() -> None:
    assert learnt() is NO_LISTINGS
    assert (NO_LISTINGS.moved, NO_LISTINGS.at_rest) == (0.0, True)


def test_selling_as_the_model_says_moves_nothing_much_and_sooner_moves_up() -> None:
    # At chance p a week, one in p stands a week and sells: of 10 weeks 10 p sell.
    sales = round(10 * weekly_chance())
    as_said = learnt(*[listing(1, sold=k < sales) for k in range(10)])
    assert abs(as_said.moved) < 0.15
    assert learnt(*[listing(1, sold=True)] * 10).moved > 0.4
    assert learnt(*[listing(1, sold=False)] * 10).moved < -0.4


def test_what_is_expected_of_the_model_is_summed_by_hand() -> None:
    found = learnt(listing(1, sold=True), listing(2, sold=False))
    chance = weekly_chance()
    assert found.expected == pytest.approx(chance + 1 - (1 - chance) ** 2)
    assert (found.listings, found.sold, found.weeks) == (2, 1, 3)


def test_the_posterior_is_that_of_a_grid_worked_out_apart() -> None:
    # One listing sold at once, no doubt: prior N(0, .5), chance p s / (1 - p + p s), one in twenty forgotten.
    shift = np.linspace(-4, 4, 4001)
    chance = weekly_chance()
    odds = chance / (1 - chance) * np.exp(shift)
    weight = np.exp(-(shift**2) / (2 * 0.5**2)) * (0.95 * odds / (1 + odds) + 0.05 * 0.02)
    assert learnt(listing(1, sold=True)).moved == pytest.approx(
        float(weight @ shift / weight.sum()), abs=1e-3
    )


def test_an_unsold_one_counts_for_the_weeks_it_stood_and_is_not_dropped() -> None:
    moved = [learnt(listing(weeks, sold=False)).moved for weeks in (1, 3)]
    assert moved[1] < moved[0] < 0


@pytest.mark.parametrize("doubt", [0.0, 1.0])
def test_few_listings_say_little_and_more_say_more(doubt: float) -> None:
    moved = [learnt(*[listing(1, sold=True)] * n, doubt=doubt).moved for n in (1, 3, 10, 30)]
    assert moved == sorted(moved)
    # One sale at once pulls by 1 - p; times the prior variance of .25 that is the most it can move.
    assert 0 < moved[0] < 0.25 * (1 - weekly_chance())
    assert learnt(*[listing(1, sold=True)] * 30).sd < 0.5


def test_old_listings_say_less() -> None:
    fresh, old = (learnt(*[listing(1, sold=True, days_ago=d)] * 5).moved for d in (0.0, 1500.0))
    assert 0 < old < fresh


def test_one_forgotten_listing_bends_nothing() -> None:
    # A year listed without a sale is no market, it is an advertisement nobody looks after.
    others = [listing(2, sold=True) for _ in range(10)]
    without, with_it = learnt(*others).moved, learnt(*others, listing(52, sold=False)).moved
    assert abs(with_it - without) < 0.05


def test_a_dear_ask_that_stands_says_less_than_a_fair_one() -> None:
    fair, dear = (learnt(listing(3, sold=False, ask=SOUND * times)).moved for times in (1.0, 1.3))
    assert fair < dear < 0


def test_the_order_of_listings_does_not_matter() -> None:
    several = [listing(1, sold=True), listing(4, sold=False), listing(2, sold=True, days_ago=300.0)]
    assert learnt(*several).moved == pytest.approx(learnt(*several[::-1]).moved)


def test_what_happened_is_reckoned_week_by_week() -> None:
    """One sold in its third week, one still there after two, by loops; one in twenty is looked after by nobody."""
    chance = np.random.default_rng(1).uniform(0.05, 0.6, (len(NODES), 5))
    heard, expected = own_listings._what_happened(chance, np.array([3, 2]), np.array([True, False]))
    for place, (weeks, sold) in enumerate((((0, 1, 2), True), ((3, 4), False))):
        none = sum(w * np.prod([1 - chance[k, week] for week in weeks]) for k, w in enumerate(WEIGHTS))
        assert expected[place] == pytest.approx(1 - none)
        for at in (0, 77, 240):
            odds = chance / (1 - chance) * np.exp(SHIFTS[at])
            moved = odds / (1 + odds)
            each = [
                [moved[k, week] if sold and week == 2 else 1 - moved[k, week] for week in weeks]
                for k in range(5)
            ]
            told = sum(w * np.prod(line) for w, line in zip(WEIGHTS, each, strict=True))
            idle = 0.98**2 * 0.02 if sold else 0.98**2
            assert heard[place, at] == pytest.approx(np.log(0.95 * told + 0.05 * idle))


class LessSure(FakeModel):
    """Its ranges are the wider the less is left of a machine."""

    def interval(self, rows: FloatArray, value: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        value = self.value(rows) if value is None else value
        return value**2 / SOUND, value * SOUND / value


def test_many_listings_say_what_each_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever faults slow them and however sure their worth is; in one portion or in several."""
    chances = cast("SellingModel", FakeSelling(3.0))
    whole = learn_speed(LessSure(), chances, some(30))
    alone = [learn_speed(LessSure(), chances, [each]) for each in some(30)]
    assert whole.expected == pytest.approx(sum(each.expected for each in alone))
    assert len({round(each.expected, 6) for each in alone}) == 30
    monkeypatch.setattr(own_listings, "AT_ONCE", 7)
    assert learn_speed(LessSure(), chances, some(30)).moved == pytest.approx(whole.moved, abs=1e-12)
    for place, one in enumerate(some(30)):
        if one.runs:
            rest = learn_speed(LessSure(), chances, [*some(30)[:place], *some(30)[place + 1 :]])
            assert whole.by_running[one.machine.id] == pytest.approx(whole.moved - rest.moved, abs=1e-12)


class Counting(FakeModel):
    """Counts the rows it is asked to encode and to value."""

    def __init__(self) -> None:
        self.encoded = self.valued = 0

    def encode(self, machines: Sequence[Machine], month: Months) -> FloatArray:
        self.encoded += len(machines)
        return super().encode(machines, month)

    def value(self, rows: FloatArray) -> FloatArray:
        self.valued += len(rows)
        return super().value(rows)


def one_listing(record: OwnListing) -> list[OwnListing]:
    """A listing that is a record itself."""
    return [record]


def by_id(listings: Sequence[OwnListing]) -> dict[int, OwnListing]:
    """Records by their ids as objects."""
    return {id(each): each for each in listings}


def some(count: int) -> list[OwnListing]:
    """Listings of one to four weeks, every other sold, two in three of a machine with a fault; the last ones run."""
    rng = np.random.default_rng(3)
    found = []
    for i in range(count):
        known = {"id": f"m{i}", "faults": [["rattle:serious"], ["vibration:slight"], []][i % 3]}
        ask, weeks = SOUND * float(rng.uniform(0.7, 1.3)), 1 + i % 4
        every = tuple(OwnWeek(k + 1, 1 + (i + k) % 12, ask, ask * 0.8 * (i % 2)) for k in range(weeks))
        sold = i % 2 == 0
        found.append(OwnListing(Machine.model_validate(known), every, sold, 10.0 * i, not sold and i > 20))
    return found


def test_only_what_changed_is_weighed_again() -> None:
    """Of twelve listings one gets another week: its weeks alone are encoded and valued."""
    model, chances, heard = Counting(), cast("SellingModel", FakeSelling(1.0)), Heard()
    listings = some(12)
    heard.speed(model, chances, by_id(listings), 0, one_listing)
    model.encoded = model.valued = 0
    listings[4] = replace(listings[4], weeks=(*listings[4].weeks, OwnWeek(9, 5, SOUND)))
    found = heard.speed(model, chances, by_id(listings), 0, one_listing)
    weeks = len(listings[4].weeks)
    assert model.encoded == weeks
    assert model.valued == weeks
    assert found.moved == pytest.approx(learn_speed(MODEL, chances, listings).moved, abs=1e-12)


def test_where_prices_changed_all_are_weighed_again_but_none_encoded() -> None:
    chances, heard, below, listings = cast("SellingModel", FakeSelling(1.0)), Heard(), Counting(), some(12)
    asked = []
    for level in (0.1, -0.2):
        model = CorrectedModel(below, Correction(own_sales=9, level=level))
        below.encoded = 0
        found = heard.speed(model, chances, by_id(listings), 0, one_listing)
        asked.append(below.encoded)
        fresh = learn_speed(CorrectedModel(MODEL, model.correction), chances, listings)
        assert found.moved == pytest.approx(fresh.moved, abs=1e-12)
    usual = 1  # what faults take off a usual machine is asked by each corrected model
    assert asked == [sum(len(each.weeks) for each in listings) + usual, usual]
    without = heard.speed(below, chances, by_id(listings), 0, one_listing)
    assert without.moved == pytest.approx(learn_speed(MODEL, chances, listings).moved, abs=1e-12)


def as_on(day: int, listing: OwnListing) -> list[OwnListing]:
    """The listing as it is so many days later."""
    return [replace(listing, days_ago=listing.days_ago + day)]


def test_what_was_heard_step_by_step_is_what_is_heard_at_once() -> None:
    """Listings come and go, days pass, sales move the prices: no step leaves anything behind."""
    chances, heard, coming = cast("SellingModel", FakeSelling(1.0)), Heard(), some(40)
    there: list[OwnListing] = []
    model: FakeModel | CorrectedModel = MODEL
    found, today = NO_LISTINGS, 0
    for step, one in enumerate(coming):
        there.append(replace(one))
        if step % 7 == 4:
            del there[len(there) // 3]
        if step == 20:
            there.clear()
        if step % 5 == 4:
            model = CorrectedModel(MODEL, Correction(own_sales=step, level=0.02 * step, dear=0.1))
        today = 100 * (step // 6)
        found = heard.speed(model, chances, by_id(there), today, partial(as_on, today))
        assert found.listings == len(there)
    fresh = learn_speed(model, chances, [older for one in there for older in as_on(today, one)])
    for name in ("moved", "sd", "expected", "sold", "weeks"):
        assert getattr(found, name) == pytest.approx(getattr(fresh, name), abs=1e-12), name
    assert found.by_running == pytest.approx(fresh.by_running, abs=1e-12)
    assert len(found.by_running) > 3


def test_what_listings_were_read_from_is_held_so_that_nothing_else_goes_by_its_id() -> None:
    heard, record = Heard(), MachineEntry(machine=BARE, taken_on=date(2026, 5, 1))
    heard.speed(
        MODEL, cast("SellingModel", FakeSelling()), {id(record): record}, 0, lambda _: [listing(1, sold=True)]
    )
    gone = weakref.ref(record)
    del record
    gc.collect()
    assert gone() is not None


@pytest.mark.parametrize(
    "faults",
    [
        ("no_start:serious", "stale_fuel:serious"),
        ("no_start:serious", "stale_fuel:slight"),
        ("oil_leak_unknown:serious", "oil_leak_minor:slight", "oil_leak_sump:serious"),
        ("hard_start:serious", "low_compression:serious", "valve_lash_out:serious", "dirty:slight"),
    ],
    ids=["named", "not explained", "found", "a chain"],
)
def test_a_listing_is_held_against_what_the_machine_is_priced_at(
    mower_model: MowerModel, faults: tuple[str, ...]
) -> None:
    """Symptoms and their causes are told alike to whoever prices the machine and to whoever learns from its weeks."""
    one = Machine.model_validate({"id": "m", "tier": "mid", "faults": list(faults)})
    terms = ShopTerms(month=5)
    (lattice,) = lattices([scene_of(one, terms)], mower_model, terms)
    (rows,) = _encoded(
        mower_model, [OwnListing(one, (OwnWeek(1, 5, 180.0), OwnWeek(2, 6, 160.0)), sold=True)]
    )
    assert len(rows) == 2
    assert mower_model.value(rows[:1])[0] == pytest.approx(lattice.now)
