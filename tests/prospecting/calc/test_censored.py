import math
import statistics
import warnings

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.imputation import ros

from prospecting.calc import censored

results = st.lists(
    st.tuples(st.floats(0.05, 50).map(lambda value: round(value, 2)), st.booleans()), min_size=6, max_size=30
).filter(lambda rows: len({value for value, below in rows if not below}) >= 3)


def split(rows):
    return [value for value, _ in rows], [below for _, below in rows]


@given(results)
def test_kaplan_meier_agrees_with_scipy_turned_round(rows):
    values, below = split(rows)
    found = censored.kaplan_meier(values, below)
    # Referee: scipy's estimator for limits on the high side, on values turned round.
    top = max(values) + 1
    data = stats.CensoredData(
        uncensored=[top - v for v, b in rows if not b], right=[top - v for v, b in rows if b]
    )
    survival = stats.ecdf(data).sf
    for detect, share_below in zip(found.detects, np.cumsum((found.leftover, *found.shares)), strict=False):
        assert survival.evaluate(top - detect) == pytest.approx(share_below, abs=1e-9)
    assert sum(found.shares) + found.leftover == pytest.approx(1)
    assert found.mean_leftover_at_smallest_limit <= found.mean_leftover_at_smallest_detect + 1e-12


@settings(max_examples=40)
@given(results)
def test_order_statistics_agree_with_statsmodels(rows):
    values, below = split(rows)
    highest = max(value for value, is_below in rows if not is_below)
    # statsmodels drops limits above the highest detect, and refuses sets mostly below their limits.
    assume(max(values) == highest and 0 < sum(below) <= 0.6 * len(values))
    detects = [value for value, is_below in rows if not is_below]
    # It ranks a detect that equals a limit in another order; keep to sets where the order is plain.
    assume(not set(detects) & {value for value, is_below in rows if is_below})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        referee = ros.impute_ros(
            np.array(values), np.array(below), min_uncensored=2, max_fraction_censored=0.8
        )
    found = censored.robust_ros(values, below)
    assert found.values == pytest.approx(np.sort(referee), rel=1e-6)


@given(results)
def test_no_detect_is_touched(rows):
    values, below = split(rows)
    found = censored.robust_ros(values, below)
    assert len(found.values) == len(values) and len(found.imputed) == sum(below)
    kept = sorted(found.values)
    for imputed in found.imputed:
        kept.remove(imputed)
    assert kept == pytest.approx(sorted(value for value, is_below in rows if not is_below))


@given(results)
def test_without_limits_every_estimate_is_the_plain_one(rows):
    values, _ = split(rows)
    assume(len(set(values)) > 2)
    none_below = [False] * len(values)
    logs = np.log(values)
    survival, order = censored.kaplan_meier(values, none_below), censored.robust_ros(values, none_below)
    fit = censored.lognormal_mle(values, none_below)
    assert survival.leftover == 0
    assert survival.mean_leftover_at_smallest_detect == pytest.approx(np.mean(values))
    assert (order.mean, order.sd, order.median) == pytest.approx(
        (np.mean(values), np.std(values, ddof=1), np.median(values))
    )
    assert (fit.log_mean, fit.log_sd) == pytest.approx((logs.mean(), logs.std()), rel=1e-6, abs=1e-6)
    assert censored.half_limit_mean(values, none_below) == pytest.approx(np.mean(values))


@given(results, st.floats(0.001, 1000))
def test_estimates_follow_the_unit(rows, unit):
    values, below = split(rows)
    scaled = [unit * value for value in values]
    one, other = censored.lognormal_mle(values, below), censored.lognormal_mle(scaled, below)
    assert other.log_mean == pytest.approx(one.log_mean + math.log(unit), abs=1e-4)
    assert other.log_sd == pytest.approx(one.log_sd, rel=1e-4)
    assert censored.robust_ros(scaled, below).mean == pytest.approx(
        unit * censored.robust_ros(values, below).mean, rel=1e-6
    )
    assert censored.kaplan_meier(scaled, below).mean_leftover_at_smallest_limit == pytest.approx(
        unit * censored.kaplan_meier(values, below).mean_leftover_at_smallest_limit, rel=1e-6
    )


