"""The base of the price model: hedonic regressions of the log price that keep the laws by construction.

Two forms. `LinearBase` is a ridge regression with sign bounds; it serves small tables. `PooledBase` says that a thing
for sale is priced by whichever pool of buyers takes it. Pool k would pay, in logs,

    u_k = a_k + s_k + log( e_k + soft(1 - d_k - e_k) ),     s_k = b + x'(w + w_k)

where s_k is the sound log value, d_k the share taken off for the flags (a share each, and a sum of money each, which
weighs more on a cheap thing: money * exp(-eta_k * (s_k - mean))), and e_k the share below which it never falls, itself
exp(linear in s_k) with a slope above -1, so that u_k rises with s_k. Pools
are stacked: the price is v_0 = u_0, v_k = v_{k-1} + g_k * soft(u_k - v_{k-1}), with g_k the chance that somebody of
pool k stays, which flags lower. Every flag only lowers every u_k and g_k, and v rises in each of them, so a flag never
adds value and a worse level never costs less, whatever the coefficients are. Flags of one job count
as hardly more than the largest.

Which pools, what they mind, and how much is learned; nothing of the synthetic market's assumptions is read here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import ClassVar, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from valuer.price_model.design import Floats, Places

SOFT_SHARE = 0.05
"""Width of the soft maximum between a value and its floor, as a share of the sound value."""
SOFT_LOG = 0.1
"""Width of the soft maximum between two pools, in logs."""


SQUARINGS = 4
JOB_POWER: int = 2**SQUARINGS
"""Losses of one job add up by this power: a smooth form of the largest alone."""


class Base(Protocol):
    """A fitted base: log price of rows given their attribute columns and flags."""

    @property
    def jobs(self) -> tuple[tuple[int, ...], ...]:
        """Flag columns that are one loss."""

    def log_price(self, x: Floats, flags: Floats, of: Places | None = None) -> Floats:
        """Mean log price, shape (n,); x of shape (m, p), flags of shape (n, n_flags) with 0, 1, 2.

        of: the row of x that each row of flags belongs to, shape (n,); without it they stand one to one.
        """


def flag_levels(flags: Floats) -> Floats:
    """Levels as cumulative 0/1 columns, shape (n, 2 * n_flags): at least 1, then at least 2."""
    return np.concatenate([flags >= 1, flags >= 2], axis=1, dtype=np.float64)


def _soft(v: Floats) -> Floats:
    return np.asarray(np.logaddexp(0.0, v))


def expit(v: Floats) -> Floats:
    """1 / (1 + exp(-v)), as SciPy's; here because an answer does without SciPy."""
    return np.asarray(np.exp(-np.logaddexp(0.0, -v)))


# ------------------------------------------------------------------------------------------------------------- linear
@dataclass(frozen=True)
class LinearBase:
    """Log price = intercept + x'slopes - levels'losses, with signs kept and losses 0 or more."""

    intercept: float
    slopes: Floats
    losses: Floats
    jobs: ClassVar[tuple[tuple[int, ...], ...]] = ()

    def log_price(self, x: Floats, flags: Floats, of: Places | None = None) -> Floats:
        """Mean log price, shape (n,); see `Base`."""
        sound = self.intercept + x @ self.slopes
        return np.asarray((sound if of is None else sound[of]) - flag_levels(flags) @ self.losses)


def fit_linear(
    x: Floats,
    flags: Floats,
    y: Floats,
    signs: npt.NDArray[np.int8],
    ridge: float = 1.0,
    counts: Floats | None = None,
) -> LinearBase:
    """Fit by bounded least squares with a small ridge on standardised columns. y: log price, shape (n,).

    counts: how much each row counts, shape (n,); 1 for a whole sale, and for all where it is not given.
    """
    from scipy.optimize import lsq_linear

    everything = np.hstack([x, flag_levels(flags)])
    middle = float(np.average(y, weights=counts))
    centre = np.average(everything, axis=0, weights=counts)
    scale = np.sqrt(np.average((everything - centre) ** 2, axis=0, weights=counts))
    used = scale > 1e-12
    z = (everything[:, used] - centre[used]) / scale[used]
    direction = np.concatenate([signs, -np.ones(2 * flags.shape[1], dtype=np.int8)])[used]
    counted = z if counts is None else z * counts[:, None]
    gram = counted.T @ z + ridge * np.eye(z.shape[1])
    pull = counted.T @ (y - middle)

    low, high = _ends(direction)
    # Solved exactly, not by steps: what is fitted on from here would end elsewhere with the last digits of it.
    root = np.linalg.cholesky(gram)
    found = lsq_linear(root.T, np.linalg.solve(root, pull), (low, high), method="bvls", tol=1e-12)
    slopes = np.zeros(everything.shape[1])
    slopes[used] = found.x / scale[used]
    split = x.shape[1]
    return LinearBase(float(middle - centre @ slopes), slopes[:split], -slopes[split:])


