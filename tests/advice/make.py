"""Machines, terms and cases in one line each."""

from typing import Any

import numpy as np

from tests.advice.fake import FakeModel
from valuer.advice.work.bay import Bay, bays
from valuer.advice.work.policies import Workshop, usual_workshop, workshop
from valuer.domain.fixes import Fix, fix_catalogue
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms


def machine(*faults: str, id: str = "m", drive: str = "rear_variable", **more: Any) -> Machine:  # noqa: A002
    """A mid-size driven machine with these faults, each ``fault:severity``."""
    return Machine.model_validate({"id": id, "drive": drive, "faults": list(faults), **more})


def terms(**more: Any) -> ShopTerms:
    """Terms in May, an hour worth 15 unless said otherwise."""
    return ShopTerms.model_validate({"month": 5, **more})


def bay(*faults: str, sound: float = 190.0, shop: Workshop | None = None, **more: Any) -> Bay:
    """The bay of one machine under the fake model."""
    asked = {name: value for name, value in more.items() if name in ShopTerms.model_fields}
    rest = {name: value for name, value in more.items() if name not in asked}
    return bays([machine(*faults, **rest)], FakeModel(sound), terms(**asked), shop or usual_workshop())[0]


def fix(name: str, **changes: Any) -> Fix:
    """A fix of the catalogue with some figures replaced; ``odds`` maps faults to a chance."""
    known = fix_catalogue()[name].model_dump(exclude_none=True)
    for fault, chance in changes.pop("odds", {}).items():
        known["cures"].setdefault(fault, {"tries": 6.0, "next": "leave_and_disclose"})
        known["cures"][fault] |= {"odds": {"low": chance, "likely": chance, "high": chance, "tries": 6.0}}
        for special in ("slight", "serious", "when"):
            known["cures"][fault].pop(special, None)
    return Fix.model_validate({**known, **changes})


def shop_with(*fixes: Fix) -> Workshop:
    """A workshop that offers these fixes and no others."""
    return workshop({item.id: item for item in fixes})


def changed_shop(*fixes: Fix) -> Workshop:
    """The usual workshop with these fixes in place of their namesakes."""
    return workshop({**fix_catalogue(), **{item.id: item for item in fixes}})


def names(bay_: Bay, places: tuple[int, ...]) -> tuple[str, ...]:
    """The fix ids of places in the workshop."""
    return tuple(bay_.case.shop.names[place] for place in places)


def close(first: float, second: float, within: float = 1e-9) -> bool:
    """Whether two figures agree."""
    return bool(np.isclose(first, second, rtol=0, atol=within))
