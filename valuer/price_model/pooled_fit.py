"""Fitting the pooled base: penalised least squares by L-BFGS with the gradient written out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from valuer.price_model.design import Design, Floats, keep_signs
from valuer.price_model.hedonic import (
    JOB_POWER,
    SOFT_LOG,
    SOFT_SHARE,
    LinearBase,
    Penalties,
    Pool,
    PooledBase,
    _soft,
    expit,
    fit_linear,
)  # fmt: skip
from valuer.price_model.marks import Job, Marks, OfJobs

NEARLY_SAME = 1e-3
"""Ridge, in variances of a column, where columns that say the same are told apart."""

STARTS = ((-0.45, 0.0), (-0.12, 2.5), (0.0, 3.0))
"""Where the pools start: log level beside the sound value, and log odds that somebody of it stays."""

Slices = dict[str, slice]


@dataclass(frozen=True)
class Problem:
    """The rows to fit: z (n, p) standardised, marks, y (n,) log price, weight (n,) with mean 1."""

    z: Floats
    marks: Marks
    y: Floats
    weight: Floats
    middle: float
    start: LinearBase
    penalties: Penalties


@dataclass(frozen=True)
class Block:
    """One block of parameters: its start, its prior centre and penalty, and its bounds."""

    start: Floats
    centre: Floats
    penalty: float
    low: Floats
    high: Floats


def fit_pooled(
    x: Floats, flags: Floats, y: Floats, weight: Floats, design: Design,
    pairs: Sequence[Sequence[int]], jobs: Sequence[Sequence[int]], penalties: Penalties = Penalties(),
    counts: Floats | None = None,
) -> PooledBase:  # fmt: skip
    """Fit three pools. Shapes as in PooledBase; slopes that break a sign of the design are moved to keep it.

    weight: of each row, mean 1, by what it can say. counts: how much each row counts, 1 for a whole sale.
    """
    from scipy.optimize import minimize

    centre, scale = x.mean(axis=0), np.maximum(x.std(axis=0), 1e-9)
    start = fit_linear(x, flags, y, np.zeros_like(design.signs), ridge=5.0, counts=counts)
    sound = start.intercept + x @ start.slopes
    marks = Marks.of(flags, pairs, jobs)
    marks = marks.sparse() if len(flags) > 2000 else marks
    problem = Problem(
        (x - centre) / scale, marks, y, weight if counts is None else weight * counts,
        float(np.average(sound, weights=counts)),
        LinearBase(float(start.intercept + centre @ start.slopes), start.slopes * scale, start.losses), penalties,
    )  # fmt: skip
    blocks = parameter_blocks(problem)
    slices = place(blocks)

    def loss(theta: Floats) -> tuple[float, Floats]:
        return objective(theta, slices, blocks, problem)

    limits = [np.concatenate([getattr(b, end) for b in blocks.values()]) for end in ("low", "high")]
    found = minimize(
        loss,
        np.concatenate([b.start for b in blocks.values()]),
        jac=True,
        method="L-BFGS-B",
        bounds=list(zip(*limits, strict=True)),
        # Stopping early is part of the penalty: more steps fit the noise of rare flags (measured, see the model card).
        options={"maxiter": penalties.steps, "maxfun": 2 * penalties.steps, "ftol": 1e-9, "maxcor": 20},
    )
    d = {name: found.x[s] for name, s in slices.items()}
    alike = problem.z.T @ problem.z / len(y)

    def lawful(slopes: Floats) -> Floats:
        return with_signs_kept(slopes, scale, design, alike)

    shared = lawful(d["w"])
    pools = tuple(_lawful_pool(_pool(d, k), shared, lawful) for k in range(len(STARTS)))
    named = tuple((int(i), int(j)) for i, j in pairs)
    once = tuple(tuple(map(int, job)) for job in jobs)
    return PooledBase(centre, scale, float(d["b"][0]), shared, problem.middle, pools, named, once)


def with_signs_kept(slopes: Floats, scale: Floats, design: Design, alike: Floats) -> Floats:
    """Slopes of standardised columns, shape (p,), that keep the signs of the design; alike: z'z / n, shape (p, p).

    What moving a slope takes from the rows the columns without a sign give back, as far as they can: where two columns
    say nearly the same (a blank, and what the blank is taken for), both slopes may be large and opposite, and moving
    one of them alone would move the price of every such row.
    """
    kept = keep_signs(slopes / scale, design) * scale
    free = design.signs == 0
    among = alike[np.ix_(free, free)] + NEARLY_SAME * np.eye(int(free.sum()))
    kept[free] -= np.linalg.solve(among, alike[free] @ (kept - slopes))
    return np.asarray(kept)


def _lawful_pool(pool: Pool, shared: Floats, lawful: Callable[[Floats], Floats]) -> Pool:
    return replace(pool, slopes=lawful(shared + pool.slopes) - shared)


def _pool(d: dict[str, Floats], k: int) -> Pool:
    nothing = np.zeros(0)
    return Pool(
        level=float(d[f"level{k}"][0]), slopes=d[f"w{k}"], share=d[f"share{k}"], money=d[f"money{k}"],
        pair_share=d[f"pair{k}"], floor=d[f"floor{k}"], eta=float(d[f"eta{k}"][0]),
        stays=float(d[f"stays{k}"][0]) if k else 0.0, leaves=d[f"leaves{k}"] if k else nothing,
        pair_leaves=d[f"pair_leaves{k}"] if k else nothing,
    )  # fmt: skip


def parameter_blocks(p: Problem) -> dict[str, Block]:
    """All parameters by name. Names ending in a digit belong to a pool; `*_all` are what the pools share."""
    losses = np.clip(p.start.losses, 0.01, 0.6)
    n_pairs = p.marks.pairs.shape[1]
    pen, n = p.penalties, p.z.shape[1]
    free = np.full(n, np.inf)
    blocks = {
        "b": _free([p.start.intercept], 0.0),
        "w": Block(p.start.slopes, np.zeros(n), pen.slopes, -free, free),
    }
    for k, (level, stays) in enumerate(STARTS):
        blocks[f"level{k}"] = _free([level], 0.01)
        blocks[f"w{k}"] = Block(np.zeros(n), np.zeros(n), pen.pool_slopes, -free, free)
        blocks[f"share{k}"] = _positive(losses * 0.4, 0.0)
        blocks[f"money{k}"] = _positive(losses * 0.4, 0.0)
        blocks[f"pair{k}"] = _positive(np.full(n_pairs, 0.05), 0.05)
        blocks[f"floor{k}"] = _within([-1.8, -0.4], pen.floor, [-4.0, -0.95], [-0.2, 0.3])
        blocks[f"eta{k}"] = _within([0.7], 5.0, [0.0], [1.2])
        if k:
            blocks[f"stays{k}"] = _free([stays], 0.5)
            blocks[f"leaves{k}"] = _positive(losses * 1.5, 0.0)
            blocks[f"pair_leaves{k}"] = _positive(np.full(n_pairs, 0.1), 0.05)
    blocks["share_all"] = _positive(losses * 0.4, pen.shared)
    blocks["money_all"] = _positive(losses * 0.4, pen.shared)
    blocks["leaves_all"] = _positive(losses * 1.5, pen.stays_shared)
    return blocks


def _free(start: Sequence[float], penalty: float) -> Block:
    s = np.asarray(start, dtype=float)
    return Block(s, s, penalty, np.full(len(s), -np.inf), np.full(len(s), np.inf))


def _positive(start: Floats, penalty: float) -> Block:
    return Block(start, start, penalty, np.zeros(len(start)), np.full(len(start), np.inf))


def _within(start: Sequence[float], penalty: float, low: Sequence[float], high: Sequence[float]) -> Block:
    s = np.asarray(start, dtype=float)
    return Block(s, s, penalty, np.asarray(low, dtype=float), np.asarray(high, dtype=float))


def place(blocks: dict[str, Block]) -> Slices:
    """Where each block stands in the parameter vector."""
    slices, i = {}, 0
    for name, block in blocks.items():
        slices[name] = slice(i, i + len(block.start))
        i += len(block.start)
    return slices


def ties(p: Penalties) -> list[tuple[str, str, float, float]]:
    """Blocks held together: (block, other, factor, penalty) adds penalty / 2 * |block - factor * other|^2."""
    pools = range(len(STARTS))
    return [
        *((f"{name}{k}", f"{name}_all", 1.0, p.apart) for name in ("share", "money") for k in pools),
        *((f"leaves{k}", "leaves_all", 1.0, p.stays_apart) for k in pools if k),
        ("money_all", "share_all", 1.0, p.share_like_money),
        ("leaves_all", "share_all", 4.0, p.stays_like_share),
    ]


@dataclass
class PoolPass:
    """What the forward pass of one pool leaves for the backward pass; arrays of shape (n,).

    over: the gap where it is one, softly, for pools but the first. take, leave: of jobs, as `Marks` has them.
    """

    away: Floats
    t: Floats
    money: Floats
    off: Floats
    floor: Floats
    inner: Floats
    below: Floats
    gate: Floats
    gap: Floats
    over: Floats
    take: OfJobs
    leave: OfJobs


def objective(theta: Floats, slices: Slices, blocks: dict[str, Block], p: Problem) -> tuple[float, Floats]:
    """Half the weighted squared error plus penalties, a row; and its gradient."""
    d = {name: theta[s] for name, s in slices.items()}
    price, passes = forward(d, p)
    error = price - p.y
    slope = p.weight * error
    value = 0.5 * float(slope @ error)
    grad = backward(d, slope, passes, p)
    for name, block in blocks.items():
        away_from = d[name] - block.centre
        value += 0.5 * block.penalty * float(away_from @ away_from)
        grad[name] = grad[name] + block.penalty * away_from
    for name, other, factor, penalty in ties(p.penalties):
        apart = d[name] - factor * d[other]
        value += 0.5 * penalty * float(apart @ apart)
        grad[name] = grad[name] + penalty * apart
        grad[other] = grad[other] - factor * penalty * apart
    n = len(p.y)
    return value / n, np.concatenate([grad[name] for name in blocks]) / n


def forward(d: dict[str, Floats], p: Problem) -> tuple[Floats, list[PoolPass]]:
    """Log price of every row, and what each pool's backward pass needs."""
    price, passes = np.zeros(len(p.y)), []
    for k in range(len(STARTS)):
        pool = _pool(d, k)
        away = d["b"][0] + p.z @ (d["w"] + pool.slopes) - p.middle
        t = np.exp(-pool.eta * away)
        take, leave = p.marks.jobs_take(pool, t), p.marks.jobs_drive_off(pool) if k else ()
        off = p.marks.taken_off(pool, t, take)
        floor = np.exp(pool.floor[0] + pool.floor[1] * away)
        room = (1.0 - off - floor) / SOFT_SHARE
        inner = floor + SOFT_SHARE * _soft(room)
        pays = p.middle + away + pool.level + np.log(inner)
        gate, gap, over = np.ones(len(away)), np.zeros(len(away)), np.zeros(0)
        if k:
            gate = expit(pool.stays - p.marks.leave(pool, leave))
            gap = (pays - price) / SOFT_LOG
            over = _soft(gap)
            price = price + gate * SOFT_LOG * over
        else:
            price = pays
        passes.append(
            PoolPass(
                away,
                t,
                p.marks.levels @ pool.money,
                off,
                floor,
                inner,
                expit(room),
                gate,
                gap,
                over,
                take,
                leave,
            )
        )
    return price, passes


