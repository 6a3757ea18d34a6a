"""The flags of many rows, prepared once for a fit that goes through them many times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from valuer.price_model.design import Floats
from valuer.price_model.hedonic import Pool, flag_levels, how_far_together, one_loss

OfJobs = Sequence[tuple[Floats, Floats]]
"""For each job of several flags: what each comes to, shape (n_rows, n_columns), and all as one loss, (n_rows,)."""


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
    """The flags of n rows, prepared: levels (n, 2 * n_flags), pairs (n, n_pairs) and the jobs of several flags."""

    levels: Any
    pairs: Floats
    jobs: tuple[Job, ...]

    @classmethod
    def of(
        cls,
        flags: Floats,
        pairs: Sequence[Sequence[int]],
        jobs: Sequence[Sequence[int]],
    ) -> Marks:
        """Prepare flags of shape (n, n_flags)."""
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
        return cls(flag_levels(flags), how_far_together(flags, pairs), tuple(several))

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
        off = self.levels @ pool.share + t * (self.levels @ pool.money) + self.pairs @ pool.pair_share
        return self._once(off, self.jobs_take(pool, t) if of_jobs is None else of_jobs)

    def leave(self, pool: Pool, of_jobs: OfJobs | None = None) -> Floats:
        """By how much the log odds fall that somebody of a pool stays, shape (n,)."""
        fall = self.levels @ pool.leaves + self.pairs @ pool.pair_leaves
        return self._once(fall, self.jobs_drive_off(pool) if of_jobs is None else of_jobs)

    def _once(self, total: Floats, of_jobs: OfJobs) -> Floats:
        """The sum over all flags, shape (n,), with those of a job as one loss."""
        for job, (each, one) in zip(self.jobs, of_jobs, strict=True):
            total[job.rows] += one - each.sum(axis=1)
        return np.asarray(total)
