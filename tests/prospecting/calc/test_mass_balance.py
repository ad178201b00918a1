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


@given(masses, masses)
def test_what_is_left_and_what_was_drawn_make_the_mass(held, drawn):
    mass_g = mass_balance.total_mass_g(held)
    assert mass_balance.mass_left_g(mass_g, drawn) + mass_balance.total_mass_g(drawn) == mass_g


@pytest.mark.parametrize(
    ("on_hand_g", "left_g", "short_g"),
    [("10800", "0", None), ("10799", "-1", "1"), ("12000", "1200", None)],
)
def test_portions_are_set_against_what_is_on_hand(on_hand_g, left_g, short_g):
    need = mass_balance.portions_need(Decimal(on_hand_g), 12, Decimal("900"))
    assert (need.needed_g, need.left_g) == (Decimal("10800"), Decimal(left_g))
    assert need.short_g == (None if short_g is None else Decimal(short_g))


def test_the_usual_mass_is_not_moved_by_one_odd_weight():
    assert mass_balance.usual_mass_g([Decimal(9000), Decimal(9100), Decimal(900)]) == 9000
    assert mass_balance.usual_mass_g([Decimal(9000), Decimal(9100)]) == 9050


@given(
    st.decimals(min_value="1", max_value=10**5, places=2), st.decimals(min_value="0", max_value="1", places=3)
)
def test_a_lost_share_lies_between_nothing_and_all(drawn_g, share):
    assert 0 <= mass_balance.loss_share(drawn_g * share, drawn_g) <= 1


def test_no_share_is_lost_of_nothing():
    assert mass_balance.loss_share(Decimal(0), Decimal(0)) is None


def test_portions_on_the_edges_of_the_band_weigh_alike_with_the_planned_one():
    low_g, high_g = mass_balance.equal_band_g(Decimal(900))
    planned_g = Decimal(900)
    assert mass_balance.weigh_alike([planned_g, high_g])
    assert not mass_balance.weigh_alike([low_g, high_g])


@pytest.mark.parametrize(
    "call",
    [
        lambda: mass_balance.portions_need(Decimal(1), -1, Decimal(1)),
        lambda: mass_balance.portions_need(Decimal(1), 1, Decimal(0)),
        lambda: mass_balance.equal_band_g(Decimal(0)),
        lambda: mass_balance.weigh_alike([]),
        lambda: mass_balance.mean_mass_g([]),
        lambda: mass_balance.usual_mass_g([]),
        lambda: mass_balance.loss_share(Decimal(-1), Decimal(1)),
    ],
)
def test_refuses_masses_that_cannot_be(call):
    with pytest.raises(ValueError):
        call()


@pytest.mark.parametrize(("tails", "is_more"), [("900", False), ("909", False), ("909.1", True)])
def test_products_outweigh_their_feed_beyond_a_reading_error(tails, is_more):
    assert mass_balance.outweigh_feed(Decimal(910), [Decimal("10.1"), Decimal(tails)]) is is_more


def test_nothing_asked_for_or_lost_is_no_mistake():
    assert mass_balance.portions_need(Decimal(900), 0, Decimal(900)).needed_g == 0
    assert mass_balance.loss_share(Decimal(0), Decimal(10)) == 0
    # Nothing came out of one of two pans: all of it is lost.
    assert mass_balance.step_loss_g([Decimal(100), Decimal(0)], [Decimal(0)]) == 100
