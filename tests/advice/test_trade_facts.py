"""Facts of the trade: if the advice said otherwise, a repairer would laugh.

Ids T06 to T60 are those of the trade's own list of facts; its figures are common practice without a source.
Values come from the fake model, whose effects are the trade's table.
"""

from itertools import pairwise

import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import bay, changed_shop, close, fix, machine, names, shop_with, terms
from valuer.advice.deal.purchase import purchase_limits
from valuer.advice.deal.repair_quote import Quote, quote_repairs
from valuer.advice.work.bench import rank_bench
from valuer.advice.work.done import done_work
from valuer.advice.work.fix_plan import plan_fixes
from valuer.advice.work.next_checks import next_checks
from valuer.advice.work.policies import Workshop
from valuer.advice.work.routes import leaving, scrap_net
from valuer.advice.work.search import best_plan
from valuer.advice.worth.documents import FixPlan
from valuer.advice.worth.lattice import lattices, scene_of
from valuer.advice.worth.valuation import value_machines
from valuer.domain.fixes import fix_catalogue

HOURS = (0.0, 4.0, 8.0, 12.0, 15.0, 20.0, 25.0, 40.0)
BENCH = [
    ("fuel_leak_carb:serious", "hard_start:slight", "stale_fuel:slight"),
    ("starter_noise:serious", "blade_dull:serious", "dirty:serious"),
    ("oil_leak_sump:serious", "stiff_roll:serious", "paint_faded:serious"),
    ("blade_brake_slow:serious", "drive_slip:serious", "bag_missing:serious"),
    ("no_start:serious", "weak_spark:serious", "oil_contaminated:slight"),
]


def plan_of(*faults: str, sound: float = 190.0, shop: Workshop | None = None, **asked: float) -> FixPlan:
    """The fix plan of one machine."""
    return plan_fixes([machine(*faults)], FakeModel(sound), terms(**asked), shop)[0]


def first_fix(plan: FixPlan, fault: str) -> str | None:
    """What the plan does first about a fault."""
    return next((step.fix for step in plan.best.steps if fault in step.faults), None)


def test_t06_no_25_part_on_a_machine_worth_20() -> None:
    """T06: the gain cannot exceed the sound value, so that a $25 part never pays on a $20 machine."""
    for faults in BENCH:
        for name in plan_of(*faults, sound=20.0, hour_value=0.0).best.fixes:
            assert sum(fix_catalogue()[name].parts) / 2 < 25


SEAT = fix("needle_seat", odds={"fuel_leak_carb": 0.25})


def seat_or(price: float, chance: float) -> Workshop:
    """A float seat of 4 holding one time in four, or a carburettor at this price."""
    sure = fix("carb_new_maker", parts=[price, price], odds={"fuel_leak_carb": chance})
    seat = fix("needle_seat", odds={"fuel_leak_carb": 0.25})
    cures = {"fuel_leak_carb": seat.cures["fuel_leak_carb"].model_copy(update={"next": "carb_new_maker"})}
    return shop_with(seat.model_copy(update={"cures": cures}), sure)


def test_t07_seat_against_carburettor() -> None:
    """T07: at 25 % odds a seat of 4 loses to a carburettor of 24.50 and is tried before one of 75.

    The seat holding about one time in four is common practice, no source.
    """
    assert plan_of("fuel_leak_carb:serious", shop=seat_or(24.5, 0.88)).best.fixes == ("carb_new_maker",)
    dear = plan_of("fuel_leak_carb:serious", shop=seat_or(75.0, 0.96)).best
    assert dear.fixes == ("needle_seat",)
    assert dear.steps[0].if_it_fails == ("carb_new_maker",)


def test_t07_expected_gains_of_the_worked_table() -> None:
    """Net gains on R190 with a serious fuel leak (66.50 for repair, gain 123.50), hour 15.

    Seat 4 + .75 h x 15 = 15.25; pattern 24.50 + .60 h x 15 = 33.50; maker's 75 + 9 = 84. Pattern straight:
    .88 x 123.50 - 33.50 = 75.18; seat then pattern: .25 x 123.50 - 15.25 + .75 x 75.18 = 72.01; maker's
    straight .96 x 123.50 - 84 = 34.56; seat then maker's 30.875 - 15.25 + .75 x 34.56 = 41.545.
    """
    assert close(best_plan(bay("fuel_leak_carb:serious", shop=seat_or(24.5, 0.88)).case).returns, 75.18)
    assert close(best_plan(bay("fuel_leak_carb:serious", shop=seat_or(75.0, 0.96)).case).returns, 41.545)


