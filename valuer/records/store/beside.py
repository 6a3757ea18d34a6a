"""What stands in the store beside the entries: own terms, pictures, and what was changed lately."""

import json
from collections.abc import Iterable, Sequence
from datetime import datetime
from hashlib import sha256
from typing import Any, NamedTuple

from sqlalchemy import Connection, delete, func, insert, select, update

from valuer.records.entries import MachineEntry
from valuer.records.picture_files import PictureFile, Shows
from valuer.records.store.problems import Changed, Conflict, NotThere
from valuer.records.store.tables import deeds, machines, own_terms, pictures

KEPT_DAYS = 31
"""How far back one looks for a change to take back."""

MOST_DEEDS = 2_000
"""Changes that are remembered; years of one bench, and some megabytes at most."""

MOST_PICTURES = 12


class OwnTermsKept(NamedTuple):
    """The shop's own terms and how often they were changed; none yet is version 0."""

    document: dict[str, Any]
    version: int


class Picture(NamedTuple):
    """A picture of a machine; its name is made from its content."""

    name: str
    shows: str
    media_type: str
    size: int


MOST_AT_ONCE = 1_000
"""Machines of one import that are remembered; more of them would push out everything else."""

PRICES = ""
"""Stands in the place of a machine's id where prices seen around were written down."""


class Deed(NamedTuple):
    """One change of one machine: its entry before and after, None where it was not there.

    ``seen`` are the prices seen around that an import added, by their content; such a deed is of no machine. Deeds
    of one moment were done at once: a file taken in, an import.
    """

    number: int
    machine_id: str
    done_at: datetime
    before: MachineEntry | None
    after: MachineEntry | None
    undone_at: datetime | None
    seen: tuple[str, ...] = ()


def terms_kept(connection: Connection) -> OwnTermsKept:
    """The shop's own terms."""
    row = connection.execute(select(own_terms.c.document, own_terms.c.version)).first()
    return OwnTermsKept(json.loads(row[0]), row[1]) if row else OwnTermsKept({}, 0)


def keep_terms(
    connection: Connection, document: dict[str, Any], version: int | None, now: datetime
) -> OwnTermsKept:
    """Keep terms in the place of those of a version; raises Changed where they are of another."""
    there = terms_kept(connection)
    if version is not None and version != there.version:
        raise Changed("the own terms were changed since they were read; read them again")
    connection.execute(delete(own_terms))
    row = {
        "id": 1,
        "document": json.dumps(document),
        "version": there.version + 1,
        "changed_at": now,
    }
    connection.execute(insert(own_terms), [row])
    return OwnTermsKept(document, there.version + 1)


def pictures_of(connection: Connection, machine_id: str) -> tuple[Picture, ...]:
    """The pictures of a machine in the order they were taken."""
    found = select(
        pictures.c.name, pictures.c.shows, pictures.c.media_type, func.length(pictures.c.content)
    ).where(pictures.c.machine_id == machine_id)
    order = pictures.c.recorded_at, pictures.c.name
    return tuple(Picture(*row) for row in connection.execute(found.order_by(*order)))


def every_picture(connection: Connection) -> list[tuple[str, Shows, bytes]]:
    """Machine, what is shown, and content of all pictures of machines on record."""
    columns = pictures.c.machine_id, pictures.c.shows, pictures.c.content
    there = pictures.c.machine_id.in_(select(machines.c.id))
    found = (
        select(*columns).where(there).order_by(pictures.c.machine_id, pictures.c.recorded_at, pictures.c.name)
    )
    return [(row[0], row[1], bytes(row[2])) for row in connection.execute(found)]


def not_kept(connection: Connection, given: Iterable[PictureFile]) -> int:
    """How many of these pictures are not on record."""
    wanted = {(each.machine, each.name) for each in given}
    if not wanted:
        return 0
    there = connection.execute(select(pictures.c.machine_id, pictures.c.name))
    return len(wanted - {(row[0], row[1]) for row in there})


def keep_picture(
    connection: Connection, machine_id: str, shows: str, media_type: str, content: bytes, now: datetime
) -> Picture:
    """Keep a picture; the same one twice is one. Raises Conflict where there are too many."""
    name = sha256(content).hexdigest()[:32]
    there = pictures_of(connection, machine_id)
    known = next((each for each in there if each.name == name), None)
    if known:
        return known
    if len(there) >= MOST_PICTURES:
        raise Conflict(
            f"{machine_id} has {MOST_PICTURES} pictures, the most there may be; take one away first"
        )
    row = {
        "machine_id": machine_id,
        "name": name,
        "shows": shows,
        "media_type": media_type,
        "content": content,
        "recorded_at": now,
    }
    connection.execute(insert(pictures), [row])
    return Picture(name, shows, media_type, len(content))


