"""What we depend on: bounded on both sides, pinned for both ends, under licences that allow it."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

from tests.licences import FILE, HARMLESS, shipped

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
NEEDED = [Requirement(text) for text in PROJECT["dependencies"]]
FOR_TESTS = [Requirement(text) for text in PROJECT["optional-dependencies"]["test"]]


def pins(name: str) -> dict[str, Version]:
    """Package and version of each line of a constraints file."""
    text = (ROOT / ".ci" / name).read_text("utf-8")
    return {
        found[1]: Version(found[2]) for found in re.finditer(r"^([a-z0-9-]+)==(\S+)$", text, re.MULTILINE)
    }


def bound(needed: Requirement, *signs: str) -> Version:
    """The version that follows one of the signs."""
    (found,) = [Version(each.version) for each in needed.specifier if each.operator in signs]
    return found


@pytest.mark.parametrize("needed", NEEDED, ids=lambda needed: needed.name)
def test_every_dependency_has_a_lower_bound_and_a_cap(needed: Requirement) -> None:
    assert bound(needed, ">=") < bound(needed, "<")


@pytest.mark.parametrize("needed", [*NEEDED, *FOR_TESTS], ids=lambda needed: needed.name)
def test_both_ends_are_pinned_and_the_lower_end_is_the_lowest(needed: Requirement) -> None:
    """Of 2.4 the lowest may be 2.4.1, where 2.4.0 was withdrawn; it is never 2.5."""
    newest, lowest = pins("newest.txt")[needed.name], pins("lowest.txt")[needed.name]
    assert newest in needed.specifier
    assert lowest in needed.specifier
    stated = bound(needed, ">=", "==").release
    assert lowest.release[: len(stated)] == stated


def test_every_package_that_is_shipped_is_listed_with_its_licence() -> None:
    """After a new dependency: `python -m tests.licences`."""
    listed = dict(re.findall(r"^\| ([a-z0-9-]+) \| (.+) \|$", FILE.read_text("utf-8"), re.MULTILINE))
    listed.pop("package", None)
    needed = shipped()
    assert {each.name for each in NEEDED} <= set(needed)
    assert not set(needed) - set(listed)
    assert all(HARMLESS.search(said) for said in listed.values()), "a licence to be read before it is shipped"
