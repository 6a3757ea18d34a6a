"""A symptom of unknown cause under work: what is believed after every look and every fix that failed.

A place of the story is what has been seen and what has failed. Given the cause, looks are independent, and
fixes share what is wrong with it (see `trouble`). Which acts are followed from a place is decided by that
place alone, so that the story goes on the same from there however it was reached.
"""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.trouble import CURED, GONE, STILL_THERE, Move, Trouble
from valuer.advice.work.workshop import BoolArray, IntArray
from valuer.advice.worth.named import Named
from valuer.domain.machine import Finding

MOST_PLACES = 3_000
"""Places of one symptom that are followed; wider stories are narrowed until they fit."""

MOST_LOOKS, MOST_TRIES = 8, 5
"""Looks and tries on one symptom; more never paid in trials."""


@dataclass(frozen=True, slots=True)
class Width:
    """How far a story is followed.

    The best looks and fixes from a place, and the share of what a cure brings below which a place is followed no
    further, when what is still to gain there weighed with the place's chance is less. Of more than ``acts`` looks and
    fixes it is not even tried.
    """

    looks: int
    fixes: int
    small: float
    acts: int = 99


WIDTHS = (
    Width(99, 99, 0.0, 8),
    Width(3, 3, 0.0005, 14),
    Width(2, 1, 0.001),
    Width(1, 1, 0.001),
    *(Width(1, 1, 0.002 * 2**step) for step in range(9)),
)
"""From all to ever less: the first that fits is taken."""

NOTHING = Width(0, 0, 1.0)
"""What always fits: nothing is followed."""

TELLS = 0.05
"""Worth of a bit of knowledge about the cause when looks are put in order, as a share of what a cure brings."""

TINY = 1e-12
"""Chance, or bits, below which an act changes nothing."""

BITS = 3
"""Bits of a place's code for what one look has shown."""


@dataclass(frozen=True, slots=True, eq=False)
class LookAt:
    """A look: its cost when acts are put in order, and the chance of each result under each cause, (m, c)."""

    name: str
    shows: tuple[str, ...]
    cost: float
    chance: FloatArray
    alike: int  # looks of one number are the same measurement: only one of them is taken


@dataclass(frozen=True, eq=False)
class Riddle:
    """What a symptom may be and what may be done: c causes, f fixes.

    ``prior``, shape (c,), are the beliefs before anything here is seen or done; ``odds``, shape (f, c), those
    of each fix under each cause, ``costs`` (f,) theirs. ``named`` are the prices by cause, of which those it is
    reckoned with count already at the factor ``told``. ``gain`` is the most that a cure brings, money.
    """

    finding: Finding
    causes: tuple[str, ...]
    prior: FloatArray
    fixes: tuple[str, ...]
    odds: FloatArray
    costs: FloatArray
    looks: tuple[LookAt, ...]
    named: Named
    gain: float
    told: float = 1.0

    def factors(self, beliefs: FloatArray) -> FloatArray:
        """Return what the price is multiplied with at some beliefs, shape (n, c), by what is known of the cause."""
        return self.named.factor(beliefs) / self.told

    @cached_property
    def results(self) -> IntArray:
        """The look, its place, of each of the r results that looks can have, shape (r,)."""
        return np.repeat(np.arange(len(self.looks)), [len(look.shows) for look in self.looks])

    def by_look(self, values: FloatArray) -> FloatArray:
        """Return the sums over the results of each look, shape (looks, n), of values of shape (r, n)."""
        firsts = np.searchsorted(self.results, np.arange(len(self.looks)))
        return np.add.reduceat(values, firsts, axis=0) if self.looks else values

    @cached_property
    def chances(self) -> FloatArray:
        """The chance of each result under each cause, shape (r, c)."""
        return np.concatenate([np.zeros((0, len(self.causes))), *(look.chance for look in self.looks)])

    @property
    def key(self) -> tuple[object, ...]:
        """What a story hangs on: all but the finding and the prices."""
        looks = tuple(
            (look.name, look.shows, look.cost, look.chance.tobytes(), look.alike) for look in self.looks
        )
        arrays = (self.prior, self.odds, self.costs)
        return self.causes, self.fixes, looks, *(array.tobytes() for array in arrays), self.gain


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """Places with the same number of looks and tries behind them, n of them.

    ``seen`` and ``tried`` are codes; ``weight`` (n, c) the chance of cause and of all that was seen;
    ``failed`` (n, c) the odds, under each cause, of the surest fix that failed.
    """

    seen: IntArray
    tried: IntArray
    weight: FloatArray
    failed: FloatArray

    def beliefs(self) -> FloatArray:
        """Return the chances of the causes, shape (n, c)."""
        left = self.weight * (1 - self.failed)
        return np.asarray(left / np.maximum(left.sum(axis=1, keepdims=True), 1e-300))


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """The ways that acts followed from the places of a layer can go, n of them, arrays of shape (n,).

    ``act`` counts the fixes first, then the looks; ``shows`` is the result's place among the act's. A way leads from a
    place ``at`` of the layer to a place ``child`` of the next one, -1 where the symptom is gone.
    """

    act: IntArray
    shows: IntArray
    at: IntArray
    chance: FloatArray
    child: IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Story:
    """A symptom's trouble, and what is believed at each place of it, shape (n, c); place 0 is gone.

    ``whole`` says whether every act is followed from every place.
    """

    riddle: Riddle
    trouble: Trouble
    beliefs: FloatArray
    codes: Mapping[tuple[int, int], int]
    whole: bool


