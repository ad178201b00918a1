"""Counts: laws and edges; published figures are among the reference cases."""

import math

import pytest

from trials.calc.counts import (
    compare_two_counts,
    count_interval,
    dispersion,
    fit_counts,
    fit_negative_binomial,
    least_dispersion,
)


def test_no_colour_still_allows_a_few():
    # -ln(0.025) = 3.689 (exact upper limit of a zero count).
    found = count_interval(0)
    assert (found.rate, found.lower) == (0, 0)
    assert found.upper == pytest.approx(-math.log(0.025))


@pytest.mark.parametrize("df", [1, 2, 9, 45])
def test_chance_alone_scatters_less_than_the_least_in_one_trial_of_ten(df):
    from scipy.stats import chi2

    assert chi2.cdf(df * least_dispersion(df), df) == pytest.approx(0.1)


def test_no_scatter_without_a_degree_of_freedom():
    with pytest.raises(ValueError, match="0 degrees of freedom"):
        least_dispersion(0)


def test_exposure_divides_the_interval():
    assert count_interval(12, exposure=4).upper == pytest.approx(count_interval(12).upper / 4)


def test_swapping_the_counts_inverts_the_ratio():
    one, other = compare_two_counts(18, 7, 2, 1), compare_two_counts(7, 18, 1, 2)
    assert one.rate_ratio == pytest.approx(1 / other.rate_ratio)
    assert one.ratio_lower == pytest.approx(1 / other.ratio_upper)
    assert one.p_greater == pytest.approx(other.p_less)


def test_a_second_count_of_zero_has_no_ratio_but_a_limit():
    found = compare_two_counts(5, 0)
    assert (found.rate_ratio, found.ratio_upper) == (None, None)
    assert found.ratio_lower > 0
    nothing = compare_two_counts(0, 0)
    assert (nothing.ratio_lower, nothing.ratio_upper, nothing.p_doubled_tail) == (0, None, 1)


def test_no_colours_have_no_index():
    assert dispersion([0, 0, 0]).index is None
    with pytest.raises(ValueError, match="at least 2"):
        dispersion([4])


def test_fit_repeats_the_margins():
    # A log-linear fit of a full table gives back row x column / total (textbook law of independence).
    found = fit_counts([2, 8, 4, 10], ["a", "b", "a", "b"], [1, 1, 2, 2])
    assert found.expected.tolist() == pytest.approx([6 * 10 / 24, 18 * 10 / 24, 6 * 14 / 24, 18 * 14 / 24])


def test_refuses_a_fit_that_runs_off():
    with pytest.raises(ValueError, match="cannot be fitted"):
        fit_counts([0, 5, 0, 6], ["a", "b", "a", "b"], [1, 1, 2, 2])


def test_plain_chance_has_no_clumping_to_fit():
    with pytest.raises(ValueError, match="no more than chance"):
        fit_negative_binomial({"a": {5: 20}})


@pytest.mark.parametrize(
    "call", [lambda: count_interval(-1), lambda: compare_two_counts(1.5, 2), lambda: dispersion([1, -2])]
)
def test_counts_are_whole_numbers(call):
    with pytest.raises(ValueError, match="whole number"):
        call()


def test_exposures_are_above_nothing():
    with pytest.raises(ValueError, match="above 0"):
        compare_two_counts(1, 2, 0, 1)
