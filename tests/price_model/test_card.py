"""The model card is written from the measured figures, and says its limits first."""

import json

import pytest

from valuer.paths import shipped
from valuer.price_model.card import PLAIN, TITLES, model_card

SECTIONS = (
    "Model details", "Intended use", "Factors", "Metrics", "Evaluation data", "Training data", "Quantitative analyses",
    "Ethical considerations", "Caveats and recommendations",
)  # fmt: skip
"""The nine sections of Mitchell et al. 2019, section 4 (from memory)."""


def test_the_card_in_the_repository_is_the_one_the_figures_give() -> None:
    """A card older than its figures misleads; `valuer card --shipped > model_cards/resale_value.md` writes it again."""
    assert shipped("model_cards/resale_value.md").read_text("utf-8") == model_card()


def test_the_card_has_the_nine_sections_in_order() -> None:
    """Readers of model cards look for these headings."""
    headings = [line[3:].split(". ", 1)[1] for line in model_card().splitlines() if line.startswith("## ")]
    assert tuple(headings) == SECTIONS


def test_the_limits_come_first() -> None:
    """Whoever reads one paragraph must have read that the data are invented."""
    opening = model_card()[:900]
    for word in ("invented", "shape", "not for insurance", "not for tax", "safe"):
        assert word in opening


@pytest.mark.parametrize("name", ["price"])
def test_every_measured_figure_stands_in_the_card(name: str) -> None:
    """Figures kept in metrics.json are all shown, the missed ones too."""
    metrics = json.loads(shipped("model_cards/metrics.json").read_text("utf-8"))
    card = model_card()
    for figure, measured, goal, met in metrics[f"{name}_figures"]:
        assert f"| {figure} | {measured} | {goal} | {met} |" in card


@pytest.mark.parametrize("name", TITLES)
def test_every_group_of_figures_is_told_in_plain_words_first(name: str) -> None:
    assert set(PLAIN) == set(TITLES)
    figures = [("a figure", "1", "2 at most", "met")]
    metrics = json.loads(shipped("model_cards/metrics.json").read_text("utf-8"))
    told = model_card({**metrics, f"{name}_figures": figures})
    assert f"### {TITLES[name]}\n\n{PLAIN[name]}\n\n| figure |" in told
