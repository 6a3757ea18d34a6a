"""From records to advice: own sales move values, own tries move odds, what is spent moves nothing."""

from datetime import date, timedelta

import pytest

from tests.fake_model import SOUND, FakeModel
from tests.records.bench import entry, machine, seen
from valuer.adviser import Adviser
from valuer.domain.fixes import fixes_for
from valuer.domain.shop import ShopTerms
from valuer.learning import OwnRecords, correction_report, own_sales, tries
from valuer.price_model.mower import MowerModel
from valuer.price_model.own_listings import Heard, Speed
from valuer.records.entries import Book, FixDone, ListingWeek, MachineEntry, Sale

TODAY = date(2026, 6, 1)
TERMS = ShopTerms.model_validate({"month": 5})
MODEL = FakeModel()


def adviser(*entries: MachineEntry, today: date = TODAY) -> Adviser:
    """An adviser with these records."""
    return Adviser(MODEL, OwnRecords(Book(machines=entries), today))


def sold(name: str, price: float, **more: object) -> MachineEntry:
    """A sound machine, taken in and sold."""
    sale = Sale(sold_on=date(2026, 5, 20), price=price, **more)  # type: ignore[arg-type]
    bare = machine(name, faults=[], readings={}, checks={}, looked_over=True)
    return entry(name, machine=bare, sale=sale)


def failed(fix: str = "needle_seat", fault: str = "fuel_leak_carb") -> FixDone:
    """A try that failed."""
    return FixDone(fix=fix, fault=fault, cured=False, done_on=date(2026, 5, 2), parts=4.0, hours=0.8)


def test_without_records_the_advice_is_that_of_the_model_alone() -> None:
    alone, empty = Adviser(MODEL), adviser()
    assert empty.work_lists([machine()], TERMS) == alone.work_lists([machine()], TERMS)
    assert empty.value([machine()], TERMS) == alone.value([machine()], TERMS)


def test_without_records_selling_is_that_of_the_model_alone(mower_model: MowerModel) -> None:
    """The real model, whose ranges are widened before the first sale; nothing of what learns is asked then."""
    alone, empty = Adviser(mower_model), Adviser(mower_model, OwnRecords(Book(), date(2026, 6, 1)))
    assert alone.asking_prices([machine()], TERMS) == empty.asking_prices([machine()], TERMS)
    assert alone.basis == empty.basis


def test_own_sales_move_the_value_and_the_basis_counts_them() -> None:
    dearer = adviser(*[sold(f"s{i}", SOUND * 1.3 + i / 100) for i in range(20)])
    (said,) = dearer.value([machine()], TERMS).valuations
    (alone,) = Adviser(MODEL).value([machine()], TERMS).valuations
    assert said.value.amount > alone.value.amount * 1.1
    assert (said.basis.own_sales, alone.basis.own_sales) == (20, 0)


def test_the_corrected_model_is_kept_for_the_next_question_and_never_given_for_another() -> None:
    own, other = OwnRecords(Book(machines=(sold("s1", SOUND * 1.3),)), TODAY), FakeModel()
    kept = own.corrected(MODEL)
    assert own.corrected(MODEL) is kept
    assert own.corrected(MODEL, 2.0) is not kept
    assert own.corrected(other).model is other  # type: ignore[attr-defined]
    for level in range(3, 40):
        own.corrected(MODEL, float(level))
    assert own.corrected(MODEL).basis == kept.basis


def test_sales_in_other_money_are_held_against_the_model_at_the_price_level() -> None:
    # Twenty own units to the dollar: sales at 20 x 200 agree with the model.
    book = OwnRecords(Book(machines=tuple(sold(f"s{i}", SOUND * 20) for i in range(10))), TODAY)
    terms = ShopTerms.model_validate({"month": 5, "price_level": 20.0})
    bare = machine("x", faults=[], readings={}, checks={}, looked_over=True)
    (said,) = Adviser(MODEL, book).value([bare], terms).valuations
    assert said.value.amount == pytest.approx(SOUND * 20, rel=0.01)


def test_parts_and_scrap_say_nothing_about_machines() -> None:
    entries = (sold("a", 10.0, sold_as="scrap"), sold("b", 40.0, sold_as="for_parts"), sold("c", 80.0))
    assert [sale.machine.id for sale in own_sales(Book(machines=entries), TODAY)] == ["c"]


def test_prices_seen_around_are_learnt_from_as_what_they_are() -> None:
    book = Book(comparables=(seen(), seen(150.0, "sale_seen")))
    assert [(sale.kind, sale.days_ago) for sale in own_sales(book, TODAY)] == [
        ("ask_seen", 22.0),
        ("sale_seen", 22.0),
    ]


