"""Frozen records as plain numbers: one file of arrays and a description, which runs no code when it is read.

The file is a zip of NumPy arrays (.npz, an open format). All numbers of one kind stand in one array, one after the
other; `description` is JSON as bytes and says which record has which field, and where in those arrays its numbers are.
Only records that the reader names are made, by their own constructor. What may be in a record: records, text, numbers,
None, tuples, mappings, frozen sets and arrays of numbers.
"""

from __future__ import annotations

import io
import json
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from typing import Any

import numpy as np
from pydantic import BaseModel

FORM = 1
"""Form of the file; another number when what this module writes changes."""

KINDS = {"bool", "int8", "int64", "uint8", "uint16", "uint32", "uint64", "float64"}
"""Numbers that an array may hold, by NumPy's names."""


class NotPlain(ValueError):
    """A record cannot be written as plain numbers, or a file is not one that was; the message says why."""


def to_bytes(record: object, records: Sequence[type], about: Mapping[str, str]) -> bytes:
    """Write a record, made of the kinds of `records` only, with what is to be known of it; the same bytes each time.

    Raises NotPlain, with the place, for what is no plain number.
    """
    writer = _Writer({kind.__name__: kind for kind in records})
    body = writer.plain(record, type(record).__name__)
    text = json.dumps({"form": FORM, "about": dict(about), "record": body}, separators=(",", ":"))
    numbers = {name: np.concatenate(parts) for name, parts in sorted(writer.numbers.items())}
    buffer = io.BytesIO()
    np.savez_compressed(buffer, description=np.frombuffer(text.encode(), np.uint8), **numbers)  # type: ignore[arg-type]
    return buffer.getvalue()


def from_bytes(data: bytes, records: Sequence[type]) -> tuple[Any, dict[str, str]]:
    """The record and what was said about it. Raises NotPlain for a damaged file and for another form."""
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as file:
            numbers = {name: file[name] for name in file.files}
        whole = json.loads(numbers.pop("description").tobytes())
        form, about, body = whole["form"], whole["about"], whole["record"]
    except (ValueError, KeyError, TypeError, OSError, EOFError, RecursionError, NotImplementedError,
            zipfile.BadZipFile, zlib.error) as error:  # fmt: skip
        raise NotPlain(f"it is cut or damaged ({type(error).__name__})") from None
    if form != FORM:
        raise NotPlain(f"expected form {FORM}, got {form}: it was written by another version")
    try:
        return _whole(body, {kind.__name__: kind for kind in records}, numbers), about
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError) as error:
        raise NotPlain(f"it was written by another version ({error})") from None


def _names(kind: Any) -> tuple[str, ...]:
    """Names of the fields that make a record of this kind."""
    if issubclass(kind, BaseModel):
        return tuple(kind.model_fields)
    return tuple(f.name for f in fields(kind) if f.init)


@dataclass(frozen=True)
class _Writer:
    records: Mapping[str, type]
    numbers: dict[str, list[np.ndarray]] = field(default_factory=dict)

    def plain(self, thing: Any, place: str) -> Any:
        if isinstance(thing, np.generic):
            thing = thing.item()
        if thing is None or isinstance(thing, bool | int | float | str):
            return thing
        if isinstance(thing, tuple):
            return [self.plain(each, f"{place}[{i}]") for i, each in enumerate(thing)]
        if isinstance(thing, np.ndarray):
            return {"numbers": self._placed(thing, place)}
        if isinstance(thing, Mapping):
            pairs = [[self.plain(key, place), self.plain(thing[key], f"{place}[{key!r}]")] for key in thing]
            return {"map": pairs}
        if isinstance(thing, frozenset):
            return {"set": sorted((self.plain(each, place) for each in thing), key=json.dumps)}
        kind = type(thing).__name__
        if self.records.get(kind) is not type(thing) or not (
            is_dataclass(thing) or isinstance(thing, BaseModel)
        ):
            raise NotPlain(f"{place}: expected plain numbers or one of {', '.join(self.records)}, got {kind}")
        named = {name: self.plain(getattr(thing, name), f"{place}.{name}") for name in _names(type(thing))}
        return {"record": kind, "fields": named}

    def _placed(self, array: np.ndarray, place: str) -> list[object]:
        name = array.dtype.name
        if name not in KINDS:
            raise NotPlain(f"{place}: expected an array of {', '.join(sorted(KINDS))}, got {name}")
        before = self.numbers.setdefault(name, [])
        start = sum(len(part) for part in before)
        before.append(np.ascontiguousarray(array).ravel())
        return [name, list(array.shape), start]


def _whole(body: Any, records: Mapping[str, Any], numbers: Mapping[str, np.ndarray]) -> Any:
    """The thing that a part of the description stands for."""

    def each(parts: Sequence[Any]) -> tuple[Any, ...]:
        return tuple(_whole(part, records, numbers) for part in parts)

    match body:
        case list():
            return each(body)
        case {"numbers": [name, shape, start]}:
            part = numbers[name][start : start + int(np.prod(shape, dtype=np.int64))].reshape(shape)
            part.flags.writeable = False
            return part
        case {"map": pairs}:
            return dict(each(pair) for pair in pairs)
        case {"set": members}:
            return frozenset(each(members))
        case {"record": name, "fields": given}:
            kind = records[name]
            if differ := set(given) ^ set(_names(kind)):
                raise NotPlain(f"{name} has other fields: {', '.join(sorted(differ))}")
            return kind(**dict(zip(given, each(list(given.values())), strict=True)))
        case dict():
            raise NotPlain(f"what is {', '.join(body)}?")
    return body
