"""Settings that every test shares."""

import os
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from valuer.price_model.mower import MowerModel

# One thread: two cores serve pytest and the operating system, and results do not depend on scheduling.
os.environ.setdefault("OMP_NUM_THREADS", "1")

settings.register_profile("ci", deadline=None, derandomize=True)
settings.register_profile("bench", deadline=None)
settings.load_profile("ci" if os.environ.get("CI") else "bench")


@pytest.fixture(scope="session", autouse=True)
def nobodys_data(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test reads or writes the data of whoever runs it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        yield


@pytest.fixture(scope="session")
def mower_model() -> "MowerModel":
    """The real model, as it is shipped."""
    from valuer.price_model import load_or_train  # noqa: PLC0415  (most tests need no statistics)

    return load_or_train()
