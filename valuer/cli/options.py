"""What the commands share: the terms a user may set, and how input becomes machines or a refusal."""

import functools
import types
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NoReturn

import click
from click.shell_completion import CompletionItem

from valuer.cli import completing
from valuer.cli.asked import which_argument
from valuer.cli.there import own_terms
from valuer.clock import this_month
from valuer.domain.bounds import MOST_MONEY
from valuer.domain.months import MONTHS

if TYPE_CHECKING:
    from valuer.domain.machine import Machine
    from valuer.domain.shop import ShopTerms


def refuse(why: str, param: click.Parameter | None) -> NoReturn:
    """End the command with one line that begins with the option or the argument it is about."""
    name = (
        param.opts[0] if isinstance(param, click.Option) else param.human_readable_name if param else "value"
    )
    raise click.ClickException(f"{name}: {why}")


class Figure(click.ParamType[float]):
    """A figure as people write it, within bounds: 12,50 or 1 h 30 min or 20 km. ``kind``: see `valuer.intake.units`."""

    name = "figure"

    def __init__(
        self, least: float = 0.0, most: float = MOST_MONEY, kind: str = "money", *, open_end: bool = False
    ) -> None:
        self.least, self.most, self.kind, self.open_end = least, most, kind, open_end

    def convert(
        self,
        value: Any,
        param: click.Parameter | None,
        ctx: click.Context | None,  # noqa: ARG002 - click's signature
    ) -> float:
        """The figure in the first unit of its kind, or a refusal in one line that says what it may mean."""
        from valuer.intake.numbers import NotUnderstood, read_figure
        from valuer.intake.quantities import Quantity
        from valuer.intake.units import KINDS

        if isinstance(value, int | float):
            return float(value)
        quantity = Quantity(
            param.name or "" if param else "", self.kind, next(iter(KINDS[self.kind])), self.least, self.most
        )
        try:
            (number,) = read_figure(value, quantity).values
        except NotUnderstood as error:
            refuse(str(error), param)
        if self.open_end and number >= self.most:
            refuse(f"expected below {self.most:g}, got {value!r}", param)
        return number


class Count(click.ParamType[int]):
    """A whole number within bounds."""

    name = "count"

    def __init__(self, least: int, most: int) -> None:
        self.least, self.most = least, most

    def convert(
        self,
        value: Any,
        param: click.Parameter | None,
        ctx: click.Context | None,  # noqa: ARG002 - click's signature
    ) -> int:
        """The number, or a refusal in one line."""
        text = str(value).strip()
        if text.isascii() and text.lstrip("-").isdecimal() and self.least <= int(text[:12]) <= self.most:
            return int(text)
        refuse(f"expected a whole number, {self.least} to {self.most}, got {value!r}", param)


LEAST_LETTERS = 3


class Month(click.ParamType[int]):
    """A month by its name, the first letters of it, or its number."""

    name = "month"

    def convert(
        self,
        value: Any,
        param: click.Parameter | None,
        ctx: click.Context | None,  # noqa: ARG002 - click's signature
    ) -> int:
        """The number of the month, or a refusal in one line."""
        if isinstance(value, int):
            return value
        word = value.strip().lower().rstrip(".")
        if word.isascii() and word.isdecimal() and 1 <= int(word[:3]) <= len(MONTHS):
            return int(word)
        named = [place for place, month in enumerate(MONTHS, start=1) if month.lower().startswith(word)]
        if word == "sept" or (len(word) >= LEAST_LETTERS and len(named) == 1):
            return named[0]
        refuse(f"expected a month, such as april, apr or 4, got {value!r}", param)

    def shell_complete(
        self,
        ctx: click.Context,  # noqa: ARG002 - click's signature
        param: click.Parameter,  # noqa: ARG002 - the same
        incomplete: str,
    ) -> list[CompletionItem]:
        """The months that begin so."""
        return [
            CompletionItem(month.lower()) for month in MONTHS if month.lower().startswith(incomplete.lower())
        ]


