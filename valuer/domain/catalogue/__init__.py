"""Reading the packaged tables, and saying which file and key is wrong when one is.

Every table carries a ``mark`` beside its figures: a source, ``common practice, no source`` or
``from memory``.

Each file stands a second time in ``parsed``, as JSON, which is read ten times as fast: a copy is believed while it
is that of the very text. ``python -m tests.domain.parsed`` writes the copies anew.
"""

import json
from importlib.resources import files
from typing import Annotated, Any, TypeVar
from zlib import crc32

from pydantic import AfterValidator, BeforeValidator, StringConstraints, TypeAdapter, ValidationError

from valuer.domain.record import Several, wrong

T = TypeVar("T")

FOLDER = files(__name__)

Mark = Annotated[str, StringConstraints(min_length=8)]
"""Where a figure comes from; never empty."""


def _ordered(pair: tuple[float, ...]) -> tuple[float, ...]:
    if len(pair) != len(("low", "high")):
        raise wrong("range", f"expected two numbers [low, high], got {len(pair)}")
    low, high = pair
    if low > high:
        raise wrong("range", f"expected low <= high, got {low:g} and {high:g}")
    return pair


Span = Annotated[Several[float], AfterValidator(_ordered)]
"""A low and a high figure, written ``[low, high]``."""


class CatalogueError(ValueError):
    """A packaged table does not say what it must; the message names file and key."""


def read_catalogue(text: str, file: str, schema: type[T]) -> T:
    """Return the records of one TOML text.

    ``file`` is the name used in errors. Raises CatalogueError with every fault found, one a line.
    """
    return _checked(_parsed(text, file), file, schema)


def load_catalogue(file: str, schema: type[T]) -> T:
    """Return the records of a table packaged beside this module, for instance ``faults.toml``."""
    return _checked(_tables(file), f"catalogue/{file}", schema)


def _tables(file: str) -> dict[str, Any]:
    """The tables of a packaged file: those of its parsed copy while that is one."""
    text = FOLDER.joinpath(file).read_text("utf-8")
    try:
        copy = json.loads(FOLDER.joinpath(copy_of(file)).read_text("utf-8"))
    except (OSError, ValueError):
        copy = {}
    return copy["tables"] if copy.get("of") == check_sum(text) else _parsed(text, f"catalogue/{file}")


def copy_of(file: str) -> str:
    """Where the parsed copy of a file stands, beside this module."""
    return f"parsed/{file}.json"


def check_sum(text: str) -> int:
    """Tells a text from any that a slip would make of it."""
    return crc32(text.encode())


def _parsed(text: str, file: str) -> dict[str, Any]:
    import tomllib  # noqa: PLC0415 - only where a copy is not that of the text

    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CatalogueError(f"{file}: not valid TOML: {error}") from None


def _checked(data: dict[str, Any], file: str, schema: type[T]) -> T:
    try:
        return TypeAdapter(schema).validate_python(data)
    except ValidationError as error:
        lines = (f"{file}: {_key(line['loc'])}: {line['msg']}" for line in error.errors(include_url=False))
        raise CatalogueError("\n".join(lines)) from None


def _key(where: tuple[int | str, ...]) -> str:
    return ".".join(str(part) for part in where) or "(whole file)"


def named(tables: object) -> object:
    """Write each table's own name into it as ``id``, so that a record knows its name."""
    if not isinstance(tables, dict):
        return tables
    return {key: {**value, "id": key} if isinstance(value, dict) else value for key, value in tables.items()}


def by_id(record: type[T]) -> type[dict[str, T]]:
    """Return the schema of a file whose tables are records of one kind, each named by its id."""
    tables: Any = Annotated[dict[str, record], BeforeValidator(named)]  # type: ignore[valid-type]
    schema: type[dict[str, T]] = tables
    return schema
