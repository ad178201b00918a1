import itertools
import math
import statistics
import warnings

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from prospecting.calc import method_comparison as mc

numbers = st.floats(0.5, 50).map(lambda value: round(value, 3))
pairs = st.lists(st.tuples(numbers, numbers), min_size=5, max_size=25).filter(
    lambda rows: (
        all(np.ptp(side) > 0.1 for side in zip(*rows, strict=True))
        and np.ptp([a - b for a, b in rows]) > 0.1
        and np.ptp([a / b for a, b in rows]) > 0.01
    )
)


def split(rows):
    return [list(side) for side in zip(*rows, strict=True)]


def drawn(seed, n, slope, intercept, sd_x, sd_y):
    rng = np.random.default_rng(seed)
    truth = rng.uniform(1, 20, n)
    x = truth + rng.normal(0, 1, n) * sd_x
    y = intercept + slope * truth + rng.normal(0, 1, n) * sd_y
    return x, y


@given(pairs)
def test_turning_the_methods_round_turns_the_limits_round(rows):
    a, b = split(rows)
    one, other = mc.limits_of_agreement(a, b), mc.limits_of_agreement(b, a)
    assert (one.mean, one.low, one.high) == pytest.approx((-other.mean, -other.high, -other.low))
    ratio, inverse = mc.ratio_limits(a, b), mc.ratio_limits(b, a)
    assert ratio.ratio == pytest.approx(1 / inverse.ratio)
    assert ratio.low == pytest.approx(1 / inverse.high)
    assert ratio.low_interval.low < ratio.low < ratio.ratio < ratio.high < ratio.high_interval.high


@given(pairs, st.floats(0.001, 1000))
def test_ratio_limits_know_no_unit(rows, unit):
    a, b = split(rows)
    one, other = mc.ratio_limits(a, b), mc.ratio_limits([unit * v for v in a], [unit * v for v in b])
    assert (one.low, one.high) == pytest.approx((other.low, other.high), rel=1e-6)


@given(pairs, st.floats(0.5, 0.98))
def test_intervals_widen_with_confidence(rows, level):
    a, b = split(rows)
    for of in (
        lambda level: mc.limits_of_agreement(a, b, level=level).mean_interval,
        lambda level: mc.apparent_recovery(a, b, level).interval,
        lambda level: mc.apparent_recovery(a, b, level).one_pair,
    ):
        narrow, wide = of(level), of(0.99)
        assert wide.low <= narrow.low <= narrow.high <= wide.high


@given(pairs)
def test_repeatability_agrees_with_the_sd_of_each_pair(rows):
    found = mc.repeatability(*split(rows))
    within = math.sqrt(statistics.fmean(statistics.variance(pair) for pair in rows))
    assert found.within_sd == pytest.approx(within)
    assert found.coefficient == pytest.approx(2 * math.sqrt(2) * within)


@given(pairs)
def test_concordance_is_correlation_less_bias_and_knows_no_order(rows):
    x, y = split(rows)
    # Referee for r: scipy.
    r = stats.pearsonr(x, y).statistic
    assume(0.01 < abs(r) < 0.999)
    found = mc.concordance(x, y)
    assert found.pearson_r == pytest.approx(r)
    assert found.concordance == pytest.approx(mc.concordance(y, x).concordance)
    assert abs(found.concordance) <= abs(r) + 1e-12
    assert found.interval.low < found.concordance < found.interval.high


def test_the_interval_of_concordance_holds_the_truth():
    rng = np.random.default_rng(9)
    held = 0
    # Truth: 2 s12 / (s1^2 + s2^2 + shift^2).
    truth = 2 * 0.9 / (1 + 1 + 0.3**2)
    for _ in range(1000):
        x, y = rng.multivariate_normal([0, 0.3], [[1, 0.9], [0.9, 1]], 40).T
        interval = mc.concordance(x, y).interval
        held += interval.low <= truth <= interval.high
    assert 0.925 < held / 1000 < 0.975