def story(
    riddle: Riddle,
    seen: Mapping[str, str] | None = None,
    failed: Sequence[str] = (),
    *,
    cured: bool = False,
    most: int = MOST_PLACES,
) -> Story:
    """Return the story of a symptom, begun where looks have shown ``seen`` and fixes have ``failed``.

    The story is told from before any of it; where it does not lead to that place, it is told from there.
    """
    whole = _told(riddle, None, most)
    code = _code(riddle, seen or {}, failed)
    place = GONE if cured else whole.codes.get(code, _same_place(whole, code))
    if place is not None:
        return _at(whole, place)
    begun = _told(riddle, code, most)
    return _at(begun, begun.codes[code])


def _same_place(told: Story, code: tuple[int, int]) -> int | None:
    """Return the place at which a lesser fix that failed besides tells nothing more; None where there is none.

    A session may hold a fix that is not followed from where its first one failed; what it leads to is that place.
    """
    shown, tried = code
    failed = _failed(told.riddle, tried)
    return next(
        (
            place
            for (seen, fewer), place in told.codes.items()
            if seen == shown and fewer & tried == fewer and (_failed(told.riddle, fewer) == failed).all()
        ),
        None,
    )


def _failed(riddle: Riddle, tried: int) -> FloatArray:
    """Return the odds, under each cause, of the surest of the fixes tried, shape (c,)."""
    places = [place for place in range(len(riddle.fixes)) if tried >> place & 1]
    return np.asarray(riddle.odds[places].max(axis=0, initial=0.0))


KEPT = 256
"""Stories kept in memory: machines that differ in nothing that a story hangs on share one."""

_kept: dict[tuple[object, ...], Story] = {}


def _told(riddle: Riddle, code: tuple[int, int] | None, most: int) -> Story:
    """Return the story from the beginning, or from what a code says; the same riddle is told only once."""
    key = (*riddle.key, code, most)
    told = _kept.pop(key, None)
    if told is None:
        told = _grown(riddle, _root(riddle) if code is None else _placed(riddle, code), most)
    _kept[key] = told
    if len(_kept) > KEPT:
        _kept.pop(next(iter(_kept)), None)
    here = replace(told.trouble, finding=riddle.finding, factor=_factors(riddle, told.beliefs))
    return replace(told, riddle=riddle, trouble=here)


def _at(told: Story, start: int) -> Story:
    return replace(told, trouble=replace(told.trouble, start=start))


def _root(riddle: Riddle) -> Layer:
    one = np.zeros(1, dtype=np.int64)
    return Layer(one, one, riddle.prior[None].copy(), np.zeros((1, len(riddle.causes))))


def _code(riddle: Riddle, seen: Mapping[str, str], failed: Sequence[str]) -> tuple[int, int]:
    shown = sum(
        (look.shows.index(seen[look.name]) + 1) << (BITS * place)
        for place, look in enumerate(riddle.looks)
        if look.name in seen
    )
    return shown, sum(1 << place for place, name in enumerate(riddle.fixes) if name in failed)


