"""What libraries print by themselves stays out of answers."""

import subprocess
import sys

STRAY = """
import ctypes, os
from valuer.cli.output import keep_to_ourselves
keep_to_ourselves()
os.write(1, b"stray by descriptor")
ctypes.CDLL(None).puts(b"stray by the C library, written out at exit")
print("answer")
"""


def test_lines_that_a_library_prints_are_not_in_the_answer() -> None:
    # The integer solver prints a line of its own on some benches; a JSON document with it is no JSON.
    ran = subprocess.run([sys.executable, "-c", STRAY], capture_output=True, text=True, check=True)
    assert (ran.stdout, ran.stderr) == ("answer\n", "")


def test_when_looking_for_faults_they_are_seen_on_standard_error() -> None:
    ran = subprocess.run(
        [sys.executable, "-c", STRAY],
        capture_output=True,
        text=True,
        check=True,
        env={"VALUER_DEBUG": "1", "PYTHONPATH": ":".join(filter(None, sys.path))},
    )
    assert ran.stdout == "answer\n"
    assert "stray by descriptor" in ran.stderr
