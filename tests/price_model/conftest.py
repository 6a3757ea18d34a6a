"""The machines that sanity facts are asked of."""

import pytest

from tests.price_model.machines import Judge, from_market, machine
from valuer.domain.machine import Machine
from valuer.price_model.mower import MowerModel


@pytest.fixture(scope="session")
def offered() -> list[Machine]:
    """Machines as sellers describe them, faults and gaps as they come."""
    return from_market(800, 99)


@pytest.fixture
def r190(mower_model: MowerModel) -> Judge:
    """The reference machine, sound, in April."""
    return Judge.of(mower_model, [machine()])


@pytest.fixture
def faulty(mower_model: MowerModel, offered: list[Machine]) -> Judge:
    """The offered machines with their faults."""
    return Judge.of(mower_model, offered)


@pytest.fixture
def sound(mower_model: MowerModel, offered: list[Machine]) -> Judge:
    """The offered machines with every fault cured."""
    return Judge.of(mower_model, offered, faults=False)
