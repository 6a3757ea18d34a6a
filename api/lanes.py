"""How much is worked on at once, and for how long: a few questions, a short queue, then a cheap refusal.

Heavy questions and records have lanes of their own, so neither holds up the other; `/health` and the page's
files stand in none. A thread that works out an answer cannot be stopped from outside: an answer that takes too
long is refused, but keeps its place in the lane until it is done, so that late ones cannot pile up.
"""

import asyncio
from collections.abc import Coroutine, MutableMapping
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import Refusal, problem

T = TypeVar("T")
LIMIT_S = 60.0
BUSY = Refusal(503, "too many questions at once; ask again in a few seconds", headers={"Retry-After": "5"})
TOO_LONG = Refusal(
    503,
    f"no answer within {LIMIT_S:.0f} s; ask about fewer machines at a time, and read again what was to be changed",
    headers={"Retry-After": "60"},
)


class Lane:
    """So many at once, so many waiting, none longer than its patience in seconds; raises BUSY.

    ``taken`` and ``waiting`` count those that are in it now.
    """

    def __init__(self, at_once: int, waiting: int, patience: float) -> None:
        self._at_once = at_once
        self._most_waiting = waiting
        self._patience = patience
        self.waiting = 0
        self.taken = 0
        self._places: MutableMapping[asyncio.AbstractEventLoop, asyncio.Semaphore] = WeakKeyDictionary()

    async def through(self, work: Coroutine[Any, Any, T]) -> T:
        """Do the work once there is a place for it, which it keeps until it is done, awaited or not."""
        try:
            free = await self._free()
        except BaseException:
            work.close()
            raise
        doing = asyncio.ensure_future(work)
        self.taken += 1
        doing.add_done_callback(lambda _: self._leave(free))
        return await asyncio.shield(doing)

    def _leave(self, free: asyncio.Semaphore) -> None:
        self.taken -= 1
        free.release()

    async def _free(self) -> asyncio.Semaphore:
        """The places of this server, one of them taken."""
        free = self._places.setdefault(asyncio.get_running_loop(), asyncio.Semaphore(self._at_once))
        if free.locked() and self.waiting >= self._most_waiting:
            raise BUSY
        self.waiting += 1
        try:
            async with asyncio.timeout(self._patience):
                await free.acquire()
        except TimeoutError:
            raise BUSY from None
        finally:
            self.waiting -= 1
        return free


def usual_lanes() -> dict[str, Lane]:
    """Two heavy questions at once, as there are two cores; many small reads and writes."""
    return {"heavy": Lane(2, 64, 30.0), "light": Lane(16, 256, 30.0)}


class TimeLimit:
    """ASGI middleware that answers in the place of what takes too long."""

    def __init__(self, app: ASGIApp, seconds: float = LIMIT_S) -> None:
        self._app = app
        self._seconds = seconds
        self._late: set[asyncio.Task[None]] = set()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on; refuse it when no answer has begun in time."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        answer = _Answer(send)
        work = asyncio.ensure_future(_run(self._app, scope, receive, answer))
        try:
            await asyncio.wait({work}, timeout=self._seconds)
            if work.done() or answer.begun:
                await work
                return
            answer.given_up = True
            await problem(Request(scope), TOO_LONG)(scope, receive, send)
        finally:
            if not work.done():
                self._late.add(work)
                work.add_done_callback(self._late.discard)
                work.cancel()


class _Answer:
    """The way to the caller, closed once the caller was told that it took too long."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self.begun = False
        self.given_up = False

    async def __call__(self, message: Message) -> None:
        if not self.given_up:
            self.begun = True
            await self._send(message)


async def _run(app: ASGIApp, scope: Scope, receive: Receive, send: Send) -> None:
    await app(scope, receive, send)
