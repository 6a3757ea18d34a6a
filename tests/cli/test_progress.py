"""What lasts says so: training once, everything else on a terminal only; standard output is left alone."""

import io
import sys

import pytest

from tests.advice.make import machine
from tests.fake_model import FakeModel
from valuer.adviser import Adviser
from valuer.cli import progress as bar
from valuer.cli.model import TRAINING, progress
from valuer.cli.progress import lasting
from valuer.domain.going import each_of, heard_by
from valuer.domain.shop import ShopTerms


class Terminal(io.StringIO):
    """Standard error as a terminal has it."""

    def isatty(self) -> bool:
        """It is one."""
        return True


def at_a_terminal(patch: pytest.MonkeyPatch) -> Terminal:
    """Put a terminal in the place of standard error; within a test, for pytest puts its own there before each."""
    seen = Terminal()
    patch.setenv("TERM", "xterm")
    patch.setenv("COLUMNS", "120")
    patch.setattr(sys, "stderr", seen)
    return seen


def test_training_says_so_once_where_standard_error_is_no_terminal(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with progress() as report:
        for step in range(5):
            report(step / 4, "fitting")
    shown = capsys.readouterr()
    assert (shown.out, shown.err) == ("", f"{TRAINING}\n")


def test_a_model_that_is_only_loaded_says_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    with progress():
        pass
    shown = capsys.readouterr()
    assert (shown.out, shown.err) == ("", "")


def test_what_lasts_says_what_and_how_far_on_a_terminal_and_is_wiped_away(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    terminal = at_a_terminal(monkeypatch)
    with lasting("reckoning", after=0.0):
        assert list(each_of(["red", "blue"], "machine")) == ["red", "blue"]
    assert "reckoning: machine 2 of 2" in terminal.getvalue()
    assert terminal.getvalue().endswith("\x1b[2K"), "the line is gone when the answer comes"
    assert capsys.readouterr().out == ""


def test_how_long_it_will_take_yet_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is shown is reckoned from how much is over and when that was told."""
    terminal, asked = at_a_terminal(monkeypatch), []

    def reckoned(done: float, seconds: float, since: float) -> str:
        asked.append((done, seconds >= 0, since >= 0))
        return "about 7 s left"

    monkeypatch.setattr(bar, "time_left", reckoned)
    with lasting("price model", after=0.0) as report:
        report(0.25, "fitting")
    assert "about 7 s left" in terminal.getvalue()
    assert (0.25, True, True) in asked


def test_what_does_not_last_says_nothing_on_a_terminal_either(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = at_a_terminal(monkeypatch)
    with lasting("reckoning", after=3600.0):
        list(each_of(["red", "blue"], "machine"))
    assert "reckoning" not in terminal.getvalue()


def test_without_a_terminal_nobody_listens(capsys: pytest.CaptureFixture[str]) -> None:
    with lasting("reckoning", after=0.0) as report:
        report(0.5, "half")
        list(each_of(["red", "blue"], "machine"))
    shown = capsys.readouterr()
    assert (shown.out, shown.err) == ("", "")


@pytest.mark.parametrize("question", ["work_lists", "bench_plan", "purchase_limits", "asking_prices"])
def test_a_question_about_many_machines_tells_how_far_it_is(question: str) -> None:
    stand = [machine("blade_dull:slight", id=name) for name in ("red", "blue", "green")]
    told: list[tuple[float, str]] = []
    with heard_by(lambda share, what: told.append((share, what))):
        getattr(Adviser(FakeModel()), question)(stand, ShopTerms(month=5))
    assert {what.partition(",")[0] for _, what in told} == {f"machine {n} of 3" for n in (1, 2, 3)}
    assert all(0 <= share <= 1 for share, _ in told)
