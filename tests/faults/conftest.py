"""A house for a server: folders and records of the test's own."""

from pathlib import Path

import pytest

from tests.faults.serving import House


@pytest.fixture
def house(tmp_path: Path) -> House:
    """The shipped model, and nothing in cache and data folder."""
    return House(tmp_path, tmp_path / "cache", tmp_path / "data")
