"""The base of every record: frozen, strict, and with errors that say what to do.

Strict means that nothing is guessed: ``"7"`` and ``true`` are not numbers, NaN and infinity are refused, and
a name nobody knows is an error with the nearest known name beside it.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Annotated, Any, Self, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    FailFast,
    Field,
    ValidationError,
    WrapValidator,
    model_validator,
)
from pydantic_core import ErrorDetails, InitErrorDetails, PydanticCustomError

from valuer.domain.bounds import MOST_LISTED, MOST_NAMES, MOST_WRONG
from valuer.domain.words import did_you_mean, one_of, shown

T = TypeVar("T")


def wrong(kind: str, message: str) -> PydanticCustomError:
    """Return a validation error whose message is taken as it stands."""
    return PydanticCustomError(kind, "{message}", {"message": message})


def _as_tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


def _until_enough(value: Any, handler: Callable[[Any], Any]) -> Any:
    """Read a list; where an entry is wrong, every wrong one up to the first few dozen, and none after them."""
    if not isinstance(value, list | tuple):
        return handler(value)
    if len(value) > MOST_LISTED:
        raise wrong("too_many", f"expected at most {MOST_LISTED:,} entries, got {len(value):,}")
    try:
        return handler(value)  # it stops at the first wrong entry
    except ValidationError as error:
        first = error
    found = _first_wrong(enumerate(value), lambda _, each: handler([each]))
    raise ValidationError.from_exception_data(first.title, found) if found else first


def _names_until_enough(value: Any, handler: Callable[[Any], Any]) -> Any:
    """The same for an object whose names are free."""
    if not isinstance(value, Mapping):
        return handler(value)
    if len(value) > MOST_LISTED:
        raise wrong("too_many", f"expected at most {MOST_LISTED:,} names, got {len(value):,}")
    read: dict[str, Any] = {}
    found = _first_wrong(value.items(), lambda name, each: read.update(handler({name: each})))
    if found:
        raise ValidationError.from_exception_data("names", found)
    return read


def _first_wrong(items: Iterable[tuple[Any, Any]], read: Callable[[Any, Any], Any]) -> list[InitErrorDetails]:
    """Read items one by one until MOST_WRONG errors are there; each error gets the place of its item."""
    found: list[InitErrorDetails] = []
    for place, each in items:
        if len(found) >= MOST_WRONG:
            break
        try:
            read(place, each)
        except ValidationError as error:
            lines = error.errors(include_url=False)
            found += [_again(line, (place, *line["loc"][1:])) for line in lines if line["loc"]]
    return found


def _again(line: ErrorDetails, loc: tuple[int | str, ...]) -> InitErrorDetails:
    """An error as it can be raised once more, with another place."""
    ctx = line.get("ctx", {})
    kind: Any = wrong(line["type"], line["msg"]) if "message" in ctx else line["type"]
    return InitErrorDetails(type=kind, loc=loc, input=line["input"], ctx=ctx)


class _AtFirst(FailFast):
    """Stop at the first wrong entry; with a hash, so that the list may be optional."""

    def __hash__(self) -> int:
        return hash(self.fail_fast)


Listed = Annotated[tuple[T, ...], BeforeValidator(_as_tuple)]
"""A tuple that JSON and TOML write as a list, of any length: for what is counted elsewhere."""

Several = Annotated[tuple[T, ...], _AtFirst(), BeforeValidator(_as_tuple), WrapValidator(_until_enough)]
"""The same with an end: a longer list is refused before anything is made of it, wrong entries soon."""

Named = Annotated[dict[str, T], WrapValidator(_names_until_enough)]
"""An object whose names are free, with an end as `Several` has one."""


def _without_zero(text: str) -> str:
    if "\0" in text:
        raise wrong("zero_character", f"a zero character cannot be kept, got {shown(text)}; leave it out")
    return text


Remark = Annotated[
    str,
    Field(max_length=500, json_schema_extra={"pattern": r"^[^\u0000]*$"}),
    AfterValidator(_without_zero),
]
"""Free text of the user's own, up to 500 characters: anything that a file and any database can hold."""


def _without_ends(text: object) -> object:
    return text.strip() if isinstance(text, str) else text


def _one_line(text: str) -> str:
    if text.isprintable():
        return text
    raise wrong("one_line", f"expected one line without control characters, got {shown(text)}; retype it")


Words = Annotated[
    str,
    BeforeValidator(_without_ends),
    Field(min_length=1, max_length=60, json_schema_extra={"pattern": r"^[^\u0000-\u001f\u007f]*$"}),
    AfterValidator(_one_line),
]
"""A few words in one line, up to 60 characters, as they stand on a plate or a label."""


def word_of(name: str, choices: Iterable[str]) -> BeforeValidator:
    """Return a validator that refuses a word outside ``choices`` and names the nearest one."""
    known = tuple(choices)

    def check(value: object) -> object:
        if value is None or value in known:
            return value
        raise wrong("unknown_word", one_of(name, value, known))

    return BeforeValidator(check)


_EXPECTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "string_type": "text",
    "tuple_type": "a list",
    "dict_type": "an object of names and values",
    "model_type": "an object of names and values",
    "model_attributes_type": "an object of names and values",
    "finite_number": "a finite number",
}
_BOUNDS: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "greater_than_equal": lambda bound: f"{bound['ge']:g} or more",
    "less_than_equal": lambda bound: f"{bound['le']:g} or less",
    "greater_than": lambda bound: f"above {bound['gt']:g}",
    "less_than": lambda bound: f"below {bound['lt']:g}",
    "string_too_short": lambda bound: f"at least {bound['min_length']} characters",
    "string_too_long": lambda bound: f"at most {bound['max_length']} characters",
    "too_short": lambda bound: f"a list of at least {bound['min_length']}",
    "too_long": lambda bound: f"a list of at most {bound['max_length']}",
}


def plain_message(error: Mapping[str, Any], names: Iterable[str] = ()) -> str:
    """Return one pydantic error as a line: what was expected, what came.

    ``error`` is an item of ``ValidationError.errors()``; ``names`` are the names that would have been known,
    used for a hint when the name itself is unknown.
    """
    if "message" in error.get("ctx", {}):
        return str(error["msg"])
    kind, where, came = error["type"], error["loc"], shown(error["input"])
    name = next((str(part) for part in reversed(where) if isinstance(part, str)), "this")
    if kind == "missing":
        return f"{name} is missing; it must be given"
    if kind == "extra_forbidden":
        return f"unknown name {shown(name)}{did_you_mean(name, names)}"
    if kind in _EXPECTED:
        return f"{name} must be {_EXPECTED[kind]}, got {came}"
    if kind in _BOUNDS:
        return f"{name} must be {_BOUNDS[kind](error['ctx'])}, got {came}"
    return str(error["msg"]).removeprefix("Value error, ")


class Record(BaseModel):
    """A frozen noun. Equal when all fields are equal; unknown fields are errors."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)

    @model_validator(mode="wrap")
    @classmethod
    def _say_plainly(cls, data: Any, handler: Callable[[Any], Self]) -> Self:
        if isinstance(data, Mapping) and len(data) > MOST_NAMES:
            raise wrong("too_many_names", f"expected at most {MOST_NAMES} names, got {len(data):,}")
        try:
            return handler(data)
        except ValidationError as error:
            lines = [
                InitErrorDetails(
                    type=wrong(line["type"], plain_message(line, cls.model_fields)),
                    loc=line["loc"],
                    input=line["input"],
                )
                for line in error.errors(include_url=False)[:MOST_WRONG]
            ]
        raise ValidationError.from_exception_data(cls.__name__, lines)
