"""The commands that write down and read back, as a user types them, on a store of their own."""

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Run

FILE = b"""id,drive,age_years,faults,readings,checks,looked_over
m1,push,6,fuel_leak_carb:slight;blade_dull:slight,"blade_stop_s:2.1,2.3,2.2",recall:passed,yes
m2,push,4,,,,yes
"""


@pytest.fixture(autouse=True)
def _own_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VALUER_STORE", str(tmp_path / "records.sqlite"))


@pytest.fixture
def on_bench(run: Run) -> Run:
    """Two machines taken in."""
    assert run("take", "-", "--on", "2026-05-01", stdin=FILE).code == 0
    return run


def test_taking_in_and_measuring_again(run: Run) -> None:
    assert run("take", "-", stdin=FILE).out == "m1: taken in.\nm2: taken in.\n"
    assert run("take", "-", stdin=FILE).out == "m1: nothing new.\nm2: nothing new.\n"
    assert (
        run("take", "-", stdin=FILE.replace(b"push,4", b"push,5")).out
        == "m1: nothing new.\nm2: measured again.\n"
    )


def test_the_table_of_records_shows_money_as_it_was_written_down(run: Run) -> None:
    """12.50 is 12.50, not 12; what is whole stays whole."""
    run("take", "push, 20 in, 5 years", "--name", "wren", "--paid", "12.50")
    run("sold", "wren", "82.50")
    (line,) = (each.split() for each in run("records").out.splitlines() if each.startswith("wren"))
    assert line[3:7] == ["12.50", "0", "82.50", "70"]


def test_one_machine_is_added_as_one(run: Run, tmp_path: Path) -> None:
    run("take", "push, 20 in, 5 years", "--name", "wren")
    book = run("export").out.encode()
    told = run("import", "-", "--dry-run", "--store", str(tmp_path / "other.sqlite"), stdin=book).out
    assert told.startswith("1 machine would be added, 0 the same")


def test_words_are_put_over_what_is_known_and_the_rest_stays(run: Run) -> None:
    """Who times the blade says that and no more; who takes a whole file gets the file."""
    run("take", "rear drive, 22 in, 5 years, blade is dull, surface rust", "--name", "green-1")
    run("done", "green-1", "recall", "passed")
    ran = run("take", "no rust, 6 years, blade stops in 2.1 2.2 2.1 s", "--name", "green-1")
    assert ran.out.endswith("green-1: measured again; what was not said stays as it was.\n")
    machine = json.loads(run("export").out)["machines"][0]["machine"]
    assert (machine["drive"], machine["deck_width_in"], machine["age_years"]) == ("rear_variable", 22.0, 6.0)
    assert [fault.split(":")[0] for fault in machine["faults"]] == ["blade_dull"]
    assert machine["checks"] == {"recall": "passed"}
    assert machine["readings"]["blade_stop_s"] == [2.1, 2.2, 2.1]


def test_a_bad_file_takes_nothing_in(run: Run) -> None:
    ran = run("take", "-", stdin=FILE + b"m3,pull,4,,,\n")
    assert (ran.code, ran.out) == (2, "")
    assert run("records").out == "Nothing on record yet; `valuer take FILE` begins.\n"


def test_from_the_bench_to_the_sale(on_bench: Run) -> None:
    run = on_bench
    run("take", "-", "--machine", "m1", "--paid", "25", "--hours", "0.8", stdin=FILE)
    tried = run(
        "done", "m1", "needle_seat", "--failed", "--parts", "4", "--hours", "0.7", "--on", "2026-05-02"
    )
    assert tried.out == "m1: needle_seat did not cure fuel_leak_carb.\n"
    cured = run("done", "m1", "carb_new_generic", "--cured", "--parts", "24.5", "--on", "2026-05-03")
    assert cured.out.startswith("m1: fuel_leak_carb cured by carb_new_generic.\n")
    assert run("listed", "m1", "--ask", "180", "--offer", "140", "--on", "2026-05-05").out == (
        "m1: 180 asked in the week of 2026-05-04, week 1 listed.\n"
    )
    sale = run("sold", "m1", "160", "--hours", "1.5", "--on", "2026-05-16")
    # Fake model: 200 less a tenth for the dull blade. Profit by hand: 160 - 25 - 4 - 24.5 = 106.5 in 3 h.
    assert sale.out.splitlines()[:2] == [
        "m1: sold for 160; 180 was expected, 144 to 216.",
        "Profit 106.50 after 53.50 spent, 36 for each of 3 h.",
    ]
    assert "not cleared for sale as a working mower" in sale.out
    (sold,) = [line for line in json.loads(run("records", "--json").out)["lines"] if line["state"] == "sold"]
    assert (sold["profit"], sold["hours"], sold["days_to_sell"]) == (106.5, 3.0, 12)


def test_the_cents_that_were_typed_are_seen_again(run: Run) -> None:
    run("take", "-", stdin=b"id,age_years\nm1,6\n")
    assert run("sold", "m1", "162,50").out.startswith("m1: sold for 162.50; ")
    assert run("undo").out.splitlines()[0] == "taken back: m1: sold for 162.50"


