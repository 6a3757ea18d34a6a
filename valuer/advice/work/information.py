"""What knowing is worth: the best that can be done with each answer against the best without."""

from collections.abc import Sequence

import numpy as np

from valuer.advice.ports import FloatArray
from valuer.advice.work.clusters import Case
from valuer.advice.work.outcomes import ends, first_round_cost
from valuer.advice.work.search import Plan


def net_of(case: Case, plan: Plan) -> float:
    """Return the money a plan leaves in a case, which need not be the one it was made for.

    The sale less parts and own hours; every outcome weighed.
    """
    tree = ends(case, plan)
    sales = case.proceeds.ravel()[tree.left]
    return float((tree.chance * (sales - tree.cost)).sum()) - first_round_cost(case, plan)


def without_knowing(payoffs: FloatArray, beliefs: FloatArray) -> float:
    """Return what the best single act brings.

    ``payoffs``, shape (n_acts, n_states), is what each act brings in each state; ``beliefs``, shape
    (n_states,), are the states' probabilities.
    """
    return float((payoffs @ beliefs).max())


def perfect_information(payoffs: FloatArray, beliefs: FloatArray) -> float:
    """Return the expected value of perfect information; shapes as in `without_knowing`, never negative.

    A textbook case (decision analysis, published): a large plant brings 200 or -180 (thousand), a small one
    100 or -20, none 0; the market is good with probability .6. The best without knowing is 52.

    >>> plant = np.array([[200.0, -180.0], [100.0, -20.0], [0.0, 0.0]])
    >>> round(without_knowing(plant, np.array([0.6, 0.4])), 6)
    52.0
    >>> round(perfect_information(plant, np.array([0.6, 0.4])), 6)
    68.0
    """
    return max(0.0, float(payoffs.max(axis=0) @ beliefs) - without_knowing(payoffs, beliefs))


def value_of_looking(payoffs: FloatArray, beliefs: FloatArray, likelihood: FloatArray) -> float:
    """Return what a look is worth that shows an outcome before the act is chosen.

    ``likelihood``, shape (n_outcomes, n_states), is the chance of each outcome in each state; its columns sum
    to 1. By Bayes' rule the value is the sum over outcomes of the best expected payoff weighed by the joint
    probabilities, less the best without looking. Never negative, never above `perfect_information`.
    """
    joint = likelihood * beliefs
    after = float((payoffs @ joint.T).max(axis=0).sum())
    return min(max(0.0, after - without_knowing(payoffs, beliefs)), perfect_information(payoffs, beliefs))


def payoff_table(cases: Sequence[Case], acts: Sequence[Plan]) -> FloatArray:
    """Return what each act brings in each case, shape (n_acts, n_cases)."""
    return np.array([[net_of(case, act) for case in cases] for act in acts])