TERMS: dict[str, tuple[Any, str, str]] = {
    "currency": (str, "CODE", "Your currency, three letters [USD]."),
    "price_level": (
        Figure(0.001, 10_000, "number"),
        "X",
        "Your money per dollar of the invented market [1].",
    ),
    "hour_value": (Figure(), "MONEY", "What an hour of your time is worth [15]."),
    "hours": (Figure(0, 10_000, "hours"), "HOURS", "Bench hours free; no limit if not given."),
    "cash": (Figure(0, 1e9), "MONEY", "Cash free for parts; no limit if not given."),
    "margin": (Figure(), "MONEY", "What a fix must bring beyond its costs."),
    "month": (Month(), "MONTH", "Month of sale, april, apr or 4 [this month]."),
    "words": (
        click.Choice(("british", "american")),
        "ENGLISH",
        "petrol and carburettor, british, or gas and carburetor, american [british; VALUER_WORDS].",
    ),
}


OF_A_WEEK = frozenset({"hours", "cash"})
"""Terms that bind the work of a week."""


def terms_options(
    command: Callable[..., None], names: Sequence[str] = tuple(TERMS), *, week: bool = False
) -> Callable[..., None]:
    """Give a command the options of TERMS, or some of them; it gets them as one argument ``terms``.

    What is not given is taken from the shop's own terms on record. ``week``: its hours and cash too, which are those
    of this week's work and not of one machine.
    """

    @functools.wraps(command)
    def with_terms(**given: Any) -> None:
        own = own_terms(given.get("where"))
        own = {name: own[name] for name in own if name != "weeks" and (week or name not in OF_A_WEEK)}
        chosen = {name: value for name in names if (value := given.pop(name)) is not None}
        command(terms=shop_terms(own | chosen), **given)

    decorated: Callable[..., None] = with_terms
    for name in reversed(names):
        kind, metavar, text = TERMS[name]
        option = click.option(
            f"--{name.replace('_', '-')}",
            name,
            type=kind,
            metavar=metavar,
            help=text,
            envvar="VALUER_WORDS" if name == "words" else None,
        )
        decorated = option(decorated)
    return decorated


MONEY_TERMS = ("currency", "price_level", "hour_value", "month", "words")
"""The terms of every question about money."""


def terms_of(*names: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Some of the terms as options."""
    return lambda command: terms_options(command, names)


json_option = click.option("--json", "as_json", is_flag=True, help="Print the JSON document the API returns.")
full_option = click.option("--full", is_flag=True, help="Every table, reason, caution, doubt and law.")
sure_option = click.option(
    "--sure", is_flag=True, help="What looks odd was read twice; without it that is asked back."
)
only_option = click.option(
    "--machine",
    "only",
    metavar="ID",
    multiple=True,
    help="Only this one; may be repeated.",
    shell_complete=completing.machines,
)
file_argument = which_argument


def shop_terms(given: dict[str, Any]) -> "ShopTerms":
    """The terms given, the rest by default; the month is this one. Raises ClickException in one line."""
    from pydantic import ValidationError

    from valuer.domain.shop import ShopTerms

    chosen = {name: value for name, value in given.items() if value is not None}
    try:
        return ShopTerms.model_validate({"month": this_month()} | chosen)
    except ValidationError as error:
        wrong = error.errors(include_url=False)[0]
        option = f"--{str(wrong['loc'][0]).replace('_', '-')}: " if wrong["loc"] else ""
        raise click.ClickException(f"{option}{wrong['msg']}") from None


@contextmanager
def one_line(names: Mapping[str, str] = types.MappingProxyType({})) -> Iterator[None]:
    """What does not fit the machines, as a refusal that names the option; ``names`` of those called otherwise."""
    from valuer.adviser import NotUsable

    try:
        yield
    except NotUsable as error:
        part = error.place[1] if error.place[0] == "terms" else error.place[0]
        raise click.ClickException(f"--{names.get(part, part.replace('_', '-'))}: {error}") from None


def machines(file: str, only: Sequence[str] = ()) -> "tuple[Machine, ...]":
    """The machines that a command is about, or those of them that were asked for by id; see `machines_asked`."""
    from valuer.cli.asked import machines_asked
    from valuer.domain.words import did_you_mean

    found = machines_asked(file)
    ids = [machine.id for machine in found]
    unknown = next((wanted for wanted in only if wanted not in ids), None)
    if unknown is not None:
        hint = did_you_mean(unknown, ids)
        raise click.ClickException(f"--machine: no machine {unknown!r} in the file{hint}")
    return tuple(machine for machine in found if not only or machine.id in only)
