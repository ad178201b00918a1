import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from prospecting.calc import quality_control as qc

grades = st.floats(0.01, 1000)
pairs = st.lists(st.tuples(grades, grades), min_size=1, max_size=40)


@given(pairs, st.floats(0.001, 1000))
def test_relative_spread_knows_no_unit_and_no_order(values, unit):
    first, second = zip(*values, strict=True)
    found = qc.duplicate_precision(first, second)
    other = qc.duplicate_precision([unit * b for b in second], [unit * a for a in first])
    assert found.cv_rms == pytest.approx(other.cv_rms, rel=1e-9)
    assert found.cv_pooled == pytest.approx(other.cv_pooled, rel=1e-9)
    assert qc.cv_from_logs(first, second) == pytest.approx(qc.cv_from_logs(second, first), rel=1e-9)
    assert all(0 <= value < 1 for value in found.hard)


@given(pairs)
def test_the_root_mean_square_cv_agrees_with_the_sd_of_each_pair(values):
    each = [statistics.stdev(pair) / statistics.fmean(pair) for pair in values]
    found = qc.duplicate_precision(*zip(*values, strict=True))
    assert found.cv_rms == pytest.approx(math.sqrt(statistics.fmean(cv * cv for cv in each)), abs=1e-9)
    assert found.median_hard == pytest.approx(statistics.median(each) / math.sqrt(2), abs=1e-9)


def test_duplicates_show_the_spread_that_was_planted():
    rng = np.random.default_rng(3)
    truth = rng.lognormal(1, 1, 4000)
    first, second = (truth * rng.lognormal(0, 0.12, 4000) for _ in range(2))
    assert qc.cv_from_logs(first, second) == pytest.approx(math.expm1(0.12), rel=0.03)
    assert qc.duplicate_precision(first, second).cv_rms == pytest.approx(0.12, rel=0.03)


def test_precision_line_shows_the_line_that_was_planted():
    rng = np.random.default_rng(4)
    truth = np.sort(rng.uniform(1, 100, 6600))
    sd = 0.5 + 0.08 * truth
    first, second = (truth + sd * rng.standard_normal(6600) for _ in range(2))
    found = qc.thompson_howarth(first, second, group_size=110)
    assert found.sd_slope == pytest.approx(0.08, rel=0.08)
    assert found.sd_at(50) == pytest.approx(4.5, rel=0.05)
    # Referee for the line itself.
    line = stats.linregress(found.group_mean, found.group_median_difference)
    assert (found.slope, found.intercept) == pytest.approx((line.slope, line.intercept))


def test_the_detection_limit_is_where_two_sd_are_the_grade():
    """2 s0 / (1 - 2 k), Thompson and Howarth's precision set to 1 (from memory), checked by its own law."""
    line = qc.PrecisionLine((1.0, 9.0), (0.2, 0.9), slope=0.0875, intercept=0.1125, left_out=0)
    assert line.precision_at(line.detection_limit) == pytest.approx(1)
    assert line.precision_at(2 * line.detection_limit) < 1
    assert line.median_difference_at(9.0) == pytest.approx(0.9)


@pytest.mark.parametrize(("slope", "intercept"), [(0.1, 0.0), (0.1, -0.2), (0.48, 0.1)])
def test_a_line_without_such_a_point_has_no_detection_limit(slope, intercept):
    assert qc.PrecisionLine((1.0,), (1.0,), slope, intercept, 0).detection_limit is None


def test_pairs_that_fill_no_group_are_counted():
    first = [float(n) for n in range(1, 27)]
    assert qc.thompson_howarth(first, [n + 1 for n in first]).left_out == 4


def test_chart_limits_of_a_certified_centre_keep_the_spread_of_the_history():
    history = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2]
    own, certified = qc.individuals_chart(history), qc.individuals_chart(history, centre=50.0)
    assert certified.sigma == own.sigma
    assert certified.action_high - 50.0 == pytest.approx(3 * own.sigma)
    assert certified.standardized([50.0, 50.0 + own.sigma]) == pytest.approx([0, 1])