def _placed(riddle: Riddle, code: tuple[int, int]) -> Layer:
    weight, failed = riddle.prior.copy(), _failed(riddle, code[1])
    for place, look in enumerate(riddle.looks):
        shown = code[0] >> (BITS * place) & (1 << BITS) - 1
        weight = weight * look.chance[shown - 1] if shown else weight
    if (weight * (1 - failed)).sum() <= 0:  # no cause allows it: the table is wrong then, not the eye
        weight, failed = riddle.prior.copy(), np.zeros(len(riddle.causes))
    return Layer(np.array([code[0]]), np.array([code[1]]), weight[None], failed[None])


def _telling(riddle: Riddle) -> int:
    """Return how many looks and fixes can change anything under the causes that are possible."""
    possible = riddle.prior > 0
    looks = sum(bool((np.ptp(look.chance[:, possible], axis=1) > TINY).any()) for look in riddle.looks)
    return looks + int((riddle.odds[:, possible] > TINY).any(axis=1).sum())


def _grown(riddle: Riddle, root: Layer, most: int) -> Story:
    """Return the story by the first width that it fits; what a lesser width follows, each before it follows too."""
    acts, told = _telling(riddle), dict[Width, Story | None]()

    def fits(width: Width) -> bool:
        told[width] = _followed(riddle, root, width, most)
        return told[width] is not None

    widths = [width for width in WIDTHS if acts <= width.acts]
    first = bisect_left(widths, 1, key=fits)  # False stands before True, which is 1
    only = told[widths[first]] if first < len(widths) else _followed(riddle, root, NOTHING, most)
    assert only is not None  # noqa: S101  nothing is followed where nothing is left to gain
    return only


def _followed(riddle: Riddle, root: Layer, width: Width, most: int) -> Story | None:
    """Return the story with so many looks and fixes followed from a place; None where it grows too long."""
    layers, steps, total = [root], [], 1
    while len(layers[-1].seen):
        after = _next(riddle, layers[-1], width, most - total)
        if after is None:
            return None
        steps.append(after[0])
        layers.append(after[1])
        total += len(after[1].seen)
    return _story(riddle, layers[:-1], steps, whole=width is WIDTHS[0])


def _next(riddle: Riddle, layer: Layer, width: Width, room: int) -> tuple[Steps, Layer] | None:
    """Return what is followed from a layer's places, and the layer it leads to; None where that has no room."""
    promise = _promise(riddle, layer, width.small)
    fixes, looks = _best(promise.fixes, width.fixes), _best(promise.looks, width.looks)
    if fixes.sum() + looks.sum() > room:
        return None
    fix, tried_at = np.nonzero(fixes)
    result, seen_at = np.nonzero(looks[riddle.results])
    look = riddle.results[result]
    shows = result - np.searchsorted(riddle.results, look)
    after = Layer(
        seen=np.concatenate([layer.seen[tried_at], layer.seen[seen_at] | shows + 1 << BITS * look]),
        tried=np.concatenate([layer.tried[tried_at] | 1 << fix, layer.tried[seen_at]]),
        weight=np.concatenate([layer.weight[tried_at], layer.weight[seen_at] * riddle.chances[result]]),
        failed=np.concatenate([np.maximum(layer.failed[tried_at], riddle.odds[fix]), layer.failed[seen_at]]),
    )
    first, place = _apart(after.seen, after.tried)
    if len(first) > room:
        return None
    cure, gone = promise.cure[fix, tried_at], np.full(len(fix), -1)
    steps = Steps(
        act=np.concatenate([fix, fix, len(riddle.fixes) + look]),
        shows=np.concatenate([np.zeros_like(fix), np.ones_like(fix), shows]),
        at=np.concatenate([tried_at, tried_at, seen_at]),
        chance=np.concatenate([cure, 1 - cure, promise.shown[result, seen_at]]),
        child=np.concatenate([gone, place]),
    )
    return steps, Layer(after.seen[first], after.tried[first], after.weight[first], after.failed[first])


def _apart(seen: IntArray, tried: IntArray) -> tuple[IntArray, IntArray]:
    """Return where each pair of codes first stands, in their order, and the place of each pair among these."""
    order = np.lexsort((tried, seen))
    new = np.ones(len(order), dtype=bool)
    new[1:] = (np.diff(seen[order]) != 0) | (np.diff(tried[order]) != 0)
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.cumsum(new) - 1
    return order[new], place


@dataclass(frozen=True, slots=True, eq=False)
class _Promise:
    """What acts promise at the n places of a layer: by it the best are followed.

    ``fixes``, shape (f, n), and ``looks``, shape (looks, n), rank higher the more they promise, minus infinity where
    they are not to be followed; ``cure``, shape (f, n), and ``shown``, (r, n), are the chances of what they lead to.
    """

    fixes: FloatArray
    looks: FloatArray
    cure: FloatArray
    shown: FloatArray