def picture(connection: Connection, machine_id: str, name: str) -> tuple[str, bytes]:
    """The media type and content of a picture; raises NotThere."""
    found = select(pictures.c.media_type, pictures.c.content).where(
        pictures.c.machine_id == machine_id, pictures.c.name == name
    )
    row = connection.execute(found).first()
    if row is None:
        raise NotThere(f"no picture {name!r} of {machine_id!r} in the records")
    return row[0], bytes(row[1])


def drop_picture(connection: Connection, machine_id: str, name: str) -> None:
    """Take a picture away; raises NotThere."""
    gone = delete(pictures).where(pictures.c.machine_id == machine_id, pictures.c.name == name)
    if not connection.execute(gone).rowcount:
        raise NotThere(f"no picture {name!r} of {machine_id!r} in the records")


def log(
    connection: Connection, before: MachineEntry | None, after: MachineEntry | None, now: datetime
) -> None:
    """Remember a change for as long as it may be taken back."""
    log_all(connection, [(before, after)], now)


def log_all(
    connection: Connection,
    done: Iterable[tuple[MachineEntry | None, MachineEntry | None]],
    now: datetime,
    seen: Sequence[str] = (),
) -> int | None:
    """Remember what was changed at once, entries and prices seen around, for as long as it may be taken back.

    Returns the number of the last of them; None where nothing was changed.
    """
    rows: list[dict[str, Any]] = [
        {"machine_id": entry.id, "done_at": now, "before": _text(before), "after": _text(after)}
        for before, after in done
        if before != after and (entry := after or before)
    ]
    if seen:
        rows.append({"machine_id": PRICES, "done_at": now, "before": None, "after": json.dumps([*seen])})
    if not rows:
        return None
    newest = connection.execute(select(func.max(deeds.c.id))).scalar() or 0
    # By their number, not their day: a clock that stands wrong for an hour would forget them all.
    connection.execute(delete(deeds).where(deeds.c.id <= newest - MOST_DEEDS))
    connection.execute(insert(deeds), rows)
    return int(connection.execute(select(func.max(deeds.c.id))).scalar_one())


def _text(entry: MachineEntry | None) -> str | None:
    return None if entry is None else entry.model_dump_json(exclude_none=True)


def deeds_since(connection: Connection, since: datetime) -> tuple[Deed, ...]:
    """What was changed since a moment, the newest first."""
    found = select(deeds).where(deeds.c.done_at >= since).order_by(deeds.c.id.desc())
    return tuple(deed_of(row) for row in connection.execute(found).mappings())


def deed(connection: Connection, number: int) -> Deed:
    """One deed; raises NotThere."""
    row = connection.execute(select(deeds).where(deeds.c.id == number)).mappings().first()
    if row is None:
        raise NotThere(f"no deed {number} is remembered; the last {MOST_DEEDS:,} are")
    return deed_of(row)


def last_deed(connection: Connection, machine_id: str | None = None) -> Deed:
    """The last deed that stands, of one machine or of all; raises NotThere."""
    found = select(deeds).where(deeds.c.undone_at.is_(None)).order_by(deeds.c.id.desc()).limit(1)
    if machine_id is not None:
        found = found.where(deeds.c.machine_id == machine_id)
    row = connection.execute(found).mappings().first()
    if row is None:
        whose = f" of {machine_id}" if machine_id is not None else ""
        raise NotThere(f"nothing{whose} is remembered that could be taken back")
    return deed_of(row)


def done_with(connection: Connection, done: Deed) -> tuple[Deed, ...]:
    """What was done at once with a deed, itself included, and still stands; the newest first."""
    at_once = select(deeds).where(deeds.c.done_at == done.done_at, deeds.c.undone_at.is_(None))
    return tuple(deed_of(row) for row in connection.execute(at_once.order_by(deeds.c.id.desc())).mappings())


def deed_of(row: Any) -> Deed:
    """A row of the table as a deed."""
    if row["machine_id"] == PRICES:
        return Deed(
            row["id"], PRICES, row["done_at"], None, None, row["undone_at"], tuple(json.loads(row["after"]))
        )
    return Deed(
        row["id"],
        row["machine_id"],
        row["done_at"],
        _entry(row["before"]),
        _entry(row["after"]),
        row["undone_at"],
    )


def _entry(text: str | None) -> MachineEntry | None:
    return None if text is None else MachineEntry.model_validate_json(text)


def mark_undone(connection: Connection, number: int, now: datetime) -> None:
    """Write down that a deed was taken back."""
    connection.execute(update(deeds).where(deeds.c.id == number).values(undone_at=now))
