"""Every block of the README runs: the walk on the shipped example, Python, and curl against a server."""

import os
import re
import shlex
import shutil
import subprocess
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import valuer.cli.model
from api.door import Door
from tests.cli.conftest import Run
from valuer.adviser import Adviser
from valuer.cli.server import free_socket, server

if TYPE_CHECKING:
    from valuer.price_model.mower import MowerModel

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text("utf-8")
LATER = {"sh"}  # set-up, which .ci/run goes through in an environment of its own


def blocks(kind: str) -> list[str]:
    """The fenced blocks of one kind, in order."""
    return re.findall(rf"^```{kind}\n(.*?)^```$", README, re.DOTALL | re.MULTILINE)


@pytest.fixture
def real(run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, mower_model: "MowerModel") -> Run:
    """Commands on the real model, with records of their own, in an empty folder."""
    own = valuer.cli.model.own_records
    monkeypatch.setattr(valuer.cli.model, "load_adviser", lambda: Adviser(mower_model, own()))
    monkeypatch.setenv("VALUER_STORE", str(tmp_path / "records.sqlite"))
    monkeypatch.chdir(tmp_path)
    return run


def test_every_block_is_of_a_kind_that_is_run() -> None:
    kinds = set(re.findall(r"^```([a-z]+)$", README, re.MULTILINE))
    assert kinds == {"console", "python", "text"} | LATER


def test_the_walk_goes_through_line_by_line(real: Run, tmp_path: Path) -> None:
    lines = [line for block in blocks("console") for line in block.splitlines() if line.startswith("valuer ")]
    assert len(lines) > 15
    for line in lines:
        command, _, to = line.partition(" > ")
        ran = real(*shlex.split(command, comments=True)[1:])
        assert (ran.code, ran.err) == (0, ""), f"{line}: {ran.err}"
        assert ran.out.strip(), line
        if to:
            (tmp_path / to.split("#")[0].strip()).write_text(ran.out)


def test_the_answer_shown_first_is_the_answer(real: Run) -> None:
    """Its figures too: the model is shipped, so that who tries it gets the same."""
    (shown,) = blocks("text")
    command, *said = shown.splitlines()
    assert said.pop() == "..."
    assert real(*shlex.split(command.removeprefix("$ valuer "))).out.splitlines()[: len(said)] == said
    value, low, high = re.findall(r"about (\d+) USD; 8 sales in 10 fall between (\d+) and (\d+)", shown)[0]
    (off,) = re.findall(r"its faults take off (\d+)", shown)
    for words in (
        f"- **About {value}**, 8 times in 10 from {low} to {high}:",
        f"- **Its faults take off {off}**:",
    ):
        assert words in README, "what explains the answer speaks of the same figures"


def test_the_lines_of_python_run(mower_model: "MowerModel", capsys: pytest.CaptureFixture[str]) -> None:
    (code,) = blocks("python")
    exec(compile(code, "README.md", "exec"), {})  # noqa: S102 - our own README
    assert "amount=" in capsys.readouterr().out


def test_the_lines_of_curl_are_answered(mower_model: "MowerModel") -> None:
    curl = shutil.which("curl")
    if curl is None:
        assert not os.environ.get("CI"), "curl is not installed, and in CI every block runs"
        pytest.skip("curl is not installed")
    bound = free_socket(0)
    port = bound.getsockname()[1]
    running = server(Adviser(mower_model), None, Door(port=port))
    thread = threading.Thread(target=running.run, kwargs={"sockets": [bound]})
    thread.start()
    try:
        lines = [
            line for block in blocks("console") for line in block.splitlines() if line.startswith("curl")
        ]
        assert len(lines) == 2
        for line in lines:
            args = shlex.split(line.replace(":8000/", f":{port}/"))[1:]
            told = subprocess.run(
                [curl, "--fail-with-body", *args], capture_output=True, text=True, check=False
            )
            assert told.returncode == 0, told.stdout
    finally:
        running.should_exit = True
        thread.join(timeout=10)
        bound.close()
