"""What stands for sale: ages as machines survive, and only faults that a machine can have."""

import numpy as np
import pandas as pd
import pytest

from tests.market.test_assumptions import TEXT
from valuer.market.assumptions import assumptions, parse_assumptions
from valuer.market.sales import (
    SEVERITY_WORDS,
    draw_sales,
    left_out_chance,
    mistake_law,
    price_mistakes,
    recorded_severity,
    round_price,
)
from valuer.market.stock import ATTRIBUTES, Stock, draw_age_of_life

N = 20_000
# US EPA NONROAD, NATION.GRW (published): share of a cohort scrapped by fraction of its median life.
SCRAPPED = {0.0: 0.0, 0.488: 0.10, 0.784: 0.20, 1.0: 0.50, 1.216: 0.80, 2.0: 1.0}


@pytest.fixture(scope="module")
def drawn() -> tuple[Stock, pd.DataFrame]:
    """One year of sales: the machines as they are and the table as it is recorded."""
    return draw_sales(N, 41)


def sampling_error(share: float, n: int) -> float:
    """Standard error of a share counted on n rows."""
    return float(np.sqrt(share * (1 - share) / n))


def test_ages_on_offer_are_the_survivors_of_a_cohort() -> None:
    """Where everybody sells at any age, the age of a machine of known life has the survival curve as density.

    The share younger than a fraction x of the median life is then the area under the curve up to x over the
    whole area. By trapezoids up to .488: .488 x (1 + .9) / 2 = .4636, of 1.0096 in all, hence 45.9 %.
    """
    no_delay = TEXT.replace("offer_delay_years = { value = 2.0", "offer_delay_years = { value = 1e-9")
    eager = parse_assumptions(no_delay.replace("range = [1.0, 4.0]", "range = [0.0, 4.0]"))
    life = 5.81  # years: median life of a residential mower, derived from US EPA NONROAD
    age = draw_age_of_life(np.full(N, life), np.random.default_rng(1), eager) / life
    points = np.array(list(SCRAPPED))
    alive = 1.0 - np.array(list(SCRAPPED.values()))
    area = np.concatenate([[0.0], np.cumsum(np.diff(points) * (alive[1:] + alive[:-1]) / 2)])
    for point, share in zip(points[1:-1], area[1:-1] / area[-1], strict=True):
        # One hundredth for the grid of ages (fiftieths of the median life), and three standard errors.
        assert np.mean(age < point) == pytest.approx(share, abs=0.01 + 3 * sampling_error(share, N)), point


def test_the_assumed_survival_is_the_published_one() -> None:
    a = assumptions()
    points, alive = (a.series("survival", key) for key in ("fraction_of_median_life", "share_alive"))
    assert dict(zip(points, 1.0 - alive, strict=True)) == pytest.approx(SCRAPPED)


def test_few_machines_on_offer_are_nearly_new_and_none_is_ancient(
    drawn: tuple[Stock, pd.DataFrame],
) -> None:
    age = drawn[0].attributes["age_years"]
    assert age.max() <= assumptions()("stock", "oldest_years")
    assert (age < 1).mean() < (age.between(2, 3)).mean()


def test_the_middle_age_of_a_home_machine_is_near_its_median_life(drawn: tuple[Stock, pd.DataFrame]) -> None:
    """Half to 1.5 times 5.81 years (US EPA NONROAD, derived): neither new nor dead ones are sold."""
    home = drawn[0].attributes.query("tier != 'commercial'")["age_years"]
    assert 0.5 * 5.81 < home.median() < 1.5 * 5.81


@pytest.mark.parametrize(
    "name",
    ATTRIBUTES,
)
def test_attributes_are_left_out_as_often_as_assumed(drawn: tuple[Stock, pd.DataFrame], name: str) -> None:
    stock, table = drawn
    expected = float(left_out_chance(stock.attributes, assumptions())[name].mean())
    assert table[name].isna().mean() == pytest.approx(expected, abs=3.5 * sampling_error(expected, N))


def test_what_flatters_least_is_left_out_most(drawn: tuple[Stock, pd.DataFrame]) -> None:
    stock, table = drawn
    old, outside = stock.attributes["age_years"] > 10, stock.attributes["kept"] == "outside"
    assert table["age_years"].isna()[old].mean() > table["age_years"].isna()[~old].mean() + 0.03
    assert table["kept"].isna()[outside].mean() > table["kept"].isna()[~outside].mean() + 0.2


def test_what_is_told_is_true_but_for_what_records_get_wrong(drawn: tuple[Stock, pd.DataFrame]) -> None:
    """Ages by 1.5 years on one of seven and too young, 5 in 100 of another class (common practice, no source)."""
    stock, table = drawn
    for name in ("mulch_kit", "start", "deck_width_in", "looks"):
        told = table[name].notna()
        assert (table.loc[told, name] == stock.attributes.loc[told, name]).all()
    aged = (table["age_years"].notna() & (stock.attributes["age_years"].between(6, 8))).to_numpy()
    off = (table["age_years"].astype(float) - stock.attributes["age_years"])[aged]
    assert 1.0 < off.std() < 2.0
    assert -1.2 < off.mean() < -0.2
    both = (table["tier"].notna() & table["drive"].notna()).to_numpy()
    other = (table["tier"] != stock.attributes["tier"]) | (table["drive"] != stock.attributes["drive"])
    assert 0.03 < other[both].mean() < 0.055, "one in seven of the wrong ones happens to say the same"


