"""What people write: descriptions in words and figures in any spelling, understood right, wrong, or asked about."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random

from tests.benchmark.figures import Figure, at_least, at_most, beside
from tests.benchmark.spellings import DIALECTS, ROWS, broken, spellings, table
from valuer.intake.numbers import NotUnderstood, read_figure
from valuer.intake.quantities import quantities
from valuer.intake.words import Understood, read_words
from valuer.records.files import BadFile, machines_in

DESCRIPTIONS = Path(__file__).with_name("descriptions.txt")
LATER = [
    Path(__file__).with_name(f"descriptions_{name}.txt")
    for name in ("fresh", "second", "third", "fourth", "fifth")
]
"""Written after there was a reader, each file counted as it came, before the reader was mended by it."""

YEAR = 2026
CLOSE = 0.005  # relative; an inch written to two digits after the point


@dataclass(frozen=True)
class Description:
    """A machine in words, and everything that was meant by them."""

    text: str
    meant: frozenset[str]


def descriptions(path: Path = DESCRIPTIONS) -> list[Description]:
    """The descriptions of a file, in its order."""
    lines = [line for line in path.read_text("utf-8").splitlines() if line and not line.startswith("#")]
    pairs = zip(lines[::2], lines[1::2], strict=True)
    return [Description(text, frozenset(meant[1:].split())) for text, meant in pairs]


def claims(read: Understood) -> set[str]:
    """What the parser claims about a machine, in the words of the file; what it asks is no claim."""
    told = read.machine.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    told.pop("id")
    found = set(told.pop("faults", ()))
    readings, checks = told.pop("readings", {}), told.pop("checks", {})
    causes = told.pop("causes", {})
    found |= {f"{name}{'+' if result == 'passed' else '-'}" for name, result in checks.items()}
    found |= {f"{name}={_said(value)}" for name, value in {**told, **readings, **causes}.items()}
    return found | {f"-{fault}" for fault in read.not_there}


def _said(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ",".join(map(_said, value))
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def same(claim: str, meant: str) -> bool:
    """Whether a claim says what was meant; figures to half a per cent."""
    if claim == meant:
        return True
    (name, _, value), (other, _, wanted) = claim.partition("="), meant.partition("=")
    try:
        return name == other and all(
            abs(float(a) - float(b)) <= CLOSE * abs(float(b))
            for a, b in zip(value.split(","), wanted.split(","), strict=True)
        )
    except ValueError:
        return False


def judged(description: Description) -> Iterator[tuple[str, str]]:
    """Each thing meant or claimed, as right, asked, missed or wrong."""
    read = read_words(description.text, YEAR)
    said = claims(read)
    asked = {choice for ask in read.ask for choice in (ask.about, *ask.choices)}
    for meant in description.meant:
        name = meant.lstrip("?-").split("=")[0].split(":")[0].rstrip("+-")
        if meant.startswith("?"):
            claimed = any(claim.split(":")[0].split("=")[-1] in meant[1:].split("|") for claim in said)
            yield ("wrong" if claimed else "right" if asked & set(meant[1:].split("|")) else "missed"), meant
        elif any(same(claim, meant) for claim in said):
            yield "right", meant
        else:
            yield ("asked" if name in asked or meant.split("=")[-1] in asked else "missed"), meant
    wanted = [meant for meant in description.meant if not meant.startswith("?")]
    asking = {name for meant in description.meant if meant.startswith("?") for name in meant[1:].split("|")}
    for claim in said:
        if claim.split(":")[0].split("=")[-1] not in asking and not any(
            same(claim, meant) for meant in wanted
        ):
            yield "wrong", claim


def words_figures() -> Iterator[Figure]:
    """The shares over the descriptions; nothing here is drawn, so no seed matters."""
    yield from _shares("in words", descriptions())
    yield from _shares("in words, written later", [each for path in LATER for each in descriptions(path)])
    for path in LATER:
        right, wrong = as_they_came(path)
        name = path.stem.partition("_")[2]
        yield beside(
            f"in words, the {name} ones as they came: right, wrong without asking", f"{right}, {wrong}"
        )


def as_they_came(path: Path) -> tuple[str, str]:
    """The shares right and wrong that a file's head gives, taken before anything was mended by it."""
    found = re.search(r"right (\.\d+), wrong without asking (\.\d+)", path.read_text("utf-8"))
    assert found, path
    return found[1], found[2]


def _shares(name: str, every: list[Description]) -> list[Figure]:
    counted: Counter[str] = Counter()
    for each in every:
        counted.update(verdict for verdict, _ in judged(each))
    meant = sum(len(each.meant) for each in every)
    return [
        beside(f"{name}: descriptions, things meant", f"{len(every)}, {meant}"),
        at_least(f"{name}: right", counted["right"] / meant, 0.92),
        at_most(f"{name}: wrong without asking", counted["wrong"] / meant, 0.01),
        beside(f"{name}: asked about, missed", f"{counted['asked']}, {counted['missed']}"),
    ]


def number_figures(count: int, seed: int) -> list[Figure]:
    """Spellings of figures: understood right, asked about, and silently wrong."""
    counted: Counter[str] = Counter()
    for each in spellings(count, seed):
        try:
            read = read_figure(each.text, quantities()[each.name]).values
        except NotUnderstood:
            counted["asked"] += 1
            continue
        near = len(read) == len(each.meant) and all(
            abs(a - b) <= CLOSE * max(abs(b), 1e-9) for a, b in zip(read, each.meant, strict=True)
        )
        counted["right" if near else "wrong"] += 1
    return [
        beside(
            "figures: spellings, understood, asked about", f"{count}, {counted['right']}, {counted['asked']}"
        ),
        at_most("figures: silently wrong", counted["wrong"], 0, 0),
    ]


def table_figures(seed: int) -> list[Figure]:
    """Tables of twelve dialects: good ones whole, broken ones refused."""
    draw = Random(seed)
    lost = taken = files = 0
    for sign, code in DIALECTS:
        lost += len(ROWS) - len(machines_in("bench.csv", table(sign, code, ROWS)))
        for rows in broken(draw):
            files += 1
            try:
                machines_in("bench.csv", table(sign, code, rows))
            except BadFile:
                continue
            taken += 1
    return [
        beside("tables: dialects, broken files", f"{len(DIALECTS)}, {files}"),
        at_most("tables: broken files taken", taken, 0, 0),
        at_most("tables: rows lost of good files", lost, 0, 0),
    ]


def keystrokes() -> Figure:
    """Keys from nothing to the value of a machine with two faults, the end of the line counted."""
    line = "valuer price rwd 21in 6y mid, rings while running, damp under the carb\n"
    read = read_words(line.removeprefix("valuer price "), YEAR)
    understood = len(read.machine.faults) == 2 and not read.ask
    return at_most(
        "keystrokes to the value of a machine with two faults", len(line) if understood else 999, 90, 0
    )


def run(seed: int = 14) -> Iterator[Figure]:
    """Yield the figures; another seed draws other spellings and breaks other rows."""
    yield from words_figures()
    yield from number_figures(5_000, seed)
    yield from table_figures(seed)
    yield keystrokes()
