"""What a population of markets teaches: the range of the first day, and what own sales of one kind say of another."""

from datetime import date

import numpy as np
import pytest

from tests.fake_model import SOUND, FakeModel
from tests.price_model.test_local_correction import MODEL, machine, rows, sale, value, width
from tests.records.bench import entry
from tests.test_learning import sold
from valuer.domain.machine import Machine, with_changes
from valuer.learning import OwnRecords, correction_report, own_sales
from valuer.market.assumptions import assumptions
from valuer.market.plain_market import draw_plain_market
from valuer.market.population import draw_markets, in_range
from valuer.market.stock import draw_stock
from valuer.price_model.corrected import CorrectedModel, range_holds
from valuer.price_model.local_correction import AGE_ENDS, NO_CORRECTION, Correction, learn, widest
from valuer.price_model.mower import MowerModel
from valuer.price_model.own_sales import USUAL_AGE, usual_losses
from valuer.price_model.place_prior import misfit_inputs, place_prior
from valuer.price_model.place_terms import term_columns, terms
from valuer.price_model.places import HomeMarket, described, laid_out, strangeness
from valuer.records.entries import Book, Sale

RNG = np.random.default_rng


def test_a_figure_is_drawn_from_its_range_a_tenth_beyond_either_end() -> None:
    entry = {"value": 0.3, "range": [0.2, 0.5]}
    drawn = np.array([in_range(RNG(i), entry) for i in range(4000)])
    assert np.mean(drawn < 0.2) == pytest.approx(0.1, abs=0.02)
    assert np.mean(drawn > 0.5) == pytest.approx(0.1, abs=0.02)
    assert np.mean(drawn < 0.3) == pytest.approx(0.5, abs=0.03)


def test_the_same_seed_draws_the_same_markets_and_another_draws_others() -> None:
    a = assumptions()
    stock = draw_stock(40, RNG(1), a)
    first, again, other = ([m(stock) for m in draw_markets(4, seed, a)] for seed in (3, 3, 4))
    assert np.array_equal(first, again)
    assert np.abs(np.array(first) - np.array(other)).min(axis=1).max() > 1e-3
    assert not np.allclose(first[0], first[2])


@pytest.mark.parametrize("seed", range(4))
def test_in_the_plain_market_a_worse_fault_never_raises_a_price(seed: int) -> None:
    a = assumptions()
    market, stock = draw_plain_market(RNG(seed), a), draw_stock(60, RNG(9), a)
    for column in range(0, stock.severity.shape[1], 5):
        levels = []
        for level in (0, 1, 2):
            severity = stock.severity.copy()
            severity[:, column] = level
            levels.append(market(stock.with_severity(severity)))
        assert (np.diff(levels, axis=0) <= 1e-9).all(), a.fault_ids[column]


def test_the_prior_is_a_covariance_and_what_buyers_fear_together_moves_together() -> None:
    prior = place_prior()
    assert np.linalg.eigvalsh(prior.covariance).min() > -1e-4
    sd = np.sqrt(np.maximum(np.diag(prior.covariance), 1e-12))
    correlation = prior.covariance / np.outer(sd, sd)
    at = {name: place for place, name in enumerate(terms())}
    kin = [("oil_leak_sump", "oil_leak_seal"), ("rattle", "starter_noise"), ("paint_faded", "dirty")]
    strangers = [("oil_leak_sump", "paint_faded"), ("rattle", "recoil_rope"), ("dirty", "drive_none")]
    together, apart = (np.mean([correlation[at[a], at[b]] for a, b in pairs]) for pairs in (kin, strangers))
    assert together > apart + 0.1


def test_one_form_of_market_judged_by_the_other_is_stranger_than_by_itself() -> None:
    """The misfit that the file carries is that of a form nobody drew: more than what one form leaves over itself."""
    a = assumptions()
    home = HomeMarket(a)
    found, left, seen = laid_out(list(draw_markets(24, 5, a)), home, 5)
    usual = usual_losses(home)
    assert strangeness(found, left, term_columns(seen, usual), misfit_inputs(seen), 1) > 1.0


@pytest.mark.parametrize("times", [1.0, 2.0])
def test_two_forms_that_teach_the_same_of_each_other_are_not_strange(times: float) -> None:
    """Markets of a level each, which own sales settle, and of noise, in one form so many times as much.

    The one form is stranger than the other taught by as much as the other is tamer.
    """
    rng, sd = RNG(3), 0.3 * np.where(np.arange(200) % 2, times, 1.0)
    level, ones = rng.normal(0, 0.5, (200, 1)), np.ones((60, 1))
    left = rng.normal(0, 1, (200, 60)) * sd[:, None]
    assert strangeness(level, left, ones, ones, 1) == pytest.approx(1.0, abs=0.06)


