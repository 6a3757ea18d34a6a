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
from functools import cached_property
from typing import Any, ClassVar, Protocol

import numpy as np
import numpy.typing as npt

from valuer.price_model.design import Floats, Places

SOFT_SHARE = 0.05
"""Width of the soft maximum between a value and its floor, as a share of the sound value."""
SOFT_LOG = 0.1
"""Width of the soft maximum between two pools, in logs."""


JOB_POWER = 16
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
    return np.hstack([flags >= 1, flags >= 2]).astype(float)


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
        lines = ((x - self.centre) / self.scale) @ self._every_slope
        lines = lines if of is None else lines[of]
        marks = Marks.shown(flags, self.pairs, self.jobs)
        return self._stack(self.intercept + lines[:, 0], lines[:, 1:], marks)

    @cached_property
    def _every_slope(self) -> Floats:
        """Those of the sound value and of every pool of buyers, shape (p, 1 + n_pools)."""
        return np.column_stack([self.slopes, *(pool.slopes for pool in self.pools)])

    def _stack(self, sound: Floats, lines: Floats, marks: Marks) -> Floats:
        price = np.zeros(0)
        for k, pool in enumerate(self.pools):
            away = sound + lines[:, k] - self.middle
            t = np.exp(-pool.eta * away)
            off = marks.taken_off(pool, t)
            floor = np.exp(pool.floor[0] + pool.floor[1] * away)
            pays = (
                self.middle
                + away
                + pool.level
                + np.log(floor + SOFT_SHARE * _soft((1 - off - floor) / SOFT_SHARE))
            )
            if k == 0:
                price = pays
                continue
            price = price + expit(pool.stays - marks.leave(pool)) * SOFT_LOG * _soft(
                (pays - price) / SOFT_LOG
            )
        return price


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


@dataclass(frozen=True)
class Job:
    """Rows that show two or more flags of one job: the flag columns, the rows, and their levels there."""

    columns: npt.NDArray[np.intp]
    rows: npt.NDArray[np.intp]
    first: Floats
    second: Floats

    def each(self, of_levels: Floats) -> Floats:
        """What is told for each level, shape (2 * n_flags,), of each flag of each row; shape (n_rows, n_columns)."""
        n = len(of_levels) // 2
        return np.asarray(self.first * of_levels[self.columns] + self.second * of_levels[n + self.columns])


@dataclass(frozen=True)
class Marks:
    """The flags of n rows, prepared: levels (n, 2 * n_flags), pairs (n, n_pairs) and the jobs of several flags.

    kept: the columns of levels that are there, where only those of flags that some row has are.
    """

    levels: Any
    pairs: Floats
    jobs: tuple[Job, ...]
    kept: Places | None = None

    @classmethod
    def shown(cls, flags: Floats, pairs: Sequence[Sequence[int]], jobs: Sequence[Sequence[int]]) -> Marks:
        """Prepare flags, leaving out the levels of those that no row has: what the price of a row takes."""
        there = np.flatnonzero(flags.any(axis=0))
        kept = np.concatenate([there, flags.shape[1] + there])
        return replace(cls.of(flags, pairs, jobs, there), kept=kept)

    def times(self, each: Floats) -> Floats:
        """Sum over the levels of each row of what is told for each level, shape (2 * n_flags,); shape (n,)."""
        return np.asarray(self.levels @ (each if self.kept is None else each[self.kept]))

    @classmethod
    def of(
        cls,
        flags: Floats,
        pairs: Sequence[Sequence[int]],
        jobs: Sequence[Sequence[int]],
        there: Places | slice = slice(None),
    ) -> Marks:
        """Prepare flags of shape (n, n_flags); there: those whose levels are laid out."""
        shown, several = set(np.flatnonzero(flags.any(axis=0)).tolist()), []
        for columns in jobs:
            if len(shown.intersection(columns)) < 2:  # most: no row can have two of them
                continue
            here = flags[:, list(columns)]
            rows = np.flatnonzero((here > 0).sum(axis=1) >= 2)
            if len(rows):
                several.append(
                    Job(
                        np.array(columns),
                        rows,
                        (here[rows] >= 1).astype(float),
                        (here[rows] >= 2).astype(float),
                    )
                )
        both = [np.minimum(flags[:, i], flags[:, j]) / 2.0 for i, j in pairs]
        stacked = np.column_stack(both) if both else np.zeros((len(flags), 0))
        levels = flag_levels(flags[:, there])
        return cls(levels, stacked, tuple(several))

    def sparse(self) -> Marks:
        """The same with levels that keep only what is not 0: quicker where many rows are gone through many times."""
        from scipy.sparse import csr_matrix

        return replace(self, levels=csr_matrix(self.levels))

    def jobs_take(self, pool: Pool, t: Floats) -> OfJobs:
        """What each flag of each job of several takes off, and what they come to as one loss; t as in `taken_off`."""
        losses = [job.each(pool.share) + t[job.rows][:, None] * job.each(pool.money) for job in self.jobs]
        return [(each, one_loss(each)) for each in losses]

    def jobs_drive_off(self, pool: Pool) -> OfJobs:
        """The same of the log odds that somebody stays."""
        return [(each, one_loss(each)) for each in (job.each(pool.leaves) for job in self.jobs)]

    def taken_off(self, pool: Pool, t: Floats, of_jobs: OfJobs | None = None) -> Floats:
        """Share of the sound value that a pool takes off, shape (n,); t: weight of a sum of money, shape (n,)."""
        off = self.times(pool.share) + t * self.times(pool.money) + self.pairs @ pool.pair_share
        return self._once(off, self.jobs_take(pool, t) if of_jobs is None else of_jobs)

    def leave(self, pool: Pool, of_jobs: OfJobs | None = None) -> Floats:
        """By how much the log odds fall that somebody of a pool stays, shape (n,)."""
        fall = self.times(pool.leaves) + self.pairs @ pool.pair_leaves
        return self._once(fall, self.jobs_drive_off(pool) if of_jobs is None else of_jobs)

    def _once(self, total: Floats, of_jobs: OfJobs) -> Floats:
        """The sum over all flags, shape (n,), with those of a job as one loss."""
        for job, (each, one) in zip(self.jobs, of_jobs, strict=True):
            total[job.rows] += one - each.sum(axis=1)
        return np.asarray(total)


OfJobs = Sequence[tuple[Floats, Floats]]
"""For each job of several flags: what each comes to, shape (n_rows, n_columns), and all as one loss, (n_rows,)."""


def one_loss(each: Floats) -> Floats:
    """What several losses of one job come to: hardly more than the largest, and never less for one more; shape (n,).

    each: shape (n, n_columns), 0 or more.

    >>> one_loss(np.array([[0.3, 0.0], [0.3, 0.15], [0.3, 0.3]])).round(3).tolist()
    [0.3, 0.3, 0.313]
    """
    largest = np.maximum(each.max(axis=1), 1e-12)
    return np.asarray(largest * ((each / largest[:, None]) ** JOB_POWER).sum(axis=1) ** (1.0 / JOB_POWER))
