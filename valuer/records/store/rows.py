"""Entries as rows of the tables, and rows as entries."""

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from hashlib import sha256
from typing import Any

from sqlalchemy import RowMapping, Table

from valuer.domain.machine import Machine
from valuer.records.entries import Comparable, FixDone, ListingWeek, MachineEntry, Prediction, Sale
from valuer.records.store.tables import comparables, fixes_done, listing_weeks, machines, sales

Row = RowMapping | Mapping[str, Any]
Rows = dict[Table, list[dict[str, Any]]]


def wire(machine: Machine) -> str:
    """A machine as it stands in the store: JSON with what is known of it, the same text every time."""
    return machine.model_dump_json(exclude_none=True, exclude_defaults=True)


def hundredths(value: float | None) -> int | None:
    """Money in cents, or hours in hundredths."""
    return None if value is None else round(value * 100)


def _units(value: int | None) -> float | None:
    return None if value is None else value / 100


def rows_of(entries: Iterable[tuple[MachineEntry, int, datetime, datetime]]) -> Rows:
    """The rows of entries, each given with its version, when it was first written down, and when changed."""
    rows: Rows = {machines: [], fixes_done: [], listing_weeks: [], sales: []}
    for entry, version, recorded_at, changed_at in entries:
        rows[machines].append(
            {
                "id": entry.id,
                "document": wire(entry.machine),
                "taken_on": entry.taken_on,
                "paid_cents": hundredths(entry.paid),
                "hours_x100": hundredths(entry.hours),
                "version": version,
                "recorded_at": recorded_at,
                "changed_at": changed_at,
            }
        )
        rows[fixes_done] += [_fix_row(entry.id, place, done) for place, done in enumerate(entry.fixes)]
        rows[listing_weeks] += [_week_row(entry.id, week) for week in entry.weeks]
        if entry.sale:
            rows[sales].append(_sale_row(entry.id, entry.sale))
    return rows


def _fix_row(machine_id: str, place: int, done: FixDone) -> dict[str, Any]:
    return {
        "machine_id": machine_id,
        "place": place,
        "fix": done.fix,
        "fault": done.fault,
        "cured": done.cured,
        "done_on": done.done_on,
        "parts_cents": hundredths(done.parts),
        "hours_x100": hundredths(done.hours),
        "snag": done.snag,
        "promised_cents": hundredths(done.promised),
        "odds": done.odds,
        "gain_cents": hundredths(done.gain),
        "note": done.note,
    }


def _week_row(machine_id: str, week: ListingWeek) -> dict[str, Any]:
    return {
        "machine_id": machine_id,
        "week_of": week.week_of,
        "ask_cents": hundredths(week.ask),
        "offers_cents": json.dumps([hundredths(offer) for offer in week.offers]),
        "enquiries": week.enquiries,
        "no_shows": week.no_shows,
    }


def _sale_row(machine_id: str, sale: Sale) -> dict[str, Any]:
    said = sale.prediction
    return {
        "machine_id": machine_id,
        "sold_on": sale.sold_on,
        "price_cents": hundredths(sale.price),
        "sold_as": sale.sold_as,
        "fees_cents": hundredths(sale.fees),
        "hours_x100": hundredths(sale.hours),
        "predicted_cents": hundredths(said.amount) if said else None,
        "predicted_low_cents": hundredths(said.low) if said else None,
        "predicted_high_cents": hundredths(said.high) if said else None,
        "predicted_by": said.model if said else None,
        "predicted_data": said.data_sha256 if said else None,
        "predicted_own_sales": said.own_sales if said else None,
    }


def entry_of(row: Row, fixes: Sequence[Row], weeks: Sequence[Row], sale: Row | None) -> MachineEntry:
    """The entry that stands in these rows; raises a validation error where they hold what nobody wrote."""
    return MachineEntry(
        machine=Machine.model_validate_json(row["document"]),
        taken_on=row["taken_on"],
        paid=_units(row["paid_cents"]),
        hours=_units(row["hours_x100"]),
        fixes=tuple(fix_of(each) for each in fixes),
        weeks=tuple(week_of(each) for each in weeks),
        sale=sale_of(sale) if sale else None,
    )


def fix_of(row: Row) -> FixDone:
    """The try that stands in a row."""
    same = {name: row[name] for name in ("fix", "fault", "cured", "done_on", "snag", "odds", "note")}
    return FixDone(
        **same,
        parts=_units(row["parts_cents"]),
        hours=_units(row["hours_x100"]),
        promised=_units(row["promised_cents"]),
        gain=_units(row["gain_cents"]),
    )


def week_of(row: Row) -> ListingWeek:
    """The week listed that stands in a row."""
    return ListingWeek(
        week_of=row["week_of"],
        ask=row["ask_cents"] / 100,
        offers=tuple(cents / 100 for cents in json.loads(row["offers_cents"])),
        enquiries=row["enquiries"],
        no_shows=row["no_shows"],
    )


def sale_of(row: Row) -> Sale:
    """The sale that stands in a row."""
    return Sale(
        sold_on=row["sold_on"],
        price=row["price_cents"] / 100,
        sold_as=row["sold_as"],
        fees=_units(row["fees_cents"]),
        hours=_units(row["hours_x100"]),
        prediction=_prediction_of(row) if row["predicted_cents"] else None,
    )


def _prediction_of(row: Row) -> Prediction:
    return Prediction(
        amount=row["predicted_cents"] / 100,
        low=row["predicted_low_cents"] / 100,
        high=row["predicted_high_cents"] / 100,
        model=row["predicted_by"],
        data_sha256=row["predicted_data"],
        own_sales=row["predicted_own_sales"],
    )


def comparable_rows(seen: Iterable[Comparable], now: datetime) -> Rows:
    """The rows of prices seen around."""
    return {
        comparables: [
            {
                "content": content_of(each),
                "document": wire(each.machine),
                "kind": each.kind,
                "seen_on": each.seen_on,
                "price_cents": hundredths(each.price),
                "recorded_at": now,
            }
            for each in seen
        ]
    }


def content_of(seen: Comparable) -> str:
    """What tells one price seen around from another, so that the same file twice adds nothing."""
    told = f"{seen.kind}|{seen.seen_on}|{hundredths(seen.price)}|{wire(seen.machine)}"
    return sha256(told.encode()).hexdigest()


def comparable_of(row: Row) -> Comparable:
    """The price seen around that stands in a row."""
    return Comparable(
        machine=Machine.model_validate_json(row["document"]),
        kind=row["kind"],
        seen_on=row["seen_on"],
        price=row["price_cents"] / 100,
    )
