"""Answers about selling as plain text: sale chance against ask, the plan over weeks, what to say."""

from collections.abc import Iterable, Sequence

from rich.console import Console
from rich.text import Text

from valuer.advice.sale.selling_documents import AskingPrice, Keeping, Listing, OfferAdvice, SoFar, Together
from valuer.advice.worth.common import named
from valuer.advice.worth.documents import Safety
from valuer.cli import show
from valuer.domain.months import MONTHS

LIKELY = 0.05
"""Explanations less likely than this are left out of the text."""


def asking_prices(
    out: Console, answers: Sequence[AskingPrice], together: Together | None = None, *, full: bool = False
) -> None:
    """What to ask: a few lines for a few, in full where asked for, one line each for many; first which to list."""
    if together:
        _together(out, together)
    if not full and len(answers) <= show.IN_FULL:
        show.in_short(out, answers, [_short_asking_price(answer) for answer in answers])
        return
    if len(answers) > show.IN_FULL:
        _overview(out, answers)
        out.print("\n--machine ID shows what to ask for one.")
    else:
        for answer in answers:
            _asking_price(out, answer)
    (show.closing if full else show.short_closing)(out, answers)


def _when(answer: AskingPrice) -> str:
    """How it is offered at these prices, and what comes before."""
    if answer.sold_as == "for repair":
        return "For repair, once the recall check has passed: " if answer.first else "For repair: "
    return "After that: " if answer.first else ""


def _short_asking_price(answer: AskingPrice) -> list[show.Line]:
    """The gate first, then the prices in a line, what to do now, and why it has not sold."""
    head = show.Line(f"{show.name(answer)} ({answer.value.currency})", style="bold")
    safety = show.Line(answer.safety.statement, style="" if answer.safety.may_be_sold else "bold")
    if answer.refusal or answer.keeping is None:
        return [head, show.Line(str(answer.refusal)), safety]
    keep = answer.keeping
    called = {"ask": f"in {MONTHS[keep.month - 1]} ask", "least": "least today"} if keep.weeks else {}
    prices = ", ".join(
        f"{called.get(rung.name, rung.name)} {show.whole(rung.amount)}" for rung in answer.ladder
    )
    now = {
        "keep": f"Keep it till {MONTHS[keep.month - 1]}. {keep.reason}",
        "list now": f"{'List it now' if answer.week == 1 else 'Leave it listed'}. {keep.reason}",
    }
    sold = ", ".join(f"{each.chance:.0%} by week {each.week}" for each in answer.sold_by)
    return [
        head,
        *([] if answer.safety.may_be_sold else [safety]),
        show.Line(f"{_when(answer)}{prices}. Keep the least to yourself."),
        *([show.Line(now[keep.verdict])] if keep.verdict in now else []),
        *(show.Line(text, needed=False) for text in _past(answer.so_far)),
        show.Line(f"Sold {sold}.", needed=False),
    ]


def _past(told: SoFar | None) -> list[str]:
    """What the weeks listed have said, and the likeliest reason why it has not sold."""
    if told is None:
        return []
    return [
        *(f"Not sold, most likely: {each.says} {each.do}" for each in told.reasons[:1]),
        _listed_so_far(told),
    ]


def _together(out: Console, told: Together) -> None:
    out.print(f"With room for {told.room} listed at once:")
    for row in told.machines:
        show.wrapped(out, f"  {show.name(row)}: {row.verdict}. {row.reason}", "      ", first="")
    out.print()


def _overview(out: Console, answers: Sequence[AskingPrice]) -> None:
    table = show.plain_table(
        "machine", ">worth", ">ask", ">expect", ">least", ">by wk 4", "what now", "sell as working?"
    )
    for answer in answers:
        if answer.keeping is None:
            table.add_row(answer.id, *"-----", "no listing", show.may_be_sold(answer.safety))
            continue
        money = [show.whole(rung.amount) for rung in answer.ladder]
        fourth = next((s.chance for s in answer.sold_by if s.week >= min(4, answer.horizon)), 0.0)
        table.add_row(
            answer.id, *money, f"{fourth:.0%}", _now(answer.keeping), show.may_be_sold(answer.safety)
        )
    out.print(table)
    show.names(out, answers)


