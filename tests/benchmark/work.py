"""Doing what the work list says: hidden causes, a repairer who does the first step, tells the result, asks again.

What is wrong is drawn from the trade's tables by `hidden`; nothing of the adviser's own chances is used to play.
Money is gained over leaving the machine as it stands, own hours paid; ratios are of sums.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from tests.benchmark.doors import Doors, differing
from tests.benchmark.figures import Figure, at_least, at_most, beside, keep, within
from tests.benchmark.hidden import draw_truth, symptom_of, table
from tests.benchmark.machines import MONTH, ends_checked, from_stock, one_symptom, with_many_faults
from tests.benchmark.repairer import STOP, Desk, Told
from valuer.advice.ports import FloatArray, ValueModel
from valuer.advice.work.documents import WorkList, WorkStep
from valuer.advice.work.work_list import work_lists
from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms

TERMS = ShopTerms(month=MONTH, hour_value=14.0)
AT_A_TIME = 25
CHANCE_ROUNDED, MONEY_ROUNDED, HOURS_ROUNDED = 0.5e-4, 0.5e-2, 0.5e-2
"""How far figures told are off by rounding: chances to four digits, money and hours to two."""
LEVEL, AGAIN = 0.05, 1_000


# ---------------------------------------------------------------------------------------------------- the games
@dataclass
class Games:
    """What the machines brought, each over its draws: lists of one figure a machine."""

    followed: list[float] = field(default_factory=list)
    promised: list[float] = field(default_factory=list)
    fixed: list[float] = field(default_factory=list)
    apart: list[float] = field(default_factory=list)
    sees: list[float] = field(default_factory=list)
    losing: list[float] = field(default_factory=list)
    strays: list[str] = field(default_factory=list)
    steps: int = 0
    asked: int = 0
    by_hand_off: float = 0.0

    def ratio(self, first: str, second: str) -> float:
        """One figure over another, summed over the machines."""
        below = sum(getattr(self, second))
        return float(sum(getattr(self, first)) / below) if below else float("nan")

    def lost(self) -> int:
        """Machines on which doing as is said loses money beyond chance: one-sided t test, Bonferroni's bound."""
        return sum(p * len(self.losing) < LEVEL for p in self.losing)


def play(machines: Sequence[Machine], model: ValueModel, draws: int, seed: int) -> Games:
    """Play every machine so many times."""
    games = Games()
    for place, machine in enumerate(machines):
        _play_one(Desk(machine, model, TERMS), np.random.default_rng([seed, place]), draws, games)
    return games


def _play_one(desk: Desk, rng: np.random.Generator, draws: int, games: Games) -> None:
    truths = [draw_truth(desk.machine, desk.found, rng) for _ in range(draws)]
    played = [desk.follow(truth) for truth in truths]
    gains = np.array([one.gain for one in played])
    games.followed.append(float(gains.mean()))
    games.promised.append(played[0].promised)
    games.fixed.append(float(np.mean([desk.keep_to(desk.plan, truth) for truth in truths])))
    games.apart.append(float(np.mean([desk.keep_to(desk.apart, truth) for truth in truths])))
    games.sees.append(float(np.mean([desk.sees(truth) for truth in truths])))
    games.losing.append(_loss(desk, rng, gains))
    games.strays += sorted({f"{desk.machine.id}: {line}" for one in played for line in one.strays})
    games.steps += sum(one.steps for one in played)
    games.asked += desk.asked
    if len(desk.found) == 1 and symptom_of(desk.found[0].fault) and desk.first.stories:
        off = max(abs(desk.sees(truth) - desk.sees_by_hand(truth)) for truth in truths)
        games.by_hand_off = max(games.by_hand_off, off)


def _loss(desk: Desk, rng: np.random.Generator, gains: FloatArray) -> float:
    """Return how likely such a loss is by chance. What seems lost is played again, longer: few draws are skewed."""
    chance = chance_of_such_a_loss(gains)
    if chance >= LEVEL:
        return chance
    truths = [draw_truth(desk.machine, desk.found, rng) for _ in range(AGAIN)]
    return chance_of_such_a_loss(np.array([desk.follow(truth).gain for truth in truths]))


