"""Answers as plain text: money first, the reason second, the doubt third; for 80 columns, colour or none."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING, Protocol

from rich.console import Console
from rich.table import Table
from rich.text import Text

from valuer.advice.worth.common import OUT_OF_SEASON, OUTSIDE
from valuer.domain.english import English, in_english
from valuer.domain.words import counted

if TYPE_CHECKING:
    from valuer.advice.ports import Basis
    from valuer.advice.work.bench_documents import BenchMachine, BenchRanking
    from valuer.advice.worth.documents import Advice, Route, Safety, Valuation
    from valuer.intake.search import Found

NAMED = 4  # machines named beside a doubt that does not concern all
MOST_LINES = 12  # of the answer about one machine, where not all of it is asked for
IN_FULL = 3  # more machines than this are shown as one table
STEP = 34  # characters of a step in a table
BAR = 12  # characters of the longest bar
LEFT: dict[Route, str] = {
    "working": "sell as it stands",
    "for repair": "sell for repair",
    "for parts": "break for parts",
    "scrap": "scrap",
}
SAID = "Not to be sold as working"  # a caution that the verdict on selling says already
FAULT_TABLE = (
    "off: its share of the gap. cured: regained if it alone is cured. alone: lost if it were the only fault. "
    "records: sales with it that the model learned from."
)


def console() -> Console:
    """A console on standard output that leaves numbers uncoloured and lines short enough to read."""
    found = Console(highlight=False, markup=False, emoji=False)
    found.width = min(found.width, 100)
    return found


def falls(answer: Valuation, shares: Sequence[float]) -> list[int]:
    """What each share takes off in whole units: steps from the whole sound value down to the whole value."""
    levels = [round(answer.sound_value - taken) for taken in accumulate([0.0, *shares[:-1]])]
    return [before - after for before, after in pairwise([*levels, round(answer.value.amount)])]


def whole(amount: float) -> str:
    """Money to the whole unit, which is as exact as any of it is.

    >>> whole(1234.5), whole(-0.2)
    ('1,234', '0')
    """
    return f"{round(amount) + 0:,}"


def paid(amount: float) -> str:
    """Money that changed hands, to the cent where there are cents: what was typed is seen again.

    >>> paid(12.5), paid(1234.0)
    ('12.50', '1,234')
    """
    return f"{amount:,.2f}".removesuffix(".00")


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


def valuations(out: Console, answers: Sequence[Valuation], *, full: bool = False) -> None:
    """What the machines are worth: a few lines for a few, in full where that is asked for, one line each for many."""
    if not full:
        _short_valuations(out, answers)
    elif len(answers) > IN_FULL:
        value_table(out, answers)
        out.print("\n--machine ID shows what each fault takes off.")
    else:
        for answer in answers:
            valuation(out, answer)
    if full:
        closing(out, answers)


def _short_valuations(out: Console, answers: Sequence[Valuation]) -> None:
    if len(answers) > IN_FULL:
        value_table(out, answers)
    else:
        for answer in answers:
            headline(out, answer)
            wrapped(out, _what_faults_take(answer))
            wrapped(out, answer.safety.statement, style="" if answer.safety.may_be_sold else "bold")
        out.print("What to look at first: `valuer next`. What to do about it: `valuer fixes`.")
    short_closing(out, answers)


def _what_faults_take(answer: Valuation) -> str:
    """The faults with what each takes off, the dearest first, in a sentence."""
    if not answer.fault_costs:
        return "No fault was found on it; nobody may have looked."
    names = [f"{cost.fault}:{cost.severity}" for cost in answer.fault_costs[:NAMED]]
    shares = [cost.share for cost in answer.fault_costs[:NAMED]]
    if rest := answer.fault_costs[NAMED:]:
        names.append(f"{len(rest)} more")
        shares.append(sum(cost.share for cost in rest))
    each = falls(answer, shares)
    told = [f"{name} {share:,}" for name, share in zip(names, each, strict=True)]
    return f"Sound about {whole(answer.sound_value)}; its faults take off {sum(each):,}: {', '.join(told)}."


def short_closing(out: Console, answers: Sequence[Advice]) -> None:
    """What a short answer ends with: the cautions of its work, what it rests on, and where the rest is."""
    for caution in _cautions(answers):
        wrapped(out, f"Caution, {caution[:1].lower()}{caution[1:]}")
    for line in _rests(answers):
        wrapped(out, line)


def _cautions(answers: Sequence[Advice]) -> list[str]:
    told = dict.fromkeys(each for answer in answers for each in answer.cautions if not each.startswith(SAID))
    return list(told)


def _rests(answers: Sequence[Advice]) -> list[str]:
    """What answers rest on; a figure from outside of what the sales show never stands without that."""
    basis, doubts = answers[0].basis, concerned(answers)
    own = "no own sales hold it up"
    if basis.own_sales:
        own = f"{counted(basis.own_sales, 'own sale')} hold{'s' if basis.own_sales == 1 else ''} it up"
    outside = [doubt for doubt in doubts if OUTSIDE in doubt]
    return [
        *outside,
        f"Rests on a synthetic (invented) market; {own}. --full: tables, {counted(len(doubts), 'doubt')}, law, model.",
    ]


@dataclass(frozen=True)
class Line:
    """A line of a short answer; one that is not ``needed`` is left out where there is no room for it."""

    text: str
    needed: bool = True
    style: str = ""


def in_short(out: Console, answers: Sequence[Advice], told: Sequence[Sequence[Line]]) -> None:
    """Short answers, each with its cautions, then what they rest on; a dozen lines where it is one.

    told: what each answer says. Cautions stand in full where there is room beside what is needed, else by name; what
    is not needed goes from the end until all fits.
    """
    rests = _rests(answers)
    for answer, said in zip(answers, told, strict=True):
        room = MOST_LINES - (sum(lines(out, text) for text in rests) if len(answers) == 1 else 0)
        cautions = _cautions([answer])
        mind = [Line(f"Caution, {each[:1].lower()}{each[1:]}") for each in cautions]
        if _high(out, [*(line for line in said if line.needed), *mind]) > room:
            mind = [Line(f"Mind: {'; '.join(each.partition(': ')[0] for each in cautions)}.", style="italic")]
        kept = [*said, *mind]
        while _high(out, kept) > room and not all(line.needed for line in kept):
            kept.remove(next(line for line in reversed(kept) if not line.needed))
        for line in kept:
            wrapped(out, line.text, style=line.style)
    for text in rests:
        wrapped(out, text)


def _high(out: Console, told: Iterable[Line]) -> int:
    return sum(lines(out, line.text) for line in told)


def season(answer: Advice) -> list[Line]:
    """That prices are low in this month, where they are: a later month may change the answer."""
    return [Line(each) for each in answer.warnings if OUT_OF_SEASON in each]


def _not_looked_for(answer: Valuation) -> str:
    """How much is not known, and what knowing it would bring where the price hangs on that."""
    count = len(answer.not_looked_for)
    many = f"{counted(count, 'fault')} {'was' if count == 1 else 'were'} not looked for"
    if round(answer.looking_adds) < 1:
        return f"{many}; the price does not hang on that."
    return (
        f"{many}, and buyers pay less for that: looked for and not there, it would bring {whole(answer.looking_adds)} "
        f"more, in a range of {whole(answer.looked_low)} to {whole(answer.looked_high)}."
    )


def valuation(out: Console, answer: Valuation) -> None:
    """One machine: its value, what each fault takes off, whether it may be sold, what to beware of."""
    headline(out, answer)
    if answer.fault_costs:
        off = falls(answer, [cost.share for cost in answer.fault_costs])
        out.print(f"Sound it would bring {whole(answer.sound_value)}. Its faults take off {sum(off):,}:\n")
        out.print(_fault_table(answer, off))
        wrapped(out, FAULT_TABLE)
        out.print()
    else:
        out.print("No fault is written down for it.\n")
    if answer.not_looked_for:
        wrapped(out, _not_looked_for(answer))
        out.print()
    safety_words(out, answer.safety)


def found(listed: Iterable[Found], english: English) -> None:
    """Faults and fixes of the catalogue, faults under their part of the machine."""
    out, part = console(), ""
    for each in listed:
        if each.part and each.part != part:
            part = each.part
            out.print(Text(part.capitalize(), "bold"))
        told = in_english(f"{each.name}. {each.about}.", english)
        wrapped(out, f"{each.kind} {each.id}: {told}", "    ", first="")


class Called(Protocol):
    """An answer about a machine that its owner may call otherwise."""

    @property
    def id(self) -> str:
        """The short id."""

    @property
    def called(self) -> str | None:
        """The owner's own name for it."""