def backward(d: dict[str, Floats], slope: Floats, passes: list[PoolPass], p: Problem) -> dict[str, Floats]:
    """Gradient of the squared error by block; slope: weight * error, shape (n,)."""
    grad = {name: np.zeros_like(part) for name, part in d.items()}
    pairs_t = p.marks.pairs.T
    through_sound = np.zeros_like(slope)
    for k in range(len(STARTS) - 1, -1, -1):
        f = passes[k]
        if k:
            taken = expit(f.gap)
            to_gate = slope * SOFT_LOG * f.over * f.gate * (1.0 - f.gate)
            grad[f"stays{k}"] = np.array([to_gate.sum()])
            grad[f"leaves{k}"] = -_leaves_backward(to_gate, f, p)
            grad[f"pair_leaves{k}"] = -(pairs_t @ to_gate)
            to_pays, slope = slope * f.gate * taken, slope * (1.0 - f.gate * taken)
        else:
            to_pays = slope
        grad[f"level{k}"] = np.array([to_pays.sum()])
        to_off = -to_pays / f.inner * f.below
        to_floor = to_pays / f.inner * (1.0 - f.below) * f.floor
        grad[f"floor{k}"] = np.array([to_floor.sum(), to_floor @ f.away])
        grad[f"pair{k}"] = pairs_t @ to_off
        to_t = _losses_backward(grad, d, k, to_off, f, p)
        grad[f"eta{k}"] = np.array([-(to_t @ f.away)])
        to_sound = to_pays + to_floor * d[f"floor{k}"][1] - to_t * d[f"eta{k}"][0]
        grad[f"w{k}"] = p.z.T @ to_sound
        through_sound += to_sound
    grad["b"] = np.array([through_sound.sum()])
    grad["w"] = p.z.T @ through_sound
    return grad


