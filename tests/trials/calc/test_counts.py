"""Counts: laws and edges; published figures are among the reference cases."""

import math

import pytest

from trials.calc.counts import (
    compare_two_counts,
    count_interval,
    dispersion,
    fit_counts,
    fit_masses,
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


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: count_interval(3, 0.0), "exposure 0.0"),
        (lambda: count_interval(3, -1.0), "exposure -1.0"),
        (lambda: count_interval(3, math.inf), "exposure inf"),
        (lambda: fit_masses([1.0, -0.1, 2.0], ["a", "b", "a"], [1, 1, 2]), "-0.1 mg"),
        (lambda: fit_masses([1.0, math.inf, 2.0], ["a", "b", "a"], [1, 1, 2]), "inf mg"),
    ],
)
def test_refuses_what_has_no_interval_and_no_fit(call, said):
    with pytest.raises(ValueError, match=said):
        call()


def test_a_group_without_a_single_colour_says_nothing_of_clumping():
    clumped = {"rinse": {0: 9, 1: 3, 2: 2, 7: 2, 11: 1}}
    alone, beside = fit_negative_binomial(clumped), fit_negative_binomial(clumped | {"bare": {0: 12}})
    assert beside.means["bare"] == 0
    assert beside.size == pytest.approx(alone.size)
    assert beside.log_likelihood == pytest.approx(alone.log_likelihood)


@pytest.mark.parametrize("exposure", [0.0, -1.0, math.inf, math.nan])
def test_runs_without_exposure_or_without_end_have_no_rate_to_compare(exposure):
    for exposures in ((exposure, 1.0), (1.0, exposure)):
        with pytest.raises(ValueError, match="above 0"):
            compare_two_counts(3, 4, *exposures)


@pytest.mark.parametrize(
    ("count", "low", "high"),
    # Exact 95 % limits of a Poisson count, printed tables (Garwood 1936; from memory).
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (2, 0.2422, 7.225), (10, 4.795, 18.390)],
)
def test_limits_of_a_count_are_those_of_the_tables(count, low, high):
    found = count_interval(count, exposure=4.0)
    assert (4 * found.lower, 4 * found.upper) == pytest.approx((low, high), abs=6e-4)
    assert found.rate == count / 4


def test_no_colours_on_a_side_leave_its_end_open():
    none_above = compare_two_counts(0, 4, 1.0, 2.0)
    # Clopper and Pearson by hand: none of 4 is a share of at most 1 - 0.025^(1/4); odds 1.515, times 2 for the exposures.
    assert (none_above.ratio_lower, none_above.rate_ratio) == (0.0, 0.0)
    assert none_above.ratio_upper == pytest.approx(2 * (0.025**-0.25 - 1))
    none_below = compare_two_counts(4, 0, 1.0, 2.0)
    assert (none_below.ratio_upper, none_below.rate_ratio) == (None, None)
    assert none_below.ratio_lower == pytest.approx(2 / (0.025**-0.25 - 1))
    # All of them or fewer is certain, and so is none or more.
    assert (none_below.p_less, none_above.p_greater) == (1.0, 1.0)
    neither = compare_two_counts(0, 0)
    assert (neither.ratio_lower, neither.ratio_upper, neither.p_doubled_tail) == (0.0, None, 1.0)


def test_both_tails_of_equal_counts_are_all_there_is():
    # By hand: 1 and 1 of 2 is the middle of the binomial law, so as little likely are all outcomes: level 1.
    assert compare_two_counts(1, 1).p_small_likelihoods == pytest.approx(1.0)
    # 0 and 2: 1/4 at either end.
    assert compare_two_counts(0, 2).p_small_likelihoods == pytest.approx(0.5)
    assert compare_two_counts(0, 2).p_doubled_tail == pytest.approx(0.5)


def test_scatter_needs_two_runs():
    assert dispersion([3, 5]).df == 1
    with pytest.raises(ValueError, match="1 run: scatter needs at least 2"):
        dispersion([3])


@pytest.mark.parametrize("counts", [[-1, 2], [1.5, 2]])
def test_a_count_is_a_whole_number_from_nothing_up(counts):
    with pytest.raises(ValueError, match="whole number, 0 or more"):
        dispersion(counts)


def test_one_run_over_is_enough_for_a_fit_and_none_is_not():
    # Three runs of two treatments leave one degree of freedom, two leave none.
    assert fit_counts([3, 5, 8], ["a", "a", "b"]).df == 1
    with pytest.raises(ValueError, match="0 degrees of freedom"):
        fit_counts([3, 8], ["a", "b"])


def test_a_mass_of_nothing_is_fitted_as_it_is():
    # Without blocks the fit of a treatment is its mean.
    assert fit_masses([0.0, 2.0, 3.0], ["a", "a", "b"]).expected.round(6).tolist() == [1.0, 1.0, 3.0]
