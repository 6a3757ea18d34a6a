"""The work list as plain text: what to do first, what follows each result, and the cautions of each step beside it."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from valuer.advice.work.documents import HourPoint, Part, StepResult, SymptomCauses, WorkList, WorkStep
from valuer.advice.worth.common import OUTSIDE, named
from valuer.advice.worth.documents import Advice
from valuer.cli import show
from valuer.domain.symptoms import may_cure

SHOWN = 4
"""Steps shown after the first at most, where not all are asked for."""

NAMED = 3
"""Steps named of a list at one value of an hour."""

MANY_CAUSES = 5
"""Causes of a symptom shown one by one."""

WORTH_TELLING = 0.5
"""Money below which another first step counts as equally good."""


def work_lists(
    out: Console, answers: Sequence[WorkList], told: Sequence[str], *, full: bool, on_record: bool = False
) -> None:
    """The work lists: one machine's in a dozen lines or in full, many in a line each.

    on_record: whether what came of a step can be written down to the machines.
    """
    if told:
        show.wrapped(out, f"Told so far: {', '.join(told)}. What was spent on it no longer counts.")
    if full:
        for answer in answers:
            _full(out, answer)
            if on_record and answer.steps:
                show.wrapped(out, _written_down(answer.id, answer.steps[0]))
        show.closing(out, answers)
    elif len(answers) > show.IN_FULL:
        _table(out, answers)
        show.wrapped(out, _tail(answers[0]))
    else:
        room = show.MOST_LINES - (len(told) > 0)
        for answer in answers:
            work_list(out, answer, room, on_record=on_record)


def _written_down(machine_id: str, step: WorkStep) -> str:
    """The command that writes down what came of a step; of a fix for each fault apart that it may be for."""
    fix = step.kind == "fix"
    results = "--cured or --failed" if fix else " or ".join(result.shows for result in step.results)
    first, *others = [each for part in step.parts_of_it for each in (_tries(part) if fix else [part.id])]
    rest = f"; the same for {', '.join(others)}" if others else ""
    return f"What came of it: valuer done {machine_id} {first} {results}{rest}"


def _tries(part: Part) -> list[str]:
    """The fix, once for each fault that it is to cure, which is named where it may be for several."""
    named = len(may_cure(part.id)) > 1
    return [f"{part.id} --fault {fault}" if named else part.id for fault in part.faults]


def _tail(answer: WorkList) -> str:
    ground = "a synthetic (invented) market" if answer.basis.synthetic else "the sales given"
    return f"Rests on {ground}, {answer.basis.own_sales} own sales. --full: all of it, with cautions and law."


def _table(out: Console, answers: Sequence[WorkList]) -> None:
    table = show.plain_table("machine", ">brings", ">hours", ">parts", "first step")
    for answer in answers:
        first = answer.steps[0].name if answer.steps else answer.verdict
        table.add_row(
            answer.id,
            show.whole(answer.expected_return),
            f"{answer.bench_hours:.1f}",
            show.whole(answer.cash),
            first,
        )
    out.print(table)
    show.names(out, answers)
    for caution in dict.fromkeys(c for a in answers if a.steps for c in a.steps[0].cautions):
        show.wrapped(out, caution, "    ", first="  - ")


def work_list(
    out: Console, answer: WorkList, room: int = show.MOST_LINES, *, on_record: bool = False, tail: bool = True
) -> None:
    """One machine in so many lines: its value, what it brings, the first step with its cautions, and what follows."""
    last = _written_down(answer.id, answer.steps[0]) if on_record and answer.steps else ""
    ends = [may_be_sold(answer), *([last] if last else []), *([_tail(answer)] if tail else [])]
    left = room - 1 - sum(show.lines(out, text) for text in ends)
    show.headline(out, answer, tested=False)
    for line in answer.warnings:
        if line.startswith(OUTSIDE):
            show.wrapped(out, line)
            left -= show.lines(out, line)
    brings = _brings(answer)
    show.wrapped(out, brings)
    for each in show.season(answer) if not answer.steps else ():
        show.wrapped(out, each.text)
    steps(out, answer, left - show.lines(out, brings))
    show.wrapped(out, ends[0], style="" if answer.safety.may_be_sold else "bold")
    for text in ends[1:]:
        show.wrapped(out, text)


def _brings(answer: WorkList) -> str:
    if not answer.steps:
        return answer.summary
    return (
        f"The list brings {show.whole(answer.expected_return)} more than leaving it as it stands, for about "
        f"{answer.bench_hours:.1f} h and {show.whole(answer.cash)} of parts on average. First:"
    )


def may_be_sold(answer: Advice) -> str:
    """Whether it may be sold as working, checks that are open counted; `--full` names them."""
    safety, open_ = answer.safety, len(answer.safety.unchecked)
    if safety.may_be_sold or "recall_open" in safety.must_cure:
        return safety.statement
    cure = f"must be cured first: {named(safety.must_cure)}" if safety.must_cure else ""
    checks = f"{open_} safety check{'s' if open_ > 1 else ''} still open" if open_ else ""
    return f"Not for sale as a working mower; {'; '.join(part for part in (cure, checks) if part)}."


def steps(out: Console, answer: WorkList, room: int = show.MOST_LINES) -> None:
    """The first step with its cautions, then as many of those that follow as there is room for, a line each."""
    if not answer.steps:
        return
    first = answer.steps[0]
    mind = f"Mind: {'; '.join(_title(caution) for caution in first.cautions)}."
    _step(out, first)
    show.wrapped(out, mind, "     ", first="     ", style="italic")
    room -= 1 + show.lines(out, _told(first), "     ") + show.lines(out, mind, "     ")
    after = answer.steps[1:]
    shown = max(0, min(SHOWN, room - (len(after) > room)))
    for step in after[:shown]:
        out.print(_line(step), overflow="ellipsis", no_wrap=True)
    if len(after) > shown:
        out.print(f"  ... and {len(after) - shown} more behind other results: --full")


def _title(caution: str) -> str:
    return caution.partition(": ")[0]


def _line(step: WorkStep) -> str:
    parts = f", parts {show.whole(step.parts)}" if step.parts else ""
    says = "; ".join(f"{result.says}: {_then(result)}" for result in step.results)
    return f"  {step.number}. {step.name} ({step.minutes:.0f} min{parts}). {says}"


def _step(out: Console, step: WorkStep) -> None:
    parts = f", parts {show.whole(step.parts)}" if step.parts else ""
    out.print(
        Text.assemble(f"  {step.number}. ", (step.name, "bold"), f" ({step.minutes:.0f} min{parts})"),
        overflow="ellipsis",
        no_wrap=True,
    )
    show.wrapped(out, _told(step), "     ")


def _told(step: WorkStep) -> str:
    return "; ".join(f"{result.says} ({result.chance:.0%}): {_then(result)}" for result in step.results)


def _then(result: StepResult) -> str:
    """What follows a result, in a few words."""
    steps = [("stop" if then.step is None else f"step {then.step}", then.chance) for then in result.then]
    if len(steps) == 1:
        return steps[0][0]
    return " or ".join(f"{name} ({chance:.0%})" for name, chance in steps[:3])


def _full(out: Console, answer: WorkList) -> None:
    show.headline(out, answer)
    show.wrapped(out, f"Verdict: {answer.verdict}. {answer.summary}")
    for symptom in answer.symptoms:
        _causes(out, symptom)
    if answer.steps:
        out.print("\nThe list, in working order:")
    for step in answer.steps:
        _step(out, step)
        shown = f"comes to it {step.chance:.0%}. {step.why}"
        until = f" The part pays up to {show.whole(step.pays_until)}." if step.pays_until is not None else ""
        waits = (
            f" Waits about {step.waits_days:.0f} days, which costs {show.whole(step.waiting_costs)}."
            if step.waits_days
            else ""
        )
        proof = f" Proved by: {step.proof}." if step.proof else ""
        again = f" Check again afterwards: {', '.join(step.checks_again)}." if step.checks_again else ""
        show.wrapped(out, f"{shown}{until}{waits}{proof}{again}", "     ")
        for caution in step.cautions:
            show.wrapped(out, caution, "       ", first="     ! ")
    if answer.steps:
        _sums(out, answer)
    _ways(out, answer)
    _others(out, answer)
    _hours(out, answer)
    if answer.before_sale:
        minutes = sum(gate.minutes for gate in answer.before_sale)
        checks = "; ".join(
            f"{gate.check} ({gate.how}, {gate.minutes:.0f} min)" for gate in answer.before_sale
        )
        show.wrapped(
            out, f"Before it is sold as working, {minutes:.0f} min in all: {checks}.", "    ", first=""
        )
    for question in answer.questions:
        show.wrapped(
            out, f"Worth {question.worth:.0f} for the price: {question.how} ({question.minutes:.0f} min)."
        )
    out.print()
    show.safety_words(out, answer.safety)


def _sums(out: Console, answer: WorkList) -> None:
    ends = ", ".join(f"{end.route} {end.chance:.0%} for {show.whole(end.proceeds)}" for end in answer.ends)
    takes = f"{answer.bench_hours:.1f} h and {show.whole(answer.cash)} of parts on average"
    worst = f"{answer.worst_hours:.1f} h and {show.whole(answer.worst_cash)} at worst"
    leaves = f"it leaves {show.whole(answer.left)} against {show.whole(answer.left_now)} as it stands"
    loss = f"Chance of losing by it {answer.chance_of_loss:.0%}"
    out.print()
    show.wrapped(out, f"Together {takes} ({worst}); {leaves}. Ends: {ends}. {loss}.")
    if answer.left_and_disclosed:
        show.wrapped(out, f"Left in, to be told to the buyer: {', '.join(answer.left_and_disclosed)}.")
    if answer.gap:
        show.wrapped(
            out, f"Knowing every cause for sure would bring {show.whole(answer.gap)} more; no list can."
        )


def _ways(out: Console, answer: WorkList) -> None:
    ways = ", ".join(f"{way.route} {show.whole(way.left)}" for way in answer.ways_now if way.open)
    show.wrapped(out, f"Left over if it goes as it stands today: {ways}.")


def _others(out: Console, answer: WorkList) -> None:
    if answer.others:
        rest = "; ".join(f"{_less(other.less)}: {other.name}" for other in answer.others[:6])
        show.wrapped(out, f"Done first instead, it leaves less by: {rest}.", "    ", first="")


def _less(amount: float) -> str:
    return "nothing" if amount < WORTH_TELLING else show.whole(amount)


def _causes(out: Console, symptom: SymptomCauses) -> None:
    out.print(f"\n{symptom.fault} may be:")
    table = show.plain_table("", ">chance", "")
    shown, rest = symptom.causes[:MANY_CAUSES], symptom.causes[MANY_CAUSES:]
    for cause in shown:
        table.add_row(f"  {cause.name}", f"{cause.chance:.0%}", show.bar(cause.chance, 1.0))
    if rest:
        chance = sum(cause.chance for cause in rest)
        table.add_row(f"  {len(rest)} others", f"{chance:.0%}", show.bar(chance, 1.0))
    table.show_header = False
    out.print(table)


def _hours(out: Console, answer: WorkList) -> None:
    """The list at several values of an hour, and where it changes."""
    if not answer.by_hour_value:
        return
    out.print("\nThe list by what an hour is worth:")
    table = show.plain_table(">hour", ">brings", "", ">hours", "steps")
    largest = max(point.expected_return for point in answer.by_hour_value)
    for point in answer.by_hour_value:
        table.add_row(*_hour(point, largest))
    out.print(table)
    points = " and ".join(f"{switch:.2f}" for switch in answer.switch_points)
    show.wrapped(out, f"It changes at {points} an hour." if points else "It is the same at all of them.")


def _hour(point: HourPoint, largest: float) -> tuple[str, ...]:
    steps = ", ".join(point.steps[:NAMED]) + (", ..." if len(point.steps) > NAMED else "")
    brings = show.whole(point.expected_return), show.bar(point.expected_return, largest)
    return (
        f"{point.hour_value:,.2f}".removesuffix(".00"),
        *brings,
        f"{point.bench_hours:.1f}",
        steps or "none",
    )