def _ends(direction: npt.NDArray[np.int8]) -> tuple[Floats, Floats]:
    return np.where(direction > 0, 0.0, -np.inf), np.where(direction < 0, 0.0, np.inf)


# ------------------------------------------------------------------------------------------------------------- pooled
@dataclass(frozen=True)
class Penalties:
    """How strongly the pooled base is held back; larger is smoother. Chosen on the synthetic market, seeds 1 to 5."""

    slopes: float = 5.0
    pool_slopes: float = 100.0
    shared: float = 4.0
    apart: float = 20.0
    share_like_money: float = 20.0
    stays_shared: float = 0.3
    stays_apart: float = 1.0
    stays_like_share: float = 0.3
    floor: float = 2.0
    steps: int = 160


@dataclass(frozen=True)
class Pool:
    """One pool of buyers; shapes: slopes (p,), share and money and leaves (2 * n_flags,), pair_* (n_pairs,)."""

    level: float
    slopes: Floats
    share: Floats
    money: Floats
    pair_share: Floats
    floor: Floats
    eta: float
    stays: float
    leaves: Floats
    pair_leaves: Floats


class Pools(NamedTuple):
    """All pools side by side, k of them in the last axis.

    level, eta, stays (k,); floor (2, k). losses (2, n_flags, 3 k): what the first and the second level of each flag
    takes off of share, money and the log odds that somebody stays; by_level (3, n_flags, 3 k): what each level does in
    all. pairs (n_pairs, 2 k): share and log odds.
    """

    level: Floats
    floor: Floats
    eta: Floats
    stays: Floats
    losses: Floats
    by_level: Floats
    pairs: Floats

    @classmethod
    def of(cls, pools: Sequence[Pool]) -> Pools:
        """From the pools one by one; nobody leaves the first, which every thing for sale meets."""
        first, *rest = pools
        leaves = [np.zeros_like(first.share), *(pool.leaves for pool in rest)]
        pair_leaves = [np.zeros_like(first.pair_share), *(pool.pair_leaves for pool in rest)]
        each = [*(pool.share for pool in pools), *(pool.money for pool in pools), *leaves]
        losses = np.array(each).T.reshape(2, -1, len(each))
        by_level = np.concatenate([np.zeros_like(losses[:1]), np.cumsum(losses, axis=0)])
        pairs = np.array([*(pool.pair_share for pool in pools), *pair_leaves]).T
        alone = (np.array([getattr(pool, name) for pool in pools]) for name in ("level", "eta", "stays"))
        level, eta, stays = alone
        floor = np.array([pool.floor for pool in pools]).T
        return cls(level, floor, eta, stays, losses, by_level, pairs)


@dataclass(frozen=True)
class PooledBase:
    """The fitted pools, the shared slopes, and which flags go together.

    pairs: (n_pairs, 2) flag columns with an effect of their own. jobs: flag columns that one job cures.
    """

    centre: Floats
    scale: Floats
    intercept: float
    slopes: Floats
    middle: float
    pools: tuple[Pool, ...]
    pairs: tuple[tuple[int, int], ...]
    jobs: tuple[tuple[int, ...], ...]

    def log_price(self, x: Floats, flags: Floats, of: Places | None = None) -> Floats:
        """Mean log price, shape (n,); see `Base`."""
        slopes, start = self._lines
        away = x @ slopes + start
        return self._price(away if of is None else away[of], flags)

    @cached_property
    def _lines(self) -> tuple[Floats, Floats]:
        """Slopes and start of each pool's sound log value beside the middle, shapes (p, n_pools) and (n_pools,)."""
        slopes = np.array([self.slopes + pool.slopes for pool in self.pools]).T / self.scale[:, None]
        return slopes, self.intercept - self.middle - self.centre @ slopes

    @cached_property
    def _side_by_side(self) -> Pools:
        return Pools.of(self.pools)

    def _price(self, away: Floats, flags: Floats) -> Floats:
        """Log price, shape (n,), of what the sound thing is to each pool, (n, n_pools), and of its flags."""
        pools = self._side_by_side
        off, leave = self._lost(flags, np.exp(-pools.eta * away))
        floor = np.exp(pools.floor[0] + pools.floor[1] * away)
        left = floor + SOFT_SHARE * _soft((1.0 - off - floor) / SOFT_SHARE)
        pays, stays = self.middle + away + pools.level + np.log(left), SOFT_LOG * expit(pools.stays - leave)
        price = pays[:, 0]
        for k in range(1, len(self.pools)):
            price = price + stays[:, k] * _soft((pays[:, k] - price) / SOFT_LOG)
        return np.asarray(price)

    def _lost(self, flags: Floats, t: Floats) -> tuple[Floats, Floats]:
        """Share that each pool takes off, and fall of the log odds that somebody stays; shapes (n, n_pools).

        t: weight of a sum of money, shape (n, n_pools).
        """
        pools, there = self._side_by_side, np.nonzero(flags.any(axis=0))[0]
        if not len(there):
            return np.zeros_like(t), np.zeros_like(t)
        of_levels = pools.losses[:, there].reshape(2 * len(there), pools.losses.shape[2])
        lost = _with_money(flag_levels(flags[:, there]) @ of_levels, t)
        if self.pairs:
            lost += how_far_together(flags, self.pairs) @ pools.pairs
        if self.jobs:
            row, column, level = several(flags, self.jobs)
            if len(row):
                each = _with_money(pools.by_level[level, column], t[row, None])
                np.add.at(lost, row, one_loss(each) - each.sum(axis=1))
        return lost[:, : t.shape[1]], lost[:, t.shape[1] :]


