"""Run one benchmark by name and print a line a figure: ``python -m tests.benchmark price``.

Those that take more say so in their ``run``: ``python -m tests.benchmark mutation --seed 3 --mutants 600``.
"""

from __future__ import annotations

import argparse
import importlib
import inspect
import os
import sys
from pathlib import Path
from typing import Any

from tests.benchmark.figures import keep, kept, merged
from valuer.cli.output import keep_to_ourselves

# As in the commands: a prediction is too small to share between threads. Before scikit-learn is imported.
os.environ.setdefault("OMP_NUM_THREADS", "1")


def main(arguments: list[str]) -> int:
    """Print the figures of the named benchmark; exit 2 where the name is unknown."""
    names = sorted(
        p.stem
        for p in Path(__file__).parent.glob("*.py")
        if not p.stem.startswith("_") and "\ndef run(" in p.read_text("utf-8")
    )
    if not arguments or arguments[0] not in names:
        sys.stderr.write(f"expected one of {', '.join(names)}, got {' '.join(arguments) or 'nothing'}\n")
        return 2
    run = importlib.import_module(f"tests.benchmark.{arguments[0]}").run
    more = argparse.ArgumentParser(prog=f"tests.benchmark {arguments[0]}")
    for name, taken in inspect.signature(run).parameters.items():
        how: dict[str, Any] = {"type": type(taken.default), "default": taken.default}
        more.add_argument(
            f"--{name.replace('_', '-')}", **({"action": "store_true"} if taken.default is False else how)
        )
    asked = vars(more.parse_args(arguments[1:]))
    keep_to_ourselves()
    printed = []
    for figure in run(**asked):
        sys.stdout.write(figure.line() + "\n")
        sys.stdout.flush()
        printed.append(figure.line().split(" | "))
    name = f"{arguments[0]}_figures"
    in_part = any(asked.get(word) for word in ("only", "room", "part"))
    keep(name, merged(kept(name), printed) if in_part else printed)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
