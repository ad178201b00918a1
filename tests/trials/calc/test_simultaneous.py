"""Critical values and levels of the largest |t|, against printed tables and a second library."""

import math

import numpy as np
import pytest
from scipy.stats import chi2, multivariate_t, t

from trials.calc.simultaneous import (
    adjusted_p,
    chance_all_within,
    chi_nodes,
    chi_nodes_below,
    critical_t,
    critical_t_balanced,
    equal_correlation,
    find_root,
    loadings,
)


# Dunnett's two-sided 5 % table (1964), as printed in textbooks; figures from memory, two decimals.
@pytest.mark.parametrize(
    ("compared", "df", "printed"),
    [(1, 10, 2.23), (2, 10, 2.57), (3, 10, 2.76), (2, 20, 2.38), (4, 20, 2.65), (9, 60, 2.77)],
)
def test_critical_value_agrees_with_the_printed_table(compared, df, printed):
    assert critical_t_balanced(compared, df) == pytest.approx(printed, abs=0.011)


def test_one_comparison_is_student():
    assert critical_t_balanced(1, 7) == pytest.approx(t.ppf(0.975, 7), rel=1e-12)
    assert adjusted_p(2.1, equal_correlation(1), 7) == pytest.approx(2 * t.sf(2.1, 7), rel=1e-12)


def test_uncorrelated_with_known_spread_is_sidak():
    # Independent comparisons: the chance is a plain product (Sidak 1967).
    limit = critical_t(np.eye(3), math.inf)
    assert chance_all_within(limit, np.eye(3), math.inf) == pytest.approx(0.95, abs=1e-9)
    one = 1 - 2 * t.sf(limit, 1e9)
    assert one**3 == pytest.approx(0.95, abs=1e-6)


@pytest.mark.parametrize("df", [1, 2, 5, 30, 1000, math.inf])
def test_spread_nodes_average_to_one(df):
    s, weight = chi_nodes(df)
    assert weight.sum() == pytest.approx(1, abs=1e-9)
    assert weight @ s**2 == pytest.approx(1, abs=1e-9)


def test_spread_nodes_cut_off():
    # P(s < 0.8), 12 df, from the chi-squared distribution of a second module.
    assert chi_nodes_below(12, 0.8)[1].sum() == pytest.approx(chi2.cdf(12 * 0.8**2, 12), abs=1e-10)
    assert chi_nodes_below(12, 1e-30)[1].sum() == 0


def test_unequal_numbers_have_product_correlations():
    # lambda_i = sqrt(n_i / (n_i + n_0)), Dunnett 1955.
    load = np.sqrt([4 / 10, 5 / 11, 2 / 8])
    correlation = np.outer(load, load)
    np.fill_diagonal(correlation, 1)
    found, exact = loadings(correlation)
    assert exact
    assert found == pytest.approx(load, abs=1e-8)


@pytest.mark.parametrize("df", [3, 12])
@pytest.mark.parametrize("size", [4, 7])
def test_other_correlations_agree_with_a_second_library(size, df):
    dice = np.random.default_rng(size)
    rough = dice.normal(size=(size, 3)) * 0.3
    covariance = equal_correlation(size) + rough @ rough.T
    scale = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(scale, scale)
    assert not loadings(correlation)[1]
    limit = critical_t(correlation, df)
    referee = multivariate_t(shape=correlation, df=df).cdf(
        np.full(size, limit), lower_limit=np.full(size, -limit), random_state=1, maxpts=400_000
    )
    assert referee == pytest.approx(0.95, abs=1e-4)
    assert adjusted_p(limit, correlation, df) == pytest.approx(0.05, abs=1e-4)


def test_gives_the_same_digits_every_time():
    correlation = equal_correlation(5)
    correlation[0, 1] = correlation[1, 0] = 0.3
    assert adjusted_p(2.4, correlation, 9) == adjusted_p(2.4, correlation, 9)


def test_two_negatively_correlated_differences():
    correlation = np.array([[1.0, -0.4], [-0.4, 1.0]])
    assert adjusted_p(2.2, correlation, 8) == pytest.approx(
        adjusted_p(2.2, equal_correlation(2, 0.4), 8), abs=1e-12
    )


def test_root_needs_a_change_of_sign():
    assert find_root(lambda x: x**3 - 2, 0, 5) == pytest.approx(2 ** (1 / 3), abs=1e-10)
    with pytest.raises(ValueError, match="No change of sign"):
        find_root(lambda x: x**2 + 1, 0, 5)


def test_a_root_at_either_end_is_found_at_once():
    assert find_root(lambda x: x, 0.0, 2.0) == 0.0
    assert find_root(lambda x: x - 2.0, 0.0, 2.0) == 2.0


def test_a_jump_is_found_to_the_last_digit():
    # It never meets 0 and never comes within no tolerance at all: the halving ends by itself.
    third = find_root(lambda x: -1.0 if x < 1 / 3 else 1.0, 0.0, 1.0, tolerance=0.0)
    assert third == pytest.approx(1 / 3, abs=1e-15)


@pytest.mark.parametrize("sides", [1, 2])
@pytest.mark.parametrize("df", [3, 11])
def test_one_treatment_alone_is_judged_by_student_s_t(sides, df):
    found = chance_all_within(2.1, np.eye(1), df, sides)
    assert found == pytest.approx(t.cdf(2.1, df) - (t.cdf(-2.1, df) if sides == 2 else 0))
    load, exact = loadings(np.eye(1))
    assert (load.tolist(), exact) == ([0.0], True)


def test_more_treatments_than_the_lattice_has_room_for_are_refused_and_not_guessed():
    # 26, and correlations that are no products: neighbours alone go together.
    off = np.diag(np.full(25, 0.4), 1)
    with pytest.raises(ValueError, match="at most 25"):
        chance_all_within(2.5, np.eye(26) + off + off.T, 20)


@pytest.mark.parametrize("limit", [0.0, -1.0])
@pytest.mark.parametrize("sides", [1, 2])
def test_no_t_stays_within_less_than_nothing_and_half_of_those_of_one_side_do(limit, sides):
    one = chance_all_within(limit, np.eye(1), 5, sides)
    # Referee: scipy's t.
    assert one == pytest.approx(t.cdf(limit, 5) if sides == 1 else 0.0)
    two = chance_all_within(limit, equal_correlation(2), 5, sides)
    assert two == 0.0 if sides == 2 else 0 < two < one
