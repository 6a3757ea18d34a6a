"""The command line: one command per question, one line per refusal, never a traceback."""

import gc
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

import click
from click.exceptions import NoArgsIsHelpError

from valuer import __version__
from valuer.cli import commands, completing, deciding, doctor, done, learning, records, selling, undoing

HELP = """What a walk-behind mower on the bench is worth, which faults pay to cure, which machine earns most.

Start with `valuer demo`, then say a machine in your own words: valuer price rear drive, 21 in, 6 years, hard to start.
The price model is trained on invented data; every answer that rests on it says synthetic."""

THE_DAY = {
    "To begin": ("demo", "template", "read", "find", "faults"),
    "Take in": ("price", "buy", "take"),
    "Look and repair": ("next", "fixes", "done", "bench", "quote"),
    "Sell": ("ask", "offer", "listing", "listed", "sold"),
    "Learn": ("records", "accuracy", "learn", "card", "train", "data"),
    "Keep": ("undo", "export", "import", "backup", "restore"),
    "Around it": ("serve", "doctor", "completion"),
}
"""The commands as the day goes."""


class AsTheDayGoes(click.Group):
    """A group that lists its commands in the order of the work, under what the work is."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """The names in the order of the day."""
        return [name for names in THE_DAY.values() for name in names]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002 - the same
        """Each part of the day with its commands, all in one width."""
        width = max(map(len, self.commands))
        for title, names in THE_DAY.items():
            with formatter.section(title):
                about = [(name.ljust(width), self.commands[name].get_short_help_str(100)) for name in names]
                formatter.write_dl(about)


@click.group(
    cls=AsTheDayGoes,
    help=HELP,
    options_metavar="",
    subcommand_metavar="COMMAND",
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="`valuer COMMAND --help` explains a command and its options.",
)
@click.version_option(__version__, message="valuer %(version)s")
def cli() -> None:
    """Hold the commands together."""


for command in (
    *commands.commands,
    *deciding.commands,
    *selling.commands,
    *records.commands,
    *done.commands,
    *undoing.commands,
    *learning.commands,
    doctor.doctor,
    completing.completion,
):
    command.options_metavar = ""  # what may be added stands below, each with its words
    cli.add_command(command)


SELDOM = 200_000
"""New objects until those in memory are looked through for what nothing holds any more: a command is over before that
pays, and a tenth of it was spent on it."""

USUAL = gc.get_threshold()
"""The same as Python has it, for a server, which runs for days."""


def main(args: Sequence[str] | None = None) -> NoReturn:
    """Run one command; exit 0, 2 with a line on standard error for bad input, or 1 for a fault of ours."""
    gc.set_threshold(SELDOM)
    try:
        code = cli.main(args, prog_name="valuer", standalone_mode=False)
        sys.stdout.flush()
        gc.freeze()  # nor at the end, when all of it goes
    except NoArgsIsHelpError as asked:
        click.echo(asked.format_message())
        sys.exit(0)
    except click.UsageError as refusal:
        usage = refusal.ctx.command_path if refusal.ctx else "valuer"
        _leave(2, f"{refusal.format_message()} (`{usage} --help` explains)")
    except click.ClickException as refusal:
        _leave(2, refusal.format_message())
    except (click.Abort, KeyboardInterrupt):
        _leave(130, "stopped")
    except BrokenPipeError:  # the reader, `head` say, has seen enough; leave nothing to flush at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(141)
    except OSError as error:
        what = (error.strerror or str(error)).lower()
        _leave(1, f"the system refuses ({what}); make room, or check the path")
    except Exception as fault:
        if os.environ.get("VALUER_DEBUG"):
            raise
        _leave(1, f"a fault of ours ({type(fault).__name__}: {fault}); VALUER_DEBUG=1 shows where")
    sys.exit(code if isinstance(code, int) else 0)


def _leave(code: int, text: str) -> NoReturn:
    from valuer.domain.words import printable  # what is wrong may quote a name that steers a terminal

    for line in text.split("\n"):
        click.echo(f"valuer: {printable(line)}", err=True)
    sys.exit(code)
