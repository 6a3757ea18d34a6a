"""Answers about work as plain text: the work list, the most to pay, this week, an owner's quote."""

import textwrap
from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from valuer.advice.deal.documents import OwnerOption, PurchaseLimit, RepairQuote
from valuer.advice.deal.repair_quote import Quote
from valuer.advice.work.bench_documents import BenchPlan, PlannedMachine
from valuer.answers.deal import RepairQuotes
from valuer.answers.work import BenchPlans
from valuer.cli import show, show_work
from valuer.domain.words import counted

A_WEEK = 7.0


def _money(amount: float) -> str:
    return f"{amount:,.2f}".removesuffix(".00")


# ------------------------------------------------------------------------------------------------------ valuer buy
def purchase_limits(
    out: Console, answers: Sequence[PurchaseLimit], miles: float, *, full: bool = False
) -> None:
    """The most to pay: in a few lines for a few machines, in full where asked for, one line each for many."""
    if not full and len(answers) <= show.IN_FULL:
        show.in_short(out, answers, [_short_purchase_limit(answer) for answer in answers])
        return
    if len(answers) > show.IN_FULL:
        table = show.plain_table("machine", ">most to pay", ">if bad", ">if good", ">hours", "verdict")
        for answer in answers:
            money = [show.whole(amount) for amount in (answer.most_to_pay, answer.low, answer.high)]
            table.add_row(answer.id, *money, f"{answer.hours:.1f}", answer.verdict)
        out.print(table)
        show.names(out, answers)
        out.print("\n--machine ID shows what stands between the price and the sale.")
    else:
        for answer in answers:
            _purchase_limit(out, answer, miles)
    (show.closing if full else show.short_closing)(out, answers)


def _headline(answer: PurchaseLimit) -> str:
    money = answer.value.currency
    most = f"pay {show.whole(answer.most_to_pay)} {money} at most" if answer.limit > 0 else "do not fetch it"
    asked = f"; {answer.verdict} at {show.whole(answer.asked)}" if answer.asked and answer.limit > 0 else ""
    return f"{show.name(answer)}: {most}{asked}."


def _short_purchase_limit(answer: PurchaseLimit) -> list[show.Line]:
    """The most to pay, why, what it may be with luck, what to do first, and whether it may be sold."""
    costs = ", ".join(f"{line.name.partition(',')[0]} {show.whole(line.cash)}" for line in answer.costs)
    first = (
        f"On what is known of it, first: {answer.first_step}." if answer.first_step else "No work pays on it."
    )
    return [
        show.Line(_headline(answer), style="bold"),
        show.Line(answer.reason),
        show.Line(
            f"Sold after the work list for about {show.whole(answer.proceeds)}; costs: {costs}; "
            f"{answer.hours:.1f} own hours from trip to hand-over."
        ),
        show.Line(
            f"With bad luck in what nobody looked for at most {show.whole(answer.low)}, with good luck "
            f"{show.whole(answer.high)}."
        ),
        show.Line(first, needed=False),
        *show.season(answer),
        show.Line(show_work.may_be_sold(answer), style="" if answer.safety.may_be_sold else "bold"),
    ]


