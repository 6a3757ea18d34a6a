"""An honest listing: what it is, what was read and done, every fault left, what was not tested, the price.

No praise: only what the machine's file says. A machine that may not be sold as working gets a listing for
repair with its own statement, or none.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from valuer.advice.ports import ValueModel
from valuer.advice.sale.asking_price import asking_prices
from valuer.advice.sale.outlook import SaleChances
from valuer.advice.sale.sale import NOT_FOR_SALE
from valuer.advice.sale.selling_documents import AskingPrice, Listing
from valuer.advice.worth.common import cautions
from valuer.domain.faults import fault_catalogue
from valuer.domain.findings import findings
from valuer.domain.gates import gate_catalogue, gates_named
from valuer.domain.machine import Finding, Machine
from valuer.domain.notes import reading_notes
from valuer.domain.safety import gate_results, repair_sale
from valuer.domain.shop import ShopTerms

DRIVES = {
    "push": "push mower",
    "front_one_speed": "self-propelled mower, front drive, one speed",
    "front_variable": "self-propelled mower, front drive, variable speed",
    "rear_variable": "self-propelled mower, rear drive, variable speed",
    "all_wheel": "self-propelled mower, all-wheel drive",
    "hydrostatic": "self-propelled mower, hydrostatic drive",
}
ENGINES = {
    "side_valve": "side-valve engine",
    "small_ohv": "overhead-valve engine under 150 cc",
    "mid_ohv": "overhead-valve engine, 150 to 175 cc",
    "large_ohv": "overhead-valve engine over 175 cc",
    "overhead_cam": "overhead-cam engine",
}
EQUIPMENT = {
    "blade_clutch": "blade clutch",
    "mulch_kit": "mulch plug or kit",
    "high_wheels": "high rear wheels",
}

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
AS_SEEN = (
    "Sold as described above, used, from a private bench. Local law decides what a buyer may "
    "claim; who sells often may count as a trader."
)


def draft_listings(
    machines: Sequence[Machine],
    model: ValueModel,
    chances: SaleChances,
    terms: ShopTerms,
    done: Sequence[str] = (),
    weeks: int = 12,
) -> tuple[Listing, ...]:
    """Return a draft for each machine. done: what was done to it, one line each, in the seller's words."""
    priced = asking_prices(machines, model, chances, terms, weeks)
    return tuple(
        _draft(machine, answer, terms, done) for machine, answer in zip(machines, priced, strict=True)
    )


def _draft(machine: Machine, priced: AskingPrice, terms: ShopTerms, done: Sequence[str]) -> Listing:
    carried: dict[str, Any] = {
        name: getattr(priced, name) for name in ("id", "value", "safety", "warnings", "basis")
    }
    refusal = _refusal(machine, priced, terms)
    if refusal:
        return Listing(**carried, cautions=priced.cautions, sold_as=None, refusal=refusal)
    repair = bool(priced.safety.must_cure)
    parts = _repair_parts(machine, terms) if repair else _working_parts(machine, terms, done)
    title = ("For repair or parts: " if repair else "") + what_it_is(machine)
    price = f"Price: {priced.ask:,.0f} {priced.value.currency}"
    buyer = cautions(["repair_sale"]) if repair else FOR_THE_BUYER
    return Listing(
        **carried,
        cautions=(*priced.cautions, *cautions(["run_engine"])),
        sold_as="for repair" if repair or priced.sold_as == "for repair" else "working",
        title=title,
        price=priced.ask,
        text=_text(title, price, parts, buyer),
        markdown=_markdown(title, price, parts, buyer),
        photos=REPAIR_PHOTOS if repair else PHOTOS,
        for_the_buyer=tuple(buyer),
    )


def _refusal(machine: Machine, priced: AskingPrice, terms: ShopTerms) -> str | None:
    """Return why there is no draft: a recall, or checks that nobody has done."""
    if priced.sold_as is None:
        return NOT_FOR_SALE
    offered = repair_sale(machine, terms.blade_stop_limit_s)
    if not offered.may_be_offered:
        return f"No listing in any form before the recall check: {offered.reason}."
    if priced.safety.may_be_sold or priced.safety.must_cure:
        return priced.refusal
    gates = gate_catalogue()
    missing = "; ".join(f"{gates_named([gate])} ({gates[gate].test})" for gate in priced.safety.unchecked)
    return f"Not for sale as working yet, so no draft. Check first: {missing}. Unmeasured is not passed."


