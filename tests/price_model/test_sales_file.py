"""A file of sales is read whole or refused with all that is wrong in one line, on demand each cell in a line."""

from pathlib import Path

import pytest

from valuer.price_model.design import TableError
from valuer.price_model.sales_file import read_bytes, read_sales_text
from valuer.price_model.training import invented_sales

HEADER = (
    "drive,deck_material,engine_class,start,tier,looks,kept,blade_clutch,mulch_kit,high_wheels,"
    "age_years,deck_width_in,new_price,month,faults,price"
)
GOOD = "push,steel,small_ohv,rope,budget,clean,inside,no,yes,,4.5,21,265,5,dirty:slight;no_start:serious,60"


def refusal(folder: Path, *rows: str, header: str = HEADER) -> list[str]:
    """The lines in which a file of these rows is refused, each thing in its own; all of it takes one."""
    path = folder / "mine.csv"
    path.write_text("\n".join([header, *rows]) + "\n", "utf-8")
    with pytest.raises(TableError) as refused:
        read_sales_text(path.read_bytes(), path.name)
    assert "\n" not in str(refused.value)
    with pytest.raises(TableError) as each:
        read_sales_text(path.read_bytes(), path.name, full=True)
    return str(each.value).splitlines()


def in_one_line(folder: Path, *rows: str, header: str = HEADER) -> str:
    """The line in which a file of these rows is refused."""
    path = folder / "mine.csv"
    path.write_text("\n".join([header, *rows]) + "\n", "utf-8")
    with pytest.raises(TableError) as refused:
        read_sales_text(path.read_bytes(), path.name)
    return str(refused.value)


def test_a_good_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    path.write_text(f"{HEADER},note\n{GOOD},mine\n,,,,,,,,,,,,,12,,250,\n", "utf-8")
    table = read_sales_text(read_bytes(path), path.name)
    first, second = table.to_dict("records")
    assert (first["drive"], first["blade_clutch"], first["mulch_kit"]) == ("push", False, True)
    assert (first["age_years"], first["month"], first["price"]) == (4.5, 5, 60)
    assert first["faults"] == "dirty:slight;no_start:serious"
    assert table.drop(columns=["faults", "month", "price"]).iloc[1].isna().all(), "empty is unknown"
    assert second["faults"] == ""


