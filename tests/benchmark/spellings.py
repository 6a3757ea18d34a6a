"""Figures spelt and tables parted in every way that people and programs do, each with what was meant by it.

A generator of its own: it knows nothing of the reader, only how figures are written.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

# name, least and most that is written, digits after the mark, unit spellings with what one of them is in the
# figure's own unit (SI brochure, international yard: published), and whether several runs are given
KINDS: list[tuple[str, float, float, int, list[tuple[str, float]], bool]] = [
    ("blade_stop_s", 1.0, 9.0, 1, [("", 1), (" s", 1), ("s", 1), (" sec", 1), (" seconds", 1)], True),
    ("roll_pull_kgf", 1.0, 9.0, 1, [("", 1), (" kgf", 1), (" kg", 1), (" N", 1 / 9.80665), (" lbf", 0.45359237)], True),
    ("deck_width_in", 18, 33, 0, [("", 1), ('"', 1), (" in", 1), (" inch", 1), ("''", 1)], False),
    ("deck_width_in", 46, 83, 0, [(" cm", 1 / 2.54), ("cm", 1 / 2.54)], False),
    ("age_years", 1, 20, 1, [("", 1), (" years", 1), (" yrs", 1), ("y", 1)], False),
    ("age_years", 3, 200, 0, [(" months", 1 / 12)], False),
    ("compression_psi", 30, 140, 0, [("", 1), (" psi", 1), (" PSI", 1)], False),
    ("compression_psi", 2, 9, 1, [(" bar", 100 / 6.894757293168), ("bar", 100 / 6.894757293168)], False),
    ("engine_rpm", 1800, 3900, 0, [("", 1), (" rpm", 1), (" RPM", 1)], False),
    ("crank_runout_mm", 0.01, 0.9, 3, [("", 1), (" mm", 1), ("mm", 1)], False),
    ("intake_lash_mm", 0.05, 0.3, 2, [("", 1), (" mm", 1)], False),
    ("machine_mass_kg", 20, 60, 1, [("", 1), (" kg", 1), (" lb", 0.45359237)], False),
    ("price", 5, 9_000, 2, [("", 1), (" $", 1), ("\u20ac", 1), (" USD", 1)], False),
    ("new_price", 100, 250_000, 0, [("", 1), (" EUR", 1)], False),
    ("hours", 0.1, 30, 2, [("", 1), (" h", 1), (" hours", 1)], False),
    ("hours", 5, 90, 0, [(" min", 1 / 60), (" minutes", 1 / 60)], False),
    ("price_level", 0.5, 2, 2, [("", 1)], False),
    ("trip_miles", 2, 80, 0, [("", 1), (" miles", 1), (" km", 1 / 1.609344)], False),
]  # fmt: skip
JOINS = [" ", "; ", ";", ", ", ",", " / ", "/", " and ", "\n"]


@dataclass(frozen=True)
class Spelling:
    """A figure as it is written, and the values that were meant, in the figure's own unit."""

    name: str
    text: str
    meant: tuple[float, ...]


def spellings(count: int, seed: int) -> Iterator[Spelling]:
    """So many figures, each of a kind and in a spelling drawn by the seed."""
    draw = Random(seed)
    for _ in range(count):
        name, low, high, digits, units, runs = draw.choice(KINDS)
        unit, factor = draw.choice(units)
        several = draw.choice([1, 1, 2, 3, 3]) if runs else 1
        mark, group = draw.choice(
            [(".", ""), (",", ""), (".", ","), (",", "."), (",", " "), (".", " "), (".", "'")]
        )
        values = [round(draw.uniform(low, high), draw.randint(0, digits)) for _ in range(several)]
        each = [_spelt(value, digits, mark, group, draw) for value in values]
        unit_each = draw.random() < 0.5
        text = draw.choice(JOINS).join(part + unit if unit_each else part for part in each)
        text += "" if unit_each else unit
        text = draw.choice(["", "", "", " ", "about "]) + text if several == 1 else text
        yield Spelling(name, text, tuple(value * factor for value in values))


def _spelt(value: float, digits: int, mark: str, group: str, draw: Random) -> str:
    if float(value).is_integer() and draw.random() < 0.7:
        text = f"{value:,.0f}"
    else:
        text = f"{value:,.{draw.randint(max(1, min(digits, 2)), max(1, digits))}f}"
        if abs(float(text.replace(",", "")) - value) > 1e-12:
            text = f"{value:,.{max(1, digits)}f}"
    whole, point, part = text.partition(".")
    return whole.replace(",", group) + (mark + part if point else "")


HEADER = [
    "id",
    "drive",
    "age_years",
    "deck_width_in",
    "mulch_kit",
    "faults",
    "blade_stop_s",
    "recall",
    "note",
]
ROWS = [
    ["m1", "push", "6.5", "21", "yes", "dirty:slight", "2.1 2.3", "passed", "gr\u00fcn"],
    ["m2", "rear_variable", "7", "22", "no", "no_start:serious", "", "failed", "caf\u00e9"],
    ["m3", "", "4.5", "", "", "blade_dull:slight", "2.9 2.8", "", ""],
]
BAD = {
    "id": ["", "..", "m1", "=1+1"],
    "drive": ["pull", "front drive", "7", "push push"],
    "age_years": ["six", "nan", "-1", "2019", "5-6", "1e999", "over 5", "6 cm"],
    "deck_width_in": ["2100", "wide", "21 s", "53", "=6+0"],
    "mulch_kit": ["maybe", "2", "sometimes"],
    "faults": ["blade_dul:slight", "no_start:sleight", "dirty", "recall_open:slight", "slight:dirty"],
    "blade_stop_s": ["fast", "-2", "99", "2 mm", "nan", "2..3"],
    "recall": ["no", "maybe", "soon", "1 of 2", "later"],
}
"""What may not be taken, by column; forty in all with a short and a long row."""
DIALECTS = [(sign, code) for sign in (",", ";", "\t", "|") for code in ("utf-8", "utf-16", "cp1252")]


def table(sign: str, code: str, rows: list[list[str]]) -> bytes:
    """The rows as a file of one dialect; decimal commas where commas do not part the cells."""
    text = io.StringIO()
    writer = csv.writer(text, delimiter=sign)
    writer.writerow(HEADER)
    for row in rows:
        comma = sign in (";", "\t")
        writer.writerow(
            [
                c.replace(".", ",")
                if comma and c.replace(".", "").replace(" ", "").isdigit() and "." in c
                else c
                for c in row
            ]
        )
    return text.getvalue().encode(code)


def broken(draw: Random) -> Iterator[list[list[str]]]:
    """The rows with one thing wrong each; which row is drawn."""
    for column, cells in BAD.items():
        for cell in cells:
            rows = [list(row) for row in ROWS]
            rows[draw.randrange(1, len(rows))][HEADER.index(column)] = cell
            yield rows
    yield [*ROWS[:1], ROWS[1][:-1], ROWS[2]]
    yield [*ROWS[:1], [*ROWS[1], "more"], ROWS[2]]