def chance_of_such_a_loss(gains: FloatArray) -> float:
    """Return the chance of a mean this low if nothing were lost on average (one-sided t test)."""
    from scipy.stats import ttest_1samp  # noqa: PLC0415

    if len(gains) < 2 or gains.std() < MONEY_ROUNDED:
        return 0.0 if gains.mean() < -MONEY_ROUNDED else 1.0
    return float(ttest_1samp(gains, 0.0, alternative="less").pvalue)


# --------------------------------------------------------------------------------------------- what lists tell
@dataclass
class Telling:
    """What was wrong with lists: how many of how many, and the first of each kind in words."""

    lists: int = 0
    steps: int = 0
    sums: list[str] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)
    first: list[str] = field(default_factory=list)
    doors: list[str] = field(default_factory=list)


def told(machines: Sequence[Machine], model: ValueModel) -> Telling:
    """Check the lists of machines: they add up, warn of their own work, and begin as the decision does."""
    found, doors = Telling(), Doors(model, TERMS)
    for start in range(0, len(machines), AT_A_TIME):
        some = machines[start : start + AT_A_TIME]
        found.doors += differing(doors.first_steps(some))
        for machine, each in zip(some, work_lists(some, model, TERMS), strict=True):
            found.lists += 1
            found.steps += len(each.steps)
            found.sums += [f"{machine.id}: {line}" for line in does_not_add_up(each)]
            found.cautions += [f"{machine.id}: {line}" for step in each.steps for line in not_warned_of(step)]
            found.first += _begins_otherwise(each, Desk(machine, model, TERMS))
    return found


def does_not_add_up(each: WorkList) -> list[str]:
    """Return what of a list is not the sum of its steps, beyond rounding."""
    hour = each.hour_value
    hours = sum(step.chance * step.minutes / 60 for step in each.steps)
    cash = sum(step.chance * step.parts for step in each.steps)
    proceeds = sum(end.chance * end.proceeds for end in each.ends)
    off_hours = sum(CHANCE_ROUNDED * step.minutes / 60 for step in each.steps) + HOURS_ROUNDED
    off_cash = sum(CHANCE_ROUNDED * step.parts + MONEY_ROUNDED for step in each.steps) + MONEY_ROUNDED
    off_ends = sum(CHANCE_ROUNDED * abs(end.proceeds) + MONEY_ROUNDED for end in each.ends)
    off_left = off_ends + off_cash + hour * off_hours + MONEY_ROUNDED
    wrong = {
        "hours": (hours, each.bench_hours, off_hours),
        "cash": (cash, each.cash, off_cash),
        "left": (proceeds - cash - hour * hours, each.left, off_left),
        "return": (each.left - each.left_now, each.expected_return, 3 * MONEY_ROUNDED),
        "chances of the ends": (
            sum(end.chance for end in each.ends),
            1.0,
            CHANCE_ROUNDED * (len(each.ends) + 1),
        ),
    }
    found = [
        f"{what}: steps {a:.3f}, told {b:.3f}" for what, (a, b, off) in wrong.items() if abs(a - b) > off
    ]
    if each.bench_hours > 0 and not each.steps:
        found.append("hours without a step")
    for step in each.steps:
        total = sum(result.chance for result in step.results)
        if abs(total - 1) > CHANCE_ROUNDED * (len(step.results) + 1):
            found.append(f"results of step {step.number}: chances sum to {total:.4f}")
    return found


def not_warned_of(step: WorkStep) -> list[str]:
    """Return the cautions of a step's own work, by the catalogue, that do not stand beside it."""
    rows = table("cautions")
    asked = {"check": {"C1", "C13"}, "fix": set()}.get(step.kind, {"C1"})
    for part in step.parts_of_it:
        asked |= set(table("fixes")[part.id]["cautions"]) if part.id in table("fixes") else set()
        for fault in part.faults if step.kind == "look" else ():
            asked |= _of_a_look(part.id, fault)
    titles = [rows[code]["title"] for code in sorted(asked)]
    return [
        f"step {step.number}, {step.name}: no word of {title!r}"
        for title in titles
        if not any(line.startswith(f"{title}: ") for line in step.cautions)
    ]


