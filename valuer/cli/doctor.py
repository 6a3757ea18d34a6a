"""`valuer doctor`: every part of the tool looked at, nothing trained and nothing changed."""

import os
import platform
import stat
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path
from typing import TYPE_CHECKING

import click

from valuer import __version__
from valuer.cli.options import json_option
from valuer.clock import now
from valuer.domain.going import each_of
from valuer.domain.words import counted
from valuer.paths import CHECKOUT, data_folder

if TYPE_CHECKING:
    from valuer.upkeep import Part

INSTALL = "install valuer again"
OLDEST_PYTHON = (3, 11)
DAY = timedelta(days=1)


@click.command()
@click.option(
    "--store", "where", metavar="ADDRESS", help="Records to look at [VALUER_STORE, or your data folder]."
)
@json_option
def doctor(where: str | None, *, as_json: bool) -> None:
    """Look at every part of the tool, and say what to do.

    Installation, data folder, records, trained model, card, clock; nothing is trained and nothing changed. Exit
    code 1 when something is wrong.
    """
    from valuer.cli.progress import lasting

    with lasting("looking"):
        parts = examined(where, now())
    if as_json:
        import json

        document = {"version": __version__, "parts": [part.model_dump(exclude_none=True) for part in parts]}
        click.echo(json.dumps(document, indent=2))
    else:
        for part in parts:
            click.echo(line(part))
    if any(part.state == "wrong" for part in parts):
        raise SystemExit(1)


def line(part: "Part") -> str:
    """One line about a part."""
    to_do = f" -> {part.do}" if part.do else ""
    return f"{part.state:<5}  {part.part}: {part.says}{to_do}"


def examined(where: str | None, moment: datetime) -> tuple["Part", ...]:
    """Every part; one whose look fails by itself is wrong, and the others are looked at all the same."""
    from valuer.upkeep import card_part, disk_part, wrong

    newest: list[datetime] = []
    looks: dict[str, Callable[[], Part]] = {
        "python": python_part,
        "libraries": libraries_part,
        "installation": installation_part,
        "data folder": folder_part,
        "disk": lambda: disk_part(folder_of_records(where)),
        "records": lambda: records_part(where, newest),
        "model": trained_part,
        "card": lambda: agreeing(card_part()),
        "clock": lambda: clock_part(moment, newest),
    }

    def looked() -> "Iterator[Part]":
        for name, look in each_of(list(looks.items()), "part"):
            try:
                yield look()
            except Exception as error:  # noqa: BLE001 - a look that fails is a finding, not the end of the looks
                yield wrong(name, f"cannot be looked at ({type(error).__name__}: {error})", INSTALL)

    return tuple(looked())


def python_part() -> "Part":
    """Whether Python is new enough."""
    from valuer.upkeep import well, wrong

    have, need = platform.python_version(), ".".join(map(str, OLDEST_PYTHON))
    numbers = tuple(int(part) for part in platform.python_version_tuple()[:2])
    if numbers < OLDEST_PYTHON:
        return wrong("python", f"{have}, needed is {need} or newer", f"install Python {need} or newer")
    return well("python", have)


def libraries_part() -> "Part":
    """Whether every library is there in a version that was tried."""
    from packaging.requirements import Requirement

    from valuer.upkeep import well, wrong

    needs = [need for need in map(Requirement, needed()) if need.marker is None or need.marker.evaluate()]
    bad = [
        f"{need.name} {have or 'missing'} ({need.specifier})"
        for need, have in ((need, held(need.name)) for need in needs)
        if have is None or not need.specifier.contains(have, prereleases=True)
    ]
    if bad:
        return wrong("libraries", f"not as needed: {', '.join(bad)}", "pip install --upgrade valuer")
    return well("libraries", f"{len(needs)} as needed")


def needed() -> Sequence[str]:
    """What the installation, or the checkout, says it needs, each as ``name>=1.0,<2``."""
    try:
        return requires("valuer") or ()
    except PackageNotFoundError:
        import tomllib

        project = tomllib.loads((CHECKOUT / "pyproject.toml").read_text("utf-8"))["project"]
        return tuple(project["dependencies"])


def held(name: str) -> str | None:
    """The version of a library that is there; nothing where there is none."""
    try:
        return version(name)
    except PackageNotFoundError:
        return None


def installation_part() -> "Part":
    """Whether catalogue, sales, listings and the page came with it."""
    from api.page_files import START, page_files
    from valuer.domain.faults import fault_catalogue
    from valuer.domain.fixes import fix_catalogue
    from valuer.paths import shipped
    from valuer.price_model.training import SYNTHETIC_LISTINGS, SYNTHETIC_SALES
    from valuer.upkeep import well, wrong

    files = page_files()
    missing = [name for name in (START, "code/main.js") if name not in files]
    for name in (SYNTHETIC_SALES, SYNTHETIC_LISTINGS):
        try:
            if not shipped(name).stat().st_size:
                missing.append(name)
        except OSError:
            missing.append(name)
    if missing:
        return wrong("installation", f"missing: {', '.join(missing)}", INSTALL)
    said = f"{len(fault_catalogue())} faults, {len(fix_catalogue())} fixes, {len(files)} files of the page"
    return well("installation", f"valuer {__version__}, {said}")


