"""Questions about selling: asking prices, offers at the door, listings."""

from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter
from pydantic import Field

from api.bodies import HeavyRoute
from api.examples import MACHINE, UNKNOWN_MOSTLY, Bodies, examples
from api.questions import Question
from valuer.adviser import Adviser
from valuer.answers.sale import AskingPrices, Listings, Offers
from valuer.domain.bounds import MOST_MONEY
from valuer.domain.record import Several

PASSED = {
    **MACHINE,
    "id": "blue-3",
    "faults": ["paint_faded:slight"],
    "checks": dict.fromkeys(
        ("recall", "bail", "shields", "blade_and_mount", "drive_releases", "deck", "handle", "muffler"),
        "passed",
    ),
    "readings": {
        "cold_pulls": 2,
        "blade_stop_s": [2.1, 2.2, 2.1],
        "fuel_paper_5min": "dry",
        "fuel_paper_soak": "dry",
        "engine_rpm": 3000,
        "blade_length_in": 20.5,
    },
}

ASKING_PRICES: Bodies = {
    "in October, gone within twelve weeks": {"machines": [MACHINE], "terms": {"month": 10}, "weeks": 12},
    "two machines in May, room for one": {
        "machines": [PASSED, UNKNOWN_MOSTLY],
        "terms": {"month": 5},
        "room": 1,
    },
}
OFFERS: Bodies = {
    "140 in the second week": {"machines": [PASSED], "terms": {"month": 5}, "offer": 140, "week": 2},
    "the ask is known": {"machines": [MACHINE], "terms": {"month": 9}, "offer": 90, "ask": 160},
}
LISTINGS: Bodies = {
    "one that may be sold as working": {
        "machines": [PASSED],
        "terms": {"month": 5},
        "done": ["carburettor cleaned, new bowl gasket", "blade sharpened and balanced"],
    },
    "one that may not": {"machines": [UNKNOWN_MOSTLY], "terms": {"month": 5}},
}


class AskingQuestion(Question):
    """Machines to be listed, and the weeks after which they must be gone."""

    most = 60

    weeks: int = Field(12, ge=1, le=52, description="weeks until it must be gone")


class RoomQuestion(AskingQuestion):
    """Machines to be listed, and how many there is room for at once."""

    room: int | None = Field(
        None, ge=1, le=60, description="most listed at once; absent: each is judged for itself"
    )


class OfferQuestion(AskingQuestion):
    """An offer for each machine in a week of its listing."""

    offer: float = Field(ge=0.01, le=MOST_MONEY, description="what is offered, money")
    week: int | None = Field(
        None, ge=1, le=52, description="week of the listing, 1 is the first; absent: as the records say"
    )
    ask: float | None = Field(
        None,
        ge=0.01,
        le=MOST_MONEY,
        description="what is asked now; absent: as the records say, or as advised",
    )
    sure: bool = Field(default=False, description="an offer above the ask was read twice")


class ListingQuestion(AskingQuestion):
    """Machines to be described."""

    done: Several[str] = Field(
        (), max_length=40, description="what was done, one plain line each, in the seller's words"
    )


def selling(adviser: Adviser, responses: Mapping[int | str, dict[str, Any]]) -> APIRouter:
    """The routes of questions about selling."""
    router = APIRouter(prefix="/v1", route_class=HeavyRoute, responses=dict(responses))

    @router.post("/asking-prices", openapi_extra=examples(ASKING_PRICES))
    def asking_prices(question: RoomQuestion) -> AskingPrices:
        """What to ask, when to cut to what, the least to take, and whether to keep it for spring."""
        return adviser.asking_prices(question.machines, question.terms, question.weeks, question.room)

    @router.post("/offers", openapi_extra=examples(OFFERS))
    def offers(question: OfferQuestion) -> Offers:
        """Somebody offers so much: take it, name another price, or wait; what each is expected to bring."""
        q = question
        return adviser.offers(q.machines, q.terms, q.offer, q.week, q.weeks, q.ask, sure=q.sure)

    @router.post("/listings", openapi_extra=examples(LISTINGS))
    def listings(question: ListingQuestion) -> Listings:
        """An honest draft to paste for each machine, or why there is none."""
        return adviser.listings(question.machines, question.terms, question.done, question.weeks)

    return router