def _of_a_look(look: str, fault: str) -> set[str]:
    """The codes of a look: of the fix that it is, of the reading that it takes, of an engine that runs."""
    symptom = symptom_of(fault)
    if symptom is None:
        return set()
    symptoms = table("symptoms")["symptoms"][symptom]
    row = symptoms.get("looks", {}).get(look) or symptoms["causes"].get(look.removeprefix("look_for_"), {})
    codes = set(table("fixes")[row["fix"]]["cautions"]) if row.get("fix") else set()
    beside_ = {row.get("reading"), "run_engine" if row.get("running") else None} - {None}
    return codes | {code for code, one in table("cautions").items() if beside_ & set(one["beside"])}


def _begins_otherwise(each: WorkList, desk: Desk) -> list[str]:
    """Say where the list told begins otherwise, or tells other branches, than what is answered when asked."""
    answer = desk.ask(Told())
    name = each.id
    if not each.steps or answer.step == STOP:
        return [] if not each.steps and answer.step == STOP else [f"{name}: asked again, other first step"]
    first = each.steps[0]
    if "+".join(part.id for part in first.parts_of_it) != answer.step:
        return [f"{name}: listed {first.name}, asked again {answer.step}"]
    by_number = {step.number: "+".join(part.id for part in step.parts_of_it) for step in each.steps}
    found = []
    for way in answer.ways:
        shown = next(iter(way.shows.values())) if len(way.shows) == 1 else None
        results = [result for result in first.results if shown is None or result.shows == shown]
        nexts = {STOP if t.step is None else by_number[t.step] for result in results for t in result.then}
        if way.next_ not in nexts:
            found.append(f"{name}: after {dict(way.shows)} told {sorted(nexts)}, then {way.next_}")
    return found


# ----------------------------------------------------------------------------------------------------- the gates
def ignored_gates(machines: Sequence[Machine], model: ValueModel) -> list[str]:
    """Return where a verdict, a way out or a list passes over a safety gate, by the catalogue read anew."""
    found = []
    for start in range(0, len(machines), AT_A_TIME):
        some = machines[start : start + AT_A_TIME]
        for machine, each in zip(some, work_lists(some, model, TERMS), strict=True):
            found += [f"{machine.id}: {line}" for line in gates_passed_over(machine, each)]
    return found


def gates_passed_over(machine: Machine, each: WorkList) -> list[str]:
    """Return what a list says against the gates of its machine."""
    rows = table("faults")
    block = {item.fault for item in machine.faults if rows[item.fault]["must_cure"] == "block"}
    shut = block | {
        item.fault
        for item in machine.faults
        if rows[item.fault]["must_cure"] == "any"
        or (rows[item.fault]["must_cure"] == "serious" and item.severity == "serious")
    }
    worked_on = {fault for step in each.steps for part in step.parts_of_it for fault in part.faults}
    for (
        item
    ) in machine.faults:  # a symptom goes with its causes, once every one that stands beside it is worked on
        causes = {
            other.fault
            for other in machine.faults
            if other.fault in rows[item.fault].get("causes", ())
            and (other.severity == "serious" or item.severity == "slight")
        }
        worked_on |= {item.fault} if causes and causes <= worked_on else set()
    open_now = {way.route for way in each.ways_now if way.open}
    ends = {end.route for end in each.ends if end.chance > 0}
    found = []
    if set(each.safety.must_cure) != shut:
        found.append(f"must be cured: told {sorted(each.safety.must_cure)}, should be {sorted(shut)}")
    if each.safety.may_be_sold and shut:
        found.append("said that it may be sold")
    if shut and "working" in open_now:
        found.append("a sale as working is open now")
    if "working" in ends and not shut <= worked_on:
        found.append(f"ends as working, nothing done about {sorted(shut - worked_on)}")
    if block and open_now - {"scrap"}:
        found.append(f"a recall is open and so are {sorted(open_now - {'scrap'})}")
    if block and not block <= worked_on and ends - {"scrap"}:
        found.append(f"a recall stays open, yet it ends {sorted(ends - {'scrap'})}")
    if block and not each.steps and each.verdict != "no sale while a recall is open":
        found.append(f"a recall is open, the verdict is {each.verdict}")
    return found


