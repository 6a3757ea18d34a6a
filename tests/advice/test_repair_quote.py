"""An owner's quote."""

import pytest

from tests.advice.fake import FakeModel
from tests.advice.make import machine, terms
from valuer.advice.deal.repair_quote import Quote, quote_repairs
from valuer.advice.worth.documents import Document

LEAKS = machine("oil_leak_sump:serious", "fuel_leak_carb:serious", age_years=6.0)


def test_a_shops_bill_for_an_oil_and_a_fuel_leak() -> None:
    """Parts of 80 and three hours at 60 come to 260 (common practice, no source)."""
    assert Quote(parts=80.0, hours=3.0, rate=60.0).bill(terms()) == 260


def test_without_a_rate_the_terms_rate_counts() -> None:
    """60 an hour (common practice, no source; a trade survey of 2012 found at least 60 in 2010)."""
    assert Quote(parts=80.0, hours=3.0).bill(terms(shop_rate=60.0)) == 260


def test_the_three_ways_side_by_side_by_hand() -> None:
    """Worth 43.89 as it stands (35 % and 70 % rules: 190 x .5 x (1 - .85 x .4) x .7), 190 repaired, new 480.

    Repair: 260 out, worth 190, 113.89 worse than selling, three years at 101.30. Replace: 436.11 out, nine
    years at 53.33 each.
    """
    found = quote_repairs(
        [LEAKS], [Quote(parts=80.0, hours=3.0, rate=60.0, new_price=480.0)], FakeModel(), terms()
    )
    repair, sell, replace = found[0].options
    assert found[0].value.amount == 43.89
    assert (repair.pays, repair.worth_after, repair.better_off) == (260, 190, -113.89)
    assert repair.cost_per_year == pytest.approx((260 + 43.89) / 3, abs=0.01)
    assert (sell.pays, sell.better_off, sell.cost_per_year) == (-43.89, 0, None)
    assert (replace.pays, replace.cost_per_year) == (436.11, 53.33)
    assert found[0].advised == "replace"
    assert "above half" in found[0].reason


def test_a_fee_already_paid_is_out_of_the_decision() -> None:
    """The fee is gone once paid: still to pay is the rest, and the shares of the bill are as before."""
    paid, open_fee = (
        quote_repairs(
            [LEAKS],
            [Quote(parts=40.0, hours=1.0, rate=60.0, diagnosis_fee=50.0, fee_paid=done, new_price=480.0)],
            FakeModel(),
            terms(),
        )[0]
        for done in (True, False)
    )
    assert (paid.bill, open_fee.bill) == (150, 150)
    assert (paid.still_to_pay, open_fee.still_to_pay) == (100, 150)
    assert open_fee.options[0].pays - paid.options[0].pays == 50


def test_a_cheap_repair_of_a_young_machine_is_advised() -> None:
    """A seal for 60 on a machine two years old: seven more years for little."""
    young = machine("oil_leak_seal:serious", age_years=2.0)
    found = quote_repairs(
        [young], [Quote(parts=10.0, hours=0.8, rate=60.0, new_price=480.0)], FakeModel(), terms()
    )
    assert found[0].advised == "repair"


def test_without_the_price_of_a_new_one_two_ways_are_compared() -> None:
    """And the answer asks for it when repairing does not pay by itself."""
    found = quote_repairs([LEAKS], [Quote(parts=80.0, hours=3.0, rate=60.0)], FakeModel(), terms())[0]
    assert [option.option for option in found.options] == ["repair", "sell as it stands"]
    assert found.share_of_new is None
    assert found.advised == "sell as it stands"
    assert "price of a new one" in found.reason


def test_a_quote_for_one_of_two_faults_leaves_the_other() -> None:
    """Curing the fuel leak only: 190 x .6 = 114 with the sump still leaking."""
    some = Quote(parts=25.0, hours=0.7, rate=60.0, cures=("fuel_leak_carb",))
    assert quote_repairs([LEAKS], [some], FakeModel(), terms())[0].value_after == 114


def test_a_quote_for_a_fault_that_is_not_there_is_refused() -> None:
    """One line: what was expected, what came, what is near."""
    wrong = Quote(parts=1.0, hours=1.0, cures=("oil_leak_seal",))
    with pytest.raises(ValueError, match=r"fault that the quote cures.*oil_leak_seal"):
        quote_repairs([LEAKS], [wrong], FakeModel(), terms())


def test_money_is_in_cents_at_the_door() -> None:
    """A third of a cent is gone, and no sum is a negative nought."""
    found: Document = quote_repairs([LEAKS], [Quote(parts=1 / 3, hours=0.0)], FakeModel(), terms())[0]
    assert '"bill":0.33' in found.model_dump_json()
    assert "-0.0," not in found.model_dump_json()


def test_money_in_a_great_unit_changes_no_share() -> None:
    """A machine worth a fifth of one is billed a tenth of one for it: what is half stays half."""
    one, thousand = (
        quote_repairs(
            [machine("dirty:slight")],
            [Quote(parts=95.0 * level, hours=0.0)],
            FakeModel(),
            terms(price_level=level),
        )[0].share_of_value
        for level in (1.0, 0.001)
    )
    assert one == thousand == 0.5  # 95 of the 190 that it is worth clean
