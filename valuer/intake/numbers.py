"""Figures as people write them: 3,1 s, 21", 6 years, 1 250, 12,50. One reader for every door.

Decimal comma and point, parted thousands, fractions and units after the number are all understood. What can be
meant in two ways is refused with both of them: a slow blade that is read as two quick runs hurts somebody.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from valuer.domain.words import shown
from valuer.intake.quantities import LEAST_SENSE, Quantity
from valuer.intake.units import KINDS, MONEY_SIGNS, SPELT

BLANKS = dict.fromkeys(map(ord, "\u00a0\u2007\u2008\u2009\u200a\u202f\u2002\u2003\u2005\t"), " ")
SIGNS = {ord(c): "-" for c in "\u2212\u2010\u2011"}
QUOTES = {ord(c): '"' for c in "\u201c\u201d\u201e\u2033"} | {ord(c): "'" for c in "\u2018\u2019\u2032"}
TIDY = BLANKS | SIGNS | QUOTES
FRACTIONS = {"½": 1 / 2, "¼": 1 / 4, "¾": 3 / 4, "⅛": 1 / 8, "⅜": 3 / 8, "⅝": 5 / 8, "⅞": 7 / 8}
ABOUT = re.compile(r"^(?:about|around|approx\.?|approximately|roughly|circa|ca\.?|~)\s*(?=[\d.,$€£+-])")
DASHES = "-\u2013\u2014"
RANGE = re.compile(
    rf"\d\s*(?:[{DASHES}]|\.\.+|\bto\b|\bor\b)\s*\d|\d\s*\+$|"
    r"^[<>≤≥]|^(?:over|under|at least|at most|more than|less than)\b"
)
NUMBER = r"[+-]?[.,]?\d(?:[\d.,' /]*\d)?(?:[eE][+-]?\d{1,3})?\.?"
ONE = re.compile(rf"(?P<sign>[$€£]|[A-Za-z]{{3}}(?=[\s\d]))?\s*(?P<number>{NUMBER})\s*(?P<unit>[^\d.,]*\.?)")
PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
FIRST_YEAR = 1950
DIVISORS = frozenset({2, 3, 4, 8, 16, 32, 64})
PARTED = re.compile(r"[1-9]\d{0,2}([ '])\d{3}(?:\1\d{3})*(?:[.,]\d+)?", re.ASCII)
BOTH_MARKS = re.compile(r"[1-9]\d{0,2}([.,])\d{3}(?:\1\d{3})*(?!\1)[.,]\d+", re.ASCII)
MANY_GROUPS = re.compile(r"[1-9]\d{0,2}([.,])\d{3}(?:\1\d{3})+", re.ASCII)
ONE_GROUP = re.compile(r"[1-9]\d{0,2}[.,]\d{3}", re.ASCII)
ONE_MARK = re.compile(r"\d*[.,]\d+|\d+\.?", re.ASCII)


class NotUnderstood(ValueError):
    """A text that is no figure, or two: ``readings`` are what it may mean, where it may mean something."""

    def __init__(self, message: str, readings: Sequence[str] = ()) -> None:
        super().__init__(message)
        self.readings = tuple(readings)


@dataclass(frozen=True)
class Figure:
    """What was understood: the values in the quantity's own unit, and the same in words to be read back."""

    quantity: Quantity
    values: tuple[float, ...]
    said: str

    @property
    def value(self) -> float | list[float]:
        """The one value, or a list of them where several runs were given: as JSON carries it."""
        return self.values[0] if len(self.values) == 1 else list(self.values)


def read_figure(text: str, quantity: Quantity, *, point: bool = False, currency: str | None = None) -> Figure:
    """Return the figure that a text stands for; raises NotUnderstood in one line.

    ``point``: the text comes from a program that writes decimal points, so 1.250 is one and a quarter.
    ``currency``: what money is in; another sign is refused. None takes any.

    >>> from valuer.intake.quantities import quantities
    >>> read_figure("6 bar", quantities()["compression_psi"]).said
    '6 bar = 87.02 psi'
    >>> read_figure("3,1", quantities()["blade_stop_s"])
    Traceback (most recent call last):
    valuer.intake.numbers.NotUnderstood: '3,1' may be 3.1 s, or 2 runs of 3 and 1 s; write 3.1 or 3 1
    """
    tidy = tidied(text)
    if not tidy:
        raise NotUnderstood(f"expected {_what(quantity)}, got nothing")
    pieces = _one_unit(text, _runs(text, tidy, quantity)) if quantity.runs else [tidy]
    if not pieces:  # nothing but what parts runs
        raise NotUnderstood(f"expected {_what(quantity)}, got {text!r}")
    figures = [_one(text, piece, quantity, point=point, currency=currency) for piece in pieces]
    said = ", ".join(each.said for each in figures)
    runs = f" ({len(figures)} runs)" if len(figures) > 1 else ""
    return Figure(quantity, tuple(each.values[0] for each in figures), said + runs)


