"""A line of words as a machine: what was understood, what was not, and what has to be asked.

Phrases come from catalogue/words.toml, figures from `valuer.intake.measures`. Likeness of letters only mends
typing; it never decides what is meant, and never names a fault that ends a machine's sale.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import get_args

from pydantic import Field, ValidationError

from valuer.domain.faults import Severity, fault_catalogue
from valuer.domain.machine import Drive, Machine
from valuer.domain.record import Record
from valuer.intake.matching import (
    MARK,
    WHEN_DRY,
    Token,
    decided,
    distance,
    everywhere,
    is_denied,
    is_doubtful,
    left_over,
    limited,
    matches,
    named_severity,
    tokens_of,
)
from valuer.intake.measures import Measured, digits, measures
from valuer.intake.names import with_short_name
from valuer.intake.numbers import tidied
from valuer.intake.vocabulary import (
    GUARDED,
    Phrase,
    Says,
    State,
    states,
    stem,
    stems_of,
    vocabulary,
)

MOST_LETTERS = 2_000  # a description, not a book
UNIT_WORDS = {"in", "s", "mm", "psi", "kgf", "kg", "rpm", "v", "percent", "years"}
YES = {"yes": True, "no": False}


class Ask(Record):
    """Something that has to be asked before it can be counted."""

    about: str = Field(description="fault, attribute or reading")
    question: str = Field(description="what to answer")
    choices: tuple[str, ...] = Field((), description="what it may be")


class Understood(Record):
    """What was understood of a line of words."""

    machine: Machine = Field(description="the machine, with nothing in it that has to be asked")
    understood: tuple[str, ...] = Field(description="each thing understood, with the words it was read from")
    not_there: tuple[str, ...] = Field((), description="faults said not to be there")
    ask: tuple[Ask, ...] = Field((), description="what has to be asked; none of it is counted yet")
    not_understood: tuple[str, ...] = Field((), description="words nothing was made of")


class NoWords(ValueError):
    """A text that cannot be a description of a machine."""


@dataclass
class _Heard:
    """What has been heard so far: values and levels by name, each with the words it was read from."""

    values: dict[tuple[str, str], dict[str, str]] = field(default_factory=dict)
    levels: dict[str, dict[str, str]] = field(default_factory=dict)
    asks: dict[str, Ask] = field(default_factory=dict)
    speeds: dict[str, str] = field(default_factory=dict)
    denied: dict[str, tuple[str, ...]] = field(default_factory=dict)
    clauses: dict[str, set[int]] = field(default_factory=dict)
    """By fault, the clauses that speak of it."""

    def value(self, kind: str, name: str, value: str, words: str) -> None:
        self.values.setdefault((kind, name), {}).setdefault(value, words)

    def level(self, fault: str, level: str, words: str) -> None:
        self.levels.setdefault(fault, {}).setdefault(level, words)


def read_words(text: str, year: int, name: str = "it") -> Understood:
    """Return what a line of words says about one machine called ``name``; raises NoWords.

    ``year`` is this one, for what was bought in an earlier one.

    >>> read = read_words("push mower, 20 in, won't start, no rust", 2026)
    >>> read.machine.drive, read.machine.deck_width_in, [str(each) for each in read.machine.faults], read.not_there
    ('push', 20.0, ['no_start:serious'], ('deck_surface_rust',))
    """
    if not text.strip() or len(text) > MOST_LETTERS:
        raise NoWords(f"expected a description of one machine in up to {MOST_LETTERS} letters")
    plain = digits(tidied(text))
    heard = _Heard()
    found = list(measures(plain, year))
    tokens = tokens_of(_blanked(plain, found))
    _hear_figures(found, plain, heard)
    _hear_phrases(tokens, heard)
    return _told(heard, tokens, name)


def _blanked(text: str, found: Iterable[Measured]) -> str:
    for each in found:
        text = text[: each.start] + MARK + " " * (each.end - each.start - 1) + text[each.end :]
    return text


def _hear_figures(found: Iterable[Measured], text: str, heard: _Heard) -> None:
    for each in found:
        if each.name == "pulls":
            _hear_pulls(each, text, heard)
        elif each.name == "engine_class":
            heard.value("attribute", "engine_class", each.value, text[each.start : each.end])
        elif each.figure is None:
            heard.asks[each.name] = Ask(about=each.name, question=each.asked)
        else:
            kind = "attribute" if each.name in Machine.model_fields else "reading"
            heard.value(kind, each.name, repr(each.figure.value), each.figure.said)


def _hear_pulls(each: Measured, text: str, heard: _Heard) -> None:
    """Pulls to start: a reading where it was cold, else what the number says of hard starting."""
    count = each.value[:-2] if each.value[-2:] in ("st", "nd", "rd", "th") else each.value
    near = text[max(0, each.start - 40) : each.end + 40]
    words = text[each.start : each.end]
    clause = re.split(r"[,.;]", text[: each.start])[-1] + re.split(r"[,.;]", text[each.start :])[0]
    hot = re.search(r"\b(?:hot|warm)\b", clause)
    if count.isdigit() and "cold" in near and "hard" not in near and not hot:
        heard.value("reading", "cold_pulls", repr(float(count)), words)
        return
    most = int(re.findall(r"\d+", count)[-1])
    if most <= 2:  # noqa: PLR2004 - up to two pulls is no hard start
        heard.level("no_start", "none", words)
        if not hot:  # warm it starts more easily
            heard.level("hard_start", "none", words)
    else:
        heard.level("hard_start", "slight" if most <= 4 else "serious", words)  # noqa: PLR2004 - 3 to 4 pulls


def _hear_phrases(tokens: list[Token], heard: _Heard) -> None:
    _leave_out_unknown(tokens)
    _hear_matched(list(matches(tokens, last=False)), tokens, heard)
    _hear_propelled(tokens, heard)
    _hear_states(tokens, heard)
    _hear_matched(list(matches(tokens, last=True)), tokens, heard)


def _hear_matched(matched: list[tuple[Phrase, list[int]]], tokens: list[Token], heard: _Heard) -> None:
    for phrase, places in sorted(matched, key=lambda each: each[1][0]):
        words = " ".join(tokens[place].text for place in places)
        mended = any(tokens[place].mended for place in places)
        for says in phrase.says:
            _hear(says, words, tokens, places, heard, mended=mended)


def _hear_states(tokens: list[Token], heard: _Heard) -> None:
    """Hear states of parts that no phrase has used: each of the part in its clause that is nearest."""
    found: dict[tuple[int, ...], list[tuple[int, State]]] = {}
    for state in states():
        for places in everywhere(state.stems, tokens):
            far = distance(state, places, tokens)
            if far:
                found.setdefault(tuple(places), []).append((far, state))
    for where in sorted(found, key=lambda each: (-len(each), each)):
        places = list(where)
        if any(tokens[place].used for place in places):
            continue
        nearest = min(far for far, _ in found[where])
        told = {state.says for far, state in found[where] if far == nearest}
        words = " ".join(tokens[place].text for place in places)
        if len({says.name for says in told}) > 1:
            continue  # of two parts as near as each other: left among what was not understood
        for place in places:
            tokens[place].used = True
        says = min(told, key=lambda each: ("serious", "slight", "open", "none").index(each.value))
        mended = any(tokens[place].mended for place in places)
        _hear(says, words, tokens, places, heard, mended=mended)


def _hear_propelled(tokens: Sequence[Token], heard: _Heard) -> None:
    """Ask how a machine is driven that is only said to drive itself; what says more takes the question back."""
    for place, unsure in enumerate(vocabulary().unsure):
        if unsure.about == "drive" and "propel" in unsure.words:
            root = stem("propel")
            said = [token.text for token in tokens if token.stem == root]
            if said:
                _hear_unsure(place, said[0], heard, denied=False)


def _leave_out_unknown(tokens: list[Token]) -> None:
    """Use up the clauses that say that something is not known: nothing follows from them."""
    for phrase in vocabulary().unknown:
        for places in everywhere(stems_of(phrase), tokens):
            clause = tokens[places[0]].clause
            for token in tokens:
                if token.clause == clause and tokens.index(token) >= places[0]:
                    token.used = True


def _hear(
    says: Says, words: str, tokens: list[Token], places: list[int], heard: _Heard, *, mended: bool
) -> None:
    denied, doubtful = is_denied(tokens, places), is_doubtful(tokens, places)
    clause = tokens[places[0]].clause
    if says.kind == "fault":
        heard.clauses.setdefault(says.name, set()).add(clause)
        heard.level(
            says.name, _level(says, tokens, places, denied=denied, doubtful=doubtful, mended=mended), words
        )
    elif says.kind == "unsure":
        may_be = vocabulary().unsure[int(says.name)].may_be
        if not any(
            clause in heard.clauses.get(fault, ()) for fault in may_be
        ):  # "starter rings" says which it is
            _hear_unsure(int(says.name), words, heard, denied=denied)
    elif says.kind == "speeds":
        heard.speeds[says.value] = words
    elif says.kind == "cause":
        _hear_cause(says, words, heard, sure=not denied and not doubtful and not mended)
    elif not denied and not doubtful:
        heard.value(says.kind, says.name, says.value, words)
    elif says.kind != "attribute":
        heard.asks[says.name] = Ask(about=says.name, question=f"{says.name}: {says.value}, or not?")


def _hear_cause(says: Says, words: str, heard: _Heard, *, sure: bool) -> None:
    """Hear what is behind a symptom; what is only supposed, denied or mistyped is asked: it may end the machine."""
    if sure:
        heard.value("cause", says.name, says.value, words)
        heard.level(says.name, "serious", words)
    else:
        question = f"{says.name}: is it {says.value} ({words}), or not?"
        heard.asks[says.name] = Ask(about=says.name, question=question)


def _hear_unsure(place: int, words: str, heard: _Heard, *, denied: bool) -> None:
    unsure = vocabulary().unsure[place]
    if denied:
        if unsure.denies:
            heard.denied[f"no {words}"] = unsure.may_be
        return
    about = unsure.about or unsure.may_be[0]
    heard.asks.setdefault(about, Ask(about=unsure.about or words, question=unsure.ask, choices=unsure.may_be))


def _level(
    says: Says, tokens: Sequence[Token], places: Sequence[int], *, denied: bool, doubtful: bool, mended: bool
) -> str:
    """What a phrase says of its fault here: what the phrase says by itself, unless the words around it turn it."""
    if says.value == "none":
        return "open" if denied else "doubtful" if doubtful or limited(tokens, places) else "none"
    if denied:
        return "none"
    if doubtful:
        return "doubtful"
    if mended and says.name in GUARDED:
        return "mended"
    if says.value == "open":
        return decided(says.name, tokens, places)
    return named_severity(tokens, places) or says.value


def _told(heard: _Heard, tokens: Sequence[Token], name: str) -> Understood:
    wire: dict[str, object] = with_short_name({"id": name})
    said: list[str] = []
    _follow(heard)
    asks = dict(heard.asks)
    _tell_values(heard, wire, said, asks)
    faults, none = _tell_faults(heard, said, asks)
    machine, asks = _fitting(wire, faults, asks)
    kept = {finding.fault for finding in machine.faults}
    return Understood(
        machine=machine,
        understood=tuple(line for line in said if not _dropped(line, faults, kept)),
        not_there=tuple(none),
        ask=tuple(asks.values()),
        not_understood=tuple(left_over(tokens)),
    )


IMPLIED = {"electric_start": ("start", "electric"), "blade_clutch": ("blade_clutch", "yes")}
SHOWN_BY = {
    "deck_rust_hole": "deck_hole_mm",
    "wheel_wobble": "wheel_rock_mm",
    "blade_brake_slow": "blade_stop_s",
    "blade_dull": "blade_nick_mm",
    "drive_slip": "drive_pull_kgf",
}
"""Faults that a reading shows: where it was taken, the word alone adds nothing to it."""


def _follow(heard: _Heard) -> None:
    """Draw what follows for sure: equipment that a fault needs, the speeds of a drive, what a reading shows."""
    for fault in heard.levels:
        needs = IMPLIED.get(fault_catalogue()[fault].needs or "")
        if needs:
            heard.value("attribute", *needs, fault)
    _not_meant(heard)
    _not_pushed(heard)
    for words, faults in heard.denied.items():
        _deny(words, faults, heard)
    for fault, severity in WHEN_DRY.items():
        if heard.levels.get(fault, {}).keys() == {"open", "none"}:
            heard.levels[fault] = {severity: ", ".join(heard.levels[fault].values())}
    asked = heard.asks.get("drive")
    if asked and len(heard.speeds) == 1 and set(asked.choices) == {"front_one_speed", "front_variable"}:
        heard.value("attribute", "drive", *next(iter(heard.speeds.items())))
    for fault, reading in SHOWN_BY.items():
        sure = {"slight", "serious"} & heard.levels.get(fault, {}).keys()
        if (
            ("reading", reading) in heard.values
            and fault in heard.levels
            and not (sure and fault != "deck_rust_hole")
        ):
            del heard.levels[fault]


def _not_meant(heard: _Heard) -> None:
    """Take back what words say only by the way: a part named for its fault, a bag that is there and torn."""
    start = heard.values.get(("attribute", "start"), {})
    if start.get("rope", "").endswith("start") and {"recoil_rope", "starter_noise"} & heard.levels.keys():
        del start["rope"]  # "pull start snapped" tells of a part, not that it is the only way to start it
    heard.values = {about: told for about, told in heard.values.items() if told}
    bag = heard.levels.get("bag_missing", {})
    if "none" in bag and bag.keys() <= {"none", "slight", "slight_unless"} and len(bag) > 1:
        del bag["none"]  # it is there, and it is torn


def _not_pushed(heard: _Heard) -> None:
    """Take neither for sure where a machine that is pushed by hand is said to have a fault of its drive."""
    driven = [name for name in heard.levels if fault_catalogue()[name].needs == "drive"]
    there = [name for name in driven if heard.levels[name].keys() - {"none"}]
    pushed = "push" in heard.values.get(("attribute", "drive"), {})
    said = heard.levels["drive_none"].values() if there == ["drive_none"] else ()
    if pushed and said and all(words.startswith("no ") for words in said):
        del heard.levels["drive_none"]  # "it has no drive, you push it"
    elif pushed and there and "hand" in heard.values["attribute", "drive"]["push"]:
        del heard.values["attribute", "drive"]
        for fault in there:
            heard.levels[fault]["doubtful"] = next(iter(heard.levels[fault].values()))
        question = f"{there[0]}: is it driven, and which wheels, or is it a push mower?"
        heard.asks["drive"] = Ask(about="drive", question=question, choices=get_args(Drive))


def _deny(words: str, faults: Sequence[str], heard: _Heard) -> None:
    """Take a whole group of leaks for absent; where one of them was named, that is the one that is dry."""
    named = [fault for fault in faults if fault in heard.levels]
    for fault in named:
        dry = WHEN_DRY.get(fault)
        if dry and heard.levels[fault].keys() == {"open"}:
            heard.levels[fault] = {dry: f"{heard.levels[fault]['open']}, {words}"}
        elif not dry:
            heard.level(fault, "none", words)
    for fault in () if named else faults:
        heard.level(fault, "none", words)


def _dropped(line: str, faults: dict[str, Severity], kept: set[str]) -> bool:
    fault = line.partition(":")[0]
    return fault in faults and fault not in kept


def _tell_values(heard: _Heard, wire: dict[str, object], said: list[str], asks: dict[str, Ask]) -> None:
    readings: dict[str, object] = {}
    checks: dict[str, object] = {}
    causes: dict[str, object] = {}
    for (kind, name), values in heard.values.items():
        if len(values) > 1 and name != "start":
            asks[name] = Ask(about=name, question=f"{name}: {' or '.join(values)}?", choices=tuple(values))
            continue
        value = "electric" if name == "start" and "electric" in values else next(iter(values))
        asks.pop(name, None)
        target = {"attribute": wire, "reading": readings, "check": checks, "cause": causes}[kind]
        target[name] = YES.get(value, value) if not re.match(r"[\d\[]", value) else _number(value)
        shown = values[value]
        label = " ".join(part for part in name.split("_") if part not in UNIT_WORDS)
        told = shown if re.match(r"[\d\[]", value) else f"{value.replace('_', ' ')} ({shown})"
        said.append(f"{label}: {told}")
    if readings:
        wire["readings"] = readings
    if checks:
        wire["checks"] = checks
    if causes:
        wire["causes"] = causes


def _number(text: str) -> object:
    return [float(each) for each in text.strip("[]").split(",")] if text.startswith("[") else float(text)


def _tell_faults(
    heard: _Heard, said: list[str], asks: dict[str, Ask]
) -> tuple[dict[str, Severity], list[str]]:
    faults: dict[str, Severity] = {}
    none: list[str] = []
    for fault, levels in heard.levels.items():
        known = fault_catalogue()[fault]
        severity = _severity(levels)
        there = [level for level in levels if level != "none"]
        if "none" in levels and severity is None and not there:
            none.append(fault)
            said.append(f"{fault} not there ({levels['none']})")
        elif "none" in levels:
            asks[fault] = Ask(
                about=fault, question=f"{known.name}: there or not?", choices=("none", *known.severities)
            )
        elif severity is None or severity not in known.severities:
            asks[fault] = _how_bad(fault, levels)
        else:
            faults[fault] = severity
            said.append(f"{fault}:{severity} ({', '.join(dict.fromkeys(levels.values()))})")
    return faults, none


def _severity(levels: dict[str, str]) -> Severity | None:
    """How bad by all that was said: a phrase that says it, the worse of two, else what is usual; None: asked."""
    if "doubtful" in levels or "mended" in levels:
        return None
    if "serious" in levels or ("serious_unless" in levels and "slight" not in levels):
        return "serious"
    return "slight" if {"slight", "slight_unless"} & levels.keys() else None


def _how_bad(fault: str, levels: dict[str, str]) -> Ask:
    known = fault_catalogue()[fault]
    slight = f"slight ({known.slight}) or " if known.slight else ""
    start = "is it really there? " if {"doubtful", "mended"} & levels.keys() else ""
    return Ask(
        about=fault,
        question=f"{known.name}: {start}{slight}serious ({known.serious})?",
        choices=(("none",) if start else ()) + known.severities,
    )


def _fitting(
    wire: dict[str, object], faults: dict[str, Severity], asks: dict[str, Ask]
) -> tuple[Machine, dict[str, Ask]]:
    """The machine, without what cannot be on it: that is asked."""
    kept = dict(faults)
    while True:
        listed = [f"{fault}:{severity}" for fault, severity in kept.items()]
        try:
            return Machine.model_validate({**wire, "faults": listed}), asks
        except ValidationError as error:
            wrong = error.errors(include_url=False)[0]
            misfit = next((fault for fault in kept if fault in wrong["msg"].split()), None)
            if wrong["type"] == "fault_misfit" and misfit:
                asks[misfit] = Ask(about=misfit, question=wrong["msg"])
                del kept[misfit]
                continue
            part = str(wrong["loc"][0]) if wrong["loc"] else ""
            if part not in wire or part == "id":
                raise NoWords(str(wrong["msg"])) from None
            asks[part] = Ask(about=part, question=wrong["msg"])
            del wire[part]
