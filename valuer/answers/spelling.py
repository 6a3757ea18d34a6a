"""An answer's sentences in the English that was chosen: the one place where they are turned."""

from typing import TypeVar, cast

from pydantic import BaseModel

from valuer.domain.english import English, in_english

Told = TypeVar("Told", bound=BaseModel)
AS_THEY_STAND = frozenset({"id", "called", "basis", "currency"})


def spelt(answer: Told, english: English) -> Told:
    """The answer with its sentences in the English that was chosen; ids, owners' names and what it rests on stay."""
    return answer if english == "british" else cast("Told", _in_english(answer, english))


def _in_english(value: object, english: English) -> object:
    if isinstance(value, str):
        return in_english(value, english) if " " in value.strip() else value  # one word alone may be a name
    if isinstance(value, BaseModel):
        told = {
            name: _in_english(getattr(value, name), english)
            for name in type(value).model_fields
            if name not in AS_THEY_STAND
        }
        return value.model_copy(
            update={name: new for name, new in told.items() if new != getattr(value, name)}
        )
    if isinstance(value, tuple):
        return tuple(_in_english(each, english) for each in value)
    if isinstance(value, dict):
        return {name: _in_english(each, english) for name, each in value.items()}
    return value