def promise_of(adviser: Adviser, name: str = "green-1") -> float | None:
    """What the advice promises of a needle seat on a machine; None where it is of no use there."""
    return adviser.promised(machine(name), TERMS, failed()).promised


def test_t45_after_a_failed_seat_the_same_repair_is_not_advised_again() -> None:
    before, after = promise_of(adviser(entry())), promise_of(adviser(entry(fixes=(failed(),))))
    assert before is not None
    assert after is None or after < before


def test_t45_on_another_machine_one_failure_counts_as_one_of_many() -> None:
    before = promise_of(adviser(), "other")
    after = promise_of(adviser(entry(fixes=(failed(),))), "other")
    assert before is not None
    assert after is not None
    assert after < before


def test_what_was_cured_and_came_back_may_be_tried_again() -> None:
    cured = FixDone(fix="carb_new_generic", fault="fuel_leak_carb", cured=True, done_on=date(2026, 5, 3))
    once = promise_of(adviser(entry(fixes=(failed(),))))
    since = promise_of(adviser(entry(fixes=(failed(), cured))))
    assert since is not None
    assert once is None or since > once


SPENT = [{"paid": 0.0}, {"paid": 25.0}, {"paid": 900.0}, {"hours": 0.0}, {"hours": 300.0}]


@pytest.mark.parametrize("spent", SPENT)
def test_t09_t10_money_and_hours_already_spent_change_no_advice(spent: dict[str, float]) -> None:
    # T09: any amount spent; T10: the purchase price, once the machine is owned. They show in the ledger only.
    others = [sold(f"s{i}", 150.0 + i) for i in range(5)]
    plain = adviser(entry(paid=None, hours=None), *others)
    told = adviser(entry().model_copy(update=spent), *[other.model_copy(update=spent) for other in others])
    asked = [machine()]
    assert told.value(asked, TERMS) == plain.value(asked, TERMS)
    assert told.work_lists(asked, TERMS) == plain.work_lists(asked, TERMS)
    assert told.bench_ranking(asked, TERMS) == plain.bench_ranking(asked, TERMS)


def test_t09_parts_paid_for_a_try_change_no_advice() -> None:
    cheap, dear = failed(), failed().model_copy(update={"parts": 400.0})
    one, other = adviser(entry(fixes=(cheap,))), adviser(entry(fixes=(dear,)))
    assert one.work_lists([machine()], TERMS) == other.work_lists([machine()], TERMS)


def test_the_report_says_so_when_there_is_nothing_to_learn_from() -> None:
    report = correction_report(OwnRecords(Book(), TODAY), MODEL)
    assert report.statement.startswith("No own sales yet, so nothing is corrected.")
    assert (report.terms, report.error_before_percent, report.interval_factor) == ((), None, 1.0)


def test_the_report_tells_what_moved_before_and_after() -> None:
    book = Book(machines=tuple(sold(f"s{i}", SOUND * 1.25 + i / 100) for i in range(20)))
    report = correction_report(OwnRecords(book, TODAY), MODEL)
    # Every sale at 1.25 times the value: the model is off by 1 - 1 / 1.25 = 20 %.
    assert report.error_before_percent == 20.0
    assert report.error_after_percent is not None
    assert report.error_after_percent < 5
    assert report.terms[0].moved_percent > 0
    assert "values now stand" in report.statement


def test_the_report_counts_own_tries() -> None:
    book = Book(machines=(entry(fixes=(failed(), failed())),))
    (fix,) = correction_report(OwnRecords(book, TODAY), MODEL).fixes
    assert (fix.cured, fix.failed) == (0, 2)
    assert fix.odds_after < fix.odds_before
    assert len(tries(book)) == 2


def listed(name: str, weeks: int, *, sold: bool) -> MachineEntry:
    """A sound machine that stood listed at its value, and sold in the last week or still stands."""
    there = tuple(
        ListingWeek(week_of=date(2026, 5, 4) + timedelta(days=7 * k), ask=SOUND) for k in range(weeks)
    )
    left = Sale(sold_on=there[-1].week_of, price=SOUND) if sold else None
    return entry(name, machine=machine(name, faults=[], readings={}, checks={}), weeks=there, sale=left)


def sold_by_week_1(adviser: Adviser) -> float:
    """Chance that a sound machine sells in a week at about its value."""
    bare = machine("x", faults=[], readings={}, checks={}, looked_over=True)
    (said,) = adviser.asking_prices([bare], TERMS).asking_prices
    return next(point.sold_by_week_1 for point in said.curve if point.ask > SOUND * 0.95)


