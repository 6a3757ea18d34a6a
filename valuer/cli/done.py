"""Write down what was done to a machine: a fix that was tried, a look, a safety check."""

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import click

from valuer.cli import completing
from valuer.cli.options import Figure, one_line, sure_option
from valuer.cli.records import day_option, id_argument, look_right, money_terms, records_at, store_option
from valuer.clock import now, today

if TYPE_CHECKING:
    from valuer.domain.machine import Machine
    from valuer.domain.shop import ShopTerms
    from valuer.records.entries import FixDone
    from valuer.records.store.store import Store

PASSED, FAILED = "passed", "failed"
OF_A_FIX = {"cured": True, FAILED: False, "still there": False}
ABOUT_A_FIX = ("fault", "parts", "hours", "snag", "note")
SAID = {
    "blade_stop": "blade stops in 2.1 2.2 2.1 s",
    "fuel": "paper dry after 5 minutes, paper dry overnight",
    "engine_speed": "engine 2950 rpm, 21 in blade",
}
"""How the readings are said by which a check is passed, for those that no word passes."""


@click.command()
@id_argument
@click.argument("step", shell_complete=completing.steps)
@click.argument("result", nargs=-1)
@click.option(
    "--fault",
    metavar="FAULT",
    help="Fault the fix was meant to cure; needed where it may cure several.",
    shell_complete=completing.faults,
)
@click.option("--cured/--failed", default=None, help="Whether the fault was gone at the retest.")
@click.option("--parts", type=Figure(), metavar="MONEY", help="What parts and consumables cost.")
@click.option(
    "--hours", type=Figure(0, 1_000, "hours"), metavar="HOURS", help="Your bench hours, strip-down included."
)
@click.option("--snag", is_flag=True, default=None, help="Something else was made worse.")
@click.option("--note", metavar="TEXT", help="What was found.")
@sure_option
@day_option
@store_option
@money_terms
def done(
    machine_id: str,
    step: str,
    result: tuple[str, ...],
    *,
    cured: bool | None,
    sure: bool,
    day: date | None,
    where: str | None,
    terms: "ShopTerms",
    **took: Any,
) -> None:
    """Write down a step that was done: a fix, a look, a check.

    STEP is what `valuer next` calls it, RESULT what came of it: for a fix --cured or --failed, for a look what it
    showed, for a check passed or failed. What was cured is taken off machine ID; checks and readings that the work
    touched must be taken again. `valuer next` and `valuer fixes` go on from there.
    """
    from valuer.domain.fixes import fix_catalogue

    came = " ".join(result)
    wire = {name: value for name, value in took.items() if value is not None}
    with records_at(where) as store:
        if step in fix_catalogue() and not _is_look(store, machine_id, step, came, terms):
            if cured is None and came in OF_A_FIX:
                cured = OF_A_FIX[came]
            elif came:
                raise click.ClickException(f"RESULT: expected --cured or --failed for a fix, got {came!r}")
            if cured is None:
                raise click.ClickException("expected --cured or --failed; a try that failed teaches as much")
            _tried(store, machine_id, step, cured, day or today(), terms, wire, sure=sure)
            return
        odd = ["cured"] * (cured is not None) + [name for name in ABOUT_A_FIX if name in wire]
        _looked(store, machine_id, step, came, odd, terms)


def _is_look(store: "Store", machine_id: str, step: str, came: str, terms: "ShopTerms") -> bool:
    """Whether what a fix showed is told: some of the catalogue's fixes only look, and are looks of a symptom."""
    from valuer.adviser import possible_looks

    if not came or came in OF_A_FIX:
        return False
    shows = possible_looks(store.entry(machine_id).entry.machine, terms).get(step, ())
    return came.replace(" ", "_") in shows


def _tried(
    store: "Store",
    machine_id: str,
    fix: str,
    cured: bool,  # noqa: FBT001 - the result of the try
    on: date,
    terms: "ShopTerms",
    took: dict[str, Any],
    *,
    sure: bool,
) -> None:
    from valuer.cli.show_records import after_fix
    from valuer.intake.doubts import about_work
    from valuer.records.bench import tried
    from valuer.records.entries import FixDone

    before = store.entry(machine_id).entry
    meant = _meant(before.machine, fix, took.pop("fault", None))
    odd = about_work(on, today(), took.get("hours"), took.get("parts"), before.machine.new_price)
    look_right(odd, sure=sure)
    try_ = FixDone(fix=fix, fault=meant, cured=cured, done_on=on, **took)
    try_ = _promised(before.machine, try_, terms.model_copy(update={"month": on.month}))
    kept = store.change(machine_id, lambda entry: tried(entry, try_), now())
    after_fix(before, kept.entry)


def _looked(
    store: "Store", machine_id: str, step: str, came: str, of_a_fix: Sequence[str], terms: "ShopTerms"
) -> None:
    """Write down what a look or a check showed."""
    from valuer.adviser import check_looks, possible_looks
    from valuer.domain.gates import gate_catalogue
    from valuer.domain.machine import with_changes
    from valuer.domain.words import did_you_mean
    from valuer.records.bench import taken
    from valuer.records.entries import MachineEntry

    gates = gate_catalogue()
    entry = store.entry(machine_id).entry
    possible = possible_looks(entry.machine, terms)
    if step not in gates and step not in possible:
        from valuer.domain.fixes import fix_catalogue

        known = (*fix_catalogue(), *possible, *gates)
        raise click.ClickException(
            f"STEP: expected a fix, a check or a look that {machine_id} asks for, got {step!r}"
            f"{did_you_mean(step, known) or f'; `valuer next {machine_id}` names them'}"
        )
    if of_a_fix:
        raise click.ClickException(f"--{of_a_fix[0]}: is for a fix; {step} is a look or a check")
    if not came:
        choices = ", ".join(possible.get(step, (PASSED, FAILED)))
        raise click.ClickException(f"RESULT: what did {step} show? One of {choices}")

    if came == PASSED and step in gates and not gates[step].by_check:
        how = f'valuer take "{SAID[step]}" --name {machine_id}'
        raise click.ClickException(f"RESULT: {step} is passed by its readings, not by a word: {how}")

    def after(entry: MachineEntry) -> MachineEntry:
        machine = entry.machine
        if step in gates:
            changed = with_changes(machine, checks={**machine.checks, step: came})
        else:
            shown = came if came in possible[step] else came.replace(" ", "_")
            with one_line():
                check_looks(machine, terms, {step: shown})
            changed = with_changes(machine, seen={**machine.seen, step: shown})
        return taken(entry, changed, entry.taken_on)

    store.change(machine_id, after, now())
    click.echo(
        f"{machine_id}: {step.replace('_', ' ')}: {came}. `valuer next {machine_id}` goes on from there."
    )


def _meant(machine: "Machine", fix: str, fault: str | None) -> str:
    """The fault a fix was meant to cure: the one named, or the only one on the machine that it may cure."""
    from valuer.domain.findings import findings
    from valuer.domain.symptoms import may_cure

    if fault:
        return fault
    acts_on = may_cure(fix)
    on_it = [finding.fault for finding in findings(machine) if finding.fault in acts_on]
    if len(on_it) == 1:
        return on_it[0]
    choices = ", ".join(on_it or acts_on)
    raise click.ClickException(f"--fault: {fix} may be for {choices}; say which it was")


def _promised(machine: "Machine", done: "FixDone", terms: "ShopTerms") -> "FixDone":
    """The try with what the advice expected of it before its outcome was known."""
    from valuer.cli.model import reckoning

    with reckoning() as adviser:
        return adviser.promised(machine, terms, done)


commands: Sequence[click.Command] = (done,)