def test_t08_a_dearer_sure_part_never_moves_the_advice_away_from_trying_first() -> None:
    """T08: once the seat is tried first, it stays so as the carburettor gets dearer."""
    begins = [
        plan_of("fuel_leak_carb:serious", shop=seat_or(price, 0.9)).best.fixes[:1] == ("needle_seat",)
        for price in range(5, 100, 5)
    ]
    assert begins == sorted(begins)
    assert {False, True} == set(begins)


def test_t09_t10_nothing_asks_what_was_spent() -> None:
    """T09, T10: money and hours already spent are no input; what failed changes odds only, at no charge.

    After a carburettor was fitted in vain, the plan for the rest is the one of a machine that has just come
    in with those odds.
    """
    faults = ("fuel_leak_carb:serious", "dirty:serious")
    found = machine(*faults).faults
    after = plan_fixes(
        [machine(*faults)],
        FakeModel(),
        terms(),
        done={"m": done_work(found, {"carb_new_generic:fuel_leak_carb": "failed"})},
    )[0]
    fresh = plan_of(*faults, shop=changed_shop(fix("carb_new_generic", odds={"fuel_leak_carb": 0.88 / 2})))
    assert after.best.expected_return == fresh.best.expected_return
    assert after.best.fixes == fresh.best.fixes


@pytest.mark.parametrize("faults", BENCH)
def test_t11_a_dearer_hour_never_raises_the_hours_of_the_best_plan(faults: tuple[str, ...]) -> None:
    """T11: among machines sold as they are repaired (no breaking for parts, whose hours also get dearer)."""
    hours = []
    for hour_value in HOURS:
        at = bay(*faults, sound=400.0, hour_value=hour_value)
        hours.append(best_plan(at.case).hours)
    assert all(later <= earlier + 1e-9 for earlier, later in pairwise(hours))


def test_t12_t13_an_open_gate_is_never_sold_as_working() -> None:
    """T12, T13: with a fuel leak left in it leaves for repair, for parts or as scrap, at any terms."""
    plan = plan_of("fuel_leak_carb:serious", sound=30.0, hour_value=40.0)
    assert plan.best.fixes == ()
    assert plan.best.sold_as != "working"
    assert not plan.safety.may_be_sold
    assert plan.safety.must_cure == ("fuel_leak_carb",)


def test_t14_curing_a_tied_bail_restores_the_full_value() -> None:
    """T14: a tied-down bail blocks even a like-new machine; cured, the sound price is back."""
    answer = value_machines([machine("bail_defeated:serious")], FakeModel(), terms())[0]
    assert not answer.safety.may_be_sold
    assert answer.fault_costs[0].cured_alone == pytest.approx(190 - answer.value.amount)


def test_t16_an_open_recall_leaves_scrap_only() -> None:
    """T16: no sale, no gift, no parting out; the maker's remedy is what can be done."""
    at = bay("recall_open:serious")
    out = leaving(at.lattice, terms())
    assert out.proceeds[1] == scrap_net(at.lattice, terms())
    plan = plan_of("recall_open:serious")
    assert plan.best.fixes == ("recall_remedy",)
    assert next(row.verdict for row in plan.fixes if row.fix == "recall_remedy") == "must be done"
    assert "recall" in plan.safety.statement


def test_t19_a_symptom_is_not_cured_while_its_cause_stays() -> None:
    """T19: carburettor work on a machine with no spark is never advised without the spark being cured.

    Adding the cause to a machine that does not start anyway hardly changes what it is worth.
    """
    plan = plan_of("no_start:serious", "weak_spark:serious", sound=300.0)
    assert first_fix(plan, "weak_spark") is not None
    without = value_machines([machine("no_start:serious")], FakeModel(), terms())[0].value.amount
    both = value_machines([machine("no_start:serious", "weak_spark:serious")], FakeModel(), terms())[0]
    assert both.value.amount < without
    only_carb = shop_with(fix("carb_new_generic"))
    assert plan_of("no_start:serious", "weak_spark:serious", sound=300.0, shop=only_carb).best.fixes == ()


def test_t20_nothing_leaves_for_less_than_scrap() -> None:
    """T20: whatever is left in, the best way out brings no less than the scrap yard."""
    at = bay("bent_crank:serious", "deck_rust_hole:serious", sound=60.0, hour_value=0.0)
    out = leaving(at.lattice, terms(hour_value=0.0))
    assert (out.proceeds >= scrap_net(at.lattice, terms(hour_value=0.0))).all()