def test_a_drifting_chart_keeps_its_limits():
    # The pitfall: the sd of a drifting history takes the drift for scatter, the moving range does not.
    rng = np.random.default_rng(5)
    drifting = np.linspace(0, 8, 200) + rng.standard_normal(200)
    found = qc.individuals_chart(drifting)
    assert found.sigma == pytest.approx(1, rel=0.12)
    assert found.sample_sd > 2


@given(st.lists(st.floats(-4, 4), max_size=40))
def test_rules_agree_with_reading_the_windows_one_by_one(z):
    found = qc.broken_rules(z)
    assert found["rule1_beyond_3"] == [i for i, value in enumerate(z) if abs(value) > 3]

    def named(needed, window, beyond):
        hits = set()
        for side in (1, -1):
            beyond_it = [side * value > beyond for value in z]
            hits |= {i for i in range(len(z)) if beyond_it[i] and sum(beyond_it[: i + 1][-window:]) >= needed}
        return sorted(hits)

    assert found["rule2_2_of_3_beyond_2"] == named(2, 3, 2)
    assert found["rule3_4_of_5_beyond_1"] == named(4, 5, 1)
    assert found["rule4_8_same_side"] == named(8, 8, 0)


@given(st.lists(st.floats(-4, 4), max_size=40))
def test_rules_see_both_sides_alike(z):
    assert qc.broken_rules(z) == qc.broken_rules([-value for value in z])


@pytest.mark.parametrize(
    ("shift", "length"), [(0.2, 66.80), (0.4, 36.61), (0.8, 13.25), (1.0, 9.22), (1.2, 6.89)]
)
def test_run_lengths_of_a_shifted_mean_are_those_published(shift, length):
    # Champ and Woodall (1987), table of run lengths of all four rules; values from memory.
    assert qc.mean_run_length(shift_sigmas=shift) == pytest.approx(length, abs=0.011)


@given(st.floats(-3, 3))
def test_one_rule_alone_waits_for_the_inverse_of_its_chance(shift):
    chance = stats.norm.sf(3 - shift) + stats.norm.cdf(-3 - shift)
    alone = qc.WESTERN_ELECTRIC.rules[:1]
    assert qc.mean_run_length(alone, shift) == pytest.approx(1 / chance, rel=1e-9)


def test_run_length_agrees_with_runs_that_were_drawn():
    rng = np.random.default_rng(6)
    rules = qc.WESTERN_ELECTRIC.rules[1:3]
    lengths = []
    for _ in range(1500):
        z = rng.normal(0.7, 1, 400).tolist()
        firsts = [places[0] for places in qc.broken_rules(z, qc.RuleSet("", "", rules)).values() if places]
        lengths.append(1 + min(firsts))
    standard_error = statistics.stdev(lengths) / math.sqrt(len(lengths))
    assert abs(statistics.fmean(lengths) - qc.mean_run_length(rules, 0.7)) < 4 * standard_error


def test_scores_fall_together_when_only_the_target_is_unsure():
    found = qc.scores(5.0, 4.0, sd_for_assessment=0.5, u_result=0.5, u_certified=0.0)
    assert found.z == found.z_prime == found.zeta == 2 * found.e_n == 2.0


@given(st.lists(st.floats(1, 10), min_size=3, max_size=20), st.floats(1, 10), st.floats(0, 2))
def test_bias_agrees_with_students_t_and_shrinks_with_certainty(results, certified, u_certified):
    if statistics.stdev(results) < 1e-6:
        return
    found = qc.bias(results, certified, u_certified)
    # Referee: scipy's one-sample t.
    assert found.t_without_certificate == pytest.approx(
        stats.ttest_1samp(results, certified).statistic, rel=1e-6, abs=1e-6
    )
    assert found.is_significant == (not found.low <= 0 <= found.high)
    assert found.expanded_uncertainty >= qc.bias(results, certified, 0).expanded_uncertainty


