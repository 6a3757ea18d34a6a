"""A machine in words: what is understood, what is asked, and what must never be taken for understood."""

from collections import Counter

import pytest
from pydantic import ValidationError

from tests.benchmark.intake import descriptions, judged
from valuer.domain.faults import fault_catalogue
from valuer.intake.vocabulary import GUARDED, Words, phrases, vocabulary
from valuer.intake.words import NoWords, read_words

YEAR = 2026


def read(text: str) -> tuple[set[str], set[str], set[str]]:
    """Faults understood, faults denied, and what is asked about."""
    found = read_words(text, YEAR)
    asked = {each for ask in found.ask for each in (ask.about, *ask.choices)}
    return {str(each) for each in found.machine.faults}, set(found.not_there), asked


def test_every_fault_can_be_said_in_words() -> None:
    said = {says.name for phrase in phrases() for says in phrase.says if says.kind == "fault"}
    assert said == set(fault_catalogue())


def test_a_phrase_says_no_severity_that_its_fault_cannot_have() -> None:
    for fault, words in vocabulary().faults.items():
        assert "slight" in fault_catalogue()[fault].severities or not (words.slight or words.slight_unless)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("carburetor leaking gasoline, drops on the floor", "fuel_leak_carb:serious"),
        ("carburettor leaking petrol, drops on the floor", "fuel_leak_carb:serious"),
        ("silencer loose", "muffler_fault:serious"), ("exhaust loose", "muffler_fault:serious"),
        ("blades blunt", "blade_dull:slight"), ("the blade is dull", "blade_dull:slight"),
        ("won't start", "no_start:serious"), ("wont start", "no_start:serious"), ("does not start", "no_start:serious"),
        ("carburetter drips", "fuel_leak_carb:serious"),
    ],
)  # fmt: skip
def test_both_englishes_plurals_and_typing_slips(text: str, fault: str) -> None:
    assert fault in read(text)[0]


@pytest.mark.parametrize(
    ("text", "looks"),
    [
        ("rear drive, looks good", "bright"), ("push, clean and tidy", "bright"), ("it is clean", "bright"),
        ("20 in looks good", "bright"), ("nice looking mower", "bright"), ("the deck is clean", "bright"),
        ("push, looks ok", "scuffed"), ("good for its age", "scuffed"), ("it doesn't look good", "scarred"),
        ("the spark plug looks clean", None), ("carb looks clean inside", None), ("fuel looks clean", None),
        ("engine is clean", None), ("the engine is very clean", None), ("plug was really clean", None),
    ],
)  # fmt: skip
def test_looks_are_those_of_the_machine_not_of_one_part(text: str, looks: str | None) -> None:
    found = read_words(text, YEAR)
    assert found.machine.looks == looks
    assert looks or any("clean" in each for each in found.not_understood)
    assert not found.machine.faults


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("no rust", "deck_surface_rust"), ("not leaking oil", "oil_leak_unknown"),
        ("runs without smoke or knocking", "rod_knock"), ("starts first pull", "no_start"),
        ("plenty of spark", "weak_spark"),
    ],
)  # fmt: skip
def test_what_is_denied_is_not_there(text: str, fault: str) -> None:
    found, denied, _ = read(text)
    assert fault in denied
    assert not any(each.startswith(fault) for each in found)


@pytest.mark.parametrize(
    ("text", "about"),
    [
        ("leaks", "fuel_leak_carb"), ("smokes", "smoke_blue"), ("front wheel drive", "front_variable"),
        ("all wheel", "drive"), ("looked over", "looked_over"), ("checked over by a dealer", "looked_over"),
        ("I think the crankshaft is bent", "bent_crank"), ("maybe a hole in the deck", "deck_rust_hole"),
        ("rusted through", "deck_rust_hole"), ("recalled", "recall_open"), ("blade stops in 3,1 s", "blade_stop_s"),
        ("stops in 2 to 3 s", "blade_stop_s"), ("doesn't stop within 3 s", "blade_stop_s"),
        ("should stop in 2 s", "blade_stop_s"), ("under 3 s to stop", "blade_stop_s"), ("push, rear drive", "drive"),
        ("21 in, 22 in", "deck_width_in"), ("5-6 years old", "age_years"),
    ],
)  # fmt: skip
def test_what_may_mean_two_things_is_asked_and_not_counted(text: str, about: str) -> None:
    found = read_words(text, YEAR)
    asked = {each for ask in found.ask for each in (ask.about, *ask.choices)}
    assert about in asked
    told = found.machine.model_dump(exclude_none=True, exclude_defaults=True)
    assert about not in told
    assert about not in told.get("readings", {})
    assert about not in {each.fault for each in found.machine.faults}


@pytest.mark.parametrize(
    "text",
    [
        "flap does not spring shut", "handle does not hold", "deck check not passed", "recall not checked",
        "keeps driving after I let go of the lever", "the bail never failed me", "no compression and smoke",
        "fuel paper not dry after five minutes", "blade stops right away", "blade stop not timed",
    ],
)  # fmt: skip
def test_no_loose_word_passes_a_check(text: str) -> None:
    """Unmeasured is not passed: a gate opens by a reading or by a check said to be passed."""
    machine = read_words(text, YEAR).machine
    assert "passed" not in machine.checks.values()
    assert machine.readings.blade_stop_s is None
    assert machine.readings.fuel_paper_5min is None
    assert machine.readings.smoke is None


