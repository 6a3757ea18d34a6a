"""Facts of the trade: if the advice said otherwise, a repairer would laugh.

Ids T06 to T60 are those of the trade's own list of facts; its figures are common practice without a source.
Here the values are given (the fake model's effects are the trade's table), so what is tested is what follows from
them: decisions, and arithmetic that a reader can redo. What the trade says of prices themselves is asked of the trained
model, in `test_trade_facts_priced.py` and `tests/price_model/test_sanity_facts.py`.
"""

from itertools import pairwise

import numpy as np
import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import (
    changed_shop,
    close,
    course,
    fix,
    ids,
    job,
    list_of,
    machine,
    shop_with,
    terms,
)
from valuer.advice.deal.purchase import purchase_limits
from valuer.advice.deal.repair_quote import Quote, quote_repairs
from valuer.advice.work.bench import rank_bench
from valuer.advice.work.board import Act
from valuer.advice.work.documents import WorkList
from valuer.advice.work.done import done_work
from valuer.advice.work.tree import Prices, Tree, solve, visits
from valuer.advice.work.trouble import plain_trouble
from valuer.advice.work.ways_out import scrap_net
from valuer.advice.work.work_list import work_lists
from valuer.advice.work.workshop import Workshop
from valuer.domain.fixes import fix_catalogue
from valuer.domain.machine import Finding

HOURS = (0.0, 4.0, 8.0, 12.0, 15.0, 20.0, 25.0, 40.0)
BENCH = [
    ("fuel_leak_carb:serious", "hard_start:slight", "stale_fuel:slight"),
    ("starter_noise:serious", "blade_dull:serious", "dirty:serious"),
    ("oil_leak_sump:serious", "stiff_roll:serious", "paint_faded:serious"),
    ("blade_brake_slow:serious", "drive_slip:serious", "bag_missing:serious"),
    ("no_start:serious", "weak_spark:serious", "oil_contaminated:slight"),
]


def plan_of(*faults: str, sound: float = 190.0, shop: Workshop | None = None, **asked: float) -> WorkList:
    """The work list of one machine."""
    return work_lists([machine(*faults)], FakeModel(sound), terms(**asked), shop)[0]


def fixes_of(found: WorkList) -> tuple[str, ...]:
    """Every fix of a list, in working order."""
    return tuple(part.id for step in found.steps if step.kind == "fix" for part in step.parts_of_it)


def possible(found: WorkList) -> set[str]:
    """Every fix and look that the list weighs, those it leaves out as well."""
    return {part for step in ids(found) for part in step.split("+")} | {other.id for other in found.others}


def test_t06_no_25_part_on_a_machine_worth_20() -> None:
    """T06: the gain cannot exceed the sound value, so that a $25 part never pays on a $20 machine."""
    for faults in BENCH:
        for name in fixes_of(plan_of(*faults, sound=20.0, hour_value=0.0)):
            assert sum(fix_catalogue()[name].parts) / 2 < 25


def leaking(price: float, chance: float, failed: tuple[str, ...] = ()) -> Tree:
    """A leak that brings 123.50 when cured: a seat of 4 holding one time in four, or a carburettor at this price.

    The hour is worth 15; the seat takes .75 h, the carburettor .60 h.
    """
    leak = plain_trouble(Finding("fuel_leak_carb", "serious"), {"seat": 0.25, "carburettor": chance}, failed)
    acts = (
        Act(("seat",), "fix", 4.0, 0.75, (((0, "seat"),),)),
        Act(("carburettor",), "fix", price, 0.60, (((0, "carburettor"),),)),
    )
    ends = np.where(leak.there > 0, 0.0, 123.50)
    return solve((leak,), acts, ends, [(Prices(15.0), frozenset())])[0]


def in_order(tree: Tree) -> list[str]:
    """The acts that the tree comes to, in working order."""
    return [visit.act.id for visit in visits(tree) if visit.act]


def test_t07_seat_against_carburettor() -> None:
    """T07: at 25 % odds a seat of 4 loses to a carburettor of 24.50 and is tried before one of 75.

    The seat holding about one time in four is common practice, no source.
    """
    assert in_order(leaking(24.5, 0.88)) == ["carburettor"]
    assert in_order(leaking(75.0, 0.96)) == ["seat", "carburettor"]


