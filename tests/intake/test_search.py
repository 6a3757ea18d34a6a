"""Finding by words (C6): `won't start`, `leaking`, `carburetor` and `vibration` find what they mean."""

import pytest

from valuer.domain.faults import fault_catalogue
from valuer.domain.fixes import fix_catalogue
from valuer.intake.search import every, search


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        ("won't start", "no_start"), ("leaking", "fuel_leak_carb"), ("leaking", "oil_leak_sump"),
        ("carburetor leaking", "fuel_leak_carb"), ("vibration", "vibration"), ("shakes", "vibration"),
        ("rope broken", "recoil_rope"), ("needle seat", "needle_seat"), ("deck rust hole", "deck_rust_hole"),
    ],
)  # fmt: skip
def test_what_somebody_means_is_found(words: str, wanted: str) -> None:
    assert wanted in {each.id for each in search(words)}


def test_every_fault_and_every_fix_stands_in_the_list_and_is_found_by_its_name() -> None:
    assert [each.id for each in every("fault")] == list(fault_catalogue())
    assert [each.id for each in every("fix")] == list(fix_catalogue())
    for each in (*every("fault"), *every("fix")):
        assert each in search(f"{each.id.replace('_', ' ')} {each.name}")[:12]


def test_what_nobody_calls_anything_finds_nothing() -> None:
    assert search("zzyzx") == ()
