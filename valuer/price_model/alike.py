"""Sums over sales of machines alike, in a time that grows with their number and not with its square.

How alike two machines are is a bell over each of their measures, exp(-(x - y)^2 / 2). A bell comes apart at any place t
between the two, and the whole over all places is the bell again (up to a number that does not matter):

    exp(-(x - y)^2 / 2) = sum over t of STEP * sqrt(2 / pi) * exp(-(x - t)^2) * exp(-(y - t)^2)

So what the sales say is gathered at places once, and read off there for each machine asked about. Places STEP apart
give the bell to 3e-11 of itself (Poisson's summation: off by exp(-pi^2 / (2 STEP^2))), and EDGE beyond the sales is as
good as for ever: what is left out is below exp(-EDGE^2).
"""

from dataclasses import dataclass

import numpy as np

from valuer.advice.ports import FloatArray

STEP, EDGE = 0.45, 5.5


@dataclass(frozen=True)
class _Gathered:
    """What the sales of one third measure say: places of the two others, (a,) and (b,), and sums there, (k, a, b)."""

    third: float
    first: FloatArray
    second: FloatArray
    sums: FloatArray


class Alike:
    """Sales by three measures, in units of their bells, the last of few different values."""

    def __init__(self, measures: FloatArray, weights: FloatArray) -> None:
        """measures: shape (n, 3). weights: what is summed, shape (n, k)."""
        self._kinds = weights.shape[1]
        self._parts = [
            _gathered(measures[measures[:, 2] == third], weights[measures[:, 2] == third])
            for third in sorted(set(measures[:, 2].tolist()))  # NumPy's own way loads masked arrays, a while
        ]

    def sums(self, asked: FloatArray) -> FloatArray:
        """Sum of each weight, every sale as far as it is alike, beside machines of shape (m, 3); shape (m, k)."""
        found = np.zeros((len(asked), self._kinds))
        for part in self._parts:
            near = _bells(asked[:, 0], part.first)
            across = _bells(asked[:, 1], part.second)
            alike = np.exp(-0.5 * (asked[:, 2] - part.third) ** 2)
            for kind, sums in enumerate(part.sums):
                found[:, kind] += alike * ((near @ sums) * across).sum(axis=1)
        return found


def _gathered(measures: FloatArray, weights: FloatArray) -> _Gathered:
    first, second = _places(measures[:, 0]), _places(measures[:, 1])
    near, across = _bells(measures[:, 0], first), _bells(measures[:, 1], second)
    sums = np.array([(weight[:, None] * near).T @ across for weight in weights.T])
    return _Gathered(float(measures[0, 2]), first, second, STEP**2 * (2 / np.pi) * sums)


def _places(values: FloatArray) -> FloatArray:
    return np.arange(values.min() - EDGE, values.max() + EDGE + STEP, STEP)


def _bells(values: FloatArray, places: FloatArray) -> FloatArray:
    return np.exp(-((values[:, None] - places) ** 2))
