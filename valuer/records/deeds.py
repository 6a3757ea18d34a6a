"""What a change of an entry was, in a few words."""

from valuer.domain.fixes import fix_catalogue
from valuer.records.entries import MachineEntry


def what_was_done(before: MachineEntry | None, after: MachineEntry | None) -> str:
    """The difference between an entry before and after as one says it.

    >>> from valuer.domain.machine import Machine
    >>> from datetime import date
    >>> what_was_done(None, MachineEntry(machine=Machine(id="m1"), taken_on=date(2026, 5, 1)))
    'taken in'
    """
    if before is None or after is None:
        return "taken in" if before is None else "struck"
    if before.id != after.id:
        return f"named {after.id}, {before.id} before"
    if before.sale != after.sale:
        return f"sold for {after.sale.price:g}" if after.sale else "sale taken back"
    if len(before.fixes) < len(after.fixes):
        done = after.fixes[-1]
        return f"{fix_catalogue()[done.fix].name}: {'cured' if done.cured else 'did not hold'}"
    if before.weeks != after.weeks:
        return f"week on offer at {after.weeks[-1].ask:g}" if after.weeks else "week on offer taken out"
    return _looked_at(before, after)


def _looked_at(before: MachineEntry, after: MachineEntry) -> str:
    now, then = after.machine, before.machine
    checks = [f"{name} {result}" for name, result in now.checks.items() if then.checks.get(name) != result]
    if checks and now.model_copy(update={"checks": then.checks}) == then:
        return ", ".join(each.replace("_", " ") for each in checks)
    found = [str(each) for each in now.faults if each not in then.faults]
    return f"looked at again, found {', '.join(found)}" if found else "looked at again"