def test_t07_expected_gains_of_the_worked_table() -> None:
    """Net gains on R190 with a serious fuel leak (66.50 for repair, gain 123.50), hour 15.

    Seat 4 + .75 h x 15 = 15.25; pattern 24.50 + .60 h x 15 = 33.50; maker's 75 + 9 = 84. Pattern straight:
    .88 x 123.50 - 33.50 = 75.18. The seat cures one of the causes that the carburettor cures, so both together
    never cure more than .96: seat then maker's .96 x 123.50 - 15.25 - .75 x 84 = 40.31 (the trade's table takes
    tries as independent and says 41.545), still above maker's straight, .96 x 123.50 - 84 = 34.56.
    """
    straight, first = leaking(24.5, 0.88), leaking(75.0, 0.96)
    assert close(float(straight.value[straight.start]), 75.18)
    assert close(float(first.value[first.start]), 40.31)
    assert close(first.worths(first.start)[1], 34.56)


def test_t08_a_dearer_sure_part_never_moves_the_advice_away_from_trying_first() -> None:
    """T08: once the seat is tried first, it stays so as the carburettor gets dearer."""
    begins = [in_order(leaking(price, 0.9))[:1] == ["seat"] for price in range(5, 100, 5)]
    assert begins == sorted(begins)
    assert {False, True} == set(begins)


def test_t09_t10_nothing_asks_what_was_spent() -> None:
    """T09, T10: money and hours already spent are no input; what failed changes odds only, at no charge.

    After a seat of odds .25 failed in vain, what is left is what a machine brings that has just come in with a
    carburettor of (.88 - .25) / (1 - .25) = .84 and a seat that can do nothing.
    """
    after = leaking(24.5, 0.88, failed=("seat",))
    assert float(after.value[after.start]) == pytest.approx(0.84 * 123.50 - 33.50)
    assert in_order(after) == ["carburettor"]


@pytest.mark.parametrize("faults", BENCH)
def test_t11_a_dearer_hour_never_raises_the_hours_of_the_best_plan(faults: tuple[str, ...]) -> None:
    """T11: among machines sold as they are repaired (no breaking for parts, whose hours also get dearer).

    Where a story is narrowed the law holds to a minute: what is left out there moves with the hour.
    """
    hours = [course(*faults, sound=400.0, hour_value=hour_value).hours for hour_value in HOURS]
    assert all(later <= earlier + 1 / 60 for earlier, later in pairwise(hours))


def test_t12_t13_an_open_gate_is_never_sold_as_working() -> None:
    """T12, T13: with a fuel leak left in it leaves for repair, for parts or as scrap, at any terms."""
    plan = plan_of("fuel_leak_carb:serious", sound=30.0, hour_value=40.0)
    assert plan.steps == ()
    assert plan.sold_as != "working"
    assert not next(way.open for way in plan.ways_now if way.route == "working")
    assert not plan.safety.may_be_sold
    assert plan.safety.must_cure == ("fuel_leak_carb",)


def test_t16_an_open_recall_leaves_scrap_only() -> None:
    """T16: no sale, no gift, no parting out; the maker's remedy is what can be done."""
    plan = plan_of("recall_open:serious")
    assert [way.route for way in plan.ways_now if way.open] == ["scrap"]
    assert plan.left_now == pytest.approx(scrap_net(machine(), terms()), abs=0.01)
    assert fixes_of(plan) == ("recall_remedy",)
    assert "recall" in plan.safety.statement


def test_t19_a_symptom_is_not_cured_while_its_cause_stays() -> None:
    """T19: carburettor work on a machine with no spark is never advised without the spark being cured."""
    plan = plan_of("no_start:serious", "weak_spark:serious", sound=300.0)
    assert any("weak_spark" in part.faults for step in plan.steps for part in step.parts_of_it)
    only_carb = shop_with(fix("carb_new_generic"))
    assert ids(plan_of("no_start:serious", "weak_spark:serious", sound=300.0, shop=only_carb)) == ()