@given(pairs)
def test_ordinary_line_agrees_with_scipy(rows):
    x, y = split(rows)
    line, referee = mc.least_squares_line(x, y), stats.linregress(x, y)
    assert (line.slope, line.intercept) == pytest.approx((referee.slope, referee.intercept), abs=1e-9)


@given(pairs, st.floats(0.1, 10))
def test_deming_treats_both_sides_alike_and_both_conventions_say_the_same(rows, ratio):
    x, y = split(rows)
    assume(abs(stats.pearsonr(x, y).statistic) > 0.3)
    try:
        line = mc.deming(x, y, variance_ratio_y_over_x=ratio)
    except ValueError as refusal:
        assert "Without pair" in str(refusal)
        return
    back = mc.deming(y, x, variance_ratio_x_over_y=ratio)
    same = mc.deming(x, y, variance_ratio_x_over_y=1 / ratio)
    assert back.slope == pytest.approx(1 / line.slope, rel=1e-6)
    assert back.intercept == pytest.approx(-line.intercept / line.slope, rel=1e-6, abs=1e-6)
    assert (same.slope, same.intercept) == pytest.approx((line.slope, line.intercept), abs=1e-9)


def test_deming_lies_between_the_two_ordinary_lines_and_goes_over_into_them():
    x, y = drawn(1, 40, 0.8, 1.0, 1.5, 1.5)
    flat = mc.least_squares_line(x, y).slope
    steep = 1 / mc.least_squares_line(y, x).slope
    slopes = [mc.deming(x, y, variance_ratio_y_over_x=ratio).slope for ratio in (1e9, 10, 1, 0.1, 1e-9)]
    assert slopes == sorted(slopes)
    assert slopes[0] == pytest.approx(flat, rel=1e-6) and slopes[-1] == pytest.approx(steep, rel=1e-6)


def test_with_alike_errors_on_both_sides_the_line_is_demings():
    x, y = drawn(2, 30, 1.2, -0.5, 1, 2)
    found = mc.line_with_errors_on_both_sides(x, y, [0.7] * 30, [1.4] * 30)
    assert found.slope == pytest.approx(mc.deming(x, y, variance_ratio_y_over_x=4).slope, rel=1e-7)


@pytest.mark.parametrize(("seed", "slope"), [(1, 0.9), (2, 4.0), (3, -1.5), (4, 0.02)])
def test_errors_on_both_sides_agree_with_yorks_iteration(seed, slope):
    # Referee: D. York and others, American Journal of Physics 72 (2004) 367, equations 13 (from memory), no correlation.
    rng = np.random.default_rng(seed)
    n = 25
    sd_x, sd_y = rng.uniform(0.2, 1, n), rng.uniform(0.2, 1, n) * max(abs(slope), 0.1)
    x, y = drawn(seed + 10, n, slope, 2.0, sd_x, sd_y)
    b = slope
    for _ in range(500):
        w = 1 / (sd_y**2 + b**2 * sd_x**2)
        u, v = x - np.average(x, weights=w), y - np.average(y, weights=w)
        beta = w * (u * sd_y**2 + b * v * sd_x**2)
        b = np.sum(w * beta * v) / np.sum(w * beta * u)
    a = np.average(y, weights=w) - b * np.average(x, weights=w)
    found = mc.line_with_errors_on_both_sides(x, y, sd_x, sd_y)
    assert (found.slope, found.intercept) == pytest.approx((b, a), rel=1e-5)


