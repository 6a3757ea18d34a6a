"""What own tries say of odds and hours: closed forms, and a published example of shrinkage."""

import numpy as np
import pytest
from scipy import stats

from valuer.domain.fixes import Odds, bench_hours, fix_catalogue
from valuer.price_model.experience import Try, beta_update, hours_factors, normal_update, own_fixes

SEAT = fix_catalogue()["needle_seat"].cures["fuel_leak_carb"]


def test_beta_binomial_closed_form() -> None:
    # Beta(a, b) and k of n held: Beta(a + k, b + n - k). Prior mean .25, weight 4: a 1, b 3; 1 of 8: 2 / 12.
    after = beta_update(Odds(low=0.1, likely=0.25, high=0.45, tries=4.0), cured=1, failed=7)
    assert after.likely == pytest.approx(2 / 12)
    assert after.tries == 12.0
    assert (after.low, after.high) == pytest.approx(stats.beta(2, 10).ppf([0.1, 0.9]))


def test_normal_normal_closed_form() -> None:
    # Prior N(0, 4), five readings of mean 3, noise variance 10: precision 1/4 + 5/10, mean 1.5 / .75 = 2.
    assert normal_update(0.0, 4.0, [1.0, 2.0, 3.0, 4.0, 5.0], 10.0) == pytest.approx((2.0, 4 / 3))


def test_shrinkage_of_the_batting_averages() -> None:
    # Efron and Morris, Scientific American 1977 (published; top and bottom derived): 18 players, hits of 45.
    # Factor .212 = 1 - (k - 3) s2 / S, s2 = m (1 - m) / 45; shrunk to .294 at the top, .242 at the bottom.
    hits = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7])
    averages = hits / 45
    mean = float(averages.mean())
    noise = mean * (1 - mean) / 45
    spread = float(((averages - mean) ** 2).sum())
    factor = 1 - (len(hits) - 3) * noise / spread
    assert (round(mean, 3), round(factor, 3)) == (0.265, 0.212)
    # The same as a normal prior whose variance gives that factor: v / (v + noise) = factor.
    variance = factor * noise / (1 - factor)
    shrunk = [normal_update(mean, variance, [float(average)], noise)[0] for average in averages]
    assert (round(shrunk[0], 3), round(shrunk[-1], 3)) == (0.294, 0.242)


def test_own_tries_count_one_time_in_eight() -> None:
    tries = [Try("needle_seat", "fuel_leak_carb", cured=number == 0) for number in range(8)]
    before, after = SEAT.odds, own_fixes(tries)["needle_seat"].cures["fuel_leak_carb"].odds
    held, prior = 1, SEAT.tries
    assert after.likely == pytest.approx((before.likely * prior + held) / (prior + 8))
    assert after.likely < before.likely
    assert after.high - after.low < before.high - before.low, "more tries, surer"


def test_no_tries_change_nothing() -> None:
    assert own_fixes([]) == dict(fix_catalogue())


def test_other_fixes_and_other_faults_keep_their_odds() -> None:
    after = own_fixes([Try("needle_seat", "fuel_leak_carb", cured=False)] * 3)
    assert {name for name, fix in after.items() if fix.cures != fix_catalogue()[name].cures} == {
        "needle_seat"
    }


def test_what_is_known_not_to_work_is_not_made_to_work_by_luck() -> None:
    patch = next(
        f for f in fix_catalogue().values() for c in f.cures.values() if c.serious and c.serious.likely == 0
    )
    fault = next(name for name, cure in patch.cures.items() if cure.serious and cure.serious.likely == 0)
    cure = own_fixes([Try(patch.id, fault, cured=True)] * 5)[patch.id].cures[fault]
    assert cure.serious
    assert cure.serious.likely == 0


def test_hours_follow_ones_own_pace_and_never_all_the_way() -> None:
    usual = bench_hours([fix_catalogue()["needle_seat"]])
    pace, of_fix = hours_factors([Try("needle_seat", "fuel_leak_carb", cured=True, hours=2 * usual)] * 5)
    # Normal prior sd sqrt(.3^2 + .25^2) on the sum, noise .4: 5 jobs at log 2 give log 2 * .7624 (by hand).
    share = 5 * (0.09 + 0.0625) / (5 * (0.09 + 0.0625) + 0.16)
    assert of_fix["needle_seat"] == pytest.approx(2**share)
    assert 1.0 < pace < of_fix["needle_seat"]


def test_without_hours_the_catalogue_holds() -> None:
    assert hours_factors([Try("needle_seat", "fuel_leak_carb", cured=True)]) == (1.0, {})
