"""What people type, read: machines in words, figures with units. Nothing is guessed; two meanings come back as such."""

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field

from api.bodies import StrictRoute
from api.examples import Bodies, examples
from api.problems import FieldProblem, Refusal
from valuer.clock import today
from valuer.domain.record import Record, Several, word_of
from valuer.intake.numbers import NotUnderstood, read_figure
from valuer.intake.quantities import quantities
from valuer.intake.words import MOST_LETTERS, NoWords, Understood, read_words

FIGURES: Bodies = {
    "a blade stop with a comma, a width, a price": {
        "figures": [
            {"name": "blade_stop_s", "text": "3,1"},
            {"name": "deck_width_in", "text": "55 cm"},
            {"name": "price", "text": "110,50"},
        ]
    }
}
MOST_FIGURES = 200
WORDS: Bodies = {
    "a machine in a line": {
        "words": "rear drive, 21 in, 6 years, mid price, rings while running, damp under the carburettor"
    },
    "what has to be asked": {"words": "front drive, leaks, blade stops in 3,1 s", "name": "green-1"},
}


class InWords(Record):
    """One machine in somebody's own words."""

    words: str = Field(min_length=1, max_length=MOST_LETTERS, description="one machine, in own words")
    name: str = Field(
        "it", min_length=1, max_length=200, description="what to call it; a short id is made from it"
    )


class TypedFigure(Record):
    """A figure as somebody typed it."""

    name: Annotated[
        str, word_of("figure", quantities()), Field(json_schema_extra={"enum": sorted(quantities())})
    ] = Field(description="what it is: an attribute, a reading, a term of the shop or an amount")
    text: str = Field(max_length=200, description="what was typed")


class TypedFigures(Record):
    """Figures as somebody typed them."""

    figures: Annotated[Several[TypedFigure], Field(min_length=1, max_length=MOST_FIGURES)] = Field(
        description="in any order"
    )
    currency: str | None = Field(
        None, max_length=3, description="what money is in; another sign is refused; absent: any"
    )


class ReadFigure(BaseModel):
    """What was understood of one figure, or what has to be asked."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str = Field(description="what it is")
    text: str = Field(description="what was typed")
    value: float | list[float] | None = Field(
        None, description="in the unit of its name, a list of several runs; null: not understood"
    )
    said: str | None = Field(None, description="what was understood, to be read back")
    problem: str | None = Field(None, description="why it was not understood, in one line")
    readings: tuple[str, ...] = Field((), description="what it may mean, where it may mean several things")


class ReadFigures(BaseModel):
    """What was understood of each, in the order asked."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    figures: tuple[ReadFigure, ...]


def reading(responses: Mapping[int | str, dict[str, Any]]) -> APIRouter:
    """The routes that read what people type."""
    router = APIRouter(prefix="/v1/read", route_class=StrictRoute, responses=dict(responses))

    @router.post("/figures", openapi_extra=examples(FIGURES))
    def figures(typed: TypedFigures) -> ReadFigures:
        """What was understood of figures as people write them, 3,1 s or 21" or 12,50; or what each may mean."""
        return ReadFigures(figures=tuple(_read(each, typed.currency) for each in typed.figures))

    @router.post("/machines", openapi_extra=examples(WORDS))
    def machines(typed: InWords) -> Understood:
        """What is understood of one machine in words: the machine, what is asked, what was not understood."""
        try:
            return read_words(typed.words, today().year, typed.name)
        except NoWords as error:
            raise Refusal(
                422, "1 field is not as expected", [FieldProblem(pointer="/words", detail=str(error))]
            ) from None

    return router


def _read(typed: TypedFigure, currency: str | None) -> ReadFigure:
    try:
        figure = read_figure(typed.text, quantities()[typed.name], currency=currency)
    except NotUnderstood as asked:
        return ReadFigure(name=typed.name, text=typed.text, problem=str(asked), readings=asked.readings)
    return ReadFigure(name=typed.name, text=typed.text, value=figure.value, said=figure.said)
