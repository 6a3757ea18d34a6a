"""The licences of all that is installed with the product: ``python -m tests.licences`` writes .ci/licences.md."""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Iterable
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[1]
FILE = ROOT / ".ci" / "licences.md"
ABOUT = """# Licences of what is installed with valuer

What each package says of itself, by `python -m tests.licences`. The packages of `[test]` and `[dev]` are not shipped.

| package | licence |
|---|---|
"""
HARMLESS = re.compile(r"MIT|BSD|Apache|PSF|Python|ISC|Unlicense|CC0|LGPL|MPL", re.IGNORECASE)
"""Terms under which a program under MIT may use a library unchanged."""


def shipped() -> dict[str, str]:
    """Licence by name of every package that the product needs, directly or not, the database extra included."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    found: dict[str, str] = {}
    waiting = _here([*project["dependencies"], *project["optional-dependencies"]["postgresql"]], {""})
    while waiting:
        needed = waiting.pop()
        package = re.sub(r"[-_.]+", "-", needed.name).lower()
        if package in found:
            continue
        try:
            installed = distribution(package)
        except PackageNotFoundError:
            continue  # for another system or Python
        found[package] = licence(installed)
        waiting += _here(installed.requires or (), {"", *needed.extras})
    return dict(sorted(found.items()))


def _here(requirements: Iterable[str], extras: set[str]) -> list[Requirement]:
    """What of it is required on this system, with these extras."""
    wanted = map(Requirement, requirements)
    return [r for r in wanted if r.marker is None or any(r.marker.evaluate({"extra": e}) for e in extras)]


def licence(installed: Distribution) -> str:
    """The SPDX expression, or the words of the classifiers, or the first line of the licence field."""
    about = installed.metadata.json
    if "license_expression" in about:
        return str(about["license_expression"])
    classes = [c.rpartition(" :: ")[2] for c in about.get("classifier", ()) if c.startswith("License ::")]
    lines = str(about.get("license", "")).strip().splitlines()
    return ", ".join(c for c in classes if c != "OSI Approved") or (lines[0] if lines else "not said")


def table(licences: dict[str, str]) -> str:
    """The whole file."""
    return ABOUT + "".join(f"| {name} | {said} |\n" for name, said in licences.items())


if __name__ == "__main__":
    FILE.write_text(table(shipped()), "utf-8")
    sys.stdout.write(f"{FILE.name}: {len(shipped())} packages\n")
