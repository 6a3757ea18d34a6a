"""Adverts: short, true, in a buyer's words, with nothing in them that is meant for the seller."""

import re
from typing import Any

import numpy as np
import pytest

from api.selling import PASSED
from tests.advice.test_asking_price import SeasonModel
from tests.fake_model import FakeModel
from tests.fake_selling import FakeSelling
from valuer.advice.sale.buyer_words import CHECKS, FAULTS, counted, title_of
from valuer.advice.sale.listing import draft_listings
from valuer.advice.sale.selling_documents import Listing
from valuer.domain.faults import fault_catalogue
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms

MAY = ShopTerms(month=5)
READINGS: dict[str, Any] = PASSED["readings"]  # type: ignore[assignment]
CHECKS_PASSED: dict[str, Any] = PASSED["checks"]  # type: ignore[assignment]
MOST_LINES = 15
FOR_SELLERS = re.compile(
    r"trader|claim|least to take|keep it to yourself|measure again|check first|time \d", re.IGNORECASE
)
WRONG_NUMBER = re.compile(r"\b1 (pulls|years|runs|minutes|weeks)\b|\b\d+\.\d{3,}")


def advert(done: tuple[str, ...] = (), **changes: Any) -> Listing:
    """The draft of a machine that passes every check, changed."""
    return draft_listings(
        [Machine.model_validate({**PASSED, **changes})], FakeModel(), FakeSelling(), MAY, done
    )[0]


def forms(found: Listing) -> tuple[str, ...]:
    return found.text, found.markdown, found.short, found.short_markdown


def test_every_fault_and_every_hand_check_has_words_for_a_buyer() -> None:
    assert set(FAULTS) == set(fault_catalogue())
    assert set(CHECKS) == {gate.id for gate in gate_catalogue().values() if gate.by_check}


def test_no_words_for_a_buyer_are_the_limits_of_the_catalogue() -> None:
    for fault in fault_catalogue().values():
        said = " ".join(FAULTS[fault.id]).lower()
        assert not re.search(r"\d", said)


def test_an_advert_is_short_whatever_is_wrong_with_the_machine() -> None:
    """Machines drawn at random from every fault, reading and check; the seed is that of no benchmark."""
    rng = np.random.default_rng(4711)
    for number in range(60):
        faults = rng.choice(
            sorted(set(fault_catalogue()) - {"recall_open"}), rng.integers(0, 14), replace=False
        )
        wire = {
            "drive": "rear_variable",
            "start": "electric",
            "blade_clutch": True,
            "faults": [f"{name}:serious" for name in faults],
            "readings": {**READINGS, "cold_pulls": float(rng.integers(1, 4))},
        }
        found = advert(tuple(f"thing {k} done" for k in range(number % 5)), **wire)
        if found.refusal:
            continue
        for form in forms(found):
            assert len(form.splitlines()) <= MOST_LINES
            assert not FOR_SELLERS.search(form)
            assert not WRONG_NUMBER.search(form)


@pytest.mark.parametrize(
    ("number", "words"),
    [(1, "1 pull"), (2, "2 pulls"), (0.5, "less than 1 pull"), (1.04, "1 pull")],
)
def test_one_is_one(number: float, words: str) -> None:
    assert counted(number, "pull") == words


def test_the_title_is_what_buyers_search_for() -> None:
    known = {"id": "a", "maker": "Halmwerk", "model": "K21", "drive": "front_one_speed", "deck_width_in": 21}
    title = title_of(Machine.model_validate({**known, "faults": ["bag_missing:serious"]}))
    assert title == "Halmwerk K21 petrol self-propelled lawn mower, 21 in, front drive, no grass bag"


def test_the_serial_number_is_in_no_form_even_where_the_seller_wrote_it() -> None:
    found = advert(
        ("engine of serial 77-4211 opened",), serial="77-4211", maker="Halmwerk", model="K21 77-4211"
    )
    assert all("77-4211" not in form for form in (found.title, *forms(found)))
    assert "serial number stays out" in " ".join(found.for_the_seller)


