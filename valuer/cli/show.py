"""Answers as plain text: money first, the reason second, the doubt third; for 80 columns, colour or none."""

import sys
import textwrap
from collections.abc import Iterable, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from valuer.advice.documents import (
    Advice,
    BenchMachine,
    BenchRanking,
    FixPlan,
    Safety,
    Valuation,
)
from valuer.advice.ports import Basis

NAMED = 4  # machines named beside a doubt that does not concern all
IN_FULL = 3  # more machines than this are shown as one table
BAR = 12  # characters of the longest bar
FAULT_TABLE = (
    "off: its share of the gap. cured: regained if it alone is cured. alone: lost if it were the only fault. "
    "records: sales with it that the model learned from."
)


def console() -> Console:
    """A console on standard output that leaves numbers uncoloured and lines short enough to read."""
    found = Console(highlight=False, markup=False, emoji=False)
    found.width = min(found.width, 100)
    return found


def whole(amount: float) -> str:
    """Money to the whole unit, which is as exact as any of it is.

    >>> whole(1234.5), whole(-0.2)
    ('1,234', '0')
    """
    return f"{round(amount) + 0:,}"


def bar(share: float, largest: float) -> str:
    """A bar for a share of the largest one; anything above nothing is seen."""
    mark = "█" if _draws("█") else "#"
    return mark * max(1, round(BAR * share / largest)) if share > 0 and largest > 0 else ""


def _draws(mark: str) -> bool:
    try:
        mark.encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return True


def heading(out: Console, title: str, text: str = "") -> None:
    """A title with a line below it, then a paragraph."""
    out.print(Text.assemble(("\n" + title, "bold"), "\n" + "-" * len(title)))
    if text:
        wrapped(out, text)
        out.print()


def valuations(out: Console, answers: Sequence[Valuation]) -> None:
    """What the machines are worth: in full for a few, one line each for many."""
    if len(answers) > IN_FULL:
        value_table(out, answers)
        out.print("\n--machine ID shows what each fault takes off.")
    else:
        for answer in answers:
            valuation(out, answer)
    closing(out, answers)


def valuation(out: Console, answer: Valuation) -> None:
    """One machine: its value, what each fault takes off, whether it may be sold, what to beware of."""
    _headline(out, answer)
    if answer.fault_costs:
        gap = answer.sound_value - answer.value.amount
        out.print(f"Sound it would bring {whole(answer.sound_value)}. Its faults take off {whole(gap)}:\n")
        out.print(_fault_table(answer))
        wrapped(out, FAULT_TABLE)
        out.print()
    else:
        out.print("No fault was found on it.\n")
    _safety(out, answer)


def _headline(out: Console, answer: Advice) -> None:
    value = answer.value
    sure = (
        f"{round(10 * value.coverage)} sales in 10 fall between {whole(value.low)} and {whole(value.high)}."
    )
    out.print(Text.assemble((answer.id, "bold"), f": about {whole(value.amount)} {value.currency}; {sure}"))


def value_table(out: Console, answers: Sequence[Valuation]) -> None:
    """One line a machine."""
    table = plain_table("machine", ">value", ">low", ">high", ">sound", "dearest fault", "sell as working?")
    for answer in answers:
        value, costs = answer.value, answer.fault_costs
        amounts = [whole(amount) for amount in (value.amount, value.low, value.high, answer.sound_value)]
        table.add_row(answer.id, *amounts, costs[0].fault if costs else "none", may_be_sold(answer.safety))
    out.print(table)


def _fault_table(answer: Valuation) -> Table:
    table = plain_table("fault", ">off", "", ">cured", ">alone", ">records")
    largest = max(cost.share for cost in answer.fault_costs)
    for cost in answer.fault_costs:
        doubt = "" if cost.chance == 1 else f" {cost.chance:.0%}"
        figures = whole(cost.cured_alone), whole(cost.lost_alone), f"{cost.records:,}"
        name = f"{cost.fault}:{cost.severity}{doubt}"
        table.add_row(name, whole(cost.share), bar(cost.share, largest), *figures)
    return table


def may_be_sold(safety: Safety) -> str:
    """The verdict in a few words."""
    if safety.may_be_sold:
        return "yes"
    return "no: cure first" if safety.must_cure else "not yet: check first"


def _safety(out: Console, answer: Advice) -> None:
    safety = answer.safety
    wrapped(out, safety.statement, style="green" if safety.may_be_sold else "red")
    out.print()


def fix_plans(out: Console, answers: Sequence[FixPlan]) -> None:
    """Which fixes pay: in full for a few machines, the best plan alone for many."""
    for answer in answers:
        if len(answers) > IN_FULL:
            _headline(out, answer)
            _best_plan(out, answer)
            out.print(f"Sell as working? {may_be_sold(answer.safety)}.\n")
        else:
            fix_plan(out, answer)
    if len(answers) > IN_FULL:
        out.print("--machine ID shows every fix.")
    closing(out, answers)


def fix_plan(out: Console, answer: FixPlan) -> None:
    """One machine: the best plan, every possible fix with the reason, and whether it may be sold."""
    _headline(out, answer)
    _best_plan(out, answer)
    _fix_list(out, answer)
    _safety(out, answer)


