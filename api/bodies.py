"""Request bodies: JSON only, of bounded size, read as strictly as a machine file."""

from collections.abc import Callable, Coroutine, Mapping
from email.message import Message
from typing import Any

from fastapi import Request, Response
from fastapi.routing import APIRoute

from api.lanes import Lane
from api.problems import FieldProblem, Refusal
from valuer.records.strict_json import BadJson, parse

LIMIT_MB = 2  # a thousand machines with every reading fit


class ReadRequest(Request):
    """A request whose body was read and checked already."""

    def __init__(self, request: Request, value: Any, body: bytes) -> None:
        super().__init__(request.scope, request.receive)
        self._value = value
        self._bytes = body

    async def body(self) -> bytes:
        """The body as it came."""
        return self._bytes

    async def json(self) -> Any:
        """The body as parsed by our own strict reader."""
        return self._value


class StrictRoute(APIRoute):
    """A route that refuses a body of another type, size or grammar before anything looks at it.

    The work itself waits for its place in a lane, once the body is there: a slow sender holds nobody up.
    """

    lane = "light"

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The usual handler, given a checked body where the route takes one."""
        answer = super().get_route_handler()
        takes_body = self.body_field is not None

        async def handler(request: Request) -> Response:
            checked = await _read(request) if takes_body else request
            lanes: Mapping[str, Lane] = getattr(request.app.state, "lanes", {})
            return await (lanes[self.lane].through(answer(checked)) if lanes else answer(checked))

        return handler


class HeavyRoute(StrictRoute):
    """A route whose answer takes working out."""

    lane = "heavy"


async def _read(request: Request) -> ReadRequest:
    body = await _bytes(request)
    content_type = Message()
    content_type["content-type"] = request.headers.get("content-type", "")
    if body and content_type.get_content_type() != "application/json":
        raise Refusal(415, "the body must be JSON; send it with Content-Type: application/json")
    return ReadRequest(request, _value(body) if body else None, body)


async def _bytes(request: Request) -> bytes:
    """The body, refused as soon as it is too long, whether or not its length was announced."""
    limit = LIMIT_MB * 1_000_000
    announced = request.headers.get("content-length", "")
    body = bytearray()
    if not (announced.isdecimal() and float(announced) > limit):
        async for piece in request.stream():
            body += piece
            if len(body) > limit:
                break
        else:
            return bytes(body)
    raise Refusal(413, f"the body is over {LIMIT_MB} MB; ask about fewer machines at a time")


def _value(body: bytes) -> Any:
    try:
        return parse(body.decode())
    except UnicodeDecodeError:
        detail = "the body is not UTF-8 text; encode it as UTF-8"
    except BadJson as error:
        where = f" (line {error.row}, column {error.column})" if error.row else ""
        detail = f"{error}{where}"
    raise Refusal(422, "the body is not JSON that can be used", [FieldProblem(pointer="", detail=detail)])
