"""create_app: the adviser's questions as routes under /v1, and nothing else."""

from dataclasses import replace
from typing import Any

from fastapi import APIRouter, FastAPI
from fastapi.openapi.utils import get_openapi
from starlette.middleware.gzip import GZipMiddleware

from api.bodies import StrictRoute
from api.deciding import deciding
from api.examples import BENCH_RANKINGS, VALUATIONS, examples
from api.headers import GuardedHeaders
from api.page_files import page
from api.problems import MEDIA_TYPE, ProblemDocument, install
from api.questions import Question
from api.records import LiveRecords, records
from api.selling import selling
from valuer import __version__
from valuer.adviser import (
    Adviser,
    BenchRankings,
    Catalogue,
    Health,
    ModelCard,
    Valuations,
    catalogue,
    model_card,
)
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
        413: "The body is too large",
        415: "The body is not JSON",
        422: "The question is not as expected; errors point at the fields",
        500: "A fault of ours",
    }.items()
}


def create_app(adviser: Adviser, store: Store | None = None) -> FastAPI:
    """The JSON API over one adviser, and over the records where there is a store.

    The bench page stands at ``/``. No documentation page: the usual ones load scripts from elsewhere.
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
    app.add_middleware(GZipMiddleware, minimum_size=4_000, compresslevel=5)  # phones have thin wires
    app.add_middleware(GuardedHeaders)
    install(app)
    app.include_router(page())
    app.include_router(_questions(adviser))
    app.include_router(deciding(adviser, PROBLEMS))
    app.include_router(selling(adviser, PROBLEMS))
    app.include_router(_facts(adviser))
    if store:
        app.include_router(records(adviser, store, PROBLEMS))
    app.openapi = lambda: _openapi(app)  # type: ignore[method-assign]  # FastAPI's documented way to extend it
    return app


def _questions(adviser: Adviser) -> APIRouter:
    router = APIRouter(prefix="/v1", route_class=StrictRoute, responses=PROBLEMS)

    @router.post("/valuations", openapi_extra=examples(VALUATIONS))
    def valuations(question: Question) -> Valuations:
        """What each machine is worth as it stands, and what each fault takes off."""
        return adviser.value(question.machines, question.terms)

    @router.post("/bench-rankings", openapi_extra=examples(BENCH_RANKINGS))
    def bench_rankings(question: Question) -> BenchRankings:
        """All machines in the order of expected return per bench hour."""
        return adviser.bench_ranking(question.machines, question.terms)

    return router


def _facts(adviser: Adviser) -> APIRouter:
    router = APIRouter(responses={500: PROBLEMS[500]})

    @router.get("/v1/catalogue")
    def get_catalogue() -> Catalogue:
        """Every attribute, fault, reading, check and fix: what it means, where its figures come from."""
        return catalogue()

    @router.get("/v1/model-card")
    def get_model_card() -> ModelCard:
        """What the price model is for, what it is not for, and how far off it is."""
        return model_card()

    @router.get("/health")
    def health() -> Health:
        """Whether questions can be answered, and what the answers rest on."""
        return adviser.health()

    return router


def _openapi(app: FastAPI) -> dict[str, Any]:
    """FastAPI's document, with the schema of the problem details that every route may answer with."""
    if app.openapi_schema is None:
        app.openapi_schema = get_openapi(
            title=app.title, version=app.version, description=app.description, routes=app.routes
        )
        problem = ProblemDocument.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas = app.openapi_schema["components"]["schemas"]
        schemas |= problem.pop("$defs") | {"ProblemDocument": problem}
        schemas.pop("HTTPValidationError", None)
        schemas.pop("ValidationError", None)
    return app.openapi_schema
