"""What stands for sale: machines with attributes, age, wear and faults, drawn from the assumptions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from valuer.market.assumptions import Assumptions, Floats

Severities = npt.NDArray[np.int8]

ATTRIBUTES = (
    "drive", "deck_width_in", "deck_material", "engine_class", "start", "tier", "age_years", "looks", "kept",
    "blade_clutch", "mulch_kit", "high_wheels", "new_price", "tested",
)  # fmt: skip
SELF_PROPELLED = ("front_one_speed", "front_variable", "rear_variable", "all_wheel", "hydrostatic")


@dataclass(frozen=True)
class Stock:
    """n machines as a buyer sees them: every attribute known.

    attributes: frame of n rows with the columns of ATTRIBUTES, `floor` and `month` (1 to 12).
    severity: array of shape (n, n_faults), 0 none, 1 slight, 2 serious, faults in the order of the assumptions.
    """

    attributes: pd.DataFrame
    severity: Severities

    def __len__(self) -> int:
        return len(self.attributes)

    def take(self, rows: npt.NDArray[np.intp]) -> Stock:
        """Return the chosen rows, in that order."""
        return Stock(self.attributes.iloc[rows].reset_index(drop=True), self.severity[rows])

    def with_severity(self, severity: Severities) -> Stock:
        """Return the same machines with other faults."""
        return Stock(self.attributes, severity)


def draw_stock(n: int, rng: np.random.Generator, a: Assumptions) -> Stock:
    """Draw n machines as they stand for sale in one year."""
    table = _draw_class_attributes(n, rng, a)
    use = _draw_use(table, rng, a)
    table["age_years"] = np.round(_draw_age(table, use, rng, a), 1)
    table["kept"] = np.where(rng.random(n) < a("stock", "kept_outside_share"), "outside", "inside")
    table["month"] = rng.choice(12, n, p=_month_shares(a)) + 1
    hidden = draw_hidden(n, rng, a)
    wear = wear_score(table, use, a)
    table["looks"] = _draw_looks(table, wear, hidden.neglect, rng, a)
    severity = draw_faults(table, wear, hidden, rng, a)
    table["tested"] = draw_tested(n, rng, a)
    return Stock(table, _plant_pairs(table, severity, rng, a))


def draw_tested(n: int, rng: np.random.Generator, a: Assumptions) -> Floats:
    """Share of what can be tested that a seller shows tested, shape (n,): all but all of it by some, little by most."""
    well = rng.random(n) < a("stock", "tested_well_share")
    return np.asarray(np.round(np.where(well, rng.beta(8.0, 2.0, n), rng.beta(1.5, 6.0, n)), 2))


def _draw_class_attributes(n: int, rng: np.random.Generator, a: Assumptions) -> pd.DataFrame:
    names = list(a.classes)
    shares = np.array([a.classes[name]["share"] for name in names])
    which = rng.choice(len(names), n, p=shares)
    parts = [draw_in_class(name, np.flatnonzero(which == i), rng, a) for i, name in enumerate(names)]
    return pd.concat(parts).sort_index()


def draw_in_class(
    name: str, index: npt.NDArray[np.intp], rng: np.random.Generator, a: Assumptions
) -> pd.DataFrame:
    """Draw the attributes that hang on the class alone, one row an index entry."""
    c = a.classes[name]
    n = len(index)
    table = pd.DataFrame(
        {
            key: rng.choice(list(c[key]), n, p=list(c[key].values()))
            for key in ("tier", "drive", "deck_width_in", "deck_material", "engine_class")
        },
        index=index,
    )
    table["deck_width_in"] = table["deck_width_in"].astype(float)
    table["start"] = np.where(rng.random(n) < c["electric"], "electric", "rope")
    for key in ("blade_clutch", "mulch_kit", "high_wheels"):
        table[key] = rng.random(n) < c[key]
    table["new_price"] = _new_price(table, c["new_price"], rng, a)
    table["floor"] = float(c["floor"])
    table["class"] = name
    return table


def expected_new_price(table: pd.DataFrame, class_price: float | Floats, a: Assumptions) -> Floats:
    """Median new price of machines of a class with these attributes, in money."""
    factor = np.ones(len(table))
    for key in ("composite", "aluminium"):
        factor *= np.where(table["deck_material"] == key, a("new_price", key), 1.0)
    for key in ("side_valve", "large_ohv", "overhead_cam"):
        factor *= np.where(table["engine_class"] == key, a("new_price", key), 1.0)
    adders = a("new_price", "electric") * (table["start"] == "electric").to_numpy()
    adders = adders + a("new_price", "blade_clutch") * table["blade_clutch"].to_numpy(dtype=float)
    adders = adders + a("new_price", "high_wheels") * table["high_wheels"].to_numpy(dtype=float)
    return np.asarray(class_price * factor + adders, dtype=float)


def _new_price(table: pd.DataFrame, class_price: float, rng: np.random.Generator, a: Assumptions) -> Floats:
    spread = np.exp(rng.normal(0.0, a("new_price", "log_sd"), len(table)))
    return np.asarray(np.round(expected_new_price(table, class_price, a) * spread / 5.0) * 5.0)


def _draw_use(table: pd.DataFrame, rng: np.random.Generator, a: Assumptions) -> Floats:
    """Hours a year, shape (n,)."""
    commercial = (table["tier"] == "commercial").to_numpy()
    median = np.where(commercial, a("stock", "use_hours_commercial"), a("stock", "use_hours_per_year"))
    return np.asarray(median * np.exp(rng.normal(0.0, a("stock", "use_hours_log_sd"), len(table))))


def _draw_age(table: pd.DataFrame, use: Floats, rng: np.random.Generator, a: Assumptions) -> Floats:
    """Ages in years: survivors of a cohort by its median life, thinned where few sell a new machine."""
    commercial = (table["tier"] == "commercial").to_numpy()
    life = np.where(commercial, a("stock", "life_hours_commercial"), a("stock", "life_hours")) / use
    return draw_age_of_life(life, rng, a)


def draw_age_of_life(life: Floats, rng: np.random.Generator, a: Assumptions) -> Floats:
    """Ages of listed machines, given each one's median life in years; shape (n,)."""
    grid = np.linspace(0.02, 2.0, 100)
    alive = np.interp(
        grid, a.series("survival", "fraction_of_median_life"), a.series("survival", "share_alive")
    )
    age = np.outer(life, grid)
    weight = (
        alive * (1.0 - np.exp(-age / a("stock", "offer_delay_years"))) * (age <= a("stock", "oldest_years"))
    )
    total = np.cumsum(weight, axis=1)
    pick = (total < rng.random(len(life))[:, None] * total[:, -1:]).sum(axis=1)
    return np.asarray(np.maximum(life * grid[pick] - life * 0.02 * rng.random(len(life)), 0.1))