def _now(keeping: Keeping) -> str:
    return f"keep till {MONTHS[keeping.month - 1]}" if keeping.verdict == "keep" else keeping.verdict


def _asking_price(out: Console, answer: AskingPrice) -> None:
    out.print(Text.assemble((show.name(answer), "bold"), f" ({answer.value.currency})"))
    _gates(out, answer)
    if answer.refusal or answer.keeping is None or answer.fast_sale is None:
        show.wrapped(out, str(answer.refusal))
        _so_far(out, answer.so_far)
        _safety(out, answer.safety)
        return
    if answer.first:
        out.print("The prices for after that:")
    for rung in answer.ladder:
        show.wrapped(out, f"{rung.name:>6} {show.whole(rung.amount):>6}  {rung.says}", " " * 15, first="")
    keep, fast = answer.keeping, answer.fast_sale
    if keep.verdict == "keep":
        show.wrapped(
            out,
            f"Keep it till {MONTHS[keep.month - 1]}. {keep.reason} If it is to be listed today all the same: ask "
            f"{show.whole(keep.ask_now)}.",
        )
    elif keep.verdict == "list now":
        show.wrapped(out, f"{'List it now' if answer.week == 1 else 'Leave it listed'}. {keep.reason}")
    _so_far(out, answer.so_far)
    chances = ", ".join(f"{sold.chance:.0%} by week {sold.week}" for sold in answer.sold_by)
    rest = show.whole(answer.left_over or 0)
    show.wrapped(
        out,
        f"Sold {chances}, counted from {'today' if answer.week > 1 else 'its listing'}. Gone within a week: ask "
        f"{show.whole(fast.ask)} (chance {fast.chance:.0%}). A week of standing costs {answer.storage_a_week:.2f}. "
        f"Not sold after {_weeks(answer.horizon)}: about {rest} from a repairer.",
    )
    _curve(out, answer)
    _plan(out, answer)
    if answer.safety.may_be_sold:
        _safety(out, answer.safety)


def _gates(out: Console, answer: AskingPrice | OfferAdvice) -> None:
    """How it may be offered and what comes before that: said first, before any price."""
    for text in _barred(answer):
        show.wrapped(out, text, style="bold")


def _barred(answer: AskingPrice | OfferAdvice) -> list[str]:
    told = [answer.first] if answer.first else []
    if answer.sold_as == "for repair":
        cure = named(answer.safety.must_cure) or "it does not start"
        told.append(f"For repair or parts only, not as a working mower: {cure}.")
    return told


def _so_far(out: Console, told: SoFar | None) -> None:
    """What the weeks listed have said, and why it has not sold."""
    if told is None:
        return
    show.wrapped(out, f"{_listed_so_far(told)} Why it has not sold:")
    for reason in told.reasons:
        if reason.odds >= LIKELY:
            show.wrapped(out, f"{reason.odds:>4.0%}  {reason.says} {reason.do}", " " * 6, first="")


def _listed_so_far(told: SoFar) -> str:
    """How long it has been listed and what that says."""
    asked = f"at {show.whole(told.first_ask)}"
    if told.ask != told.first_ask:
        asked += f", now {show.whole(told.ask)}"
    offers = f", {show.whole(told.best_offer)} refused" if told.best_offer else ""
    asking = f", {told.enquiries} asked" if told.enquiries is not None else ""
    listed = f"Listed {_whole_weeks(told.weeks)} {asked}{offers}{asking}."
    unsold = f"Of machines worth the {show.whole(told.believed)} believed before, {told.unsold:.0%} would be unsold"
    return f"{listed} {unsold} by now. {told.moved}"


