"""A symptom of unknown cause under work: what is believed after every look and every fix that failed.

A place of the story is what has been seen and what has failed. Given the cause, looks are independent, and
fixes share what is wrong with it (see `trouble`). Which acts are followed from a place is decided by that
place alone, so that the story goes on the same from there however it was reached.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

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

TELLS = 0.05
"""Worth of a bit of knowledge about the cause when looks are put in order, as a share of what a cure brings."""

TINY = 1e-12
"""Chance, or bits, below which an act changes nothing."""

FIX, LOOK = True, False
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


@dataclass(frozen=True, slots=True, eq=False)
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

    @property
    def results(self) -> list[int]:
        """How many results each look has."""
        return [len(look.shows) for look in self.looks]

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
class Step:
    """An act followed from some places of a layer: per place (n,) the act, results (n, m) and children (n, m)."""

    fix: bool
    act: int
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
    acts = _telling(riddle)
    for width in WIDTHS:
        if acts > width.acts:
            continue
        told = _followed(riddle, root, width, most)
        if told is not None:
            return told
    only = _followed(riddle, root, Width(0, 0, 1.0), most)
    assert only is not None  # noqa: S101  nothing is followed where nothing is left to gain
    return only


def _followed(riddle: Riddle, root: Layer, width: Width, most: int) -> Story | None:
    """Return the story with so many looks and fixes followed from a place; None where it grows too long."""
    layers, steps, total, layer = [root], [], 1, root
    while True:
        found, after = _next(riddle, layer, width, most - total)
        if after is None:
            return None
        layer = after
        steps.append(found)
        if not len(layer.seen):
            return _story(riddle, layers, steps, whole=width is WIDTHS[0])
        layers.append(layer)
        total += len(layer.seen)


def _next(riddle: Riddle, layer: Layer, width: Width, room: int) -> tuple[list[Step], Layer | None]:
    """Return what is followed from a layer's places, and the layer it leads to; None where it has no room."""
    promise = _Promise.of(riddle, layer, width.small)
    fixes, looks = promise.fixes(width.fixes), promise.looks(width.looks)
    if (fixes.sum() + looks.sum()) > room:
        return [], None
    born: list[tuple[IntArray, IntArray, FloatArray, FloatArray]] = []
    steps, count = [], 0
    for act in np.flatnonzero(fixes.any(axis=0)):
        at = np.flatnonzero(fixes[:, act])
        failed = np.maximum(layer.failed[at], riddle.odds[act])
        born.append((layer.seen[at], layer.tried[at] | 1 << int(act), layer.weight[at], failed))
        p = promise.cure[at, act]
        child = np.stack([np.full(len(at), -1), count + np.arange(len(at))], axis=1)
        steps.append(Step(FIX, int(act), at, np.stack([p, 1 - p], axis=1), child))
        count += len(at)
    for act in np.flatnonzero(looks.any(axis=0)):
        at, look = np.flatnonzero(looks[:, act]), riddle.looks[act]
        chance, child = promise.shown[act][at], np.empty((len(at), len(look.shows)), dtype=np.int64)
        for shown in range(len(look.shows)):
            code = layer.seen[at] | shown + 1 << BITS * int(act)
            born.append((code, layer.tried[at], layer.weight[at] * look.chance[shown], layer.failed[at]))
            child[:, shown] = count + np.arange(len(at))
            count += len(at)
        steps.append(Step(LOOK, int(act), at, chance, child))
    if not count:
        return [], Layer(layer.seen[:0], layer.tried[:0], layer.weight[:0], layer.failed[:0])
    seen, tried, weight, failed = (np.concatenate(part) for part in zip(*born, strict=True))
    _, first, place = np.unique(
        np.stack([seen, tried], axis=1), axis=0, return_index=True, return_inverse=True
    )
    if len(first) > room:
        return [], None
    steps = [
        Step(s.fix, s.act, s.at, s.chance, np.where(s.child < 0, -1, place.ravel()[s.child])) for s in steps
    ]
    return steps, Layer(seen[first], tried[first], weight[first], failed[first])