def test_described_machines_are_valued_alike_as_machines_and_as_stock() -> None:
    a = assumptions()
    home = HomeMarket(a)
    machines, stock = described(30, 2, a)
    coded = home.stock(np.concatenate([home.encode([m], 5) for m in machines]))
    for name in ("tier", "drive", "looks", "kept", "engine_class", "new_price", "age_years"):
        assert coded.attributes[name].tolist() == stock.attributes[name].tolist(), name


def test_on_the_first_day_the_range_holds_markets_and_not_only_sales() -> None:
    """The fake's own range is 20 % either way; places alone differ by more than half of that."""
    low, high = MODEL.interval(MODEL.encode([machine()], 5))
    assert width(NO_CORRECTION) > 1.3 * float(np.log(high / low)[0])
    assert "none of your sales has tested it" in range_holds(NO_CORRECTION)


def widths(learnt: Correction, *kinds: tuple[str, ...]) -> list[float]:
    """Log width of the range of machines with these faults."""
    model = CorrectedModel(MODEL, learnt)
    found = []
    for faults in kinds:
        low, high = model.interval(rows(model, *faults))
        found.append(float(np.log(high / low)[0]))
    return found


def test_sales_of_repaired_machines_say_little_of_wrecks() -> None:
    sound, wreck = (), ("no_start:serious", "low_compression:serious", "deck_rust_hole:serious")
    sales = [sale(SOUND * float(x), name=f"m{i}") for i, x in enumerate(np.exp(RNG(1).normal(0, 0.15, 20)))]
    before, after = widths(NO_CORRECTION, sound, wreck), widths(learn(MODEL, sales), sound, wreck)
    assert after[0] < 0.8 * before[0]
    assert after[1] > 0.85 * before[1]
    assert "none of them was for repair" in range_holds(learn(MODEL, sales))


@pytest.mark.parametrize(
    ("held", "for_repair", "says"),
    [
        ((True,), 0, "as far as your one sale can tell: it lay inside; it was not for repair, so the ranges"),
        ((False,), 1, "as far as your one sale can tell: it lay outside; it was for repair."),
        (
            (True, False, True),
            1,
            "as far as your 3 sales, each judged by the others, can tell: 2 of them lay inside.",
        ),
    ],
)
def test_the_range_says_which_sales_tested_it_and_how_they_came_out(
    held: tuple[bool, ...], for_repair: int, says: str
) -> None:
    assert says in range_holds(Correction(own_sales=len(held), held=held, for_repair=for_repair))


def test_wrecks_that_are_far_off_widen_the_ranges_of_wrecks_first() -> None:
    rng = RNG(2)
    sales = [sale(SOUND * float(np.exp(rng.normal(0, 0.15))), name=f"m{i}") for i in range(25)]
    calm, wild = (
        [
            sale(
                SOUND * 0.5 * float(np.exp(rng.normal(0, sd))),
                "no_start:serious",
                "rod_knock:serious",
                name=f"w{i}",
            )
            for i in range(25)
        ]
        for sd in (0.15, 0.55)
    )
    kinds = (), ("no_start:serious", "rod_knock:serious")
    few, many = (widths(learn(MODEL, [*sales, *each]), *kinds) for each in (calm, wild))
    assert many[1] > 1.4 * few[1]
    assert many[0] < 1.2 * few[0]


@pytest.mark.parametrize("times", [7.0, 10.0, 0.1])
def test_own_money_is_noticed_after_the_third_sale_and_values_follow(times: float) -> None:
    rng = RNG(3)
    sales = [sale(SOUND * times * float(np.exp(rng.normal(0, 0.15))), name=f"m{i}") for i in range(20)]
    assert learn(MODEL, sales[:2]).money == 1.0
    for count in (3, 5, 20):
        learnt = learn(MODEL, sales[:count])
        assert learnt.money == pytest.approx(times, rel=0.25), count
        assert 0.75 < value(learnt) / (SOUND * times) < 1.33
    assert [odd.id for odd in learn(MODEL, sales).odd] == []


def test_a_dear_place_is_no_other_money() -> None:
    assert learn(MODEL, [sale(SOUND * 1.6, name=f"m{i}") for i in range(20)]).money == 1.0