def test_errors_on_both_sides_agree_with_orthogonal_distance_regression():
    # Referee: scipy.odr, which newer releases announce to drop.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        odr = pytest.importorskip("scipy.odr")
        x, y = drawn(5, 30, 1.1, 0.4, 0.5, 0.8)
        sd_x, sd_y = np.linspace(0.3, 0.7, 30), np.linspace(1.0, 0.6, 30)
        data = odr.RealData(x, y, sx=sd_x, sy=sd_y)
        referee = odr.ODR(data, odr.unilinear, beta0=[1.0, 0.0]).run().beta
    found = mc.line_with_errors_on_both_sides(x, y, sd_x, sd_y)
    assert (found.slope, found.intercept) == pytest.approx(tuple(referee), rel=1e-5)


@pytest.mark.parametrize("fit", ["deming", "both"])
def test_the_interval_of_the_slope_holds_the_truth(fit):
    held = 0
    for seed in range(300):
        x, y = drawn(seed, 25, 0.7, 0.5, 1, 1)
        if fit == "deming":
            found = mc.deming(x, y, variance_ratio_y_over_x=1)
        elif seed < 120:
            found = mc.line_with_errors_on_both_sides(x, y, [1] * 25, [1] * 25)
        else:
            break
        held += found.slope_interval.low <= 0.7 <= found.slope_interval.high
    assert held / (300 if fit == "deming" else 120) > 0.9


