"""An honest advert that a buyer reads, and beside it what is meant for the seller alone.

No praise: only what the machine's file says. A machine that may not be sold as working gets an advert for repair
that says what works on it, or none. The serial number is in none of them.
"""

from collections.abc import Iterable, Sequence
from types import MappingProxyType
from typing import Any

from valuer.advice.ports import ValueModel
from valuer.advice.sale.asking_price import asking_prices
from valuer.advice.sale.buyer_words import (
    CHECKS,
    counted,
    facts_of,
    fault_said,
    measured_said,
    not_tested,
    runs_said,
    title_of,
)
from valuer.advice.sale.outlook import SaleChances
from valuer.advice.sale.sale import NOT_FOR_SALE, History
from valuer.advice.sale.selling_documents import AskingPrice, Listing
from valuer.advice.worth.common import cautions
from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings
from valuer.domain.gates import gate_catalogue, gates_named
from valuer.domain.machine import Finding, Machine
from valuer.domain.months import MONTHS
from valuer.domain.safety import gate_results
from valuer.domain.shop import ShopTerms
from valuer.domain.thresholds import thresholds

PHOTOS = (
    "Film: a hand on the cold engine, then the cold start in one take, outdoors",
    "Film: 30 s of its sound from 1 m; then the bar let go and the blade heard to stop",
    "Film: driving on grass, if it drives",
    "Left, right, rear, and the deck from above, by daylight on plain ground",
    "The deck from below, scraped clean, plug lead off and tank empty",
    "Blade edge; wheels; bag; dipstick on white paper",
    "The plate, the last digits of the serial number covered",
    "The readings, written on a card",
)
REPAIR_PHOTOS = (
    "Left, right, rear, and the deck from above and from below",
    "Each fault named, close up",
    "The plate, the last digits of the serial number covered",
    "The tag 'do not run', tied to the handle; the plug lead off",
)
FOR_THE_BUYER = (
    "Try it outdoors only: exhaust in a garage or shed kills within minutes, door open or not.",
    "The bar lets go, the blade stops: have it shown, and never tie the bar.",
    "Let it cool before filling up; approved can, no flame near; it travels with an empty tank, tied down.",
    "Plug lead off before hands go near the blade.",
)
COME = "Come by daylight and start it cold yourself, outdoors; it travels with an empty tank."
COME_FOR_IT = "Not to be run until repaired. It goes with the tank empty and the plug lead off{blade}."
LAW = (
    "Local law decides what a buyer may claim of you; who sells often may count as a trader. Keep a dated receipt with "
    "the faults and the readings."
)
BLADE_GATES = ("blade_stop", "bail", "shields")
SHORT_MOST = 4
"""Statements in the short form, beside the faults."""

HIDDEN = "(number withheld)"
LEAST_HIDDEN = 4
"""Characters from which on a serial number is looked for in what the seller wrote."""


def draft_listings(
    machines: Sequence[Machine],
    model: ValueModel,
    chances: SaleChances,
    terms: ShopTerms,
    done: Sequence[str] = (),
    weeks: int = 12,
    history: History = MappingProxyType({}),
) -> tuple[Listing, ...]:
    """Return a draft for each machine. done: what was done to it, one line each, in the seller's words."""
    priced = asking_prices(machines, model, chances, terms, weeks, history)
    return tuple(
        _draft(machine, answer, terms, done) for machine, answer in zip(machines, priced, strict=True)
    )


def _draft(machine: Machine, priced: AskingPrice, terms: ShopTerms, done: Sequence[str]) -> Listing:
    carried: dict[str, Any] = {
        name: getattr(priced, name) for name in ("id", "called", "value", "safety", "warnings", "basis")
    }
    refusal = NOT_FOR_SALE if priced.sold_as is None else priced.first or priced.refusal
    if refusal:
        return Listing(**carried, cautions=priced.cautions, sold_as=None, refusal=refusal)
    repair = priced.sold_as == "for repair"
    title = f"{title_of(machine)}, for repair or parts" if repair else title_of(machine)
    price = f"Price: {priced.ask:,.0f} {priced.value.currency}"
    found = findings(machine, terms.blade_stop_limit_s)
    lines = [_hidden(line, machine) for line in _body(machine, found, done, terms, repair=repair)]
    short = _short(machine, found, repair=repair)
    return Listing(
        **carried,
        cautions=(*priced.cautions, *cautions(["run_engine"])),
        sold_as="for repair" if repair else "working",
        title=_hidden(title, machine),
        price=priced.ask,
        text=_text(_hidden(title, machine), price, lines),
        markdown=_markdown(_hidden(title, machine), price, lines),
        short=_text(_hidden(title, machine), price, [short]),
        short_markdown=_markdown(_hidden(title, machine), price, [short]),
        photos=REPAIR_PHOTOS if repair else PHOTOS,
        for_the_buyer=tuple(cautions(["repair_sale"]) if repair else FOR_THE_BUYER),
        for_the_seller=_for_the_seller(machine, priced, found, repair=repair),
    )


