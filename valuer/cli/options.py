"""What the commands share: the terms a user may set, and how input becomes machines or a refusal."""

import functools
import math
import types
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from valuer.clock import this_month

if TYPE_CHECKING:
    from valuer.domain.machine import Machine
    from valuer.domain.shop import ShopTerms


class Figure(click.FloatRange):
    """A number within bounds; NaN, which no bound stops, is refused too."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number, or a refusal in one line."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"expected a number, got {value!r}", param, ctx)
        return number


TERMS = {
    "currency": (str, "CODE", "Your currency, three letters [USD]."),
    "price_level": (float, "X", "Your money per dollar of the invented market [1]."),
    "hour_value": (float, "MONEY", "What an hour of your time is worth [15]."),
    "hours": (float, "HOURS", "Bench hours free; no limit if not given."),
    "cash": (float, "MONEY", "Cash free for parts; no limit if not given."),
    "margin": (float, "MONEY", "What a fix must bring beyond its costs."),
    "month": (int, "1..12", "Month of sale [this month]."),
}


def terms_options(command: Callable[..., None], names: Sequence[str] = tuple(TERMS)) -> Callable[..., None]:
    """Give a command the options of TERMS, or some of them; it gets them as one argument ``terms``."""

    @functools.wraps(command)
    def with_terms(**given: Any) -> None:
        command(terms=shop_terms({name: given.pop(name) for name in names}), **given)

    decorated: Callable[..., None] = with_terms
    for name in reversed(names):
        kind, metavar, text = TERMS[name]
        option = click.option(f"--{name.replace('_', '-')}", name, type=kind, metavar=metavar, help=text)
        decorated = option(decorated)
    return decorated


MONEY_TERMS = ("currency", "price_level", "hour_value", "month")
"""The terms of every question about money."""


def terms_of(*names: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Some of the terms as options."""
    return lambda command: terms_options(command, names)


json_option = click.option("--json", "as_json", is_flag=True, help="Print the JSON document the API returns.")
only_option = click.option(
    "--machine", "only", metavar="ID", multiple=True, help="Only this one; may be repeated."
)
file_argument = click.argument("file", metavar="FILE")


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
    """The machines of a file or of standard input, or those of them that were asked for by id.

    Every bad row of the file becomes a line of the refusal.
    """
    from valuer.domain.words import did_you_mean
    from valuer.records.files import BadFile, read_machines

    try:
        found = read_machines(file)
    except BadFile as error:
        raise click.ClickException(str(error)) from None
    ids = [machine.id for machine in found]
    unknown = next((wanted for wanted in only if wanted not in ids), None)
    if unknown is not None:
        hint = did_you_mean(unknown, ids)
        raise click.ClickException(f"--machine: no machine {unknown!r} in the file{hint}")
    return tuple(machine for machine in found if not only or machine.id in only)
