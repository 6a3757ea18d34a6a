"""Every refusal as RFC 9457 problem details: one media type, one shape, a JSON pointer per wrong field."""

from collections.abc import Iterable, Mapping, Sequence
from http import HTTPStatus

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field
from pydantic_core import ErrorDetails
from starlette.exceptions import HTTPException
from starlette.routing import Match

from valuer.adviser import NotUsable
from valuer.domain.bounds import LONGEST_WORD, MOST_WRONG

MEDIA_TYPE = "application/problem+json"
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")
WHAT_TO_DO = {
    404: "no such path; /openapi.json lists those there are",
    405: "this path does not take that method; the Allow header names those it takes",
}


class FieldProblem(BaseModel):
    """One wrong field of the request body."""

    model_config = ConfigDict(frozen=True)

    pointer: str = Field(description="JSON pointer (RFC 6901) into the body", examples=["/machines/0/drive"])
    detail: str = Field(description="what was expected, what came, what to do")


class ProblemDocument(BaseModel):
    """Problem details of RFC 9457."""

    model_config = ConfigDict(frozen=True)

    type: str = Field("about:blank", description="about:blank: the status code says what kind it is")
    title: str
    status: int
    detail: str
    instance: str = Field(description="path that was asked for")
    request_id: str | None = Field(None, description="name of the request in the server's log")
    errors: tuple[FieldProblem, ...] = ()


class Refusal(Exception):
    """A question that cannot be answered; ``errors`` point at the fields that stand in the way."""

    def __init__(
        self,
        status: int,
        detail: str,
        errors: Iterable[FieldProblem] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.errors = tuple(errors)
        self.headers = dict(headers or {})


def pointer(location: Iterable[int | str]) -> str:
    """JSON pointer of a place in the body, escaped as RFC 6901 section 3 says.

    >>> pointer(["machines", 0, "readings", "a/b~c"])
    '/machines/0/readings/a~1b~0c'
    """
    parts = (str(part)[:LONGEST_WORD] for part in location)
    return "".join(f"/{part.replace('~', '~0').replace('/', '~1')}" for part in parts)


def problem(request: Request, refusal: Refusal, headers: dict[str, str] | None = None) -> JSONResponse:
    """The refusal as an HTTP response."""
    document = ProblemDocument(
        title=HTTPStatus(refusal.status).phrase,
        status=refusal.status,
        detail=refusal.detail,
        instance=request.url.path,
        request_id=getattr(request.state, "request_id", None),
        errors=refusal.errors,
    )
    content = document.model_dump(exclude_none=True)
    return JSONResponse(content, refusal.status, {**refusal.headers, **(headers or {})}, MEDIA_TYPE)


def install(app: FastAPI) -> None:
    """Map every way in which a request can fail to problem details."""

    async def refused(request: Request, error: Exception) -> JSONResponse:
        return problem(request, error if isinstance(error, Refusal) else BROKEN)

    async def invalid(request: Request, error: Exception) -> JSONResponse:
        wrong = error.errors() if isinstance(error, RequestValidationError) else ()
        return problem(request, unprocessable(wrong))

    async def unusable(request: Request, error: Exception) -> JSONResponse:
        place = error.place if isinstance(error, NotUsable) else ()
        wrong = FieldProblem(pointer=pointer(place), detail=str(error))
        return problem(request, Refusal(422, "1 field is not as expected", [wrong]))

    async def http(request: Request, error: Exception) -> JSONResponse:
        if not isinstance(error, HTTPException):
            return problem(request, BROKEN)
        refusal = Refusal(error.status_code, WHAT_TO_DO.get(error.status_code, error.detail))
        return problem(request, refusal, {**(error.headers or {}), **_allow(request, error.status_code)})

    app.add_exception_handler(RequestValidationError, invalid)
    app.add_exception_handler(HTTPException, http)
    app.add_exception_handler(Exception, refused)
    app.add_exception_handler(Refusal, refused)
    app.add_exception_handler(NotUsable, unusable)


def _allow(request: Request, status: int) -> dict[str, str]:
    """Every method that the path takes, on whichever of its routes (RFC 9110, section 10.2.1)."""
    if status != HTTPStatus.METHOD_NOT_ALLOWED:
        return {}
    taken = [method for method in METHODS if _takes(request, method)]
    return {"Allow": ", ".join(taken)}


def _takes(request: Request, method: str) -> bool:
    scope = {**request.scope, "method": method}
    return any(route.matches(scope)[0] is Match.FULL for route in request.app.routes)


BROKEN = Refusal(500, "something went wrong inside; the server's log says where")


def unprocessable(wrong: Sequence[ErrorDetails]) -> Refusal:
    """Pydantic's errors about a body as one refusal; inputs are left out, for NaN is no JSON."""
    errors = [_field_problem(error) for error in wrong[:MOST_WRONG]]
    if len(wrong) >= MOST_WRONG:
        return Refusal(
            422, f"{MOST_WRONG} fields or more are not as expected; so many were looked at", errors
        )
    count = "1 field is" if len(wrong) == 1 else f"{len(wrong)} fields are"
    return Refusal(422, f"{count} not as expected", errors)


def _field_problem(error: ErrorDetails) -> FieldProblem:
    place = error["loc"][1:]  # the first part is always "body"
    if not place and error["type"] == "missing":
        return FieldProblem(pointer="", detail="expected a JSON body, got nothing")
    return FieldProblem(pointer=pointer(place), detail=error["msg"])
