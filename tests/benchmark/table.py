"""The table of load figures in the contributor guide, between two marks, written by the benchmark itself."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

GUIDE = Path(__file__).resolve().parents[2] / "DEVELOPERS.md"
BEGIN, END = "<!-- load figures: begin -->", "<!-- load figures: end -->"


def rows(kept: Iterable[Sequence[str]]) -> str:
    """The table of figures as kept in metrics.json: name, measured, goal, met."""
    lines = [f"| {' | '.join(each)} |" for each in kept]
    return "\n".join(["| figure | measured | goal | |", "|---|---|---|---|", *lines])


def between_marks(text: str) -> str:
    """What stands between the marks."""
    return text.partition(BEGIN)[2].partition(END)[0].strip()


def write_table(figures: Iterable[Sequence[str]]) -> None:
    """Put the figures (name, measured, goal, met) between the marks."""
    text = GUIDE.read_text("utf-8")
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    table = rows(figures)
    GUIDE.write_text(f"{before}{BEGIN}\n{table}\n{END}{after}", "utf-8")
