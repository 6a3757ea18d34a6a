"""What each remaining fault takes off the price: cured alone, lost alone, and its share of the whole gap."""

from functools import cache
from math import factorial

import numpy as np
from numpy.typing import NDArray

from valuer.advice.ports import FloatArray
from valuer.advice.worth.lattice import subsets


def cured_alone(values: FloatArray) -> FloatArray:
    """Return, per fault, the price regained if only it is cured and every other stays.

    ``values`` has shape (2,)*k, index 1 = fault left in; the result has shape (k,).
    """
    flat = values.ravel()
    return np.asarray(flat[-1 - _alone(values.ndim)] - flat[-1])


def lost_alone(values: FloatArray) -> FloatArray:
    """Return, per fault, the price lost if it were the only one; shapes as in `cured_alone`."""
    flat = values.ravel()
    return np.asarray(flat[0] - flat[_alone(values.ndim)])


def shapley_shares(values: FloatArray) -> FloatArray:
    """Return each fault's share of the gap between the sound machine and this one; the shares sum to it.

    ``values`` has shape (2,)*k, index 1 = fault left in; the result has shape (k,). The share is the price
    the fault takes off when it joins those already there, averaged over all orders of joining (Shapley 1953):
    a coalition of s others out of k - 1 weighs s! (k - 1 - s)! / k!.

    >>> shapley_shares(np.array([[100.0, 80.0], [70.0, 60.0]])).tolist()
    [25.0, 15.0]
    """
    others, weights = _joining(values.ndim)
    flat = values.ravel()
    return np.asarray((weights * (flat[others] - flat[others + _alone(values.ndim)[:, None]])).sum(axis=1))


@cache
def _alone(count: int) -> NDArray[np.intp]:
    """Return the place, among all subsets in C order, of each of so many faults alone."""
    return np.asarray(1 << np.arange(count)[::-1], dtype=np.intp)


@cache
def _joining(count: int) -> tuple[NDArray[np.intp], FloatArray]:
    """Return the places of the subsets that each fault may join, and their weights; both (count, 2**(count - 1))."""
    weight = np.array([factorial(s) * factorial(count - 1 - s) / factorial(count) for s in range(count)])
    places = np.arange(1 << count)
    others = [places[places & alone == 0] for alone in _alone(count).tolist()]
    shape = (count, (1 << count) // 2)
    joined = np.array(others, dtype=np.intp).reshape(shape)
    return joined, weight[subsets(count).sum(axis=1).astype(int)[joined]] if count else np.zeros(shape)
