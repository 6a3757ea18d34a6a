"""Which machines to have listed at once: as many as there is room for, alike ones not beside each other."""

from typing import Any

import pytest

from api.selling import PASSED
from tests.advice.fake import FakeModel as PlainModel
from tests.advice.test_asking_price import SeasonModel
from tests.fake_selling import FakeSelling
from valuer.advice.sale.selling_documents import Together
from valuer.advice.sale.together import list_together
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms


def passed(name: str, **changes: Any) -> Machine:
    """A machine that may be sold as working."""
    return Machine.model_validate({**PASSED, "id": name, "faults": []} | changes)


def together(*machines: Machine, room: int, month: int = 6) -> Together:
    """What is said of them under dear standing, so that nothing is kept."""
    terms = ShopTerms(month=month, storage_per_week=4.0)
    return list_together(machines, SeasonModel(), FakeSelling(), terms, room)


def verdicts(told: Together) -> dict[str, str]:
    return {row.id: row.verdict for row in told.machines}


@pytest.mark.parametrize("room", [1, 2, 3, 5])
def test_no_more_are_listed_than_there_is_room_for(room: int) -> None:
    told = together(
        *(passed(f"m{k}", drive="push" if k % 2 else "rear_variable") for k in range(4)), room=room
    )
    assert list(verdicts(told).values()).count("list now") == min(room, 4)
    assert len(told.machines) == 4


def test_two_alike_take_each_others_buyers() -> None:
    """The second of a pair gains less than the first, and less than beside another kind of machine."""
    pair = together(passed("a"), passed("b"), room=2).machines
    mixed = together(passed("a"), passed("p", drive="push"), room=2).machines
    assert pair[1].alike == (pair[0].id,)
    assert pair[1].gain is not None
    assert mixed[1].gain is not None
    assert pair[0].gain is not None
    assert pair[1].gain < pair[0].gain
    assert pair[1].gain < mixed[1].gain
    assert mixed[1].alike == ()


def test_with_room_for_two_the_pair_is_parted() -> None:
    told = together(passed("a"), passed("b"), passed("p", drive="push"), room=2)
    listed = [name for name, verdict in verdicts(told).items() if verdict == "list now"]
    assert "p" in listed
    assert len(listed) == 2


def test_what_may_not_be_offered_takes_no_room() -> None:
    recalled = passed("r", faults=["recall_open:serious"])
    unchecked = Machine.model_validate({"id": "u"})
    told = verdicts(together(recalled, unchecked, passed("a"), room=3))
    assert told == {"a": "list now", "r": "not for sale", "u": "check first"}


def test_in_winter_all_are_kept_where_standing_costs_little() -> None:
    told = list_together([passed("a"), passed("b")], SeasonModel(), FakeSelling(), ShopTerms(month=12), 2)
    assert set(verdicts(told).values()) == {"keep"}


def test_those_alike_beyond_what_the_buyers_bear_wait_though_there_is_room() -> None:
    """Four alike in April, room for four: each more shares the same buyers, and May brings others."""
    terms = ShopTerms(month=4, storage_per_week=3.0)
    told = list_together([passed(f"m{k}") for k in range(4)], SeasonModel(), FakeSelling(), terms, 4)
    assert list(verdicts(told).values()) == ["list now", "list now", "wait", "wait"]
    assert all(row.gain is not None and row.gain < 0 for row in told.machines[2:])
    assert "more in a month" in told.machines[3].reason


@pytest.mark.parametrize(
    ("faults", "alike"),
    [
        (["blade_dull:slight"], True),
        (["no_start:serious"], False),  # for repair: other buyers come
        (["blade_dull:serious", "bag_missing:serious"], False),  # worth much less, so others look at it
    ],
)
@pytest.mark.parametrize("turned", [False, True])
def test_alike_is_sold_alike_and_of_about_the_same_worth(
    faults: list[str], *, alike: bool, turned: bool
) -> None:
    first, second = passed("a", faults=["dirty:slight"]), passed("b", faults=faults)
    listed = together(*((second, first) if turned else (first, second)), room=2).machines[1]
    assert bool(listed.alike) == alike


@pytest.mark.parametrize(("month", "first"), [(1, "cheap"), (6, "dear")])
@pytest.mark.parametrize(("worth", "alike"), [(160, True), (159, False)])
def test_a_quarter_more_is_still_about_the_same_worth(
    worth: float, month: int, first: str, *, alike: bool
) -> None:
    """200 is 1.25 times 160, whichever of them is listed first: in spring the dearer gains by another month."""
    model = PlainModel(by_id={"dear": 200, "cheap": worth})
    pair = [passed(name, looked_over=True) for name in ("dear", "cheap")]
    told = list_together(pair, model, FakeSelling(), ShopTerms(month=month, storage_per_week=6.0), 2)
    assert told.machines[0].id == first
    assert bool(told.machines[1].alike) == alike
