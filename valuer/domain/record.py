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
    Field,
    ValidationError,
    model_validator,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

from valuer.domain.words import did_you_mean, one_of, shown

T = TypeVar("T")


def _as_tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


Several = Annotated[tuple[T, ...], BeforeValidator(_as_tuple)]
"""A tuple that JSON and TOML write as a list."""


def wrong(kind: str, message: str) -> PydanticCustomError:
    """Return a validation error whose message is taken as it stands."""
    return PydanticCustomError(kind, "{message}", {"message": message})


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
        try:
            return handler(data)
        except ValidationError as error:
            lines = [
                InitErrorDetails(
                    type=wrong(line["type"], plain_message(line, cls.model_fields)),
                    loc=line["loc"],
                    input=line["input"],
                )
                for line in error.errors(include_url=False)
            ]
        raise ValidationError.from_exception_data(cls.__name__, lines)