def test_carry_over_agrees_with_a_regression_and_finds_what_was_planted():
    rng = np.random.default_rng(8)
    before = rng.lognormal(1, 1.2, 30)
    blanks = 0.004 + 0.002 * before + rng.normal(0, 0.001, 30)
    found = qc.carry_over(blanks, before)
    line = stats.linregress(before, blanks)
    margin = stats.t.ppf(0.975, 28) * line.stderr
    assert (found.rate, found.background) == pytest.approx((line.slope, line.intercept))
    assert (found.rate_low, found.rate_high) == pytest.approx((line.slope - margin, line.slope + margin))
    assert found.is_shown and found.rate_low < 0.002 < found.rate_high
    clean = qc.carry_over(rng.normal(0.004, 0.001, 30), before)
    assert not clean.is_shown


def test_a_blank_on_the_limit_is_not_above_it():
    assert qc.flagged_blanks([0.25, 0.2500001], 0.05) == [False, True]


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: qc.duplicate_precision([1, 2], [1]), "pairs need both"),
        (lambda: qc.duplicate_precision([], []), "at least 1"),
        (lambda: qc.duplicate_precision([1, None], [1, 2]), "place 2"),
        (lambda: qc.duplicate_precision([1, math.inf], [1, 2]), "finite"),
        (lambda: qc.duplicate_precision([-1], [2]), "negative"),
        (lambda: qc.duplicate_precision([0], [0]), "two zeros"),
        (lambda: qc.cv_from_logs([0.0], [1.0]), "no logarithm"),
        (lambda: qc.thompson_howarth([1.0] * 20, [2.0] * 20), "two groups of 11"),
        (lambda: qc.thompson_howarth([1.0] * 22, [2.0] * 22), "no line"),
        (lambda: qc.PrecisionLine((), (), 0.1, -5, 0).sd_at(1), "below zero"),
        (lambda: qc.individuals_chart([1.0]), "at least 2"),
        (lambda: qc.individuals_chart([1.0, 1.0]), "no limits"),
        (lambda: qc.broken_rules([0.1, math.nan]), "finite"),
        (lambda: qc.mean_run_length([]), "Without any rule"),
        (lambda: qc.scores(1, 1, sd_for_assessment=0, u_result=1, u_certified=1), "sd for assessment"),
        (lambda: qc.scores(1, 1, sd_for_assessment=1, u_result=-1, u_certified=1), "negative"),
        (lambda: qc.scores(1, 1, sd_for_assessment=1, u_result=0, u_certified=0), "one side"),
        (lambda: qc.bias([1.0, 1.0], 1, 0.1), "spread is not known"),
        (lambda: qc.bias([1.0, 2.0], 1, -0.1), "zero or more"),
        (lambda: qc.blank_level([0.1]), "at least 2"),
        (lambda: qc.flagged_blanks([0.1], 0), "above zero"),
        (lambda: qc.carry_over([1, 2, 3], [5, 5, 5]), "no carry-over"),
        (lambda: qc.carry_over([1, 2], [5, 6]), "at least 3"),
        (lambda: qc.carry_over([1, 2, 3], [5, 6, 7], 95), "confidence level"),
    ],
)
def test_refuses_checks_that_cannot_be(make, says):
    with pytest.raises(ValueError, match=says):
        make()


def test_an_sd_of_nothing_is_one_and_below_it_is_none():
    line = qc.PrecisionLine((1.0, 2.0), (0.0, 0.1), slope=0.1, intercept=-0.1, left_out=0)
    assert line.sd_at(1.0) == pytest.approx(0.0)
    assert qc.PrecisionLine((1.0,), (0.1,), slope=0.1, intercept=0.0, left_out=0).sd_at(0.0) == 0.0
    with pytest.raises(ValueError, match="sd below zero"):
        line.sd_at(0.9)


