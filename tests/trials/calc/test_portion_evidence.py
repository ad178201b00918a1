"""Figures behind the evenness of a lot, against sums done by hand and published limits."""

import math

import pytest

from trials.calc.chance import GRAIN_MG
from trials.calc.portion_evidence import (
    COLOURS,
    ONE_COLOUR,
    WEIGHTS,
    Grain,
    Portion,
    compare_duplicates,
    confidence_each,
    difference_of_ratio,
    error_each,
    floors,
    grain_of_colours,
    grains_each,
    is_telling,
    measured_rate,
    placed,
    rates_to_rank,
    reach,
    weighing_sd_mg,
)


def portions(*amounts, exposure=400.0, limit=0.1):
    return [
        Portion("", "", exposure, amount, "", limit=limit if amount is None else 0.0) for amount in amounts
    ]


def test_errors_of_all_looks_add_up_to_the_five_per_cent():
    assert [error_each(looks) * looks for looks in (1, 2, 7)] == pytest.approx([0.05] * 3)
    assert confidence_each(1) == 0.95
    with pytest.raises(ValueError, match="0 looks"):
        error_each(0)


def test_a_ratio_is_read_as_a_difference():
    assert difference_of_ratio(1.5) == 0.5
    with pytest.raises(ValueError, match="above 1"):
        difference_of_ratio(1.0)


def test_the_rate_leaves_out_what_was_not_measured():
    assert measured_rate(portions(8.0, None, 4.0)) == pytest.approx(12 / 800)
    with pytest.raises(ValueError, match="No portion was measured"):
        measured_rate(portions(None))


def test_grains_are_those_of_a_portion_of_middling_mass():
    unequal = [*portions(6.0, exposure=200.0), *portions(18.0, exposure=600.0)]
    assert grains_each(unequal, Grain(0.1, 0.5, False, "")) == pytest.approx(24)


def test_the_scale_adds_a_rectangular_law_of_its_step_twice():
    # JCGM 100:2008, 4.3.7: a rectangular law of width d has the variance d^2/12.
    assert weighing_sd_mg([0.6]) ** 2 == pytest.approx(2 * 0.6**2 / 12)
    assert weighing_sd_mg([0.1, 0.3]) ** 2 == pytest.approx((0.01 + 0.09) / 2 / 6)
    assert weighing_sd_mg([0.0, 0.0]) == 0
    with pytest.raises(ValueError, match="No portion was weighed"):
        weighing_sd_mg([])


def test_grains_by_class_add_up_to_what_was_weighed():
    counted = [({"fine": 4, "flour": 10}, 30.0), ({"fine": 2}, None)]
    found = grain_of_colours(counted)
    scale = 30.0 / (4 * GRAIN_MG["fine"] + 10 * GRAIN_MG["flour"])
    assert dict(found.totals) == {"fine": 6, "flour": 10}
    assert [mass for _, mass in found.mix] == pytest.approx(
        [GRAIN_MG["fine"] * scale, GRAIN_MG["flour"] * scale]
    )
    assert found.low_mg < found.high_mg


def test_grains_that_were_never_weighed_have_the_masses_of_the_rule():
    found = grain_of_colours([({"fine": 4, "coarse": 0}, None)])
    assert found.mix == ((4, GRAIN_MG["fine"]),)
    assert grain_of_colours([({"fine": 0}, 1.0)]) is None
    assert grain_of_colours([]) is None


def test_what_is_below_a_limit_ties_at_the_highest_of_the_limits():
    mixed = [*portions(2.0, None, 0.01, exposure=10.0), *portions(None, exposure=5.0)]
    assert rates_to_rank(mixed) == pytest.approx([0.2, 0.02, 0.02, 0.02])


def test_a_lot_is_called_uniform_only_where_twice_what_matters_would_have_shown():
    assert is_telling(0.5, 0.25)
    assert not is_telling(0.51, 0.25)


def test_bands_of_colours_are_those_of_a_count():
    # Poisson of mean 20 (tables, from memory):
    # P(X <= 11) = 0.0214, P(X <= 12) = 0.0390, P(X <= 28) = 0.9657, P(X <= 29) = 0.9782.
    [found] = placed(COLOURS, portions(30.0), [20.0], ONE_COLOUR)
    assert (found.times, found.low, found.high) == (1.5, 12 / 20, 29 / 20)


