"""The catalogue on the command line: every fault and every fix, and the English it is told in."""

from tests.cli.conftest import Run
from valuer.domain.faults import fault_catalogue
from valuer.domain.fixes import fix_catalogue


def ids(out: str, kind: str) -> list[str]:
    """What a list names."""
    return [line.split()[1].rstrip(":") for line in out.splitlines() if line.startswith(f"{kind} ")]


def test_every_fault_is_listed_under_its_part_with_how_bad_it_is(run: Run) -> None:
    out = run("faults").out
    assert ids(out, "fault") == list(fault_catalogue())
    assert out.startswith(
        "Running\nfault hard_start: Hard to start cold. slight: 3-4 pulls cold; serious: 5 pulls"
    )


def test_every_fix_is_listed_with_what_it_cures(run: Run) -> None:
    out = run("fixes", "--list").out
    assert ids(out, "fix") == list(fix_catalogue())
    assert "for stale_fuel, air_filter_bad, hard_start" in " ".join(out.split())


def test_faults_may_be_searched(run: Run) -> None:
    out = run("faults", "leaking", "gas").out
    assert {"fuel_leak_carb", "fuel_leak_line"} <= set(ids(out, "fault"))
    assert not ids(out, "fix")
    ran = run("faults", "zeppelin")
    assert (ran.code, ran.err) == (2, "valuer: no fault is called 'zeppelin'; `valuer faults` lists them\n")
