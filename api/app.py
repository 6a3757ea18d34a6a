"""create_app: the adviser's questions as routes under /v1, and nothing else."""

from dataclasses import replace
from functools import cache
from typing import Annotated, Any

from fastapi import APIRouter, FastAPI, Query
from starlette.middleware.gzip import GZipMiddleware

from api.around import around
from api.bodies import HeavyRoute
from api.deciding import deciding
from api.description import describe
from api.devices import devices
from api.door import Door, Doorkeeper
from api.entrance import entrance
from api.examples import BENCH_RANKINGS, VALUATIONS, examples
from api.files import record_files
from api.headers import GuardedHeaders
from api.health import health
from api.journal import Journal
from api.lanes import TimeLimit, usual_lanes
from api.page_files import page
from api.problems import MEDIA_TYPE, install
from api.questions import Question
from api.reading import reading
from api.records import LiveRecords, records
from api.selling import selling
from valuer import __version__
from valuer.adviser import Adviser, catalogue, model_card
from valuer.answers.around import Catalogue, ModelCard
from valuer.answers.work import BenchRankings
from valuer.answers.worth import Valuations
from valuer.domain.english import English
from valuer.records.store.store import Store

ABOUT = """Values of walk-behind mowers, fixes that pay, and the order of the bench.

Every answer rests on a price model trained on invented data and says so. Nothing here is for insurance or
tax, and it decides no question of safety: the safety verdict defers to local law and licensed practice."""

PROBLEMS: dict[int | str, dict[str, Any]] = {
    status: {
        "description": words,
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemDocument"}}},
    }
    for status, words in {
        401: "The server asks for its token, and none or another came",
        403: "A page of another site sent it",
        413: "The body is too large",
        415: "The body is not JSON",
        421: "Host names no name of this server",
        422: "The question is not as expected; errors point at the fields",
        500: "A fault of ours",
        503: "It cannot be answered now: too many questions at once, it takes too long, or something is wrong",
    }.items()
}


LOOPBACK_ONLY = Door()


def create_app(adviser: Adviser, store: Store | None = None, door: Door = LOOPBACK_ONLY) -> FastAPI:
    """The JSON API over one adviser, and over the records where there is a store.

    The bench page stands at ``/``. No documentation page: the usual ones load scripts from elsewhere. ``door``
    says under which names, and with which token, it may be asked.
    """
    if store:
        adviser = replace(adviser, own=LiveRecords(store))
    app = FastAPI(
        title="valuer",
        version=__version__,
        description=ABOUT,
        docs_url=None,
        redoc_url=None,
    )
    app.state.lanes = usual_lanes()
    # The last one added sees a request first: whatever answers, headers and the journal's line are there.
    app.add_middleware(GZipMiddleware, minimum_size=4_000, compresslevel=5)  # phones have thin wires
    app.add_middleware(TimeLimit)
    app.add_middleware(Doorkeeper, door=door)
    app.add_middleware(Journal)
    app.add_middleware(GuardedHeaders)
    install(app)
    app.include_router(page())
    app.include_router(entrance(door, PROBLEMS))
    app.include_router(devices(door, PROBLEMS))
    app.include_router(_questions(adviser))
    app.include_router(deciding(adviser, PROBLEMS))
    app.include_router(selling(adviser, PROBLEMS))
    app.include_router(reading(PROBLEMS))
    app.include_router(_facts())
    app.include_router(health(adviser, store))
    if store:
        app.include_router(records(adviser, store, PROBLEMS))
        app.include_router(around(store, PROBLEMS))
        app.include_router(record_files(store, PROBLEMS))
    app.openapi = cache(lambda: describe(app))  # type: ignore[method-assign]  # FastAPI's documented way to extend it
    return app


def _questions(adviser: Adviser) -> APIRouter:
    router = APIRouter(prefix="/v1", route_class=HeavyRoute, responses=PROBLEMS)

    @router.post("/valuations", openapi_extra=examples(VALUATIONS))
    def valuations(question: Question) -> Valuations:
        """What each machine is worth as it stands, and what each fault takes off."""
        return adviser.value(question.machines, question.terms)

    @router.post("/bench-rankings", openapi_extra=examples(BENCH_RANKINGS))
    def bench_rankings(question: Question) -> BenchRankings:
        """All machines in the order of expected return per bench hour."""
        return adviser.bench_ranking(question.machines, question.terms)

    return router


def _facts() -> APIRouter:
    router = APIRouter(responses={status: PROBLEMS[status] for status in (401, 421, 500, 503)})

    @router.get("/v1/catalogue", responses={422: PROBLEMS[422]})
    def get_catalogue(
        words: Annotated[English, Query(description="English of its sentences")] = "british",
    ) -> Catalogue:
        """Every attribute, fault, reading, check and fix: what it means, where its figures come from."""
        return catalogue(words)

    @router.get("/v1/model-card")
    def get_model_card() -> ModelCard:
        """What the price model is for, what it is not for, and how far off it is."""
        return model_card()

    return router
