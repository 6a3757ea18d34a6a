"""One line of JSON for each request, and a name for it that the caller gets too.

A line holds the time, the request's name, method, route, status and milliseconds: no body, no path with ids in
it, no address, no token. A fault of ours adds where it happened, without the values it happened on.
"""

import json
import logging
import os
import re
import secrets
import traceback
from time import perf_counter
from typing import Any

from starlette.datastructures import MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import BROKEN, problem
from valuer.clock import now

LOG = logging.getLogger("valuer.requests")
NAME = re.compile(r"[A-Za-z0-9._-]{1,64}")
METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
GONE = 499  # no status of HTTP, for none is sent
FRAMES = 12  # the innermost places of a fault; what lies further out is the framework


class Journal:
    """ASGI middleware that names each request, writes its line, and answers for faults of ours."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and write its line once it is answered."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request, began, status = Request(scope), perf_counter(), 0
        request.state.request_id = name = _name(request.headers.get("x-request-id", ""))

        async def named(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                MutableHeaders(scope=message)["X-Request-Id"] = name
            await send(message)

        fault: dict[str, Any] = {}
        try:
            await self._app(scope, receive, named)
        except (
            ClientDisconnect
        ):  # whoever asked has gone away: nobody's fault, and nobody is left to be answered
            status = status or GONE
        except Exception as error:  # noqa: BLE001 - whatever it is, the caller gets an answer and the log a line
            fault = _where(error)
            if not status:
                await problem(request, BROKEN)(scope, receive, named)
        finally:
            took = round((perf_counter() - began) * 1000, 1)
            line = {"request": name, **_asked(scope), "status": status, "ms": took, **fault}
            LOG.log(logging.ERROR if fault else logging.INFO, "request", extra={"line": line})


def _name(given: str) -> str:
    """The caller's own name for the request where it is short and plain, else a new one."""
    return given if NAME.fullmatch(given) else secrets.token_hex(8)


def _asked(scope: Scope) -> dict[str, str | None]:
    method = scope["method"] if scope["method"] in METHODS else "other"
    return {"method": method, "route": getattr(scope.get("route"), "path", None)}


def _where(error: Exception) -> dict[str, Any]:
    """Kind and place of a fault; its words may hold somebody's data and are shown with VALUER_DEBUG=1 only."""
    frames = [
        f"{frame.f_globals.get('__name__', '?')}:{line} {frame.f_code.co_name}"
        for frame, line in traceback.walk_tb(error.__traceback__)
    ]
    found: dict[str, Any] = {"fault": type(error).__name__, "at": frames[-FRAMES:]}
    if os.environ.get("VALUER_DEBUG"):
        found["traceback"] = "".join(traceback.format_exception(error))
    return found


class AsJson(logging.Formatter):
    """Every record as one line of JSON: a request's own fields, or the words of anything else."""

    def format(self, record: logging.LogRecord) -> str:
        """The line, without its end."""
        line = getattr(record, "line", None) or {"says": record.getMessage()}
        time = now().isoformat(timespec="milliseconds")
        return json.dumps({"time": time, "level": record.levelname.lower(), **line}, ensure_ascii=True)