def test_t21_joint_loss_is_no_more_than_the_single_losses_together() -> None:
    """T21: multiplicatively, on the trade's own counting rule."""
    one = lattices(
        [scene_of(machine("starter_noise:serious", "dirty:serious"), terms())], FakeModel(), terms()
    )
    values = one[0].values
    assert values[1, 1] >= values[1, 0] * values[0, 1] / values[0, 0]


def test_t22_order_of_the_ways_out() -> None:
    """T22: scrap, for repair, working with what is disclosed, sound."""
    at = bay("fuel_leak_carb:serious", "paint_faded:serious")
    for_repair, disclosed, sound = at.lattice.values[1, 1], at.lattice.values[0, 1], at.lattice.values[0, 0]
    assert scrap_net(at.lattice, terms()) < for_repair < disclosed < sound


def test_t27_shared_strip_down_saves_hours_and_never_adds() -> None:
    """T27: blade, adapter and deck paint share the blade: .15 h plus .10 h for tipping, saved twice."""
    at = bay("blade_damaged:serious", "blade_mount_loose:serious", sound=400.0, hour_value=1.0)
    plan = best_plan(at.case)
    alone = sum(at.case.shop.hours_alone(place) for place in plan.first)
    assert names(at, plan.first) == ("blade_new", "blade_mount")
    shop = at.case.shop
    together = sum(shop.hours[place] for place in plan.first) + 0.25
    assert alone == pytest.approx(together + 0.25)


def test_t28_the_seal_while_the_sump_is_open_costs_little_more() -> None:
    """T28: beside the sump gasket the crank seal costs its own 8 and .45 h, no strip-down; alone .70 h."""
    both = bay("oil_leak_sump:serious", "oil_leak_seal:serious", sound=400.0)
    shop = both.case.shop
    seal, sump = shop.names.index("crank_seal"), shop.names.index("sump_gasket")
    joint = shop.group_hours[shop.groups[seal] | shop.groups[sump]] + shop.hours[seal] + shop.hours[sump]
    assert joint - shop.hours_alone(sump) == pytest.approx(0.45)
    assert shop.hours_alone(seal) == pytest.approx(0.70)


@pytest.mark.parametrize(
    "better",
    [
        {"odds": {"oil_leak_seal": 0.95}},
        {"parts": [0, 4]},
        {"hours": [0.1, 0.3]},
    ],
)
def test_t29_no_improvement_makes_a_fix_less_advised(
    better: dict[str, object],
) -> None:
    """T29, at sound values below and above the one from which the seal pays."""
    for sound in (40.0, 60.0, 80.0, 190.0):
        before = "crank_seal" in plan_of("oil_leak_seal:serious", sound=sound).best.fixes
        after = plan_of("oil_leak_seal:serious", sound=sound, shop=changed_shop(fix("crank_seal", **better)))
        assert ("crank_seal" in after.best.fixes) >= before


def test_t30_a_fallback_never_lowers_the_value_of_a_fix() -> None:
    """T30: pawl repair alone, and with a new rope starter to fall back on."""
    alone = shop_with(fix("pawl_repair"))
    with_next = shop_with(fix("pawl_repair"), fix("recoil_new"))
    for sound in (60.0, 120.0, 190.0, 400.0):
        at = [bay("starter_noise:serious", sound=sound, shop=shop) for shop in (alone, with_next)]
        assert best_plan(at[1].case).returns >= best_plan(at[0].case).returns - 1e-9


def test_t37_an_unknown_leak_is_worth_naming() -> None:
    """T37: the leak of unknown source costs no less than the average named one, so looking has a value."""
    found = next_checks([machine("oil_leak_unknown:serious")], FakeModel(), terms())[0]
    looks = [check for check in found.checks if check.kind == "cause"]
    assert max(check.value_of_looking for check in looks) > 0


def test_t38_a_patch_never_cures_a_structural_hole() -> None:
    """T38: no plan holds the patch, and it is no possible fix at all."""
    plan = plan_of("deck_rust_hole:serious", sound=600.0, hour_value=0.0)
    assert "deck_patch" not in {row.fix for row in plan.fixes}
    assert plan.best.fixes == ("deck_donor",)


def test_t39_nothing_straightens_a_crank() -> None:
    """T39: the only cure of a bent crank is another engine."""
    assert {row.fix for row in plan_of("bent_crank:serious").fixes} == {"used_engine"}


