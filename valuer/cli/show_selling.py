"""Answers about selling as plain text: sale chance against ask, the plan over weeks, what to say."""

from collections.abc import Iterable, Sequence

from rich.console import Console
from rich.text import Text

from valuer.advice.sale.selling_documents import AskingPrice, Listing, OfferAdvice
from valuer.advice.worth.documents import Safety
from valuer.cli import show

SHORT = ("", "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def asking_prices(out: Console, answers: Sequence[AskingPrice]) -> None:
    """What to ask: in full for a few machines, one line each for many."""
    if len(answers) > show.IN_FULL:
        _overview(out, answers)
        out.print("\n--machine ID shows the plan over the weeks.")
    else:
        for answer in answers:
            _asking_price(out, answer)
    show.closing(out, answers)


def _overview(out: Console, answers: Sequence[AskingPrice]) -> None:
    table = show.plain_table(
        "machine", ">ask", ">least", ">brings", ">by wk 4", "list or keep", "sell as working?"
    )
    for answer in answers:
        if answer.ask is None or answer.keeping is None:
            table.add_row(answer.id, "-", "-", "-", "-", "no listing", show.may_be_sold(answer.safety))
            continue
        money = [show.whole(x or 0.0) for x in (answer.ask, answer.least_to_take, answer.expected_price)]
        keep = answer.keeping
        when = "list now" if keep.verdict == "list now" else f"keep till {SHORT[keep.month]}"
        fourth = next((s.chance for s in answer.sold_by if s.week >= min(4, answer.horizon)), 0.0)
        table.add_row(answer.id, *money, f"{fourth:.0%}", when, show.may_be_sold(answer.safety))
    out.print(table)


def _asking_price(out: Console, answer: AskingPrice) -> None:
    if answer.ask is None or answer.keeping is None or answer.fast_sale is None:
        show.wrapped(out, f"{answer.id}: {answer.refusal}")
        _safety(out, answer.safety)
        return
    money, fast = answer.value.currency, answer.fast_sale
    out.print(Text.assemble((answer.id, "bold"), f": ask {show.whole(answer.ask)} {money}"))
    chances = ", ".join(f"{sold.chance:.0%} by week {sold.week}" for sold in answer.sold_by)
    brings, least = show.whole(answer.expected_price or 0), show.whole(answer.least_to_take or 0)
    show.wrapped(
        out,
        f"It should bring about {brings} in about {_weeks(answer.expected_weeks or 0)}; sold {chances}. "
        f"Least to take now {least}: keep it to yourself.",
    )
    rest = show.whole(answer.left_over or 0)
    show.wrapped(
        out,
        f"Gone within a week: ask {show.whole(fast.ask)} (chance {fast.chance:.0%}). A week of standing costs "
        f"{answer.storage_a_week:.2f}. Not sold after {_weeks(answer.horizon)}: about {rest} from a repairer.",
    )
    keep = answer.keeping
    verdict = "List it now." if keep.verdict == "list now" else f"Keep it till {SHORT[keep.month]}."
    show.wrapped(out, f"{verdict} {keep.reason}")
    _curve(out, answer)
    _plan(out, answer)
    if answer.sold_as == "for repair":
        show.wrapped(out, "Priced as sold for repair, not as a working mower.")
    _safety(out, answer.safety)


def _weeks(count: float) -> str:
    return "a week" if round(count) <= 1 else f"{round(count)} weeks"


def _curve(out: Console, answer: AskingPrice) -> None:
    out.print("\nSold within four weeks, by the ask left standing:")
    table = show.plain_table(">ask", ">chance", "", ">brings")
    for point in answer.curve:
        chance = f"{point.sold_by_week_4:.0%}"
        table.add_row(
            show.whole(point.ask),
            chance,
            show.bar(point.sold_by_week_4, 1.0),
            show.whole(point.expected_price),
        )
    out.print(table)


def _plan(out: Console, answer: AskingPrice) -> None:
    out.print("\nThe plan, week by week, for as long as it has not sold:")
    table = show.plain_table(">week", "month", ">ask", "", ">least", ">this week", ">sold by then", "")
    for week in answer.weeks:
        figures = show.whole(week.least_to_take), f"{week.chance:.0%}", f"{week.sold_by:.0%}"
        cut, bar = "cut" if week.cut else "", show.bar(week.sold_by, 1.0)
        table.add_row(str(week.week), SHORT[week.month], show.whole(week.ask), cut, *figures, bar)
    out.print(table)
    out.print()


def offers(out: Console, answers: Sequence[OfferAdvice]) -> None:
    """What to do about an offer: the verdict first."""
    for answer in answers:
        if answer.verdict is None:
            show.wrapped(out, f"{answer.id}: {answer.refusal}")
        else:
            _offer(out, answer)
    show.closing(out, answers)


def _offer(out: Console, answer: OfferAdvice) -> None:
    verdict = (
        f"counter with {show.whole(answer.counter or 0)}" if answer.verdict == "counter" else answer.verdict
    )
    first = f"{answer.id}: {verdict}"
    out.print(
        Text.assemble(
            (first, "bold"), f" (offer {show.whole(answer.offer)}, asked {show.whole(answer.ask or 0)})"
        )
    )
    show.wrapped(out, answer.reason)
    table = show.plain_table("", ">brings", "")
    table.add_row("take it", show.whole(answer.take_brings or 0), "")
    paid = f"{show.whole(answer.counter or 0)} is paid with a chance of {answer.counter_accepted:.0%}"
    table.add_row("counter", show.whole(answer.counter_brings or 0), paid)
    table.add_row("wait", show.whole(answer.wait_brings or 0), "the least to take this week")
    out.print(table)
    if not answer.safety.may_be_sold:
        show.wrapped(out, answer.safety.statement)
    out.print()


def listings(out: Console, answers: Sequence[Listing], *, markdown: bool) -> None:
    """The drafts, then what to photograph and what to beware of."""
    for answer in answers:
        show.heading(out, answer.id)
        if answer.refusal is not None:
            show.wrapped(out, answer.refusal)
            continue
        for line in (answer.markdown if markdown else answer.text).splitlines():
            show.wrapped(out, line, "  " if line.startswith("- ") else "", first="") if line else out.print()
        _bullets(out, "\nTake these pictures and films:", answer.photos)
    out.print()
    show.closing(out, answers)


def _safety(out: Console, safety: Safety) -> None:
    show.wrapped(out, safety.statement, style="green" if safety.may_be_sold else "red")
    out.print()


def _bullets(out: Console, title: str, lines: Iterable[str]) -> None:
    out.print(title)
    for line in lines:
        show.wrapped(out, line, "    ", first="  - ")