def test_prices_are_mistaken_as_often_as_the_law_says() -> None:
    """8 in 100 sales were none, 4 in 100 prices are slips (common practice, no source)."""
    a = assumptions()
    shares, _, _ = mistake_law(a)
    assert shares.sum() == pytest.approx(1.0)
    drawn = price_mistakes(N, np.random.default_rng(3), a)
    assert np.mean(drawn != 0) == pytest.approx(1.0 - shares[0], abs=0.01)
    assert np.mean(np.abs(drawn) > np.log(5)) == pytest.approx(2 * a("record", "digit"), abs=0.004)


def test_a_machine_that_does_not_start_hides_what_shows_only_when_running(
    drawn: tuple[Stock, pd.DataFrame],
) -> None:
    a, severity = assumptions(), drawn[0].severity
    dead = severity[:, a.fault_ids.index("no_start")] > 0
    running_only = np.array([bool(row.get("shows_only_when_running")) for row in a.faults.values()])
    assert dead.sum() > 1000
    assert not severity[np.ix_(dead, running_only)].any()
    assert severity[np.ix_(~dead, running_only)].any(axis=0).all(), (
        "each of them is seen on machines that run"
    )


def test_no_machine_has_a_fault_of_a_part_it_lacks(drawn: tuple[Stock, pd.DataFrame]) -> None:
    attributes, a = drawn[0].attributes, assumptions()
    for fault, row, severity in zip(a.fault_ids, a.faults.values(), drawn[0].severity.T, strict=True):
        lacking = {
            "self_propelled": attributes["drive"] == "push",
            "electric": attributes["start"] == "rope",
            "blade_clutch": ~attributes["blade_clutch"].astype(bool),
            "steel": attributes["deck_material"] != "steel",
            "aluminium": attributes["deck_material"] != "aluminium",
        }.get(row.get("needs", ""), attributes["drive"].isna())
        assert not severity[lacking.to_numpy()].any(), fault


def test_rare_faults_stay_rare(drawn: tuple[Stock, pd.DataFrame]) -> None:
    """Assumed on at most 3 in 100 offered and 8 in 100 given away: on no more than 4 in 100 of all."""
    a = assumptions()
    seen = (drawn[0].severity > 0).mean(axis=0)
    rare = (a.fault_column("offered") <= 0.03) & (a.fault_column("as_it_stands") <= 0.08)
    linked = {link["fault"] for link in a.raw["link"]} | {f for pair in a.raw["pair"] for f in pair["faults"]}
    rare &= np.array([fault not in linked for fault in a.fault_ids])
    assert rare.sum() >= 5
    assert seen[rare].max() < 0.04
    assert seen[a.fault_ids.index("deck_crack")] < 0.002, "only aluminium decks crack, and few of them"


def test_named_pairs_are_rare_but_not_too_rare_to_learn(drawn: tuple[Stock, pd.DataFrame]) -> None:
    # Issue 2: named rare pairs are under 1 % of rows; below some dozens of rows nothing can be recovered.
    a, severity = assumptions(), drawn[0].severity
    for pair in a.raw["pair"]:
        first, second = (severity[:, a.fault_ids.index(f)] > 0 for f in pair["faults"])
        both = float((first & second).mean())
        assert 0.004 < both < 0.015, pair["name"]
        alone = first.mean() * second.mean()
        assert both > 1.2 * alone, f"{pair['name']}: over-sampled, as the datasheet says"


def test_the_recorded_faults_are_faults_of_the_machine_more_of_them_where_it_was_tested(
    drawn: tuple[Stock, pd.DataFrame],
) -> None:
    a, (stock, table) = assumptions(), drawn
    recorded = recorded_severity(table["faults"].tolist(), a.fault_ids)
    assert ((recorded == 0) | (recorded == stock.severity)).all()
    pairs = dict(pair.split(":") for pair in table["faults"][0].split(";") if pair)
    assert [SEVERITY_WORDS.index(pairs.get(fault, "")) for fault in a.fault_ids] == recorded[0].tolist()
    tested = stock.attributes["tested"].to_numpy()
    stated = [
        (recorded[rows] > 0).sum() / (stock.severity[rows] > 0).sum() for rows in (tested < 0.2, tested > 0.8)
    ]
    assert 0.7 < stated[0] < stated[1] - 0.08


def test_wear_faults_come_with_age(drawn: tuple[Stock, pd.DataFrame]) -> None:
    """Compression, gears and holes are wear; a sheared key is an accident (common practice, no source)."""
    a, age = assumptions(), drawn[0].attributes["age_years"].to_numpy()
    old, young = age > 9, age < 4
    for fault in ("low_compression", "wheel_gear_worn", "deck_rust_hole"):
        seen = drawn[0].severity[:, a.fault_ids.index(fault)] > 0
        assert seen[old].mean() > 1.5 * seen[young].mean(), fault
    key = drawn[0].severity[:, a.fault_ids.index("sheared_key")] > 0
    assert key[old].mean() == pytest.approx(
        key[young].mean(), abs=4 * sampling_error(float(key.mean()), 5000)
    )


def test_prices_are_round() -> None:
    # Common practice, no source: fives above 20, whole dollars below, nothing under 5.
    prices = round_price(np.array([2.0, 12.4, 19.6, 22.4, 22.6, 187.6, 1003.0]), assumptions())
    assert prices.tolist() == [5.0, 12.0, 20.0, 20.0, 25.0, 190.0, 1005.0]
