"""Who may ask: only under the names this server goes by, only from its own page, and with the token where one is set.

The name (Host) is checked because a page from elsewhere may have its own name point at this computer and read
the answers as its own ("DNS rebinding"). A change is refused when the browser says that another site sent it.
"""

import hmac
from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from api.problems import Refusal, problem

if TYPE_CHECKING:
    from api.devices import Devices

LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})
USUAL_PORTS = {"http": 80, "https": 443}
COOKIE = "valuer_device"
ENTRANCE = "/v1/entrance"
READS = frozenset({"GET", "HEAD", "OPTIONS"})
ASK_FOR_TOKEN = {"WWW-Authenticate": "Bearer"}

MISDIRECTED = Refusal(
    421, "Host: this server does not go by that name; use the address that `valuer serve` printed"
)
FOREIGN = Refusal(403, "Origin: a page of another site may not change anything here; do it on the bench page")
NO_TOKEN = Refusal(
    401,
    "this server asks for its token: open the address that `valuer serve --lan` showed, or send it as "
    "Authorization: Bearer; `valuer serve --lan --new-token` makes another",
    headers=ASK_FOR_TOKEN,
)
WRONG_TOKEN = Refusal(
    401,
    "token: this is not the one in force; `valuer serve --lan --new-token` makes another and shows it",
    headers=ASK_FOR_TOKEN,
)


def token_sha256(token: str) -> str:
    """What is kept of a token.

    A plain hash will do: the token is 256 random bits, so nobody finds it by trying, and a slow hash would only
    make every refusal dear.
    """
    return sha256(token.encode()).hexdigest()


@dataclass(frozen=True)
class Door:
    """The names the server goes by, its port where it is known, the SHA-256 of its token and who was let in by it."""

    names: frozenset[str] = LOOPBACK
    port: int | None = None
    token_sha256: str | None = None
    devices: "Devices | None" = None

    def opens_to(self, token: str | None) -> bool:
        """Whether this is the token; the time it takes tells nothing about how much of it was right."""
        return self.token_sha256 is None or hmac.compare_digest(token_sha256(token or ""), self.token_sha256)


class Doorkeeper:
    """ASGI middleware that turns away who may not ask, before anything is read."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app = app
        self._door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or answer it with the reason why not."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        reason = self._reason(request)
        if reason is None:
            await self._app(scope, receive, send)
        else:
            await problem(request, reason)(scope, receive, send)

    def _reason(self, request: Request) -> Refusal | None:
        if not _goes_by(request, self._door):
            return MISDIRECTED
        if request.method not in READS and not _own_page(request):
            return FOREIGN
        request.state.known = any(
            self._door.opens_to(token) for token in (cookie_of(request), _bearer(request))
        ) or (self._door.devices is not None and self._door.devices.knows(cookie_of(request)) is not None)
        return None if request.state.known or _open_to_all(request) else NO_TOKEN


def _goes_by(request: Request, door: Door) -> bool:
    """Whether Host names this server: one of its names, or the very address the request arrived at."""
    hosts = request.headers.getlist("host")
    if len(hosts) != 1:
        return False
    try:
        asked = urlsplit(f"//{hosts[0]}")
        name, port = (asked.hostname or "").rstrip("."), asked.port or USUAL_PORTS.get(request.url.scheme, 80)
    except ValueError:
        return False
    arrived = request.scope.get("server") or ("", None)
    names = door.names if door.token_sha256 is None else door.names | {arrived[0]}
    return name in names and asked.username is None and not asked.path and port == (door.port or port)


def _own_page(request: Request) -> bool:
    """Whether a change comes from this server's own page, or from no page at all (a program)."""
    site = request.headers.get("sec-fetch-site", "same-origin")
    origin = request.headers.get("origin")
    same = origin is None or origin == f"{request.url.scheme}://{request.headers['host']}"
    return same and site in {"same-origin", "none"}


def _open_to_all(request: Request) -> bool:
    """The page's own files, which hold no data; whether the server runs; the way in."""
    path, reads = request.url.path, request.method in {"GET", "HEAD"}
    return (reads and (path in {"/", "/health"} or path.startswith("/page/"))) or path == ENTRANCE


def cookie_of(request: Request) -> str | None:
    """The secret that a device's browser carries."""
    return request.cookies.get(COOKIE)


def _bearer(request: Request) -> str | None:
    kind, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if kind.lower() == "bearer" else None