def by_hand(x, y):
    """Passing and Bablok's median read off a list in exact fractions."""
    from fractions import Fraction

    slopes = []
    for (x1, y1), (x2, y2) in itertools.combinations(zip(x, y, strict=True), 2):
        across, up = (Fraction(str(b)) - Fraction(str(a)) for a, b in ((x1, x2), (y1, y2)))
        if across == 0:
            if up != 0:
                slopes.append(math.inf)
        elif up / across != -1:
            slopes.append(up / across)
    slopes.sort()
    shift = sum(1 for slope in slopes if slope < -1)
    return (slopes[(len(slopes) - 1) // 2 + shift] + slopes[len(slopes) // 2 + shift]) / 2


@given(st.lists(st.tuples(st.integers(1, 60), st.integers(-8, 8)), min_size=5, max_size=14))
def test_passing_bablok_agrees_with_exact_fractions_through_ties(steps):
    # Values in tenths, many of them tied.
    x = [tenths / 10 for tenths, _ in steps]
    y = [(tenths + change) / 10 for tenths, change in steps]
    try:
        expected = by_hand(x, y)
    except IndexError:
        with pytest.raises(ValueError, match="against each other"):
            mc.passing_bablok(x, y)
        return
    if math.isinf(expected):
        with pytest.raises(ValueError, match="upright"):
            mc.passing_bablok(x, y)
        return
    found = mc.passing_bablok(x, y)
    assert found.slope == pytest.approx(float(expected), rel=1e-9, abs=1e-12)
    assert found.slope_interval.low <= found.slope <= found.slope_interval.high


def test_passing_bablok_treats_both_sides_alike_and_shrugs_off_one_wild_pair():
    x, y = (np.round(side, 3) for side in drawn(6, 25, 0.9, 0.5, 0.5, 0.5))
    one, other = mc.passing_bablok(x, y), mc.passing_bablok(y, x)
    # The mean of two middle slopes is not the inverse of the mean of their inverses, so nearly alike.
    assert other.slope == pytest.approx(1 / one.slope, rel=0.01)
    wild = y.copy()
    wild[0] = 500
    assert mc.passing_bablok(x, wild).slope == pytest.approx(one.slope, rel=0.1)
    assert abs(mc.least_squares_line(x, wild).slope - one.slope) > 0.4


def test_the_interval_of_passing_bablok_holds_the_truth():
    held = 0
    for seed in range(400):
        x, y = drawn(seed, 20, 1.0, 0.0, 1, 1)
        interval = mc.passing_bablok(x, y).slope_interval
        held += interval.low <= 1 <= interval.high
    assert held / 400 > 0.925


def test_few_pairs_leave_the_interval_open():
    found = mc.passing_bablok([1, 2, 3], [1, 2.2, 2.9])
    assert (found.slope_interval.low, found.slope_interval.high) == (-math.inf, math.inf)
    assert found.intercept_interval.low == -math.inf


@given(pairs)
def test_apparent_recovery_agrees_with_students_t_of_the_logarithms(rows):
    panned, assayed = split(rows)
    found = mc.apparent_recovery(panned, assayed)
    # Referee: scipy.
    interval = stats.ttest_1samp(np.log(panned) - np.log(assayed), 0).confidence_interval(0.95)
    assert found.interval.low == pytest.approx(math.exp(interval.low), rel=1e-6)
    assert found.interval.high == pytest.approx(math.exp(interval.high), rel=1e-6)


def test_the_range_for_one_more_pair_holds_one_more_pair():
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(1000):
        assayed = rng.lognormal(1, 1, 9)
        panned = assayed * 0.6 * rng.lognormal(0, 0.4, 9)
        found = mc.apparent_recovery(panned[:8], assayed[:8]).one_pair
        held += found.low <= panned[8] / assayed[8] <= found.high
    assert 0.93 < held / 1000 < 0.97


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: mc.limits_of_agreement([1, 2, 3, 4], [1, 2, 3]), "pairs need both"),
        (lambda: mc.limits_of_agreement([1, 2, 3], [0, 1, 2]), "has to vary"),
        (lambda: mc.limits_of_agreement([1, 2, 3], [0, 1, 5], multiplier=0), "sds off the mean"),
        (lambda: mc.limits_of_agreement([1, 2, 3], [0, 1, 5], level=95), "confidence level"),
        (lambda: mc.ratio_limits([1, 2, 0], [1, 2, 3]), "no logarithm"),
        (lambda: mc.apparent_recovery([1, 2, 0], [1, 2, 3]), "0 as a value of panned in place 3"),
        (lambda: mc.concordance([1, 1, 1, 1], [1, 2, 3, 4]), "x is 1"),
        (lambda: mc.concordance([1, 2, 3, 4], [2, 4, 6, 8]), "without scatter"),
        (lambda: mc.least_squares_line([1, 1], [1, 2]), "has to vary"),
        (lambda: mc.least_squares_line([1, 2], [1, 2], [1, 0]), "above zero"),
        (lambda: mc.deming([1, 2, 3, 4], [1, 2, 3, 5]), "not in both or none"),
        (
            lambda: mc.deming(
                [1, 2, 3, 4], [1, 2, 3, 5], variance_ratio_y_over_x=1, variance_ratio_x_over_y=1
            ),
            "not in both",
        ),
        (lambda: mc.deming([1, 2, 3, 4], [1, 2, 3, 5], variance_ratio_y_over_x=0), "above zero"),
        (lambda: mc.deming([1, 1, 1, 1, 2], [1, 1, 1, 1, 9], variance_ratio_y_over_x=1), "Without pair 5"),
        (lambda: mc.line_with_errors_on_both_sides([1, 1, 1, 1], [1, 2, 3, 5], [1] * 4, [1] * 4), "x is 1"),
        (lambda: mc.deming([1, 2, 1, 2], [1, 1, 2, 2], variance_ratio_y_over_x=1), "do not vary together"),
        (lambda: mc.line_with_errors_on_both_sides([1, 2, 3, 4], [1, 2, 3, 5], [1] * 4, [0] * 4), "sd_y"),
        (lambda: mc.line_with_errors_on_both_sides([1, 2, 3, 4], [1, 2, 3, 5], [1] * 5, [1] * 4), "4 pairs"),
        (lambda: mc.passing_bablok([1, 2, 3, 4], [4.1, 3, 2, 0.5]), "against each other"),
        (lambda: mc.passing_bablok([1, 1, 1], [1, 2, 3]), "upright"),
        (lambda: mc.repeatability([1, math.nan], [1, 2]), "finite"),
    ],
)
def test_refuses_comparisons_that_cannot_be(make, says):
    with pytest.raises(ValueError, match=says):
        make()
