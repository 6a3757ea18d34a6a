"""A house for a server: the trained model of all tests, records of the test's own."""

from pathlib import Path

import pytest

from tests.faults.serving import House
from valuer.price_model.mower import MowerModel


@pytest.fixture
def house(mower_model: MowerModel, request: pytest.FixtureRequest, tmp_path: Path) -> House:
    """The model that `mower_model` has trained, and the secret that signed it, as a server would find them."""
    cache = request.config.cache
    return House(tmp_path, Path(cache.mkdir("trained")), Path(cache.mkdir("trained_secret")))
