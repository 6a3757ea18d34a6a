"""Answers about work as plain text: plans from here on, next checks, the most to pay, this week, a quote."""

from collections.abc import Mapping, Sequence

from rich.console import Console
from rich.text import Text

from valuer.advice.deal.repair_quote import Quote
from valuer.advice.work.decision_documents import (
    BenchPlan,
    NextCheck,
    NextChecks,
    OwnerOption,
    PurchaseLimit,
    RepairQuote,
    SymptomCauses,
)
from valuer.advice.worth.documents import FixPlan, HourPoint
from valuer.answers import BenchPlans, RepairQuotes
from valuer.cli import show
from valuer.domain.gates import gate_catalogue

STRIP = 48  # characters of the picture of plans over values of an hour
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
MANY_CAUSES = 5  # causes of a symptom shown one by one


# ---------------------------------------------------------------------------------------------------- valuer fixes
def fix_plans(out: Console, answers: Sequence[FixPlan], results: Mapping[str, str]) -> None:
    """Which fixes pay: in full for a few machines, the best plan alone for many."""
    if results:
        so_far = ", ".join(f"{fix} {result}" for fix, result in results.items())
        show.wrapped(out, f"Decided again after: {so_far}. What was spent on it no longer counts.")
        out.print()
    for answer in answers:
        if len(answers) > show.IN_FULL:
            show.headline(out, answer)
            show.best_plan(out, answer)
            _by_hour(out, answer)
            out.print(f"Sell as working? {show.may_be_sold(answer.safety)}.\n")
        else:
            show.headline(out, answer)
            show.best_plan(out, answer)
            _by_hour(out, answer)
            show.fix_list(out, answer)
            show.safety_words(out, answer.safety)
    if len(answers) > show.IN_FULL:
        out.print("--machine ID shows every fix.")
    show.closing(out, answers)


def _by_hour(out: Console, answer: FixPlan) -> None:
    """The plan at several values of an hour: a table, where it changes, and a strip of the plans."""
    points = answer.by_hour_value
    if not points:
        return
    names = _plan_letters(points)
    out.print("\nThe plan by what an hour is worth:")
    table = show.plain_table(">hour", "", ">brings", "", ">hours", "plan")
    largest = max(point.expected_return for point in points)
    for point in points:
        brings, bar = show.whole(point.expected_return), show.bar(point.expected_return, largest)
        plan = ", ".join(point.fixes) or "no fix"
        table.add_row(
            _money(point.hour_value), names[point.fixes], brings, bar, f"{point.bench_hours:.1f}", plan
        )
    out.print(table)
    if len(names) > 1:
        out.print(Text(f"\n{_strip(points, answer.switch_points, names)}"))
        out.print(Text(_scale(points)))
    show.wrapped(out, _switches(answer))


def _plan_letters(points: Sequence[HourPoint]) -> dict[tuple[str, ...], str]:
    """A letter for each plan, in the order in which they appear as the hour grows dearer."""
    plans = dict.fromkeys(point.fixes for point in points)
    return {plan: LETTERS[place % len(LETTERS)] for place, plan in enumerate(plans)}


def _strip(
    points: Sequence[HourPoint], switches: Sequence[float], names: Mapping[tuple[str, ...], str]
) -> str:
    """The letters of the plans from the lowest value of an hour to the highest."""
    low, high = points[0].hour_value, points[-1].hour_value
    values = [low + (high - low) * place / (STRIP - 1) for place in range(STRIP)]
    return "".join(names[_plan_at(value, points, switches)] for value in values)


def _plan_at(value: float, points: Sequence[HourPoint], switches: Sequence[float]) -> tuple[str, ...]:
    """The plan at a value of an hour: that of the point below, or of the one above once it has changed."""
    below = max((p for p in points if p.hour_value <= value), key=lambda p: p.hour_value, default=points[0])
    above = min((p for p in points if p.hour_value >= value), key=lambda p: p.hour_value, default=points[-1])
    changed = any(below.hour_value < switch <= value for switch in switches)
    return above.fixes if changed else below.fixes


def _scale(points: Sequence[HourPoint]) -> str:
    low, high = _money(points[0].hour_value), _money(points[-1].hour_value)
    return f"{low}{high:>{STRIP - len(low)}}  an hour"


def _switches(answer: FixPlan) -> str:
    if not answer.switch_points:
        return "The plan is the same at all of them."
    points = " and ".join(f"{switch:.2f}" for switch in answer.switch_points)
    return f"The plan, or what is tried when a fix fails, changes at {points} an hour."


def _money(amount: float) -> str:
    return f"{amount:,.2f}".removesuffix(".00")


# ----------------------------------------------------------------------------------------------------- valuer next
def next_checks(out: Console, answers: Sequence[NextChecks]) -> None:
    """What to look at next: in full for a few machines, the verdict and the first check for many."""
    if len(answers) > show.IN_FULL:
        table = show.plain_table("machine", "verdict", "first check", ">per min", "sell as working?")
        for answer in answers:
            first = next((check for check in answer.checks if check.expected_return > 0), None)
            named = (first.check, f"{first.value_per_minute:.2f}") if first else ("none", "-")
            table.add_row(answer.id, answer.verdict, *named, show.may_be_sold(answer.safety))
        out.print(table)
        out.print("\n--machine ID shows every check.")
    else:
        for answer in answers:
            _next_checks(out, answer)
    show.closing(out, answers)


