"""Training says that it happens, once, and leaves standard output alone; a loaded model says nothing."""

import pytest

from valuer.cli.model import TRAINING, progress


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
