"""What was written down, in a few words."""

from typing import Any

import pytest

from tests.records.bench import entry, machine
from valuer.records.deeds import what_was_done


@pytest.mark.parametrize(
    ("after", "words"),
    [
        ({"checks": {"recall": "passed", "bail": "failed"}}, "bail failed"),
        ({"checks": {"recall": "passed", "bail": "failed"}, "age_years": 7}, "looked at again"),
        ({"checks": {}}, "looked at again"),
    ],
)
def test_a_look_is_told_by_its_checks_where_nothing_else_became_another(
    after: dict[str, Any], words: str
) -> None:
    assert what_was_done(entry(), entry(machine=machine(**after))) == words
