"""One command per question: read, call one function, show the answer."""

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from valuer.cli.options import (
    Count,
    Figure,
    file_argument,
    full_option,
    json_option,
    machines,
    only_option,
    shop_terms,
    terms_of,
    terms_options,
)
from valuer.cli.records import records_at, store_option
from valuer.domain.words import printable

if TYPE_CHECKING:
    from pydantic import BaseModel
    from rich.console import Console

    from valuer.domain.shop import ShopTerms

DEMO_MONTH = 11  # the demo bench is seen in late November
YOUR_OWN = "valuer template --csv > bench.csv, fill it in, valuer price bench.csv"
VALUED, PLANNED = "scraper", "night-weep"  # the two that are shown in full


@click.command()
@file_argument
@only_option
@full_option
@terms_options
@json_option
def price(file: str, only: tuple[str, ...], terms: "ShopTerms", *, full: bool, as_json: bool) -> None:
    """What machines are worth, and what each fault takes off.

    WHICH is a file, machines on record by name, one machine in your own words, or nothing: your bench.
    """
    from valuer.cli import show
    from valuer.cli.model import reckoning

    asked = machines(file, only)
    with reckoning() as adviser:
        answer = adviser.value(asked, terms)
    emit(answer, lambda out: show.valuations(out, answer.valuations, full=full), as_json=as_json)


@click.command()
@click.argument("words", metavar="WORDS...", nargs=-1, required=True)
@click.option("--name", default="it", metavar="NAME", help="What to call it [it].")
@click.option("--json", "as_json", is_flag=True, help="Print what was understood as JSON, the machine in it.")
def read(words: tuple[str, ...], name: str, *, as_json: bool) -> None:
    """What is understood of a machine in words.

    WORDS are one machine in your own words, or - for standard input. What has two meanings is asked, and
    nothing is guessed. With --json the machine comes out as a machine file has it.
    """
    import json

    from valuer.cli.asked import lines, understood
    from valuer.intake.words import MOST_LETTERS

    text = sys.stdin.read(MOST_LETTERS + 1) if words == ("-",) else " ".join(words)
    found = understood(text, name)
    if as_json:
        told = found.model_dump(mode="json", exclude_none=True, exclude={"machine": {"readings"}})
        told["machine"] |= {"readings": found.machine.readings.model_dump(mode="json", exclude_none=True)}
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
    else:
        click.echo("\n".join(lines(found)))


@click.command()
@click.argument("sought", metavar="[WORDS]...", nargs=-1)
@terms_of("words")
def find(sought: tuple[str, ...], terms: "ShopTerms") -> None:
    """Find a fault or a fix by any of its words.

    For example: valuer find leaking carburetor. Without WORDS it lists the whole catalogue.
    """
    from valuer.cli.show import found
    from valuer.intake.search import every, search

    listed = search(" ".join(sought)) if sought else (*every("fault"), *every("fix"))
    if not listed:
        raise click.ClickException(
            f"nothing in the catalogue is called {' '.join(sought)[:60]!r}; `valuer find` lists it"
        )
    found(listed, terms.words)


@click.command()
@click.argument("sought", metavar="[WORDS]...", nargs=-1)
@terms_of("words")
def faults(sought: tuple[str, ...], terms: "ShopTerms") -> None:
    """What may be wrong with a machine, by part.

    With WORDS only the faults that know them: valuer faults leak. `valuer fixes --list` lists what cures them.
    """
    from valuer.cli.show import found
    from valuer.intake.search import every, search

    listed = search(" ".join(sought)) if sought else every("fault")
    only = [each for each in listed if each.kind == "fault"]
    if not only:
        raise click.ClickException(
            f"no fault is called {' '.join(sought)[:60]!r}; `valuer faults` lists them"
        )
    found(only, terms.words)