@pytest.mark.parametrize(
    ("slope", "intercept", "has_limit"),
    # Two sds as large as the grade: 2 x 1.4826 / sqrt(2) x 0.48 is just over 1, x 0.47 just under.
    [(0.47, 0.01, True), (0.48, 0.01, False), (0.1, 0.0, False), (0.1, -0.01, False), (0.1, 0.001, True)],
)
def test_a_line_has_a_detection_limit_only_where_it_meets_two_sds(slope, intercept, has_limit):
    line = qc.PrecisionLine((1.0,), (0.1,), slope, intercept, 0)
    assert (line.detection_limit is not None) is has_limit
    if has_limit:
        assert line.precision_at(line.detection_limit) == pytest.approx(1)


def test_groups_of_one_pair_are_groups():
    found = qc.thompson_howarth([1.0, 3.0], [1.2, 3.6], group_size=1)
    # By hand: means 1.1 and 3.3, differences 0.2 and 0.6.
    assert (found.slope, found.left_out) == (pytest.approx(0.4 / 2.2), 0)
    for pairs, size in ((2, 0), (1, 1), (3, 2)):
        with pytest.raises(ValueError, match="do not fill two groups"):
            qc.thompson_howarth([1.0, 3.0, 4.0][:pairs], [1.2, 3.6, 4.1][:pairs], group_size=size)


@pytest.mark.parametrize("level", [0.0, 1.0, 1.5])
def test_a_level_lies_between_nothing_and_all(level):
    with pytest.raises(ValueError, match="between 0 and 1"):
        qc.carry_over([0.004, 0.009, 0.054], [0.1, 1.0, 10.0], level)


def test_a_pair_on_the_limit_is_within_it():
    # By hand: |9 - 11| / (9 + 11) is a tenth.
    found = qc.duplicate_precision([9.0, 9.0], [11.0, 11.1])
    assert (found.share_within(0.1), found.share_within(0.0999)) == (0.5, 0.0)


@pytest.mark.parametrize(
    ("difference", "significant"), [(0.5, False), (0.51, True), (-0.5, False), (-0.51, True)]
)
def test_a_bias_is_significant_beyond_its_uncertainty_and_not_at_it(difference, significant):
    # ERM Application Note 1 (2010), from memory: where the difference exceeds the expanded uncertainty.
    assert qc.Bias(2.0, difference, 0.1, 0.5, 5.0).is_significant is significant


@pytest.mark.parametrize(("low", "shown"), [(0.0, False), (1e-9, True), (-0.01, False)])
def test_carry_over_is_shown_where_the_whole_interval_lies_above_nothing(low, shown):
    assert qc.CarryOver(0.0, 0.1, low, 0.2, 0.95).is_shown is shown


@pytest.mark.parametrize(
    "call",
    [
        lambda: qc.bias([1.0, 2.0], 1.0, 0.1, coverage_factor=0.0),
        lambda: qc.bias([1.0, 2.0], 1.0, -0.1),
        lambda: qc.flagged_blanks([0.1], 0.0),
        lambda: qc.flagged_blanks([0.1], 0.1, factor=0.0),
        lambda: qc.scores(5.1, 5.0, sd_for_assessment=0.0, u_result=0.1, u_certified=0.1),
        lambda: qc.scores(5.1, 5.0, sd_for_assessment=0.1, u_result=-0.1, u_certified=0.1),
    ],
)
def test_factors_and_limits_of_nothing_are_refused(call):
    with pytest.raises(ValueError, match="above zero|cannot be negative"):
        call()


@pytest.mark.parametrize(
    ("z", "rule"),
    # Western Electric (1956): a rule counts what lies beyond its limit, and so not what lies on it.
    [
        ([3.0], "rule1_beyond_3"),
        ([-3.0], "rule1_beyond_3"),
        ([2.0, 0.0, 2.0], "rule2_2_of_3_beyond_2"),
        ([2.5, 0.0, 2.0], "rule2_2_of_3_beyond_2"),
    ],
)
def test_a_result_on_a_limit_breaks_no_rule(z, rule):
    assert qc.broken_rules(z)[rule] == []
    further = [score * 1.01 for score in z]
    assert qc.broken_rules(further)[rule] == [len(z) - 1]
