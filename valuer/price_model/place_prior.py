"""What is believed of a place before it has sold anything: read from the file that the population of markets wrote."""

import json
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.paths import shipped
from valuer.price_model.place_terms import Seen, terms

HALF_KNOWN = 50.0
"""Sales of a place after which a model trained on them knows half of what sets it apart (judgement)."""

FILE = "datasets/synthetic_place_prior.json"


@dataclass(frozen=True)
class PlacePrior:
    """Second moments of the terms over places, shape (n_terms, n_terms), and the rates of what they cannot say.

    markets: how many invented markets it was learned from.
    """

    covariance: FloatArray
    misfit_rates: FloatArray
    markets: int

    def after(self, trained_on: int) -> "PlacePrior":
        """What is left of it for a model that was itself trained on so many sales of the place."""
        left = HALF_KNOWN / (HALF_KNOWN + trained_on)
        return replace(self, covariance=left * self.covariance, misfit_rates=left * self.misfit_rates)

    def misfit(self, seen: Seen) -> FloatArray:
        """Variance of the log price between places that no term explains, shape (n,)."""
        return np.asarray(misfit_inputs(seen) @ self.misfit_rates)


def misfit_inputs(seen: Seen) -> FloatArray:
    """What that variance is a sum of, each at some rate of 0 or more, shape (n, 4)."""
    return np.array([np.ones(len(seen.sound)), seen.loss, seen.worth**2, seen.repair]).T


@cache
def place_prior() -> PlacePrior:
    """The shipped one; ValueError where its terms are not those of the code."""
    data = json.loads(shipped(FILE).read_text("utf-8"))
    if tuple(data["terms"]) != terms():
        msg = f"{FILE}: expected the terms of this version, got others; write it again with `valuer data`"
        raise ValueError(msg)
    n = len(terms())
    correlation = np.zeros((n, n))
    correlation[np.tril_indices(n)] = np.concatenate(
        [np.array(row, dtype=float) for row in data["correlation"]]
    )
    correlation += np.tril(correlation, -1).T
    sd = np.array(data["sd"])
    return PlacePrior(correlation * np.outer(sd, sd), np.array(data["misfit"]), int(data["markets"]))
