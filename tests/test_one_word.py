"""One word for one thing, wherever a user reads: help, page, description of the API, documents, what answers say."""

import json
import re
from pathlib import Path

import click
import pytest

from api.app import create_app
from tests.fake_model import FakeModel
from tests.records.bench import NOW
from valuer.adviser import Adviser
from valuer.cli import cli
from valuer.records.store.store import open_store

ROOT = Path(__file__).resolve().parent.parent
DROPPED = {
    r"\bon offer\b": "listed",
    r"\bdid(?: not|n't) hold\b|\bfix(?:es)? that held\b": "failed, worked",
    r"\bstr(?:uck|ike|ikes) (?:it )?from the records\b|\bNot struck\b": "remove",
    r"\blook(?:ed)? (?:at it )?again\b": "measure again",
    r"\bSay \$\{money|\bnaming \$\{": "counter",
}
"""Words that stood for a thing beside another one, and the one that stayed."""


def helps(command: click.Command, context: click.Context) -> list[str]:
    """The help of a command and of all below it."""
    told = [command.get_help(context)]
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below
            told += helps(below, click.Context(below, info_name=name, parent=context))
    return told


def strings(path: Path) -> str:
    """The quoted texts of a source file: what it may show; no comments, no docstrings."""
    # docstrings that are shown stand in help and API
    text = re.sub(r'"""[\s\S]*?"""', "", path.read_text("utf-8"))
    text = re.sub(r"(?m)^\s*(?:#|//|\*|/\*).*$", "", text)
    return "\n".join(re.findall(r"\"[^\"\n]*\"|'[^'\n]*'|`[^`]*`", text))


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """All that is shown, by where."""
    store = open_store(NOW, str(tmp_path_factory.mktemp("records") / "records.sqlite"))
    found = {
        "help": "\n".join(helps(cli, click.Context(cli, info_name="valuer"))),
        "API": json.dumps(create_app(Adviser(FakeModel()), store).openapi()),
    }
    store.close()
    found |= {name: (ROOT / name).read_text("utf-8") for name in ("README.md", "model_cards/resale_value.md")}
    sources = [*ROOT.glob("api/**/*.js"), *ROOT.glob("api/**/*.html"), *ROOT.glob("api/*.py")]
    sources += [*ROOT.glob("valuer/**/*.py"), *ROOT.glob("valuer/domain/catalogue/*.toml")]
    own = {ROOT / "valuer/domain/catalogue/words.toml", ROOT / "valuer/advice/work/workshop.py"}
    return found | {str(path.relative_to(ROOT)): strings(path) for path in sources if path not in own}


@pytest.mark.parametrize("word", DROPPED)
def test_a_dropped_word_is_shown_nowhere(told: dict[str, str], word: str) -> None:
    shown = {where for where, text in told.items() if re.search(word, text)}
    assert not shown, f"say {DROPPED[word]} instead"


def test_the_words_that_stayed_are_shown(told: dict[str, str]) -> None:
    """The test looks where words are: each of those that stayed is found on the page and in help or API."""
    page = "".join(text for where, text in told.items() if where.startswith("api/page"))
    rest = (
        told["help"]
        + told["API"]
        + "".join(text for where, text in told.items() if where.startswith("valuer/"))
    )
    for word in ("listed", "failed", "[Rr]emove", "[Mm]easured? (?:it )?again", "[Cc]ounter"):
        assert re.search(word, page), word
        assert re.search(word, rest), word
