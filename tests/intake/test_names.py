"""Names: kept as they are called, with a short id that any address and any file can hold."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from valuer.domain.machine import Machine
from valuer.intake.names import short_name, with_short_name
from valuer.records.files import BadFile, machines_in


@pytest.mark.parametrize("name", [".", "..", "...", "-", "__", "", "   ", "\u96ea"])
def test_what_no_address_can_hold_is_no_name(name: str) -> None:
    assert short_name(name) == ""
    with pytest.raises(BadFile, match="id must be 1 to 64 letters"):
        machines_in("a.json", f'[{{"id": "{name}"}}]'.encode())


def test_what_somebody_calls_it_is_kept_beside_the_short_name() -> None:
    (machine,) = machines_in("a.csv", "id,age_years\nM\u00fcller's 21,6\n".encode())
    assert (machine.id, machine.called) == ("muellers-21", "M\u00fcller's 21")


def test_a_formula_is_no_name() -> None:
    with pytest.raises(BadFile, match="got '=1\\+1'"):
        machines_in("a.csv", b"id\n=1+1\n")


@given(st.text(max_size=80))
def test_a_short_name_is_a_name_and_its_own_short_name(text: str) -> None:
    short = short_name(text)
    if short:
        assert Machine(id=short).id == short
        assert short_name(short) == short
        assert with_short_name({"id": short}) == {"id": short}
