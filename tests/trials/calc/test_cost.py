"""Costs: arithmetic done by hand."""

from decimal import Decimal

import pytest

from trials.calc.cost import compare_costs, cost_per_extra_gold, dose_cost


def test_decimals_stay_decimals():
    found = dose_cost(Decimal("12.50"), Decimal(500), Decimal("0.5"), Decimal(9))
    assert found.cost_per_litre_of_water == Decimal("0.0125")
    assert found.cost_per_run == Decimal("0.1125")


@pytest.mark.parametrize(
    ("field", "value"), [("bottle_ml", 0), ("dose_ml_per_l", -1), ("water_per_run_l", 0), ("price", -1)]
)
def test_refuses_what_is_not_there(field, value):
    given = {"price": 5, "bottle_ml": 500, "dose_ml_per_l": 0.4, "water_per_run_l": 9} | {field: value}
    with pytest.raises(ValueError, match=str(value)):
        dose_cost(**given)


def test_break_even_price_makes_both_cost_the_same():
    a = dose_cost(24, 500, 0.1, 10)
    found = compare_costs(a, dose_cost(5, 750, 1.0, 10), 750, 1.0)
    level = dose_cost(found.b_break_even_price, 750, 1.0, 10)
    assert level.cost_per_litre_of_water == pytest.approx(a.cost_per_litre_of_water)
    assert compare_costs(a, a, 500, 0.1).cheaper == "same"
    with pytest.raises(ValueError, match="costs nothing"):
        compare_costs(a, dose_cost(0, 750, 1.0, 10), 750, 1.0)


def test_a_gain_that_may_be_a_loss_has_no_cost_per_mg():
    found = cost_per_extra_gold(0.045, -0.1, -0.5, 0.3)
    assert (found.cost_per_extra_mg, found.may_be_reported, found.cost_per_extra_mg_low) == (
        None,
        False,
        None,
    )
    with pytest.raises(ValueError, match="outside its interval"):
        cost_per_extra_gold(0.045, 2.0, 0.3, 1.5)