def name(answer: Called) -> str:
    """A machine's short id, and what its owner calls it."""
    return f"{answer.id} ({answer.called})" if answer.called else answer.id


def names(out: Console, answers: Iterable[Called]) -> None:
    """Under a table, which has room for short ids only: what owners call the machines in it."""
    told = [f"{answer.id} is {answer.called}" for answer in answers if answer.called]
    if told:
        wrapped(out, "; ".join(told) + ".")


def headline(out: Console, answer: Advice, *, tested: bool = True) -> None:
    """The machine's value and its range, and what has ``tested`` that range."""
    value = answer.value
    sure = (
        f"{round(10 * value.coverage)} sales in 10 fall between {whole(value.low)} and {whole(value.high)}."
    )
    out.print(
        Text.assemble((name(answer), "bold"), f": about {whole(value.amount)} {value.currency}; {sure}")
    )
    if tested and answer.basis.range_holds:
        wrapped(out, answer.basis.range_holds)


def value_table(out: Console, answers: Sequence[Valuation]) -> None:
    """One line a machine."""
    table = plain_table("machine", ">value", ">low", ">high", ">sound", "dearest fault", "sell as working?")
    for answer in answers:
        value, costs = answer.value, answer.fault_costs
        amounts = [whole(amount) for amount in (value.amount, value.low, value.high, answer.sound_value)]
        table.add_row(answer.id, *amounts, costs[0].fault if costs else "none", may_be_sold(answer.safety))
    out.print(table)
    names(out, answers)


