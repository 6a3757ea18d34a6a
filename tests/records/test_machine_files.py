"""Machine files: what is read, and the one line that each kind of bad file gets."""

import csv
import io
import json
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from valuer.domain.machine import Machine
from valuer.records.cells import Unreadable, figure, tidy
from valuer.records.entries import parse_day
from valuer.records.files import LIMIT_MB, BadFile, machines_in, read_machines


def refusal(name: str, data: bytes | str) -> list[str]:
    """The lines with which a file is refused."""
    with pytest.raises(BadFile) as refused:
        machines_in(name, data.encode() if isinstance(data, str) else data)
    return str(refused.value).splitlines()


def test_csv_and_json_say_the_same() -> None:
    wire = {
        "id": "m1",
        "drive": "push",
        "age_years": 6.5,
        "mulch_kit": True,
        "faults": ["stiff_roll:slight", "blade_dull:serious"],
        "readings": {"blade_stop_s": [2.1, 2.3], "cold_pulls": 2, "smoke": "none", "struck": False},
    }
    csv = (
        "id,drive,age_years,mulch_kit,faults,readings,tier\n"
        'm1,push,6.5,yes,stiff_roll:slight; blade_dull:serious,"blade_stop_s:2.1,2.3;cold_pulls:2;smoke:none;'
        'struck:no",\n'
    )
    assert machines_in("a.csv", csv.encode()) == machines_in("a.json", json.dumps([wire]).encode())


@pytest.mark.parametrize(
    "text", ['[{"id": "m1"}]', '{"id": "m1"}', '{"about": "x", "machines": [{"id": "m1"}]}']
)
def test_the_three_forms_of_json(text: str) -> None:
    assert machines_in("a.json", text.encode()) == (Machine(id="m1"),)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_encodings_that_announce_themselves_are_read(encoding: str) -> None:
    (machine,) = machines_in("a.csv", "id,note\nm1,grüne Räder\n".encode(encoding))
    assert machine.note == "grüne Räder"


def test_remarks_and_blank_lines_are_skipped_and_rows_counted_as_in_the_file() -> None:
    text = '# a remark, with commas\n"# another"\n\nid,age_years\n,\nm1,six\n'
    line = "a.csv, row 6, age_years: expected a number in years, got 'six'; leave it empty when unknown"
    assert refusal("a.csv", text) == [line]


