"""Adverts of machines drawn from the simulator: too long, in the catalogue's words, for the seller, ungrammatical."""

from __future__ import annotations

import re

import numpy as np

from api.selling import PASSED
from tests.fake_model import FakeModel
from tests.fake_selling import FakeSelling
from tests.price_model.machines import from_market
from valuer.advice.sale.listing import draft_listings
from valuer.advice.sale.selling_documents import Listing
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms

MOST_LINES, MACHINES = 15, 300
FOR_SELLERS = re.compile(
    r"(?i)\btrader|\bclaim|least to take|keep it to yourself|measure again|check first|time \d"
)
WRONG_NUMBER = re.compile(r"(?<![\d.])1 (pulls|years|runs|minutes|weeks)\b|\b\d+\.\d{3,}")
LIMITS = re.compile(r"[<>]|\d [a-z]+ or more|over \d+ (?!cc)|under \d+ (psi|mm|%)|\d+-\d+")


def faulty_adverts(seed: int) -> tuple[int, int]:
    """Return how many of the adverts there are have something wrong with them, and how many there are."""
    rng = np.random.default_rng([seed, 7])
    machines = [_read(machine, rng) for machine in from_market(MACHINES, 500 + seed)]
    drafts = draft_listings(machines, FakeModel(), FakeSelling(), ShopTerms(month=5), ("blade sharpened",))
    written = [draft for draft in drafts if draft.refusal is None]
    return sum(wrong(draft) for draft in written), len(written)


def _read(machine: Machine, rng: np.random.Generator) -> Machine:
    """The machine with checks and readings that an owner might have taken."""
    readings = dict(PASSED["readings"])  # type: ignore[call-overload]
    more = {
        "cold_pulls": 1,
        "hot_run": "held",
        "smoke": "none",
        "compression_psi": 95,
        "drive_pull_kgf": 6.18,
    }
    more |= {
        "roll_pull_kgf": [1.8, 1.9, 2.0],
        "oil_cardboard": "dry",
        "leak_down_percent": 12.3456,
        "struck": False,
    }
    readings |= {name: value for name, value in more.items() if rng.random() < 0.5}
    wire = machine.model_dump(exclude_none=True) | {"readings": readings, "checks": PASSED["checks"]}
    wire["faults"] = [str(finding) for finding in machine.faults]
    return Machine.model_validate(wire)


def wrong(draft: Listing) -> bool:
    """Whether one of its forms is too long, speaks the catalogue's or the seller's language, or breaks a number."""
    limits = [text for fault in fault_catalogue().values() for text in (fault.slight, fault.serious) if text]
    digits = [text.lower() for text in limits if re.search(r"\d", text)]
    return any(
        len(form.splitlines()) > MOST_LINES
        or FOR_SELLERS.search(form)
        or WRONG_NUMBER.search(form)
        or LIMITS.search(form)
        or any(text in form.lower() for text in digits)
        for form in (draft.text, draft.short)
    )