def _promise(riddle: Riddle, layer: Layer, small: float) -> _Promise:
    """Weigh all acts at all places of a layer. The places stand last: they are the most."""
    costs, gain = riddle.costs[:, None], riddle.gain
    weight = (layer.weight * (1 - layer.failed)).sum(axis=1)
    sharing = np.ascontiguousarray((layer.weight / np.maximum(weight, 1e-300)[:, None]).T)  # (c, n)
    failed = np.ascontiguousarray(layer.failed.T)
    cures = riddle.odds[:, :, None] - failed  # (f, c, n): large, so worked on where it stands
    np.maximum(cures, 0.0, out=cures)
    cures *= sharing
    cure = cures.sum(axis=1)
    brings = cure * gain - costs
    once = np.maximum(0.0, brings.max(axis=0, initial=0.0))
    untried = layer.tried >> np.arange(len(riddle.fixes))[:, None] & 1 == 0
    if small == 0:  # all that can change anything: a fix may pay on other faults, a look with another one
        tries, open_ = untried & (cure > TINY), np.ones(len(weight), dtype=bool)
    else:
        sure = (cures * np.maximum(gain - costs, 0.0)[:, None]).max(axis=0, initial=0.0).sum(axis=0)
        open_ = weight * (sure - once) > small * gain
        best = (brings >= once - 1e-9) & (weight * once > small * gain) & (brings > 0)
        tries = best | ((cure * gain > 0.5 * costs) & open_)
        tries &= untried & ((~untried).sum(axis=0) < MOST_TRIES)
    looks, shown = (
        np.full((len(riddle.looks), len(weight)), -np.inf),
        np.zeros((len(riddle.chances), len(weight))),
    )
    at = np.flatnonzero(open_)  # elsewhere no look is followed, and looks are what takes time
    if len(at):
        beliefs = sharing[:, at] * (1 - failed[:, at])
        looks[:, at], shown[:, at] = _looks_promise(
            riddle, layer.seen[at], beliefs, cures[:, :, at], once[at], small
        )
    rank = np.round(cure / np.maximum(costs, 1e-9), 9)
    return _Promise(np.where(tries, rank, -np.inf), looks, cure, shown)


def _looks_promise(
    riddle: Riddle, seen: IntArray, beliefs: FloatArray, cures: FloatArray, once: FloatArray, small: float
) -> tuple[FloatArray, FloatArray]:
    """Return what looks promise at n places, shape (looks, n), and the chance of each result, shape (r, n).

    ``beliefs`` has shape (c, n); ``once`` (n,) is what the best single fix brings without a look.
    """
    shown = riddle.chances @ beliefs
    bits, after = _bits_told(riddle, beliefs, shown), _after_looks(riddle, cures, shown)
    looking = np.array([look.cost for look in riddle.looks])[:, None]
    worth = np.round(after - once - looking + TELLS * riddle.gain * bits, 9)
    taken = seen >> BITS * np.arange(len(riddle.looks))[:, None] & (1 << BITS) - 1 > 0
    alike = np.array([look.alike for look in riddle.looks])
    takes = ~((alike[:, None] == alike) @ taken)  # nor one that is the same measurement
    takes &= (bits > TINY) if small == 0 else (worth > 0) & (taken.sum(axis=0) < MOST_LOOKS)
    return np.where(takes, worth, -np.inf), shown


def _after_looks(riddle: Riddle, cures: FloatArray, shown: FloatArray) -> FloatArray:
    """Return what the best single fix after each look brings, shape (looks, n).

    ``cures``, shape (f, c, n), is the chance of each cause and that the fix cures it, ``shown``, shape (r, n), that of
    each result.
    """
    best = riddle.chances @ cures  # (f, r, n)
    best *= riddle.gain
    best -= riddle.costs[:, None, None] * shown
    return riddle.by_look(best.max(axis=0, initial=0.0))


def _bits_told(riddle: Riddle, beliefs: FloatArray, shown: FloatArray) -> FloatArray:
    """Return the bits that each look tells about the cause, shape (looks, n): those the cause tells about the look.

    ``beliefs`` has shape (c, n), ``shown``, the chance of each result, (r, n).
    """
    return riddle.by_look(_bits(shown)) - riddle.by_look(_bits(riddle.chances)) @ beliefs


