"""Broken files of every kind that reaches a bench: made here, so that none has to be kept as binary."""

from __future__ import annotations

from dataclasses import dataclass

SALES_HEADER = (
    "drive,deck_material,engine_class,start,tier,looks,kept,blade_clutch,mulch_kit,high_wheels,"
    "age_years,deck_width_in,new_price,month,faults,price"
)
SALES_ROW = "push,steel,small_ohv,rope,budget,clean,inside,no,yes,,4.5,21,265,5,dirty:slight,60"


@dataclass(frozen=True)
class Table:
    """A good CSV file of one kind: the header, one row, a column of numbers in it, and the same as JSON."""

    header: str
    row: str
    number: str
    json: str | None

    @property
    def text(self) -> str:
        """The whole file."""
        return f"{self.header}\n{self.row}\n"

    def with_cell(self, cell: str) -> str:
        """The file with another cell in the column of numbers."""
        at = self.header.split(",").index(self.number)
        cells = self.row.split(",")
        return f"{self.header}\n{','.join([*cells[:at], cell, *cells[at + 1 :]])}\n"


TABLES = {
    "machines": Table("id,tier,age_years,note", "m1,mid,6,dry", "age_years", '[{"id": "m1", "age_years": 6}]'),
    "records": Table(
        "id,tier,age_years,taken_on,sold_on,price", "m1,mid,6,2026-05-01,2026-05-20,140", "price",
        '{"machines": [{"machine": {"id": "m1", "age_years": 6}, "taken_on": "2026-05-01"}]}',
    ),
    "sales": Table(SALES_HEADER, SALES_ROW, "price", None),
}  # fmt: skip


@dataclass(frozen=True)
class Broken:
    """Bytes of a broken file, the ending of its name, and where the refusal must point, as a pattern."""

    data: bytes
    ending: str = ".csv"
    place: str = ""


def csv_cases(table: Table) -> dict[str, Broken]:
    """Every way in which a CSV file comes broken; `{number}` stands for the column of numbers."""
    text, header, row, at = table.text, table.header, table.row, table.number
    cell = rf"row 2, (column )?{at}"
    return {
        "empty": Broken(b""),
        "a byte order mark alone": Broken(b"\xef\xbb\xbf"),
        "blank lines": Broken(b" \n\n\t\n"),
        "the header alone": Broken(f"{header}\n".encode()),
        "latin-1": Broken(table.with_cell("sixi\xe8me").encode("latin-1"), place=r"row 2|UTF-8"),
        "utf-16 cut": Broken(text.encode("utf-16")[:-1]),
        "utf-16 without its mark": Broken(text.encode("utf-16-le")),
        "zero bytes": Broken(text.replace(row, f"{row}\0").encode()),
        "a picture": Broken(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(range(256))),
        "a workbook": Broken(b"PK\x03\x04\x14\0\x06\0" + bytes(range(256)) * 4),
        "an open quote": Broken(f'{header}\n"{row}\n'.encode()),
        "a short row": Broken(f"{header}\n{row.rpartition(',')[0]}\n".encode(), place="row 2"),
        "a long row": Broken(f"{header}\n{row},1\n".encode(), place="row 2"),
        "a doubled column": Broken(f"{header},{at}\n{row},6\n".encode(), place=at),
        "an unnamed number": Broken(table.with_cell("six").encode(), place=cell),
        "not a number": Broken(table.with_cell("nan").encode(), place=cell),
        "infinity": Broken(table.with_cell("inf").encode(), place=cell),
        "a number too large": Broken(table.with_cell("1e999").encode(), place=cell),
        "a number far too large": Broken(table.with_cell("9" * 6000).encode(), place=cell),
        "digits of another script": Broken(table.with_cell("٦٧").encode(), place=cell),
        "a formula": Broken(table.with_cell("=6+0").encode(), place=cell),
        "a huge field": Broken(table.with_cell("x" * 200_000).encode(), place="row 2"),
        "many columns": Broken((",".join(f"c{n}" for n in range(20_000)) + "\n").encode()),
        "colons": Broken(text.replace(",", ":").encode()),
        "semicolons with a bad number": Broken(table.with_cell("six").replace(",", ";").encode()),
        "old line ends alone": Broken(text.replace("\n", "\r").replace(row, f"{row},1").encode()),
        "a terminal's control codes": Broken(table.with_cell("\x1b[2J\x07").encode(), place=cell),
        "JSON in a file called CSV": Broken((table.json or '[{"price": 60}]').encode()),
        "a web page": Broken(b"<!doctype html>\n<html><body>not found</body></html>\n"),
    }  # fmt: skip


def json_cases(table: Table) -> dict[str, Broken]:
    """Every way in which a JSON file comes broken."""
    good = table.json or ""
    ways: dict[str, str] = {
        "a bracket too few": good[:-1],
        "two values": good * 2,
        "deep lists": "[" * 100_000,
        "deep objects": '{"machines":' * 100_000,
        "deep inside a machine": good.replace("6", "[" * 900 + "]" * 900),
        "NaN": good.replace("6", "NaN"),
        "-Infinity": good.replace("6", "-Infinity"),
        "a number without end": good.replace("6", "9" * 6000),
        "a name twice": good.replace('"age_years": 6', '"age_years": 6, "age_years": 7'),
        "a word as a number": good.replace("6", '"six"'),
        "true as a number": good.replace("6", "true"),
        "a list as a number": good.replace("6", "[6]"),
        "half a surrogate pair": good.replace('"m1"', '"\\ud800"'),
        "a number for a name": good.replace('"m1"', "1"),
        "null": "null", "a number": "3", "text": '"machines"', "a list of null": "[null]",
        "machines that are none": '{"machines": {"id": "m1"}}',
        "CSV in a file called JSON": table.text,
        "single quotes": good.replace('"', "'"),
        "remarks": f"// mine\n{good}",
    }  # fmt: skip
    odd = {"latin-1": good.replace("m1", "m\xe9").encode("latin-1"), "zero bytes": good.encode() + b"\0"}
    return {name: Broken(text.encode("utf-8", "surrogatepass"), ".json") for name, text in ways.items()} | {
        name: Broken(data, ".json") for name, data in odd.items()
    }


def cell_cases() -> dict[str, Broken]:
    """JSON inside a cell, as the records have it, broken in its own ways."""
    cells = {
        "deep lists in a cell": "[" * 100_000,
        "deep objects in a cell": '[{"a":' * 10_000,
        "NaN in a cell": '[{"fix": "needle_seat", "parts": NaN}]',
        "a name twice in a cell": '[{"fix": 1, "fix": 2}]',
        "a number without end in a cell": "9" * 6000,
        "no list in a cell": '{"fix": "needle_seat"}',
        "half of it in a cell": '[{"fix": "needle_',
    }
    return {
        name: Broken(f'id,taken_on,fixes\nm1,2026-05-01,"{quoted}"\n'.encode(), place="row 2, fixes")
        for name, cell in cells.items()
        for quoted in [cell.replace('"', '""')]
    }


def cases(kind: str) -> dict[str, Broken]:
    """The whole corpus for `machines`, `records` or `sales`, by a name that says what is wrong."""
    table = TABLES[kind]
    found = csv_cases(table) | ({f"JSON: {n}": b for n, b in json_cases(table).items()} if table.json else {})
    return found | cell_cases() if kind == "records" else found