def _next_checks(out: Console, answer: NextChecks) -> None:
    show.headline(out, answer)
    show.wrapped(out, f"Verdict: {answer.verdict}. {answer.reason}")
    for symptom in answer.symptoms:
        _causes(out, symptom)
    pays = [check for check in answer.checks if check.expected_return > 0]
    if pays:
        out.print("\nNext checks, the most a minute first:")
        for check in pays:
            _check(out, check)
        must = next((check.reason for check in pays if check.verdict == "must be done"), "")
        if must:
            show.wrapped(out, f"must be done: {must}")
        if any(check.kind == "cause" for check in pays):
            show.wrapped(out, "What it showed: write the reading into the file, or --seen CHECK=OUTCOME.")
    rest = [check.check for check in answer.checks if check.expected_return <= 0]
    if rest:
        hour = f"{_money(answer.hour_value)} {answer.value.currency}"
        out.print()
        show.wrapped(out, f"Not worth their minutes at an hour worth {hour}: {', '.join(rest)}.")
    out.print()
    show.safety_words(out, answer.safety)


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


def _check(out: Console, check: NextCheck) -> None:
    """One check: what it is worth a minute, what it takes, what it can show."""
    first = f"{check.value_per_minute:6.2f}  {check.verdict}: "
    out.print(Text.assemble(first, (check.check, "bold")))
    cash = f" and {_money(check.cash)} in cash" if check.cash else ""
    most = f", {check.perfect_information:.2f} if it told for sure" if check.kind == "cause" else ""
    what = gate_catalogue()[check.check].test if check.kind == "safety" else check.name
    said = f"{what}. Worth {check.value_of_looking:.2f}{most}; takes {check.minutes:.0f} min{cash}."
    shows = "" if check.kind == "safety" else f" Shows {' / '.join(check.shows)}."
    show.wrapped(out, f"{said}{shows}", " " * 8)


# ------------------------------------------------------------------------------------------------------ valuer buy
def purchase_limits(out: Console, answers: Sequence[PurchaseLimit], miles: float) -> None:
    """The most to pay: in full for a few machines, one line each for many."""
    if len(answers) > show.IN_FULL:
        table = show.plain_table("machine", ">most to pay", ">if bad", ">if good", ">hours", "verdict")
        for answer in answers:
            money = [show.whole(amount) for amount in (answer.most_to_pay, answer.low, answer.high)]
            table.add_row(answer.id, *money, f"{answer.hours:.1f}", answer.verdict)
        out.print(table)
        out.print("\n--machine ID shows what stands between the price and the sale.")
    else:
        for answer in answers:
            _purchase_limit(out, answer, miles)
    show.closing(out, answers)


def _purchase_limit(out: Console, answer: PurchaseLimit, miles: float) -> None:
    money = answer.value.currency
    most = f"pay {show.whole(answer.most_to_pay)} {money} at most" if answer.limit > 0 else "do not fetch it"
    asked = f"; {answer.verdict} at {show.whole(answer.asked)}" if answer.asked and answer.limit > 0 else ""
    out.print(Text.assemble((answer.id, "bold"), f": {most}{asked}."))
    show.wrapped(out, answer.reason)
    out.print("\nFrom the trip to the hand-over, as expected:")
    table = show.plain_table("", ">money", ">own hours")
    table.add_row("sale, after the best plan", f"{round(answer.proceeds):+,}", "")
    for line in answer.costs:
        name = f"{line.name}, {miles:g} miles" if line.name == "trip" else line.name
        table.add_row(name, f"{-round(line.cash) + 0:+,}" if round(line.cash) else "0", f"{line.hours:.1f}")
    out.print(table)
    show.wrapped(out, _wanted(answer))
    show.wrapped(
        out,
        f"With bad luck in what nobody looked for the limit is {show.whole(answer.low)}, with good luck "
        f"{show.whole(answer.high)} (one time in ten beyond either). {len(answer.not_known)} faults are "
        f"counted at their share among {answer.unknown_from}; --not-there FAULT takes one out.",
    )
    out.print()
    show.safety_words(out, answer.safety)


def _wanted(answer: PurchaseLimit) -> str:
    cash = answer.proceeds - sum(line.cash for line in answer.costs)
    per_hour = cash / answer.hours if answer.hours else 0.0
    free = f"As a gift it would pay {per_hour:,.2f} for each of {answer.hours:.1f} own hours"
    if answer.wanted_per_hour is not None:
        return f"{free}; {_money(answer.wanted_per_hour)} is wanted."
    return f"{free}; wanted is {_money(answer.wanted_return)} over and above own hours."


# ---------------------------------------------------------------------------------------------------- valuer bench
def bench(out: Console, answer: BenchPlans) -> None:
    """This week's work, then the ranking by return per bench hour."""
    _week(out, answer.bench_plan)
    show.bench_ranking(out, answer.bench_ranking)