BAD_CSV = {
    "unknown fault": (
        "id,faults\nm1,blade_dul:slight\n",
        (
            "a.csv, row 2, faults entry 1: fault must be a name from the catalogue; got 'blade_dul'; "
            "did you mean 'blade_dull'?"
        ),
    ),
    "unknown severity": (
        "id,faults\nm1,blade_dull:sleight\n",
        (
            "a.csv, row 2, faults entry 1: severity of blade_dull must be one of slight, serious; "
            "got 'sleight'; did you mean 'slight'?"
        ),
    ),
    "unknown word": (
        "id,start\nm1,roap\n",
        "a.csv, row 2, start: start must be one of rope, electric; got 'roap'; did you mean 'rope'?",
    ),
    "a fault twice": (
        "id,faults\nm1,blade_dull:slight;blade_dull:serious\n",
        "a.csv, row 2, faults: a fault may stand once on a machine, got blade_dull twice",
    ),
    "a negative number": (
        "id,age_years\nm1,-3\n",
        "a.csv, row 2, age_years: age_years must be 0 or more, got -3.0",
    ),
    "an absurd number": (
        "id,deck_width_in\nm1,2100\n",
        "a.csv, row 2, deck_width_in: deck_width_in must be 33 or less, got 2100.0",
    ),
    "a number too large for a computer": (
        "id,age_years\nm1,1e999\n",
        "a.csv, row 2, age_years: age_years must be a finite number, got inf",
    ),
    "nan": (
        "id,age_years\nm1,nan\n",
        "a.csv, row 2, age_years: expected a number in years, got 'nan'; leave it empty when unknown",
    ),
    "a comma that parts thousands or digits": (
        'id,new_price\nm1,"1,250"\n',
        "a.csv, row 2, new_price: '1,250' may be 1.25 or 1250; write 1.25 or 1250",
    ),
    "a comma that parts runs or digits": (
        'id,readings\nm1,"blade_stop_s:3,1"\n',
        ("a.csv, row 2, readings: '3,1' may be 3.1 s, or 2 runs of 3 and 1 s; write 3.1 or 3 1"),
    ),
    "a formula": (
        "id,age_years\nm1,=2+4\n",
        "a.csv, row 2, age_years: expected a number in years, got '=2+4'; save the file with values, not formulas",
    ),
    "a formula as id": (
        "id,age_years\n=1+1,4\n",
        "a.csv, row 2, id: id must be 1 to 64 letters, digits, dot, _ or -, no dots alone, got '=1+1'",
    ),
    "neither yes nor no": (
        "id,mulch_kit\nm1,maybe\n",
        "a.csv, row 2, mulch_kit: expected yes or no, got 'maybe'; leave the cell empty when unknown",
    ),
    "a reading without a value": (
        "id,readings\nm1,cold_pulls\n",
        "a.csv, row 2, readings: expected name:value pairs joined by ;, got 'cold_pulls'",
    ),
    "a reading twice": (
        "id,readings\nm1,cold_pulls:2;cold_pulls:3\n",
        "a.csv, row 2, readings: 'cold_pulls' stands twice; keep one of them",
    ),
    "an unknown reading": (
        "id,readings\nm1,cold_pull:2\n",
        "a.csv, row 2, readings cold_pull: unknown name 'cold_pull'; did you mean 'cold_pulls'?",
    ),
    "a short row": ("id,drive\nm1\n", "a.csv, row 2: expected 2 cells as in the first row, got 1"),
    "a long row": ("id,drive\nm1,push,4\n", "a.csv, row 2: expected 2 cells as in the first row, got 3"),
    "an id twice": (
        "id,drive\nm1,push\nm2,push\nm1,push\n",
        "a.csv, row 4, id: 'm1' is used in row 2 already; give each machine its own",
    ),
    "a missing id": ("id,drive\n,push\n", "a.csv, row 2, id: id is missing; it must be given"),
    "a missing column": ("drive\npush\n", "a.csv, row 1, id: the column is missing; add it"),
    "a doubled column": (
        "id,drive,drive\nm1,push,push\n",
        "a.csv, row 1, drive: the column stands twice; keep one of them",
    ),
    "an unknown column": (
        "id,aeg_years\nm1,3\n",
        "a.csv, row 1, aeg_years: unknown column; did you mean 'age_years'?",
    ),
    "a nameless column": (
        "id,,tier\nm1,,mid\n",
        "a.csv, row 1, (no name): a column without a name; give it one, or delete it",
    ),
    "an open quote": (
        'id,note\nm1,"dry\n',
        "a.csv, row 2: not valid CSV (unexpected end of data); check the quotes",
    ),
    "an empty file": ("", "a.csv: the file is empty; `valuer template` writes one to fill in"),
    "blanks only": (" \n\n", "a.csv: the file is empty; `valuer template` writes one to fill in"),
    "a header only": ("id,drive\n", "a.csv: holds no machine; `valuer template` writes a file to fill in"),
    "zero bytes": (
        "id\nm\0\n",
        "a.csv: holds zero bytes, so it is no text file; save it as CSV or JSON in UTF-8",
    ),
}


@pytest.mark.parametrize("case", BAD_CSV)
def test_a_bad_csv_file_gets_one_line(case: str) -> None:
    text, line = BAD_CSV[case]
    assert refusal("a.csv", text) == [line]