def folder_part() -> "Part":
    """Whether the data folder can be written, by its owner only."""
    from valuer.upkeep import look, well, wrong

    folder = data_folder()
    there = next(each for each in (folder, *folder.absolute().parents) if each.exists())
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        return wrong("data folder", "cannot be written", "check XDG_DATA_HOME, and who may write there")
    if there != folder:
        return well("data folder", "not there yet; it is made when something is written down")
    open_to = [path.name for path in (folder, *folder.iterdir()) if _others_may_write(path)]
    if open_to:
        return look("data folder", f"others may write: {', '.join(sorted(open_to))}", "chmod go-w on them")
    return well("data folder", "can be written, by its owner only")


def _others_may_write(path: Path) -> bool:
    return os.name == "posix" and bool(path.stat().st_mode & (stat.S_IWGRP | stat.S_IWOTH))


def records_part(where: str | None, newest: list[datetime]) -> "Part":
    """Whether the records can be read, are whole, and have the form that this version knows."""
    from valuer.records.store.examine import examine
    from valuer.records.store.opening import address
    from valuer.records.store.problems import StoreProblem
    from valuer.records.store.tables import HEAD
    from valuer.upkeep import look, well, wrong

    try:
        found = examine(address(where))
    except StoreProblem as problem:
        says, _, to_do = str(problem).partition("; ")
        return wrong("records", says, to_do or "`valuer restore` lists the backups")
    if found is None:
        return well("records", "none yet")
    newest.extend([found.newest] if found.newest else [])
    if found.form > HEAD:
        return wrong(
            "records", f"written by a newer valuer (form {found.form}, known {HEAD})", "install that version"
        )
    if found.form < HEAD:
        return look(
            "records",
            f"form {found.form}, the next command brings them to {HEAD}",
            "nothing; a backup is made",
        )
    return well("records", f"whole, {counted(found.machines, 'machine')}, form {found.form}")


def folder_of_records(where: str | None) -> Path | None:
    """The folder that records are written to; none of this computer's where they stand on a server."""
    from valuer.records.store.opening import address, file_of

    file = file_of(address(where))
    return file.parent if file else None


def trained_part() -> "Part":
    """Whether the price model in force is there, whole, and of this version."""
    from valuer.price_model.artifact import SHIPPED, ArtifactRefused, kept
    from valuer.price_model.training import place
    from valuer.upkeep import look, well, wrong

    file = place()
    try:
        return well("model", f"{kept(file).basis.model}, {file.stat().st_size // 1000:,} kB of plain numbers")
    except FileNotFoundError:
        problem = f"{file.name} is not there"
    except ArtifactRefused as refused:
        problem = str(refused)
    if file == SHIPPED:
        return wrong("model", problem, "install valuer again, or run `valuer train`")
    return look("model", problem, "the next question trains it again on the sales you gave")


def agreeing(card: "Part") -> "Part":
    """The card, if its figures are there: whether it is the one they give, and about the model in force."""
    from valuer.paths import shipped
    from valuer.price_model.card import model_card
    from valuer.price_model.given import card_in_force, sales_path
    from valuer.upkeep import look, wrong

    if card.state == "wrong":
        return card
    if shipped("model_cards/resale_value.md").read_text("utf-8") != model_card():
        return wrong(
            "card",
            "is not the one its figures give",
            "valuer card --shipped --pictures model_cards > model_cards/resale_value.md, or " + INSTALL,
        )
    if sales_path().exists() and card_in_force() is None:
        what = "tells of the shipped sales; the model in force rests on sales you gave, whose card is gone"
        return look("card", what, "run `valuer train --sales FILE` again, or `valuer train` to go back")
    return card


def clock_part(moment: datetime, newest: Sequence[datetime]) -> "Part":
    """Whether the clock stands after everything that is known to have happened."""
    from valuer.upkeep import well, wrong

    made = datetime.fromtimestamp(Path(__file__).stat().st_mtime, tz=moment.tzinfo)
    for what, then in [
        ("this program was installed", made),
        *(("the newest record was written", each) for each in newest),
    ]:
        if moment < then - DAY:
            return wrong(
                "clock",
                f"{moment:%Y-%m-%d}, before {what} ({then:%Y-%m-%d})",
                "set the clock of this computer",
            )
    return well("clock", f"{moment:%Y-%m-%d %H:%M} UTC")
