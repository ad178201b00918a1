"""Lots of a planned blend side by side, against sums done by hand and tables of count limits."""

import math

import pytest

from prospecting.calc.bucket_gold import (
    Gold,
    Result,
    beside_others,
    dominates,
    is_next_to_nothing,
    mass_shares,
)


def gold(*results) -> Gold:
    return Gold([Result(least, most, exposure_g) for least, most, exposure_g in results])


def test_results_of_one_lot_are_taken_together_by_ore():
    found = gold((3.0, 3.0, 500), (0.0, 1.0, 250), (6.0, 6.0, 250))
    assert (found.least, found.most, found.exposure_g) == (9.0, 10.0, 1000.0)
    assert (found.low_per_kg, found.high_per_kg, found.middle_per_kg) == (9.0, 10.0, 9.5)
    assert (found.values_per_kg, found.below) == ([6.0, 24.0], 1)


def test_limits_of_a_count_are_those_of_the_table_per_kg():
    # Garwood 1936, table (from memory): 10 events have the 95 % limits 4.795 and 18.390.
    found = beside_others(gold((10, 10, 2000)), [gold((10, 10, 2000))], grain=1, level=0.95)
    assert (found.limits.low, found.limits.high) == pytest.approx((4.795 / 2, 18.390 / 2), abs=0.001)


def test_the_ratio_is_to_all_the_others_together():
    one = gold((20, 20, 1000))
    apart = beside_others(one, [gold((4, 4, 500)), gold((6, 6, 500))], grain=1, level=0.95)
    together = beside_others(one, [gold((10, 10, 1000))], grain=1, level=0.95)
    assert apart == together
    assert apart.ratio.low < 2 < apart.ratio.high


def test_fewer_grains_of_the_same_gold_tell_less():
    one, other = gold((20.0, 20.0, 1000)), gold((10.0, 10.0, 1000))
    small, large = (beside_others(one, [other], grain=grain, level=0.95) for grain in (0.5, 2.0))
    assert large.ratio.low < small.ratio.low < small.ratio.high < large.ratio.high


def test_what_is_lacking_brings_a_lot_to_twenty_grains():
    # 15 + 25 grains of 0.5 mg in 2 kg: 20 to the kg, so a kg of each is enough, and half a kg lacks half a kg.
    other = gold((12.5, 12.5, 1500))
    found = beside_others(gold((7.5, 7.5, 500)), [other], grain=0.5, level=0.95)
    assert found.lacking_g == pytest.approx(500)
    assert beside_others(other, [gold((7.5, 7.5, 500))], grain=0.5, level=0.95).lacking_g == 0


def test_nothing_found_anywhere_leaves_no_telling_what_is_lacking():
    found = beside_others(gold((0, 0, 500)), [gold((0, 0, 500))], grain=1, level=0.95)
    assert found.lacking_g is None
    assert (found.ratio.low, found.ratio.high) == (0.0, math.inf)


@pytest.mark.parametrize(
    ("others", "grain", "says"),
    [([], 1, "others"), ([gold()], 1, "ore"), ([gold((1, 1, 500))], 0, "grain")],
)
def test_nonsense_is_refused(others, grain, says):
    with pytest.raises(ValueError, match=says):
        beside_others(gold((1, 1, 500)), others, grain=grain, level=0.95)


def test_shares_of_the_mass_add_up():
    assert mass_shares([1.0, 2.0, 5.0]) == [0.125, 0.25, 0.625]
    with pytest.raises(ValueError, match="without any mass"):
        mass_shares([])


def test_a_lot_dominates_only_beyond_its_mass():
    assert dominates(0.5, 0.3)
    assert not dominates(0.49, 0.1)
    assert not dominates(0.8, 0.6)


def test_a_lower_limit_far_below_the_upper_one_says_nothing():
    assert is_next_to_nothing(0.0, 1.0)
    assert not is_next_to_nothing(0.02, 1.0)


@pytest.mark.parametrize(
    ("gold_share", "mass_share", "most"),
    # Our own limits: half of the gold, and half as much again as its mass brings.
    [(0.5, 0.25, True), (0.499, 0.25, False), (0.75, 0.5, True), (0.75, 0.51, False)],
)
def test_a_lot_dominates_from_its_limits_on(gold_share, mass_share, most):
    assert dominates(gold_share, mass_share) is most


@pytest.mark.parametrize(("low", "nothing"), [(0.0, True), (0.0199, True), (0.0201, False)])
def test_a_hundredth_of_the_upper_limit_is_worth_saying(low, nothing):
    assert is_next_to_nothing(low, 2.0) is nothing