def test_bands_of_weights_widen_with_the_scale_and_the_assay():
    def width(**sds):
        [found] = placed(WEIGHTS, portions(10.0), [10.0], Grain(0.2, 0.4, True, ""), **sds)
        return found.high - found.low

    assert width() < width(reading_sd=1.0) < width(reading_sd=1.0, relative_sd=0.2)


def test_what_is_below_a_limit_is_drawn_at_its_limit():
    [found] = placed(WEIGHTS, portions(None, limit=0.5), [2.0], Grain(0.2, 0.4, True, ""))
    assert found.times == 0.25


def test_below_a_limit_lies_between_what_was_expected_and_nothing():
    held = floors(WEIGHTS, portions(8.0, None, 8.0, limit=5.0), Grain(0.4, 0.4, True, ""), 0.25, 0.95)
    assert held.expected == pytest.approx([7.0] * 3)
    assert held.most.relative_sd > held.least.relative_sd
    assert held.grains == pytest.approx(7.0 / 0.4)


def test_a_grain_that_was_only_typed_makes_the_limits_wider():
    weighed = portions(8.0, 9.5, 7.0, 8.5)
    counted, typed = (
        floors(WEIGHTS, weighed, Grain(0.4, 0.4, is_counted, ""), 0.25, 0.95) for is_counted in (True, False)
    )
    assert typed.most.beyond_high > counted.most.beyond_high
    assert typed.least.visible > counted.least.visible


def test_without_counted_classes_the_law_of_the_test_says_what_would_have_shown():
    grain = Grain(0.4, 0.4, True, "")
    test = floors(WEIGHTS, portions(8.0, 9.5, 7.0, 8.5), grain, 0.25, 0.95).least
    found = reach(test, grain, 0.0)
    assert (found.visible, found.portions) == (test.visible, test.portions_that_would_tell)


def test_a_few_heavy_grains_hide_more_than_the_law_says():
    mix = ((40.0, 0.1), (2.0, 4.0))
    grain = Grain(2.7, 2.7, True, "", mix)
    test = floors(WEIGHTS, portions(12.0, 14.0, 10.0, 12.0, 13.0, 11.0), grain, 0.25, 0.95).least
    assert reach(test, grain, 0.0).visible > test.visible


def test_duplicates_may_differ_by_what_matters_and_what_counting_gives():
    pairs = list(
        zip(portions(1.0, 1.2, 0.9, exposure=30.0), portions(1.1, 1.1, 1.0, exposure=30.0), strict=True)
    )
    found = compare_duplicates(pairs, 0.4, 0.3, 0.95)
    assert found.allowed == pytest.approx(0.5)
    assert math.fsum(sum(found.multiples, ())) == pytest.approx(6)
    # s_an^2 = sum D^2 / 2m over the mean 1.05: sqrt(0.03 / 6) / 1.05.
    assert found.test.assay_sd == pytest.approx(math.sqrt(0.03 / 6) / 1.05)
    assert compare_duplicates(pairs, None, 0.3, 0.95).allowed == 0.3


def test_duplicates_alike_to_the_last_digit_have_no_test():
    pairs = list(zip(portions(1.0, 1.2), portions(1.0, 1.2), strict=True))
    assert compare_duplicates(pairs, None, 0.3, 0.95).test is None
    barren = list(zip(portions(0.0, 0.0), portions(0.0, 0.0), strict=True))
    with pytest.raises(ValueError, match="without any gold"):
        compare_duplicates(barren, None, 0.3, 0.95)


def test_how_many_portions_of_alike_grains_would_tell_is_reckoned_by_simulation():
    grain = Grain(0.4, 0.4, True, "", ((30.0, 0.4),))
    test = floors(WEIGHTS, portions(12.0, 14.0, 10.0, 12.0, 13.0, 11.0), grain, 0.4, 0.95).least
    found = reach(test, grain, 0.0)
    # The grain is reckoned from what each lot shows: it takes more than where it is known.
    assert found.portions > test.portions_that_would_tell


def test_more_portions_than_anybody_would_pan_are_not_simulated():
    grain = Grain(0.4, 0.4, True, "", ((30.0, 0.4),))
    test = floors(WEIGHTS, portions(12.0, 14.0, 10.0, 12.0, 13.0, 11.0), grain, 0.05, 0.95).least
    assert test.portions_that_would_tell is None or test.portions_that_would_tell > 100
    assert reach(test, grain, 0.0).portions == test.portions_that_would_tell
