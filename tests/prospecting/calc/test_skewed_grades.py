import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from prospecting.calc import skewed_grades

RAGS = [10, 13, 20, 36, 41, 59, 67, 110, 110, 136, 140, 160, 200, 230, 1300]
grades = st.lists(st.floats(0.01, 100), min_size=3, max_size=25).filter(lambda values: np.ptp(values) > 0.01)


def finney(variance, n):
    """Finney's series (1941), term by term: 1 + (n-1)x/n + (n-1)^3 x^2/(n^2 (n+1) 2!) + ..., x = s^2/2."""
    x, total, term, k = variance / 2, 1.0, 1.0, 0
    while term > total * 1e-17:
        k += 1
        term *= (n - 1) ** 2 * x / (n * k * (n - 1 + 2 * (k - 1)))
        total += term
    return total


@given(grades)
def test_sichels_t_is_finneys_series(values):
    found = skewed_grades.lognormal_mean(values)
    assert found.sichel_factor == pytest.approx(finney(found.log_variance, len(values)), rel=1e-10)
    # Referee for the geometric mean: the standard library.
    assert found.geometric_mean == pytest.approx(statistics.geometric_mean(values))


@given(grades, st.floats(0.001, 1000))
def test_estimates_follow_the_unit(values, unit):
    one = skewed_grades.lognormal_mean(values)
    other = skewed_grades.lognormal_mean([unit * value for value in values])
    assert other.mean == pytest.approx(unit * one.mean, rel=1e-8)
    assert other.top_value_share == pytest.approx(one.top_value_share)
    assert one.geometric_mean < one.mean < one.plug_in_mean


def test_sichels_t_is_right_on_average_and_steadier_than_the_plain_mean():
    rng = np.random.default_rng(1)
    truth = math.exp(1.2**2 / 2)
    found = [skewed_grades.lognormal_mean(rng.lognormal(0, 1.2, 8)) for _ in range(6000)]
    means = np.array([[entry.mean, entry.arithmetic_mean] for entry in found])
    standard_error = means.std(axis=0) / math.sqrt(len(means))
    assert abs(means[:, 0].mean() - truth) < 4 * standard_error[0]
    assert standard_error[0] < standard_error[1]


def with_log_sd(n, sd):
    logs = stats.norm.ppf((np.arange(1, n + 1) - 0.5) / n)
    return np.exp((logs - logs.mean()) / logs.std(ddof=1) * sd)


@pytest.mark.parametrize(
    ("sd", "upper"),
    [
        (0.10, (2.750, 2.035, 1.886, 1.802, 1.749, 1.722, 1.701, 1.684, 1.670)),
        (1.00, (13.05, 4.905, 3.698, 3.103, 2.744, 2.564, 2.423, 2.306, 2.205)),
    ],
)
def test_upper_factors_are_those_of_the_published_table(sd, upper):
    # Gilbert (1987), table A12 after Land (1975); values from memory.
    sizes = (3, 5, 7, 10, 15, 21, 31, 51, 101)
    found = [skewed_grades.land_limit(with_log_sd(n, sd)).h_factor for n in sizes]
    assert found == pytest.approx(upper, abs=0.0021, rel=4e-4)


def test_lower_factors_are_those_of_the_published_table():
    # Gilbert (1987), table A13 after Land (1975), log sd 0.10; values from memory.
    table = {3: -2.130, 5: -1.806, 7: -1.731, 10: -1.690, 15: -1.666, 21: -1.655, 51: -1.644, 101: -1.642}
    found = {n: skewed_grades.land_limit(with_log_sd(n, 0.1), side="lower").h_factor for n in table}
    assert found == pytest.approx(table, abs=0.0006)


def test_lands_limits_hold_the_truth_as_often_as_they_say():
    rng = np.random.default_rng(2)
    truth = math.exp(1.0**2 / 2)
    below = above = 0
    for _ in range(600):
        values = rng.lognormal(0, 1.0, 6)
        below += skewed_grades.land_limit(values).limit >= truth
        above += skewed_grades.land_limit(values, side="lower").limit <= truth
    assert 0.925 < below / 600 < 0.975 and 0.925 < above / 600 < 0.975


@given(grades, st.floats(0.6, 0.9))
def test_lands_limit_rises_with_confidence_and_lies_beyond_the_lower_one(values, level):
    upper, surer = (skewed_grades.land_limit(values, at).limit for at in (level, 0.95))
    assert skewed_grades.land_limit(values, level, side="lower").limit < upper < surer


def test_lands_limit_of_grades_that_hardly_vary_is_students():
    values = [100 + value for value in (0.1, -0.2, 0.05, 0.3, -0.15, 0.0)]
    assert skewed_grades.land_limit(values).limit == pytest.approx(
        skewed_grades.student_upper_limit(values), rel=1e-5
    )


def test_students_limit_agrees_with_scipy():
    referee = stats.ttest_1samp(RAGS, 0).confidence_interval(0.90).high
    assert skewed_grades.student_upper_limit(RAGS) == pytest.approx(referee)


def test_lands_limit_of_wild_grades_is_infinite_rather_than_wrong():
    assert skewed_grades.land_limit([1e-9, 1.0, 1e9]).limit == math.inf


def test_bootstrap_is_the_same_for_the_same_seed_and_lies_about_the_mean():
    one, other = (
        skewed_grades.bootstrap_mean(RAGS, np.random.default_rng(3), resamples=2000) for _ in range(2)
    )
    assert one == other
    assert one.percentile.low < one.mean < one.percentile.high < one.bca.high
    # The percentiles by hand, from the same draws in another way.
    draws = np.random.default_rng(4).choice(RAGS, (20_000, len(RAGS))).mean(axis=1)
    large = skewed_grades.bootstrap_mean(RAGS, np.random.default_rng(5))
    assert (large.percentile.low, large.percentile.high) == pytest.approx(
        tuple(np.quantile(draws, [0.025, 0.975])), rel=0.03
    )


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: skewed_grades.lognormal_mean([1.0, 0.0]), "0 as a value of values in place 2"),
        (lambda: skewed_grades.lognormal_mean([1.0]), "at least 2"),
        (lambda: skewed_grades.lognormal_mean([1.0, math.nan]), "finite"),
        (lambda: skewed_grades.land_limit([1.0, 1.0, 1.0]), "spread is not known"),
        (lambda: skewed_grades.land_limit([1.0, 2.0, 3.0], 95), "confidence level"),
        (lambda: skewed_grades.land_limit([1.0, 2.0, 3.0], side="both"), "both"),
        (lambda: skewed_grades.student_upper_limit([1.0, 2.0], 0), "confidence level"),
        (lambda: skewed_grades.bootstrap_mean([2.0] * 5, np.random.default_rng(1)), "spread is not known"),
        (
            lambda: skewed_grades.bootstrap_mean([1.0, 2, 3], np.random.default_rng(1), resamples=10),
            "1000 resamples",
        ),
    ],
)
def test_refuses_grades_without_an_answer(make, says):
    with pytest.raises(ValueError, match=says):
        make()
