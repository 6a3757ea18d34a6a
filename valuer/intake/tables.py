"""Tables as programs and people write them: how cells are parted, what columns are called, words in other spellings."""

import csv
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import datetime, time
from functools import cache
from typing import Any, get_args

from valuer.domain.faults import fault_catalogue
from valuer.domain.gates import gate_catalogue
from valuer.domain.machine import Machine
from valuer.domain.readings import Readings

COMMA = ","
DELIMITERS = (COMMA, ";", "\t", "|")
EMPTY = frozenset({"?", "??", "-", "\u2013", "n/a", "na", "unknown", "not known", "don't know", "none given"})
"""What stands in a cell that is not known; in a note or a name it stands for itself."""

PASSED = frozenset({"yes", "y", "ok", "okay", "passed", "pass", "good", "true", "x", "\u2713"})
FAILED = frozenset({"failed", "fail", "bad", "not ok", "not passed"})
ALSO = {
    "name": "id", "machine": "id", "machine id": "id", "age": "age_years", "years": "age_years",
    "width": "deck_width_in", "deck width": "deck_width_in", "price new": "new_price", "remarks": "note",
    "remark": "note", "notes": "note", "material": "deck_material", "engine": "engine_class",
    "serial number": "serial", "blade stop": "blade_stop_s", "compression": "compression_psi",
}  # fmt: skip
"""Other names of columns, each for one thing only."""

SEP = re.compile(r"^\s*\"?sep=(.)\"?\s*$", re.IGNORECASE)
FINDING = re.compile(
    r"^(?P<fault>[^:=(]+?)\s*(?:[:=(]|\s-\s|\s)\s*(?P<severity>slight|serious)\)?$", re.IGNORECASE
)
AS_IS = frozenset({"id", "note", "called", "maker", "model", "serial"})
"""Columns of free text."""


def delimiter_of(text: str, known: Collection[str]) -> str:
    r"""What parts the cells: the sign under which most names of the header are known; a comma where none is.

    >>> delimiter_of("id;age_years\nm1;6,5\n", ("id", "age_years"))
    ';'
    """
    for line in text[:20_000].splitlines():
        told = SEP.match(line)
        if told:
            return told[1]
        if line.strip() and not line.lstrip().lstrip('"').startswith("#"):
            return max(DELIMITERS, key=lambda sign: _known_in(line, sign, known))
    return COMMA


def _known_in(line: str, sign: str, known: Collection[str]) -> int:
    try:
        cells = next(csv.reader([line], delimiter=sign), [])
    except csv.Error:
        return 0
    return sum(column_name(cell, known) in known or column_name(cell, known) in beside() for cell in cells)


@cache
def beside() -> dict[str, str]:
    """Columns of their own for what stands inside another one: the part of a machine by the column's name."""
    return {
        **dict.fromkeys(fault_catalogue(), "faults"),
        **dict.fromkeys(gate_catalogue(), "checks"),
        **dict.fromkeys(Readings.model_fields, "readings"),
    }


def column_name(cell: str, known: Collection[str]) -> str:
    """The name of a column as the catalogue has it, or as it stands where it is none of its own."""
    as_it_stands = cell.strip().lstrip("\ufeff")
    if as_it_stands in known or as_it_stands in beside():
        return as_it_stands
    plain = re.sub(r"[\s-]+", "_", as_it_stands.lower())
    if plain in known or plain in beside():
        return plain
    other = ALSO.get(re.sub(r"[\s_-]+", " ", as_it_stands.lower()))
    return other if other and (other in known or other in beside()) else as_it_stands


def word_in(column: str, cell: str) -> str:
    """The catalogue's word for what a cell says of an attribute: `Mid`, `aluminum`, `Rear drive`; else the cell.

    >>> word_in("deck_material", "Aluminum"), word_in("drive", "rear drive"), word_in("drive", "front drive")
    ('aluminium', 'rear_variable', 'front drive')
    """
    allowed = _allowed(column)
    plain = re.sub(r"[\s-]+", "_", cell.strip().lower())
    if plain in allowed:
        return plain
    from valuer.intake.vocabulary import vocabulary  # noqa: PLC0415 - a table in the catalogue's words does without

    said = " ".join(cell.lower().replace("-", " ").split())
    values = [value for value, texts in vocabulary().attributes.get(column, {}).items() if said in texts]
    if not values and column == "deck_material":
        values = [name for name, words in vocabulary().same.items() if said in words and name in allowed]
    return values[0] if len(values) == 1 and values[0] in allowed else cell


