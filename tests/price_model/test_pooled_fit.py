"""The pooled base: its gradient, its laws, and the case where it is no more than a line."""

from collections.abc import Sequence
from dataclasses import replace
from math import exp, log, log1p

import numpy as np
import pytest
from scipy.optimize import approx_fprime

from valuer.price_model.design import Design, Floats, Piece
from valuer.price_model.fit import usual_fall
from valuer.price_model.hedonic import (
    LinearBase,
    Penalties,
    Pool,
    PooledBase,
    flag_levels,
    price_worst_case,
)
from valuer.price_model.marks import Marks
from valuer.price_model.pooled_fit import (
    Problem,
    fit_pooled,
    objective,
    parameter_blocks,
    place,
    with_signs_kept,
)

N, P, FLAGS = 60, 4, 5
PAIRS, JOBS = [(0, 1)], [(2, 3, 4)]


def problem(seed: int = 1) -> Problem:
    """A small random problem in which every part of the objective is awake."""
    rng = np.random.default_rng(seed)
    flags = rng.choice([0.0, 1.0, 2.0], (N, FLAGS), p=[0.5, 0.3, 0.2])
    start = LinearBase(4.6, rng.normal(0, 0.2, P), rng.uniform(0.02, 0.3, 2 * FLAGS))
    weight = rng.uniform(0.5, 1.5, N)
    return Problem(
        rng.normal(size=(N, P)), Marks.of(flags, PAIRS, JOBS), rng.normal(4.5, 0.5, N), weight / weight.mean(),
        4.6, start, Penalties(),
    )  # fmt: skip


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_gradient_is_that_of_finite_differences(seed: int) -> None:
    """Scipy's forward differences as judge, at a random point inside the bounds."""
    p = problem(seed)
    blocks = parameter_blocks(p)
    slices = place(blocks)
    rng = np.random.default_rng(100 + seed)
    low, high = (np.concatenate([getattr(b, end) for b in blocks.values()]) for end in ("low", "high"))
    start = np.concatenate([b.start for b in blocks.values()])
    theta = np.clip(start + rng.normal(0, 0.1, len(start)), low + 1e-3, high - 1e-3)
    gradient = objective(theta, slices, blocks, p)[1]

    def value(at: Floats) -> float:
        return objective(at, slices, blocks, p)[0]

    judge = approx_fprime(theta, value, 1e-7)
    assert len(theta) > 100
    assert np.abs(gradient - judge).max() < 1e-4 * max(1.0, float(np.abs(judge).max()))


def test_blocks_fill_the_vector_without_a_gap() -> None:
    blocks = parameter_blocks(problem())
    ends = [(s.start, s.stop) for s in place(blocks).values()]
    assert [start for start, _ in ends] == [0, *(stop for _, stop in ends[:-1])]
    assert ends[-1][1] == sum(len(b.start) for b in blocks.values())


def test_a_pool_is_held_to_what_all_pools_mind_and_not_to_where_its_fit_begins() -> None:
    """With no sale to say anything only the ties pull: one that follows what all share costs nothing by itself."""
    p = replace(problem(), weight=np.zeros(N))
    blocks = parameter_blocks(p)
    slices = place(blocks)
    start = np.concatenate([block.start for block in blocks.values()])

    def cost(*names: str) -> float:
        theta = start.copy()
        for name in names:
            theta[slices[name]] += 0.1
        return objective(theta, slices, blocks, p)[0]

    apart, stays_apart = p.penalties.apart, p.penalties.stays_apart
    for name, own, tie in (("share", "012", apart), ("money", "012", apart), ("leaves", "12", stays_apart)):
        left_behind, followed = cost(f"{name}_all"), cost(f"{name}_all", *(f"{name}{k}" for k in own))
        assert left_behind - followed == pytest.approx(len(own) * 2 * FLAGS * tie / 2 * 0.1**2 / N), name


def test_levels_are_cumulative() -> None:
    """A serious one is slight and more: levels of 0, 1, 2 become (0, 0), (1, 0), (1, 1)."""
    assert flag_levels(np.array([[0.0], [1.0], [2.0]])).tolist() == [[0, 0], [1, 0], [1, 1]]


def base_of(rng: np.random.Generator) -> PooledBase:
    """Pools with random losses, none of them below 0."""

    def pool(k: int) -> Pool:
        return Pool(
            level=-0.3 * k, slopes=rng.normal(0, 0.1, P), share=rng.exponential(0.1, 2 * FLAGS),
            money=rng.exponential(0.1, 2 * FLAGS), pair_share=rng.exponential(0.2, 1), floor=np.array([-1.5, -0.3]),
            eta=rng.uniform(0, 1.2), stays=rng.normal(0, 2), leaves=rng.exponential(1.0, 2 * FLAGS),
            pair_leaves=rng.exponential(1.0, 1),
        )  # fmt: skip

    pools = (pool(0), pool(1), pool(2))
    return PooledBase(
        np.zeros(P), np.ones(P), 5.0, rng.normal(0, 0.3, P), 5.0, pools, ((0, 1),), ((2, 3, 4),)
    )