def tidied(text: str) -> str:
    """The text with one kind of blank, minus and quote, and its printed fractions as decimals.

    >>> tidied("21½″")
    '21.5"'
    """
    return re.sub(
        rf"(\d*) ?([{''.join(FRACTIONS)}])",
        lambda found: f"{int(found[1] or 0) + FRACTIONS[found[2]]:g}",
        text.translate(TIDY).strip(),
    )


def figure_said(value: float, quantity: Quantity) -> str:
    """A value of a quantity in words, such as ``3.1 s``."""
    return f"{_plain(value)} {quantity.unit}".strip()


def _converted(value: float, quantity: Quantity) -> str:
    """A value from another unit, to the four digits by which a person knows it again."""
    return figure_said(float(f"{value:.4g}"), quantity)


def _what(quantity: Quantity) -> str:
    kinds = {
        "money": "an amount of money",
        "number": "a number",
        "hours": "hours",
        "pulls": "a count of pulls",
    }
    return kinds.get(quantity.kind, f"a number in {quantity.unit}")


def _plain(value: float) -> str:
    """Without parted thousands: what is said back must not itself be meant in two ways."""
    return f"{value:.6g}" if abs(value) < 1e6 else f"{value:.0f}"  # noqa: PLR2004 - six figures are enough


def _one(text: str, piece: str, quantity: Quantity, *, point: bool, currency: str | None) -> Figure:
    piece = ABOUT.sub("", piece)
    compound = _compound(piece, quantity)
    if compound is not None:
        return _within(text, [compound], 1.0, quantity.unit, quantity)
    if quantity.kind == "money":
        piece = re.sub(rf"(?<=\d)[.,][{DASHES}]+", "", piece)
    found = ONE.fullmatch(piece)
    if found is None:
        raise NotUnderstood(_no_number(text, piece, quantity))
    unit = _unit(text, found["sign"] or "", found["unit"].strip(), quantity, currency)
    values = _values(found["number"].strip(), grouped=quantity.grouped, point=point)
    if not values:
        raise NotUnderstood(_no_number(text, piece, quantity))
    factor = (
        1.0 if unit == quantity.unit else KINDS[quantity.kind][unit] / KINDS[quantity.kind][quantity.unit]
    )
    return _within(text, values, factor, unit, quantity, bare=not found["unit"].strip())


def _within(
    text: str, values: Sequence[float], factor: float, unit: str, quantity: Quantity, *, bare: bool = False
) -> Figure:
    """The one of the values that can be, or a refusal with what each of them would mean."""
    fits = [value for value in values if least_read(quantity) <= value * factor <= quantity.high]
    if len(fits) > 1:
        readings = [f"{_plain(value)} {unit}".strip() for value in fits]
        best = " or ".join(f"{value:g}" for value in fits)
        raise NotUnderstood(f"{shown(text)} may be {' or '.join(readings)}; write {best}", readings)
    if not fits:
        raise NotUnderstood(_out_of_bounds(values[0], factor, unit, quantity, bare=bare))
    said = f"{_plain(fits[0])} {unit}".strip()
    if unit != quantity.unit:
        said += f" = {_converted(fits[0] * factor, quantity)}"
    return Figure(quantity, (fits[0] * factor if factor != 1 else fits[0],), said)


def least_read(quantity: Quantity) -> float:
    """The least that is taken for a reading, in its unit: below it the figure means something else."""
    return max(quantity.low, LEAST_SENSE.get(quantity.name, quantity.low))