@click.command()
@click.option(
    "--write",
    "to",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the ten machines to a file (.csv or .json) instead, to try the commands on.",
)
def demo(to: Path | None) -> None:
    """Go through an invented bench of ten machines.

    Values of all, the faults of one, the fixes of another, and the ranking.
    """
    if to is not None:
        _write_demo(to)
        return
    from valuer.cli import show, show_work
    from valuer.cli.model import reckoning
    from valuer.demo import demo_bench

    about, stand = demo_bench()
    terms = shop_terms({"month": DEMO_MONTH})
    planned = [machine for machine in stand if machine.id == PLANNED]
    with reckoning() as adviser:
        values = adviser.value(stand, terms).valuations
        work = adviser.work_lists(planned, terms).work_lists[0]
        ranking = adviser.bench_ranking(stand, terms).bench_ranking
    out = show.console()
    show.heading(out, "The bench", about)
    show.value_table(out, values)
    show.heading(out, f"What each fault takes off: {VALUED}")
    show.valuation(out, next(value for value in values if value.id == VALUED))
    show.heading(out, f"What to do, step by step: {PLANNED}")
    show_work.work_list(out, work, tail=False)
    show.heading(out, "Which machine next")
    show.bench_ranking(out, ranking)
    show.heading(out, "Your own machines", YOUR_OWN)


def _write_demo(to: Path) -> None:
    from valuer.demo import demo_bench
    from valuer.records.book_files import machines_csv, machines_json

    forms = {".csv": machines_csv, ".json": machines_json}
    if to.suffix.lower() not in forms:
        raise click.ClickException(f"--write: expected a name that ends in .csv or .json, got {to.name!r}")
    if to.exists():
        raise click.ClickException(f"--write: {to.name} is there already; give another name")
    _, stand = demo_bench()
    to.write_text(forms[to.suffix.lower()](stand), encoding="utf-8", newline="")
    click.echo(printable(f"wrote {len(stand)} invented machines to {to}"))


@click.command()
@click.option("--csv", "as_csv", is_flag=True, help="Write CSV; without it JSON.")
@click.option("--explain", is_flag=True, help="Say below what every name means and may be.")
def template(*, as_csv: bool, explain: bool) -> None:
    """Write a machine file with an example to write over.

    For example: valuer template --csv > bench.csv
    """
    from valuer.records.template import template_csv, template_json

    click.echo((template_csv if as_csv else template_json)(explain=explain), nl=False)


@click.command()
@click.option(
    "--out",
    "folder",
    type=click.Path(path_type=Path),
    default=Path("datasets"),
    metavar="FOLDER",
    help="Folder to write to [datasets].",
)
@click.option(
    "--seed",
    type=Count(0, 2**31 - 1),
    metavar="NUMBER",
    help="Another seed gives another invented market of the same kind.",
)
def data(folder: Path, seed: int | None) -> None:
    """Write the invented sales and listings again.

    And what many invented markets teach, beside them.

    The same seed gives the same files, bit for bit.
    """
    from valuer.cli.progress import lasting
    from valuer.market.files import SEED, write_data
    from valuer.price_model.places import write_prior

    with lasting("inventing sales"):
        written = write_data(folder, seed)
    for path in written:
        click.echo(f"wrote {path}")
    with lasting("inventing markets"):
        prior = write_prior(folder, SEED if seed is None else seed)
    click.echo(f"wrote {prior}")


