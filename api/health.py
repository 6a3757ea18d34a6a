"""Whether questions can be answered, and what is wrong where they cannot."""

from typing import Literal

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, ConfigDict

from valuer import __version__
from valuer.adviser import Adviser
from valuer.records.store.store import Store
from valuer.upkeep import Health, health_of


class Running(BaseModel):
    """All that somebody without the token is told."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    status: Literal["runs"] = "runs"


def health(adviser: Adviser, store: Store | None) -> APIRouter:
    """The route of the tool's own condition."""
    stalled = {"model": Health, "description": "Questions cannot be answered; parts say why"}
    router = APIRouter(responses={503: stalled})

    @router.get("/health")
    def how_it_runs(request: Request, response: Response) -> Health | Running:
        """Whether questions can be answered, and what the answers rest on; without the token, that it runs."""
        if not request.state.known:
            return Running()
        found = health_of(__version__, adviser.model, lambda: adviser.basis, store)
        if found.status == "stalled":
            response.status_code = 503
        return found

    return router
