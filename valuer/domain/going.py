"""How far something long has come: told by what does it, to whoever listens; by default nobody does."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TypeVar

T = TypeVar("T")
Report = Callable[[float, str], None]
"""Called with the share done, 0 to 1, and what is being done."""

_listener: ContextVar[Report | None] = ContextVar("listener", default=None)


@contextmanager
def heard_by(listener: Report | None) -> Iterator[None]:
    """Let ``listener`` hear how far things have come for as long as the block lasts."""
    token = _listener.set(listener)
    try:
        yield
    finally:
        _listener.reset(token)


def each_of(things: Sequence[T], what: str) -> Iterator[T]:
    """The things one by one, each told by its place among them; steps inside a thing move its own part on.

    >>> told: list[tuple[float, str]] = []
    >>> with heard_by(lambda share, what: told.append((share, what))):
    ...     for machine in each_of(["red", "blue"], "machine"):
    ...         _ = list(each_of([1, 2], "look"))
    >>> told[:3]
    [(0.0, 'machine 1 of 2'), (0.0, 'machine 1 of 2, look 1 of 2'), (0.25, 'machine 1 of 2, look 2 of 2')]
    """
    tell = _listener.get()
    if tell is None or len(things) == 1:
        yield from things
        return
    for done, thing in enumerate(things):
        before, said = done / len(things), f"{what} {done + 1} of {len(things)}"
        tell(before, said)
        with heard_by(_inside(tell, before, 1 / len(things), said)):
            yield thing


def _inside(tell: Report, before: float, part: float, said: str) -> Report:
    return lambda share, what: tell(before + part * share, f"{said}, {what}")