# ------------------------------------------------------------------------------------------------------- figures
def figures_of(games: Games, what: str) -> dict[str, float]:
    """The figures of some games by name."""
    return {
        f"{what}: gained": sum(games.followed),
        f"{what}: promised": sum(games.promised),
        f"{what}: fixed": sum(games.fixed),
        f"{what}: apart": sum(games.apart),
        f"{what}: sees": sum(games.sees),
        f"{what}: machines": len(games.followed),
        f"{what}: losing": games.lost(),
    }


def lines(games: Games, what: str, over_fixed: float, over_sees: float) -> Iterator[Figure]:
    """Yield the lines of some games."""
    money = f" ({sum(games.followed):.0f} of {sum(games.fixed):.0f})"
    n = len(games.followed)
    name = f"{what}, {n} machines: doing as is said / the best plan fixed at the start"
    yield at_least(name, games.ratio("followed", "fixed"), over_fixed, note=money)
    yield beside(
        "  the same over a plan fixed as if tries were independent", f"{games.ratio('followed', 'apart'):.3f}"
    )
    money = f" (of {sum(games.sees):.0f})"
    name = f"{what}: the same / who sees every cause"
    yield at_least(name, games.ratio("followed", "sees"), over_sees, note=money)
    lost = games.lost()
    yield at_most(f"{what}: machines that lose money on average beyond chance", lost, 0, 0)
    yield within(f"{what}: promised / realised", games.ratio("promised", "followed"), 0.95, 1.05)
    note = f" of {games.asked} answers" + _first(games.strays)
    yield at_most(f"{what}: new list is not the branch told before", len(games.strays), 0, 0, note=note)


def _first(found: Sequence[str]) -> str:
    return f"; first: {found[0]}" if found else ""


def run(
    seed: int = 1,
    machines: int = 1_000,
    draws: int = 20,
    symptom_draws: int = 200,
    told_of: int = 2_000,
    gated: int = 1_000,
) -> Iterator[Figure]:
    """Measure, keep the figures, and yield a line a figure."""
    from valuer.price_model.training import load_or_train  # noqa: PLC0415

    model = load_or_train()
    symptoms = play(one_symptom(), model, symptom_draws, seed)
    kept = figures_of(symptoms, "one symptom")
    yield from lines(symptoms, "one symptom of unknown cause", 1.7, 0.72)
    off = symptoms.by_hand_off
    yield beside("  who sees the cause: tree against plain recursion, largest difference", f"{off:.4f}")
    stock = [ends_checked(machine) for machine in from_stock(max(machines, told_of), 5000 + seed)[1]]
    games = play(stock[:machines], model, draws, seed)
    kept |= figures_of(games, "stock")
    yield from lines(games, "from the stock", 1.15, 0.80)
    yield from _telling_lines(told(stock[:told_of], model))
    ignored = ignored_gates(with_many_faults(gated, 7000 + seed), model)
    name = f"{gated} machines with 13 to 25 findings: a verdict, way out or list ignores a gate"
    yield at_most(name, len(ignored), 0, 0, note=_first(ignored))
    keep("work", kept | {"seed": seed})


def _telling_lines(found: Telling) -> Iterator[Figure]:
    lists, steps = f"{found.lists} lists", f"{found.steps} steps"
    rows: tuple[tuple[str, list[str]], ...] = (
        (f"{lists}: steps do not add up to hours, cash and return", found.sums),
        (f"{lists}: first step or its branches differ when asked again", found.first),
        (f"{lists}: first step or figures differ between fixes, next, bench and the API", found.doors),
        (f"{steps}: without a caution of their own work", found.cautions),
    )
    for name, wrong in rows:
        yield at_most(name, len(wrong), 0, 0, note=_first(wrong))