def test_a_sale_keeps_what_was_predicted_and_by_which_model(on_bench: Run) -> None:
    on_bench("sold", "m2", "150", "--on", "2026-05-16")
    book = json.loads(on_bench("export").out)
    assert book["machines"][1]["sale"]["prediction"] == {
        "amount": 200.0,
        "low": 160.0,
        "high": 240.0,
        "model": "fake 1",
        "data_sha256": "0" * 64,
        "own_sales": 0,
    }


def test_a_sale_can_be_taken_back(on_bench: Run) -> None:
    on_bench("sold", "m2", "150", "--on", "2026-05-16")
    assert on_bench("sold", "m2", "--undo").out == "m2: the sale is taken back; it stands on the bench.\n"
    assert json.loads(on_bench("records", "--sold", "--json").out)["lines"] == []


@pytest.mark.parametrize("form", ["--csv", "--json"])
def test_what_goes_out_comes_in_again_and_twice_adds_nothing(
    on_bench: Run, tmp_path: Path, form: str
) -> None:
    on_bench("done", "m1", "needle_seat", "--failed", "--parts", "4")
    on_bench("listed", "m1", "--ask", "180", "--offer", "140")
    out = on_bench("export", *(["--csv"] if form == "--csv" else [])).out
    other = str(tmp_path / "other.sqlite")
    first = on_bench("import", "-", "--store", other, stdin=out.encode())
    assert first.out == "2 machines added, 0 the same, 0 different.\n"
    again = on_bench("import", "-", "--store", other, stdin=out.encode())
    assert again.out == "0 machines added, 2 the same, 0 different.\n"
    assert on_bench("export", "--store", other).out == on_bench("export").out


def test_a_dry_run_tells_the_difference_and_changes_nothing(on_bench: Run) -> None:
    out = on_bench("export", "--csv").out.replace("push", "all_wheel")
    dry = on_bench("import", "-", "--dry-run", stdin=out.encode())
    assert dry.out.splitlines() == [
        "0 machines would be added, 0 the same, 2 different.",
        "  m1: drive push -> all_wheel",
        "  m2: drive push -> all_wheel",
        "Nothing was changed.",
    ]
    refused = on_bench("import", "-", stdin=out.encode())
    assert (refused.code, refused.out) == (2, "")
    assert "m1, m2: on record already, and not the same; --replace takes the new ones" in refused.err
    assert on_bench("import", "-", "--replace", stdin=out.encode()).code == 0
    assert "all_wheel" in on_bench("export").out


def test_an_import_with_one_bad_row_adds_nothing(run: Run) -> None:
    good, pull, slashes, no_day = (
        b"a,push,2026-05-01,100",
        b"b,pull,2026-05-02,100",
        b"c,push,05/03/2026,100",
        b"d,push,,9",
    )
    rows = b"\n".join([b"id,drive,sold_on,price", good, pull, slashes, no_day])
    ran = run("import", "-", stdin=rows)
    assert (ran.code, ran.out) == (2, "")
    assert [line.partition(": ")[2].split(":")[0] for line in ran.err.splitlines()] == [
        "standard input, row 3, drive",
        "standard input, row 4, taken_on",
        "standard input, row 4, sold_on",
        "standard input, row 5, taken_on",
        "standard input, row 5, sold_on",
    ]
    assert run("records").out.startswith("Nothing on record")


def test_prices_seen_around_come_in_too(run: Run) -> None:
    rows = b"id,drive,kind,sold_on,price\na,push,ask_seen,2026-05-01,120\nb,push,sale_seen,2026-05-02,100\n"
    assert run("import", "-", stdin=rows).out == (
        "0 machines added, 0 the same, 0 different.\n2 prices seen around added, 0 the same.\n"
    )
    assert run("import", "-", stdin=rows).out.endswith("0 prices seen around added, 2 the same.\n")


@pytest.mark.parametrize("note", ["=1+2", "+1", "-1", "@sum", "'=1", "\t=1"])
def test_no_cell_of_the_csv_begins_as_a_formula_does(run: Run, note: str) -> None:
    machine = json.dumps({"id": "-1", "note": note})
    run("take", "-", stdin=machine.encode())
    out = run("export", "--csv").out
    cells = out.splitlines()[1].split(",")
    assert not any(cell.lstrip('"').startswith(("=", "+", "-", "@", "\t")) for cell in cells)
    before = run("export").out
    again = run("import", "-", stdin=out.encode())
    assert again.out == "0 machines added, 1 the same, 0 different.\n", "the guard is taken off again"
    assert run("export").out == before


def test_backup_and_restore(on_bench: Run, tmp_path: Path) -> None:
    copy = tmp_path / "copy.sqlite"
    assert on_bench("backup", str(copy)).out == f"copied to {copy}\n"
    on_bench("sold", "m2", "150")
    assert on_bench("restore", str(copy)).out.startswith(
        f"restored from {copy}; what stood there is kept as "
    )
    assert json.loads(on_bench("records", "--sold", "--json").out)["lines"] == []
    assert on_bench("restore").out.startswith("valuer restore ")


