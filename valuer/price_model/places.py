"""What a population of invented markets teaches: how the prices of the same machines differ from place to place.

Every drawn market prices the same machines. What it pays more or less than the home market is laid out in the terms of
`place_terms`; the second moments of their coefficients over the markets are the prior of what own sales will say, and
what the terms leave over is the misfit. `valuer data` writes both to one file of plain numbers, labelled synthetic.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import nnls

from valuer.advice.ports import Basis, Beyond, FloatArray, Months
from valuer.domain.faults import fault_catalogue
from valuer.domain.machine import Machine
from valuer.market.assumptions import Assumptions, assumptions
from valuer.market.buyers import Buyers
from valuer.market.population import LogPrice, draw_markets
from valuer.market.stock import Stock, draw_stock
from valuer.price_model.own_sales import bearing, usual_losses
from valuer.price_model.place_prior import FILE, misfit_inputs
from valuer.price_model.place_terms import Seen, term_columns, terms

MARKETS, MACHINES = 300, 900
FREE_SD = 0.5
"""Width within which a coefficient is free when one market is laid out in the terms: wider than any of them."""

NEAR = 0.05
"""Log error to which the laying out is carried; what the terms cannot say is left to the misfit."""

SHRUNK = 0.1
"""Share of the covariances between terms that is given up, as MARKETS are not many beside the terms."""

SEEN_SALES, SALE_SD = 30, 0.2
"""Own sales by which the misfit of a strange form of market is judged, and the log sd of what equal machines fetch."""

WORDS = {
    "tier": ("budget", "mid", "premium", "commercial"),
    "drive": ("push", "front_one_speed", "front_variable", "rear_variable", "all_wheel", "hydrostatic"),
    "looks": ("bright", "scuffed", "scarred"),
    "kept": ("inside", "outside"),
    "engine_class": ("mid_ohv", "side_valve", "small_ohv", "large_ohv", "overhead_cam"),
}
NUMBERS = ("new_price", "age_years", "mulch_kit", "tested", "month", "floor")
UNSAID = {"tier": "mid", "drive": "rear_variable", "looks": "scuffed", "kept": "inside"} | {
    "engine_class": "mid_ohv", "new_price": 505.0, "age_years": 6.0, "mulch_kit": True,
    "tested": 0.5,
}  # fmt: skip
"""What counts where a machine does not say: that of the reference machine."""


class HomeMarket:
    """The simulator's own market as a value model of fully described machines, so that terms can be worked out of it.

    A row holds the codes of WORDS, NUMBERS, and a level a fault of the catalogue.
    """

    basis = Basis(model="home market", data_sha256="0" * 64, synthetic=True, own_sales=0)

    def __init__(self, a: Assumptions) -> None:
        self.a = a
        self.buyers = Buyers(a)
        self.first_fault = len(WORDS) + len(NUMBERS)
        places = {fault: place for place, fault in enumerate(fault_catalogue())}
        self.in_market = [self.first_fault + places[fault] for fault in a.fault_ids]

    def encode(self, machines: Sequence[Machine], month: Months) -> FloatArray:
        """Rows with every fault absent."""
        rows = np.zeros((len(machines), self.first_fault + len(fault_catalogue())))
        months = [month] * len(machines) if isinstance(month, int) else month
        for row, machine, when in zip(rows, machines, months, strict=True):
            said = {name: getattr(machine, name, None) for name in UNSAID}
            told = {name: UNSAID[name] if value is None else value for name, value in said.items()}
            told |= {"month": when, "floor": self.floor(str(told["tier"]), str(told["drive"]))}
            row[: len(WORDS)] = [words.index(str(told[name])) for name, words in WORDS.items()]
            row[len(WORDS) : self.first_fault] = [float(told[name]) for name in NUMBERS]  # type: ignore[arg-type]
        return rows

    def floor(self, tier: str, drive: str) -> float:
        """Floor of the class that a tier and a drive belong to, in money."""
        kind = {"premium": "premium", "commercial": "commercial"}.get(tier)
        if kind is None:
            kind = (
                f"push_{tier}"
                if drive == "push"
                else "front_drive"
                if drive.startswith("front")
                else "rear_drive"
            )
        return float(self.a.classes[kind]["floor"])

    def stock(self, rows: FloatArray) -> Stock:
        """The machines that rows stand for."""
        table = {
            name: np.array(words)[rows[:, i].astype(int)] for i, (name, words) in enumerate(WORDS.items())
        }
        table |= {name: rows[:, len(WORDS) + i] for i, name in enumerate(NUMBERS)}
        frame = pd.DataFrame(table).astype({"month": int})
        return Stock(frame, rows[:, self.in_market].astype(np.int8))

    def fault_column(self, fault: str) -> int:
        """The column of a fault."""
        return self.first_fault + list(fault_catalogue()).index(fault)

    def value(self, rows: FloatArray) -> FloatArray:
        """Home values in money."""
        return np.asarray(np.exp(self.buyers.outcomes(self.stock(rows)).expected_log_price()))

    def interval(self, rows: FloatArray, value: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
        """No range: the home market is known."""
        known = self.value(rows) if value is None else value
        return known, known

    def beyond(self, machine: Machine) -> tuple[Beyond, ...]:  # noqa: ARG002
        """Nothing lies outside of it."""
        return ()

    def records(self, fault: str, severity: str) -> int:  # noqa: ARG002
        """It was not learned from sales."""
        return 0


def described(n: int, seed: int, a: Assumptions) -> tuple[list[Machine], Stock]:
    """Machines of the home market with all told, more of them given away than stand for sale: a repairer's bench."""
    raw = a.raw | {
        "stock": a.raw["stock"]
        | {"as_it_stands_share": a.raw["stock"]["as_it_stands_share"] | {"value": 0.4}}
    }
    stock = draw_stock(n, np.random.default_rng(seed), Assumptions(raw))
    names = ("tier", "drive", "looks", "kept", "engine_class", "new_price", "age_years", "mulch_kit")
    table = stock.attributes[list(names)].to_dict("records")
    told = [{k: v.item() if isinstance(v, np.generic) else v for k, v in row.items()} for row in table]
    return [Machine.model_validate({"id": f"m{i}", **row}) for i, row in enumerate(told)], stock