def wear_score(table: pd.DataFrame, use: Floats, a: Assumptions) -> Floats:
    """Wear from hours and years, standardised to about mean 0 and sd 1 over the stock; shape (n,)."""
    age = table["age_years"].to_numpy(dtype=float)
    durable = table["tier"].isin(["premium", "commercial"]).to_numpy()
    hours = np.where(durable, a("stock", "wear_hours_durable"), a("stock", "wear_hours"))
    wear = 1.0 - np.exp(-(use * age / hours + age / a("stock", "wear_years")))
    return np.asarray((wear - 0.45) / 0.2)


def _month_shares(a: Assumptions) -> Floats:
    demand = a.series("season", "demand")
    return np.asarray(demand / demand.sum())


@dataclass(frozen=True)
class Hidden:
    """What nobody writes down; each of shape (n,). neglect and knock ~ N(0, 1); given_away: sold as it stands."""

    neglect: Floats
    knock: Floats
    given_away: npt.NDArray[np.bool_]


def draw_hidden(n: int, rng: np.random.Generator, a: Assumptions) -> Hidden:
    """Draw what is hidden for n machines."""
    given_away = rng.random(n) < a("stock", "as_it_stands_share")
    return Hidden(rng.normal(size=n), rng.normal(size=n), given_away)


def _draw_looks(
    table: pd.DataFrame, wear: Floats, neglect: Floats, rng: np.random.Generator, a: Assumptions
) -> npt.NDArray[np.str_]:
    shown = looks_score(table, wear, neglect, a) + rng.normal(size=len(table))
    levels = [shown < a("looks", "bright_below"), shown > a("looks", "scarred_above")]
    return np.select(levels, ["bright", "scarred"], "scuffed")


def looks_score(table: pd.DataFrame, wear: Floats, neglect: Floats, a: Assumptions) -> Floats:
    """Mean of the score behind the looks, shape (n,); unit normal noise comes on top."""
    outside = (table["kept"] == "outside").to_numpy(dtype=float)
    score = (
        a("looks", "wear") * wear + a("looks", "neglect") * neglect + a("looks", "outside") * (outside - 0.25)
    )
    return np.asarray(score)


def can_have(table: pd.DataFrame, a: Assumptions) -> npt.NDArray[np.bool_]:
    """Which faults a machine can have at all, shape (n, n_faults): no drive fault on a push machine, and so on."""
    conditions = {
        "self_propelled": table["drive"].isin(SELF_PROPELLED).to_numpy(),
        "variable_speed": table["drive"].isin(SELF_PROPELLED[1:]).to_numpy(),
        "electric": (table["start"] == "electric").to_numpy(),
        "blade_clutch": table["blade_clutch"].to_numpy(dtype=bool),
        "steel": (table["deck_material"] == "steel").to_numpy(),
        "aluminium": (table["deck_material"] == "aluminium").to_numpy(),
    }
    everyone = np.ones(len(table), dtype=bool)
    return np.column_stack([conditions.get(row.get("needs", ""), everyone) for row in a.faults.values()])