def test_a_doubtful_reading_is_told_as_doubt() -> None:
    """A pull of .072 of its weight lies between what rolls well and what does not (common practice, no source)."""
    found = advert(readings={**READINGS, "roll_pull_kgf": [2.3, 2.3, 2.3], "machine_mass_kg": 32})
    text = found.text
    doubt = [line for line in text.splitlines() if line.startswith("Not certain: ")]
    fault = [line for line in text.splitlines() if line.startswith("Faults: ")]
    assert len(doubt) == 1
    assert "roll" not in fault[0]


def test_a_dead_electric_start_is_no_feature() -> None:
    found = advert(start="electric", faults=["estart_dead:serious"])
    assert "rope start" in found.text.lower()
    assert found.text.count("lectric start") == 1
    assert "electric start does not work" in found.text


def test_an_advert_for_repair_says_what_works() -> None:
    found = advert(faults=["guard_missing:serious"])
    assert found.sold_as == "for repair"
    assert found.title.endswith(", for repair or parts")
    assert "What works: starts cold in 2 pulls." in found.text
    assert "Not to be run until repaired." in found.text
    assert "guard missing" in found.text
    assert found.text.splitlines()[-1].endswith("the blade taken off.")


def test_what_is_meant_for_the_seller_is_in_his_list() -> None:
    found = advert()
    own = " ".join(found.for_the_seller)
    assert "trader" in own
    assert "least to take" in own
    assert all("trader" not in form for form in forms(found))


def test_the_short_form_has_title_price_and_one_paragraph() -> None:
    found = advert(faults=["paint_faded:slight"])
    lines = found.short.splitlines()
    assert lines[:3] == [found.title, f"Price: {found.price:,.0f} USD", ""]
    assert len(lines) == 4
    assert "paint matt" in lines[3]


def test_markdown_shows_what_was_written_as_it_stands() -> None:
    found = advert(("<b>new</b> *plug*",))
    assert "\\<b\\>new\\</b\\> \\*plug\\*" in found.markdown


@pytest.mark.parametrize("fault", ["estart_dead:slight", "surging:serious"])
def test_an_electric_start_that_turns_is_one(fault: str) -> None:
    """Weak, or on a machine with another fault, it is still there to be told of."""
    assert ", electric start," in advert(start="electric", faults=[fault]).text


def test_what_is_not_checked_gets_no_advert() -> None:
    """A buyer takes an advert for a promise: as long as one check is open there is nothing to paste."""
    found = advert(checks={})
    assert (found.text, found.short, found.sold_as) == ("", "", None)
    assert str(found.refusal).startswith("Not to be offered as working yet")


def test_in_order_is_what_was_looked_through_and_passed() -> None:
    found = advert(checks={**CHECKS_PASSED, "deck": "failed"})
    (line,) = (line for line in found.text.splitlines() if line.startswith("Looked through and in order: "))
    passed = set(CHECKS_PASSED) - {"deck"}
    assert set(line.removesuffix(".").split(": ")[1].split(", ")) == {CHECKS[gate] for gate in passed}


@pytest.mark.parametrize(
    ("readings", "told"), [({}, True), ({"compression_psi": 80}, False), ({"leak_down_percent": 8}, False)]
)
def test_compression_is_known_by_either_gauge(readings: dict[str, float], *, told: bool) -> None:
    (line,) = (
        line
        for line in advert(readings={**READINGS, **readings}).text.splitlines()
        if line.startswith("Not tested: ")
    )
    assert ("compression" in line) == told


@pytest.mark.parametrize(("month", "kept"), [(12, True), (5, False)])
def test_a_price_that_is_not_of_today_is_said_to_the_seller(month: int, *, kept: bool) -> None:
    terms = ShopTerms(month=month)
    found = draft_listings([Machine.model_validate(PASSED)], SeasonModel(), FakeSelling(), terms)[0]
    assert any("till when it is better kept; today ask" in line for line in found.for_the_seller) == kept
