"""What each remaining fault takes off the price: cured alone, lost alone, and its share of the whole gap."""

from functools import cache
from math import factorial

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.worth.lattice import subsets


def cured_alone(values: FloatArray) -> FloatArray:
    """Return, per fault, the price regained if only it is cured and every other stays.

    ``values`` has shape (2,)*k, index 1 = fault left in; the result has shape (k,).
    """
    everything = (1,) * values.ndim
    return np.array([values[_flipped(everything, axis)] - values[everything] for axis in range(values.ndim)])


def lost_alone(values: FloatArray) -> FloatArray:
    """Return, per fault, the price lost if it were the only one; shapes as in `cured_alone`."""
    sound = (0,) * values.ndim
    return np.array([values[sound] - values[_flipped(sound, axis)] for axis in range(values.ndim)])


def _flipped(place: tuple[int, ...], axis: int) -> tuple[int, ...]:
    return (*place[:axis], 1 - place[axis], *place[axis + 1 :])


def shapley_shares(values: FloatArray) -> FloatArray:
    """Return each fault's share of the gap between the sound machine and this one; the shares sum to it.

    ``values`` has shape (2,)*k, index 1 = fault left in; the result has shape (k,). The share is the price
    the fault takes off when it joins those already there, averaged over all orders of joining (Shapley 1953):
    a coalition of s others out of k - 1 weighs s! (k - 1 - s)! / k!.

    >>> shapley_shares(np.array([[100.0, 80.0], [70.0, 60.0]])).tolist()
    [25.0, 15.0]
    """
    if values.ndim == 0:
        return np.zeros(0)
    weights = _coalition_weights(values.ndim)
    return np.array(
        [
            float((weights * (np.take(values, 0, axis) - np.take(values, 1, axis))).sum())
            for axis in range(values.ndim)
        ]
    )


@cache
def _coalition_weights(count: int) -> FloatArray:
    sizes = subsets(count - 1).sum(axis=1).astype(int)
    weight = [factorial(s) * factorial(count - 1 - s) / factorial(count) for s in range(count)]
    return np.asarray(np.array(weight)[sizes].reshape((2,) * (count - 1)))