@pytest.mark.parametrize("seed", range(20))
def test_no_flag_adds_value_whatever_the_coefficients(seed: int) -> None:
    """Derived: every flag lowers what each pool pays and who of it stays, and the price rises in each of them."""
    rng = np.random.default_rng(seed)
    base, x = base_of(rng), rng.normal(0, 1.5, (200, P))
    flags = rng.choice([0.0, 1.0], (200, FLAGS))
    before = base.log_price(x, flags)
    for j in range(FLAGS):
        worse = flags.copy()
        worse[:, j] += 1
        assert (base.log_price(x, worse) <= before + 1e-12).all()


def test_the_usual_fall_is_nothing_for_a_sound_one_and_never_below_nothing() -> None:
    """It is what the interval knows of the flags; it depends on nothing else."""
    rng = np.random.default_rng(5)
    base, x = base_of(rng), rng.normal(size=P)
    assert usual_fall(base, x, np.zeros((100, FLAGS))) == pytest.approx(0.0)
    assert (usual_fall(base, x, rng.choice([0.0, 1.0, 2.0], (100, FLAGS))) >= 0).all()


def test_the_usual_fall_does_not_hang_on_the_last_bit() -> None:
    """Trees part machines by falls that others had to the bit; sums in another order must not send them elsewhere."""
    rng = np.random.default_rng(8)
    base, x = base_of(rng), rng.normal(size=P)
    flags = rng.choice([0.0, 1.0, 2.0], (300, FLAGS))
    other = replace(base, intercept=float(np.nextafter(base.intercept, 9)))
    every = np.zeros(len(flags), dtype=np.intp)
    assert (other.log_price(x[None], flags, every) != base.log_price(x[None], flags, every)).any()
    assert (usual_fall(other, x, flags) == usual_fall(base, x, flags)).all()


def test_one_row_is_priced_as_in_a_crowd() -> None:
    """Large calls use sparse sums; a row must not depend on its company."""
    rng = np.random.default_rng(6)
    base = base_of(rng)
    x, flags = rng.normal(size=(2500, P)), rng.choice([0.0, 1.0, 2.0], (2500, FLAGS))
    crowd = base.log_price(x, flags)
    alone = [base.log_price(x[[i]], flags[[i]])[0] for i in range(0, 2500, 100)]
    assert crowd[::100] == pytest.approx(np.array(alone))


def written_out(base: PooledBase, x: Floats, flags: Floats) -> float:
    """The log price of one row as the module tells it: pool by pool, flag by flag, with no array."""

    def soft(v: float, width: float) -> float:
        return width * log1p(exp(v / width))

    def off(each: Sequence[float]) -> float:
        in_job = [each[flag] for flag in JOBS[0]]
        largest = max(in_job)
        one = largest * sum((loss / largest) ** 16 for loss in in_job) ** (1 / 16) if largest else 0.0
        return one + sum(loss for flag, loss in enumerate(each) if flag not in JOBS[0])

    def each_of(pool: Pool, name: str) -> list[float]:
        of_levels = getattr(pool, name)
        return [sum(of_levels[[flag, FLAGS + flag]][: int(flags[flag])]) for flag in range(FLAGS)]

    both, price = min(flags[0], flags[1]) / 2, 0.0
    for k, pool in enumerate(base.pools):
        z = (x - base.centre) / base.scale
        sound = base.intercept + sum(z[i] * (base.slopes[i] + pool.slopes[i]) for i in range(P))
        cheap = exp(-pool.eta * (sound - base.middle))
        lost = [s + m * cheap for s, m in zip(each_of(pool, "share"), each_of(pool, "money"), strict=True)]
        least = exp(pool.floor[0] + pool.floor[1] * (sound - base.middle))
        left = 1.0 - off(lost) - both * pool.pair_share[0] - least
        pays = sound + pool.level + log(least + soft(left, 0.05))
        if not k:
            price = pays
            continue
        odds = pool.stays - off(each_of(pool, "leaves")) - both * pool.pair_leaves[0]
        price += soft(pays - price, 0.1) / (1.0 + exp(-odds))
    return price


@pytest.mark.parametrize("seed", range(5))
def test_pools_side_by_side_pay_what_each_pays_alone(seed: int) -> None:
    rng = np.random.default_rng(40 + seed)
    base = replace(base_of(rng), centre=rng.normal(size=P), scale=rng.uniform(0.5, 2.0, P), intercept=4.7)
    x, flags = rng.normal(size=(30, P)), rng.choice([0.0, 1.0, 2.0], (30, FLAGS))
    told = [written_out(base, *row) for row in zip(x, flags, strict=True)]
    assert base.log_price(x, flags) == pytest.approx(told, rel=1e-12)


