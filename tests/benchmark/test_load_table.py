"""The load figures in the contributor guide are those that were measured."""

import json

from tests.benchmark.figures import METRICS
from tests.benchmark.table import GUIDE, between_marks, rows


def test_the_table_says_what_was_measured() -> None:
    """`python -m tests.benchmark load` writes both."""
    kept = json.loads(METRICS.read_text("utf-8"))["load_figures"]
    assert between_marks(GUIDE.read_text("utf-8")) == rows(kept)
    assert len(kept) > 20


def test_nothing_was_lost_and_nobody_let_in() -> None:
    """Issue 7: every acknowledged write is there, none twice, no stranger let in, no fault of ours."""
    kept = {name: measured for name, measured, _, _ in json.loads(METRICS.read_text("utf-8"))["load_figures"]}
    for name in (
        "answers that are a fault of ours", "writes acknowledged and not found", "writes done twice",
        "answers that were errors", "writes acknowledged and not found, under load", "strangers let in",
    ):  # fmt: skip
        assert kept[name] == "0"