BAD_JSON = {
    "nan": (
        '[{"id": "m1", "age_years": NaN}]',
        "a.json, machine 1, age_years: age_years must be a finite number, got nan",
    ),
    "infinity": (
        '[{"id": "m1", "readings": {"cold_pulls": -Infinity}}]',
        "a.json, machine 1, readings cold_pulls: cold_pulls must be a finite number, got -inf",
    ),
    "a number as text": (
        '[{"id": "m1", "age_years": "six"}]',
        "a.json, machine 1: expected a number in years, got 'six'; leave it empty when unknown",
    ),
    "true as a number": (
        '[{"id": "m1", "age_years": true}]',
        "a.json, machine 1, age_years: age_years must be a number, got True",
    ),
    "no machine": ("[]", "a.json: holds no machine; `valuer template` writes a file to fill in"),
    "a number on top": ("3", "a.json: expected a machine or a list of machines, got 3"),
    "a word in the list": ('["m1"]', "a.json, machine 1: expected a machine, got 'm1'"),
    "machines is no list": ('{"machines": 4}', "a.json, machines: expected a list, got 4"),
    "an unknown top name": (
        '{"machines": [], "terms": {}}',
        "a.json, terms: unknown name beside machines; put remarks in about",
    ),
    "an unknown attribute": (
        '[{"id": "m1", "tear": "mid"}]',
        "a.json, machine 1, tear: unknown name 'tear'; did you mean 'tier'?",
    ),
    "a doubled name": (
        '[{"id": "m1", "tier": "mid", "tier": "budget"}]',
        'a.json: "tier" stands twice in the object with id "m1"; keep one of them',
    ),
    "a bracket too few": (
        '[{"id": "m1"]',
        "a.json, row 1, column 13: not valid JSON: expecting ',' delimiter",
    ),
    "a bottomless pit": ("[" * 100_000, "a.json: nested too deeply; a machine has at most three levels"),
    "a number without end": (
        f'[{{"id": "m1", "age_years": {"9" * 5000}}}]',
        "a.json: a number is absurdly long; give at most 15 digits",
    ),
    "too many names": (
        json.dumps([{"id": "m1", **{f"n{i}": 1 for i in range(200)}}]),
        "a.json, machine 1: expected a machine, got more than 100 names",
    ),
    "a terminal escape": (
        '[{"id": "m1", "drive": "\\u001b[2Jpush"}]',
        (
            "a.json, machine 1, drive: drive must be one of push, front_one_speed, front_variable, "
            "rear_variable, all_wheel, hydrostatic; got '\\x1b[2Jpush'"
        ),
    ),
}


@pytest.mark.parametrize("case", BAD_JSON)
def test_a_bad_json_file_gets_one_line(case: str) -> None:
    text, line = BAD_JSON[case]
    assert [found.split("; did you mean 'push'")[0] for found in refusal("a.json", text)] == [line]


def test_bytes_of_no_alphabet_are_refused_with_the_row_not_guessed() -> None:
    data = b"id,note\nm1,dry\nm2,caf\x81\n"
    assert refusal("a.csv", data) == ["a.csv, row 3: byte 7 is not UTF-8 text; save the file as UTF-8"]


def test_the_latin_letters_of_older_programs_are_read_in_a_table_and_not_in_json() -> None:
    assert machines_in("a.csv", b"id,note\nm1,caf\xe9\n")[0].note == "caf\u00e9"
    assert refusal("a.json", b'[{"id": "m1", "note": "caf\xe9"}]')[0].endswith("save the file as UTF-8")


WAYS = {
    "semicolons and decimal commas": "id;age_years;deck_width_in;readings\nm1;6,5;55 cm;blade_stop_s:2,1 2,3\n",
    "tabs": "id\tage_years\tdeck_width_in\treadings\nm1\t6.5\t55 cm\tblade_stop_s:2.1 2.3\n",
    "capitals, blanks, columns of their own": "Name, Age ,Width,Blade Stop S\nm1,6.5 years,55cm,2.1 2.3\n",
    "a spreadsheet's first line and empty columns": (
        "sep=;\nid;age_years;deck_width_in;blade_stop_s;;\nm1;6,5;55 cm;2,1 2,3;;\n"
    ),
    "bars": "id|age_years|deck_width_in|blade_stop_s\nm1|6.5|55 cm|2.1; 2.3\n",
}


@pytest.mark.parametrize("way", WAYS)
def test_a_table_is_read_however_a_program_parts_it(way: str) -> None:
    (machine,) = machines_in("a.csv", WAYS[way].encode())
    assert (machine.id, machine.age_years) == ("m1", 6.5)
    assert machine.deck_width_in == pytest.approx(55 / 2.54)
    assert machine.readings.blade_stop_s == (2.1, 2.3)