def _whole_weeks(count: int) -> str:
    return {0: "since this week", 1: "a week"}.get(count, f"{count} weeks")


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
        table.add_row(str(week.week), MONTHS[week.month - 1][:3], show.whole(week.ask), cut, *figures, bar)
    out.print(table)
    out.print()


def offers(out: Console, answers: Sequence[OfferAdvice], *, full: bool = False) -> None:
    """What to do about an offer: in a few lines, or in full where that is asked for."""
    if not full:
        show.in_short(out, answers, [_short_offer(answer) for answer in answers])
        return
    for answer in answers:
        _gates(out, answer)
        if answer.verdict is None:
            show.wrapped(out, f"{show.name(answer)}: {answer.refusal}")
        else:
            _offer(out, answer)
    show.closing(out, answers)


def _verdict(answer: OfferAdvice) -> str:
    counter = f"counter with {show.whole(answer.counter or 0)}"
    verdict = counter if answer.verdict == "counter" else answer.verdict
    asked = f"(offer {show.whole(answer.offer)}, asked {show.whole(answer.ask or 0)})"
    return f"{show.name(answer)}: {verdict} {asked}"


def _short_offer(answer: OfferAdvice) -> list[show.Line]:
    """What bars a sale, the verdict, why, what each way brings, and what the weeks listed have said."""
    gates = [show.Line(text, style="bold") for text in _barred(answer)]
    if answer.verdict is None:
        return [*gates, show.Line(f"{show.name(answer)}: {answer.refusal}")]
    paid = f"paid with a chance of {answer.counter_accepted:.0%}"
    brings = (
        f"Taking it brings {show.whole(answer.take_brings or 0)}; a counter of {show.whole(answer.counter or 0)}, "
        f"{paid}, {show.whole(answer.counter_brings or 0)}; waiting {show.whole(answer.wait_brings or 0)}, the "
        "least to take today."
    )
    return [
        *gates,
        show.Line(_verdict(answer), style="bold"),
        show.Line(answer.reason),
        show.Line(brings),
        *(show.Line(text, needed=False) for text in _past(answer.so_far)),
    ]


def _offer(out: Console, answer: OfferAdvice) -> None:
    show.wrapped(out, _verdict(answer), style="bold")
    show.wrapped(out, answer.reason)
    _so_far(out, answer.so_far)
    table = show.plain_table("", ">brings", "")
    table.add_row("take it", show.whole(answer.take_brings or 0), "")
    paid = f"{show.whole(answer.counter or 0)} is paid with a chance of {answer.counter_accepted:.0%}"
    table.add_row("counter", show.whole(answer.counter_brings or 0), paid)
    table.add_row("wait", show.whole(answer.wait_brings or 0), "the least to take today")
    out.print(table)
    out.print()


def listings(
    out: Console, answers: Sequence[Listing], *, short: bool, markdown: bool, full: bool = False
) -> None:
    """The drafts, then what to photograph and what to beware of."""
    for answer in answers:
        show.heading(out, show.name(answer))
        if answer.refusal is not None:
            show.wrapped(out, answer.refusal)
            continue
        long = answer.markdown if markdown else answer.text
        brief = answer.short_markdown if markdown else answer.short
        for line in (brief if short else long).splitlines():
            show.wrapped(out, line, "  " if line.startswith("- ") else "", first="") if line else out.print()
        _bullets(out, "\nFor you alone, in no advert:", answer.for_the_seller)
        _bullets(out, "\nTake these pictures and films:", answer.photos)
    out.print()
    (show.closing if full else show.short_closing)(out, answers)


def _safety(out: Console, safety: Safety) -> None:
    show.wrapped(out, safety.statement, style="" if safety.may_be_sold else "bold")
    out.print()


def _bullets(out: Console, title: str, lines: Iterable[str]) -> None:
    out.print(title)
    for line in lines:
        show.wrapped(out, line, "    ", first="  - ")
