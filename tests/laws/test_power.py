"""Whatever the trial: more runs, a larger effect and less scatter see more, and what is asked of a plan is what it gives."""

import math

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from trials.calc import permutation, power

spreads = st.floats(0.05, 1.2)
ratios = st.floats(1.05, 4)
blocks = st.integers(2, 25)
treatments = st.integers(2, 6)
alphas = st.sampled_from([0.01, 0.05, 0.1])
# Two chances that are both as good as certain differ by the digits of a float only.
SLACK = 1e-9


@given(st.integers(3, 40), st.floats(0.05, 3), st.floats(0.1, 2), alphas, st.sampled_from([1, 2]))
@settings(max_examples=60, deadline=None)
def test_power_of_t_rises_with_runs_and_effect_and_falls_with_scatter(n, difference, sd, alpha, sides):
    def at(**changed):
        return power.power_t(
            **{"n": n, "difference": difference, "sd": sd, "alpha": alpha, "sides": sides} | changed
        )

    here = at()
    assert alpha - 1e-6 <= here <= 1
    assert at(n=n + 1) >= here - SLACK
    assert at(difference=1.1 * difference) >= here - SLACK
    assert at(sd=1.1 * sd) <= here + SLACK
    assert at(alpha=alpha / 2) <= here + SLACK
    assert at(difference=-difference) == here


@given(spreads, ratios, blocks, treatments, alphas)
@settings(max_examples=40, deadline=None)
def test_power_against_the_control_rises_with_blocks_and_ratio(sd_log, ratio, b, t, alpha):
    here = power.power_against_control(sd_log, ratio, b, t, alpha)
    assert here <= 1
    if here > 2 * alpha:
        # Without an effect to see the chance is the level of one of several, which moves a little with the blocks.
        assert power.power_against_control(sd_log, ratio, b + 1, t, alpha) >= here - SLACK
    assert power.power_against_control(sd_log, 1.1 * ratio, b, t, alpha) >= here - SLACK
    assert power.power_against_control(1.1 * sd_log, ratio, b, t, alpha) <= here + SLACK
    # A loss is as hard to show as the gain that undoes it.
    assert power.power_against_control(sd_log, 1 / ratio, b, t, alpha) == pytest.approx(here, abs=1e-9)


@given(spreads, st.integers(3, 25), treatments, st.floats(0.3, 0.95), alphas)
@settings(max_examples=40, deadline=None)
def test_the_detectable_ratio_is_seen_with_the_power_asked_for(sd_log, b, t, wanted, alpha):
    seen = power.detectable_ratio(sd_log, b, t, wanted, alpha)
    assume(seen < 1e6)
    assert power.power_against_control(sd_log, seen, b, t, alpha) == pytest.approx(wanted, abs=1e-6)
    assert power.detectable_ratio(sd_log, b + 1, t, wanted, alpha) < seen
    assert power.detectable_ratio(1.1 * sd_log, b, t, wanted, alpha) > seen


@given(spreads, ratios, treatments)
@settings(max_examples=25, deadline=None)
def test_the_blocks_needed_are_the_fewest_that_are_enough(sd_log, ratio, t):
    needed = power.blocks_needed(sd_log, ratio, t)
    assume(needed is not None)
    assert power.power_against_control(sd_log, ratio, needed, t) >= 0.8
    if needed > 2:
        assert power.power_against_control(sd_log, ratio, needed - 1, t) < 0.8


@given(st.integers(2, 6), st.integers(3, 20), st.floats(0.01, 3), st.floats(0.1, 3), alphas)
@example(6, 17, 3.0, 0.125, 0.05)
@settings(max_examples=60, deadline=None)
def test_power_of_f_rises_with_runs_and_differences(groups, n, between, within, alpha):
    here = power.power_f(groups, n, between, within, alpha)
    assert alpha - 1e-6 <= here <= 1
    assert power.power_f(groups, n + 1, between, within, alpha) >= here - SLACK
    assert power.power_f(groups, n, 1.2 * between, within, alpha) >= here - SLACK
    assert power.power_f(groups, n, between, 1.2 * within, alpha) <= here + SLACK


@given(st.floats(0.1, 0.8), st.integers(3, 60), st.floats(1.1, 1.6), st.floats(0.9, 1.1))
@settings(max_examples=60, deadline=None)
def test_power_of_equivalence_rises_with_runs_and_margin_and_does_not_know_direction(
    cv, n, margin, true_ratio
):
    here = power.power_of_equivalence(cv, n, true_ratio, 1 / margin, margin)
    assert 0 <= here <= 1
    assert power.power_of_equivalence(cv, n, true_ratio, 0.9 / margin, 1.1 * margin) >= here - SLACK
    assert power.power_of_equivalence(cv, n, 1 / true_ratio, 1 / margin, margin) == pytest.approx(
        here, abs=1e-6
    )
    # At the margin itself it is never more than the level.
    assert power.power_of_equivalence(cv, n, margin, 1 / margin, margin) <= 0.05 + 1e-6
    centred = power.power_of_equivalence(cv, n, 1.0, 1 / margin, margin)
    if centred > 0.1:
        # With no sight at all, the fewer the runs the likelier is a spread that looks small by luck.
        assert power.power_of_equivalence(cv, n + 1, 1.0, 1 / margin, margin) >= centred - SLACK


@given(st.integers(1, 8), st.integers(1, 12))
def test_more_blocks_can_always_be_surer(compared, b):
    assert permutation.smallest_level(b + 1, compared) <= permutation.smallest_level(b, compared)
    least = permutation.fewest_blocks(compared)
    assert permutation.smallest_level(least, compared) <= 0.05
    assert least == 1 or permutation.smallest_level(least - 1, compared) > 0.05


@pytest.mark.parametrize("alpha", [0, 1, 5, math.nan])
@pytest.mark.parametrize(
    "call",
    [
        lambda alpha: power.power_t(5, 1, 1, alpha),
        lambda alpha: power.runs_for_t(0.8, 1, 1, alpha),
        lambda alpha: power.detectable_difference(5, 0.8, 1, alpha),
        lambda alpha: power.power_f(3, 5, 1, 1, alpha),
        lambda alpha: power.runs_for_f(3, 1, 1, 0.8, alpha),
        lambda alpha: power.power_f_in_blocks([0, 1, 2], 5, 1, alpha),
        lambda alpha: power.runs_for_ratio(0.5, 1.5, alpha),
        lambda alpha: power.detectable_ratio_two_groups(0.5, 5, alpha),
        lambda alpha: power.power_of_equivalence(0.3, 5, 1, 0.8, 1.25, alpha),
        lambda alpha: power.power_against_control(0.3, 1.5, 5, 3, alpha),
        lambda alpha: power.detectable_ratio(0.3, 5, 3, alpha=alpha),
        lambda alpha: power.blocks_needed(0.3, 1.5, 3, alpha=alpha),
    ],
)
def test_a_level_that_is_none_is_refused(call, alpha):
    with pytest.raises(ValueError, match=f"alpha {alpha}"):
        call(alpha)
