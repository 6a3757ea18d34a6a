"""Made-up machines with tables of their own: one symptom, plain faults, looks, fixes, money at the end."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np

from valuer.advice.work.beliefs import LookAt, Riddle, story
from valuer.advice.work.board import Act, ActKind
from valuer.advice.work.tree import Prices, Tree, solve
from valuer.advice.work.trouble import plain_trouble
from valuer.advice.worth.named import Named
from valuer.domain.machine import Finding

SYMPTOM = "no_start"
PLAIN = ("blade_dull", "dirty")
LOOKS = ("look_a", "look_b")


@dataclass(frozen=True)
class Bench:
    """A made-up machine: causes with their chances, looks, fixes with odds by fault and cause, money at the end.

    ``odds[fix][fault]`` maps each cause (of a plain fault: one) to the odds; ``ends`` maps the faults still there to
    the money left.
    """

    causes: Mapping[str, float]
    looks: Mapping[str, tuple[float, Mapping[str, tuple[float, ...]]]]
    fixes: Mapping[str, float]
    odds: Mapping[str, Mapping[str, Mapping[str, float]]]
    ends: Mapping[frozenset[str], float]
    plain: tuple[str, ...]

    @property
    def faults(self) -> tuple[str, ...]:
        """The symptom first."""
        return (SYMPTOM, *self.plain)


def bench(seed: int) -> Bench:
    """A machine drawn at random: one symptom of two or three causes, up to two plain faults, two looks."""
    rng = np.random.default_rng(seed)
    causes = [f"cause_{i}" for i in range(rng.integers(2, 4))]
    chances = rng.dirichlet(np.ones(len(causes)))
    plain = PLAIN[: seed % 3]
    looks = {
        name: (float(rng.uniform(0.5, 8)), {c: _shares(rng, int(rng.integers(2, 4))) for c in causes})
        for name in LOOKS
    }
    looks = {name: (cost, _same_length(rng, table)) for name, (cost, table) in looks.items()}
    fixes = {f"fix_{i}": float(rng.uniform(2, 40)) for i in range(4 - (len(plain) > 1))}
    odds: dict[str, dict[str, dict[str, float]]] = {fix: {} for fix in fixes}
    for place, fix in enumerate(fixes):
        if place < 3 or rng.random() < 0.5:
            odds[fix][SYMPTOM] = {c: float(rng.choice([0.0, 0.1, 0.5, 0.8, 0.95])) for c in causes}
        for fault in plain:
            if rng.random() < 0.5:
                odds[fix][fault] = {"itself": float(rng.uniform(0.2, 0.95))}
    ends = _ends(rng, (SYMPTOM, *plain))
    return Bench(dict(zip(causes, chances.tolist(), strict=True)), looks, fixes, odds, ends, plain)


def _shares(rng: np.random.Generator, n: int) -> tuple[float, ...]:
    return tuple(rng.dirichlet(np.ones(n)).tolist())


def _same_length(
    rng: np.random.Generator, table: Mapping[str, tuple[float, ...]]
) -> dict[str, tuple[float, ...]]:
    n = len(next(iter(table.values())))
    return {cause: shares if len(shares) == n else _shares(rng, n) for cause, shares in table.items()}


def _ends(rng: np.random.Generator, faults: tuple[str, ...]) -> dict[frozenset[str], float]:
    """Money by what is still there: each fault takes off its own, and one of them shuts a gate."""
    lost = {fault: float(rng.uniform(10, 90)) for fault in faults}
    gate = str(rng.choice(faults))
    every = [
        frozenset(f for f, there in zip(faults, mask, strict=True) if there)
        for mask in product((0, 1), repeat=len(faults))
    ]
    return {left: (0.5 if gate in left else 1.0) * (200 - sum(lost[f] for f in left)) for left in every}


# -------------------------------------------------------------------------------------------------------- the tree
def tree_of(made: Bench) -> Tree:
    """Return the product's tree of a made-up machine."""
    causes, on_symptom = list(made.causes), [fix for fix in made.fixes if SYMPTOM in made.odds[fix]]
    looks = tuple(
        LookAt(
            name,
            tuple(f"shown_{i}" for i in range(len(table[causes[0]]))),
            cost,
            np.array([table[c] for c in causes]).T,
            place,
        )
        for place, (name, (cost, table)) in enumerate(made.looks.items())
    )
    riddle = Riddle(
        finding=Finding(SYMPTOM, "serious"),
        causes=tuple(causes),
        prior=np.array(list(made.causes.values())),
        fixes=tuple(on_symptom),
        odds=np.array([[made.odds[fix][SYMPTOM][c] for c in causes] for fix in on_symptom]),
        costs=np.array([made.fixes[fix] for fix in on_symptom]),
        looks=looks,
        named=Named(np.ones(len(causes)), tuple(causes), 1.0),
        gain=200.0,
    )
    troubles = [story(riddle).trouble]
    for fault in made.plain:
        odds = {fix: made.odds[fix][fault]["itself"] for fix in made.fixes if fault in made.odds[fix]}
        troubles.append(plain_trouble(Finding(fault, "serious"), odds))
    acts = []
    for name, cost in {**{n: c for n, (c, _) in made.looks.items()}, **made.fixes}.items():
        axes = [axis for axis, trouble in enumerate(troubles) if name in trouble.moves]
        if axes:
            kind: ActKind = "look" if name in made.looks else "fix"
            acts.append(Act((name,), kind, cost, 0.0, (tuple((axis, name) for axis in axes),)))
    ends = np.empty([trouble.size for trouble in troubles])
    for state in np.ndindex(ends.shape):
        there = zip(made.faults, troubles, state, strict=True)
        ends[state] = made.ends[
            frozenset(fault for fault, trouble, place in there if trouble.there[place] > 0)
        ]
    (tree,) = solve(troubles, acts, ends, [(Prices(0.0), frozenset())])
    return tree


def value_of(made: Bench) -> float:
    """Return the money left by the tree of a made-up machine."""
    tree = tree_of(made)
    return float(tree.value[tree.start])
