"""Figures inside a line of words: which quantity each of them is, by the words around it."""

import re
from collections.abc import Iterator
from dataclasses import dataclass

from valuer.intake.numbers import Figure, NotUnderstood, read_figure
from valuer.intake.quantities import quantities

N = r"\d+(?:[.,]\d+)?(?: \d/\d+)?"
LEN = r"(?:mm|cm|inch(?:es)?|in\b|\"|'')"
SEC = r"(?:s\b|secs?\b\.?|seconds?)"
OTHER = r"(?!\s*(?:mm|cm|inch|in\b|\"|''|years?|yrs?|yo?\b|psi|bar|kpa|kg|lb|cc|rpm|v\b|volt|%|pulls?|mi|km|n\b|-))"
RUN = rf"(?>{N})(?:\s*{SEC}|{OTHER})"  # a number in seconds, or in no unit at all
RUNS = rf"{RUN}(?:(?:\s*[;,/]\s*|\s+and\s+|\s+){RUN})*"
FORCE = r"(?:kgf|kg|n|newtons?|lbf|lbs?|pounds?)\b"
MONEY = rf"[$€£]?\s*{N}\s*(?:dollars|euros?|pounds|[$€£])?"
GAP = r"[^\d;.]{0,40}?"

LET_GO = r"(?:let(?:ting)? go|releas\w+|(?:bar|bail|lever|handle) (?:is |was )?(?:let go|released))"
STOPPED = (
    r"(?:to (?:a )?(?:blade )?stop|until (?:the blade|it) (?:stops|stands)|blade stop|"
    rf"(?:after|once|when) (?:i |you |the |it )?{LET_GO})"
)