def _bits(chance: FloatArray) -> FloatArray:
    """Return what each of some chances adds to the bits that are not known, the same shape."""
    return np.asarray(-chance * np.log2(np.maximum(chance, 1e-12)))


def _best(rank: FloatArray, width: int) -> BoolArray:
    """Mark the highest ``width`` of each column, of equals the first; never what ranks at minus infinity."""
    followed = np.isfinite(rank)
    if width >= len(rank):
        return followed
    marked, left, every = np.zeros(rank.shape, dtype=bool), rank.copy(), np.arange(rank.shape[1])
    for _ in range(width):
        top = left.argmax(axis=0)
        marked[top, every], left[top, every] = True, -np.inf
    return marked & followed


def _story(riddle: Riddle, layers: Sequence[Layer], steps: Sequence[Steps], *, whole: bool) -> Story:
    firsts = np.cumsum([1, *(len(layer.seen) for layer in layers)])
    n = int(firsts[-1])
    beliefs = np.concatenate([np.zeros((1, len(riddle.causes))), *(layer.beliefs() for layer in layers)])
    depth = np.concatenate([[len(layers)], *(np.full(len(layer.seen), d) for d, layer in enumerate(layers))])
    there = np.ones(n)
    there[GONE] = 0.0
    codes = {
        (int(seen), int(tried)): int(first + place)
        for first, layer in zip(firsts, layers, strict=False)
        for place, (seen, tried) in enumerate(zip(layer.seen, layer.tried, strict=True))
    }
    trouble = Trouble(
        finding=riddle.finding,
        there=there,
        factor=_factors(riddle, beliefs),
        sure=there >= 1,
        depth=depth.astype(np.int64),
        moves=_moves(riddle, firsts, steps, None if whole else _telling_at(riddle, layers)),
        start=THERE_AT_FIRST,
    )
    return Story(riddle, trouble, beliefs, codes, whole)


THERE_AT_FIRST = 1


def _telling_at(riddle: Riddle, layers: Sequence[Layer]) -> BoolArray:
    """Say at which places which fixes would tell something, shape (n, f); nothing at place 0, gone."""
    told = [np.zeros((1, len(riddle.fixes)), dtype=bool)]
    for layer in layers:
        left = layer.beliefs()[:, None, :] * np.maximum(riddle.odds - layer.failed[:, None, :], 0.0)
        told.append(left.sum(axis=2) > TINY)
    return np.concatenate(told)


def _moves(
    riddle: Riddle, firsts: IntArray, steps: Sequence[Steps], telling: BoolArray | None
) -> dict[str, Move]:
    """Return the acts' moves over all n places, put together from the steps of every layer, in the order met.

    ``telling``, shape (n, fixes), says where a fix would tell something; None where all that does is followed.
    """
    n, fixes = int(firsts[-1]), len(riddle.fixes)
    every = Steps(
        act=np.concatenate([step.act for step in steps]),
        shows=np.concatenate([step.shows for step in steps]),
        at=np.concatenate([first + step.at for first, step in zip(firsts, steps, strict=False)]),
        chance=np.concatenate([step.chance for step in steps]),
        child=np.concatenate(
            [
                np.where(step.child < 0, GONE, first + step.child)
                for first, step in zip(firsts[1:], steps, strict=False)
            ]
        ),
    )
    moves: dict[str, Move] = {}
    for act in dict.fromkeys(every.act.tolist()):
        here = np.flatnonzero(every.act == act)
        name = riddle.fixes[act] if act < fixes else riddle.looks[act - fixes].name
        shows = (CURED, STILL_THERE) if act < fixes else riddle.looks[act - fixes].shows
        chance = np.zeros((n, len(shows)))
        chance[:, -1] = 1.0
        leads = np.repeat(np.arange(n)[:, None], len(shows), axis=1)
        can = np.zeros(n, dtype=bool)
        chance[every.at[here], every.shows[here]] = every.chance[here]
        leads[every.at[here], every.shows[here]] = every.child[here]
        can[every.at[here]] = True
        unheard = telling[:, act] & ~can if telling is not None and act < fixes else np.zeros(n, dtype=bool)
        moves[name] = Move(shows, chance, leads, can, unheard)
    return moves


def _factors(riddle: Riddle, beliefs: FloatArray) -> FloatArray:
    factor = riddle.factors(beliefs)
    factor[GONE] = 1.0
    return factor
