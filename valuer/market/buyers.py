"""Who buys a machine and for how much: kinds of buyer with limits of their own, and who of them ends up with it.

Users start from what a sound machine is worth to them and take money off for what they fear; nervous ones leave when
it does not start or looks unsafe. Repairing buyers start lower and take off parts, hours and risk. The one with the
higher limit wins more often. So the price of a machine is a mixture, and its true middle and quantiles are known.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import ndtr

from valuer.market.assumptions import Assumptions, Floats
from valuer.market.stock import SELF_PROPELLED, Severities, Stock

REFERENCE_VALUE = 150.0
"""Value in money at which two losses of one job are compared to see which is the larger."""


@dataclass(frozen=True)
class Outcomes:
    """How a sale may end, one column a kind of buyer.

    chance: shape (n, n_kinds), rows sum to 1. middle: shape (n, n_kinds), mean log price. spread: shape (n_kinds,), of
    equal machines. unsure: shape (n,), of what nobody knows the cause of, on top.
    """

    chance: Floats
    middle: Floats
    spread: Floats
    unsure: Floats

    def log_sd(self) -> Floats:
        """Standard deviation of the log price that each kind pays, shape (n, n_kinds)."""
        return np.hypot(self.spread, self.unsure[:, None])

    def expected_log_price(self) -> Floats:
        """Mean of log price, shape (n,)."""
        return np.asarray((self.chance * self.middle).sum(axis=1))

    def expected_price(self) -> Floats:
        """Mean price in money, shape (n,)."""
        return np.asarray((self.chance * np.exp(self.middle + self.log_sd() ** 2 / 2)).sum(axis=1))

    def log_price_variance(self) -> Floats:
        """Variance of log price, shape (n,)."""
        mean = self.expected_log_price()[:, None]
        return np.asarray((self.chance * (self.log_sd() ** 2 + (self.middle - mean) ** 2)).sum(axis=1))

    def share_below(self, log_price: Floats) -> Floats:
        """Chance that the log price is at most `log_price` (shape (n,)); shape (n,)."""
        z = (log_price[:, None] - self.middle) / self.log_sd()
        return np.asarray((self.chance * ndtr(z)).sum(axis=1))

    def draw(self, rng: np.random.Generator) -> Floats:
        """One log price a machine, shape (n,), before rounding."""
        pick = (np.cumsum(self.chance, axis=1) < rng.random(len(self.chance))[:, None]).sum(axis=1)
        pick = np.minimum(pick, self.chance.shape[1] - 1)
        rows = np.arange(len(pick))
        return np.asarray(self.middle[rows, pick] + rng.normal(size=len(pick)) * self.log_sd()[rows, pick])


PARTS = ("rest", "cos", "wheel", "bag")
"""Faults by what they weigh with: trim by tier and season, wheels by season, a bag by drive and season too."""


@dataclass(frozen=True)
class Objections:
    """What the faults of each machine come to for each kind of buyer; they do not depend on its attributes.

    money, fear: shape (n, n_parts, n_kinds), the parts of PARTS, whose weight hangs on the machine. fixer, stay: shape
    (n, n_kinds). runs, unsafe, unsure: shape (n,).
    """

    money: Floats
    fear: Floats
    fixer: Floats
    stay: Floats
    runs: np.ndarray
    unsafe: np.ndarray
    unsure: Floats

    def repeat(self, times: int) -> Objections:
        """Each row `times` times, for completions of one machine."""
        return Objections(*(np.repeat(part, times, axis=0) for part in vars(self).values()))


class Buyers:
    """The buyers of one set of assumptions."""

    def __init__(self, a: Assumptions) -> None:
        """Read the tables once."""
        self.a = a
        self.kinds = list(a.buyers.values())
        self.names = list(a.buyers)

    def outcomes(self, stock: Stock) -> Outcomes:
        """How the sale of each machine may end."""
        return self.outcomes_of(stock, self.objections(stock.severity))

    def column(self, key: str, default: float = 0.0) -> Floats:
        """One figure of every kind, shape (n_kinds,)."""
        return np.array([float(kind.get(key, default)) for kind in self.kinds])

    @cached_property
    def minds(self) -> Floats:
        """How much each kind minds each fault, shape (n_faults, n_kinds); 1 for those who work from parts."""
        groups = [row["group"] for row in self.a.faults.values()]
        return np.array([[kind.get("minds", {}).get(group, 1.0) for kind in self.kinds] for group in groups])

    def objections(self, severity: Severities) -> Objections:
        """Add up what the faults come to. severity: shape (n, n_faults)."""
        a = self.a
        columns = np.arange(severity.shape[1])
        money, fear, walks, fixer = (
            a.by_severity(c)[columns, severity] for c in ("money", "fear", "walks", "fixer")
        )
        counted = self._count_one_job_once(money + REFERENCE_VALUE * fear)
        nerves = self.column("nerves")
        runs = severity[:, a.fault_ids.index("no_start")] == 0
        unsafe = self.looks_unsafe(severity)
        distrust = self._distrust(fear, counted)
        total_money, total_fear = (
            self._in_parts(off * counted) * distrust[:, None, None] for off in (money, fear)
        )
        pair_fear, pair_walks = self._pairs(severity)
        total_fear[:, 0] += (pair_fear + a("bargain", "unsafe_look") * unsafe)[:, None]
        log_stay = self._of_all(np.log1p(-np.minimum(walks[:, :, None] * nerves, 0.995)))
        log_stay = log_stay + np.log1p(-np.minimum(pair_walks[:, None] * nerves, 0.995))
        gone = np.where(unsafe, a("bargain", "gate_stay"), 1.0) * np.where(
            runs, 1.0, a("bargain", "dead_stay")
        )
        log_stay = log_stay + np.log(gone)[:, None] * (nerves > 0)
        fixer = self._less_once_named(fixer, severity)
        fixer_counted = self._count_one_job_once(fixer)
        works = self.column("works_from_parts")
        total_fixer = (fixer * fixer_counted).sum(axis=1)[:, None] * works
        unsure = self._unsure(severity)
        return Objections(total_money, total_fear, total_fixer, np.exp(log_stay), runs, unsafe, unsure)

    def _unsure(self, severity: Severities) -> Floats:
        """How far buyers differ over symptoms whose cause nobody has named, log sd, shape (n,)."""
        unsure = np.zeros(len(severity))
        for fault, sizes in self.a.raw["unsure"].items():
            shown = severity[:, self.a.fault_ids.index(fault)]
            named = (severity[:, self._beside(fault)] > 0).any(axis=1)
            unsure = np.hypot(unsure, np.where(named, 0.0, np.array([0.0, *sizes["value"]])[shown]))
        return unsure

    def _beside(self, fault: str) -> list[int]:
        """Columns of the other faults that are one loss with this one: what it may come from."""
        column = self.a.fault_ids.index(fault)
        return [other for job in self.a.one_job if column in job for other in job if other != column]

    def _in_parts(self, off: Floats) -> Floats:
        """What each kind takes off for the faults of each part, shape (n, n_parts, n_kinds)."""
        groups = np.array([row["group"] for row in self.a.faults.values()])
        of = [groups == part for part in PARTS[1:]]
        masks = [~np.any(of, axis=0), *of]
        return np.stack([off[:, mask] @ self.minds[mask] for mask in masks], axis=1)

    def _less_once_named(self, fixer: Floats, severity: Severities) -> Floats:
        """What repairing buyers reckon, less for not starting where its cause is named; shape (n, n_faults)."""
        named = (severity[:, self._beside("no_start")] > 0).any(axis=1)
        fixer = fixer.copy()
        fixer[:, self.a.fault_ids.index("no_start")] *= np.where(named, self.a("bargain", "cause_known"), 1.0)
        return fixer

    def looks_unsafe(self, severity: Severities) -> np.ndarray:
        """Which machines show a fault that must be cured, shape (n,) of bool."""
        least = {"never": 3, "serious": 2, "any": 1}
        needed = np.array([least[row["unsafe"]] for row in self.a.faults.values()])
        return np.asarray((severity >= needed).any(axis=1))

    def _count_one_job_once(self, loss: Floats) -> Floats:
        """Weight of each fault's loss: 1 for the largest of one job, less for the rest; shape (n, n_faults)."""
        weight = np.ones_like(loss)
        rest = self.a("bargain", "rest_of_one_job")
        for columns in self.a.one_job:
            largest = loss[:, columns].argmax(axis=1)
            weight[:, columns] = rest
            weight[np.arange(len(loss)), np.array(columns)[largest]] = 1.0
        return weight

    def _of_all(self, log_stay: Floats) -> Floats:
        """Log chance to stay for all faults, shape (n, n_kinds), from that for each, shape (n, n_faults, n_kinds).

        Who would leave for the worst fault of a job hardly leaves for the rest of it.
        """
        total, rest = log_stay.sum(axis=1), self.a("bargain", "rest_of_one_job")
        for columns in self.a.one_job:
            of_job = log_stay[:, columns]
            total += (1.0 - rest) * (of_job.min(axis=1) - of_job.sum(axis=1))
        return np.asarray(total)

    def _distrust(self, fear: Floats, counted: Floats) -> Floats:
        """Factor on all deductions: each further independent objection is believed to hide another; shape (n,)."""
        counts = (fear >= self.a("bargain", "objection_counts_from")) & (counted == 1.0)
        factor = 1.0 + self.a("bargain", "distrust") * np.maximum(counts.sum(axis=1) - 1, 0)
        return np.asarray(np.minimum(factor, self.a("bargain", "distrust_cap")))

    def _pairs(self, severity: Severities) -> tuple[Floats, Floats]:
        """Extra fear and extra chance to walk of the named pairs, each of shape (n,)."""
        fear, walks = np.zeros(len(severity)), np.zeros(len(severity))
        for pair in self.a.raw["pair"]:
            first, second = (severity[:, self.a.fault_ids.index(f)] for f in pair["faults"])
            both = np.minimum(first, second) / 2.0
            fear += pair["fear"] * both
            walks = 1.0 - (1.0 - walks) * (1.0 - pair["walks"] * both)
        return fear, walks

    def outcomes_of(self, stock: Stock, objections: Objections) -> Outcomes:
        """How each sale may end, with the objections of its faults already added up."""
        a = self.a
        t = stock.attributes
        new = t["new_price"].to_numpy()
        base = self._sound_worth(stock)
        dead = np.clip(
            a("bargain", "dead_share") * self._market_value(stock), a("bargain", "dead_least"), None
        )
        dead = np.minimum(dead, a("bargain", "dead_most_share_of_new") * new)
        floor = np.where(objections.runs & ~objections.unsafe, a("bargain", "floor_when_it_runs"), 0.0)
        floor = np.maximum(floor * t["floor"].to_numpy() * self._season(stock, "runner_price"), dead)
        parts_index = (new / 450.0) ** a("bargain", "parts_cost_power")
        repairs = self.column("works_from_parts") > 0
        weights = self._part_weights(stock)[:, :, None]
        untested = a("bargain", "untested_fear") * (1.0 - t["tested"].to_numpy(dtype=float)) * objections.runs
        fear = (objections.fear * weights).sum(axis=1) + untested[:, None]
        off_user = (objections.money * weights).sum(axis=1) * parts_index[:, None] + fear * base
        off = np.where(repairs, objections.fixer * parts_index[:, None], off_user)
        bottom = np.where(repairs, dead[:, None], floor[:, None])
        soft = a("bargain", "softness")
        limit = bottom + soft * np.logaddexp(0.0, (base - off - bottom) / soft)
        limit = np.where(
            repairs, np.minimum(limit, self._most_for_repair(stock, objections, dead)[:, None]), limit
        )
        limit[:, self.names.index("wants_parts")] = 1.15 * dead
        weight = (
            self.column("come")
            * objections.stay
            * (limit / limit.max(axis=1, keepdims=True)) ** a("bargain", "higher_bid_wins")
        )
        spread = np.sqrt(self.column("spread") ** 2 + a("bargain", "town_log_sd") ** 2)
        return Outcomes(
            weight / weight.sum(axis=1, keepdims=True),
            np.log(limit * self.column("agree")),
            spread,
            objections.unsure,
        )

    def _most_for_repair(self, stock: Stock, objections: Objections, dead: Floats) -> Floats:
        """What a repairing buyer pays at most for what nobody can use as it stands, shape (n,); else no end to it."""
        a, worth = self.a, self._market_value(stock)
        gate = a("bargain", "gate_share") * (worth / 200.0) ** a("bargain", "gate_share_grows")
        share = np.where(objections.unsafe, np.minimum(gate, a("bargain", "gate_share_most")), np.inf)
        share = np.minimum(share, np.where(objections.runs, np.inf, a("bargain", "non_runner_most")))
        return np.maximum(share * worth * self._season(stock, "fixer_price"), dead)

    def _part_weights(self, stock: Stock) -> Floats:
        """How much the faults of each part weigh on each machine, shape (n, n_parts)."""
        a, t = self.a, stock.attributes
        quiet = a.series("season", "demand")[t["month"].to_numpy() - 1] < 1.0
        season = np.where(quiet, a("bargain", "trim_out_of_season"), 1.0)
        driven = t["drive"].isin(SELF_PROPELLED).to_numpy()
        bag = np.where(driven, a("bargain", "bag_driven"), a("bargain", "bag_push"))
        return np.column_stack([np.ones(len(t)), season * self._looks_weight(stock), season, season * bag])

    def _looks_weight(self, stock: Stock) -> Floats:
        """How much looks and trim weigh by tier, shape (n,)."""
        tier, a = stock.attributes["tier"].to_numpy(), self.a
        ends = [a("bargain", "looks_budget"), a("bargain", "looks_premium")]
        return np.asarray(np.select([tier == "budget", tier == "premium"], ends, 1.0))

    def _season(self, stock: Stock, which: str) -> Floats:
        return np.asarray(self.a.series("season", which)[stock.attributes["month"].to_numpy() - 1])

    def _kept_share(self, stock: Stock) -> Floats:
        """Share of the new price that a sound, clean machine keeps in spring, shape (n,)."""
        a, t = self.a, stock.attributes
        years = np.select([t["tier"] == k for k in ("budget", "mid", "premium")],
                          [a("remaining", f"years_{k}") for k in ("budget", "mid", "premium")],
                          a("remaining", "years_commercial"))  # fmt: skip
        return np.asarray(
            a("remaining", "level") + a("remaining", "drop") * np.exp(-t["age_years"].to_numpy() / years)
        )

    def _market_value(self, stock: Stock) -> Floats:
        """Spring value of a sound, clean machine to the usual buyer, in money; shape (n,)."""
        a, t = self.a, stock.attributes
        factor = 1.0 + a("remaining", "kept_outside") * (t["kept"] == "outside").to_numpy()
        factor = factor * (
            1.0 + a("remaining", "side_valve") * (t["engine_class"] == "side_valve").to_numpy()
        )
        factor = factor * (
            1.0 + a("remaining", "overhead_cam") * (t["engine_class"] == "overhead_cam").to_numpy()
        )
        factor = factor * (1.0 + a("remaining", "mulch_kit") * t["mulch_kit"].to_numpy(dtype=float))
        feared = t["drive"].isin(["all_wheel", "hydrostatic"]).to_numpy() / (
            1.0 + np.exp(a("remaining", "all_wheel_fear_age") - t["age_years"].to_numpy())
        )
        factor = factor * (1.0 + a("remaining", "all_wheel_fear") * feared)
        return np.asarray(t["new_price"].to_numpy() * self._kept_share(stock) * factor)

    def _sound_worth(self, stock: Stock) -> Floats:
        """What the machine would be worth to each kind if it had no fault, in money; shape (n, n_kinds)."""
        a, t = self.a, stock.attributes
        looks = np.select([t["looks"] == "scarred", t["looks"] == "scuffed"],
                          [a("remaining", "looks_scarred"), a("remaining", "looks_scuffed")], 0.0)  # fmt: skip
        looks = looks * self._looks_weight(stock)
        old = 1.0 / (1.0 + np.exp((a("remaining", "reliance_age") - t["age_years"].to_numpy()) / 0.8))
        taste = self.column("taste") * (1.0 + np.outer(looks, self.column("looks")))
        taste = taste * (1.0 - a("remaining", "reliance_loss") * np.outer(old, self.column("age_fear")))
        driven = t["drive"].isin(SELF_PROPELLED).to_numpy(dtype=float)
        taste = taste * (1.0 - np.outer(driven, self.column("drive_discount")))
        season = np.where(self.column("works_from_parts") > 0, self._season(stock, "fixer_price")[:, None],
                          self._season(stock, "runner_price")[:, None])  # fmt: skip
        return np.asarray(self._market_value(stock)[:, None] * taste * season)
