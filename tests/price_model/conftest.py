"""The machines that sanity facts are asked of, and training that is done once on the same sales."""

from __future__ import annotations

import hashlib
import pickle
from typing import TYPE_CHECKING, Any

import pytest

from tests.price_model.machines import Judge, from_market, machine
from valuer.domain.machine import Machine
from valuer.price_model import training
from valuer.price_model.mower import MowerModel

if TYPE_CHECKING:
    from collections.abc import Callable


class Remembering:
    """A fit that is asked for again on the very same data gives what it gave."""

    def __init__(self, fit: Callable[..., Any]) -> None:
        self._fit = fit
        self._known: dict[str, Any] = {}

    def __call__(self, data: Any, *how: Any, **more: Any) -> Any:
        """``how``: whom to tell of progress is no part of the data."""
        told = [each for each in how if not callable(each)]
        key = hashlib.sha256(pickle.dumps((data, told, more))).hexdigest()
        if key not in self._known:
            self._known[key] = self._fit(data, *how, **more)
        return self._known[key]


@pytest.fixture(scope="session")
def fits() -> dict[str, Remembering]:
    """The fits that training is made of, by name."""
    return {name: Remembering(getattr(training, name)) for name in ("train_mower_model", "_selling_model")}


@pytest.fixture
def fitted_once(fits: dict[str, Remembering], monkeypatch: pytest.MonkeyPatch) -> None:
    """Reading, keeping and telling are done each time; a fit only where its data are new to this run of the tests."""
    for name, fit in fits.items():
        monkeypatch.setattr(training, name, fit)


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