def test_words_in_other_spellings_and_what_stands_for_unknown() -> None:
    text = (
        "id,drive,deck_material,tier,start,kept,mulch_kit,recall,dirty,faults\n"
        "m1,Rear drive,Aluminum,Mid,?,unknown,Yes,OK,Slight,Starter noise (Serious)\n"
    )
    (machine,) = machines_in("a.csv", text.encode())
    assert (machine.drive, machine.deck_material, machine.tier) == ("rear_variable", "aluminium", "mid")
    assert (machine.start, machine.kept, machine.mulch_kit) == (None, None, True)
    assert [str(each) for each in machine.faults] == ["starter_noise:serious", "dirty:slight"]
    assert machine.checks == {"recall": "passed"}


@pytest.mark.parametrize(
    "faults",
    [
        '["dirty:slight", "no_start:serious"]',
        '{"dirty": "slight", "no_start": "serious"}',
        '[{"fault": "dirty", "severity": "slight"}, {"id": "no_start", "severity": "Serious"}]',
        '[{"dirty": "slight"}, {"no_start": "serious"}]',
        '[["dirty", "slight"], ["no_start", "serious"]]',
        '"dirty:slight; no_start:serious"',
        '["Dirty, grass packed = slight", "no_start (serious)"]',
    ],
)
def test_the_natural_ways_to_write_a_fault_in_json(faults: str) -> None:
    (machine,) = machines_in("a.json", f'[{{"id": "m1", "faults": {faults}}}]'.encode())
    assert sorted(map(str, machine.faults)) == ["dirty:slight", "no_start:serious"]


def test_a_word_that_may_mean_that_nobody_looked_passes_no_check() -> None:
    for word in ("no", "done?", "maybe"):
        assert refusal("a.csv", f"id,recall\nm1,{word}\n")


def test_what_stands_in_two_places_is_refused() -> None:
    text = "id,blade_stop_s,readings\nm1,2.1,blade_stop_s:2.9\n"
    assert refusal("a.csv", text) == ["a.csv, row 2: blade_stop_s stands twice; keep one of them"]