PATTERNS: tuple[tuple[str, str], ...] = (
    (
        "blade_stop_s",
        rf"(?:stops?|stopp(?:ed|ing)|brake(?! clutch)|halt|to rest)\b{GAP}(?P<n>{RUNS})",
    ),
    (
        "blade_stop_s",
        rf"(?P<n>{RUNS}(?<=[a-z.]))\s*(?:for the blade )?{STOPPED}",
    ),
    (
        "blade_stop_s",
        rf"blade\b[^.;\d]{{0,30}}?(?:spin\w*|turn\w*|running on|runs on|going)\b{GAP}(?P<n>{RUNS}(?<=[a-z.]))",
    ),
    ("engine_rpm", r"(?P<n>\d[\d.,' ]*\d\s*(?:rpm|revs\b))"),
    ("wet_compression_psi", rf"wet compression{GAP}(?P<n>{N}\s*(?:psi|bar|kpa)?)"),
    ("compression_psi", rf"compression{GAP}(?P<n>{N}\s*(?:psi|bar|kpa))"),
    ("compression_psi", rf"(?P<n>{N}\s*(?:psi|bar|kpa))(?: of)? compression"),
    ("leak_down_percent", rf"leak.?down{GAP}(?P<n>{N}\s*(?:%|percent|per cent)?)"),
    ("spark_gap_mm", rf"spark jumps{GAP}(?P<n>{N}\s*mm)(?! only)"),
    ("plug_gap_mm", rf"plug gap{GAP}(?P<n>{N}\s*{LEN}?)"),
    ("coil_gap_mm", rf"coil gap{GAP}(?P<n>{N}\s*{LEN}?)"),
    ("intake_lash_mm", rf"(?:intake|inlet){GAP}(?:lash|clearance){GAP}(?P<n>{N}\s*{LEN}?)"),
    ("exhaust_lash_mm", rf"exhaust{GAP}(?:lash|clearance){GAP}(?P<n>{N}\s*{LEN}?)"),
    ("blade_length_in", rf"(?P<n>{N}\s*{LEN})[ -]*blade\b"),
    ("blade_nick_mm", rf"(?:nick|notch|gouge|chunk|chip){GAP}(?P<n>{N}\s*{LEN})"),
    ("tip_height_mm", rf"tips?\b{GAP}(?P<n>{N}\s*{LEN})"),
    ("deck_hole_to_mount_mm", rf"(?P<n>{N}\s*{LEN})\s+from (?:the |a )?(?:nearest |next )?(?:\w+ )?mount"),
    ("deck_hole_mm", rf"hole{GAP}(?P<n>{N}\s*{LEN})(?!\s+from)"),
    ("deck_metal_mm", rf"(?:deck metal|metal|thinnest){GAP}(?P<n>{N}\s*{LEN})"),
    ("deck_metal_mm", rf"(?P<n>{N}\s*{LEN})\s*(?:of )?(?:sound )?metal"),
    ("crank_runout_mm", rf"run-?out{GAP}(?P<n>{N}\s*{LEN})"),
    ("wheel_rock_mm", rf"(?P<n>{N}\s*{LEN})\s*(?:of )?rock"),
    ("wheel_rock_mm", rf"(?:wheels? (?:wobbles?|rocks?)|rocks?){GAP}(?P<n>{N}\s*{LEN})"),
    ("wheel_rock_mm", rf"wheels?\b[^.;\d]{{0,30}}?(?P<n>{N}\s*{LEN})\s*(?:of )?(?:play|wobble|slop)"),
    ("drive_pull_kgf", rf"drive[^.;\d]{{0,20}}slips?,? (?:and )?pulls?(?: only)? (?P<n>{N}\s*{FORCE})"),
    ("drive_pull_kgf", rf"drive pulls?{GAP}(?P<n>{N}\s*{FORCE})"),
    ("drive_pull_kgf", rf"(?P<n>{N}\s*{FORCE})(?: pull)? before it slips"),
    ("machine_mass_kg", rf"weigh(?:s|t|ing)?{GAP}(?P<n>{N}\s*{FORCE})"),
    ("roll_pull_kgf", rf"(?:rolls?|pull to roll){GAP}(?P<n>{N}\s*{FORCE})"),
    ("battery_rest_v", rf"(?P<n>{N}\s*v(?:olts?)?\b)\s*(?:at rest|resting)"),
    ("battery_rest_v", rf"at rest[^\d;.,]{{0,20}}(?P<n>{N}\s*v(?:olts?)?\b)(?! *(?:while |when )?crank)"),
    ("battery_crank_v", rf"(?P<n>{N}\s*v(?:olts?)?\b)\s*(?:while |when )?crank"),
    (
        "new_price",
        rf"new (?:one )?{GAP}(?:costs?|is|for|price)\s*(?P<n>[$€£]?\s*{N}\s*(?:dollars|euros?|pounds|[$€£])?)",
    ),
    ("new_price", rf"\bnew (?P<n>(?:[$€£]\s*{N}|\d{{3,4}}(?:[.,]\d\d)?)\b)(?=\s*(?:$|[,.;)]))"),
    (
        "new_price",
        rf"bought new{GAP}for\s*(?P<n>[$€£]?\s*{N}\s*(?:dollars|euros?|pounds|[$€£])?)",
    ),
    (
        "new_price",
        rf"(?:was|cost|costs|price)\s*(?P<n>[$€£]?\s*{N}\s*(?:dollars|euros?|pounds|[$€£])?)\s*new",
    ),
    ("age_years", rf"(?P<n>{N}\s*-?\s*(?:years?|yrs?|y|yo|months?)\b)[- ]*(?:old\b|of age)?"),
    ("deck_width_in", rf"(?P<n>{N}[\s-]*{LEN})"),
)
OF_A_PART = (
    r"(?:petrol|fuel|gas|gasoline|battery|blade|oil|belt|plug|carb\w*|engine|motor|tyres?|tires?|cord|filter)"
)
NO_AGE = re.compile(rf"^[\s-]*(?:old\s+{OF_A_PART}|ago|in (?:the|a) (?:shed|garage)|unused|standing)")
NO_AGE_BEFORE = re.compile(
    rf"(?:{OF_A_PART} (?:is |was )?(?:about |only )?|"
    r"sat|sitting|stood|standing|unused|last|for|every)\s*(?:for\s*)?$"
)
SINCE = re.compile(
    r"\b(?:bought(?: new)?(?: in)?|from(?: about| around)?|about|around|"
    r"since|made in|built(?: in)?|new in|year)\s+(?P<n>(?:19|20)\d\d)\b"
    r"|\b(?P<m>(?:19|20)\d\d)\s+model\b"
    r"|(?:^|[,;(]\s*)(?P<o>20[012]\d)(?=\s*(?:[,;).]|$))"
)
CC = re.compile(r"(?P<n>\d{2,3})\s*(?:cc|ccm|cm3)\b")
PULLS = re.compile(r"(?P<n>\d+(?:\s*(?:or|to|-)\s*\d+)?|1st|2nd|3rd|4th|5th|6th)\s+(?:full\s+)?pulls?\b")
NUMBER_WORDS = {
    "one": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6", "seven": "7", "eight": "8",
    "nine": "9", "ten": "10", "eleven": "11", "twelve": "12", "fifteen": "15", "twenty": "20", "first": "1st",
    "second": "2nd", "third": "3rd", "fourth": "4th", "fifth": "5th", "sixth": "6th", "seasons": "years",
    "season": "year",
}  # fmt: skip
NOT_SURE = re.compile(
    r"\b(?:not|never|no|\w+n't|over|under|within|almost|nearly|up to|at least|at most|(?:more|less|longer|faster) than|"
    r"should|must|used to|maybe|limit|supposed)\b"
)
"""Words before a figure that make it none: `does not stop in 3 s`, `over 3 s`, `should stop within 3 s`."""