def _purchase_limit(out: Console, answer: PurchaseLimit, miles: float) -> None:
    show.wrapped(out, _headline(answer), style="bold")
    show.wrapped(out, answer.reason)
    out.print("\nFrom the trip to the hand-over, as expected:")
    table = show.plain_table("", ">money", ">own hours")
    table.add_row("sale, after the work list", f"{round(answer.proceeds):+,}", "")
    for line in answer.costs:
        name = f"{line.name}, {miles:g} miles" if line.name == "trip" else line.name
        table.add_row(name, f"{-round(line.cash) + 0:+,}" if round(line.cash) else "0", f"{line.hours:.1f}")
    out.print(table)
    show.wrapped(out, _wanted(answer))
    show.wrapped(
        out,
        f"With bad luck in what nobody looked for the limit is {show.whole(answer.low)}, with good luck "
        f"{show.whole(answer.high)} (one time in ten beyond either). {counted(len(answer.not_known), 'fault')} "
        f"{'is' if len(answer.not_known) == 1 else 'are'} counted at their share among {answer.unknown_from}; "
        "--not-there FAULT takes one out.",
    )
    if answer.first_step:
        show.wrapped(out, f"On what is known of it, first: {answer.first_step}.")
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
        table = show.plain_table("machine", ">return", ">hours", ">cash", "sold as", "first step")
        for machine in work:
            figures = (
                show.whole(machine.expected_return),
                f"{machine.bench_hours:.1f}",
                show.whole(machine.cash),
            )
            table.add_row(machine.id, *figures, machine.sold_as, _first(machine))
        out.print()
        out.print(table)
    show.names(out, plan.machines)
    show.wrapped(out, _total(plan))
    if plan.hours_free is not None or plan.cash_free is not None:
        show.wrapped(out, _more(plan))
    for action in ("not this week", "sell as it stands", "break for parts", "scrap"):
        ids = [machine.id for machine in plan.machines if machine.action == action]
        if ids:
            show.wrapped(out, f"{action.capitalize()}: {', '.join(ids)}.", "    ", first="")
    for donor in plan.donors:
        show.wrapped(out, f"One of two: {donor.says}", "    ", first="")
    out.print()


def _first(machine: PlannedMachine) -> str:
    waits = f" (waits {machine.waits_days:.0f} days)" if machine.waits_days > A_WEEK else ""
    return f"{textwrap.shorten(machine.first_step or '-', show.STEP, placeholder=' ...')}{waits}"


def _within(plan: BenchPlan) -> str:
    hours = f"{plan.hours_free:g} h" if plan.hours_free is not None else "no limit on hours"
    cash = f"{_money(plan.cash_free)} in cash" if plan.cash_free is not None else "no limit on cash"
    return f"This week, {hours} and {cash}:"


def _total(plan: BenchPlan) -> str:
    if not plan.bench_hours and not plan.expected_return:
        return "No work pays, or none fits."
    proof = "no other choice brings more" if not plan.gap else f"another may bring {plan.gap:.2f} more"
    return (
        f"Together {show.whole(plan.expected_return)} {plan.currency} over leaving all as they stand, "
        f"{plan.bench_hours:.1f} h expected at {_money(plan.hour_value)} an hour paid, up to "
        f"{show.whole(plan.cash)} of cash if all goes the dearest way; {proof}."
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
    for quote, figures, work in zip(answer.repair_quotes, answer.quoted, answer.work_lists, strict=True):
        if figures.cures or quote.bill:
            _repair_quote(out, quote, figures, usual=quote.id in answer.usual)
            show.wrapped(
                out,
                f"Repaired to sell, at {_money(work.hour_value)} an hour (`valuer fixes`): {work.summary}",
            )
            show_work.steps(out, work)
            out.print()
        else:
            out.print(Text.assemble((show.name(quote), "bold"), ": nothing on it for a shop to cure.\n"))
    show.closing(out, answer.repair_quotes)


def _repair_quote(out: Console, answer: RepairQuote, figures: Quote, *, usual: bool) -> None:
    money = answer.value.currency
    out.print(
        Text.assemble(
            (f"{show.name(answer)}: {answer.advised}", "bold"),
            f" (the bill: {show.whole(answer.bill)} {money})",
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
    cures = ", ".join(figures.cures or ()) or "nothing yet: the cause has to be found first (`valuer fixes`)"
    return (
        f"{whose}parts {_money(figures.parts)}, {figures.hours:g} h at {_money(figures.rate or 0)}{fee}{paid}. "
        f"It cures {cures}."
    )


def _option(option: OwnerOption) -> tuple[str, ...]:
    years = "-" if option.years is None else f"{option.years:g}"
    a_year = "-" if option.cost_per_year is None else show.whole(option.cost_per_year)
    money = (show.whole(x) for x in (option.pays, option.worth_after, option.better_off))
    return option.option, *money, years, a_year
