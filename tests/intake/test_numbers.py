"""Figures as people write them: understood, or asked back with every reading; a slow blade never passes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from valuer.intake.numbers import NotUnderstood, least_read, read_figure
from valuer.intake.quantities import quantities

Q = quantities()

# What each text says, in the unit of the figure; arithmetic of units: SI brochure and the international yard.
UNDERSTOOD = [
    ("blade_stop_s", "2.1", 2.1), ("blade_stop_s", "2.1 s", 2.1), ("blade_stop_s", "2.1sec.", 2.1),
    ("blade_stop_s", "2.1, 2.3, 2.2", [2.1, 2.3, 2.2]), ("blade_stop_s", "2.1,2.3", [2.1, 2.3]),
    ("blade_stop_s", "2,1 2,3", [2.1, 2.3]), ("blade_stop_s", "2,1; 3", [2.1, 3]),
    ("blade_stop_s", "3 1", [3, 1]), ("blade_stop_s", "2 and 3", [2, 3]), ("blade_stop_s", "2½ s", 2.5),
    ("blade_stop_s", "2.1/2.2/2.3", [2.1, 2.2, 2.3]), ("blade_stop_s", "3s,1s", [3, 1]),
    ("price", "110,50", 110.5), ("price", "1,250.50", 1250.5), ("price", "1.250,50", 1250.5),
    ("price", "1 250", 1250), ("price", "1\u202f250", 1250), ("price", "12,-", 12), ("price", "$ 25", 25),
    ("price", "25€", 25), ("price", "0,125", 0.125), ("price", "1'250", 1250), ("price", "250.000,00", 250_000),
    ("age_years", "6 years", 6), ("age_years", "72 months", 6), ("age_years", "5 years 6 months", 5.5),
    ("age_years", "6½", 6.5), ("age_years", "1/2", 0.5), ("age_years", "about 6", 6),
    ("deck_width_in", '21"', 21), ("deck_width_in", "21″", 21), ("deck_width_in", "21 1/2 in", 21.5),
    ("deck_width_in", "55 cm", 55 / 2.54), ("deck_width_in", "533,4 mm", 21), ("deck_width_in", "21''", 21),
    ("compression_psi", "6 bar", 600 / 6.894757293168), ("compression_psi", "90 PSI", 90),
    ("engine_rpm", "3,100", 3100), ("engine_rpm", "3.100 rpm", 3100), ("engine_rpm", "3 100", 3100),
    ("hours", "0,8", 0.8), ("hours", "1 h 30 min", 1.5), ("hours", "45 min", 0.75), ("hours", "1h30", 1.5),
    ("price_level", "0,9", 0.9), ("trip_miles", "20 km", 20 / 1.609344),
    ("roll_pull_kgf", "25 N", 25 / 9.80665), ("roll_pull_kgf", "25; 30 N", [25 / 9.80665, 30 / 9.80665]),
    ("roll_pull_kgf", "2.5 2.6 kgf", [2.5, 2.6]), ("intake_lash_mm", ".004 in", 0.1016),
]  # fmt: skip

# Each with the words that must stand in the question: both readings, or what was expected.
ASKED = [
    ("blade_stop_s", "3,1", "may be 3.1 s, or 2 runs of 3 and 1 s"),
    ("blade_stop_s", "2,9", "may be 2.9 s, or 2 runs of 2 and 9 s"),
    ("blade_stop_s", "3, 1", "2 runs, or decimal commas"), ("blade_stop_s", "3 .1", "decimal"),
    ("blade_stop_s", "3,1 and 2", "decimal commas"), ("blade_stop_s", "2,2,3", "3 runs"),
    ("blade_stop_s", "3 1/2", "expected|fraction"), ("blade_stop_s", "1/2", "fraction"),
    ("roll_pull_kgf", "25 N, 2.6", "runs in two units"), ("engine_rpm", "3,1 rpm", "expected 100 rpm to 8000 rpm"),
    ("roll_pull_kgf", "2,1", "may be 2.1 kgf, or 2 runs of 2 and 1 kgf"),
    ("price", "1,250", "1.25 or 1250"), ("price", "1.250", "1.25 or 1250"), ("price", "1,25,000", "expected"),
    ("price", "5-6", "one figure"), ("price", "over 40", "one figure"), ("price", "25 bananas", "expected"),
    ("price", "-3", "0 to 1000000"), ("price", "nan", "expected"), ("price", "1e999", "0 to 1000000"),
    ("price", "see above", "expected"), ("price", "=2+3", "formulas"), ("price", "12.5.1", "expected"),
    ("age_years", "2019", "how old it is"), ("age_years", "6 or 7", "one figure"), ("age_years", "3²", "expected"),
    ("deck_width_in", "53", "53 cm would be 20.87 in"), ("deck_width_in", "21 s", "mm or cm or m or in"),
    ("compression_psi", "6 cm", "psi or kPa or bar"), ("hours", "1:30", "expected"), ("hours", "1 2", "several"),
    ("price_level", "1,300", "1.3 or 1300"), ("price_level", "90 %", "without a unit"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "text", "value"), UNDERSTOOD)
def test_what_is_meant_in_one_way_is_understood(name: str, text: str, value: float | list[float]) -> None:
    assert read_figure(text, Q[name]).value == pytest.approx(value, rel=1e-9)


@pytest.mark.parametrize(("name", "text", "words"), ASKED)
def test_what_may_be_meant_otherwise_is_asked_back(name: str, text: str, words: str) -> None:
    with pytest.raises(NotUnderstood, match=words.replace(".", r"\.")) as asked:
        read_figure(text, Q[name])
    assert "\n" not in str(asked.value)


def test_a_program_that_writes_points_means_points() -> None:
    assert read_figure("1.250", Q["price"], point=True).value == 1.25
    with pytest.raises(NotUnderstood):
        read_figure("1,250", Q["price"], point=True)


def test_money_of_another_currency_is_not_taken() -> None:
    assert read_figure("12,50 €", Q["price"], currency="EUR").value == 12.5
    with pytest.raises(NotUnderstood, match="expected money in USD, got '12,50 €'"):
        read_figure("12,50 €", Q["price"], currency="USD")


@given(st.floats(0.1, 59.9).map(lambda seconds: round(seconds, 1)), st.sampled_from([".", ","]))
def test_a_slow_blade_never_becomes_a_quick_one(seconds: float, mark: str) -> None:
    """C1: whatever is taken of one run is that run."""
    try:
        taken = read_figure(f"{seconds}".replace(".", mark), Q["blade_stop_s"]).value
    except NotUnderstood:
        assert mark == ","
    else:
        assert taken == seconds


@given(st.sampled_from(sorted(Q)), st.text("0123456789.,;/ '\"-+eEsinmcp€$½", max_size=12))
def test_whatever_is_typed_is_a_figure_within_bounds_or_one_line(name: str, text: str) -> None:
    quantity = Q[name]
    try:
        figure = read_figure(text, quantity)
    except NotUnderstood as asked:
        assert "\n" not in str(asked)
    else:
        assert all(quantity.low <= value <= quantity.high for value in figure.values)
        assert figure.said


@pytest.mark.parametrize("text", [";", " ; | ", "&"])
def test_what_only_parts_runs_is_no_run(text: str) -> None:
    """Read as no figure at all it would have been taken for an answer."""
    with pytest.raises(NotUnderstood, match="expected a number in s, got"):
        read_figure(text, Q["blade_stop_s"])


@given(st.sampled_from(sorted(Q)), st.floats(0, 1))
def test_what_is_read_back_means_the_same(name: str, share: float) -> None:
    quantity = Q[name]
    low = least_read(quantity)
    value = round(low + share * (min(quantity.high, 9999) - low), 2)
    if low <= value <= quantity.high:
        said = read_figure(f"{value}", quantity, point=True).said
        again = read_figure(said, quantity, point=True)
        assert again.value == pytest.approx(value, rel=1e-5)
