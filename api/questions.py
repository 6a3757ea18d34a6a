"""What may be asked over HTTP: machines, and the terms of the shop that asks."""

from collections import Counter
from collections.abc import Mapping
from typing import Annotated, Any, ClassVar

from pydantic import (
    BeforeValidator,
    Field,
    GetJsonSchemaHandler,
    WithJsonSchema,
    field_validator,
    model_validator,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from valuer.clock import this_month
from valuer.domain.machine import Machine
from valuer.domain.record import Record, Several, wrong
from valuer.domain.shop import ShopTerms

MOST_MACHINES = 1000


def _with_month(given: object) -> object:
    if not isinstance(given, Mapping):
        return given
    return {"month": this_month(), **{name: value for name, value in given.items() if value is not None}}


def _terms_schema() -> dict[str, Any]:
    """The schema of ShopTerms with nothing required: what is not given, or null, has a default."""
    schema = ShopTerms.model_json_schema()
    schema.pop("required", None)
    schema["properties"] = {name: _or_null(term) for name, term in schema["properties"].items()}
    return schema | {"description": "terms of the shop; what is left out has its default, the month this one"}


def _or_null(term: dict[str, Any]) -> dict[str, Any]:
    if "anyOf" in term:  # those without a limit by default
        return term
    about = {name: term[name] for name in ("title", "description", "default") if name in term}
    return about | {"anyOf": [{name: term[name] for name in term if name not in about}, {"type": "null"}]}


Terms = Annotated[ShopTerms, BeforeValidator(_with_month), WithJsonSchema(_terms_schema())]


def usual_terms() -> ShopTerms:
    """The terms of a shop that names none, in this month."""
    return ShopTerms.model_validate({"month": this_month()})


class Question(Record):
    """One or more machines to be answered about, under the terms of one shop.

    ``most`` machines at a time: as many as are answered within the time limit at their worst, twelve faults each.
    """

    most: ClassVar[int] = MOST_MACHINES

    machines: Several[Machine] = Field(
        description="each with an id of its own", json_schema_extra={"minItems": 1}
    )
    terms: Terms = Field(default_factory=usual_terms)

    @field_validator("machines", mode="before")
    @classmethod
    def _neither_none_nor_too_many(cls, given: object) -> object:
        # Counted before they are looked at: pydantic's own limit counts only those without a fault.
        if isinstance(given, list | tuple) and not 1 <= len(given) <= cls.most:
            raise wrong("count", f"expected 1 to {cls.most} machines, got {len(given)}")
        return given

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        """The schema with this question's own number of machines."""
        schema = handler(core)
        handler.resolve_ref_schema(schema)["properties"]["machines"]["maxItems"] = cls.most
        return schema

    @model_validator(mode="after")
    def _ids_differ(self) -> "Question":
        ids = Counter(machine.id for machine in self.machines)
        twice = next((id_ for id_, times in ids.items() if times > 1), None)
        if twice is not None:
            raise wrong("id_twice", f"each machine needs an id of its own, got {twice!r} twice")
        return self
