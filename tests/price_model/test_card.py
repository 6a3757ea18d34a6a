"""The model card is written from the measured figures, and says its limits first."""

import json
import math
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from valuer.cli import main
from valuer.paths import shipped
from valuer.price_model.card import PLAIN, TITLES, card_pictures, model_card
from valuer.price_model.pictures import Picture, fault_costs, own_range

SECTIONS = (
    "Model details", "Intended use", "Factors", "Metrics", "Evaluation data", "Training data", "Quantitative analyses",
    "Ethical considerations", "Caveats and recommendations",
)  # fmt: skip
"""The nine sections of Mitchell et al. 2019, section 4 (from memory)."""


def test_the_card_in_the_repository_is_the_one_the_figures_give() -> None:
    """A card older than its figures misleads.

    `valuer card --shipped --pictures model_cards > model_cards/resale_value.md` writes it and its pictures again.
    """
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


def test_the_pictures_in_the_repository_are_those_the_figures_give() -> None:
    """Byte for byte, and none is left over from figures of before."""
    beside = {path.name: path.read_bytes() for path in shipped("model_cards").glob("*.svg")}
    assert beside == {f"{picture.name}.svg": picture.svg.encode() for picture in card_pictures()}


def test_the_command_writes_them_where_it_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        main(["card", "--shipped", "--pictures", str(tmp_path / "new")])
    written = {path.name for path in (tmp_path / "new").iterdir()}
    assert capsys.readouterr().out == model_card()
    assert written == {f"{picture.name}.svg" for picture in card_pictures()} != set()


@pytest.mark.parametrize("picture", card_pictures(), ids=lambda picture: picture.name)
def test_a_picture_stands_in_the_card_above_one_plain_sentence(picture: Picture) -> None:
    """Whoever cannot see it reads the sentence, in the card and in the picture itself."""
    card = " ".join(model_card().split())
    assert f"![{picture.title}]({picture.name}.svg) {picture.says}" in card
    told = {part.tag.split("}")[1]: part.text for part in drawn(picture)}
    assert (told["title"], told["desc"]) == (picture.title, picture.says)


def drawn(picture: Picture) -> ET.Element:
    """The picture's parts."""
    return ET.fromstring(picture.svg)  # noqa: S314  -- written by ourselves


def marks(picture: Picture, kind: str, where: str) -> list[float]:
    """Where the marks of a kind stand, in pixels; that of the key left out."""
    found = [part for part in drawn(picture) if part.get("class") == kind]
    return [float(part.get(where, "nan")) for part in found][1:]


def test_estimate_and_truth_of_a_fault_stand_where_their_figures_are() -> None:
    """30 estimated and 40 true, on an axis from 0 to 40: a quarter too little, the ring at its end."""
    costs = {"dirty": {"estimate": 11.0, "true": 10.0}, "no_start": {"estimate": 30.0, "true": 40.0}}
    picture = fault_costs(costs)
    (start, start_of_dirty), (true, true_of_dirty) = marks(picture, "dot", "cx"), marks(picture, "ring", "cx")
    assert picture.ticks[-1] == 40
    assert (true - start) / (true - true_of_dirty) == pytest.approx(10 / 30, abs=0.01)
    assert (start_of_dirty - true_of_dirty) / (true - true_of_dirty) == pytest.approx(1 / 30, abs=0.01)
    assert "puts 1 within a fifth" in picture.says
    assert "“Will not start” (-25 %)" in picture.says


def test_the_range_narrows_as_sales_come() -> None:
    """A range four times from end to end goes from 50 to 200 around 100; numbers of sales are sorted as numbers."""
    width = {"0": math.log(4.0), "10": math.log(3.0), "5": math.log(3.5)}
    picture = own_range({"width": width, "coverage": dict.fromkeys(width, 80.0), "markets": 3})
    assert "On the first day it runs from 50 to 200, after 10 own sales from 58 to 173" in picture.says
    widths = marks(picture, "bar", "width")
    assert len(widths) == 3
    assert widths == sorted(widths, reverse=True)