def test_a_workbook_is_read_as_its_first_sheet(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    pytest.importorskip("python_calamine")
    book = openpyxl.Workbook()
    for row in (
        ["id", "age_years", "mulch_kit", "blade_stop_s"],
        ["m1", 6.5, True, "2.1 2.3"],
        ["m2", 7, None, 2],
    ):
        book.active.append(row)
    path = tmp_path / "bench.xlsx"
    book.save(path)
    first, second = read_machines(str(path))
    assert (first.age_years, first.mulch_kit, first.readings.blade_stop_s) == (6.5, True, (2.1, 2.3))
    assert (second.age_years, second.readings.blade_stop_s) == (7.0, (2.0,))
    (tmp_path / "broken.xlsx").write_bytes(b"PK\x03\x04" + bytes(200))
    with pytest.raises(BadFile, match="a workbook that cannot be read"):
        read_machines(str(tmp_path / "broken.xlsx"))


def test_half_a_utf_16_file_is_refused() -> None:
    data = "id\nm1\n".encode("utf-16") + b"x"
    assert refusal("a.csv", data)[0].endswith("is not UTF-16 text; save the file as UTF-8")


def test_every_bad_row_is_named_and_nothing_is_kept() -> None:
    text = "id,drive,age_years\nm1,push,3\nm2,pusch,4\nm3,push,many\nm1,push,-1\n"
    assert [line.split(":")[0] for line in refusal("a.csv", text)] == [
        "a.csv, row 3, drive",
        "a.csv, row 4, age_years",
        "a.csv, row 5, age_years",
    ]


def test_two_wrong_cells_of_one_row_are_both_named() -> None:
    lines = refusal("a.csv", "id,drive,age_years\nm1,pusch,many\n")
    assert [line.split(":")[0] for line in lines] == ["a.csv, row 2, age_years", "a.csv, row 2, drive"]


def test_a_long_list_of_problems_is_cut_and_counted() -> None:
    lines = refusal("a.csv", "id,age_years\n" + "".join(f"m{i},old\n" for i in range(30)))
    assert len(lines) == 21
    assert lines[-1] == "a.csv: and 10 more"
    endless = refusal("a.csv", "id,age_years\n" + "".join(f"m{i},old\n" for i in range(5000)))
    assert endless[-1] == "a.csv: and at least 20 more"


def test_a_file_of_50_mb_is_refused_unread(tmp_path: Path) -> None:
    large = tmp_path / "large.csv"
    with large.open("wb") as file:
        file.truncate(50_000_000)
    with pytest.raises(BadFile, match=rf"^large.csv: more than {LIMIT_MB} MB; split the file$"):
        read_machines(str(large))


def test_a_pipe_without_end_is_refused() -> None:
    with pytest.raises(BadFile, match=f"^zero: more than {LIMIT_MB} MB; split the file$"):
        read_machines("/dev/zero")


def test_a_file_that_cannot_be_opened(tmp_path: Path) -> None:
    with pytest.raises(
        BadFile, match=r"^none\.csv: no such file; give a machine file, or - for standard input$"
    ):
        read_machines(str(tmp_path / "none.csv"))
    (tmp_path / "machines").mkdir()
    with pytest.raises(BadFile, match=r"^machines: cannot be read \(is a directory\); give a machine file$"):
        read_machines(str(tmp_path / "machines"))


def test_a_note_that_looks_like_a_formula_stays_text() -> None:
    (machine,) = machines_in("a.csv", b'id,note\nm1,"=HYPERLINK(""x"")"\n')
    assert machine.note == '=HYPERLINK("x")'


@given(st.binary(max_size=300), st.sampled_from(["a.csv", "a.json", "standard input"]))
def test_any_bytes_are_machines_or_a_refusal(data: bytes, name: str) -> None:
    try:
        machines_in(name, data)
    except BadFile as refused:
        assert str(refused).startswith(name)


CELLS = st.text(max_size=12) | st.sampled_from(
    ["m1", "push", "6", "-1", "nan", "=1", "x:y", "blade_dull:slight"]
)


@given(st.lists(st.tuples(CELLS, CELLS, CELLS), max_size=4))
def test_any_cells_are_machines_or_a_refusal_by_row(rows: list[tuple[str, str, str]]) -> None:
    text = io.StringIO()
    csv.writer(text).writerows([("id", "age_years", "faults"), *rows])
    try:
        machines_in("a.csv", text.getvalue().encode("utf-8", "replace"))
    except BadFile as refused:
        assert all(line.startswith("a.csv") and line.isprintable() for line in str(refused).split("\n"))


def test_two_names_of_one_thing_are_refused_in_json_too() -> None:
    line = refusal("a.json", '[{"id": "m1", "age_years": 6, "Age Years": 7}]')
    assert line == ["a.json, machine 1: 'Age Years' is age_years, which stands there too; keep one of them"]


def test_where_cells_are_parted_by_semicolons_a_point_may_part_thousands() -> None:
    """1.265 of a program that writes commas is one thousand or a decimal: it is asked, not guessed."""
    assert figure("new_price", "1.265") == 1.265
    with pytest.raises(Unreadable, match=r"may be 1\.265 or 1265"):
        figure("new_price", "1.265", point=False)
    told = tidy({"engine_rpm": "2.865"})
    assert told == {"readings": {"engine_rpm": 2.865}}, "a program that writes JSON writes points"


def test_a_check_that_is_true_is_passed_and_one_that_is_not_stays_to_be_asked_about() -> None:
    assert tidy({"checks": {"recall": True}}) == {"checks": {"recall": "passed"}}
    assert tidy({"checks": {"recall": False}}) == {"checks": {"recall": False}}


def test_what_is_no_table_of_readings_is_left_for_the_record_to_refuse() -> None:
    assert tidy({"readings": [1]}) == {"readings": [1]}
    (line,) = refusal("a.json", json.dumps([{"id": "m1", "readings": [1]}]))
    assert "readings" in line


@pytest.mark.parametrize(("day", "kept"), [(date(2199, 12, 31), True), (date(2200, 1, 1), False)])
def test_a_day_beyond_the_calendar_is_refused_in_either_form(day: date, *, kept: bool) -> None:
    for given_as in (day, day.isoformat()):
        if kept:
            assert parse_day(given_as) == day
        else:
            with pytest.raises(ValueError, match="1970 to 2199"):
                parse_day(given_as)