def what_it_is(machine: Machine) -> str:
    """Return the machine in a few words, as far as it is known.

    >>> what_it_is(Machine.model_validate({"id": "a", "drive": "push", "deck_width_in": 20}))
    'Petrol push mower, 20 in deck'
    """
    kind = DRIVES.get(machine.drive or "", "walk-behind mower")
    width = f", {machine.deck_width_in:g} in deck" if machine.deck_width_in is not None else ""
    bag = (
        ", bag missing"
        if any(f.fault == "bag_missing" and f.severity == "serious" for f in machine.faults)
        else ""
    )
    return f"Petrol {kind}{width}{bag}"


def _facts(machine: Machine) -> list[str]:
    lines = [
        f"deck of {machine.deck_material}" if machine.deck_material else "",
        ENGINES.get(machine.engine_class or "", ""),
        {"rope": "rope start", "electric": "electric start"}.get(machine.start or "", ""),
        f"{machine.tier} price class when new" if machine.tier else "",
        f"about {machine.age_years:.0f} years old" if machine.age_years is not None else "age not known",
        f"kept {machine.kept}" if machine.kept else "",
        *(word for name, word in EQUIPMENT.items() if getattr(machine, name)),
    ]
    return [line for line in lines if line]


def _working_parts(machine: Machine, terms: ShopTerms, done: Sequence[str]) -> dict[str, list[str]]:
    results = gate_results(machine, terms.blade_stop_limit_s)
    return {
        "What it is": _facts(machine),
        "Starts": _starts(machine),
        "Done": list(done) or ["nothing written down"],
        "Faults it still has": plain_faults(findings(machine, terms.blade_stop_limit_s)),
        "Checked, and what was read": [
            *(f"{gate_catalogue()[result.gate].passes}" for result in results if result.state == "passed"),
            *reading_notes(machine, terms.blade_stop_limit_s),
        ],
        "Not tested": _not_tested(machine),
        "Terms": [AS_SEEN],
    }


def _repair_parts(machine: Machine, terms: ShopTerms) -> dict[str, list[str]]:
    return {
        "What it is": _facts(machine),
        "How it is sold": list(repair_sale(machine, terms.blade_stop_limit_s).statement),
        "Faults": plain_faults(findings(machine, terms.blade_stop_limit_s)),
        "Terms": [AS_SEEN],
    }


def _starts(machine: Machine) -> list[str]:
    if any(item.fault == "no_start" for item in machine.faults):
        return ["does not start"]
    pulls = machine.readings.cold_pulls
    if pulls is None:
        return ["cold start not counted"]
    return [f"cold in {pulls:g} {'pull' if pulls == 1 else 'pulls'}"]


def plain_faults(found: Iterable[Finding]) -> list[str]:
    """Return every fault in plain words; one in doubt is said to be."""
    lines = []
    for item in found:
        fault = fault_catalogue()[item.fault]
        seen = (fault.slight or fault.serious) if item.severity == "slight" else fault.serious
        doubt = "" if item.chance >= 1 else "in doubt, "
        lines.append(f"{fault.name} ({doubt}{item.severity}): {seen}")
    return lines or ["none found"]


def _not_tested(machine: Machine) -> list[str]:
    """Return what a buyer would ask about and nobody has read."""
    readings = machine.readings
    open_ones = {
        "compression": readings.compression_psi is None and readings.leak_down_percent is None,
        "half an hour of running": readings.hot_run is None,
        "smoke": readings.smoke is None,
        "pull of the drive": machine.drive != "push" and readings.drive_pull_kgf is None,
    }
    return [name for name, missing in open_ones.items() if missing] or ["nothing left out of the usual list"]


def _text(title: str, price: str, parts: dict[str, list[str]], buyer: Iterable[str]) -> str:
    blocks = [title, price]
    for head, lines in {**parts, "For the buyer": list(buyer)}.items():
        blocks.append("\n".join([f"{head}:", *(f"- {line}" for line in lines)]))
    return "\n\n".join(blocks) + "\n"


def _markdown(title: str, price: str, parts: dict[str, list[str]], buyer: Iterable[str]) -> str:
    blocks = [f"# {_plain(title)}", f"**{_plain(price)}**"]
    for head, lines in {**parts, "For the buyer": list(buyer)}.items():
        blocks.append("\n".join([f"## {head}", "", *(f"- {_plain(line)}" for line in lines)]))
    return "\n\n".join(blocks) + "\n"


def _plain(text: str) -> str:
    """Text that Markdown shows as it stands."""
    return "".join(
        f"\\{letter}" if letter in r"\`*_{}[]<>#|" else letter for letter in " ".join(text.split())
    )
