"""What a recorded sale truly was worth on average, given no more than what the record says.

A record leaves attributes out, so the truth is an average over the machines that could have left that record: each is
drawn from the market and weighted by how well it explains what was written down (importance sampling). Against this
truth, and against the noise that even it cannot explain, the model is measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import expit, ndtr

from valuer.market.assumptions import Assumptions, Floats, assumptions
from valuer.market.buyers import Buyers, Outcomes
from valuer.market.sales import left_out_chance, mistake_law, stated_chance
from valuer.market.stock import (
    Hidden,
    Severities,
    Stock,
    can_have,
    draw_age_of_life,
    draw_hidden,
    draw_in_class,
    draw_tested,
    expected_new_price,
    fault_log_odds,
    fault_order,
    links,
    looks_score,
    wear_score,
)  # fmt: skip

CLASS_DRAWN = ("tier", "drive", "deck_width_in", "deck_material", "engine_class")
WRONG_DRAWN = 0.2
"""Share of the completions of a record that take its class for a wrong one: more than are wrong, each for less."""

FLAGS = ("blade_clutch", "mulch_kit", "high_wheels")


@dataclass(frozen=True)
class Truth:
    """True distribution of the log price of n records.

    mean: shape (n,), of the recorded price, mistakes in it included. sampling_variance: of `mean`, shape (n,); subtract
    its average from a squared error. weight: shape (n, m), rows sum to 1; outcomes: of the n * m completions.
    mistakes: the law of mistakes in a price, see `sales.mistake_law`.
    """

    mean: Floats
    sampling_variance: Floats
    weight: Floats
    outcomes: Outcomes
    mistakes: tuple[Floats, Floats, Floats]

    def quantile(self, share: float) -> Floats:
        """Log price below which `share` of such sales end, shape (n,); by bisection."""
        low, high = self.mean - 4.0, self.mean + 3.0
        for _ in range(26):
            middle = (low + high) / 2
            below = self.share_below(middle)
            low, high = np.where(below < share, middle, low), np.where(below < share, high, middle)
        return np.asarray((low + high) / 2)

    def share_below(self, log_price: Floats) -> Floats:
        """Share of such sales that end below a log price, both of shape (n,)."""
        parts = (
            share * self._below(log_price - shift, sd)
            for share, shift, sd in zip(*self.mistakes, strict=True)
        )
        return np.asarray(sum(parts))

    def _below(self, log_price: Floats, mistake_sd: float) -> Floats:
        """Share of sales below a log price where a mistake of this sd stands on top of it, shape (n,)."""
        n, m = self.weight.shape
        wider = replace(self.outcomes, spread=np.hypot(self.outcomes.spread, mistake_sd))
        return np.asarray(
            (self.weight * wider.share_below(np.repeat(log_price, m)).reshape(n, m)).sum(axis=1)
        )


def truth_of(
    table: pd.DataFrame, severity: Severities, seed: int, draws: int = 500, a: Assumptions | None = None
) -> Truth:
    """True log price of recorded sales. table: as from draw_sales; severity: its faults, shape (n, n_faults)."""
    a = a or assumptions()
    rng = np.random.default_rng(seed)
    chunks = [slice(i, i + 250) for i in range(0, len(table), 250)]
    parts = [_truth_chunk(table.iloc[c].reset_index(drop=True), severity[c], rng, draws, a) for c in chunks]
    outcomes = Outcomes(np.concatenate([p.outcomes.chance for p in parts]),
                        np.concatenate([p.outcomes.middle for p in parts]), parts[0].outcomes.spread,
                        np.concatenate([p.outcomes.unsure for p in parts]))  # fmt: skip
    mean, variance, weight = (
        np.concatenate([getattr(p, k) for p in parts]) for k in ("mean", "sampling_variance", "weight")
    )
    return Truth(mean, variance, weight, outcomes, mistake_law(a))


def _truth_chunk(
    table: pd.DataFrame, severity: Severities, rng: np.random.Generator, m: int, a: Assumptions
) -> Truth:
    known = table.iloc[np.repeat(np.arange(len(table)), m)].reset_index(drop=True)
    known_severity = np.repeat(severity, m, axis=0)
    full, log_weight = _complete_class(table, known, m, rng, a)
    use, log_age = _complete_age(full, known, rng, a)
    log_weight = log_weight + log_age + _complete_kept(full, known, rng, a)
    full["tested"] = _fill(known["tested"], pd.Series(draw_tested(len(full), rng, a)))
    hidden = draw_hidden(len(full), rng, a)
    wear = wear_score(full, use, a)
    log_weight = log_weight + _complete_looks(full, known, looks_score(full, wear, hidden.neglect, a), rng, a)
    true_severity, log_faults = _complete_faults(full, known_severity, wear, hidden, rng, a)
    outcomes = Buyers(a).outcomes(Stock(full, true_severity))
    weight = (log_weight + log_faults).reshape(-1, m)
    weight = np.exp(weight - weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    shares, shifts, _ = mistake_law(a)
    each = outcomes.expected_log_price().reshape(-1, m) + float(shares @ shifts)
    mean = (weight * each).sum(axis=1)
    variance = (weight**2 * (each - mean[:, None]) ** 2).sum(axis=1)
    return Truth(mean, variance, weight, outcomes, mistake_law(a))


def _complete_class(
    table: pd.DataFrame, known: pd.DataFrame, m: int, rng: np.random.Generator, a: Assumptions
) -> tuple[pd.DataFrame, Floats]:
    """Draw a class and its attributes for every completion; log weight of the class draw and the new price."""
    names = list(a.classes)
    # Of every record the last completions take its tier and drive for another machine's.
    n_wrong = max(round(WRONG_DRAWN * m), 1)
    wrong = np.tile(np.arange(m) >= m - n_wrong, len(table))
    unsaid = table.assign(tier=None, drive=None)
    pick, log_told = np.empty(len(table) * m, dtype=int), np.zeros(len(table) * m)
    for rows, said in ((~wrong, table), (wrong, unsaid)):
        log_class = np.column_stack([_log_class(said, name, a) for name in names])
        top = log_class.max(axis=1, keepdims=True)
        chance = np.exp(log_class - top)
        total = chance.sum(axis=1)
        each = int(rows.sum() / len(table))
        below = (
            np.cumsum(chance / total[:, None], axis=1)[:, None, :]
            < rng.random((len(table), each))[:, :, None]
        )
        pick[rows] = np.minimum(below.sum(axis=2), len(names) - 1).ravel()
        log_told[rows] = np.repeat(np.log(total) + top[:, 0], each)
    share = a("record", "wrong_class")
    log_told += np.where(wrong, np.log(share / n_wrong), np.log((1.0 - share) / (m - n_wrong)))
    log_told += np.where(wrong, np.repeat(_log_usual(table, a), m), 0.0)
    full = pd.concat([draw_in_class(name, np.flatnonzero(pick == i), rng, a) for i, name in enumerate(names)])
    full = full.sort_index()
    full["month"] = known["month"].to_numpy()
    for key in (*CLASS_DRAWN, "start", *FLAGS):
        stated = known[key].where(~wrong) if key in ("tier", "drive") else known[key]
        full[key] = _fill(stated, full[key])
    class_price = np.array([a.classes[name]["new_price"] for name in names])[pick]
    median = expected_new_price(full, class_price, a)
    price = known["new_price"].astype(float).to_numpy()
    told, own_sd, slip = ~np.isnan(price), a("new_price", "log_sd"), a("record", "new_price_log_sd")
    # True given stated is normal in logs; the stated one is spread by both.
    trust = own_sd**2 / (own_sd**2 + slip**2)
    centre = np.where(told, trust * np.log(np.where(told, price, 1.0) / median), 0.0)
    sd = np.where(told, own_sd * np.sqrt(1.0 - trust), own_sd)
    full["new_price"] = median * np.exp(centre + sd * rng.normal(size=len(full)))
    both = float(np.hypot(own_sd, slip))
    density = _log_normal(np.log(np.where(told, price, 1.0) / median), both)
    rough = _log_normal(np.log(np.where(told, price, 1.0) / class_price), 0.2)
    return full, log_told + np.where(told, density - rough, 0.0)


def _log_usual(table: pd.DataFrame, a: Assumptions) -> Floats:
    """Log chance of the stated tier and drive if they are those of any machine of the market, shape (n,)."""
    total = np.zeros(len(table))
    for key in ("tier", "drive"):
        share: dict[str, float] = {}
        for c in a.classes.values():
            for word, p in c[key].items():
                share[word] = share.get(word, 0.0) + c["share"] * p
        total += np.log([share[word] if pd.notna(word) else 1.0 for word in table[key]])
    return total


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
    # True over stated, by the law of the mistake turned round; the change of variable stands in the weight.
    mistake = a("record", "age_younger") + a("record", "age_log_sd") * rng.normal(size=int(told.sum()))
    drawn[told] = np.maximum(age[told], 0.05) * np.exp(mistake)
    drawn[~told] = draw_age_of_life(life[~told], rng, a)
    full["age_years"] = drawn
    left_out = np.minimum(a("left_out", "age_years") + a("left_out", "age_years_per_year") * drawn, 0.9)
    density = _log_age_density(drawn, life, a) + np.log(drawn)
    log_weight = np.where(told, np.log1p(-left_out) + density, np.log(left_out))
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


def _complete_faults(
    full: pd.DataFrame,
    recorded: Severities,
    wear: Floats,
    hidden: Hidden,
    rng: np.random.Generator,
    a: Assumptions,
) -> tuple[Severities, Floats]:
    """The faults that are there, those on record and others drawn; log chance of the record, shape (n,)."""
    log_odds = fault_log_odds(full, wear, hidden, a)
    possible = can_have(full, a)
    stated = stated_chance(full["tested"].to_numpy(dtype=float), a)
    start = a.fault_ids.index("no_start")
    unseen = np.array([bool(row.get("shows_only_when_running")) for row in a.faults.values()])
    dead = recorded[:, start] > 0
    serious = a.fault_column("serious") + a("stock", "serious_more_as_it_stands") * hidden.given_away[:, None]
    uniform, level = rng.random(recorded.shape), rng.random(recorded.shape)
    by_fault: dict[int, list[tuple[int, int, float]]] = {}
    for cause, least, fault, weight in links(a):
        by_fault.setdefault(fault, []).append((cause, least, weight))
    severity, total = recorded.copy(), np.zeros(len(full))
    for j in fault_order(a):
        lift = log_odds[:, j].copy()
        for cause, least, weight in by_fault.get(j, []):
            lift += weight * (severity[:, cause] >= least)
        p = np.where(possible[:, j], expit(lift), 1e-12)
        say = np.ones(len(full)) if j == start else stated
        off = dead & unseen[j]
        there = recorded[:, j] > 0
        left = np.maximum(1.0 - p * say, 1e-12)
        total += np.where(off, 0.0, np.where(there, np.log(p * say), np.log(left)))
        drawn = ~there & ~off & (uniform[:, j] < p * (1.0 - say) / left)
        severity[:, j] = np.where(drawn, 1 + (level[:, j] < serious[:, j]), severity[:, j])
        total += np.where(
            there & ~off, np.log(np.where(recorded[:, j] == 2, serious[:, j], 1.0 - serious[:, j])), 0.0
        )
    return severity, total
