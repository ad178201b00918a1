import random
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc import lineage

mass = st.decimals(min_value="0.00001", max_value="100000000", places=5)


@st.composite
def shares(draw):
    """A lot's shares by dig: 12 decimals, sum exactly 1."""
    digs = draw(st.lists(st.integers(1, 12), min_size=1, max_size=6, unique=True))
    parts = draw(st.lists(st.integers(1, 10**6), min_size=len(digs), max_size=len(digs)))
    return lineage.blend_shares(
        [(Decimal(part), {dig: Decimal(1)}) for dig, part in zip(digs, parts, strict=True)]
    )


parents = st.lists(st.tuples(mass, shares()), min_size=1, max_size=6)


@given(parents)
def test_shares_sum_to_exactly_one_with_twelve_decimals(lots):
    blended = lineage.blend_shares(lots)
    assert sum(blended.values()) == 1
    assert all(0 < share <= 1 and share.as_tuple().exponent == -12 for share in blended.values())


@given(parents, st.integers())
def test_the_order_of_the_parents_is_irrelevant(lots, seed):
    shuffled = list(lots)
    random.Random(seed).shuffle(shuffled)
    assert lineage.blend_shares(shuffled) == lineage.blend_shares(lots)


@given(parents)
def test_no_dig_is_lost_and_none_appears(lots):
    assert set(lineage.blend_shares(lots)) == {dig for _, lot in lots for dig in lot}


@given(parents)
def test_each_share_is_the_mass_of_that_dig_over_all_mass(lots):
    total = sum(mass for mass, _ in lots)
    blended = lineage.blend_shares(lots)
    for dig, share in blended.items():
        of_dig = sum(mass * lot.get(dig, Decimal(0)) for mass, lot in lots)
        assert share == pytest.approx(of_dig / total, abs=Decimal(len(blended)) * lineage.SHARE_STEP)


@given(mass, shares())
def test_a_split_of_one_lot_keeps_its_shares(mass_g, lot):
    assert lineage.blend_shares([(mass_g, lot)]) == lot


def test_thirds_leave_their_rest_with_the_lowest_dig():
    thirds = lineage.blend_shares([(Decimal(1), {dig: Decimal(1)}) for dig in (3, 1, 2)])
    assert thirds == {
        1: Decimal("0.333333333334"),
        2: Decimal("0.333333333333"),
        3: Decimal("0.333333333333"),
    }


def test_a_trace_of_a_dig_stays_on_the_books():
    blended = lineage.blend_shares([(Decimal(10**8), {1: Decimal(1)}), (Decimal("0.00001"), {2: Decimal(1)})])
    assert blended == {1: 1 - lineage.SHARE_STEP, 2: lineage.SHARE_STEP}


@pytest.mark.parametrize(
    ("lots", "says"),
    [
        ([], "at least one parent"),
        ([(Decimal(0), {1: Decimal(1)})], "above zero"),
        ([(Decimal(1), {1: Decimal("0.9")})], "sum to 0.9"),
        ([(Decimal(1), {})], "sum to 0"),
    ],
)
def test_refuses_parents_that_cannot_be(lots, says):
    with pytest.raises(ValueError, match=says):
        lineage.blend_shares(lots)


@given(shares())
def test_shares_by_zone_sum_to_one_too(lot):
    by_zone = lineage.shares_by(lot, lambda dig: dig % 3)
    assert sum(by_zone.values()) == 1
    assert list(by_zone.values()) == sorted(by_zone.values(), reverse=True)


def test_weighted_mean_weighs():
    # Blend of three zones, 12, 5 and 3 kg of 2.4, 11 and 0.35 g/t (fixtures/reference, case c01).
    values = [Decimal("2.4"), Decimal(11), Decimal("0.35")]
    assert lineage.weighted_mean(values, [Decimal(12), Decimal(5), Decimal(3)]) == Decimal("4.2425")


@pytest.mark.parametrize(
    ("values", "weights", "says"),
    [([1.0], [1.0, 2.0], "as many weights"), ([1.0], [-1.0], "negative"), ([1.0], [0.0], "sum to nothing")],
)
def test_refuses_weights_that_weigh_nothing(values, weights, says):
    with pytest.raises(ValueError, match=says):
        lineage.weighted_mean(values, weights)
