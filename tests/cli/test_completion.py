"""What the tab key finishes, asked as the shells ask it."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from valuer.cli.completing import SHELLS


@pytest.fixture(autouse=True)
def _own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VALUER_STORE", str(tmp_path / "records.sqlite"))


def finished(run: Run, monkeypatch: pytest.MonkeyPatch, typed: str) -> list[str]:
    """What bash is told for a line whose last word is being typed."""
    words = typed.split(" ")
    monkeypatch.setenv("_VALUER_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", typed)
    monkeypatch.setenv("COMP_CWORD", str(len(words) - 1))
    ran = run()
    monkeypatch.delenv("_VALUER_COMPLETE")
    assert ran.code == 0
    return [line.partition(",")[2] for line in ran.out.splitlines()]


@pytest.mark.parametrize(
    ("typed", "finishes"),
    [
        ("valuer pri", ["price"]),
        ("valuer price gre", ["green-1", "green-2"]),
        ("valuer done gre", ["green-1", "green-2"]),
        ("valuer records --remove green-2", ["green-2"]),
        ("valuer done green-1 blade_sh", ["blade_sharpen"]),
        ("valuer done green-1 wet_po", ["wet_point"]),
        ("valuer done green-1 blade_and", ["blade_and_mount"]),
        ("valuer quote --cures starter_n", ["starter_noise"]),
        ("valuer ask --month ap", ["april"]),
        ("valuer next --ful", ["--full"]),
    ],
)
def test_commands_machines_faults_and_fixes_are_finished(
    run: Run, monkeypatch: pytest.MonkeyPatch, typed: str, finishes: list[str]
) -> None:
    run("take", "-", stdin=b"id,drive\ngreen-1,push\ngreen-2,push\n")
    assert finished(run, monkeypatch, typed) == finishes


def test_without_records_or_with_broken_ones_files_are_offered_and_nothing_is_said(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    assert finished(run, monkeypatch, "valuer price ben") == ["ben"]
    (tmp_path / "records.sqlite").write_bytes(b"no store" * 200)
    assert finished(run, monkeypatch, "valuer price ben") == ["ben"]


@pytest.mark.parametrize("shell", SHELLS)
def test_every_shell_named_has_its_script(run: Run, shell: str) -> None:
    assert f"valuer completion {shell}" in run("completion").out
    script = run("completion", shell).out
    assert "_VALUER_COMPLETE" in script
    assert f"{shell}_complete" in script


@pytest.mark.parametrize(
    ("before", "typing", "answers"),
    [
        (["valuer"], "pri", ["price\tWhat machines are worth, and what each fault takes off."]),
        (["valuer", "price"], "gre", ["green-1\tgreen-1", "green-2\tgreen-2"]),
        (["valuer", "done", "green 1"], "blade_sh", ["blade_sharpen\tBalance and sharpen the blade"]),
        (["valuer", "price"], "ben", []),
    ],
)
def test_powershell_is_told_a_word_and_what_it_is_and_nothing_where_it_may_be_a_file(
    run: Run, monkeypatch: pytest.MonkeyPatch, before: list[str], typing: str, answers: list[str]
) -> None:
    """Its words come a line each, so that one with a blank in it stays one; files PowerShell finds by itself."""
    run("take", "-", stdin=b"id,drive\ngreen-1,push\ngreen-2,push\n")
    monkeypatch.setenv("_VALUER_COMPLETE", "powershell_complete")
    monkeypatch.setenv("COMP_WORDS", "\n".join(before))
    monkeypatch.setenv("COMP_CWORD", typing)
    ran = run()
    assert ran.code == 0
    told = [line for line in ran.out.splitlines() if line]
    assert [line.split("\t")[0] for line in told] == [line.split("\t")[0] for line in answers]
    assert all(line.count("\t") == 1 and line.split("\t")[1] for line in told)


def test_bash_takes_the_script() -> None:
    script = subprocess.run(
        [sys.executable, "-m", "valuer", "completion", "bash"], capture_output=True, text=True, check=True
    ).stdout
    asked = f"{script}\ncomplete -p valuer"
    told = subprocess.run(["bash", "--norc", "-c", asked], capture_output=True, text=True, check=True).stdout  # noqa: S607
    assert "_valuer_completion" in told


def test_another_shell_is_refused_in_one_line(run: Run) -> None:
    ran = run("completion", "korn")
    assert (ran.code, ran.err) == (
        2,
        "valuer: shell must be one of bash, zsh, fish, powershell; got 'korn'\n",
    )
