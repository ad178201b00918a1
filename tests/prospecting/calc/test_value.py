"""Money for weighed gold: exact, dated, with its currency, and silent about the ground."""

import datetime
from decimal import Decimal

import pytest

from prospecting.calc.value import GoldPrice, value_of_gold

DAY = datetime.date(2026, 5, 3)
PRICE = GoldPrice(Decimal("3000"), "CAD", "ozt", DAY)


def test_one_fine_troy_ounce_is_worth_the_price():
    # A troy ounce is 31.1034768 g (NIST SP 811, appendix B).
    assert value_of_gold(Decimal("31103.4768"), Decimal(1), PRICE).amount == 3000


def test_fineness_counts():
    # 840 fine is 0.840 of gold by mass.
    found = value_of_gold(Decimal("31103.4768"), Decimal("0.840"), PRICE)
    assert found.amount == 2520
    assert found.fine_gold_mg == Decimal("31103.4768") * Decimal("0.84")


@pytest.mark.parametrize(
    ("amount", "per"),
    # Exact factors: 480 grains and 20 pennyweight to the troy ounce (NIST HB 44), 31.1034768 g to it (NIST SP 811).
    [("3000", "ozt"), ("6.25", "grain"), ("150", "dwt")],
)
def test_the_price_s_unit_is_converted_exactly(amount, per):
    price = GoldPrice(Decimal(amount), "CAD", per, DAY)
    assert value_of_gold(Decimal("31103.4768"), Decimal(1), price).rounded == Decimal("3000.00")
    assert value_of_gold(Decimal(1000), Decimal(1), GoldPrice(Decimal(90), "CAD", "g", DAY)).amount == 90
    assert value_of_gold(Decimal(1000), Decimal(1), GoldPrice(Decimal(90000), "CAD", "kg", DAY)).amount == 90


def test_date_and_currency_travel_with_the_money():
    found = value_of_gold(Decimal("54.4"), Decimal("0.85"), PRICE)
    assert (found.price.on, found.price.currency) == (DAY, "CAD")
    # 54.4 mg x 0.85 = 46.24 mg; over 31,103.4768 mg, times 3,000: 4.45995...
    assert found.rounded == Decimal("4.46")
    assert "CAD 4.46 at CAD 3000 per troy oz on 2026-05-03" in found.sentence
    assert "850 fine" in found.sentence
    assert "no value of the ground" in found.sentence


def test_little_gold_is_not_worth_nothing():
    assert "under CAD 0.01" in value_of_gold(Decimal("0.01"), Decimal("0.85"), PRICE).sentence
    assert "CAD 0 at" in value_of_gold(Decimal(0), Decimal("0.85"), PRICE).sentence


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"on": None}, "give its date"),
        ({"on": "2026-05-03"}, "give its date"),
        ({"on": datetime.datetime(2026, 5, 3, 12, tzinfo=datetime.UTC)}, "give its date"),
        ({"amount": 3000.0}, "Decimal"),
        ({"amount": Decimal(0)}, "above zero"),
        ({"amount": Decimal("nan")}, "above zero"),
        ({"per": "oz"}, "not per 'oz'"),
        ({"currency": "$"}, "three capital letters"),
        ({"currency": ""}, "three capital letters"),
    ],
)
def test_refuses_a_price_that_is_not_whole(changed, says):
    whole = {"amount": Decimal(3000), "currency": "CAD", "per": "ozt", "on": DAY}
    with pytest.raises(ValueError, match=says):
        GoldPrice(**whole | changed)


@pytest.mark.parametrize(
    ("gold_mg", "fineness", "says"),
    [
        (Decimal(-1), Decimal("0.85"), "less than nothing"),
        (Decimal(1), Decimal(850), "fraction"),
        (Decimal(1), Decimal(0), "fraction"),
        (1.5, Decimal("0.85"), "gold_mg"),
        (Decimal(1), 0.85, "fineness"),
        (Decimal("nan"), Decimal("0.85"), "gold_mg"),
    ],
)
def test_refuses_gold_that_cannot_be(gold_mg, fineness, says):
    with pytest.raises(ValueError, match=says):
        value_of_gold(gold_mg, fineness, PRICE)
