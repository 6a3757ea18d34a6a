"""What does not add up is found in the sales: pairs and jobs that nobody named, and named jobs that they contradict."""

import numpy as np
import pytest

from valuer.price_model.together import Leftover, Together, found_together

N, FLAGS = 20_000, 30


def drawn(seed: int) -> tuple[np.ndarray, np.ndarray, np.random.Generator]:
    """Flags of some rows each, and the noise of a sale."""
    rng = np.random.default_rng(seed)
    flags = (rng.random((N, FLAGS)) < rng.uniform(0.02, 0.3, FLAGS)) * rng.integers(1, 3, (N, FLAGS)).astype(
        float
    )
    return flags, rng.normal(0.0, 0.4, N), rng


def left_over(flags: np.ndarray, left: np.ndarray) -> Leftover:
    """What a base that only adds up leaves of it, by least squares."""
    columns = np.column_stack([np.ones(N), flags >= 1, flags >= 2]).astype(float)
    held = np.clip(left, -1.5, 1.5)
    return Leftover.of(flags, left - columns @ np.linalg.lstsq(columns, held, rcond=None)[0], np.ones(N))


def planted(
    flags: np.ndarray, left: np.ndarray, pair: tuple[int, int], effect: float, rng: np.random.Generator
) -> None:
    """Make .6 % of the rows carry the pair, and give every row that does its effect."""
    flags[np.ix_(rng.choice(N, int(0.006 * N), replace=False), np.array(pair))] = 2.0
    left += effect * (flags[:, pair] > 0).all(axis=1)


@pytest.mark.parametrize("seed", range(4))
def test_a_planted_pair_and_a_planted_job_are_found_and_hardly_anything_else(seed: int) -> None:
    flags, left, rng = drawn(seed)
    planted(flags, left, (3, 7), -0.3, rng)
    planted(flags, left, (5, 11), 0.3, rng)
    found = found_together(left_over(flags, left))
    assert found.jobs == ((5, 11),)
    assert found.pairs[:1] == ((3, 7),)
    assert len(found.pairs) <= 2, "what stands beside a planted job may look dearer than it is"


@pytest.mark.parametrize("seed", range(4))
def test_where_everything_adds_up_nothing_is_found(seed: int) -> None:
    flags, left, _ = drawn(seed)
    assert found_together(left_over(flags, left)) == Together()


def test_a_flag_leaves_a_named_job_that_the_sales_contradict() -> None:
    flags, left, rng = drawn(7)
    planted(flags, left, (0, 2), -0.2, rng)
    found = found_together(left_over(flags, left), [(0, 1, 2), (4, 5)])
    assert (4, 5) in found.jobs
    assert not any({0, 2} <= set(job) for job in found.jobs)


@pytest.mark.parametrize(("rows", "jobs"), [(50, ()), (49, ((0, 1),))])
def test_fifty_sales_of_two_flags_are_enough_to_contradict_that_they_are_one_loss(
    rows: int, jobs: tuple[tuple[int, int], ...]
) -> None:
    """Those with both brought .5 less than both flags together explain; with fewer of them the catalogue holds."""
    flags = np.zeros((1000, 2))
    flags[:rows] = 1.0
    left = np.random.default_rng(1).normal(0.0, 0.1, 1000) - 0.5 * flags[:, 0]
    found = found_together(Leftover.of(flags, left, np.ones(1000)), [(0, 1)])
    assert found.jobs == jobs
    assert found.pairs == (((0, 1),) if rows == 50 else ())


def test_means_of_all_pairs_at_once_are_those_of_their_rows() -> None:
    """Standard error of a weighted mean: the root of the sum of (w (x - mean))^2, over the sum of w."""
    flags, left, rng = drawn(9)
    known = Leftover.of(flags, left + 0.2, rng.uniform(0.5, 1.5, N))
    means, errors = known.of_pairs()
    rows = known.there[:, 3] & known.there[:, 7]
    x, w = known.left[rows], known.weight[rows]
    mean = (w * x).sum() / w.sum()
    error = np.sqrt(((w * (x - mean)) ** 2).sum()) / w.sum()
    assert known.mean(rows) == pytest.approx((mean, error))
    assert (means[3, 7], errors[3, 7]) == pytest.approx((mean, error))


def test_one_absurd_price_is_no_evidence() -> None:
    flags, left, rng = drawn(8)
    flags[:, [20, 21]] = 0.0
    rows = rng.choice(N, 30, replace=False)
    flags[np.ix_(rows, np.array([20, 21]))] = 1.0
    left[rows] = 0.0
    left[rows[0]] = 50.0
    assert found_together(left_over(flags, left)) == Together()