def _body(
    machine: Machine, found: Sequence[Finding], done: Sequence[str], terms: ShopTerms, *, repair: bool
) -> list[str]:
    """The lines of the long form, at most ten of them."""
    certain, doubtful = _parted(found)
    works, tested = list(runs_said(machine)), list(measured_said(machine))
    results = gate_results(machine, terms.blade_stop_limit_s)
    passed = [CHECKS[r.gate] for r in results if r.state == "passed" and r.gate in CHECKS]
    untested = not_tested(machine) + (
        [gates_named([r.gate]) for r in results if r.state == "not_tested"] if repair else []
    )
    blade = any(item.fault in gate_catalogue()[gate].faults for item in found for gate in BLADE_GATES)
    lines = (
        _sentence("", facts_of(machine)),
        _sentence("What works: " if repair else "", works),
        _sentence("Measured: ", tested, between="; "),
        _sentence("Looked through and in order: ", passed),
        _sentence("Done: ", (" ".join(line.split()) for line in done)),
        _sentence(
            "Faults: ", (fault_said(item) for item in certain), "Faults: none found in what was tested."
        ),
        _sentence("Not certain: ", (_name(item) for item in doubtful)),
        _sentence("Not tested: ", untested),
        COME_FOR_IT.format(blade=", the blade taken off" if blade else "") if repair else COME,
    )
    return [line for line in lines if line]


def _short(machine: Machine, found: Sequence[Finding], *, repair: bool) -> str:
    """One paragraph: what works, what does not."""
    certain, _ = _parted(found)
    said = [*runs_said(machine), *measured_said(machine)][:SHORT_MOST]
    parts = (
        _sentence("", said, between="; "),
        _sentence("Faults: ", (fault_said(item) for item in certain), "No fault found in what was tested."),
        "Not to be run until repaired." if repair else "",
    )
    return " ".join(part for part in parts if part)


def _parted(found: Sequence[Finding]) -> tuple[list[Finding], list[Finding]]:
    """The certain findings, the serious first, and those in doubt."""
    certain = [item for item in found if item.chance >= 1]
    certain.sort(key=lambda item: item.severity != "serious")
    return certain, [item for item in found if item.chance < 1]


def _name(item: Finding) -> str:
    return fault_catalogue()[item.fault].name.lower().split(" (")[0]


def _sentence(start: str, parts: Iterable[str], otherwise: str = "", between: str = ", ") -> str:
    """Parts as one sentence with a capital at its start; ``otherwise`` where there is none."""
    said = between.join(part for part in parts if part)
    if not said:
        return otherwise
    return f"{start}{said}." if start else f"{said[0].upper()}{said[1:]}."


def _hidden(line: str, machine: Machine) -> str:
    """The line without the serial number, wherever the seller may have written it."""
    serial = machine.serial or ""
    return line.replace(serial, HIDDEN) if len(serial) >= LEAST_HIDDEN else line


def _for_the_seller(
    machine: Machine, priced: AskingPrice, found: Sequence[Finding], *, repair: bool
) -> tuple[str, ...]:
    """What is meant for the seller alone: still to do, what to show, the law."""
    runs, wanted = len(machine.readings.blade_stop_s or ()), thresholds().usual.stop_runs
    doubtful = ", ".join(_name(item) for item in found if item.chance < 1)
    least = f"{priced.least_to_take or 0:,.0f} {priced.value.currency}"
    few = wanted - runs
    lines = (
        f"Time the blade in {counted(few, 'more run')}: the slowest of {wanted} counts."
        if 0 < runs < wanted
        else "",
        f"Measure again, the reading is in doubt: {doubtful}." if doubtful else "",
        f"Still open, and told as not tested: {', '.join(not_tested(machine))}."
        if not_tested(machine)
        else "",
        "" if repair else "Leave it cold for every viewer, and show the blade stop.",
        "Tag it 'do not run', drain the fuel, take the plug lead off before the pictures." if repair else "",
        "Maker and model are not written down: buyers search by them."
        if not (machine.maker or machine.model)
        else "",
        "The serial number stays out of advert and pictures." if machine.serial else "",
        _of_another_month(priced),
        f"The least to take is {least}: keep it to yourself.",
        LAW,
    )
    return tuple(line for line in lines if line)


def _of_another_month(priced: AskingPrice) -> str:
    """A line where the price is not that of today."""
    keeping = priced.keeping
    if keeping is None or keeping.verdict != "keep":
        return ""
    month, today = MONTHS[keeping.month - 1], f"{keeping.ask_now:,.0f}"
    return f"The price is that of {month}, till when it is better kept; today ask {today}."


def _text(title: str, price: str, lines: Iterable[str]) -> str:
    return "\n".join([title, price, "", *lines]) + "\n"


def _markdown(title: str, price: str, lines: Iterable[str]) -> str:
    head = [f"# {_plain(title)}", f"**{_plain(price)}**", ""]
    return "\n".join([*head, *(f"- {_plain(line)}" for line in lines)]) + "\n"


def _plain(text: str) -> str:
    """Text that Markdown shows as it stands."""
    return "".join(
        f"\\{letter}" if letter in r"\`*_{}[]<>#|" else letter for letter in " ".join(text.split())
    )
