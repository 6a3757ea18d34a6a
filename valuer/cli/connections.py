"""How many connections there may be, and for how long one may say nothing; what is said once a minute at most.

A connection costs the server a descriptor of the system. Without an end somebody on the network who opens a thousand
and says nothing takes them all, and the loop then complains about each one that it cannot take, thousands a second.
"""

import asyncio
import logging
import resource
from time import monotonic

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS = 500
KEPT_FREE = 100  # descriptors for the records, the page's files, the log
SILENCE_S = 20.0  # until the first request must be there, its head as a whole
SELDOM_S = 60.0


def most_connections() -> int:
    """As many as the system's limit on descriptors leaves room for."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return max(10, min(MOST_CONNECTIONS, soft - KEPT_FREE))


class Bounded(H11Protocol):
    """HTTP as uvicorn speaks it, on no more connections than there is room for, and on none that says nothing."""

    silence_s = SILENCE_S

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take the connection, or hang up at once."""
        super().connection_made(transport)
        self._silent: asyncio.TimerHandle | None = None
        if len(self.connections) > most_connections():
            transport.abort()
        else:
            self._silent = self.loop.call_later(self.silence_s, self._hang_up)

    def _hang_up(self) -> None:
        if getattr(self, "cycle", None) is None:  # no request has begun
            self.transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        if self._silent:
            self._silent.cancel()
        super().connection_lost(exc)


class Seldom(logging.Filter):
    """Let the same words through once a minute, whoever says them: a fault that repeats itself fills no disk."""

    def __init__(self, seconds: float = SELDOM_S) -> None:
        super().__init__()
        self._seconds = seconds
        self._said: dict[str, float] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether these words were not said within the last minute."""
        words, moment = record.getMessage().split("\n", 1)[0][:80], monotonic()
        if moment - self._said.get(words, -self._seconds) < self._seconds:
            return False
        if len(self._said) > 100:  # noqa: PLR2004 - words with numbers in them would gather
            self._said.clear()
        self._said[words] = moment
        return True