RANGE_AFTER = re.compile(r"^\s*(?:[-\u2013]|to|or)\s*\d")
RANGE_BEFORE = re.compile(r"\d\s*(?:[-\u2013]|to|or)\s*$")
MID_OHV_CC, LARGE_OHV_CC = 150, 175


@dataclass(frozen=True)
class Measured:
    """A figure found in a text: what it is, where it stands, and what was understood or has to be asked."""

    name: str
    start: int
    end: int
    figure: Figure | None = None
    value: str = ""
    asked: str = ""


def digits(text: str) -> str:
    """The text in small letters with numbers as digits; where a number word cannot be a number it stays.

    >>> digits("Seven-year-old, starts second pull, an inch")
    '7-year-old, starts 2nd pull, 1 inch'
    """
    text = re.sub(r"\ban inch\b", "1 inch", text.lower())
    text = re.sub(r"\bhalf an inch\b", "0.5 inch", text)
    text = re.sub(r"\b(?:(an?|half an?) )?(centi|milli)met(?:re|er)s?\b", _metric, text)
    text = re.sub(r"\b(\w+) and a half\b", _and_a_half, text)
    return re.sub(r"[a-z]+", lambda found: _number_word(found, text), text)


def _metric(found: re.Match[str]) -> str:
    count = {None: "", "half a": "0.5 "}.get(found[1], "1 ")
    return f"{count}{found[2][0]}m"


def _and_a_half(found: re.Match[str]) -> str:
    whole = NUMBER_WORDS.get(found[1], found[1])
    return f"{whole}.5" if whole.isdigit() else found[0]


COUNTED = re.compile(r"[\s-]*(?:years?|yrs?|pulls?|in\b|inch|months?|or|mm|cm|seasons?|speeds?|gears?)")
"""What follows a small number word that is a number: `one year`, and not `this one`."""


def _number_word(found: re.Match[str], text: str) -> str:
    word, after = found[0], text[found.end() : found.end() + 12]
    if word in ("one", "second", "two", "four") and not COUNTED.match(after):
        return word
    return NUMBER_WORDS.get(word, word)


def measures(text: str, year: int) -> Iterator[Measured]:
    """Every figure of a text of small letters, the ones with the most words around them first.

    ``year`` is this one, for what was bought in an earlier one.
    """
    taken: list[tuple[int, int]] = []

    def free(start: int, end: int) -> bool:
        return all(end <= a or start >= b for a, b in taken)

    for found in SINCE.finditer(text):
        group = next(name for name in "nmo" if found[name])
        taken.append(found.span(group))
        yield _figure("age_years", str(year - int(found[group])), *found.span(group))
    for found in CC.finditer(text):
        size = int(found["n"])
        kind = "small_ohv" if size < MID_OHV_CC else "mid_ohv" if size <= LARGE_OHV_CC else "large_ohv"
        taken.append(found.span())
        yield Measured("engine_class", *found.span(), value=kind)
    for found in PULLS.finditer(text):
        taken.append(found.span())
        yield Measured("pulls", *found.span(), value=found["n"])
    for name, pattern in PATTERNS:
        for found in re.finditer(pattern, text):
            start, end = found.span("n")
            if not free(start, end) or (name == "age_years" and _no_age(text, start, end)):
                continue
            typed = found["n"].replace("-", " ") if name in ("age_years", "deck_width_in") else found["n"]
            said = _figure(name, typed, start, end)
            if name == "deck_width_in" and said.figure is None:
                continue
            taken.append((start, end))
            before = text[max(0, found.start() - 15) : start].rpartition(",")[2]
            if NOT_SURE.search(before) or RANGE_AFTER.match(text[end:]) or RANGE_BEFORE.search(text[:start]):
                what = text[max(0, found.start() - 15) : end + 8].strip()
                said = Measured(
                    name,
                    start,
                    end,
                    asked=f"{name}: expected one figure, got {what!r}; give the one you measured",
                )
            yield said


def _no_age(text: str, start: int, end: int) -> bool:
    return bool(NO_AGE.match(text[end:]) or NO_AGE_BEFORE.search(text[:start]))


def _figure(name: str, typed: str, start: int, end: int) -> Measured:
    typed = re.sub(r"yo$", "years", typed.strip())
    try:
        return Measured(name, start, end, figure=read_figure(typed, quantities()[name]))
    except NotUnderstood as error:
        return Measured(name, start, end, asked=str(error))
