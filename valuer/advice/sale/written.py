"""Prices as people write them: steps that grow with the price, the same in any currency."""

import numpy as np

from valuer.advice.ports import FloatArray

STEPS = ((2.0, 0.05), (5.0, 0.1), (np.inf, 0.5))
"""Up to which leading figure asks move by which step: 5 from 100, 10 from 200, 50 from 500.

Common practice, no source: fives and tens.
"""

LEADS = np.concatenate([np.arange(20, 40), np.arange(40, 100, 2), np.arange(100, 200, 10)])
"""Leading figures of prices people write by these steps, in twentieths."""


def step_at(price: float) -> float:
    """Return the step of asks near a price: 5 from 100 on, 10 from 200, 50 from 500, and so on by tens.

    Common practice, no source: under 100 fives, above it fives and tens.

    >>> step_at(150), step_at(240), step_at(70), step_at(1500), step_at(24)
    (5.0, 10.0, 5.0, 50.0, 1.0)
    """
    power = 10.0 ** np.floor(np.log10(price) + 1e-9)
    lead = price / power  # 1 to 10
    step = next(step for end, step in STEPS if lead < end)
    return float(power * step)


def written(price: float) -> float:
    """Return the nearest price people write.

    >>> written(152.4), written(87.0), written(236.0)
    (150.0, 85.0, 240.0)
    """
    step = step_at(price)
    return float(round(price / step) * step)


def next_written(price: float) -> float:
    """Return the least price people write that is not below a price.

    >>> next_written(331.0), next_written(150.0)
    (340.0, 150.0)
    """
    return float(written_between(price, price + step_at(price))[0])


def written_between(low: float, high: float) -> FloatArray:
    """Return the prices people write from low to high, rising, never none; shape (n,)."""
    powers = np.arange(np.floor(np.log10(low)), np.log10(high) + 1)
    asks = np.outer(10.0**powers, LEADS).ravel() / 20
    asks = asks[(asks >= low * (1 - 1e-9)) & (asks <= high * (1 + 1e-9))]
    return asks if len(asks) else np.array([written(high)])