def test_a_byte_order_mark_and_spaces_are_no_matter(tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    path.write_bytes(b"\xef\xbb\xbf" + f"{HEADER}\n{GOOD.replace('push,', ' push ,')}\n".encode())
    assert read_sales_text(path.read_bytes(), path.name)["drive"].tolist() == ["push"]


def test_the_shipped_sales_are_read_as_they_are() -> None:
    table = read_sales_text(invented_sales(), "sales")
    assert len(table) == 100_000
    assert table["price"].min() >= 5


def test_every_bad_cell_is_named_with_row_and_column(tmp_path: Path) -> None:
    """Rows as a spreadsheet counts them: the header is row 1."""
    bad = (
        GOOD.replace("push", "puhs"),
        GOOD.replace("4.5", "old"),
        GOOD.replace(",no,yes,", ",maybe,yes,"),
        GOOD.replace(",265,5,", ",265,13,"),
        GOOD.replace("dirty:slight", "drity:slight"),
        GOOD.replace("no_start:serious", "no_start:bad"),
        GOOD.removesuffix("60") + "-5",
        GOOD.removesuffix("60"),
    )
    lines = refusal(tmp_path, GOOD, *bad)
    assert all(line.startswith("mine.csv: row ") for line in lines)
    wanted = {
        "row 3, column drive: expected push, front_one_speed,": "got 'puhs'; did you mean 'push'?",
        "row 4, column age_years: expected a number or nothing": "got 'old'",
        "row 5, column blade_clutch: expected yes, true, no, false or nothing": "got 'maybe'",
        "row 6, column month: expected 1 to 12": "got 13",
        "row 7, column faults": "drity",
        "row 8, column faults": "bad",
        "row 9, column price: expected 0.01 to 1e+07": "got -5",
        "row 10, column price: expected 0.01 to 1e+07": "got nothing",
    }
    for start, end in wanted.items():
        (line,) = [line for line in lines if line.startswith(f"mine.csv: {start}")]
        assert end in line
    assert len(lines) == len(wanted), "and no other row"


@pytest.mark.parametrize("word", ["inf", "-inf", "nan", "1e400"])
def test_what_is_no_plain_number_is_refused(tmp_path: Path, word: str) -> None:
    (line,) = refusal(tmp_path, GOOD.replace("4.5", word))
    assert line.startswith("mine.csv: row 2, column age_years: expected ")


@pytest.mark.parametrize(
    ("old", "new", "column"),
    [("4.5", "41", "age_years"), (",21,", ",17,", "deck_width_in"), (",265,", ",0,", "new_price")],
)
def test_absurd_numbers_are_refused(tmp_path: Path, old: str, new: str, column: str) -> None:
    # The same limits as on a machine file: age to 40 years, decks of 18 to 33 in.
    (line,) = refusal(tmp_path, GOOD.replace(old, new))
    assert f"row 2, column {column}: expected " in line


def test_a_fault_twice_on_one_sale_is_refused(tmp_path: Path) -> None:
    (line,) = refusal(tmp_path, GOOD, GOOD.replace("dirty:slight", "no_start:slight"))
    assert line == "mine.csv: row 3, column faults: a fault may stand once on a machine, got no_start twice"


def test_all_that_is_wrong_stands_in_one_line_the_first_row_of_each_sort(tmp_path: Path) -> None:
    """Words, a number, a fault the machine cannot have, cells too many, a column twice and one missing."""
    rows = [
        GOOD.replace("push", "puhs"),
        GOOD.replace("4.5", "400"),
        GOOD.replace("push", "pull"),
        GOOD.replace("dirty:slight", "drive_none:serious"),
        f"{GOOD},1,2",
        GOOD.replace("push", "puhs"),
    ]
    line = in_one_line(
        tmp_path, *(f"{row},mine" for row in rows), header=HEADER.replace("kept", "looks") + ",note"
    )
    start, rest = line.split(": ", 1)[0], line.split(": ", 1)[1]
    assert start == "mine.csv"
    assert rest.startswith(
        "8 things wrong: expected each column once, got twice: looks; missing columns: kept; "
    )
    assert "row 6: expected 17 cells as in the header, got 19; " in rest
    assert "row 2, column drive: expected push, " in rest
    assert "got 'puhs'; did you mean 'push'? (so in rows 4, 7); " in rest
    assert "row 3, column age_years: expected 0 to 40, got 400; " in rest
    assert "row 5, column faults: drive_none cannot be on a machine with drive push; correct one; " in rest
    assert rest.endswith("`valuer train --full` tells each")


def test_many_bad_rows_are_counted(tmp_path: Path) -> None:
    line = in_one_line(tmp_path, *[GOOD.replace("push", "puhs")] * 50)
    assert line.startswith("mine.csv: 50 things wrong: row 2, column drive: ")
    assert "(so in rows 3, 4, 5, 6, 7 and 44 more)" in line
    assert len(refusal(tmp_path, *[GOOD.replace("push", "puhs")] * 50)) == 50


def test_hundreds_of_other_words_in_a_column_are_one_sort(tmp_path: Path) -> None:
    line = in_one_line(tmp_path, *[GOOD.replace("budget", f"kind {n}") for n in range(300)])
    assert "300 things wrong: row 2, column tier: expected budget, " in line
    assert len(line) < 500


def test_missing_columns_are_named_and_the_others_are_checked(tmp_path: Path) -> None:
    header = HEADER.replace("month,", "").replace(",price", "")
    cells = GOOD.replace(",5,dirty", ",dirty").removesuffix(",60").replace("push", "puhs")
    missing, word = refusal(tmp_path, cells, header=header)
    assert missing.startswith("mine.csv: missing columns: month, price; expected drive, ")
    assert word.startswith("mine.csv: row 2, column drive: ")


def test_a_doubled_column_is_refused(tmp_path: Path) -> None:
    (line,) = refusal(tmp_path, f"{GOOD},70", header=f"{HEADER},price")
    assert line == "mine.csv: expected each column once, got twice: price"


def test_columns_that_are_not_used_are_said(tmp_path: Path) -> None:
    """A misspelt optional column must not vanish in silence."""
    path = tmp_path / "mine.csv"
    path.write_text(f"{HEADER},colour,testet\n{GOOD},red,0.5\n", "utf-8")
    said: list[str] = []
    read_sales_text(path.read_bytes(), path.name, said.append)
    assert said[0] == "mine.csv: not used: columns colour, testet"


def test_a_file_of_which_no_row_is_whole_is_refused(tmp_path: Path) -> None:
    assert refusal(tmp_path, "push", "push,steel")[1].endswith(
        "row 3: expected 16 cells as in the header, got 2"
    )


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "expected a CSV file in UTF-8 with a header: "),
        (HEADER.encode() + b"\n", "expected at least one sale, got a header only"),
        (
            f"{HEADER}\n{GOOD}\n".encode() + b"caf\x81,\n",
            "row 3: expected a CSV file in UTF-8 with a header: a byte that is not UTF-8",
        ),
        (
            f"\n{HEADER}\n{GOOD}\n".encode() + b"caf\x81,\n",
            "row 4: expected a CSV file in UTF-8 with a header: a byte that is not UTF-8",
        ),
        (
            f"{HEADER}\n{GOOD},1,2,3\n{GOOD}\n{GOOD},9,9,9,9,9\n".encode(),
            "2 things wrong: row 2: expected 16 cells as in the header, got 19 (so in row 4)",
        ),
    ],
    ids=["empty", "header only", "mixed encodings", "the same below a blank line", "ragged"],
)
def test_a_file_that_is_no_table_is_refused_in_one_line(tmp_path: Path, data: bytes, message: str) -> None:
    path = tmp_path / "mine.csv"
    path.write_bytes(data)
    with pytest.raises(TableError) as refused:
        read_sales_text(path.read_bytes(), path.name)
    assert str(refused.value).startswith(f"mine.csv: {message}")
    assert "\n" not in str(refused.value)


