"""What was written down, in a few words, and as the document that the API and the command line show."""

from collections.abc import Iterable
from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field

from valuer.domain.fixes import fix_catalogue
from valuer.domain.words import counted
from valuer.records.entries import MachineEntry
from valuer.records.store.beside import Deed


class DeedDone(BaseModel):
    """Something that was written down."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    number: int = Field(description="number of the deed, by which it is taken back")
    id: str = Field(description="the machine; empty where it was no machine but prices seen around")
    at: datetime = Field(description="moment, UTC; what was done at once, an import say, has the same")
    words: str = Field(description="what was written down")
    undone: bool = Field(description="whether it was taken back since")


class Deeds(BaseModel):
    """What was written down, the newest first."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    deeds: tuple[DeedDone, ...] = Field(description="the newest first")


def told(deeds: Iterable[Deed]) -> tuple[DeedDone, ...]:
    """Deeds of the store as they are shown."""
    return tuple(
        DeedDone(
            number=deed.number,
            id=deed.machine_id,
            at=deed.done_at,
            words=f"{counted(len(deed.seen), 'price')} seen around"
            if deed.seen
            else what_was_done(deed.before, deed.after),
            undone=deed.undone_at is not None,
        )
        for deed in deeds
    )


def what_was_done(before: MachineEntry | None, after: MachineEntry | None) -> str:
    """The difference between an entry before and after as one says it.

    >>> from valuer.domain.machine import Machine
    >>> from datetime import date
    >>> what_was_done(None, MachineEntry(machine=Machine(id="m1"), taken_on=date(2026, 5, 1)))
    'taken in'
    """
    if before is None or after is None:
        return "taken in" if before is None else "removed"
    if before.id != after.id:
        return f"named {after.id}, {before.id} before"
    if before.sale != after.sale:
        return f"sold for {after.sale.price:.2f}".removesuffix(".00") if after.sale else "sale taken back"
    if len(before.fixes) < len(after.fixes):
        done = after.fixes[-1]
        return f"{fix_catalogue()[done.fix].name}: {'cured' if done.cured else 'failed'}"
    if before.weeks != after.weeks:
        return f"listed at {after.weeks[-1].ask:g}" if after.weeks else "listed week taken out"
    return _looked_at(before, after)


def _looked_at(before: MachineEntry, after: MachineEntry) -> str:
    now, then = after.machine, before.machine
    checks = [f"{name} {result}" for name, result in now.checks.items() if then.checks.get(name) != result]
    if checks and now.model_copy(update={"checks": then.checks}) == then:
        return ", ".join(each.replace("_", " ") for each in checks)
    shown = [f"{look}: {outcome}" for look, outcome in now.seen.items() if then.seen.get(look) != outcome]
    if shown and now.model_copy(update={"seen": then.seen}) == then:
        return ", ".join(shown).replace("_", " ")
    found = [str(each) for each in now.faults if each not in then.faults]
    return f"looked at again, found {', '.join(found)}" if found else "looked at again"