@click.command()
@click.option("--sales", type=click.Path(path_type=Path), metavar="FILE", help="Train on these sales (CSV).")
@click.option(
    "--with-synthetic",
    type=Figure(0, 1, "number", open_end=True),
    metavar="WEIGHT",
    help="With --sales: count each invented sale as this part of one of yours, 0 to below 1 [0].",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the model there and leave the one in force alone.",
)
@click.option(
    "--full", is_flag=True, help="Each thing that is wrong or odd about the file in a line of its own."
)
def train(sales: Path | None, with_synthetic: float | None, out: Path | None, *, full: bool) -> None:
    """Train the price model again.

    On the invented sales, which gives the model that came with valuer, or with --sales on another file of the same
    columns: alone, or with the invented sales beside them at a weight. `valuer card` then tells of your file.
    """
    from valuer.cli.model import train_model

    if with_synthetic is not None and sales is None:
        raise click.UsageError("--with-synthetic: weighs invented sales beside yours; give --sales FILE too")
    words: list[str] = []
    basis = train_model(sales, with_synthetic or 0.0, out, words.append, full=full)
    for line in "\n".join(words).splitlines():
        click.echo(printable(line))
    kind = "given" if sales else "invented"
    click.echo(f"trained {basis.model}, {kind} sales, data {basis.data_sha256[:12]}")
    if sales and not out:
        click.echo("`valuer card` says how far off it was on sales held out, and where its limits are")


@click.command()
@click.option(
    "--shipped", is_flag=True, help="That of the model as it came, whatever it was trained on since."
)
@click.option(
    "--pictures",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Write its pictures there too, as SVG.",
)
def card(*, shipped: bool, pictures: Path | None) -> None:
    """Print the model card.

    What the price model is for, what it is not for, and how far off it is. After `valuer train --sales FILE` it
    is that of your file.
    """
    from valuer.price_model.card import card_pictures, model_card
    from valuer.price_model.given import card_in_force

    own = None if shipped else card_in_force()
    if own and pictures:
        raise click.UsageError(
            "--pictures: the card of your own file has none; add --shipped for those of the other"
        )
    if pictures:
        pictures.mkdir(parents=True, exist_ok=True)
        for picture in card_pictures():
            (pictures / f"{picture.name}.svg").write_bytes(picture.svg.encode())
    click.echo(own or model_card(), nl=False)


@click.command()
@click.option(
    "--port",
    type=Count(0, 65535),
    default=8000,
    metavar="NUMBER",
    help="Port on this computer [8000]; 0 for any.",
)
@click.option("--demo", is_flag=True, help="On ten invented machines; what is changed is not kept.")
@click.option(
    "--lan", "on_lan", is_flag=True, help="For the phone too: open it to your network, with a token."
)
@click.option(
    "--new-token", is_flag=True, help="With --lan: make another token; the old one is worth nothing."
)
@click.option(
    "--plain", is_flag=True, help="With --lan: without TLS; who listens on the network then reads along."
)
@store_option
def serve(port: int, where: str | None, *, demo: bool, on_lan: bool, new_token: bool, plain: bool) -> None:
    """Open the bench page, on this computer only.

    The whole job in a browser, phone or desk, and the same answers as JSON: routes and schemas are described
    in /openapi.json. With --lan other devices of your network reach it too, under TLS, if they bring the
    token. Ctrl-C stops it.
    """
    from valuer.cli import lan
    from valuer.cli.model import load_adviser
    from valuer.cli.output import keep_to_ourselves
    from valuer.cli.server import EVERY_INTERFACE, HOST, demo_records, free_sockets, run

    if demo and where:
        raise click.UsageError("--demo: keeps nothing, so no --store goes with it; leave one out")
    if new_token and not on_lan:
        raise click.UsageError("--new-token: is the token of --lan; give both")
    if plain and not on_lan:
        raise click.UsageError("--plain: is for --lan; on this computer nothing crosses a network")
    keep_to_ourselves()
    bound = free_sockets(port, EVERY_INTERFACE if on_lan else HOST)
    with demo_records() if demo else records_at(where) as store:
        adviser = load_adviser()
        run(adviser, bound, store, lan.token(renew=new_token) if on_lan else None, plain=plain)


def emit(answer: "BaseModel", table: "Callable[[Console], None]", *, as_json: bool) -> None:
    """The answer as the JSON document of the API, or as text."""
    if as_json:
        click.echo(answer.model_dump_json(indent=2))
    else:
        from valuer.cli import show

        table(show.console())


commands: Sequence[click.Command] = (demo, template, read, find, faults, price, serve, card, train, data)