def test_t20_nothing_leaves_for_less_than_scrap() -> None:
    """T20: whatever is left in, the best way out brings no less than the scrap yard."""
    at = job("bent_crank:serious", "deck_rust_hole:serious", sound=60.0, hour_value=0.0)
    assert (at.ways.best >= scrap_net(at.machine, terms(hour_value=0.0))).all()


def test_t27_shared_strip_down_saves_hours_and_never_adds() -> None:
    """T27: blade and adapter share the blade and the tipping: .15 h and .10 h, counted once in one session."""
    at = job("blade_damaged:serious", "blade_mount_loose:serious", sound=400.0, hour_value=1.0)
    hours = {act.id: act.hours for act in at.acts}
    assert hours["blade_new"] + hours["blade_mount"] - hours["blade_new+blade_mount"] == pytest.approx(0.25)
    for act in at.acts:
        if len(act.names) > 1:
            assert act.hours < sum(hours.get(name, 99.0) for name in act.names)


def test_t28_the_seal_while_the_sump_is_open_costs_little_more() -> None:
    """T28: beside the sump gasket the crank seal costs its own 8 and .45 h, no strip-down; alone .70 h."""
    shop = job("oil_leak_sump:serious", "oil_leak_seal:serious", sound=400.0).shop
    seal, sump = shop.names.index("crank_seal"), shop.names.index("sump_gasket")
    assert shop.together([seal, sump]) - shop.together([sump]) == pytest.approx(0.45)
    assert shop.together([seal]) == pytest.approx(0.70)


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
        before = "crank_seal" in fixes_of(plan_of("oil_leak_seal:serious", sound=sound))
        after = plan_of("oil_leak_seal:serious", sound=sound, shop=changed_shop(fix("crank_seal", **better)))
        assert ("crank_seal" in fixes_of(after)) >= before


def test_t30_a_fallback_never_lowers_the_value_of_a_fix() -> None:
    """T30: pawl repair alone, and with a new rope starter to fall back on."""
    alone = shop_with(fix("pawl_repair"))
    with_next = shop_with(fix("pawl_repair"), fix("recoil_new"))
    for sound in (60.0, 120.0, 190.0, 400.0):
        at = [course("starter_noise:serious", sound=sound, shop=shop) for shop in (alone, with_next)]
        assert at[1].returns >= at[0].returns - 1e-9


def test_t38_a_patch_never_cures_a_structural_hole() -> None:
    """T38: no list holds the patch, and it is no possible fix at all."""
    plan = plan_of("deck_rust_hole:serious", sound=600.0, hour_value=0.0)
    assert "deck_patch" not in possible(plan)
    assert ids(plan) == ("deck_donor",)


def test_t39_nothing_straightens_a_crank() -> None:
    """T39: the only cure of a bent crank is another engine."""
    assert possible(plan_of("bent_crank:serious", sound=400.0)) == {"used_engine"}


def test_t40_wider_odds_change_no_gain() -> None:
    """T40: same likely odds, wider band: expected return as before. The band stands in the catalogue."""
    wide = fix("crank_seal")
    cure = wide.cures["oil_leak_seal"]
    odds = cure.odds.model_copy(update={"low": 0.40, "high": 0.98})
    wide = wide.model_copy(update={"cures": {"oil_leak_seal": cure.model_copy(update={"odds": odds})}})
    before = plan_of("oil_leak_seal:serious")
    after = plan_of("oil_leak_seal:serious", shop=changed_shop(wide))
    assert before.expected_return == after.expected_return > 0


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
    assert ids(usual) == ids(other)
    assert other.expected_return == pytest.approx(10 * usual.expected_return, abs=0.06)


def test_t45_a_failed_seat_is_not_tried_again() -> None:
    """T45: a second seat cures nothing that the first did not."""
    leak = machine("fuel_leak_carb:serious")
    plan = list_of(leak, done=done_work(leak.faults, {"needle_seat": "failed"}), sound=400.0)
    assert plan.steps
    assert "needle_seat" not in possible(plan)