@given(results)
def test_no_other_lognormal_is_likelier(rows):
    values, below = split(rows)
    fit = censored.lognormal_mle(values, below)
    logs, flags = np.log(values), np.array(below)

    def likelihood(mean, sd):
        density, chance = stats.norm.logpdf(logs, mean, sd), stats.norm.logcdf(logs, mean, sd)
        return np.where(flags, chance, density).sum()

    best = likelihood(fit.log_mean, fit.log_sd)
    for mean_step, sd_factor in ((0.01, 1), (-0.01, 1), (0, 1.01), (0, 0.99), (1, 2), (-1, 0.5)):
        assert likelihood(fit.log_mean + mean_step, fit.log_sd * sd_factor) <= best + 1e-9


def test_the_fit_agrees_with_scipys():
    rng = np.random.default_rng(1)
    values = rng.lognormal(0, 1, 60)
    limits = rng.choice([0.3, 0.6, 1.0], 60)
    below = values < limits
    values = np.where(below, limits, values)
    found = censored.lognormal_mle(values, below)
    # Referee: scipy's own fit to censored data, a coarse search.
    data = stats.CensoredData(uncensored=np.log(values[~below]), left=np.log(values[below]))
    assert (found.log_mean, found.log_sd) == pytest.approx(stats.norm.fit(data), abs=2e-4)


def test_estimates_find_the_truth_that_half_the_limit_misses():
    rng = np.random.default_rng(2)
    truth = math.exp(0.8**2 / 2)
    rows = []
    for _ in range(300):
        values = rng.lognormal(0, 0.8, 50)
        limits = rng.choice([0.5, 1.5], 50)
        below = values < limits
        shown = np.where(below, limits, values)
        rows.append(
            (
                censored.lognormal_mle(shown, below).mean,
                censored.robust_ros(shown, below).mean,
                censored.kaplan_meier(shown, below).mean_leftover_at_smallest_detect,
                np.where(below, 0, shown).mean(),
            )
        )
    bias = np.mean(rows, axis=0) / truth - 1
    assert np.all(np.abs(bias[:3]) < 0.06)
    assert bias[3] < -0.1


@given(st.integers(0, 40), st.integers(1, 40), st.floats(0.5, 0.99))
def test_the_share_above_agrees_with_scipys_exact_limit(above, results_more, level):
    n = above + results_more
    # Referee: scipy's Clopper-Pearson.
    limit = stats.binomtest(above, n, alternative="less").proportion_ci(level, method="exact").high
    assert censored.upper_share_above(above, n, level) == pytest.approx(limit, rel=1e-9)


def test_nothing_known_of_the_share_when_all_lie_above():
    assert censored.upper_share_above(3, 3) == 1.0


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: censored.kaplan_meier([1.0, 2.0], [True, True]), "All 2 results lie below"),
        (lambda: censored.kaplan_meier([1.0, 2.0], [True]), "as many flags"),
        (lambda: censored.kaplan_meier([0.0, 2.0], [True, False]), "above zero"),
        (lambda: censored.kaplan_meier([-1.0, 2.0], [False, False]), "zero or more"),
        (lambda: censored.kaplan_meier([], []), "at least 1"),
        (lambda: censored.robust_ros([0.0, 2.0, 3.0], [False, False, False]), "no logarithm"),
        (lambda: censored.robust_ros([1.0, 2.0, 2.0], [True, False, False]), "two or more"),
        (lambda: censored.lognormal_mle([1.0, 2.0], [True, False]), "two or more"),
        (lambda: censored.half_limit_mean([math.nan], [False]), "finite"),
        (lambda: censored.upper_share_above(3, 2), "cannot lie above"),
        (lambda: censored.upper_share_above(0, 2, 2), "confidence level"),
    ],
)
def test_refuses_sets_without_an_answer(make, says):
    with pytest.raises(ValueError, match=says):
        make()