def fault_log_odds(table: pd.DataFrame, wear: Floats, hidden: Hidden, a: Assumptions) -> Floats:
    """Log odds of each fault before the links between faults, shape (n, n_faults)."""
    c = {name: a.fault_column(name) for name in ("wear", "neglect", "knock", "outside")}
    outside = (table["kept"] == "outside").to_numpy(dtype=float) - 0.25
    lift = (
        np.outer(wear, c["wear"]) + np.outer(hidden.neglect, c["neglect"])
        + np.outer(hidden.knock, c["knock"]) + np.outer(outside, c["outside"])
    )  # fmt: skip
    # A logistic of a normal averages to the share when its centre is stretched by this factor (probit approximation).
    stretch = np.sqrt(1.0 + np.pi / 8.0 * (c["wear"] ** 2 + c["neglect"] ** 2 + c["knock"] ** 2))
    recorded = a("stock", "recorded_share")
    offered = _logit(recorded * a.fault_column("offered")) * stretch
    as_it_stands = _logit(recorded * a.fault_column("as_it_stands")) * stretch
    return np.asarray(np.where(hidden.given_away[:, None], as_it_stands, offered) + lift)


def _logit(share: Floats) -> Floats:
    return np.asarray(np.log(share / (1.0 - share)))


def links(a: Assumptions) -> list[tuple[int, int, int, float]]:
    """Causes that raise the odds of another fault: (cause column, least severity, fault column, log odds)."""
    place = {name: i for i, name in enumerate(a.fault_ids)}
    return [(place[k["cause"]], k["from"], place[k["fault"]], float(k["log_odds"])) for k in a.raw["link"]]


def draw_faults(
    table: pd.DataFrame, wear: Floats, hidden: Hidden, rng: np.random.Generator, a: Assumptions
) -> Severities:
    """Draw the faults; those that only show when it runs stay unseen on a machine that does not."""
    log_odds = fault_log_odds(table, wear, hidden, a)
    serious = a.fault_column("serious") + a("stock", "serious_more_as_it_stands") * hidden.given_away[:, None]
    level = 1 + (rng.random(log_odds.shape) < serious).astype(np.int8)
    uniform = rng.random(log_odds.shape)
    possible = can_have(table, a)
    severity = np.zeros(log_odds.shape, dtype=np.int8)
    by_fault: dict[int, list[tuple[int, int, float]]] = {}
    for cause, least, fault, weight in links(a):
        by_fault.setdefault(fault, []).append((cause, least, weight))
    for j in fault_order(a):
        lift = log_odds[:, j].copy()
        for cause, least, weight in by_fault.get(j, []):
            lift += weight * (severity[:, cause] >= least)
        present = (uniform[:, j] < 1.0 / (1.0 + np.exp(-lift))) & possible[:, j]
        severity[:, j] = level[:, j] * present
    return hide_untestable(severity, a)


def fault_order(a: Assumptions) -> list[int]:
    """Fault columns with every cause before what it causes."""
    targets: dict[int, set[int]] = {}
    for cause, _, fault, _ in links(a):
        targets.setdefault(fault, set()).add(cause)
    order: list[int] = []
    waiting = list(range(len(a.fault_ids)))
    while waiting:
        ready = [j for j in waiting if targets.get(j, set()) <= set(order)]
        order += ready
        waiting = [j for j in waiting if j not in ready]
    return order


def hide_untestable(severity: Severities, a: Assumptions) -> Severities:
    """Set to 0 what nobody can see on a machine that will not start."""
    hidden_columns = np.array([bool(row.get("shows_only_when_running")) for row in a.faults.values()])
    dead = severity[:, a.fault_ids.index("no_start")] > 0
    severity[np.ix_(dead, hidden_columns)] = 0
    return severity


def _plant_pairs(
    table: pd.DataFrame, severity: Severities, rng: np.random.Generator, a: Assumptions
) -> Severities:
    """Over-sample the named pairs, so that their joint effect can be learned at all; the datasheet says so."""
    possible = can_have(table, a)
    runs = severity[:, a.fault_ids.index("no_start")] == 0
    for pair in a.raw["pair"]:
        columns = [a.fault_ids.index(f) for f in pair["faults"]]
        chosen = (
            (rng.random(len(table)) < a("stock", "paired_share")) & possible[:, columns].all(axis=1) & runs
        )
        for j in columns:
            level = 1 + (rng.random(len(table)) < 0.5)
            severity[:, j] = np.where(chosen, np.maximum(severity[:, j], level), severity[:, j])
    return severity
