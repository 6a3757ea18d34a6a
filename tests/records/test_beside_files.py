"""Pictures and own terms go out with the records and come in again, as a backup has them."""

import base64
import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.records.bench import NOW, entry
from valuer.records.book_files import as_csv, as_json
from valuer.records.entries import Book
from valuer.records.files import BadFile
from valuer.records.imports import compared, imported
from valuer.records.jpeg import NoJpeg, stripped
from valuer.records.store.store import Store, open_store

PLACE = b"\xff\xe1\x00\x0cExif\x00\x00HERE"
SMALL = (
    b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00"
    b"\xff\xc0\x00\x0b\x08\x00\x10\x00\x10\x01\x01\x11\x00\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00data\xff\xd9"
)
"""The least there is of a JPEG: 16 by 16 pixels, one component (ITU-T T.81, annex B)."""

OURS = {"terms": {"hour_value": 18.0, "currency": "EUR"}, "words": "american"}
New = Callable[[str], Store]


@pytest.fixture
def new(tmp_path: Path) -> Iterator[New]:
    """Make empty stores by name."""
    made: list[Store] = []

    def make(name: str) -> Store:
        made.append(open_store(NOW, str(tmp_path / f"{name}.sqlite")))
        return made[-1]

    yield make
    for store in made:
        store.close()


@pytest.fixture
def ours(new: New) -> Store:
    """A machine with a picture of itself and one of its plate, and a shop's own terms."""
    store = new("ours")
    store.add(Book(machines=(entry(),)), NOW)
    store.keep_picture("green-1", "machine", "image/jpeg", SMALL, NOW)
    store.keep_picture("green-1", "plate", "image/jpeg", SMALL.replace(b"data", b"more"), NOW)
    store.keep_terms(OURS, 0, NOW)
    return store


def test_they_go_out_and_come_in_again(ours: Store, new: New) -> None:
    text, other = as_json(ours.everything()), new("other")
    told = compared(other, "records.json", text)
    assert (told.new_pictures, told.own_terms) == (2, True)
    assert other.count() == 0, "a look changes nothing"
    imported(other, "records.json", text, NOW)
    assert as_json(other.everything()) == text
    assert other.pictures("green-1") == ours.pictures("green-1")
    again = imported(other, "records.json", text, NOW)
    assert (again.new_pictures, again.own_terms, again.same) == (0, None, 1)


def test_own_terms_on_record_stay_unless_they_are_to_be_replaced(ours: Store, new: New) -> None:
    text, other = as_json(ours.everything()), new("other")
    other.keep_terms({"weeks": 4}, 0, NOW)
    assert imported(other, "records.json", text, NOW).own_terms is False
    assert other.own_terms().document == {"weeks": 4}
    assert imported(other, "records.json", text, NOW, replace=True).own_terms is True
    assert other.own_terms().document == OURS


def test_a_table_has_no_place_for_them(ours: Store) -> None:
    assert as_csv(ours.everything()) == as_csv(ours.book())


def test_the_place_that_a_camera_writes_stays_out(ours: Store, new: New) -> None:
    wire = json.loads(as_json(ours.everything()))
    wire["pictures"][0]["jpeg"] = base64.b64encode(SMALL[:2] + PLACE + SMALL[2:]).decode()
    other = new("other")
    imported(other, "records.json", json.dumps(wire), NOW)
    kept = other.picture("green-1", other.pictures("green-1")[0].name)[1]
    assert b"HERE" not in kept


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"machine": "nobody"}, "pictures 1, machine: no machine 'nobody' in the file"),
        ({"jpeg": "R0lGODlh"}, "expected a JPEG picture, got something else"),
        ({"jpeg": "no base 64!"}, "expected a JPEG in base 64"),
        ({"shows": "the neighbour"}, "pictures 1, shows"),
    ],
)
def test_a_wrong_picture_refuses_the_whole_file(
    ours: Store, new: New, change: dict[str, str], words: str
) -> None:
    wire = json.loads(as_json(ours.everything()))
    wire["pictures"][0] |= change
    other = new("other")
    with pytest.raises(BadFile, match=words):
        imported(other, "records.json", json.dumps(wire), NOW)
    assert other.count() == 0


def test_wrong_own_terms_refuse_it_too(ours: Store, new: New) -> None:
    wire = json.loads(as_json(ours.everything()))
    wire["own_terms"]["terms"]["hour_valeu"] = 3
    with pytest.raises(BadFile, match=r"own_terms.*no such term"):
        imported(new("other"), "records.json", json.dumps(wire), NOW)


@pytest.mark.parametrize("fill", [1, 2, 3])
def test_fill_bytes_before_a_marker_are_no_damage(fill: int) -> None:
    """Any number of them (ITU-T T.81, B.1.1.2); they go with what is left out."""
    assert stripped(SMALL[:2] + b"\xff" * fill + SMALL[2:]) == SMALL


@pytest.mark.parametrize(
    ("height", "width", "fits"),
    [
        (1, 20_000, True),
        (20_000, 1, True),
        (0, 16, False),
        (16, 0, False),
        (20_001, 16, False),
        (16, 20_001, False),
    ],
)
def test_a_picture_has_two_sides_of_a_size_that_can_be_decoded(
    height: int, width: int, *, fits: bool
) -> None:
    sides = height.to_bytes(2, "big") + width.to_bytes(2, "big")
    picture = SMALL.replace(b"\x00\x10\x00\x10", sides)
    if fits:
        assert stripped(picture) == picture
    else:
        with pytest.raises(NoJpeg, match=f"got {width} by {height}"):
            stripped(picture)