@dataclass(frozen=True, slots=True, eq=False)
class _Promise:
    """What acts promise at the places of a layer, arrays of shape (n, acts): by it the best are followed."""

    riddle: Riddle
    cure: FloatArray  # (n, f) chance that a fix cures
    fix_rank: FloatArray
    look_rank: FloatArray
    shown: list[FloatArray]  # per look (n, m)

    @classmethod
    def of(cls, riddle: Riddle, layer: Layer, small: float) -> "_Promise":
        """Weigh all acts at all places of a layer."""
        beliefs, gain = layer.beliefs(), riddle.gain
        failed = layer.failed[:, None, :]
        still = np.maximum(riddle.odds - failed, 0.0) / np.maximum(1 - failed, 1e-12)  # (n, f, c)
        cure = np.einsum("nc,nfc->nf", beliefs, still)
        brings = cure * gain - riddle.costs
        once = np.maximum(0.0, brings.max(axis=1, initial=0.0))
        sure = np.einsum(
            "nc,nc->n",
            beliefs,
            (still * np.maximum(gain - riddle.costs[:, None], 0.0)).max(axis=1, initial=0.0),
        )
        weight = (layer.weight * (1 - layer.failed)).sum(axis=1)
        open_ = weight * (sure - once) > small * gain
        looks_done, tries_done = cls._counts(riddle, layer)
        untried = layer.tried[:, None] >> np.arange(len(riddle.fixes)) & 1 == 0
        best = (brings >= once[:, None] - 1e-9) & (weight * once > small * gain)[:, None] & (brings > 0)
        worth = untried & (tries_done < MOST_TRIES)[:, None]
        worth &= best | ((cure * gain > 0.5 * riddle.costs) & open_[:, None])
        chance, worth_of, bits = cls._looks(riddle, beliefs, still, once)
        free = cls._untaken(riddle, layer) & (worth_of > 0) & (open_ & (looks_done < MOST_LOOKS))[:, None]
        if small == 0:  # all that can change anything: a fix may pay on other faults, a look with another one
            worth = untried & (cure > TINY)
            free = cls._untaken(riddle, layer) & (bits > TINY)
        rank = np.where(worth, cure / np.maximum(riddle.costs, 1e-9), -np.inf)
        ranks = np.where(free, worth_of, -np.inf)
        return cls(riddle, cure, rank, ranks, np.split(chance, np.cumsum(riddle.results)[:-1], axis=1))

    @staticmethod
    def _looks(
        riddle: Riddle, beliefs: FloatArray, still: FloatArray, once: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the chances of all looks' results (n, results), and of each look (n, looks) its worth and its bits."""
        if not riddle.looks:
            none = np.zeros((len(beliefs), 0))
            return none, none, none
        rows = np.concatenate([look.chance for look in riddle.looks])  # (r, c)
        firsts = np.cumsum([0, *riddle.results[:-1]])
        chance = beliefs @ rows.T
        joint = beliefs[:, None, :] * rows  # (n, r, c)
        best = (joint @ still.transpose(0, 2, 1)) * riddle.gain - chance[:, :, None] * riddle.costs
        after = np.add.reduceat(np.maximum(best.max(axis=2, initial=0.0), 0.0), firsts, axis=1)
        told = joint / np.maximum(chance[:, :, None], 1e-300)
        unsure = np.add.reduceat(chance * _bits(told), firsts, axis=1)
        costs = np.array([look.cost for look in riddle.looks])
        bits = _bits(beliefs)[:, None] - unsure
        return chance, after - once[:, None] - costs + TELLS * riddle.gain * bits, bits

    @staticmethod
    def _counts(riddle: Riddle, layer: Layer) -> tuple[IntArray, IntArray]:
        looks = (_taken(riddle, layer.seen) > 0).sum(axis=1)
        tries = (layer.tried[:, None] >> np.arange(len(riddle.fixes)) & 1).sum(axis=1)
        return np.asarray(looks), np.asarray(tries)

    @staticmethod
    def _untaken(riddle: Riddle, layer: Layer) -> BoolArray:
        """Say which looks have not been taken, nor one that is the same measurement, shape (n, looks)."""
        taken = _taken(riddle, layer.seen) > 0
        alike = np.array([look.alike for look in riddle.looks])
        same = (alike[:, None] == alike).astype(np.int64)
        return np.asarray(taken @ same == 0)

    def fixes(self, width: int) -> BoolArray:
        """Mark the fixes that are followed, shape (n, f)."""
        return _best(self.fix_rank, width)

    def looks(self, width: int) -> BoolArray:
        """Mark the looks that are followed, shape (n, looks)."""
        return _best(self.look_rank, width)


def _taken(riddle: Riddle, seen: IntArray) -> IntArray:
    """Return what each look has shown at each place, shape (n, looks); 0 where it was not taken."""
    return np.asarray(seen[:, None] >> BITS * np.arange(len(riddle.looks)) & (1 << BITS) - 1)


def _bits(beliefs: FloatArray) -> FloatArray:
    return np.asarray(-(beliefs * np.log2(np.maximum(beliefs, 1e-12))).sum(axis=-1))


def _best(rank: FloatArray, width: int) -> BoolArray:
    """Mark the highest ``width`` of each row, of equals the first; never what ranks at minus infinity."""
    marked = np.zeros(rank.shape, dtype=bool)
    order = np.argsort(-np.round(rank, 9), axis=1, kind="stable")[:, :width]
    np.put_along_axis(marked, order, values=True, axis=1)
    return marked & np.isfinite(rank)


def _story(riddle: Riddle, layers: Sequence[Layer], steps: Sequence[Sequence[Step]], *, whole: bool) -> Story:
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
    riddle: Riddle, firsts: IntArray, steps: Sequence[Sequence[Step]], telling: BoolArray | None
) -> dict[str, Move]:
    """Return the acts' moves over all n places, put together from the steps of every layer.

    ``telling``, shape (n, fixes), says where a fix would tell something; None where all that does is followed.
    """
    n = int(firsts[-1])
    moves: dict[str, Move] = {}
    for depth, layer_steps in enumerate(steps):
        for step in layer_steps:
            name = riddle.fixes[step.act] if step.fix else riddle.looks[step.act].name
            shows = (CURED, STILL_THERE) if step.fix else riddle.looks[step.act].shows
            move = moves.get(name)
            if move is None:
                chance = np.zeros((n, len(shows)))
                chance[:, -1] = 1.0
                leads = np.repeat(np.arange(n)[:, None], len(shows), axis=1)
                unheard = np.zeros(n, dtype=bool)
                if telling is not None and step.fix:
                    unheard = telling[:, step.act].copy()
                move = moves[name] = Move(shows, chance, leads, np.zeros(n, dtype=bool), unheard)
            at = firsts[depth] + step.at
            move.chance[at] = step.chance
            move.leads[at] = np.where(step.child < 0, GONE, firsts[depth + 1] + step.child)
            move.can[at] = True
            move.unheard[at] = False
    return moves


def _factors(riddle: Riddle, beliefs: FloatArray) -> FloatArray:
    factor = riddle.factors(beliefs)
    factor[GONE] = 1.0
    return factor