BAD = {
    ("done", "m1", "needle_seat"): "expected --cured or --failed; a try that failed teaches as much",
    ("done", "m1", "needle_seet", "--cured"): (
        "STEP: expected a fix, a check or a look that m1 asks for, got 'needle_seet'; did you mean 'needle_seat'?"
    ),
    ("done", "m3", "needle_seat", "--cured"): "no machine 'm3' in the records",
    ("sold", "m1"): "expected the price, or --undo to take the sale back",
    ("sold", "m1", "0"): "price must be above 0, got 0.0",
    ("sold", "m1", "nan"): ("PRICE: expected an amount of money, got 'nan'; leave it empty when unknown"),
    ("sold", "m1", "100", "--on", "2026-02-30"): (
        "Invalid value for '--on': expected a day as YYYY-MM-DD, got '2026-02-30' "
        "(`valuer sold --help` explains)"
    ),
    ("sold", "m1", "100", "--on", "2026-04-01"): (
        "m1: taken in on 2026-05-01, so not sold on 2026-04-01; correct the day"
    ),
    ("sold", "m1", "--undo"): "m1 is not sold, so there is no sale to take back",
    ("listed", "m1", "--ask", "-5"): "--ask: expected 0 to 1000000, got -5",
    ("take", "none.csv"): "none.csv: no such file; give a machine file, or - for standard input",
    ("import", "none.csv"): "none.csv: no such file; give a machine file, or - for standard input",
    ("restore", "none.sqlite"): "none.sqlite: no such backup; `valuer restore` lists those there are",
    (
        "records",
        "--store",
        "oracle+nobody://x",
    ): "store: no driver for oracle+nobody is installed; install its driver",
}


@pytest.mark.parametrize("args", BAD)
def test_bad_input_gets_one_line(on_bench: Run, args: tuple[str, ...]) -> None:
    ran = on_bench(*args)
    assert (ran.code, ran.out, ran.err) == (2, "", f"valuer: {BAD[args]}\n")


def test_what_is_sold_is_not_worked_on(on_bench: Run) -> None:
    on_bench("sold", "m1", "100", "--on", "2026-05-16")
    for args in (
        ("listed", "m1", "--ask", "90"),
        ("sold", "m1", "90"),
        ("done", "m1", "needle_seat", "--cured"),
    ):
        assert on_bench(*args).err == (
            "valuer: m1 was sold on 2026-05-16; take another machine in under an id of its own\n"
        )


def test_a_fix_for_several_faults_asks_which(on_bench: Run) -> None:
    rows = b"id,faults\nm9,fuel_leak_carb:serious;surging:serious;no_start:serious\n"
    on_bench("take", "-", stdin=rows)
    refused = on_bench("done", "m9", "carb_new_generic", "--cured")
    assert refused.code == 2
    assert "--fault: carb_new_generic may be for " in refused.err


def test_a_prediction_no_record_can_hold_is_refused_by_its_cause(on_bench: Run) -> None:
    """A sound machine is worth 200 there, so 10,000 of own money a dollar make two million of it."""
    ran = on_bench("sold", "m2", "160", "--on", "2026-05-16", "--price-level", "10000")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith(
        "valuer: --price-level: at this level the machine would bring 1.6e+06 to 2.4e+06, more"
    )


STEERS = "a\x1b[2J\x07\x9b31m\tb\r\nc\x7f"


@pytest.mark.parametrize("form", [(), ("--csv",)])
def test_control_characters_survive_export_and_import_and_reach_no_terminal(
    run: Run, tmp_path: Path, form: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Through a pipe every sign of a note is kept; on a terminal none steers it."""
    machine, file, again = tmp_path / "m.json", tmp_path / "export", str(tmp_path / "again.sqlite")
    machine.write_text(json.dumps([{"id": "m1", "note": STEERS}]))
    assert run("take", str(machine)).code == 0
    file.write_bytes(run("export", *form).out.encode())
    assert run("import", str(file), "--store", again).code == 0
    copied = json.loads(run("export", "--store", again).out)
    assert copied["machines"][0]["machine"]["note"] == STEERS
    machine.write_text(json.dumps([{"id": "m1", "note": f"{STEERS}!"}]))
    run("take", str(machine))
    file.write_bytes(run("export", *form).out.encode())
    told = run("import", str(file), "--store", again, "--dry-run", "--replace").out
    monkeypatch.setattr("valuer.cli.output._is_terminal", lambda: True)
    for said in (told, run("export", *form).out):
        assert all(sign.isprintable() or sign == "\n" for sign in said)


def test_a_refusal_that_quotes_a_name_steers_no_terminal(run: Run) -> None:
    ran = run("price", "bench\x1b[2J.csv")
    assert ran.code == 2
    assert (
        ran.err == "valuer: bench\\x1b[2J.csv: no such file; give a machine file, or - for standard input\n"
    )
    assert "\x1b" not in run("pri\x1b[2Jce").err
