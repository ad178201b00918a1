from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc import mass_balance

masses = st.lists(st.decimals(min_value="0.00001", max_value="100000", places=5), min_size=1, max_size=8)


@given(masses, masses)
def test_what_went_in_is_what_came_out_and_the_loss(drawn, made):
    if sum(made) > sum(drawn):
        with pytest.raises(ValueError, match="weighs more than went in"):
            mass_balance.step_loss_g(drawn, made)
    else:
        assert mass_balance.step_loss_g(drawn, made) + sum(made) == sum(drawn)


def test_a_gain_names_by_how_much():
    with pytest.raises(ValueError, match="by 0.5 g"):
        mass_balance.step_loss_g([Decimal("10000")], [Decimal("6000"), Decimal("4000.5")])


def test_refuses_a_negative_mass():
    with pytest.raises(ValueError, match="negative"):
        mass_balance.step_loss_g([Decimal(5)], [Decimal(-1)])


def test_a_draw_fits_what_is_on_hand_to_the_last_grain():
    mass_balance.check_draw_fits(Decimal("10"), Decimal("10"))
    with pytest.raises(ValueError, match="only 10 g is on hand, 0.00001 g less"):
        mass_balance.check_draw_fits(Decimal("10"), Decimal("10.00001"))
    with pytest.raises(ValueError, match=r"10 kg \(22.05 lb\) is on hand, 0.5 kg \(1.1 lb\) less"):
        mass_balance.check_draw_fits(Decimal("10000"), Decimal("10500"))
    with pytest.raises(ValueError, match="more than nothing"):
        mass_balance.check_draw_fits(Decimal("10"), Decimal(0))


@given(
    st.decimals(min_value=0, max_value=10**6, places=2),
    st.decimals(min_value="0.01", max_value=10**4, places=2),
)
def test_equal_portions_leave_less_than_one(on_hand_g, portion_g):
    n = mass_balance.equal_portions(on_hand_g, portion_g)
    assert 0 <= on_hand_g - n * portion_g < portion_g


def test_refuses_portions_of_nothing():
    with pytest.raises(ValueError, match="more than nothing"):
        mass_balance.equal_portions(Decimal(100), Decimal(0))


@pytest.mark.parametrize(
    ("kind", "at_most_g"),
    [("dry", 300), ("crush", 20), ("screen", 20), ("split", 10), ("blend", 10), ("cut", 20)],
)
def test_a_loss_over_the_usual_needs_a_reason(kind, at_most_g):
    # The limits are common practice, no source.
    assert not mass_balance.loss_needs_reason(kind, Decimal(1000), Decimal(at_most_g))
    assert mass_balance.loss_needs_reason(kind, Decimal(1000), Decimal(at_most_g) + Decimal("0.1"))


@pytest.mark.parametrize("kind", ["dig", "recover", "assay", "reweigh", "discard"])
def test_steps_without_a_balance_ask_for_no_reason_here(kind):
    assert not mass_balance.loss_needs_reason(kind, Decimal(1000), Decimal(1000))


def test_refuses_a_kind_of_step_it_does_not_know():
    with pytest.raises(ValueError, match="roast"):
        mass_balance.loss_needs_reason("roast", Decimal(1), Decimal(1))
