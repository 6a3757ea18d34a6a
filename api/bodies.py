"""Request bodies: JSON only, of bounded size, read as strictly as a machine file."""

from collections.abc import Callable, Coroutine, Mapping
from functools import wraps
from typing import Any

from fastapi import Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from pydantic import BaseModel

from api.lanes import Lane
from api.problems import FieldProblem, Refusal
from valuer.records.strict_json import BadJson, at_first_sight, parse

MOST_BYTES = 2_000_000  # a thousand machines with every reading fit
BYTES_A_VALUE = 10  # at least, in what anybody has to ask: a name, a colon, a figure, a comma
SHORT = 4_000  # bytes that are understood in less than a tenth of a second, whatever they say


class ReadRequest(Request):
    """A request whose body was read and understood already."""

    def __init__(self, request: Request, value: Any, body: bytes) -> None:
        super().__init__(request.scope, request.receive)
        self._value = value
        self._bytes = body

    async def body(self) -> bytes:
        """The body as it came."""
        return self._bytes

    async def json(self) -> Any:
        """What the body says: the record itself, which nobody has to look at a second time."""
        return self._value


class StrictRoute(APIRoute):
    """A route that refuses a body of another type, size or grammar before anything looks at it.

    The work itself waits for its place in a lane, once the body is there: a slow sender holds nobody up. Reading
    what a long body says is work too, and is done beside the loop that answers everybody else.
    """

    lane = "light"
    most_bytes = 200_000  # one machine with everything ever done to it

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The usual handler, given an understood body where the route takes one."""
        answer, field = super().get_route_handler(), self.body_field

        async def answered(request: Request, body: bytes) -> Response:
            if not body:
                return await answer(ReadRequest(request, None, body) if field else request)
            if len(body) < SHORT:
                return await answer(ReadRequest(request, self._understood(body), body))
            return await answer(ReadRequest(request, await run_in_threadpool(self._understood, body), body))

        async def handler(request: Request) -> Response:
            body = await _read(request, self.most_bytes) if field else b""
            lanes: Mapping[str, Lane] = getattr(request.app.state, "lanes", {})
            work = answered(request, body)
            return await (lanes[self.lane].through(work) if lanes else work)

        return handler

    def _understood(self, body: bytes) -> Any:
        """The record that a body stands for; an error about it is the one FastAPI would raise."""
        assert self.body_field  # noqa: S101 - asked only where the route takes a body
        long, most = len(body) >= SHORT, self.most_bytes // BYTES_A_VALUE
        value = _value(body, most, at_first_sight if long else parse)
        record, errors = self.body_field.validate(value, {}, loc=("body",))
        if errors:
            raise RequestValidationError(errors)
        if long:
            _value(body, most, parse)
        return record


class HeavyRoute(StrictRoute):
    """A route whose answer takes working out. It is written out there too, beside the loop, and in one go."""

    lane = "heavy"
    most_bytes = MOST_BYTES

    def __init__(self, path: str, endpoint: Callable[..., BaseModel], **how: Any) -> None:
        super().__init__(path, _written_out(endpoint), **how)


def _written_out(endpoint: Callable[..., BaseModel]) -> Callable[..., Response]:
    """The same with its answer as JSON: a record of ours need not be looked at again before it leaves."""

    @wraps(endpoint)
    def written_out(*asked: Any, **named: Any) -> Response:
        return Response(endpoint(*asked, **named).model_dump_json(), media_type="application/json")

    return written_out


async def _read(request: Request, most: int) -> bytes:
    body = await bounded_bytes(request, most)
    content_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if body and content_type != "application/json":
        raise Refusal(415, "the body must be JSON; send it with Content-Type: application/json")
    return body


async def bounded_bytes(
    request: Request, most: int = MOST_BYTES, smaller: str = "send less at a time"
) -> bytes:
    """The body, refused as soon as it is too long, whether or not its length was announced."""
    announced = request.headers.get("content-length", "")
    body = bytearray()
    if not (announced.isdecimal() and float(announced) > most):
        async for piece in request.stream():
            body += piece
            if len(body) > most:
                break
        else:
            return bytes(body)
    raise Refusal(413, f"the body is over {most / 1_000:,.0f} kB; {smaller}")


def _value(body: bytes, most: int, read: Callable[[str, int], Any]) -> Any:
    try:
        return read(body.decode(), most)
    except UnicodeDecodeError:
        detail = "the body is not UTF-8 text; encode it as UTF-8"
    except BadJson as error:
        where = f" (line {error.row}, column {error.column})" if error.row else ""
        detail = f"{error}{where}"
    raise Refusal(422, "the body is not JSON that can be used", [FieldProblem(pointer="", detail=detail)])