def test_a_row_with_a_cell_too_many_is_refused(tmp_path: Path) -> None:
    """Shifted by one, every cell would be read as another column's."""
    lines = refusal(tmp_path, f"{GOOD},1", GOOD, f"{GOOD},1")
    assert lines == [f"mine.csv: row {row}: expected 16 cells as in the header, got 17" for row in (2, 4)]


def test_a_row_cut_short_is_refused(tmp_path: Path) -> None:
    (line,) = refusal(tmp_path, GOOD, "push,steel,small_ohv")
    assert line == "mine.csv: row 3: expected 16 cells as in the header, got 3"


def test_a_row_without_its_last_cell_is_not_taken_for_one_with_an_unknown(tmp_path: Path) -> None:
    """A row that lost a cell in the middle is as long as one that lost the last."""
    (line,) = refusal(tmp_path, GOOD, header=f"{HEADER},note")
    assert line == "mine.csv: row 2: expected 17 cells as in the header, got 16"


def test_rows_are_counted_by_lines_past_blank_ones_and_quoted_line_ends(tmp_path: Path) -> None:
    """As in machine files: header 1, blank 2, a note over 3 and 4, and 5 is bad."""
    rows = "", f'{GOOD},"first\nsecond"', f"{GOOD.replace('4.5', 'old')},x"
    (line,) = refusal(tmp_path, *rows, header=f"{HEADER},note")
    assert line == "mine.csv: row 5, column age_years: expected a number or nothing, got 'old'"


def test_utf_16_as_a_spreadsheet_program_writes_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    path.write_bytes(f"{HEADER}\r\n{GOOD}\r\n".encode("utf-16"))
    assert read_sales_text(path.read_bytes(), path.name)["drive"].tolist() == ["push"]


def test_a_huge_cell_does_not_fill_the_screen(tmp_path: Path) -> None:
    """What came is shown in 300 characters at most, whichever column it stands in."""
    for cell in ("push", "4.5", "dirty:slight"):
        (line,) = refusal(tmp_path, GOOD.replace(cell, "x" * 100_000))
        assert len(line) <= 300


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"none\.csv: cannot be read: No such file or directory"):
        read_bytes(tmp_path / "none.csv")


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="cannot be read: Is a directory"):
        read_bytes(tmp_path)