def test_t48_over_full_oil_is_levelled_before_rings_are_thought_of() -> None:
    """T48: smoke with the oil over full and the machine just tipped: level and run first.

    Fresh oil up to the mark levels it as well.
    """
    smoking = machine("smoke_blue:serious", readings={"oil_level": "over_full", "just_tipped": True})
    plan = list_of(smoking)
    assert fixes_of(plan)[0] in {"oil_level_breather", "oil_change"}
    assert "rings_hone" not in possible(plan)


def test_t49_a_ring_job_needs_a_free_hour() -> None:
    """T49: never on the list of a 190 machine at 15 an hour, though at 0 an hour it can be."""
    shop = shop_with(fix("rings_hone"))
    for hour_value in (15.0, 25.0, 40.0):
        assert "rings_hone" not in fixes_of(plan_of("low_compression:serious", hour_value=hour_value))
        assert ids(plan_of("low_compression:serious", hour_value=hour_value, shop=shop)) == ()
    assert "rings_hone" in fixes_of(plan_of("low_compression:serious", hour_value=0.0, shop=shop))


def test_t50_no_faults_no_repair() -> None:
    """T50: nothing wrong in November: nothing to do."""
    plan = list_of(machine(), terms(month=11))
    assert plan.steps == ()
    assert plan.others == ()
    assert any("out of season" in line for line in plan.warnings)


def test_t51_cleaning_the_axles_is_among_the_first_three() -> None:
    """T51: stiff rolling on a machine of 100 and more."""
    plan = plan_of("stiff_roll:serious", "paint_faded:serious", "bag_missing:serious", sound=120.0)
    first = [*ids(plan)[:1], *(other.id for other in plan.others)]
    assert "wheel_clean_lube" in [name for name in first if name in fix_catalogue()][:3]
    assert "wheel_clean_lube" in fixes_of(plan_of("stiff_roll:serious", sound=190.0))


SUMP_ONLY = shop_with(fix("sump_gasket"))


@pytest.mark.parametrize(("sound", "pays"), [(110.0, False), (119.0, False), (170.0, True), (250.0, True)])
def test_t52_sump_gasket_breaks_even_near_155(sound: float, pays: bool) -> None:  # noqa: FBT001
    """T52: (15 + 2.35 h x 15) / (.82 x .40) = 153: clearly bad below 120, clearly good above 250."""
    assert course("oil_leak_sump:serious", sound=sound, shop=SUMP_ONLY).works == pays
    break_even = (15 + 2.35 * 15) / (0.82 * 0.40)
    assert break_even == pytest.approx(153.2, abs=0.1)


@pytest.mark.parametrize(("sound", "pays"), [(50.0, False), (110.0, True)])
def test_t53_cleaning_the_jet_pays_from_about_93(sound: float, pays: bool) -> None:  # noqa: FBT001
    """T53: (3.50 + .55 h x 15) / (.45 x .28) = 93: a clean pays from about 100, not on a 50 machine."""
    assert bool(plan_of("surging:serious", sound=sound).steps) == pays


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
    assert list_of(broken, sound=175.0).steps


@pytest.mark.parametrize("faults", BENCH)
def test_t58_the_currency_changes_no_decision_only_its_own_letters(faults: tuple[str, ...]) -> None:
    """T58: dollars or euros beside the same figures: every figure and verdict stays."""
    asked, model = [machine(*faults)], FakeModel()
    dollars, euros = (work_lists(asked, model, terms(currency=money))[0] for money in ("USD", "EUR"))
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
    one, other = (list_of(machine(readings=read)) for read in (metric, inches))
    assert one.safety == other.safety
    assert one.verdict == other.verdict
    assert ids(one) == ids(other)
    assert one.expected_return == pytest.approx(other.expected_return, abs=0.02)


def test_t60_a_free_hour_still_shows_money_per_hour() -> None:
    """T60."""
    row = rank_bench([machine("oil_leak_seal:serious")], FakeModel(), terms(hour_value=0.0)).machines[0]
    assert row.bench_hours > 0
    assert row.return_per_hour == pytest.approx(row.expected_return / row.bench_hours, abs=0.02)
    assert row.return_per_hour > 0