def laid_out(markets: Sequence[LogPrice], home: HomeMarket, seed: int) -> tuple[FloatArray, FloatArray, Seen]:
    """Coefficients of every market, shape (n_markets, n_terms); what they leave, (n_markets, n_machines); the machines.

    markets: log prices of a stock; home: what they are held against; seed: of the machines.
    """
    machines, drawn = described(MACHINES, seed, home.a)
    rows, sound, machine = bearing(home, machines, drawn.attributes["month"].astype(int).tolist())
    rows[:, home.in_market] = drawn.severity
    value = np.log(home.value(rows))
    seen = Seen(sound, np.maximum(sound - value, 0.0), rows[:, home.first_fault :], machine)
    columns = term_columns(seen, usual_losses(home))
    stock = home.stock(rows)
    apart = np.array([market(stock) - value for market in markets])
    inner = columns.T @ columns / NEAR**2 + np.eye(columns.shape[1]) / FREE_SD**2
    found = np.linalg.solve(inner, columns.T @ apart.T / NEAR**2).T
    return found, apart - found @ columns.T, seen


def strangeness(
    found: FloatArray, left: FloatArray, columns: FloatArray, inputs: FloatArray, seed: int
) -> float:
    """How many times larger the misfit is in a market of a form that nobody drew.

    What one form of market teaches is held against SEEN_SALES sales in each market of the other form, both ways round.
    found: (n_markets, n_terms), left: (n_markets, n_machines), the two forms in turn.
    """
    rng = np.random.default_rng(seed)
    over, misfits = [], []
    for taught_by, judged in ((0, 1), (1, 0)):
        moments, rates = _moments(found[taught_by::2]), _rates(inputs, left[taught_by::2])
        misfit = inputs @ rates
        for one, rest in zip(found[judged::2], left[judged::2], strict=True):
            apart = columns @ one + rest
            own = rng.choice(len(apart), SEEN_SALES, replace=False)
            across = columns @ moments @ columns[own].T
            inner = across[own] + np.diag(SALE_SD**2 + misfit[own])
            gain = np.linalg.solve(inner, across.T).T
            error = apart - gain @ (apart[own] + rng.normal(0.0, SALE_SD, SEEN_SALES))
            known = ((columns @ moments) * columns).sum(axis=1) - (across * gain).sum(axis=1)
            over.append(float(np.mean(error**2 - known)))
            misfits.append(float(misfit.mean()))
    return max(float(np.mean(over) / np.mean(misfits)), 1.0)


def _moments(found: FloatArray) -> FloatArray:
    moments = found.T @ found / len(found)
    return np.asarray((1.0 - SHRUNK) * moments + SHRUNK * np.diag(np.diag(moments)))


def _rates(inputs: FloatArray, left: FloatArray) -> FloatArray:
    return np.asarray(nnls(inputs, (left**2).mean(axis=0))[0])


def taught(seed: int) -> dict[str, Any]:
    """What the population teaches, as plain numbers: see `place_prior.PlacePrior`."""
    a = assumptions()
    home = HomeMarket(a)
    found, left, seen = laid_out(list(draw_markets(MARKETS, seed, a)), home, seed)
    moments = _moments(found)
    spread = np.sqrt(np.diag(moments))
    inputs = misfit_inputs(seen)
    columns = term_columns(seen, usual_losses(home))
    strange = strangeness(found, left, columns, inputs, seed)
    rates = strange * _rates(inputs, left)
    correlation = moments / np.maximum(np.outer(spread, spread), 1e-12)
    return {
        "synthetic": True,
        "seed": seed,
        "markets": MARKETS,
        "machines": MACHINES,
        "strangeness": round(strange, 3),
        "terms": list(terms()),
        "sd": [round(float(x), 4) for x in spread],
        "correlation": [[round(float(x), 3) for x in row[: i + 1]] for i, row in enumerate(correlation)],
        "misfit": [round(float(x), 6) for x in rates],
    }


def prior_text(seed: int) -> str:
    """The file of it, one row of correlations a line."""
    data = taught(seed)
    rows = ",\n".join("  " + json.dumps(row, separators=(",", ":")) for row in data.pop("correlation"))
    head = json.dumps(data, indent=1)
    return f'{head[:-2]},\n "correlation": [\n{rows}\n ]\n}}\n'


def write_prior(folder: Path, seed: int) -> Path:
    """Write what the population teaches into a folder of data sets; returns the path."""
    path = folder / Path(FILE).name
    path.write_bytes(prior_text(seed).encode("utf-8"))
    return path
