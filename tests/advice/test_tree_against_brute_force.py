"""The tree is the best there is: every act in every order, written out over every world that may be true.

A world is what is really wrong: the cause of the symptom, and for each fault the stretch in which its one number u
lies. Worlds that contradict what was seen are struck out, the rest is weighed; no formula of the product is used.
"""

from functools import cache
from itertools import pairwise, product

import numpy as np
import pytest

from tests.advice.made_up import SYMPTOM, Bench, bench, tree_of
from valuer.advice.work.tree import totals, visits

# ------------------------------------------------------------------------------------------- every act, every order
World = tuple[tuple[str, float], ...]
"""For each fault its cause and a number u in the middle of the stretch it lies in."""


def worlds(made: Bench) -> dict[World, float]:
    """Return every world with its chance."""
    each = []
    for fault in made.faults:
        causes = made.causes if fault == SYMPTOM else {"itself": 1.0}
        marks = sorted({0.0, 1.0, *(p for fix in made.odds.values() for p in fix.get(fault, {}).values())})
        each.append(
            [
                ((cause, (a + b) / 2), chance * (b - a))
                for cause, chance in causes.items()
                for a, b in pairwise(marks)
            ]
        )
    return {tuple(w for w, _ in some): float(np.prod([p for _, p in some])) for some in product(*each)}


def brute_force(made: Bench) -> float:  # noqa: C901  one recursion, seen whole
    """Return the money left by the best way to go on, every act tried from every history."""
    every = worlds(made)
    look_chance = {name: table for name, (_, table) in made.looks.items()}

    @cache
    def best(done: frozenset[tuple[str, str, object]]) -> float:
        """``done`` holds (act, fault, result) of everything done so far."""
        weights = {world: mass * fits(world, done) for world, mass in every.items()}
        total = sum(weights.values())
        cured = {fault for _, fault, result in done if result is True}
        value = made.ends[frozenset(made.faults) - cured]
        acts = {act for act, _, _ in done}
        for name, cost in {**made.fixes, **{n: c for n, (c, _) in made.looks.items()}}.items():
            if name in acts or (name in made.looks and SYMPTOM in cured):
                continue
            ways: dict[frozenset[tuple[str, str, object]], float] = {}
            for world, mass in weights.items():
                for result, chance in results(name, world, cured):
                    ways[result] = ways.get(result, 0.0) + mass * chance
            if frozenset() in ways:
                continue  # it acts on nothing that is still there
            value = max(value, sum(p / total * best(done | way) for way, p in ways.items() if p > 0) - cost)
        return value

    def fits(world: World, done: frozenset[tuple[str, str, object]]) -> float:
        """The chance of what the looks showed in a world; 0 where a fix would have gone otherwise."""
        chance = 1.0
        for act, fault, result in done:
            if act in made.looks:
                assert isinstance(result, int)
                chance *= look_chance[act][world[0][0]][result]
            elif cures(act, fault, world) != result:
                return 0.0
        return chance

    def cures(fix: str, fault: str, world: World) -> bool:
        cause, u = world[made.faults.index(fault)]
        return u < made.odds[fix][fault][cause]

    def results(
        name: str, world: World, cured: set[str]
    ) -> list[tuple[frozenset[tuple[str, str, object]], float]]:
        if name in made.looks:
            shares = look_chance[name][world[0][0]]
            return [(frozenset({(name, SYMPTOM, shown)}), share) for shown, share in enumerate(shares)]
        on = [fault for fault in made.odds[name] if fault not in cured]
        return [(frozenset((name, fault, cures(name, fault, world)) for fault in on), 1.0)]

    return best(frozenset())


@pytest.mark.parametrize("seed", range(40))
def test_the_tree_is_the_best_of_all_acts_in_all_orders(seed: int) -> None:
    """Nothing that follows acts one by one can leave more: looks, fixes, what failures tell, shared fixes."""
    made = bench(seed)
    tree = tree_of(made)
    settled, followed = float(tree.value[tree.start]), totals(tree, visits(tree)).left(0.0)
    assert settled == pytest.approx(brute_force(made), abs=1e-6)
    assert followed == pytest.approx(settled, abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_at_every_state_the_value_is_that_of_the_best_act_or_of_stopping(seed: int) -> None:
    """Bellman's equation (1957, from memory), written out way by way for a machine's every state and act."""
    tree = tree_of(bench(seed))
    for state in np.ndindex(tree.value.shape):
        worths = tree.worths(state)
        assert tree.value[state] == pytest.approx(
            max(tree.ends[state], worths.max(initial=-np.inf)), abs=1e-9
        )
        for place in np.flatnonzero(np.isfinite(worths)).tolist():
            ways = tree.board.edges(state, place)
            assert sum(way.chance for way in ways) == pytest.approx(1)
            left = sum(way.chance * float(tree.value[way.to]) for way in ways) - tree.costs[place]
            assert worths[place] == pytest.approx(left, abs=1e-9)