def _fault_table(answer: Valuation, off: Sequence[int]) -> Table:
    table = plain_table("fault", ">off", "", ">cured", ">alone", ">records")
    largest = max(cost.share for cost in answer.fault_costs)
    for cost, share in zip(answer.fault_costs, off, strict=True):
        doubt = "" if cost.chance == 1 else f" {cost.chance:.0%}"
        figures = whole(cost.cured_alone), whole(cost.lost_alone), f"{cost.records:,}"
        name = f"{cost.fault}:{cost.severity}{doubt}"
        table.add_row(name, f"{share:,}", bar(cost.share, largest), *figures)
    return table


def may_be_sold(safety: Safety) -> str:
    """The verdict in a few words."""
    if safety.may_be_sold:
        return "yes"
    return "no: cure first" if safety.must_cure else "not yet: check first"


def safety_words(out: Console, safety: Safety) -> None:
    """The verdict on a sale in one sentence."""
    wrapped(out, safety.statement, style="" if safety.may_be_sold else "bold")
    out.print()


def bench_ranking(out: Console, ranking: BenchRanking) -> None:
    """The machines in the order of what an hour on them brings."""
    hour = f"an hour of yours counts as {whole(ranking.hour_value)} {ranking.currency}"
    out.print(f"What earns most per bench hour, best first ({hour}):\n")
    table = plain_table("", "machine", ">now", ">after", ">return", ">hours", ">per h", ">loss", "first step")
    for place, machine in enumerate(ranking.machines, start=1):
        table.add_row(str(place), *_bench_row(machine))
    out.print(table)
    names(out, ranking.machines)
    bullets(out, "\nNot for sale as working mowers as they stand:", _blocked(ranking.machines))
    warnings = (*ranking.warnings, *_out_of_range(ranking.machines))
    last_words(out, ranking.cautions, warnings, ranking.machines[0].safety, ranking.basis)


def _out_of_range(machines: Iterable[BenchMachine]) -> list[str]:
    """What has to stand beside the numbers of single machines: they come from outside of what the sales show."""
    return [f"{each.id}: {line}" for each in machines for line in each.warnings if line.startswith(OUTSIDE)]


def _bench_row(machine: BenchMachine) -> tuple[str | Text, ...]:
    money = machine.value_now, machine.value_after, machine.expected_return
    plan = textwrap.shorten(machine.first_step or LEFT[machine.sold_as], STEP, placeholder=" ...")
    as_what = f" ({machine.sold_as})" if machine.steps and machine.sold_as != "working" else ""
    rate = whole(machine.return_per_hour) if machine.steps else "-"
    hours, loss = f"{machine.bench_hours:.1f}", f"{machine.chance_of_loss:.0%}"
    return machine.id, *map(whole, money), hours, rate, loss, f"{plan}{as_what}"


def _blocked(machines: Iterable[BenchMachine]) -> list[str]:
    return [_block(machine) for machine in machines if not machine.safety.may_be_sold]


def _block(machine: BenchMachine) -> str:
    """What stands between a machine and a sale as working; nothing is said where there is nothing."""
    parts = ("cure", machine.safety.must_cure), ("check", machine.safety.unchecked)
    return f"{machine.id}: " + "; ".join(f"{verb} {', '.join(what)}" for verb, what in parts if what)


def closing(out: Console, answers: Sequence[Advice]) -> None:
    """What holds for several machines, each said once: cautions, doubts, law, and the model behind it."""
    cautions = dict.fromkeys(caution for answer in answers for caution in answer.cautions)
    last_words(out, cautions, concerned(answers), answers[0].safety, answers[0].basis)


def concerned(answers: Sequence[Advice]) -> list[str]:
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


def last_words(
    out: Console, cautions: Iterable[str], warnings: Iterable[str], safety: Safety, basis: Basis
) -> None:
    """Cautions, doubts, law, and the model behind the answer."""
    bullets(out, "Cautions:", cautions)
    bullets(out, "Least sure about:", warnings)
    bullets(out, "The verdict on selling rests on:", safety.sources)
    model = f"Model {basis.model}, data {basis.data_sha256[:12]}, own sales {basis.own_sales}."
    wrapped(out, f"{model} Not for insurance, tax or any decision about safety.")


def bullets(out: Console, title: str, lines: Iterable[str]) -> None:
    """A title and its lines; nothing where there are none."""
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


def lines(out: Console, text: str, indent: str = "") -> int:
    """How many lines `wrapped` makes of a text."""
    return len(textwrap.wrap(text, out.width, initial_indent=indent, subsequent_indent=indent))


def plain_table(*heads: str) -> Table:
    """A table without lines; a head that starts with > stands over figures."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for head in heads:
        figures = head.startswith(">")
        table.add_column(head.lstrip(">"), justify="right" if figures else "left", no_wrap=figures)
    return table
