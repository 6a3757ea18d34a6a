"""The fit behind the local correction comes to what its plain rounds come to, left to run until nothing moves."""

from dataclasses import replace

import numpy as np
import pytest

from tests.fake_model import LEFT, SOUND
from tests.price_model.test_local_correction import MODEL, market, sale
from valuer.advice.ports import FloatArray
from valuer.price_model import place_fit
from valuer.price_model.own_sales import OwnSale, evidence
from valuer.price_model.place_fit import Design, Fit, fitted, laid_out
from valuer.price_model.place_prior import place_prior
from valuer.price_model.place_terms import ADDED, terms


def fit_of(sales: list[OwnSale], never_below_none: str | None = None) -> Fit | None:
    """What the sales come to."""
    known = evidence(MODEL, sales)
    return fitted(laid_out(known, place_prior()), known, place_prior(), never_below_none)


def whole(
    design: Design, covariance: FloatArray, precision: FloatArray, squared: FloatArray, of_prior: FloatArray
) -> FloatArray:
    """Every sale judged without its own pull, those too that keep all of their say."""
    return place_fit._believed(
        np.sqrt(squared / (1.0 - place_fit._leverage(design.X, covariance, precision)))
    )


def the_long_way(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each round begins where the last one led, every pull is worked out, and nothing is left to move."""
    monkeypatch.setattr(place_fit._Walk, "onward", lambda _walk, _began, led: led)
    monkeypatch.setattr(place_fit, "_alone", whole)
    monkeypatch.setattr(place_fit, "STANDS_STILL", 1e-14)
    monkeypatch.setattr(place_fit, "MOST_ROUNDS", 400)
    monkeypatch.setattr(place_fit, "PLAIN", np.inf)


def rounds_counted(monkeypatch: pytest.MonkeyPatch) -> list[FloatArray]:
    """Gets a line for every round that leads to another."""
    gone: list[FloatArray] = []
    onward = place_fit._Walk.onward

    def counted(walk: place_fit._Walk, began: FloatArray, led: FloatArray) -> FloatArray:
        gone.append(led)
        return onward(walk, began, led)

    monkeypatch.setattr(place_fit._Walk, "onward", counted)
    return gone


def some(seed: int, count: int) -> list[OwnSale]:
    """Sales of a dearer place, every twentieth absurd, some of them only heard of."""
    rng = np.random.default_rng(seed)
    return [
        replace(
            each, price=each.price * float(rng.choice([0.05, 0.4, 3.0, 20.0])) if i % 20 == 5 else each.price
        )
        if i % 7
        else replace(each, kind="ask_seen" if i % 2 else "sale_seen", days_ago=100.0 * (i % 5))
        for i, each in enumerate(market(rng, count))
    ]


@pytest.mark.parametrize("count", [1, 3, 12, 40, 150, 400])
@pytest.mark.parametrize("seed", range(4))
def test_rounds_taken_together_lead_where_the_rounds_lead(
    monkeypatch: pytest.MonkeyPatch, seed: int, count: int
) -> None:
    quick = fit_of(some(seed, count))
    the_long_way(monkeypatch)
    long = fit_of(some(seed, count))
    assert quick
    assert long
    for name in ("mean", "covariance", "trust", "pull"):
        assert getattr(quick, name) == pytest.approx(getattr(long, name), abs=1e-9), name
    assert quick.left_out == pytest.approx(long.left_out, abs=1e-8)
    assert quick.money == long.money


@pytest.mark.parametrize(("times", "named"), [(np.exp(1.0), False), (np.exp(1.3), True)])
def test_another_money_is_named_beyond_what_places_and_three_sales_may_differ_by(
    times: float, *, named: bool
) -> None:
    """By hand: sqrt(.04 of the place + .12 / 3 of the sales) is .283, four of them 1.13 of a log."""
    design = Design(("level",), np.ones((3, 1)), np.zeros(1), np.array([[0.04]]))
    found = place_fit._money(np.full(3, np.log(times)), design, np.full(3, 0.12), np.ones(3))
    assert found == pytest.approx(np.log(times) if named else 0.0)


def test_a_term_is_seen_early_to_come_out_below_none(monkeypatch: pytest.MonkeyPatch) -> None:
    """Places where two faults together cost so many times what they cost one by one."""
    rng = np.random.default_rng(8)
    both = ("rattle:serious", "blade_dull:serious")
    places = [
        [
            sale(float(SOUND * price * np.exp(rng.normal(0, 0.05))), *faults, name=f"a{i}")
            for i in range(30)
            for faults, price in (((), 1.0), (both[:1], LEFT[2]), (both, LEFT[2] ** (2 * times)))
        ]
        for times in (0.2, 0.7, 1.0, 1.3, 2.0)
    ]
    gone = rounds_counted(monkeypatch)
    early = [fit_of(sales, ADDED) is None for sales in places]
    watched = len(gone)
    assert [fit_of(sales) for sales in places]
    assert watched < 0.75 * (len(gone) - watched), "what is plain is not carried to a standstill"
    the_long_way(monkeypatch)
    late = [fit.mean[terms().index(ADDED)] < 0 for sales in places if (fit := fit_of(sales))]
    assert early == late
    assert {*late} == {True, False}, "both come about"
