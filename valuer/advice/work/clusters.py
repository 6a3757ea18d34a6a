"""Faults whose policies touch one another, and every combination of those policies.

Two faults touch when a first try for one can cure the other, or when one brings the other about. Only inside
a cluster do outcomes depend on what is chosen for another fault.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import prod
from typing import NamedTuple, Protocol

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.policies import NO_FIX, BoolArray, IntArray, Policies, Workshop
from valuer.advice.worth.lattice import subsets

EXPLAINS = 0.8
"""Chance that a symptom is gone once the causes found on the machine are cured (judgement, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """What is to be decided on one machine with k faults.

    ``proceeds``, shape (2,)*k, is the money left from the sale with each subset of the faults left in.
    ``chances``, shape (k,), are the chances that the faults are there; ``odds``, shape (k, n_fixes), those of
    each fix on each fault. ``causes`` lists, per fault, the axes of found faults that bring it about: it is
    not cured before they are. ``forced`` are the axes of faults that are not to be left without work.
    ``hour_value``, ``price_level`` (for parts) and ``margin`` are money.
    """

    shop: Workshop
    proceeds: FloatArray
    chances: FloatArray
    odds: FloatArray
    policies: tuple[Policies, ...]
    causes: tuple[tuple[int, ...], ...]
    forced: frozenset[int]
    hour_value: float
    price_level: float
    margin: float

    @property
    def now(self) -> float:
        """Money left from the sale as it stands."""
        return float(self.proceeds[(1,) * self.proceeds.ndim])


@dataclass(frozen=True, slots=True, eq=False)
class Cluster:
    """Every combination of the policies of some faults; n of them.

    ``axes`` are the faults, a cause before its symptom. ``choice``, shape (n, faults), is the policy of each;
    ``left``, shape (n, 2**faults), the chance of each subset being left in. Shape (n,): ``cash`` and
    ``hours`` expected without strip-down, ``groups`` of the first round as bit sets, ``worst_cash`` and
    ``worst_hours`` when every try fails, ``fixes`` in the first round.
    """

    axes: tuple[int, ...]
    choice: IntArray
    left: FloatArray
    cash: FloatArray
    hours: FloatArray
    groups: IntArray
    worst_cash: FloatArray
    worst_hours: FloatArray
    fixes: FloatArray


def part_of(cluster: Cluster, rows: slice | IntArray) -> Cluster:
    """Return some of a cluster's combinations."""
    names = ("choice", "left", "cash", "hours", "groups", "worst_cash", "worst_hours", "fixes")
    return replace(cluster, **{name: getattr(cluster, name)[rows] for name in names})


class Needless(Protocol):
    """What is known to be in no best plan that another does not equal."""

    def replaced(self, axis: int) -> BoolArray:
        """Say which policy (row) may stand in for which (column), shape (n_policies, n_policies).

        Both begin with the same fix; it may do so in any plan whose first round has none of its later tries.
        """

    def wasteful(self, axes: tuple[int, ...], places: IntArray, does: BoolArray) -> BoolArray:
        """Say which first rounds hold a fix not worth doing in them, shape (n,); ``does`` is (n, places)."""


MOST_CELLS = 1 << 24
"""Combinations of policies of one cluster, times subsets of its faults, that are listed: 128 MB of chances."""


class TooMany(ValueError):
    """A cluster has more combinations than are listed."""


def clusters(case: Case, needless: Needless | None = None) -> tuple[Cluster, ...]:
    """Return the clusters of a case, each with all combinations of its policies.

    With ``needless``, without those that it leaves out. Raises TooMany.
    """
    return tuple(
        _single(case, *axes) if len(axes) == 1 else _cluster(case, axes, needless)
        for axes in together_with(case)
    )


def together_with(case: Case) -> list[tuple[int, ...]]:
    """Group the axes that touch, in an order in which causes come before their symptoms."""
    group = list(range(len(case.policies)))
    for axis, policies in enumerate(case.policies):
        firsts = np.unique(policies.first[policies.first != NO_FIX])
        touched = np.flatnonzero(case.odds[:, firsts].any(axis=1)).tolist()
        for other in (*touched, *case.causes[axis]):
            old, new = group[other], group[axis]
            group = [new if number == old else number for number in group]
    return [
        tuple(in_working_order(case, [axis for axis in range(len(group)) if group[axis] == number]))
        for number in dict.fromkeys(group)
    ]


def in_working_order(case: Case, axes: Iterable[int]) -> list[int]:
    """Return axes in an order in which causes come before their symptoms."""
    return sorted(axes, key=lambda axis: _depth(case, axis))


def _depth(case: Case, axis: int) -> int:
    return max((1 + _depth(case, cause) for cause in case.causes[axis]), default=0)


def _single(case: Case, axis: int) -> Cluster:
    """Return the cluster of a fault that nothing touches: each of its policies."""
    policies, shop = case.policies[axis], case.shop
    first, acts = policies.first, policies.first != NO_FIX
    stays = np.where(acts, 1 - case.odds[axis, first], 1.0)
    left, tried = stays * (1 - policies.cured_later), case.chances[axis] * stays
    parts, own = acts * shop.parts[first], acts * shop.hours[first]
    return Cluster(
        axes=(axis,),
        choice=np.arange(len(first))[:, None],
        left=np.stack([1 - left, left], axis=1),
        cash=case.price_level * (parts + tried * policies.later_parts),
        hours=own + tried * policies.later_hours,
        groups=acts * shop.groups[first],
        worst_cash=case.price_level * (parts + policies.worst_parts),
        worst_hours=own + policies.worst_hours,
        fixes=acts.astype(np.float64),
    )


def _cluster(case: Case, axes: tuple[int, ...], needless: Needless | None) -> Cluster:
    shop, chosen = case.shop, [case.policies[axis] for axis in axes]
    places = np.unique(np.concatenate([p.first[p.first != NO_FIX] for p in chosen]))
    rounds = _first_rounds(chosen, places)
    if needless is not None:
        does = (rounds.done[:, None] >> np.arange(len(places)) & 1).astype(bool)
        rounds = rounds.only(~needless.wasteful(axes, places, does))
    replaced = [None if needless is None else needless.replaced(axis) for axis in axes]
    choice = _combinations(chosen, places, rounds, replaced)
    firsts = np.stack([p.first[choice[:, i]] for i, p in enumerate(chosen)], axis=1)
    does = (firsts[:, :, None] == places).any(axis=1)
    stays = np.ones((len(choice), len(axes)))
    for column, place in enumerate(places):
        stays *= 1 - does[:, column, None] * case.odds[list(axes), place]
    left, tried = _outcomes(case, axes, stays, _column(chosen, choice, "cured_later"))
    parts = does @ shop.parts[places]
    own = does @ shop.hours[places]
    return Cluster(
        axes=axes,
        choice=choice,
        left=left,
        cash=case.price_level * (parts + (tried * _column(chosen, choice, "later_parts")).sum(axis=1)),
        hours=own + (tried * _column(chosen, choice, "later_hours")).sum(axis=1),
        groups=np.bitwise_or.reduce(does * shop.groups[places], axis=1, initial=0),
        worst_cash=case.price_level * (parts + _column(chosen, choice, "worst_parts").sum(axis=1)),
        worst_hours=own + _column(chosen, choice, "worst_hours").sum(axis=1),
        fixes=does.sum(axis=1).astype(np.float64),
    )


def _column(chosen: Sequence[Policies], choice: IntArray, name: str) -> FloatArray:
    return np.stack([getattr(p, name)[choice[:, i]] for i, p in enumerate(chosen)], axis=1)


class FirstRounds(NamedTuple):
    """Combinations of first tries; n of them.

    ``starts``, shape (n, faults), is the place of each fault's first try among its own, ``done``, shape (n,),
    the fixes done as bits.
    """

    starts: IntArray
    done: IntArray

    def only(self, keep: BoolArray | IntArray) -> "FirstRounds":
        """Return some of them."""
        return FirstRounds(self.starts[keep], self.done[keep])


def _first_rounds(chosen: Sequence[Policies], places: IntArray) -> FirstRounds:
    firsts = [np.unique(p.first) for p in chosen]
    if prod(len(first) for first in firsts) > MOST_ROUNDS or len(places) > MOST_BITS:
        raise TooMany(f"more than {MOST_ROUNDS} combinations of first tries")
    starts = np.indices([len(first) for first in firsts]).reshape(len(chosen), -1).T
    done = np.full(len(starts), ALWAYS)
    for first, column in zip(firsts, starts.T, strict=True):
        done |= _bits(first, places)[column]
    return FirstRounds(starts, done)


def _combinations(
    chosen: Sequence[Policies],
    places: IntArray,
    rounds: FirstRounds,
    replaced: Sequence[BoolArray | None],
) -> IntArray:
    """Return every combination of policies, shape (n, faults), that does no fix of the first round again.

    Fault by fault the policies that begin as the round says are put in. Raises TooMany.
    """
    most = MOST_CELLS >> len(chosen)
    for i, policies in enumerate(chosen):
        begins = np.unique(policies.first, return_inverse=True)[1]
        fits = rounds.starts[:, [i]] == begins
        fits &= (rounds.done[:, None] & _later_bits(policies, places)) == 0
        for place, sets in _stand_ins(policies, places, replaced[i]):
            at = np.flatnonzero(fits[:, place])
            fits[at, place] = ((rounds.done[at, None] & sets) != 0).all(axis=1)
        which, policy = np.nonzero(fits)
        if len(which) > most:
            raise TooMany(f"more than {most} combinations of policies")
        rounds = rounds.only(which)
        rounds.starts[:, i] = policy
    return rounds.starts


MOST_ROUNDS = 1 << 21
"""Combinations of first tries of one cluster that are gone through."""

MOST_BITS = 60
ALWAYS = 1 << 62
"""First tries that one integer can hold, and a bit that is none of them."""


def _bits(fixes: IntArray, places: IntArray) -> IntArray:
    """Return each fix as a bit, by its place among ``places``; 0 where it is none of them."""
    at = np.minimum(np.searchsorted(places, fixes), max(len(places) - 1, 0))
    found = places[at] == fixes if len(places) else np.zeros(fixes.shape, dtype=bool)
    return np.where(found, np.left_shift(1, at), 0).astype(np.int64)


def _later_bits(policies: Policies, places: IntArray) -> IntArray:
    return np.asarray(np.bitwise_or.reduce(_bits(policies.later, places), axis=1))


def _stand_ins(
    policies: Policies, places: IntArray, replaced: BoolArray | None
) -> Iterator[tuple[int, IntArray]]:
    """Yield, for each policy that may be replaced, the first tries that keep each stand-in out, as bits."""
    if replaced is None:
        return
    later = _later_bits(policies, places)
    for place in np.flatnonzero(replaced.any(axis=0)).tolist():
        yield place, np.unique(later[replaced[:, place]] & ~later[place])


def _outcomes(
    case: Case, axes: tuple[int, ...], stays: FloatArray, cured_later: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the chance of each subset being left in, and of each fault getting its later tries.

    A symptom stays while a cause stays; when the causes are gone it goes with them with chance `EXPLAINS`,
    and only the rest is up to its own fixes.
    """
    joint = np.ones((len(stays), 1))
    tried = np.empty_like(stays)
    for place, axis in enumerate(axes):
        blocked = _blocked(axes[:place], case.causes[axis])
        share = 1 - EXPLAINS if case.causes[axis] else 1.0
        still = share * stays[:, place]
        tried[:, place] = (
            case.chances[axis] * still * (joint[:, ~blocked].sum(axis=1) if blocked.any() else 1)
        )
        stay = np.where(blocked, 1.0, (still * (1 - cured_later[:, place]))[:, None])
        joint = np.stack([joint * (1 - stay), joint * stay], axis=2).reshape(len(stays), 2 * joint.shape[1])
    return joint, tried


def _blocked(before: Sequence[int], causes: Sequence[int]) -> BoolArray:
    """Say, per subset of the faults before, whether a cause is among those left in."""
    columns = [place for place, axis in enumerate(before) if axis in causes]
    return np.asarray(subsets(len(before))[:, columns].any(axis=1))
