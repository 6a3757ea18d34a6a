"""Every command that reads a file, on every broken file: exit code 2, lines that name it, never a traceback."""

import os
import stat
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bad_files.corpus import TABLES, cases
from tests.cli.conftest import Run, run
from valuer.cli import cli
from valuer.cli.model import TRAINING

__all__ = ["run"]  # the fixture of the command line's own tests
ROOT = Path(__file__).resolve().parents[2]

COMMANDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "price": ("machines", ()),
    "fixes": ("machines", ()),
    "next": ("machines", ()),
    "buy": ("machines", ()),
    "bench": ("machines", ()),
    "quote": ("machines", ()),
    "take": ("machines", ()),
    "ask": ("machines", ()),
    "offer": ("machines", ("--offer", "140")),
    "listing": ("machines", ()),
    "import": ("records", ()),
    "train": ("sales", ("--sales",)),
}
"""Command -> what its file holds, and the options it cannot do without."""


def test_every_command_that_reads_a_file_is_here() -> None:
    reading = {
        name
        for name, command in cli.commands.items()
        if any(p.metavar in ("FILE", "[WHICH]") for p in command.params)
    }
    writing = {"demo"}  # its FILE is one that it makes
    assert reading - writing | {"train"} == set(COMMANDS)


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder and a user's data of the test's own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return tmp_path


def refused(run: Run, command: str, file: str, stdin: bytes = b"") -> list[str]:
    """The lines with which a command refuses a file."""
    ran = run(command, *COMMANDS[command][1], file, stdin=stdin)
    assert ran.code == 2, ran
    assert not ran.out
    assert "Traceback" not in ran.err
    lines = [line for line in ran.err.splitlines() if line != TRAINING]
    assert lines
    assert all(line.startswith("valuer: ") and line.isprintable() for line in lines)
    return [line.removeprefix("valuer: ") for line in lines]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_broken_file_is_refused_by_every_command(run: Run, folder: Path, command: str) -> None:
    for name, broken in cases(COMMANDS[command][0]).items():
        (folder / f"mine{broken.ending}").write_bytes(broken.data)
        lines = refused(run, command, f"mine{broken.ending}")
        assert lines[0].startswith(f"mine{broken.ending}"), name
        assert not (folder / "data" / "valuer" / "training_sales.csv").exists(), (
            "a bad file never stays in force"
        )


@pytest.mark.parametrize("command", COMMANDS)
def test_what_is_no_file_is_refused(run: Run, folder: Path, command: str) -> None:
    (folder / "machines.csv").mkdir()
    for file, words in {
        "machines.csv": "is a directory", "none.csv": "no such file", "machines.csv/x": "no such file",
        "x" * 300: "too long",
    }.items():  # fmt: skip
        assert words in refused(run, command, file)[0].lower()


@pytest.mark.parametrize("command", [name for name in COMMANDS if name != "train"])
def test_a_pipe_is_read_like_a_file(run: Run, folder: Path, command: str) -> None:
    """`valuer price <(other program)`: a shell gives the name of a pipe."""
    pipe = folder / "pipe"
    os.mkfifo(pipe)
    writer = threading.Thread(target=pipe.write_bytes, args=(b"\x81PNG\r\n",), daemon=True)
    writer.start()
    assert refused(run, command, "pipe")[0].startswith("pipe, row 1: byte 1 is not UTF-8 text")
    writer.join(timeout=10)


@pytest.mark.parametrize("command", [name for name in COMMANDS if name != "train"])
def test_standard_input_is_named_as_such(run: Run, command: str) -> None:
    assert refused(run, command, "-", b"\0\0")[0].startswith("standard input: holds zero bytes")


@pytest.fixture
def closed(folder: Path) -> Iterator[Path]:
    """A file that nobody but its owner may read."""
    path = folder / "mine.csv"
    path.write_text(TABLES["machines"].text, "utf-8")
    path.chmod(0)
    for parent in (folder, *folder.parents):
        if parent.stat().st_uid == os.geteuid() and not parent.stat().st_mode & stat.S_IXOTH:
            parent.chmod(parent.stat().st_mode | 0o011)
    yield path
    path.chmod(0o600)


AS_NOBODY = """
import contextlib, io, os, sys
from valuer.cli import main
with contextlib.suppress(SystemExit), contextlib.redirect_stderr(io.StringIO()):
    main([*sys.argv[1:-1], "none.csv"])  # whatever the command imports is there before the rights are given up
os.geteuid() == 0 and (os.setegid(65534), os.seteuid(65534))
main(sys.argv[1:])
"""


@pytest.mark.parametrize("command", ["price", "import", "train"])
def test_a_file_without_permission_is_refused(closed: Path, command: str) -> None:
    asked = [sys.executable, "-c", AS_NOBODY, command, *COMMANDS[command][1], str(closed)]
    ran = subprocess.run(asked, cwd=ROOT, capture_output=True, text=True, check=False)
    assert ran.returncode == 2, ran
    (line,) = [line for line in ran.stderr.splitlines() if line != TRAINING]
    assert line.startswith("valuer: ")
    assert "mine.csv: cannot be read" in line
    assert "permission denied" in line.lower()
