"""A disk that takes no more at any step of whatever writes: nothing is lost or half done, and it can be done again."""

import os
import shutil
import sys
from pathlib import Path

import pytest

from tests.records.full_disk import DEEDS, failing_once

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux") or not (shutil.which("cc") or os.environ.get("CI")),
    reason="needs Linux and a C compiler",
)


def test_each_write_that_fails_is_refused_or_survived_and_nothing_is_lost(tmp_path: Path) -> None:
    """Some of the writes of every deed; `python -m tests.benchmark load --only disk` fails them all."""
    came = failing_once(tmp_path, step=23)
    assert set(came) == set(DEEDS)
    for name, (writes, refused, wrong) in came.items():
        assert not wrong, name
        assert writes > 20, f"{name}: hardly anything failed"
        assert refused, f"{name}: no failed write was noticed"