def _week(out: Console, plan: BenchPlan) -> None:
    work = [machine for machine in plan.machines if machine.action == "work"]
    out.print(_within(plan))
    if work:
        table = show.plain_table("machine", ">return", ">hours", ">cash", "sold as", "work")
        for machine in work:
            figures = (
                show.whole(machine.expected_return),
                f"{machine.bench_hours:.1f}",
                show.whole(machine.cash),
            )
            table.add_row(machine.id, *figures, machine.sold_as, ", ".join(machine.fixes))
        out.print()
        out.print(table)
    show.wrapped(out, _total(plan))
    if plan.hours_free is not None or plan.cash_free is not None:
        show.wrapped(out, _more(plan))
    for action in ("not this week", "sell as it stands", "break for parts", "scrap"):
        ids = [machine.id for machine in plan.machines if machine.action == action]
        if ids:
            show.wrapped(out, f"{action.capitalize()}: {', '.join(ids)}.", "    ", first="")
    out.print()


def _within(plan: BenchPlan) -> str:
    hours = f"{plan.hours_free:g} h" if plan.hours_free is not None else "no limit on hours"
    cash = f"{_money(plan.cash_free)} in cash" if plan.cash_free is not None else "no limit on cash"
    return f"This week, {hours} and {cash}:"


def _total(plan: BenchPlan) -> str:
    if not plan.bench_hours and not plan.expected_return:
        return "No work pays, or none fits."
    proof = "no other choice brings more" if not plan.gap else f"another may bring {plan.gap:.2f} more"
    return (
        f"Together {show.whole(plan.expected_return)} {plan.currency} over selling all as they stand, "
        f"{plan.bench_hours:.1f} h expected at {_money(plan.hour_value)} an hour paid, up to "
        f"{show.whole(plan.cash)} of cash if every first try fails; {proof}."
    )


def _more(plan: BenchPlan) -> str:
    parts = []
    if plan.hours_free is not None:
        parts.append(f"one more hour {plan.one_more_hour:.2f}")
    if plan.cash_free is not None:
        parts.append(f"ten more in cash {plan.ten_more_cash:.2f}")
    return f"What more would bring: {', '.join(parts)}."


# ---------------------------------------------------------------------------------------------------- valuer quote
def repair_quotes(out: Console, answer: RepairQuotes) -> None:
    """The owner's choice, machine by machine."""
    out.print("The owner's view; `valuer fixes` answers somebody who repairs to sell.\n")
    for quote, figures in zip(answer.repair_quotes, answer.quoted, strict=True):
        if figures.cures or quote.bill:
            _repair_quote(out, quote, figures, usual=quote.id in answer.usual)
        else:
            out.print(Text.assemble((quote.id, "bold"), ": nothing on it for a shop to cure.\n"))
    show.closing(out, answer.repair_quotes)


def _repair_quote(out: Console, answer: RepairQuote, figures: Quote, *, usual: bool) -> None:
    money = answer.value.currency
    out.print(
        Text.assemble(
            (f"{answer.id}: {answer.advised}", "bold"), f" (the bill: {show.whole(answer.bill)} {money})"
        )
    )
    show.wrapped(out, answer.reason)
    show.wrapped(out, _bill(answer, figures, usual=usual))
    table = show.plain_table("", ">pays", ">worth after", ">better off", ">years", ">a year costs")
    for option in answer.options:
        table.add_row(*_option(option))
    out.print()
    out.print(table)
    show.wrapped(out, "pays: below 0 comes in. better off: worth after, less what is paid or given up.")
    before, after = show.whole(answer.value.amount), show.whole(answer.value_after)
    share = f"The bill is {answer.share_of_value:.0%} of what it is worth afterwards"
    new = "" if answer.share_of_new is None else f", {answer.share_of_new:.0%} of a new one"
    show.wrapped(out, f"Worth {before} as it stands, {after} repaired. {share}{new}.")
    if answer.new_price is None:
        show.wrapped(out, "A new machine's price is not known; --new-price puts it beside the others.")
    out.print()
    show.safety_words(out, answer.safety)


def _bill(answer: RepairQuote, figures: Quote, *, usual: bool) -> str:
    fee = f", fee for looking {_money(figures.diagnosis_fee)}" if figures.diagnosis_fee else ""
    paid = f"; {_money(answer.still_to_pay)} still to pay" if answer.still_to_pay != answer.bill else ""
    whose = "Usual figures, not a shop's: " if usual else "The shop: "
    cures = ", ".join(figures.cures or ()) or "nothing yet: the cause has to be found first (`valuer next`)"
    return (
        f"{whose}parts {_money(figures.parts)}, {figures.hours:g} h at {_money(figures.rate or 0)}{fee}{paid}. "
        f"It cures {cures}."
    )


def _option(option: OwnerOption) -> tuple[str, ...]:
    years = "-" if option.years is None else f"{option.years:g}"
    a_year = "-" if option.cost_per_year is None else show.whole(option.cost_per_year)
    money = (show.whole(x) for x in (option.pays, option.worth_after, option.better_off))
    return option.option, *money, years, a_year
