"""What following a list comes to, against playing it out by plain chance."""

import numpy as np
import pytest

from tests.advice.make import course, job, told
from valuer.advice.work.board import State
from valuer.advice.work.course import Course, best_within, offers
from valuer.advice.work.first_checks import First, gain_with

NOISE = 0.25


def played(found: Course, draws: int, seed: int) -> tuple[float, float, float]:
    """Return the mean money left, mean hours and share of losses of playing a course without checks before it."""
    rng, job = np.random.default_rng(seed), found.job
    by_state = {visit.state: visit for visit in found.came}
    left, hours, lost = [], [], 0
    for _ in range(draws):
        state: State = found.came[0].state
        spent = worked = 0.0
        while (visit := by_state[state]).act is not None:
            spent += visit.act.parts + job.terms.hour_value * visit.act.hours
            worked += visit.act.hours
            chances = np.array([edge.chance for edge in visit.edges])
            state = visit.edges[int(rng.choice(len(chances), p=chances / chances.sum()))].to
        sale = found.price(state) * (np.exp(NOISE * rng.standard_normal()) - 1)
        end = float(found.tree.ends[state])
        left.append(end - spent)
        hours.append(worked)
        lost += end + sale - spent < job.now
    return float(np.mean(left)), float(np.mean(hours)), lost / draws


@pytest.mark.parametrize(
    "faults",
    [("recoil_rope:serious",), ("starter_noise:serious",), ("surging:serious", "dirty:serious")],
    ids=lambda faults: faults[0],
)
def test_a_course_is_what_playing_it_out_comes_to(faults: tuple[str, ...]) -> None:
    """Money left, hours and the chance of loss, within three standard errors of 4,000 plays.

    The chance of loss counts what was spent at its mean on every way to an ending, so that it may be off by a
    little more.
    """
    found = course(*faults, sound=300.0)
    assert found.works
    left, hours, lost = played(found, 4_000, 12)
    assert left == pytest.approx(found.left, abs=3)
    assert hours == pytest.approx(found.hours, abs=0.05)
    assert lost == pytest.approx(found.chance_of_loss(NOISE), abs=0.04)


def test_no_work_loses_nothing() -> None:
    """There is nothing to lose where nothing is done; with prices sure, only a fix that did not hold loses."""
    assert course().chance_of_loss(NOISE) == 0
    assert [chance for _, chance in course().endings] == [1]
    found = course("bag_missing:slight", sound=300.0)
    assert found.works
    there = sum(chance for state, chance in found.endings if state[0] != 0)
    assert 0 < found.chance_of_loss(0.0) == pytest.approx(there)


def test_of_the_lists_that_fit_the_best_is_taken() -> None:
    """Whatever the limit: as many hours as each of the lists offered needs, and a little less."""
    at = job("fuel_leak_carb:serious", "starter_noise:serious", "stiff_roll:serious", sound=300.0)
    lists = offers(at)
    assert len(lists) > 2
    for hours in [each.hours - less for each in lists for less in (0.0, 0.01)]:
        fit = [each.score for each in lists if each.hours <= hours]
        assert best_within(at, lists, hours, None).score == max(fit, default=0.0)


@pytest.mark.parametrize("faults", [("surging:serious", "dirty:serious"), ("oil_leak_unknown:serious",)])
def test_the_worst_is_that_of_the_dearest_and_of_the_longest_way(faults: tuple[str, ...]) -> None:
    """Every way the list can go, its parts and hours added up."""
    found = course(*faults, sound=400.0)
    by_state = {visit.state: visit for visit in found.came}

    def ways(state: State) -> list[tuple[float, float]]:
        visit = by_state[state]
        if visit.act is None:
            return [(0.0, 0.0)]
        parts, hours = visit.act.parts, visit.act.hours
        return [(parts + p, hours + h) for edge in visit.edges for p, h in ways(edge.to)]

    every = ways(found.came[0].state)
    assert len(set(every)) > 2
    assert found.worst_cash == pytest.approx(max(cash for cash, _ in every))
    assert found.worst_hours == pytest.approx(found.first_hours + max(hours for _, hours in every))


def test_checks_that_come_first_by_hand() -> None:
    """30 as it stands, 50 more when all is passed, an hour at 10.

    The first: half an hour, fails .2 of the time and leaves 10: -5 - .2 x 20 = -9. The second, come to .8 of the
    time: an hour, fails half the time and leaves 20: .8 x (-10 - .5 x 10) = -12. What follows: .4 x 50 = 20.
    """
    firsts = [First("recall", 0.5, 0.2, 10.0, 3), First("crank", 1.0, 0.5, 20.0, 2)]
    assert gain_with(firsts, 10.0, 30.0, 50.0) == pytest.approx(-9 - 12 + 20)


VERDICTS: tuple[tuple[tuple[str, ...], float, dict[str, float], str], ...] = (
    (("bag_missing:serious", "dirty:serious"), 400.0, {}, "go on"),
    (("paint_faded:slight",), 190.0, {"hour_value": 60.0}, "sell as it stands"),
    (("recall_open:serious", "rod_knock:serious"), 40.0, {}, "no sale while a recall is open"),
    (
        ("rod_knock:serious", "no_start:serious", "deck_rust_hole:serious"),
        60.0,
        {"hour_value": 0.0},
        "break for parts",
    ),
    (
        ("rod_knock:serious", "no_start:serious", "deck_rust_hole:serious"),
        20.0,
        {"hour_value": 30.0},
        "scrap",
    ),
)


@pytest.mark.parametrize(("faults", "sound", "more", "verdict"), VERDICTS, ids=[row[3] for row in VERDICTS])
def test_every_verdict_is_reached_and_is_the_best_way_open(
    faults: tuple[str, ...], sound: float, more: dict[str, float], verdict: str
) -> None:
    """The word is that of the way that leaves most among those that are open; work only where it leaves more."""
    found = told(*faults, sound=sound, age_years=3.0, engine_class="large_ohv", **more)
    assert found.verdict == verdict
    best = max((way for way in found.ways_now if way.open), key=lambda way: way.left)
    assert found.left_now == pytest.approx(best.left, abs=0.01)
    assert (found.left > found.left_now) == (verdict == "go on")