def test_a_detect_that_equals_a_limit_stands_above_it():
    """Helsel and Cohn's scheme by hand, for 1, below 1 and 2: two of three at 1 or above, so the limit stands at 1/3.

    The detects get 1/3 + 2/3 x 1/3 and 1/3 + 2/3 x 2/3, what lies below the limit half of 1/3. The line is through two points.
    """
    at = [statistics.NormalDist().inv_cdf(share) for share in (1 / 6, 5 / 9, 7 / 9)]
    slope = math.log(2) / (at[2] - at[1])
    found = censored.robust_ros([1.0, 1.0, 2.0], [False, True, False])
    assert found.imputed == pytest.approx([math.exp(slope * (at[0] - at[1]))])
    # Kaplan and Meier: 2 takes 1/3, then 1 takes one of the two left, and 1/3 is left over below it.
    survival = censored.kaplan_meier([1.0, 1.0, 2.0], [False, True, False])
    assert survival.shares == pytest.approx((1 / 3, 1 / 3))
    assert survival.leftover == pytest.approx(1 / 3)


def test_a_limit_above_the_lowest_detect_leaves_nothing_over():
    # By hand: 3 takes 1/3; below 2 and 1 are left, of which 1 is the only detect and takes what is left.
    found = censored.kaplan_meier([1.0, 2.0, 3.0], [False, True, False])
    assert found.leftover == 0
    assert found.mean_leftover_at_smallest_limit == pytest.approx(1 / 3 * 3 + 2 / 3 * 1)


def test_a_detect_of_nothing_is_a_grade_and_a_limit_of_nothing_is_none():
    assert censored.kaplan_meier([0.0, 2.0], [False, False]).mean_leftover_at_smallest_limit == 1.0
    with pytest.raises(ValueError, match="a limit it lies below is above zero"):
        censored.kaplan_meier([0.0, 2.0], [True, False])


@pytest.mark.parametrize(
    ("above", "results", "level", "share"),
    # By hand: none of n leaves a share with (1 - share)^n = 1 - level; all of n leave 1.
    [
        (0, 1, 0.95, 0.95),
        (0, 2, 0.75, 0.5),
        (1, 1, 0.95, 1.0),
        (3, 3, 0.95, 1.0),
        (1, 2, 0.75, math.sqrt(0.75)),
    ],
)
def test_the_share_above_a_limit_is_the_exact_one(above, results, level, share):
    assert censored.upper_share_above(above, results, level) == pytest.approx(share)


@pytest.mark.parametrize(
    ("above", "results", "level"),
    [(0, 0, 0.95), (-1, 3, 0.95), (4, 3, 0.95), (1.5, 3, 0.95), (0, 2.5, 0.95), (0, 3, 0.0), (0, 3, 1.0)],
)
def test_counts_and_levels_that_cannot_be_are_refused(above, results, level):
    with pytest.raises(ValueError, match="cannot lie above|between 0 and 1"):
        censored.upper_share_above(above, results, level)


def test_two_different_detects_are_the_fewest_that_carry_a_line():
    assert censored.robust_ros([1.0, 2.0, 2.0, 0.5], [False, False, False, True]).imputed[0] < 1
    with pytest.raises(ValueError, match="1 different detected value"):
        censored.robust_ros([2.0, 2.0, 0.5], [False, False, True])


def test_a_detect_on_the_upper_of_two_limits_belongs_above_it():
    """By hand, for 1.5, 2 and 4 with below 1 and below 2: at 2 or above lie 2 of 5, and of the rest at 1 or above 1 of 2.

    So the limits stand at 1 - 0.7 and 1 - 0.4; 1.5 halfway between, 2 and 4 at thirds above, what is below at halves of each.
    """
    place = statistics.NormalDist().inv_cdf
    at = [place(share) for share in (0.45, 0.6 + 0.4 / 3, 0.6 + 0.8 / 3)]
    line = statistics.linear_regression(at, [math.log(grade) for grade in (1.5, 2, 4)])
    found = censored.robust_ros([1.0, 1.5, 2.0, 2.0, 4.0], [True, False, True, False, False])
    below = [math.exp(line.intercept + line.slope * place(share)) for share in (0.15, 0.3)]
    assert found.imputed == pytest.approx(below)


def test_limits_far_below_every_detect_fit_no_lognormal_distribution():
    with pytest.raises(ValueError, match="No lognormal distribution fits"):
        censored.lognormal_mle([1.0, 2.0] + [1e-9] * 30, [False] * 2 + [True] * 30)
