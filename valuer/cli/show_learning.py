"""What was learnt, as plain text."""

from math import log2

from valuer.cli.show import console, plain_table, whole, wrapped
from valuer.learning import CorrectionReport
from valuer.records.accuracy import AccuracyReport, SaleSeen

PICTURED = 15  # latest sales in the picture
WIDE = 41  # columns of the picture, from half to twice the prediction
MOST_TERMS = 12
STILL = 0.5  # percent below which a term has not moved


def correction(report: CorrectionReport) -> None:
    """What own records changed, term by term, and what own tries changed of the fixes."""
    out = console()
    wrapped(out, report.statement)
    moved = [term for term in report.terms if abs(term.moved_percent) >= STILL][:MOST_TERMS]
    if moved:
        out.print()
        table = plain_table("what", ">moved", ">+-", ">sales", "why")
        for term in moved:
            figures = f"{term.moved_percent:+.0f} %", f"{term.unsure_percent:.0f}", f"{term.sales:.1f}"
            table.add_row(term.name, *figures, term.why)
        out.print(table)
    if report.own_sales:
        wrapped(
            out,
            f"Ranges of machines like those you sold are {report.interval_factor:.2f} times as wide as on the first "
            "day.",
        )
    for odd in report.odd_sales:
        wrapped(
            out,
            f"Hardly believable: {odd.id}, {odd.times:g} times what the others lead one to expect. It has "
            "next to no say; was it a gift, a typo, or sold with something else?",
        )
    if report.entered_again:
        again = ", ".join(report.entered_again)
        wrapped(out, f"Left out, as each repeats a sale before it (same machine, day and price): {again}.")
    out.print()
    wrapped(out, report.selling.statement)
    _fixes(report)


def _fixes(report: CorrectionReport) -> None:
    if not report.fixes:
        return
    out = console()
    out.print()
    table = plain_table("fix", "fault", ">held", ">odds before", ">now", ">hours")
    for fix in report.fixes:
        held = f"{fix.cured} of {fix.cured + fix.failed}"
        hours = "-" if fix.hours_factor is None else f"x {fix.hours_factor:.2f}"
        table.add_row(fix.fix, fix.fault, held, f"{fix.odds_before:.0%}", f"{fix.odds_after:.0%}", hours)
    out.print(table)
    wrapped(out, "hours: own bench hours over the catalogue's, as far as they were written down.")


def accuracy(report: AccuracyReport) -> None:
    """The figures, each with what it should be, and the latest sales as a picture."""
    out = console()
    for figure in report.figures:
        wrapped(out, f"{figure.name}: {figure.said}.", "    ", first="")
        goal = f" Should be: {figure.goal}." if figure.value is not None and figure.goal != "none" else ""
        wrapped(out, f"{figure.means}{goal}", "    ")
    if report.sales:
        out.print("\nEach sale from half to twice its prediction (|): range (-), price (x):\n")
        for sale in report.sales[-PICTURED:]:
            out.print(f"{sale.id[:16]:<16} {_row(sale)} {whole(sale.price):>6}", soft_wrap=True)


def _row(sale: SaleSeen) -> str:
    low, high, price = (_column(amount / sale.predicted) for amount in (sale.low, sale.high, sale.price))
    row = ["-" if low <= place <= high else " " for place in range(WIDE)]
    row[WIDE // 2] = "|"
    row[price] = "x"
    return "".join(row)


def _column(ratio: float) -> int:
    """Where a ratio stands between 1/2 (the first column) and 2 (the last); beyond them, at the end."""
    return round((min(max(log2(ratio), -1.0), 1.0) + 1.0) / 2.0 * (WIDE - 1))
