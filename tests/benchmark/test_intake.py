"""The benchmark `intake` judges rightly: what it counts as right, asked and wrong, on cases one can see whole."""

from tests.benchmark.intake import Description, claims, judged, number_figures, same, table_figures
from valuer.intake.words import read_words


def verdicts(text: str, *meant: str) -> dict[str, str]:
    return {what: verdict for verdict, what in judged(Description(text, frozenset(meant)))}


def test_what_is_claimed_and_not_meant_is_wrong() -> None:
    assert verdicts("push mower, 20 in", "drive=push") == {"drive=push": "right", "deck_width_in=20": "wrong"}


def test_a_question_is_right_where_one_was_meant_and_no_claim_elsewhere() -> None:
    assert verdicts("smokes", "?smoke_blue") == {"?smoke_blue": "right"}
    assert verdicts("smokes", "smoke_blue:serious") == {"smoke_blue:serious": "asked"}
    assert verdicts("burns oil", "?smoke_blue") == {"?smoke_blue": "wrong"}


def test_figures_are_compared_as_figures() -> None:
    assert same("deck_width_in=21.65", "deck_width_in=21.6535")
    assert not same("deck_width_in=21.65", "blade_length_in=21.65")
    assert claims(read_words("blade stop 2.1 2.3 s", 2026)) == {"blade_stop_s=2.1,2.3"}


def test_no_spelling_is_silently_wrong_and_no_broken_table_is_taken() -> None:
    assert all(figure.met is not False for figure in (*number_figures(1_000, 77), *table_figures(77)))