def test_t40_wider_odds_change_the_confidence_shown_and_not_the_gain() -> None:
    """T40: same likely odds, wider band: expected return as before, the band shown is wider."""
    wide = fix("crank_seal")
    cure = wide.cures["oil_leak_seal"]
    odds = cure.odds.model_copy(update={"low": 0.40, "high": 0.98})
    wide = wide.model_copy(update={"cures": {"oil_leak_seal": cure.model_copy(update={"odds": odds})}})
    before = plan_of("oil_leak_seal:serious")
    after = plan_of("oil_leak_seal:serious", shop=changed_shop(wide))
    assert before.best.expected_return == after.best.expected_return
    rows = [next(row for row in plan.fixes if row.fix == "crank_seal") for plan in (before, after)]
    assert rows[1].odds_low < rows[0].odds_low < rows[0].odds_high < rows[1].odds_high


def test_t42_fewer_hours_or_more_gain_rank_higher_on_the_bench() -> None:
    """T42: the same gain for fewer hours first; of the same work, the machine it brings more on first."""
    two = [machine("fuel_leak_line:serious", id="leak"), machine("oil_leak_sump:serious", id="sump")]
    ranked = rank_bench(two, FakeModel(by_id={"leak": 190.0, "sump": 340.0}), terms())
    assert [row.id for row in ranked.machines] == ["leak", "sump"]
    same = [machine("oil_leak_seal:serious", id=name) for name in ("cheap", "dear")]
    ranked = rank_bench(same, FakeModel(by_id={"cheap": 190.0, "dear": 260.0}), terms())
    assert [row.id for row in ranked.machines] == ["dear", "cheap"]
    assert ranked.machines[0].bench_hours == ranked.machines[1].bench_hours


@pytest.mark.parametrize("faults", BENCH)
def test_t43_all_money_times_ten_leaves_the_decisions(faults: tuple[str, ...]) -> None:
    """T43: prices, parts and wage in another money: the same plan, ten times the return."""
    usual, other = plan_of(*faults), plan_of(*faults, price_level=10.0)
    assert usual.hour_value * 10 == other.hour_value
    assert usual.best.fixes == other.best.fixes
    assert other.best.expected_return == pytest.approx(10 * usual.best.expected_return, abs=0.06)


def test_t45_a_failed_seat_is_not_tried_again_at_the_same_odds() -> None:
    """T45: after a seat that failed, a second one has half the odds, and the carburettor is advised."""
    leaking = machine("fuel_leak_carb:serious")
    done = {"m": done_work(leaking.faults, {"needle_seat": "failed"})}
    plan = plan_fixes([leaking], FakeModel(), terms(), done=done)[0]
    assert plan.best.fixes == ("carb_new_generic",)
    assert next(row.odds for row in plan.fixes if row.fix == "needle_seat") == 0.125


def test_t48_over_full_oil_is_levelled_before_rings_are_thought_of() -> None:
    """T48: smoke with the oil over full and the machine just tipped: level and run first."""
    smoking = machine("smoke_blue:serious", readings={"oil_level": "over_full", "just_tipped": True})
    plan = plan_fixes([smoking], FakeModel(), terms())[0]
    assert plan.best.fixes[:1] == ("oil_level_breather",)


def test_t49_a_ring_job_needs_a_free_hour() -> None:
    """T49: never the plan on a 190 machine at 15 an hour, though at 0 an hour it can be."""
    shop = shop_with(fix("rings_hone"))
    for hour_value in (15.0, 25.0, 40.0):
        assert "rings_hone" not in plan_of("low_compression:serious", hour_value=hour_value).best.fixes
        assert plan_of("low_compression:serious", hour_value=hour_value, shop=shop).best.fixes == ()
    assert plan_of("low_compression:serious", hour_value=0.0, shop=shop).best.fixes == ("rings_hone",)


def test_t50_no_faults_no_repair() -> None:
    """T50: nothing wrong in November: nothing to do."""
    plan = plan_fixes([machine()], FakeModel(), terms(month=11))[0]
    assert plan.best.fixes == ()
    assert plan.fixes == ()
    assert any("out of season" in line for line in plan.warnings)


def test_t51_cleaning_the_axles_is_among_the_first_three() -> None:
    """T51: stiff rolling on a machine of 100 and more."""
    plan = plan_of("stiff_roll:serious", "paint_faded:serious", "bag_missing:serious", sound=120.0)
    assert "wheel_clean_lube" in [row.fix for row in plan.fixes[:3]]
    assert plan.best.fixes == ("wheel_clean_lube",)


SUMP_ONLY = shop_with(fix("sump_gasket"))


