"""A market of another form, by the counting rule of the trade: shares off a list price, the next objection for less.

There are no kinds of buyer in it. A sound machine keeps a share of its new price by age; each fault takes a share off
what is left, the largest whole and each further one less; what may not be sold as working, or does not run, goes to a
repairer for the smaller of two shares. It shares no formula with `buyers`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from valuer.market.assumptions import Assumptions, Floats
from valuer.market.buyers import Buyers
from valuer.market.stock import SELF_PROPELLED, Severities, Stock

COUNTED = np.array([1.0, 0.85, 0.7, 0.55, 0.45])
"""What each objection counts, largest first, the rest as the last (common practice, no source)."""

TIERS = {"budget": 0.0, "mid": 0.12, "premium": 0.3, "commercial": 0.1}
"""Log of what a tier keeps beside a budget machine at the middle age (common practice, no source)."""


def draw_plain_market(rng: np.random.Generator, a: Assumptions) -> Callable[[Stock], Floats]:
    """Draw one; returns the mean log price of a stock, shape (n,)."""
    low, high = a.raw["place"]["level"]["range"]
    level = rng.normal(0.0, np.log(high / low) / 2.563)
    fall, tier_weight = rng.normal(0.125, 0.02), rng.lognormal(0.0, 0.3)
    drives = {drive: rng.normal(0.0, 0.06) for drive in ("push", *SELF_PROPELLED)}
    looks = {"bright": 0.0, "scuffed": -abs(rng.normal(0.05, 0.02)), "scarred": -abs(rng.normal(0.15, 0.04))}
    outside, season = -abs(rng.normal(0.06, 0.02)), rng.lognormal(0.0, 0.25)
    share = _shares(rng, a)
    counted = COUNTED ** rng.lognormal(0.0, 0.3)
    gate, gate_of_rest = rng.normal(0.35, 0.06), rng.normal(0.7, 0.08)
    bottom, dead = rng.normal(0.1, 0.02), rng.normal(0.32, 0.06)
    parts_money = abs(rng.normal(9.0, 2.0))
    buyers = Buyers(a)

    def log_price(stock: Stock) -> Floats:
        t = stock.attributes
        age, new = t["age_years"].to_numpy(dtype=float), t["new_price"].to_numpy(dtype=float)
        kept = np.log(0.72) - fall * age / (1.0 + 0.012 * age)
        kept = kept + tier_weight * t["tier"].map(TIERS).to_numpy(dtype=float) * age / (age + 5.0)
        kept = (
            kept + t["drive"].map(drives).to_numpy(dtype=float) + t["looks"].map(looks).to_numpy(dtype=float)
        )
        kept = kept + outside * (t["kept"] == "outside").to_numpy()
        kept = kept + season * np.log(a.series("season", "runner_price"))[t["month"].to_numpy() - 1]
        sound = new * np.exp(level + kept)
        rest = sound * left_after(share, stock.severity, counted)
        runs = stock.severity[:, a.fault_ids.index("no_start")] == 0
        turned = buyers.looks_unsafe(stock.severity)
        worth = np.where(turned, np.minimum(gate * sound, gate_of_rest * rest), rest)
        worth = np.where(runs, worth, np.minimum(worth, dead * sound))
        least = bottom * sound + parts_money
        return np.asarray(np.log(least + 9.0 * np.logaddexp(0.0, (worth - least) / 9.0)))

    return log_price


def _shares(rng: np.random.Generator, a: Assumptions) -> Floats:
    """Share that each fault takes off, shape (n_faults, 3), from the losses on a machine of 190."""
    loss = np.clip(a.by_severity("money") / 190.0 + a.by_severity("fear"), 0.0, 0.9)
    groups = [row["group"] for row in a.faults.values()]
    of_kind = {group: rng.normal(0.0, 0.2) for group in sorted(set(groups))}
    moved = rng.normal(0.0, 0.15) + np.array([of_kind[g] for g in groups]) + rng.normal(0.0, 0.2, len(groups))
    return np.asarray(1.0 - (1.0 - loss) ** np.exp(moved)[:, None])


def left_after(share: Floats, severity: Severities, counted: Floats) -> Floats:
    """Share of the value left after the faults, each further objection counted for less; shape (n,)."""
    off = -np.sort(-share[np.arange(severity.shape[1]), severity], axis=1)
    weight = np.full(off.shape[1], counted[-1])
    weight[: len(counted)] = counted
    return np.asarray(np.prod(1.0 - off * weight, axis=1))