@cache
def _allowed(column: str) -> frozenset[str]:
    holder = Machine if column in Machine.model_fields else Readings
    field = holder.model_fields.get(column)
    parts = get_args(field.annotation) if field else ()
    return frozenset(word for part in parts for word in (*get_args(part), part) if isinstance(word, str))


def check_word(cell: str) -> str:
    """`passed` or `failed` for what a cell says of a check; else the cell. A plain `no` may mean that nobody looked."""
    plain = cell.strip().lower()
    return "passed" if plain in PASSED else "failed" if plain in FAILED else plain


def finding_text(text: str) -> str:
    """A fault as ``fault:severity`` however the two are parted; what is none stays for the record to refuse.

    >>> finding_text("Starter noise (Serious)"), finding_text("starter_noise = slight"), finding_text("leaks")
    ('starter_noise:serious', 'starter_noise:slight', 'leaks')
    """
    found = FINDING.match(text.strip())
    if not found:
        return text.strip()
    name = re.sub(r"[\s-]+", "_", found["fault"].strip().lower())
    named = next(
        (fault.id for fault in fault_catalogue().values() if fault.name.lower() == found["fault"].lower()), ""
    )
    return f"{named or name}:{found['severity'].lower()}"


def findings_text(value: Any) -> Any:
    """The faults of a JSON machine as a list of texts, whichever of the natural ways they came in."""
    if isinstance(value, str):
        return [finding_text(part) for part in re.split(r"[;,|\n]", value) if part.strip()]
    if isinstance(value, Mapping):
        return [_pair(fault, severity) for fault, severity in value.items()]
    if isinstance(value, list):
        return list(_listed(value))
    return value


def _listed(value: Iterable[Any]) -> Iterator[Any]:
    for each in value:
        if isinstance(each, str):
            yield finding_text(each)
        elif isinstance(each, Mapping) and set(each) in (
            {"fault", "severity"},
            {"id", "severity"},
            {"name", "severity"},
        ):
            yield _pair(each.get("fault", each.get("id", each.get("name"))), each["severity"])
        elif isinstance(each, Mapping) and len(each) == 1:
            yield from (_pair(fault, severity) for fault, severity in each.items())
        elif isinstance(each, list) and len(each) == len(("fault", "severity")):
            yield _pair(*each)
        else:
            yield each


def _pair(fault: Any, severity: Any) -> Any:
    both = isinstance(fault, str) and isinstance(severity, str)
    return finding_text(f"{fault}:{severity}") if both else {str(fault): severity}


BYTE_ORDER_MARKS = {b"\xef\xbb\xbf": "utf-8-sig", b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}
WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""How workbooks begin, new ones and old ones."""


def older_text(data: bytes) -> str | None:
    """A table in Windows' Latin letters; None where the bytes are plainly something else."""
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError:
        return None
    return text if all(c.isprintable() or c in "\r\n\t\f" for c in text) else None


def workbook_rows(data: bytes) -> list[list[str]]:
    """The rows of the first sheet of a workbook as text; raises ValueError in one line.

    Reads .xlsx, .xls and .ods with python-calamine, the extra ``spreadsheets``.
    """
    try:
        from python_calamine import CalamineError, load_workbook  # noqa: PLC0415 - an extra
    except ImportError:
        raise ValueError("a workbook; pip install 'valuer[spreadsheets]', or save it as CSV") from None
    from io import BytesIO  # noqa: PLC0415 - only here

    try:
        sheet = load_workbook(BytesIO(data)).get_sheet_by_index(0)
        return [[_cell(value) for value in row] for row in sheet.to_python()]
    except (CalamineError, OSError, ValueError, IndexError) as error:
        raise ValueError(f"a workbook that cannot be read ({str(error)[:80]}); save it as CSV") from None


def _cell(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat()
    if isinstance(value, float):
        return f"{value:.0f}" if value.is_integer() else repr(value)
    return str(value)