def test_likeness_never_names_what_ends_a_sale() -> None:
    for text in ("deck crackd", "crankshft bent", "deck rottn"):
        found, _, _ = read(text)
        assert not {each.split(":")[0] for each in found} & GUARDED


def test_figures_in_a_line_are_not_torn_apart_by_its_commas() -> None:
    machine = read_words("blade stop 2.2, 2.3, 2.2 s, 55 cm wide, bought in 2019, 163 cc", YEAR).machine
    assert machine.readings.blade_stop_s == (2.2, 2.3, 2.2)
    assert machine.deck_width_in == pytest.approx(55 / 2.54)
    assert (machine.age_years, machine.engine_class) == (7.0, "mid_ohv")


def test_what_nothing_was_made_of_is_said() -> None:
    assert read_words("push mower with a cup holder", YEAR).not_understood == ("cup holder",)


def test_a_fault_that_cannot_be_on_the_machine_is_asked() -> None:
    found = read_words("push mower, drive slips on a slope", YEAR)
    assert not found.machine.faults
    assert [ask.about for ask in found.ask] == ["drive_slip"]


def test_an_empty_text_and_a_book_are_refused() -> None:
    for text in ("  ", "rust " * 500):
        with pytest.raises(NoWords, match="expected a description"):
            read_words(text, YEAR)


def test_the_descriptions_written_before_the_parser() -> None:
    """The goals of the benchmark `intake`; both files are counted there."""
    every = descriptions()
    counted = Counter(verdict for each in every for verdict, _ in judged(each))
    meant = sum(len(each.meant) for each in every)
    assert len(every) == 200
    assert counted["right"] >= 0.92 * meant
    assert counted["wrong"] <= 0.01 * meant


@pytest.mark.parametrize(
    ("text", "faults", "not_there"),
    [
        # A state belongs to the part of its clause that is nearest, in any order.
        ("the cable on the drive side is down to a few strands", ["cable_frayed:serious"], []),
        ("left handle tube has gone and cracked right through", ["handle_loose:serious"], []),
        ("the deck is where the left handle tube has since last year split", ["handle_loose:serious"], []),
        # What the next clause says without a part of its own is said of the part before.
        ("rear flap is there but torn", ["guard_missing:slight"], []),
        # A limit takes a "works" back; a denial of nothing but leaks leaves the one that was named.
        ("drive works on one wheel only", ["drive_none:slight"], []),
        ("fuel hose cracked, not leaking", ["fuel_leak_line:slight"], []),
        ("blade could use a sharpen", ["blade_dull:slight"], []),
        ("not leaking", [], ["fuel_leak_carb", "fuel_leak_line", "oil_leak_unknown"]),
        # "with" and "in" carry the meaning: a bag, a lever released, a shop called a shed say none of these.
        ("grass bag has a small tear", ["bag_missing:slight"], []),
    ],
)
def test_parts_and_states_meet_in_any_order(text: str, faults: list[str], not_there: list[str]) -> None:
    read = read_words(text, 2026)
    assert [str(each) for each in read.machine.faults] == faults
    assert sorted(read.not_there) == not_there


@pytest.mark.parametrize(
    "text",
    [
        "I can push a finger through it",  # no push mower
        "3 year old petrol still in it",  # the petrol's age
        "battery is 2 years old",
        "scraping from under the cover",  # not kept under cover
        "it creeps forward with the lever released",  # no compression release
        "bought at a DIY shed",
    ],
)
def test_words_of_something_else_are_no_attributes(text: str) -> None:
    machine = read_words(text, 2026).machine
    told = machine.model_dump(exclude_none=True, exclude_defaults=True)
    assert not {"drive", "age_years", "kept", "readings"} & told.keys()


@pytest.mark.parametrize(
    ("text", "about"),
    [
        ("the cord snapped last year, replaced with a new one", "recoil_rope"),
        ("carb was leaking so I fitted a new one", "fuel_leak_carb"),
        ("blade was bent, new one fitted", "blade_damaged"),
        ("used to smoke blue all the time", "smoke_blue"),
    ],
)
def test_what_was_put_right_is_asked_and_not_counted(text: str, about: str) -> None:
    read = read_words(text, YEAR)
    assert not read.machine.faults
    assert about in [ask.about for ask in read.ask]


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("blade bent, needs replacing", "blade_damaged:serious"),
        ("no spark - coil replaced already, still nothing", "weak_spark:serious"),
        ("handle slightly loose", "handle_loose:slight"),
        ("blade slightly dull", "blade_dull:slight"),
        ("slightly rusty", "deck_surface_rust:slight"),
        ("comes with a bag that has a small tear", "bag_missing:slight"),
    ],
)
def test_what_is_said_beside_a_fault_keeps_it(text: str, fault: str) -> None:
    assert [str(each) for each in read_words(text, YEAR).machine.faults] == [fault]