def _out_of_bounds(value: float, factor: float, unit: str, quantity: Quantity, *, bare: bool) -> str:
    low, high = (figure_said(end, quantity) for end in (least_read(quantity), quantity.high))
    got = f"{_plain(value)} {unit}".strip()
    if unit != quantity.unit:
        got += f" = {_converted(value * factor, quantity)}"
    others = [
        f"{_plain(value)} {other} would be {_converted(value * each / KINDS[quantity.kind][quantity.unit], quantity)}"
        for other, each in KINDS[quantity.kind].items()
        if bare
        and other != quantity.unit
        and quantity.low <= value * each / KINDS[quantity.kind][quantity.unit] <= quantity.high
    ]
    hint = f"; {others[0]}: write the unit" if others else ""
    if quantity.kind == "age" and value >= FIRST_YEAR:
        got, hint = f"{value:g}", "; write how old it is, not since when"
    return f"expected {low} to {high}, got {got}{hint}"


def _values(number: str, *, grouped: bool, point: bool) -> list[float]:
    """Every value that a number without its unit may have: none, one, or two."""
    fraction = re.fullmatch(r"(?:(\d+) )?(\d+)/(\d+)", number, re.ASCII)
    if fraction:
        whole, top, bottom = int(fraction[1] or 0), int(fraction[2]), int(fraction[3])
        return [whole + top / bottom] if bottom in DIVISORS and top < bottom else []
    if "e" in number.lower():
        return [float(number)] if PLAIN.fullmatch(number) else []
    sign = -1.0 if number.startswith("-") else 1.0
    digits = number.lstrip("+-")
    if PARTED.fullmatch(digits):
        found = [_decimal(re.sub("[ ']", "", digits))] if grouped else []
    elif BOTH_MARKS.fullmatch(digits) or MANY_GROUPS.fullmatch(digits):
        mark = next(c for c in digits if c in ".,")
        found = [_decimal(digits.replace(mark, ""))] if grouped else []
    elif ONE_MARK.fullmatch(digits):
        found = [_decimal(digits)]
        if grouped and ONE_GROUP.fullmatch(digits) and not (point and "." in digits):
            found.append(float(re.sub("[.,]", "", digits)))
    else:
        found = []
    return [sign * value for value in found]


def _decimal(digits: str) -> float:
    return float(digits.replace(",", "."))


def _unit(text: str, sign: str, unit: str, quantity: Quantity, currency: str | None) -> str:
    """The unit that was written, or the quantity's own; raises NotUnderstood for one of another kind."""
    if quantity.kind == "money":
        for word in filter(None, (sign, unit)):
            _same_currency(text, word, currency)
        return ""
    lowered = unit.lower()
    if sign:
        raise NotUnderstood(f"expected {_what(quantity)}, got {shown(text)}")
    if not lowered:
        return quantity.unit
    for name, spellings in SPELT[quantity.kind].items():
        if lowered in spellings:
            return name
    units = [name for name in KINDS[quantity.kind] if name]
    expected = f"expected the unit {' or '.join(units)}" if units else "expected a number without a unit"
    raise NotUnderstood(f"{expected}, got {shown(unit)} in {shown(text)}; correct it or leave the unit out")


def _same_currency(text: str, word: str, currency: str | None) -> None:
    codes = MONEY_SIGNS.get(word.lower(), frozenset({word.upper()}) if _is_code(word) else frozenset())
    if not codes:
        raise NotUnderstood(f"expected an amount of money, got {shown(text)}")
    if currency is not None and currency not in codes:
        raise NotUnderstood(
            f"expected money in {currency}, got {shown(text)}; leave the sign out or say --currency"
        )


def _is_code(word: str) -> bool:
    return re.fullmatch("[A-Z]{3}|[a-z]{3}", word, re.ASCII) is not None and word.upper() in CODES


CODES = frozenset(re.findall("...", "AUDBGNBRLCADCHFCZKDKKEURGBPHUFINRJPYKRWMXNNOKNZDPLNRONSEKTRYUAHUSDZAR"))
"""ISO 4217 codes that may stand beside an amount; another one is refused rather than taken for a unit."""


def _compound(piece: str, quantity: Quantity) -> float | None:
    """The value of ``5 years 6 months`` or ``1 h 30 min`` in the quantity's unit; None for anything else."""
    if quantity.kind not in ("age", "hours"):
        return None
    large, small = SPELT[quantity.kind].values()
    found = re.fullmatch(r"(\d+)\s*([a-z.]+)\s*(?:,|and)?\s*(\d+)\s*([a-z.]*)", piece.lower(), re.ASCII)
    if (
        found is None
        or found[2] not in large
        or not (found[4] in small or (quantity.kind, found[4]) == ("hours", ""))
    ):
        return None
    parts = {"age": 12, "hours": 60}[quantity.kind]
    return int(found[1]) + int(found[3]) / parts if int(found[3]) < parts else None