@pytest.mark.parametrize(("sound", "pays"), [(110.0, False), (119.0, False), (170.0, True), (250.0, True)])
def test_t52_sump_gasket_breaks_even_near_155(sound: float, pays: bool) -> None:  # noqa: FBT001
    """T52: (15 + 2.35 h x 15) / (.82 x .40) = 153: clearly bad below 120, clearly good above 250."""
    at = bay("oil_leak_sump:serious", sound=sound, shop=SUMP_ONLY)
    assert best_plan(at.case).works == pays
    break_even = (15 + 2.35 * 15) / (0.82 * 0.40)
    assert break_even == pytest.approx(153.2, abs=0.1)


@pytest.mark.parametrize(("sound", "pays"), [(50.0, False), (110.0, True)])
def test_t53_cleaning_the_jet_pays_from_about_93(sound: float, pays: bool) -> None:  # noqa: FBT001
    """T53: (3.50 + .55 h x 15) / (.45 x .28) = 93: a clean pays from about 100, not on a 50 machine."""
    assert plan_of("surging:serious", sound=sound).best.fixes[:1] == (
        ("carb_clean_in_place",) if pays else ()
    )


def test_t56_a_free_machine_can_still_not_be_worth_fetching() -> None:
    """T56: overhead of about 59 and the repair come to more than a cheap machine brings."""
    free = purchase_limits([machine("no_start:serious")], FakeModel(90.0), terms(), asked=0.0)[0]
    assert free.verdict == "do not fetch it"
    assert free.limit < 0
    assert free.most_to_pay == 0
    good = purchase_limits([machine()], FakeModel(500.0), terms(), asked=0.0)[0]
    assert good.verdict == "fetch it"


def test_t57_owner_and_reseller_may_differ_and_the_answer_says_whose_it_is() -> None:
    """T57: a quote of 303 (fee 50, 2.2 h x 90, parts 55) on a machine worth 175 repaired, new 480.

    The bill is 63 % of new and 173 % of the value after (worked example, invented): the owner replaces, while
    a home repairer's own plan on the same machine is to cure it.
    """
    broken = machine("fuel_leak_carb:serious", "surging:serious", age_years=6.0)
    quote = Quote(parts=55.0, hours=2.2, rate=90.0, diagnosis_fee=50.0, new_price=480.0)
    owner = quote_repairs([broken], [quote], FakeModel(175.0), terms())[0]
    assert owner.view == "owner"
    assert owner.bill == 303
    assert owner.share_of_new == pytest.approx(0.63, abs=0.005)
    assert owner.share_of_value == pytest.approx(1.73, abs=0.005)
    assert owner.advised == "replace"
    assert plan_fixes([broken], FakeModel(175.0), terms())[0].best.fixes


@pytest.mark.parametrize("faults", BENCH)
def test_t58_the_currency_changes_no_decision_only_its_own_letters(faults: tuple[str, ...]) -> None:
    """T58: dollars or euros beside the same figures: every figure and verdict stays."""
    asked, model = [machine(*faults)], FakeModel()
    dollars, euros = (plan_fixes(asked, model, terms(currency=money))[0] for money in ("USD", "EUR"))
    assert "EUR" in euros.model_dump_json()
    assert euros.model_dump_json().replace("EUR", "USD") == dollars.model_dump_json()


@pytest.mark.parametrize(
    ("metric", "inches"),
    [
        ({"compression_bar": 4.137, "compression_release": "none"}, {"compression_psi": 60.0}),
        ({"roll_pull_n": 120.0}, {"roll_pull_lbf": 26.98}),
        ({"crank_runout_mm": 0.254}, {"crank_runout_in": 0.010}),
    ],
)
def test_t58_metric_or_imperial_readings_lead_to_the_same_plan(
    metric: dict[str, object], inches: dict[str, object]
) -> None:
    """T58: 60 psi = 4.137 bar, 120 N = 26.98 lbf, .010 in = .254 mm; the plan is the same to the letter."""
    inches = {**inches, **{name: word for name, word in metric.items() if name == "compression_release"}}
    one, other = (plan_fixes([machine(readings=read)], FakeModel(), terms())[0] for read in (metric, inches))
    assert one.safety == other.safety
    assert [(row.fix, row.verdict) for row in one.fixes] == [(row.fix, row.verdict) for row in other.fixes]
    assert one.best.fixes == other.best.fixes
    assert one.best.expected_return == pytest.approx(other.best.expected_return, abs=0.02)


def test_t60_a_free_hour_still_shows_money_per_hour() -> None:
    """T60."""
    row = rank_bench([machine("oil_leak_seal:serious")], FakeModel(), terms(hour_value=0.0)).machines[0]
    assert row.bench_hours > 0
    assert row.return_per_hour == pytest.approx(row.expected_return / row.bench_hours, abs=0.02)
    assert row.return_per_hour > 0
