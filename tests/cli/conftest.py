"""Running commands as a user does, with a value model one can follow by hand."""

import io
import sys
from collections.abc import Callable
from typing import NamedTuple

import pytest

import valuer.cli.model
from tests.fake_model import FakeModel
from valuer.adviser import Adviser
from valuer.cli import main


class Ran(NamedTuple):
    """What a command left behind."""

    code: int
    out: str
    err: str


Run = Callable[..., Ran]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run one command line, at 80 columns, on the fake model; ``stdin`` is what is piped in."""
    monkeypatch.setattr(valuer.cli.model, "load_adviser", lambda: Adviser(FakeModel()))
    monkeypatch.setenv("COLUMNS", "80")

    def run(*args: str, stdin: bytes = b"") -> Ran:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(stdin)))
        with pytest.raises(SystemExit) as left:
            main(args)
        shown = capsys.readouterr()
        assert isinstance(left.value.code, int)
        return Ran(left.value.code, shown.out, shown.err)

    return run
