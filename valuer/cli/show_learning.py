"""What was learnt, as plain text."""

from valuer.cli.show import console, plain_table, wrapped
from valuer.learning import CorrectionReport

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
        wrapped(out, f"Every range is {report.interval_factor:.2f} times as wide as the model's.")
    for odd in report.odd_sales:
        wrapped(
            out,
            f"Hardly believable: {odd.id}, {odd.times:g} times what the others lead one to expect. It has "
            "next to no say; was it a gift, a typo, or sold with something else?",
        )
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