def test_own_weeks_on_offer_shift_the_chance_of_a_sale_and_the_ask() -> None:
    slow = adviser(*[listed(f"u{i}", 5, sold=False) for i in range(8)])
    quick = adviser(*[listed(f"u{i}", 1, sold=True) for i in range(8)])
    assert sold_by_week_1(slow) < sold_by_week_1(adviser()) < sold_by_week_1(quick)


def test_what_a_machine_is_worth_takes_no_look_at_how_own_listings_sell(
    mower_model: MowerModel, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a write every listing is looked at again: only those wait for it who ask about selling."""
    looked: list[int] = []

    def look(*_: object) -> Speed:
        looked.append(1)
        return Speed(moved=0.5, listings=1)

    monkeypatch.setattr(Heard, "speed", look)
    own = OwnRecords(Book(machines=(listed("u1", 5, sold=False),)), TODAY)
    Adviser(mower_model, own).value([machine("x")], TERMS)
    assert looked == []
    Adviser(mower_model, own).asking_prices([machine("x")], TERMS)
    assert looked == [1]


def test_the_report_says_how_far_own_listings_moved_it() -> None:
    book = Book(machines=tuple(listed(f"u{i}", 5, sold=False) for i in range(8)))
    report = correction_report(OwnRecords(book, TODAY), MODEL)
    assert (report.selling.listings, report.selling.sold, report.selling.weeks) == (8, 0, 40)
    assert report.selling.odds_low < report.selling.odds_factor < 0.8
    assert "were listed 8 times, 40 weeks in all, and 0 sold" in report.selling.statement


def test_the_report_says_so_when_nothing_stood_on_offer() -> None:
    report = correction_report(OwnRecords(Book(), TODAY), MODEL)
    assert report.selling.statement == (
        "No own weeks listed yet, so how fast machines sell is as in the model."
    )
    assert report.selling.odds_factor == 1.0


def test_asks_in_other_money_are_held_against_the_price_level() -> None:
    # Twenty own units to the dollar: the same listings at 20 x the ask teach the same.
    plain = OwnRecords(Book(machines=(listed("a", 4, sold=False),)), TODAY)
    dear = [week.model_copy(update={"ask": week.ask * 20}) for week in plain.book.machines[0].weeks]
    other = OwnRecords(
        Book(machines=(plain.book.machines[0].model_copy(update={"weeks": tuple(dear)}),)), TODAY
    )
    assert other.speed(MODEL, 20.0) == plain.speed(MODEL)


def test_own_tries_reach_the_week_the_checks_the_limit_and_the_plan_over_the_hour() -> None:
    # Twelve failures with every fix of a leak at the carburettor: no plan that mends it is worth as much.
    fixes = [fix.id for fix in fixes_for("fuel_leak_carb")]
    often = tuple(failed(fix) for fix in fixes for _ in range(12))
    unlucky, usual = adviser(entry("sold-long-ago", fixes=often)), adviser()
    asked = [machine("x", faults=["fuel_leak_carb:serious"], readings={}, checks={}, looked_over=True)]

    def returns(by: Adviser) -> tuple[float, ...]:
        (limit,) = by.purchase_limits(asked, TERMS).purchase_limits
        (plan,) = by.work_lists(asked, TERMS, hour_values=[5.0]).work_lists
        week = by.bench_plan(asked, TERMS).bench_plan
        return limit.limit, plan.by_hour_value[0].expected_return, week.expected_return

    worse, better = returns(unlucky), returns(usual)
    assert all(one < other - 1.0 for one, other in zip(worse, better, strict=True))
    assert unlucky.work_lists(asked, TERMS) != usual.work_lists(asked, TERMS)


def test_tries_that_failed_count_in_the_ranking_and_the_plan_as_in_the_list() -> None:
    """A leak on which every fix has failed brings nothing more, on the bench as on its own list."""
    fixes = tuple(failed(fix.id) for fix in fixes_for("fuel_leak_carb"))
    on_record, alone = adviser(entry("a", machine=machine("a"), fixes=fixes)), Adviser(MODEL)
    asked = [machine("a", faults=["fuel_leak_carb:serious"], readings={}, looked_over=True)]
    (worth_it,) = alone.bench_ranking(asked, TERMS).bench_ranking.machines
    assert worth_it.expected_return > 3
    assert on_record.work_lists(asked, TERMS).work_lists[0].expected_return < 1
    (ranked,) = on_record.bench_ranking(asked, TERMS).bench_ranking.machines
    assert ranked.expected_return < 1
    planned = on_record.bench_plan(asked, TERMS)
    assert planned.bench_ranking == on_record.bench_ranking(asked, TERMS).bench_ranking
    assert planned.bench_plan.expected_return < 1 < alone.bench_plan(asked, TERMS).bench_plan.expected_return