@pytest.mark.parametrize("count", [1, 3, 5])
def test_some_absurd_sales_among_twenty_move_little_and_are_named(count: int) -> None:
    rng = RNG(4)
    good = [sale(SOUND * float(np.exp(rng.normal(0, 0.15))), name=f"m{i}") for i in range(20)]
    bad = [sale(one.price * 100, name=f"odd{i}") for i, one in enumerate(good[:count])]
    without, with_them = learn(MODEL, good[count:]), learn(MODEL, [*bad, *good[count:]])
    assert {odd.id for odd in with_them.odd} == {one.machine.id for one in bad}
    assert value(with_them) == pytest.approx(value(without), rel=0.03)
    assert width(with_them) < 1.3 * width(without)


def test_a_model_trained_on_the_place_itself_leaves_little_to_learn_of_it() -> None:
    prior = place_prior()
    assert np.allclose(prior.after(0).covariance, prior.covariance)
    assert prior.after(50).covariance[0, 0] == pytest.approx(prior.covariance[0, 0] / 2)


def test_the_statement_asks_about_the_price_level() -> None:
    book = Book(machines=tuple(sold(f"s{i}", SOUND * 7 * (1 + i / 50)) for i in range(5)))
    report = correction_report(OwnRecords(book, date(2026, 6, 1)), FakeModel())
    assert (
        "shall 7 be the price level" in report.statement or "shall 7.3 be the price level" in report.statement
    )


def test_the_level_proposed_is_in_own_money_whatever_level_was_given() -> None:
    """Sales at 14 times the model, at a level of 2: they stand at 7 times what is expected, and 14 is meant."""
    book = Book(machines=tuple(sold(f"s{i}", SOUND * 14 * (1 + i / 50)) for i in range(5)))
    own = OwnRecords(book, date(2026, 6, 1))
    report = correction_report(own, FakeModel(), price_level=2.0)
    assert report.price_level is not None
    assert report.price_level == pytest.approx(14, rel=0.1)
    assert f"shall {report.price_level:g} be the price level" in report.statement
    assert correction_report(own, FakeModel(), price_level=report.price_level).price_level is None


def test_a_sale_entered_six_times_teaches_once_and_is_named() -> None:
    said = {
        "tier": "mid",
        "drive": "push",
        "age_years": 4.0,
        "looks": "scuffed",
        "start": "rope",
        "kept": "inside",
    }
    book = Book(
        machines=tuple(
            entry(
                f"s{i}",
                machine=Machine.model_validate({"id": f"s{i}", **said}),
                sale=Sale(sold_on=date(2026, 5, 20), price=100.0),
            )
            for i in range(6)
        )
    )
    assert [one.machine.id for one in own_sales(book, date(2026, 6, 1))] == ["s0"]
    report = correction_report(OwnRecords(book, date(2026, 6, 1)), FakeModel())
    assert report.entered_again == ("s1", "s2", "s3", "s4", "s5")


def test_what_a_machine_does_not_say_is_what_leaves_most_doubt() -> None:
    """By hand: terms that move alone, so each blank is the level, or the end of age, with the largest variance."""
    names = terms()
    age, premium, budget = (names.index(name) for name in ("ageing", "tier premium", "tier budget"))
    covariance = np.diag(np.full(len(names), 0.1))
    covariance[premium, premium] = 0.4
    columns = np.zeros((2, len(names)))
    columns[1, [age, budget]] = (-0.2, 1.0)
    blank, told = widest(columns, covariance)
    assert (blank[age], blank[premium], blank[budget]) == (min(AGE_ENDS), 1.0, 0.0)
    assert (told[age], told[premium], told[budget]) == (-0.2, 0.0, 1.0)
    covariance[age, premium] = covariance[premium, age] = 0.3
    assert widest(columns, covariance)[0][age] == max(AGE_ENDS), "both move up together"


def test_what_a_machine_does_not_say_narrows_no_range() -> None:
    told = machine(tier="premium", drive="all_wheel", looks="scarred", age_years=15.0)
    model = CorrectedModel(MODEL, NO_CORRECTION)
    full = _width(model, told)
    for name in ("tier", "drive", "looks", "age_years"):
        assert _width(model, with_changes(told, **{name: None})) >= full - 1e-9, name


def test_the_usual_age_is_told_like_any_other(mower_model: MowerModel) -> None:
    """A machine of just the usual years is no less known than one a day older; one of no age is."""
    model = CorrectedModel(mower_model, NO_CORRECTION)
    usual, older, blank = (
        _width(model, machine(age_years=age)) for age in (USUAL_AGE, USUAL_AGE + 1 / 365, None)
    )
    assert usual == pytest.approx(older, abs=2e-3)
    assert blank > usual + 0.01


def _width(model: CorrectedModel, one: Machine) -> float:
    low, high = model.interval(model.encode([one], 5))
    return float(np.log(high / low)[0])
