"""Headers of every answer: what a browser may do with it, which is as little as the page needs."""

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.door import LOOPBACK

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
    "Cache-Control": "no-store",  # answers hold somebody's money; the page's files say otherwise
}
ONLY_WHERE_SAFE = "Cross-Origin-Opener-Policy"  # browsers ignore it, and complain, where there is no TLS

RAW = tuple((name.lower().encode(), value.encode()) for name, value in HEADERS.items())
RAW_ELSEWHERE = tuple(each for each in RAW if each[0] != ONLY_WHERE_SAFE.lower().encode())
"""The same as they leave, and those of them where there is no TLS."""


class GuardedHeaders:
    """ASGI middleware that adds the headers an answer does not have yet."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass everything on; add headers where an answer begins."""
        arrived = (scope.get("server") or ("",))[0]
        safe = arrived in LOOPBACK or scope.get("scheme") == "https"

        added = RAW if safe else RAW_ELSEWHERE

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                there = {name for name, _ in message["headers"]}
                message["headers"] = [*message["headers"], *(each for each in added if each[0] not in there)]
            await send(message)

        await self._app(scope, receive, guarded if scope["type"] == "http" else send)