def _best_plan(out: Console, answer: FixPlan) -> None:
    """The best set of fixes: money first, then what it takes, then the chance of losing."""
    best, currency = answer.best, answer.value.currency
    if not best.fixes:
        out.print("Best plan: no fix; sell it as it stands, its faults told.")
        return
    wrapped(
        out,
        f"Best plan: {', '.join(best.fixes)}. It should bring {whole(best.expected_return)} {currency} more "
        f"than selling as it stands, {best.bench_hours:.1f} h at {whole(answer.hour_value)} an hour and "
        f"{whole(best.cash)} of parts paid; chance of losing by it {best.chance_of_loss:.0%}.",
    )
    if best.left_and_disclosed:
        wrapped(out, f"Left in, to be told to the buyer: {', '.join(best.left_and_disclosed)}.")


def _fix_list(out: Console, answer: FixPlan) -> None:
    """Every possible fix: what it brings, the verdict, what it takes, and why."""
    out.print()
    for fix in answer.fixes:
        first = f"{round(fix.expected_return):+6,}  {fix.verdict}: "
        out.print(Text.assemble(first, (fix.fix, "bold"), f" for {fix.fault}"))
        gain = f"Gain {whole(fix.gain)} at odds of {fix.odds:.0%}"
        takes = f"parts {whole(fix.parts)}, {fix.bench_hours:.1f} h."
        said = (f"{fix.name}.", f"{gain}, {takes}", fix.reason, fix.break_even)
        wrapped(out, " ".join(filter(None, said)), " " * 8)
    if answer.fixes:
        out.print()


def bench_ranking(out: Console, ranking: BenchRanking) -> None:
    """The machines in the order of what an hour on them brings."""
    hour = f"an hour of yours counts as {whole(ranking.hour_value)} {ranking.currency}"
    out.print(f"What earns most per bench hour, best first ({hour}):\n")
    table = plain_table("", "machine", ">now", ">after", ">return", ">hours", ">per h", ">loss", "plan")
    for place, machine in enumerate(ranking.machines, start=1):
        table.add_row(str(place), *_bench_row(machine))
    out.print(table)
    _bullets(out, "\nNot for sale as working mowers as they stand:", _blocked(ranking.machines))
    _closing(out, ranking.cautions, ranking.warnings, ranking.machines[0].safety, ranking.basis)


def _bench_row(machine: BenchMachine) -> tuple[str | Text, ...]:
    money = machine.value_now, machine.value_after, machine.expected_return
    plan = ", ".join(machine.plan) or "sell as it stands"
    as_what = "" if machine.sold_as == "working" else f" ({machine.sold_as})"
    rate = whole(machine.return_per_hour) if machine.plan else "-"
    hours, loss = f"{machine.bench_hours:.1f}", f"{machine.chance_of_loss:.0%}"
    return machine.id, *map(whole, money), hours, rate, loss, f"{plan}{as_what}"


def _blocked(machines: Iterable[BenchMachine]) -> list[str]:
    return [
        f"{machine.id}: cure {', '.join(machine.safety.must_cure) or 'nothing'}; "
        f"check {', '.join(machine.safety.unchecked) or 'nothing'}"
        for machine in machines
        if not machine.safety.may_be_sold
    ]


def closing(out: Console, answers: Sequence[Advice]) -> None:
    """What holds for several machines, each said once: cautions, doubts, law, and the model behind it."""
    cautions = dict.fromkeys(caution for answer in answers for caution in answer.cautions)
    _closing(out, cautions, _concerned(answers), answers[0].safety, answers[0].basis)


def _concerned(answers: Sequence[Advice]) -> list[str]:
    """Each warning once, with the machines it concerns where those are not all."""
    ids: dict[str, list[str]] = {}
    for answer in answers:
        for warning in answer.warnings:
            ids.setdefault(warning, []).append(answer.id)
    return [f"{_whose(who, len(answers))}{warning}" for warning, who in ids.items()]


def _whose(ids: Sequence[str], machines: int) -> str:
    if len(ids) == machines:
        return ""
    return f"{', '.join(ids)}: " if len(ids) <= NAMED else f"{len(ids)} machines: "


def _closing(
    out: Console, cautions: Iterable[str], warnings: Iterable[str], safety: Safety, basis: Basis
) -> None:
    _bullets(out, "Cautions:", cautions)
    _bullets(out, "Least sure about:", warnings)
    _bullets(out, "The verdict on selling rests on:", safety.sources)
    model = f"Model {basis.model}, data {basis.data_sha256[:12]}, own sales {basis.own_sales}."
    wrapped(out, f"{model} Not for insurance, tax or any decision about safety.")


def _bullets(out: Console, title: str, lines: Iterable[str]) -> None:
    found = list(lines)
    if found:
        out.print(title)
        for line in found:
            wrapped(out, line, "    ", first="  - ")


def wrapped(out: Console, text: str, indent: str = "", first: str | None = None, style: str = "") -> None:
    """Text in lines that fit, without blanks at their ends."""
    first = indent if first is None else first
    lines = textwrap.fill(text, out.width, initial_indent=first, subsequent_indent=indent)
    out.print(Text(lines, style))


def plain_table(*heads: str) -> Table:
    """A table without lines; a head that starts with > stands over figures."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for head in heads:
        figures = head.startswith(">")
        table.add_column(head.lstrip(">"), justify="right" if figures else "left", no_wrap=figures)
    return table
