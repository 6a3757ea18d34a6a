"""What a recorded sale truly was worth on average, given no more than what the record says.

A record leaves attributes out, so the truth is an average over the machines that could have left that record: each is
drawn from the market and weighted by how well it explains what was written down (importance sampling). Against this
truth, and against the noise that even it cannot explain, the model is measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit, ndtr

from valuer.market.assumptions import Assumptions, Floats, assumptions
from valuer.market.buyers import Buyers, Outcomes
from valuer.market.sales import left_out_chance
from valuer.market.stock import (
    Severities,
    Stock,
    can_have,
    draw_age_of_life,
    draw_hidden,
    draw_in_class,
    expected_new_price,
    fault_log_odds,
    links,
    looks_score,
    wear_score,
)  # fmt: skip

CLASS_DRAWN = ("tier", "drive", "deck_width_in", "deck_material", "engine_class")
FLAGS = ("blade_clutch", "mulch_kit", "high_wheels")


@dataclass(frozen=True)
class Truth:
    """True distribution of the log price of n records.

    mean: shape (n,). sampling_variance: of `mean`, shape (n,); subtract its average from a squared error.
    weight: shape (n, m), rows sum to 1; outcomes: of the n * m completions.
    """

    mean: Floats
    sampling_variance: Floats
    weight: Floats
    outcomes: Outcomes

    def quantile(self, share: float) -> Floats:
        """Log price below which `share` of such sales end, shape (n,); by bisection."""
        n, m = self.weight.shape
        low, high = self.mean - 4.0, self.mean + 3.0
        for _ in range(26):
            middle = (low + high) / 2
            below = (self.weight * self.outcomes.share_below(np.repeat(middle, m)).reshape(n, m)).sum(axis=1)
            low, high = np.where(below < share, middle, low), np.where(below < share, high, middle)
        return np.asarray((low + high) / 2)


def truth_of(
    table: pd.DataFrame, severity: Severities, seed: int, draws: int = 500, a: Assumptions | None = None
) -> Truth:
    """True log price of recorded sales. table: as from draw_sales; severity: its faults, shape (n, n_faults)."""
    a = a or assumptions()
    rng = np.random.default_rng(seed)
    chunks = [slice(i, i + 250) for i in range(0, len(table), 250)]
    parts = [_truth_chunk(table.iloc[c].reset_index(drop=True), severity[c], rng, draws, a) for c in chunks]
    outcomes = Outcomes(np.concatenate([p.outcomes.chance for p in parts]),
                        np.concatenate([p.outcomes.middle for p in parts]), parts[0].outcomes.spread)  # fmt: skip
    mean, variance, weight = (
        np.concatenate([getattr(p, k) for p in parts]) for k in ("mean", "sampling_variance", "weight")
    )
    return Truth(mean, variance, weight, outcomes)


def _truth_chunk(
    table: pd.DataFrame, severity: Severities, rng: np.random.Generator, m: int, a: Assumptions
) -> Truth:
    known = table.iloc[np.repeat(np.arange(len(table)), m)].reset_index(drop=True)
    known_severity = np.repeat(severity, m, axis=0)
    full, log_weight = _complete_class(table, known, m, rng, a)
    use, log_age = _complete_age(full, known, rng, a)
    log_weight = log_weight + log_age + _complete_kept(full, known, rng, a)
    hidden = draw_hidden(len(full), rng, a)
    wear = wear_score(full, use, a)
    log_weight = log_weight + _complete_looks(full, known, looks_score(full, wear, hidden.neglect, a), rng, a)
    log_weight = log_weight + _log_chance_of_faults(full, known_severity, wear, hidden, a)
    buyers = Buyers(a)
    outcomes = buyers.outcomes_of(Stock(full, known_severity), buyers.objections(severity).repeat(m))
    weight = log_weight.reshape(-1, m)
    weight = np.exp(weight - weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    each = outcomes.expected_log_price().reshape(-1, m)
    mean = (weight * each).sum(axis=1)
    variance = (weight**2 * (each - mean[:, None]) ** 2).sum(axis=1)
    return Truth(mean, variance, weight, outcomes)


def _complete_class(
    table: pd.DataFrame, known: pd.DataFrame, m: int, rng: np.random.Generator, a: Assumptions
) -> tuple[pd.DataFrame, Floats]:
    """Draw a class and its attributes for every completion; log weight of the class draw and the new price."""
    names = list(a.classes)
    log_class = np.column_stack([_log_class(table, name, a) for name in names])
    chance = np.exp(log_class - log_class.max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    pick = (
        (np.cumsum(chance, axis=1)[:, None, :] < rng.random((len(table), m))[:, :, None]).sum(axis=2).ravel()
    )
    pick = np.minimum(pick, len(names) - 1)
    full = pd.concat([draw_in_class(name, np.flatnonzero(pick == i), rng, a) for i, name in enumerate(names)])
    full = full.sort_index()
    full["month"] = known["month"].to_numpy()
    for key in (*CLASS_DRAWN, "start", *FLAGS):
        full[key] = _fill(known[key], full[key])
    class_price = np.array([a.classes[name]["new_price"] for name in names])[pick]
    median = expected_new_price(full, class_price, a)
    drawn = median * np.exp(rng.normal(0.0, a("new_price", "log_sd"), len(full)))
    full["new_price"] = _fill(known["new_price"], pd.Series(drawn))
    told = known["new_price"].notna().to_numpy()
    density = _log_normal(np.log(full["new_price"].to_numpy() / median), a("new_price", "log_sd"))
    rough = _log_normal(np.log(full["new_price"].to_numpy() / class_price), 0.2)
    return full, np.where(told, density - rough, 0.0)


def _log_class(table: pd.DataFrame, name: str, a: Assumptions) -> Floats:
    """Log chance of a class from what is told, up to a constant; the new price only roughly."""
    c = a.classes[name]
    total = np.full(len(table), np.log(c["share"]))
    for key in CLASS_DRAWN:
        odds = {(float(k) if key == "deck_width_in" else k): v for k, v in c[key].items()}
        total += np.log([odds.get(v, 1e-300) if pd.notna(v) else 1.0 for v in table[key]])
    for key, word in (("start", "electric"), *((flag, True) for flag in FLAGS)):
        p = c["electric"] if key == "start" else c[key]
        told = table[key].notna().to_numpy()
        yes = (table[key] == word).to_numpy()
        total += np.where(told, np.log(np.maximum(np.where(yes, p, 1.0 - p), 1e-300)), 0.0)
    price = table["new_price"].astype(float).to_numpy()
    return np.asarray(
        total + np.where(np.isnan(price), 0.0, _log_normal(np.log(price / c["new_price"]), 0.2))
    )


def _fill(known: pd.Series, drawn: pd.Series) -> np.ndarray:
    told = known.notna().to_numpy()
    filled = drawn.to_numpy(dtype=object, copy=True)
    filled[told] = known.to_numpy(dtype=object)[told]
    return pd.Series(filled, index=drawn.index).astype(drawn.dtype).to_numpy()


def _log_normal(z: Floats, sd: float) -> Floats:
    return np.asarray(-0.5 * (z / sd) ** 2 - np.log(sd))


def _complete_age(
    full: pd.DataFrame, known: pd.DataFrame, rng: np.random.Generator, a: Assumptions
) -> tuple[Floats, Floats]:
    """Draw the use a year, and the age where it is not told; log weight of a told age and of its being left out."""
    commercial = (full["tier"] == "commercial").to_numpy()
    median = np.where(commercial, a("stock", "use_hours_commercial"), a("stock", "use_hours_per_year"))
    use = median * np.exp(rng.normal(0.0, a("stock", "use_hours_log_sd"), len(full)))
    life = np.where(commercial, a("stock", "life_hours_commercial"), a("stock", "life_hours")) / use
    age = known["age_years"].astype(float).to_numpy()
    told = ~np.isnan(age)
    drawn = np.empty(len(full))
    drawn[told] = age[told]
    drawn[~told] = draw_age_of_life(life[~told], rng, a)
    full["age_years"] = drawn
    left_out = np.minimum(a("left_out", "age_years") + a("left_out", "age_years_per_year") * drawn, 0.9)
    log_weight = np.where(told, np.log1p(-left_out) + _log_age_density(drawn, life, a), np.log(left_out))
    return use, log_weight


def _log_age_density(age: Floats, life: Floats, a: Assumptions) -> Floats:
    """Log density of an age among listed machines of a given median life."""

    def on_offer(years: Floats, of_life: Floats) -> Floats:
        x, y = a.series("survival", "fraction_of_median_life"), a.series("survival", "share_alive")
        alive = np.interp(years / of_life, x, y) * (years <= a("stock", "oldest_years"))
        return np.asarray(alive * (1.0 - np.exp(-years / a("stock", "offer_delay_years"))))

    grid_life = np.exp(np.linspace(np.log(0.2), np.log(150.0), 120))
    grid = np.linspace(0.02, 2.0, 100)
    total = [on_offer(one * grid, np.full(100, one)).mean() * 2.0 * one for one in grid_life]
    return np.asarray(
        np.log(np.maximum(on_offer(age, life), 1e-300))
        - np.interp(np.log(life), np.log(grid_life), np.log(total))
    )


def _complete_kept(
    full: pd.DataFrame, known: pd.DataFrame, rng: np.random.Generator, a: Assumptions
) -> Floats:
    share = a("stock", "kept_outside_share")
    drawn = np.where(rng.random(len(full)) < share, "outside", "inside")
    full["kept"] = _fill(known["kept"], pd.Series(drawn))
    left_out = left_out_chance(full, a)["kept"]
    told = known["kept"].notna().to_numpy()
    prior = np.log(np.where(full["kept"] == "outside", share, 1.0 - share))
    return np.asarray(np.where(told, prior + np.log1p(-left_out), np.log(left_out)))


def _complete_looks(
    full: pd.DataFrame, known: pd.DataFrame, score: Floats, rng: np.random.Generator, a: Assumptions
) -> Floats:
    bright, scarred = a("looks", "bright_below"), a("looks", "scarred_above")
    shown = score + rng.normal(size=len(full))
    drawn = np.select([shown < bright, shown > scarred], ["bright", "scarred"], "scuffed")
    full["looks"] = _fill(known["looks"], pd.Series(drawn))
    below, above = ndtr(bright - score), ndtr(score - scarred)
    chance = np.select(
        [full["looks"] == "bright", full["looks"] == "scarred"], [below, above], 1.0 - below - above
    )
    return np.asarray(np.where(known["looks"].notna(), np.log(np.maximum(chance, 1e-300)), 0.0))


def _log_chance_of_faults(
    full: pd.DataFrame, severity: Severities, wear: Floats, hidden: object, a: Assumptions
) -> Floats:
    """Log chance of the recorded faults given everything else, shape (n,); unseen ones say nothing."""
    log_odds = fault_log_odds(full, wear, hidden, a)  # type: ignore[arg-type]
    for cause, least, fault, weight in links(a):
        log_odds[:, fault] += weight * (severity[:, cause] >= least)
    present = severity > 0
    chance = np.where(can_have(full, a), expit(log_odds), 1e-12)
    said = np.log(np.where(present, chance, 1.0 - chance))
    unseen = np.array([bool(row.get("shows_only_when_running")) for row in a.faults.values()])
    dead = severity[:, a.fault_ids.index("no_start")] > 0
    return np.asarray(np.where(dead[:, None] & unseen, 0.0, said).sum(axis=1))