def test_a_fault_that_the_machine_cannot_have_is_named_by_row(tmp_path: Path) -> None:
    lines = refusal(tmp_path, GOOD, GOOD.replace("dirty:slight", "drive_none:serious"))
    assert lines == [
        "mine.csv: row 3, column faults: drive_none cannot be on a machine with drive push; correct one"
    ]


SAID = [
    (
        "Drive;deck_material;engine_class;start;tier;looks;kept;blade_clutch;mulch_kit;high_wheels;Age;Deck width;"
        "new_price;month;faults;price"
    ),
    "Push;Aluminum;small_ohv;rope;Budget;rough;garage;no;Yes;?;4,5 years;53,34 cm;1 265,00;5;Dirty (slight);60,50",
    "rear drive;steel;mid-ohv;electric;mid;bright;outside;no;no;no;6;21;400;5;no_start = serious;95",
]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_a_table_is_read_as_the_other_doors_read_one(tmp_path: Path, encoding: str) -> None:
    """Semicolons, decimal commas, units, other spellings: the intake's reader; words taken for others are said."""
    path = tmp_path / "mine.csv"
    path.write_bytes("\n".join(SAID).encode(encoding))
    said: list[str] = []
    first, second = read_sales_text(path.read_bytes(), path.name, said.append).to_dict("records")
    assert (first["drive"], first["deck_material"], first["looks"]) == ("push", "aluminium", "scarred")
    assert (first["age_years"], first["new_price"], first["price"]) == (4.5, 1265.0, 60.5)
    assert first["deck_width_in"] == pytest.approx(21.0)
    assert (first["faults"], second["faults"]) == ("dirty:slight", "no_start:serious")
    assert first["high_wheels"] is None or first["high_wheels"] != first["high_wheels"]
    assert (second["drive"], second["engine_class"]) == ("rear_variable", "mid_ohv")
    assert "mine.csv: looks 'rough' is read as scarred, 1 time" in said
    assert not any("'Push'" in line or "'mid-ohv'" in line for line in said), (
        "another way to write it is no news"
    )


def test_words_taken_for_others_are_said_in_the_order_of_the_file(tmp_path: Path) -> None:
    """Read beside the file from its top, however often each stands in it."""
    path = tmp_path / "mine.csv"
    rows = [GOOD.replace("steel", word) for word in ("alloy", "aluminum", "aluminum")]
    path.write_text("\n".join([HEADER, *rows]), "utf-8")
    said: list[str] = []
    read_sales_text(path.read_bytes(), path.name, said.append)
    assert [line for line in said if "deck_material" in line] == [
        "mine.csv: deck_material 'alloy' is read as aluminium, 1 time",
        "mine.csv: deck_material 'aluminum' is read as aluminium, 2 times",
    ]


def test_a_figure_with_two_meanings_is_refused_with_both(tmp_path: Path) -> None:
    path = tmp_path / "mine.csv"
    path.write_text("\n".join([*SAID[:2], SAID[2].replace(";400;", ";1.265;")]), "utf-8")
    with pytest.raises(TableError) as refused:
        read_sales_text(path.read_bytes(), path.name)
    assert str(refused.value).startswith("mine.csv: row 3, column new_price: ")
    assert "1265" in str(refused.value).replace(",", "").replace(" ", "")


def test_a_workbook_of_sales_is_read(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    pytest.importorskip("python_calamine")
    book = openpyxl.Workbook()
    for row in (HEADER, GOOD):
        book.active.append(
            [float(cell) if cell.replace(".", "").isdigit() else cell for cell in row.split(",")]
        )
    book.save(tmp_path / "mine.xlsx")
    plain = tmp_path / "mine.csv"
    plain.write_text(f"{HEADER}\n{GOOD}\n", "utf-8")
    packed = tmp_path / "mine.xlsx"
    assert read_sales_text(packed.read_bytes(), packed.name).equals(
        read_sales_text(plain.read_bytes(), plain.name)
    )
    with pytest.raises(TableError, match=r"mine.xlsx: a workbook that cannot be read"):
        read_sales_text(b"PK\x03\x04" + bytes(200), packed.name)