def _no_number(text: str, piece: str, quantity: Quantity) -> str:
    if text.strip()[:1] in ("=", "@"):
        return f"expected {_what(quantity)}, got {shown(text)}; save the file with values, not formulas"
    if RANGE.search(piece.lower()):
        return f"expected one figure, got {shown(text)}; give the one you trust, or leave it out"
    if not quantity.runs and re.fullmatch(rf"{NUMBER}(?:\s*[;|]\s*|\s+){NUMBER}.*", piece):
        return f"expected one figure, got several in {shown(text)}; give one"
    return f"expected {_what(quantity)}, got {shown(text)}; leave it empty when unknown"


def _runs(text: str, tidy: str, quantity: Quantity) -> list[str]:
    """The pieces of a text of one or several runs, or a refusal where a comma may part runs or digits."""
    joined = re.sub(r"(\d)\s+(?=[A-Za-z])(?!(?:and|then|to|or)\b)", r"\1", tidy)
    if re.search(r"[;|\n]", joined):
        return [piece.strip() for piece in re.split(r"[;|\n]", joined) if piece.strip()]
    slashed = joined.split("/")
    if len(slashed) == 2 and not re.search("[.,a-zA-Z]", joined):  # noqa: PLR2004 - one slash
        raise _unsure(text, ["a fraction", "runs"], "write a decimal, or part the runs with a semicolon")
    if len(slashed) > 1 and all(re.search(r"[.,a-zA-Z]", piece) for piece in slashed):
        return [piece.strip() for piece in slashed]
    pieces = [piece for piece in re.split(r",\s+|\s+and\s+|\s*&\s*|\s+", joined) if piece]
    if len(pieces) == 1:
        return _tight(text, joined, quantity)
    commas, whole = ([p for p in pieces if "," in p], [p for p in pieces if not re.search("[.,]", p)])
    two_by_comma = len(pieces) == 2 and ", " in joined and len(whole) == 2  # noqa: PLR2004 - "3, 1"
    loose = [piece for piece in pieces if piece[0] in ".," or piece[-1] in ".,"]
    if two_by_comma or loose or (commas and whole):
        raise _unsure(text, [f"{len(pieces)} runs", "decimal commas"], "part the runs with a semicolon")
    return pieces


UNIT_AT_END = re.compile(r"[A-Za-z][A-Za-z.]*$")


def _one_unit(text: str, pieces: list[str]) -> list[str]:
    """The runs with the unit that stands behind the last of them; units behind some of them only are asked about."""
    units = [found[0] if (found := UNIT_AT_END.search(piece)) else "" for piece in pieces]
    if all(units) or not any(units):
        return pieces
    if any(units[:-1]):
        raise _unsure(text, ["runs in two units", "runs in one"], "write the unit once, at the end")
    return [*(piece + units[-1] for piece in pieces[:-1]), pieces[-1]]


def _tight(text: str, joined: str, quantity: Quantity) -> list[str]:
    """Runs parted by commas without blanks: only where a point or a unit shows that they are no decimal commas."""
    parts = joined.split(",")
    if len(parts) == 1:
        return parts
    if not all(parts):
        raise NotUnderstood(_no_number(text, joined, quantity))
    with_unit = all(re.search("[A-Za-z]", part) for part in parts)
    if with_unit or (any("." in part for part in parts) and not BOTH_MARKS.fullmatch(joined)):
        return parts
    if len(parts) == 2:  # noqa: PLR2004 - one comma
        first, second = (re.sub("[A-Za-z]", "", part) for part in parts)
        readings = [f"{first}.{second} {quantity.unit}", f"2 runs of {first} and {second} {quantity.unit}"]
        raise _unsure(text, readings, f"write {first}.{second} or {first} {second}")
    raise _unsure(text, [f"{len(parts)} runs", "fewer with decimal commas"], "part the runs with a blank")


def _unsure(text: str, readings: Iterable[str], do: str) -> NotUnderstood:
    told = list(readings)
    return NotUnderstood(f"{shown(text)} may be {', or '.join(told)}; {do}", told)


def as_wire(text: str, quantity: Quantity, *, point: bool = False) -> float | list[float]:
    """The value of a text as JSON carries it; raises NotUnderstood."""
    return read_figure(text, quantity, point=point).value


Understood = Mapping[str, Figure]
"""Figures by the name of what they are."""