def _leaves_backward(to_gate: Floats, f: PoolPass, p: Problem) -> Floats:
    """Gradient of what each level takes off the log odds that somebody stays, shape (2 * n_flags,)."""
    grad = np.asarray(p.marks.levels.T @ to_gate)
    n = len(grad) // 2
    for job, of_job in zip(p.marks.jobs, f.leave, strict=True):
        beside = _beside(job, to_gate, *of_job)
        for offset, level in ((0, job.first), (n, job.second)):
            grad[offset + job.columns] += (beside * level).sum(axis=0)
    return grad


def _beside(job: Job, slope: Floats, each: Floats, one: Floats) -> Floats:
    """What the gradient of one loss is beside that of the sum of its flags, shape (n_rows, n_columns)."""
    whole = np.maximum(one, 1e-9)
    return slope[job.rows][:, None] * ((each / whole[:, None]) ** (JOB_POWER - 1) - 1.0)


def _losses_backward(
    grad: dict[str, Floats], d: dict[str, Floats], k: int, to_off: Floats, f: PoolPass, p: Problem
) -> Floats:
    """Gradients of share and money of pool k; returns the one through t, times t, shape (n,)."""
    share, money = p.marks.levels.T @ to_off, p.marks.levels.T @ (to_off * f.t)
    to_t = to_off * f.money
    n = len(d[f"share{k}"]) // 2
    for job, of_job in zip(p.marks.jobs, f.take, strict=True):
        beside = _beside(job, to_off, *of_job)
        weight = f.t[job.rows][:, None]
        for offset, level in ((0, job.first), (n, job.second)):
            share[offset + job.columns] += (beside * level).sum(axis=0)
            money[offset + job.columns] += (beside * level * weight).sum(axis=0)
        to_t[job.rows] += (beside * job.each(d[f"money{k}"])).sum(axis=1)
    grad[f"share{k}"], grad[f"money{k}"] = share, money
    return to_t * f.t
