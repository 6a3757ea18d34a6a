"""The ledger: what each machine brought once everything spent on it is counted. No decision looks at it."""

from collections.abc import Iterable, Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from valuer.records.entries import MachineEntry

NOTE = "Money and hours already spent stand here only; no value, asking price or advice depends on them."


class LedgerLine(BaseModel):
    """One machine's account, own money and own hours."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: str
    called: str | None = Field(None, description="what its owner calls it, where that is more than the id")
    state: Literal["bench", "listed", "sold"]
    taken_on: str = Field(description="day it was taken in")
    sold_on: str | None
    price: float | None = Field(description="price received")
    paid: float = Field(description="purchase price and fetching")
    parts: float = Field(description="parts and consumables of all fixes, failed ones too")
    fees: float
    profit: float | None = Field(description="price - paid - parts - fees; null while it is not sold")
    spent: float = Field(description="paid + parts + fees so far")
    hours: float = Field(description="own hours written down: fetching, bench, selling")
    profit_per_hour: float | None = Field(
        description="null where it is not sold or no hours are written down"
    )
    days_to_sell: int | None = Field(description="from the first week listed to the sale")


class Ledger(BaseModel):
    """All accounts and their sums."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    lines: tuple[LedgerLine, ...]
    sold: int
    on_bench: int
    profit: float = Field(description="of the machines sold")
    hours: float = Field(description="of the machines sold")
    profit_per_hour: float | None
    tied_up: float = Field(description="spent on machines that still stand on the bench")
    note: str = NOTE


def ledger(entries: Iterable[MachineEntry]) -> Ledger:
    """The accounts of machines, in the order given."""
    lines = tuple(_line(entry) for entry in entries)
    sold = [line for line in lines if line.state == "sold"]
    profit, hours = _sum(line.profit for line in sold), _sum(line.hours for line in sold)
    return Ledger(
        lines=lines,
        sold=len(sold),
        on_bench=len(lines) - len(sold),
        profit=profit,
        hours=hours,
        profit_per_hour=round(profit / hours, 2) if hours else None,
        tied_up=_sum(line.spent for line in lines if line.state != "sold"),
    )


def _line(entry: MachineEntry) -> LedgerLine:
    sale = entry.sale
    paid, fees = entry.paid or 0.0, (sale.fees if sale else None) or 0.0
    parts = _sum(done.parts for done in entry.fixes)
    spent = _sum([paid, parts, fees])
    hours = _sum([entry.hours, *(done.hours for done in entry.fixes), sale.hours if sale else None])
    profit = round(sale.price - spent, 2) if sale else None
    return LedgerLine(
        id=entry.id,
        called=entry.machine.called,
        state="sold" if sale else "listed" if entry.weeks else "bench",
        taken_on=entry.taken_on.isoformat(),
        sold_on=sale.sold_on.isoformat() if sale else None,
        price=sale.price if sale else None,
        paid=paid,
        parts=parts,
        fees=fees,
        profit=profit,
        spent=spent,
        hours=hours,
        profit_per_hour=round(profit / hours, 2) if profit is not None and hours else None,
        days_to_sell=entry.days_to_sell,
    )


def _sum(amounts: Iterable[float | None] | Sequence[float | None]) -> float:
    return round(sum(amount or 0.0 for amount in amounts), 2)
