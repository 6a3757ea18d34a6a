"""Bodies and files that are as dear to refuse as a stranger can make them: a generator, by seed and size.

Each is one shape (a list, a name, a word, a nesting that goes on and on) filled up to its size with one kind of
piece. None of them is a question that could be answered.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from random import Random
from typing import NamedTuple

from valuer.domain.faults import fault_catalogue
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Machine
from valuer.domain.readings import Readings


class Hostile(NamedTuple):
    """What it is called, and its bytes."""

    name: str
    data: bytes


NAMES = (*Machine.model_fields, *Readings.model_fields, *fault_catalogue(), *gate_catalogue())


def _near(random: Random) -> str:
    """A word that is nearly one of ours, so that a hint has to be looked for."""
    word = random.choice(NAMES)
    at = random.randrange(len(word))
    return f"{word[:at]}{random.choice('abcxyz_0')}{word[at + 1 :]}"


PIECES: dict[str, Callable[[Random], str]] = {
    "near words": lambda random: f'"{_near(random)}:slight"',
    "new words": lambda random: f'"{random.getrandbits(40):x}"',
    "right faults": lambda _: '"blade_dull:slight"',
    "figures": lambda random: str(random.randrange(10)),
    "long figures": lambda random: "9" * random.randrange(300, 4_000),
    "nothing": lambda _: "null",
    "lists": lambda _: "[]",
    "objects": lambda _: "{}",
    "pairs": lambda random: f'{{"{random.getrandbits(20):x}":0}}',
    "machines": lambda random: f'{{"id":"m{random.getrandbits(32)}"}}',
    "wrong machines": lambda random: f'{{"id":"{_near(random)} ","drive":"{_near(random)}"}}',
    "escapes": lambda _: '"\\u0007\\ud83d\\ude00"',
    "long words": lambda random: f'"{_near(random) * random.randrange(1, 2_000)}"',
}


def _list(random: Random, piece: str, size: int) -> str:
    made = [PIECES[piece](random) for _ in range(200)]
    count = max(1, size // (sum(map(len, made)) // len(made) + 1))
    return f"[{','.join(random.choice(made) for _ in range(count))}]"


def _object(random: Random, piece: str, size: int) -> str:
    made = [PIECES[piece](random) for _ in range(50)]
    count = max(1, size // (sum(map(len, made)) // len(made) + 14))
    names = (f"{random.choice(NAMES)[:4]}{number}" for number in range(count))
    members = ",".join(f'"{name}":{random.choice(made)}' for name in names)
    return f"{{{members}}}"


def _deep(random: Random, piece: str, size: int) -> str:
    opening, closing = random.choice(
        [("[", "]"), ('{"a":', "}"), ('{"machines":', "}"), ('[{"readings":', "}]")]
    )
    depth = random.choice([50, 200, 900, size // (len(opening) + len(closing))])
    return opening * depth + PIECES[piece](random) + closing * depth


def _long_word(random: Random, piece: str, size: int) -> str:
    word = "".join(c for c in PIECES[piece](random) if c.isalnum()) or "x"
    return f'"{(word * (size // len(word) + 1))[: max(1, size - 2)]}"'


SHAPES = (_list, _list, _object, _object, _deep, _long_word)
AROUND = (
    "%s",
    '{"machines":%s}',
    '{"machines":[%s]}',
    '{"machines":[{"id":"m1","faults":%s}]}',
    '{"machines":[{"id":"m1","checks":%s}]}',
    '{"machines":[{"id":"m1","readings":%s}]}',
    '{"machines":[{"id":"m1","readings":{"blade_stop_s":%s}}]}',
    '{"machines":[{"id":"m1","readings":{"roll_pull_n":%s}}]}',
    '{"machines":[{"id":%s}]}',
    '{"machines":[{"id":"m1","note":%s}]}',
    '{"machines":[{"id":"m1",%s:1}]}',
    '{"machines":[{"id":"m1"}],"terms":%s}',
    '{"machines":[{"id":"m1"}],"done":%s}',
    '{"machines":[{"id":"m1"}],"done":{"m1":%s}}',
    '{"machines":[{"id":"m1"}],"seen":%s}',
    '{"machines":[{"id":"m1"}],"quotes":%s}',
    '{"machines":[{"id":"m1"}],"not_there":%s}',
    '{"machines":[{"id":"m1"}],"hour_values":%s}',
    '{"machines":[{"machine":{"id":"m1"},"taken_on":"2026-05-01","fixes":%s}]}',
    '{"machines":[{"machine":{"id":"m1"},"taken_on":"2026-05-01","weeks":%s}]}',
    '{"machine":{"id":"m1"},"fixes":%s}',
    '{"token":%s}',
)
"""Where the hostile part stands, for each list and each object of free names that a body or a file has."""


def hostile_json(seed: int, size: int) -> Iterator[Hostile]:
    """JSON of about so many bytes without end; every place is met with every shape before long."""
    random = Random(seed)
    while True:
        around, shape, piece = random.choice(AROUND), random.choice(SHAPES), random.choice(tuple(PIECES))
        text = around.replace("%s", shape(random, piece, size - len(around)))
        cut = text[: random.choice([size, size, size, len(text) // 2])]
        yield Hostile(f"{around[:60]} of {shape.__name__[1:]} of {piece}", cut.encode()[:size])


CELLS: dict[str, Callable[[Random], str]] = {
    "nothing": lambda _: "",
    "near words": _near,
    "faults": lambda random: ";".join(f"{_near(random)}:slight" for _ in range(random.randrange(1, 5_000))),
    "pairs": lambda random: ";".join(f"{_near(random)}:1" for _ in range(random.randrange(1, 5_000))),
    "JSON": lambda random: f'"{_list(random, "nothing", 50_000)}"',
    "long words": lambda random: "x" * random.randrange(1, 150_000),
    "quotes": lambda _: '"',
    "quoted line ends": lambda _: '"\n\r\n"',
    "figures": lambda random: str(random.randrange(50)),
}
HEADERS = (
    "id,age_years",
    "id,faults,readings,checks",
    "id,sold_on,price",
    "id,taken_on,fixes,weeks",
    "",
    "#",
)


def hostile_csv(seed: int, size: int) -> Iterator[Hostile]:
    """CSV of about so many bytes without end: too many rows, columns, cells, quotes, or too long ones."""
    random = Random(seed)
    while True:
        header, kind = random.choice(HEADERS), random.choice(tuple(CELLS))
        made = [CELLS[kind](random) for _ in range(20)]
        columns = random.choice([1, len(header.split(",")), 90, 10_000_000])
        end = random.choice(["\n", "\r\n", "\r", ""])
        text = [f"{header}{end}"]
        length = 0
        while length < size:
            cell = random.choice(made)
            row = ",".join([cell] * min(columns, size // (len(cell) + 1) + 1)) + end
            row = row[: size - length + 1] or " "
            times = 1 if len(row) > 10_000 else 10_000 // len(row)
            text.append(row * times)
            length += len(row) * times
        yield Hostile(f"{header!r}, {columns} columns of {kind}, {end!r}", "".join(text).encode()[:size])