def test_words_that_only_look_like_an_attribute_are_none() -> None:
    assert read_words("it stopped mid cut and never ran again", YEAR).machine.tier is None
    broken = read_words("electric start, pull start snapped", YEAR).machine
    assert (broken.start, [str(each) for each in broken.faults]) == ("electric", ["recoil_rope:serious"])
    assert read_words("starts second pull hot, fifth cold", YEAR).machine.readings.cold_pulls is None
    assert read_words("push mower, 2019, 20 in", YEAR).machine.age_years == 7


@pytest.mark.parametrize(
    "words", ["engine seized", "seized engine", "siezed engine", "engine will not turn by hand"]
)
def test_a_seized_engine_is_a_non_runner_whose_cause_is_known(words: str) -> None:
    """So it gets no service, and its price is that of a machine that wants another engine."""
    machine = read_words(f"push, 20 in, {words}", 2026).machine
    assert [str(each) for each in machine.faults] == ["no_start:serious"]
    assert machine.causes == {"no_start": "seized"}


@pytest.mark.parametrize("words", ["might be a seized engine", "i think the engine is seized"])
def test_a_cause_only_supposed_is_asked(words: str) -> None:
    """What may end a machine is not taken for sure from a guess."""
    read = read_words(words, 2026)
    assert not read.machine.causes
    assert any("seized" in each.question for each in read.ask)


def test_an_engine_said_not_to_be_seized_has_no_such_cause() -> None:
    """What is denied is not there."""
    read = read_words("engine is not seized, won't start", 2026)
    assert not read.machine.causes
    assert [str(each) for each in read.machine.faults] == ["no_start:serious"]


def test_starts_is_told_by_the_number_of_pulls() -> None:
    """`starts first pull` leaves nothing over."""
    assert not read_words("starts first pull", 2026).not_understood


@pytest.mark.parametrize(
    "words", ["blade brake clutch, new 899", "rear drive, new $899, 3 years", "push (new 899)"]
)
def test_new_beside_a_figure_alone_is_what_a_new_one_costs(words: str) -> None:
    """A clutch on the blade's brake is no time in which it stops."""
    read = read_words(words, 2026)
    assert read.machine.new_price == 899
    assert not read.ask


@pytest.mark.parametrize("words", ["new 550 oil filter", "new 2900 rpm governor", "new 100 hour service"])
def test_a_new_part_with_a_figure_is_no_price(words: str) -> None:
    assert read_words(words, 2026).machine.new_price is None


@pytest.mark.parametrize("severity", ["slight", "serious"])
@pytest.mark.parametrize("fault", ["oil_leak_unknown", "surging", "vibration", "blade_dull", "hard_start"])
def test_a_severity_named_as_the_catalogue_does_is_no_question(fault: str, severity: str) -> None:
    """What the answer asks for, slight or serious, is understood when it is said."""
    told = {
        "oil_leak_unknown": "oil leak",
        "surging": "surging",
        "vibration": "vibration",
        "blade_dull": "blade dull",
        "hard_start": "hard to start",
    }[fault]
    for words in (f"{told} {severity}", f"{severity} {told}", f"push, {told} ({severity}), 5 years"):
        read = read_words(words, 2026)
        assert [str(each) for each in read.machine.faults] == [f"{fault}:{severity}"], words
        assert not read.ask
        assert not read.not_understood


@pytest.mark.parametrize("words", ["drive slips, pulls 5 kgf", "drive belt slips and pulls only 5 kgf"])
def test_what_a_slipping_drive_pulls_is_a_reading(words: str) -> None:
    read = read_words(words, 2026)
    assert read.machine.readings.drive_pull_kgf == 5
    assert not read.not_understood


@pytest.mark.parametrize(
    "causes", [{"no_start": {"seizd": ["engine seized"]}}, {"dirty": {"seized": ["caked"]}}]
)
def test_a_cause_that_no_symptom_has_is_refused_when_the_words_are_read(causes: dict[str, object]) -> None:
    known = vocabulary().model_dump()
    Words.model_validate(known)
    with pytest.raises(ValidationError, match="name"):
        Words.model_validate(known | {"causes": causes})


def test_a_figure_says_the_words_that_name_it() -> None:
    assert not read_words("compression 45 psi, starts first pull", 2026).not_understood


def test_what_the_clause_says_is_not_asked() -> None:
    """`starter rings` says which of its faults it is; a starter in another clause is asked about all the same."""
    assert not read_words("starter rings while running", 2026).ask
    assert read_words("starter rings while running, and something with the cord", 2026).ask


@pytest.mark.parametrize(
    ("words", "whole"),
    [("looked over everything", True), ("looked it all over", True), ("not looked over", False)],
)
def test_that_every_fault_was_looked_for_may_be_said(words: str, whole: bool) -> None:  # noqa: FBT001
    """What is not on the list is then known not to be there; it passes no safety check."""
    machine = read_words(f"mid, 21 in, {words}, dirty slight", YEAR).machine
    assert (machine.looked_over, machine.checks) == (whole, {})
    assert [each.fault for each in machine.faults] == ["dirty"]
