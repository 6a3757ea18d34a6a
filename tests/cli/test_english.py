"""One English, chosen once: answers say petrol and carburettor, or gas and carburetor; both are always understood."""

import json
import re
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from valuer.adviser import catalogue
from valuer.domain.english import PAIRS, in_english
from valuer.intake.words import read_words

BRITISH = re.compile("|".join(british for british, _ in PAIRS), re.IGNORECASE)
MACHINE = "push, 21 in, 6 years, steel deck, carburetor leaks gas badly, no start, smokes blue all the time"
DOM = Path(__file__).resolve().parents[2] / "api/page/code/dom.js"


@pytest.mark.parametrize("command", ["price", "fixes", "next", "ask", "listing", "buy"])
def test_an_answer_is_written_in_the_english_asked_for(run: Run, command: str) -> None:
    british, american = (
        json.loads(run(command, MACHINE, "--month", "5", "--json", "--words", words).out)
        for words in ("british", "american")
    )
    assert BRITISH.search(json.dumps(british)), "the question is about something that differs"
    prose = [text for text in sentences(american) if BRITISH.search(text)]
    assert not prose
    assert json.dumps(american) == json.dumps(turned(british))


def sentences(told: object) -> list[str]:
    """Every text of more than one word in a document."""
    if isinstance(told, dict):
        return [text for value in told.values() for text in sentences(value)]
    if isinstance(told, list):
        return [text for value in told for text in sentences(value)]
    return [told] if isinstance(told, str) and " " in told else []


def turned(told: object) -> object:
    """The same document with its sentences in American English."""
    if isinstance(told, dict):
        return {name: turned(value) for name, value in told.items()}
    if isinstance(told, list):
        return [turned(value) for value in told]
    return in_english(told, "american") if isinstance(told, str) and " " in told else told


def test_it_is_set_once_for_all_commands(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VALUER_WORDS", "american")
    assert "carburetor" in run("find", "carburettor").out
    assert "carburettor" not in run("fixes", MACHINE, "--full").out.lower().replace("understood", "")


def test_another_word_is_refused_in_one_line(run: Run) -> None:
    ran = run("price", MACHINE, "--words", "scots")
    assert ran.code == 2
    assert ran.err.count("\n") == 1
    assert "british" in ran.err


@pytest.mark.parametrize(("british", "american"), PAIRS)
def test_the_reader_understands_both(british: str, american: str) -> None:
    text = f"push mower, 21 in, {{}} mower, drips {{}}, blade dull, {MACHINE}"
    one, other = (read_words(text.format(word, word), 2026).machine for word in (british, american))
    assert one == other


def test_ids_names_and_words_of_the_catalogue_stay() -> None:
    british, american = catalogue(), catalogue("american")
    assert [each.id for each in british.faults] == [each.id for each in american.faults]
    assert not any(BRITISH.search(text) for text in sentences(american.model_dump(mode="json")["faults"]))
    assert (
        "aluminium" in american.attributes["deck_material"]
        or "aluminum" in american.attributes["deck_material"]
    )


def test_the_page_turns_the_same_words() -> None:
    """The page spells what it says itself; its table is ours."""
    (table,) = re.findall(r"^const AMERICAN = (\[\[.*\]\]);$", DOM.read_text("utf-8"), re.MULTILINE)
    assert json.loads(table) == [list(pair) for pair in PAIRS]
