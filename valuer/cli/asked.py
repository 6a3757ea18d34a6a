"""Which machines a command is about: a file, names on record, a line of words, or all that stands on the bench."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from valuer.cli import completing
from valuer.cli.there import records_there
from valuer.clock import today

if TYPE_CHECKING:
    from valuer.domain.machine import Machine
    from valuer.intake.words import Understood

WHICH = (
    "WHICH is a file (JSON or CSV, - for standard input), machines on record by name, one machine in your own "
    "words, or nothing: all that stands on your bench."
)
FILE_ENDINGS = frozenset({".csv", ".json", ".txt", ".tsv", ".xlsx", ".ods", ".xls"})
NOTHING = (
    "nothing stands on the bench in your records; name a file, or say it in words: "
    "valuer price rear drive, 21 in, 6 years, hard to start"
)
LEAST_WORDS = 2
UNNAMED = "it"
"""What a machine in words is called; on record none is."""


def which_argument(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the argument WHICH as one text ``file``; see `machines_asked`."""
    decorated: Callable[..., Any] = click.argument(
        "file",
        metavar="[WHICH]",
        nargs=-1,
        callback=lambda ctx, param, value: " ".join(value),  # noqa: ARG005
        shell_complete=completing.machines_and_files,
    )(command)
    return decorated


def machines_asked(which: str) -> "tuple[Machine, ...]":
    """The machines that a text names; what was understood of words is said first. Raises ClickException."""
    if not which.strip():
        found = on_record(None)
        if not found:
            raise click.ClickException(NOTHING)
        return found
    if is_file(which):
        return in_file(which)
    names = which.split()
    kept = on_record([which]) or on_record(names)
    if kept:
        return kept
    if len(names) < LEAST_WORDS and not _means_something(which):
        _maybe_meant(which)
        return in_file(which)  # a file that is not there: the refusal says so
    read = understood(which)
    say(read)
    return (read.machine,)


def is_file(which: str) -> bool:
    """Whether a text is a file's name, or standard input."""
    if which == "-" or Path(which).suffix.lower() in FILE_ENDINGS:
        return True
    try:
        return Path(which).exists()
    except OSError:  # longer than a name may be
        return False


def in_file(path: str) -> "tuple[Machine, ...]":
    """The machines of a file; every bad row becomes a line of the refusal."""
    from valuer.records.files import BadFile, read_machines

    try:
        return read_machines(path, echo)
    except BadFile as error:
        raise click.ClickException(str(error)) from None


def on_record(names: Sequence[str] | None) -> "tuple[Machine, ...]":
    """The machines on record with these names, or all on the bench for None; empty where one is not there."""
    from valuer.records.store.place import none_there

    if none_there():  # found out without loading what opens them
        return ()

    from valuer.records.store.problems import NotThere, StoreProblem

    try:
        with records_there() as store:
            if store is None:
                return ()
            if names is None:
                return tuple(kept.entry.machine for kept in store.entries("bench"))
            return tuple(store.entry(name).entry.machine for name in names)
    except NotThere:
        return ()
    except StoreProblem as problem:
        raise click.ClickException(str(problem)) from None


def _maybe_meant(name: str) -> None:
    """Raise ClickException where a machine on record is called nearly so, in other capitals for one."""
    from valuer.domain.words import did_you_mean

    hint = did_you_mean(name, [machine.id for machine in on_record(None)])
    if hint:
        raise click.ClickException(f"{name}: no file and no machine on record is called so{hint}")


def _means_something(word: str) -> bool:
    from valuer.intake.words import read_words

    return bool(read_words(word, today().year).understood)


def understood(text: str, name: str = UNNAMED) -> "Understood":
    """What a line of words says; raises ClickException where it says nothing."""
    from valuer.intake.words import NoWords, read_words

    try:
        read = read_words(text, today().year, name)
    except NoWords as error:
        raise click.ClickException(str(error)) from None
    if not read.understood:
        asked = "; ".join(ask.question for ask in read.ask)
        what = f"nothing was understood for sure of {text[:60]!r}"
        raise click.ClickException(
            f"{what}: {asked}" if asked else f"{what}; no file and no machine on record is called so either"
        )
    return read


def say(read: "Understood") -> None:
    """What was understood of words, before the answer."""
    for line in lines(read):
        echo(line)


def echo(line: str) -> None:
    """A line about what was typed, before the answer; on standard error where the answer is a document."""
    context = click.get_current_context(silent=True)
    click.echo(line, err=bool(context and context.params.get("as_json")))


def lines(read: "Understood") -> list[str]:
    """What was understood, what must be asked and what was not understood, a line each."""
    import textwrap

    told = ["Understood: " + "; ".join(read.understood) + "."]
    told += [f"Not counted until you say: {ask.question}" for ask in read.ask]
    if read.not_understood:
        told.append("Not understood: " + ", ".join(repr(part) for part in read.not_understood) + ".")
    return [line for text in told for line in textwrap.wrap(text, 80, subsequent_indent="  ")]
