"""A second way to the value of a plan: every course of events written out, one by one, in plain Python.

Nothing of the product's mathematics is used here, only the fixes' figures and the meaning of a plan: the
first tries of all policies are done in one go, each fix once, strip-down once; then every fault that is still
there gets its later tries, each a session of its own.
"""

from collections.abc import Iterator, Sequence
from itertools import product
from typing import NamedTuple

from valuer.advice.work.clusters import EXPLAINS, Case
from valuer.advice.work.policies import NO_FIX
from valuer.domain.fixes import bench_hours, between


class Way(NamedTuple):
    """A policy: the first try (or none) and the later ones, places in the workshop."""

    first: int
    later: tuple[int, ...]


class Value(NamedTuple):
    """What a plan comes to: returns over leaving as it stands, hours, worst-case cash."""

    returns: float
    hours: float
    worst_cash: float


def every_way(case: Case) -> Iterator[tuple[Way, ...]]:
    """Every combination of the policies compared that does no fix twice."""
    choices = [
        [
            Way(int(first), tuple(int(place) for place in later if place != NO_FIX))
            for first, later in zip(policies.first, policies.later, strict=True)
        ]
        for policies in case.policies
    ]
    for ways in product(*choices):
        done = {way.first for way in ways} - {NO_FIX}
        if all(done.isdisjoint(way.later) for way in ways):
            yield ways


def value(case: Case, ways: Sequence[Way]) -> Value:
    """Walk through every course of events and add up."""
    shop = case.shop
    done = [shop.fixes[shop.names[place]] for place in sorted({way.first for way in ways} - {NO_FIX})]
    first_hours = bench_hours(done)
    first_cash = case.price_level * sum(between(fix.parts, "likely") for fix in done)
    sale = hours = cash = 0.0
    for chance, left, later in _courses(case, ways, [shop.names.index(fix.id) for fix in done]):
        sale += chance * float(case.proceeds[left])
        hours += chance * sum(bench_hours([shop.fixes[shop.names[place]]]) for place in later)
        cash += chance * case.price_level * sum(shop.parts[place] for place in later)
    worst = first_cash + case.price_level * sum(shop.parts[place] for way in ways for place in way.later)
    now = float(case.proceeds[(1,) * case.proceeds.ndim])
    total_hours = first_hours + hours
    return Value(sale - now - first_cash - cash - case.hour_value * total_hours, total_hours, float(worst))


def _courses(
    case: Case, ways: Sequence[Way], done: Sequence[int]
) -> Iterator[tuple[float, tuple[int, ...], list[int]]]:
    """Yield (chance, which faults are left in, later tries made) of every course of events."""
    order = sorted(range(len(ways)), key=lambda axis: _depth(case, axis))
    yield from _course(case, ways, done, order, {}, 1.0, [])


def _depth(case: Case, axis: int) -> int:
    return max((1 + _depth(case, cause) for cause in case.causes[axis]), default=0)


def _course(
    case: Case,
    ways: Sequence[Way],
    done: Sequence[int],
    order: Sequence[int],
    left: dict[int, int],
    chance: float,
    later: list[int],
) -> Iterator[tuple[float, tuple[int, ...], list[int]]]:
    if len(left) == len(order):
        yield chance, tuple(left[axis] for axis in range(len(order))), later
        return
    axis = order[len(left)]
    if any(left[cause] for cause in case.causes[axis]):
        yield from _course(case, ways, done, order, {**left, axis: 1}, chance, later)
        return
    for part, stays, tried in _events(case, axis, ways[axis], done):
        if part:
            yield from _course(
                case, ways, done, order, {**left, axis: stays}, chance * part, [*later, *tried]
            )


def _events(case: Case, axis: int, way: Way, done: Sequence[int]) -> Iterator[tuple[float, int, list[int]]]:
    """Yield (chance, left in, later tries made) for one fault whose causes are gone.

    A doubtful fault that is not there costs no later try; being left in is then worth what the lattice says.
    """
    lives = 1 - EXPLAINS if case.causes[axis] else 1.0
    for place in done:
        lives *= 1 - case.odds[axis, place]
    yield 1 - lives, 0, []
    for there, share in ((True, case.chances[axis]), (False, 1 - case.chances[axis])):
        chance = lives * share
        tried: list[int] = []
        for place in way.later:
            tried = [*tried, place] if there else tried
            yield chance * case.odds[axis, place], 0, tried
            chance *= 1 - case.odds[axis, place]
        yield chance, 1, tried