def test_flags_of_one_job_count_as_hardly_more_than_the_largest() -> None:
    """By hand: shares .3 and .4 of one job take off .4 (1 + .75^16)^(1/16) = .4002 together, not .7."""
    pool = Pool(0.0, np.zeros(1), np.array([0.3, 0.4, 0, 0]), np.zeros(4), np.zeros(0), np.zeros(2), 0.0, 0.0,
                np.zeros(0), np.zeros(0))  # fmt: skip
    flags = np.array([[1.0, 1.0], [1.0, 0.0], [0.0, 1.0]])
    one_job, apart = (Marks.of(flags, [], jobs).taken_off(pool, np.ones(3)) for jobs in ([(0, 1)], []))
    assert one_job == pytest.approx([0.4002, 0.3, 0.4], abs=1e-4)
    assert apart == pytest.approx([0.7, 0.3, 0.4])


def two_pools(rng: np.random.Generator, n: int) -> tuple[Floats, Floats, Floats]:
    """Users pay 150 exp(x/5) less 15 % a flag; from the third flag on only repairers are left, at a third."""
    x, flags = rng.normal(size=(n, 1)), rng.choice([0.0, 1.0, 2.0], (n, 6), p=[0.75, 0.15, 0.1])
    many = (flags > 0).sum(axis=1) >= 3
    log_price = np.log(150) + x[:, 0] / 5 - np.where(many, np.log(3), 0.15 * (flags > 0).sum(axis=1))
    return x, flags, log_price + rng.normal(0, 0.1, n)


def test_pools_see_a_threshold_that_a_line_cannot() -> None:
    rng = np.random.default_rng(7)
    x, flags, y = two_pools(rng, 3000)
    new_x, new_flags, new_y = two_pools(rng, 2000)
    design = Design(("x",), np.array([1], dtype=np.int8), (Piece("x", -3.0, 3.0),))
    base = fit_pooled(x, flags, y, np.ones(len(y)), design, [], [])
    levels = np.column_stack([np.ones(len(y)), x, flag_levels(flags)])
    line = np.linalg.lstsq(levels, y, rcond=None)[0]
    by_line = np.column_stack([np.ones(len(new_y)), new_x, flag_levels(new_flags)]) @ line
    errors = [
        float(np.sqrt(np.mean((new_y - guess) ** 2))) for guess in (base.log_price(new_x, new_flags), by_line)
    ]
    assert errors[0] < 0.75 * errors[1]


def test_fitted_slopes_keep_their_sign_in_every_pool() -> None:
    """The data rise in x; the design says that x falls; no pool may rise."""
    rng = np.random.default_rng(8)
    x, flags, y = two_pools(rng, 1000)
    design = Design(("x",), np.array([-1], dtype=np.int8), (Piece("x", 0.0, 1.0),))
    base = fit_pooled(x, flags, y, np.ones(len(y)), design, [], [])
    line = np.linspace(-2, 2, 41)[:, None]
    for row in np.vstack([np.zeros(6), np.ones(6), 2 * np.eye(6)]):
        assert np.diff(base.log_price(line, np.tile(row, (41, 1)))).max() <= 1e-9


def test_a_flag_that_may_be_any_of_others_costs_what_the_dearest_does() -> None:
    """By hand: levels of .1, .3 (so .1 and .2 more) beside .2, .25: slight is raised to .2, serious stays .3."""
    losses = np.array([0.1, 0.2, 0.2, 0.05])
    base = price_worst_case(LinearBase(4.0, np.zeros(1), losses), [(0, (1,))])
    assert isinstance(base, LinearBase)
    assert base.losses == pytest.approx([0.2, 0.2, 0.1, 0.05])
    nothing = np.zeros(0)
    pool = Pool(0.0, np.zeros(1), losses, 2 * losses, nothing, np.zeros(2), 0.0, 0.0, nothing, nothing)
    one = PooledBase(np.zeros(1), np.ones(1), 4.0, np.zeros(1), 4.0, (pool,), (), ())
    raised = price_worst_case(one, [(0, (1,))])
    assert isinstance(raised, PooledBase)
    for kept, by in ((raised.pools[0].share, 1), (raised.pools[0].money, 2)):
        assert kept == pytest.approx(np.array([0.2, 0.2, 0.1, 0.05]) * by)


def test_a_sign_is_kept_without_moving_the_price_where_two_columns_say_the_same() -> None:
    """A blank, and what the blank is taken for, which is nearly the same for all: large and opposite slopes.

    Were only one of the two moved, the price of every machine with the blank would move with it.
    """
    rng = np.random.default_rng(3)
    blank = (rng.random(2000) < 0.3).astype(float)
    x = np.column_stack([blank, blank * (0.98 + 0.02 * rng.random(2000)), rng.normal(size=2000)])
    scale = x.std(axis=0)
    z = (x - x.mean(axis=0)) / scale
    rising = Piece("tested", 0.0, 1.0)
    design = Design(("tested=?", "tested/0", "age"), np.array([0, 1, 0], dtype=np.int8), (None, rising, None))
    slopes = np.array([0.8, -0.79, 0.2]) * scale
    kept = with_signs_kept(slopes, scale, design, z.T @ z / len(z))
    assert kept[1] >= 0
    assert np.abs(z @ (kept - slopes)).max() < 0.02