def _with_money(each: Floats, t: Floats) -> Floats:
    """Share with money and log odds, shape (..., 2 k), of share, money and log odds, (..., 3 k); t: (..., k)."""
    k = t.shape[-1]
    return np.concatenate([each[..., :k] + t * each[..., k : 2 * k], each[..., 2 * k :]], axis=-1)


WorstCase = tuple[int, tuple[int, ...]]
"""A flag that says no more than that it may be any of some others; columns."""


def price_worst_case(base: LinearBase | PooledBase, worst: Sequence[WorstCase]) -> LinearBase | PooledBase:
    """The base with every such flag costing at least what the dearest of the others costs, to every pool of buyers."""
    if isinstance(base, LinearBase):
        return replace(base, losses=_at_least(base.losses, worst))
    pools = []
    for pool in base.pools:
        share, money, leaves = (_at_least(each, worst) for each in (pool.share, pool.money, pool.leaves))
        pools.append(replace(pool, share=share, money=money, leaves=leaves))
    return replace(base, pools=tuple(pools))


def _at_least(each: Floats, worst: Sequence[WorstCase]) -> Floats:
    """each: of the levels of every flag, shape (2 * n_flags,), or nothing at all."""
    if not len(each):
        return each
    by_level = np.cumsum(each.reshape(2, -1), axis=0)
    for flag, others in worst:
        by_level[:, flag] = np.maximum(by_level[:, flag], by_level[:, list(others)].max(axis=1))
    return np.asarray(np.diff(by_level, axis=0, prepend=0.0).ravel())


class Members(NamedTuple):
    """The flag columns of all jobs, one job after the other; where each begins; the job of each column.

    of_job, shape (n_jobs, m): the columns of each job, filled up to as many as the largest has; whether each is one.
    """

    columns: Places
    starts: Places
    job: Places
    of_job: Places
    is_one: npt.NDArray[np.bool_]

    @classmethod
    @lru_cache(maxsize=16)
    def of(cls, jobs: tuple[tuple[int, ...], ...]) -> Members:
        """Of some jobs, one at least."""
        sizes = np.array([len(job) for job in jobs])
        columns, job = np.concatenate(jobs), np.repeat(np.arange(len(jobs)), sizes)
        is_one = np.arange(sizes.max()) < sizes[:, None]
        of_job = np.zeros(is_one.shape, dtype=np.intp)
        of_job[is_one] = columns
        return cls(columns, np.cumsum([0, *sizes[:-1]]), job, of_job, is_one)


def several(flags: Floats, jobs: tuple[tuple[int, ...], ...]) -> tuple[Places, Places, Places]:
    """Where rows show several flags of one job: the row, (e,), and columns and levels of the job's flags, (e, m)."""
    members = Members.of(jobs)
    many = np.add.reduceat(flags[:, members.columns] > 0, members.starts, axis=1, dtype=np.intp) >= 2
    row, job = many.nonzero()
    columns = members.of_job[job]
    return row, columns, (flags[row[:, None], columns] * members.is_one[job]).astype(np.intp)


def how_far_together(flags: Floats, pairs: Sequence[Sequence[int]]) -> Floats:
    """How far both flags of each pair are there, shape (n, n_pairs): half where one of them is slight."""
    both = np.zeros((len(flags), len(pairs)))
    for place, (i, j) in enumerate(pairs):
        both[:, place] = np.minimum(flags[:, i], flags[:, j]) / 2.0
    return both


def one_loss(each: Floats) -> Floats:
    """What several losses of one job come to: hardly more than the largest, and never less for one more; shape (n,).

    each: shape (n, n_columns), 0 or more.

    >>> one_loss(np.array([[0.3, 0.0], [0.3, 0.15], [0.3, 0.3]])).round(3).tolist()
    [0.3, 0.3, 0.313]
    """
    largest = np.maximum(each.max(axis=1), 1e-12)
    raised = each / largest[:, None]
    for _ in range(SQUARINGS):  # far quicker than a power
        raised = np.square(raised)
    whole = raised.sum(axis=1)
    for _ in range(SQUARINGS):
        whole = np.sqrt(whole)
    return np.asarray(largest * whole)
