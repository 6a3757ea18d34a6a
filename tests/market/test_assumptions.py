"""Every assumption of the market says what it is, and one that does not is refused by name."""

import re
from importlib.resources import files
from typing import Any

import numpy as np
import pytest

from valuer.market.assumptions import AssumptionError, Assumptions, assumptions, parse_assumptions

TEXT = files("valuer.market").joinpath("assumptions.toml").read_text("utf-8")
TABLES = ("class", "buyer", "fault", "marks", "link", "pair")
MARKS = re.compile(r"common practice|memory|invented|US EPA NONROAD")


def scalars(a: Assumptions) -> dict[str, dict[str, Any]]:
    """The assumptions outside the tables, by dotted key."""
    return {
        f"{section}.{key}": entry
        for section, entries in a.raw.items()
        if section not in TABLES
        for key, entry in entries.items()
    }


@pytest.mark.parametrize("key", scalars(assumptions()))
def test_an_assumption_has_a_unit_in_words_a_range_and_a_known_mark(key: str) -> None:
    entry = scalars(assumptions())[key]
    assert {"value", "unit", "range", "mark"} <= set(entry)
    assert re.search("[a-z]", entry["unit"])
    low, high = entry["range"]
    assert low < high, "a range of no width says that nobody could disagree"
    assert MARKS.match(entry["mark"])


def test_buyers_classes_and_pairs_carry_a_mark() -> None:
    a = assumptions()
    rows = [*a.classes.values(), *a.buyers.values(), *a.raw["pair"]]
    assert all(MARKS.match(row["mark"]) for row in rows)


def test_the_new_price_of_a_class_lies_in_its_own_range() -> None:
    for row in assumptions().classes.values():
        low, high = row["new_price_range"]
        assert low <= row["new_price"] <= high


@pytest.mark.parametrize("mix", ["tier", "drive", "deck_width_in", "deck_material", "engine_class"])
def test_the_mix_of_a_class_is_a_whole(mix: str) -> None:
    for name, row in assumptions().classes.items():
        assert sum(row[mix].values()) == pytest.approx(1.0), name


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "as_it_stands_share = { value = 0.16,",
            "as_it_stands_share = { value = 0.9,",
            "stock.as_it_stands_share: expected a value from 0.1 to 0.25, got 0.9",
        ),
        (
            'oldest_years = { value = 25.0, unit = "years", range',
            "oldest_years = { value = 25.0, range",
            "stock.oldest_years: expected a unit, got none",
        ),
        (
            "share_alive = { value = [1.0, 0.90, 0.80, 0.50, 0.20, 0.0]",
            "share_alive = { value = [1.0, 0.90, 0.80, 0.50, 0.20, -0.1]",
            "survival.share_alive: expected a value from 0.0 to 1.0, got [1.0, 0.9, 0.8, 0.5, 0.2, -0.1]",
        ),
        ("share = 0.22", "share = 0.32", "class shares: expected to sum to 1, got 1.100"),
        (
            'air_filter_bad = { group = "cos", unsafe = "never", offered = 0.225,',
            'air_filter_bad = { group = "cos", unsafe = "never",',
            "fault.air_filter_bad: expected offered, got none",
        ),
        (
            "money = [7, 21], fear = [0.04, 0.125], walks = [0.05, 0.35], fixer = [9, 18]",
            "money = [22, 21], fear = [0.04, 0.125], walks = [0.05, 0.35], fixer = [9, 18]",
            "fault.hard_start.money: expected 0 <= slight <= serious, got [22, 21]",
        ),
    ],
)
def test_a_bad_assumption_is_refused_by_name(old: str, new: str, message: str) -> None:
    assert TEXT.count(old) == 1, "the line to spoil has moved"
    with pytest.raises(AssumptionError, match=f"^{re.escape('assumptions.toml: ' + message)}$"):
        parse_assumptions(TEXT.replace(old, new))


# Monthly factors of building material and garden dealers, January to December: US Census retail seasonal factors,
# NAICS 444, June 2024 to May 2025, published. Buyer traffic, not price.
CENSUS = np.array([0.816, 0.787, 0.979, 1.104, 1.173, 1.071, 1.069, 1.045, 0.973, 1.081, 0.969, 0.907])


def test_the_season_is_plausible_beside_the_census() -> None:
    """May above February in both, and the two rise and fall together; of the market, not of what learns from it."""
    demand = assumptions().series("season", "demand")
    assert CENSUS[4] > CENSUS[1]
    assert demand[4] > demand[1]
    assert np.corrcoef(demand, CENSUS)[0, 1] > 0.5
