"""Power: against simulation and laws; published figures are among the reference cases."""

import math

import numpy as np
import pytest

from trials.calc.power import (
    MOST_BLOCKS,
    blocks_needed,
    detectable_ratio,
    power_against_control,
    power_at,
    power_f,
    power_of_equivalence,
    power_t,
    runs_for_t,
    sd_log_from_cv,
    standard_error_if_alike,
)


def test_power_agrees_with_trials_simulated_on_the_computer():
    # Three treatments, five blocks, Dunnett's critical value 2.673 for 2 comparisons and 8 df (reference tables; from memory).
    dice = np.random.default_rng(20)
    trials, blocks, sd = 20_000, 5, 0.3
    logs = dice.normal(size=(trials, blocks, 3)) * sd
    logs[:, :, 1] += math.log(1.8)
    residual = (
        logs - logs.mean(1, keepdims=True) - logs.mean(2, keepdims=True) + logs.mean((1, 2), keepdims=True)
    )
    s = np.sqrt((residual**2).sum((1, 2)) / 8)
    t = (logs[:, :, 1] - logs[:, :, 0]).mean(1) / (s * math.sqrt(2 / blocks))
    seen = (np.abs(t) > 2.673).mean()
    # Standard error of a share of 20,000: at most 0.0036.
    assert power_against_control(sd, 1.8, blocks, 3) == pytest.approx(seen, abs=0.012)


@pytest.mark.parametrize(("n", "difference"), [(6, 20), (6, 36), (1500, 1), (11, 6)])
def test_gives_a_number_where_the_noncentral_t_of_common_libraries_gives_nan(n, difference):
    assert power_t(n, difference, sd=1) == pytest.approx(1.0, abs=1e-6)


def test_power_of_no_effect_is_the_level():
    assert power_at(0.0, 2.2281388519649385, 10) == pytest.approx(0.05, abs=1e-9)


def test_detectable_ratio_has_the_power_asked_for():
    ratio = detectable_ratio(0.25, blocks=6, treatments=4, power=0.8)
    assert power_against_control(0.25, ratio, 6, 4) == pytest.approx(0.8, abs=1e-8)
    assert power_against_control(0.25, 1 / ratio, 6, 4) == pytest.approx(0.8, abs=1e-8)


@pytest.mark.parametrize(
    ("sd", "ratio", "treatments"), [(0.3, 1.5, 4), (0.15, 2.0, 2), (0.6, 1.25, 3), (0.05, 3.0, 2)]
)
def test_blocks_needed_is_the_fewest(sd, ratio, treatments):
    blocks = blocks_needed(sd, ratio, treatments)
    assert power_against_control(sd, ratio, blocks, treatments) >= 0.8
    assert blocks == 2 or power_against_control(sd, ratio, blocks - 1, treatments) < 0.8


def test_says_none_where_no_plan_is_enough():
    assert blocks_needed(2.0, 1.05, 3) is None
    assert power_against_control(2.0, 1.05, MOST_BLOCKS, 3) < 0.8


def test_more_treatments_need_more_to_be_seen():
    seen = [detectable_ratio(0.3, blocks=8, treatments=treatments) for treatments in (3, 5, 9)]
    assert seen == sorted(seen)


def test_unthinkable_ratios_are_infinite():
    assert detectable_ratio(3.0, blocks=2, treatments=2) == math.inf


def test_no_equivalence_without_sight():
    assert power_of_equivalence(1.0, 3, 1.0, 0.8, 1.25) < 0.01


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: detectable_ratio(0.0, 5, 3), "spread 0.0"),
        (lambda: detectable_ratio(0.3, 1, 3), "1 blocks of 3 treatments"),
        (lambda: blocks_needed(0.3, 1.0, 3), "ratio 1.0"),
        (lambda: power_t(5, 1, 0), "sd 0"),
        (lambda: power_t(5, 1, 1, kind="ranks"), "ranks"),
        (lambda: runs_for_t(0.9, 1e-5, 1), "million"),
        (lambda: runs_for_t(1.0, 1, 1), "power 1.0"),
        (lambda: blocks_needed(0.3, 1.5, 3, alpha=5), "alpha 5"),
        (lambda: detectable_ratio(0.3, 5, 3, power=1.2), "power 1.2"),
    ],
)
def test_refuses_what_has_no_answer(call, says):
    with pytest.raises(ValueError, match=says):
        call()


def test_a_gain_is_easier_to_show_where_the_spread_is_chance():
    alike = power_against_control(0.3, 1.6, 6, 3)
    gain = power_against_control(0.3, 1.6, 6, 3, chance_share=1.0)
    loss = power_against_control(0.3, 1 / 1.6, 6, 3, chance_share=1.0)
    assert loss < alike < gain
    # Equal to a plan in which both runs spread as the mean of the two variances, 1 and 1 / 1.6.
    assert gain == pytest.approx(power_against_control(0.3 * math.sqrt((1 + 1 / 1.6) / 2), 1.6, 6, 3))


@pytest.mark.parametrize(
    ("share", "dispersion"), [(0.0, None), (0.5, None), (1.0, None), (1.0, 1.0), (1.0, 1.4)]
)
def test_detectable_ratio_and_blocks_needed_answer_to_the_power(share, dispersion):
    plan = {"chance_share": share, "dispersion": dispersion}
    ratio = detectable_ratio(0.25, 6, 4, **plan)
    assert power_against_control(0.25, ratio, 6, 4, **plan) == pytest.approx(0.8, abs=1e-8)
    blocks = blocks_needed(0.4, 1.5, 4, **plan)
    assert power_against_control(0.4, 1.5, blocks, 4, **plan) >= 0.8
    assert power_against_control(0.4, 1.5, blocks - 1, 4, **plan) < 0.8


def test_a_spread_not_let_fall_costs_power():
    dice = np.random.default_rng(3)
    df, shift, critical = 4, 3.2, 2.776
    estimated = np.maximum(np.sqrt(dice.chisquare(df, 400_000) / df), 0.9)
    seen = np.mean(np.abs(shift + dice.standard_normal(400_000)) > critical * estimated)
    assert power_at(shift, critical, df, least_spread=0.9) == pytest.approx(seen, abs=0.003)
    assert power_at(shift, critical, df, least_spread=0.9) < power_at(shift, critical, df)


def test_colours_are_seen_as_often_as_both_bars_are_passed():
    dice = np.random.default_rng(4)
    df, dispersion, sd_log, ratio = 6, 1.3, 0.3, 1.9
    shift = math.log(ratio) / (sd_log * math.sqrt((2 - (1 - 1 / ratio)) / 4))
    away = np.abs(shift + dice.standard_normal(400_000))
    estimated = np.sqrt(dice.chisquare(df, 400_000) / df)
    # Two treatments against the control: Dunnett's printed points, 2.86 with 6 df and 2.21 without limit (from memory).
    student, chance = 2.86, 2.21
    seen = np.mean((away > student * estimated) & (away > chance / math.sqrt(dispersion)))
    stated = power_against_control(sd_log, ratio, 4, 3, chance_share=1.0, dispersion=dispersion)
    assert stated == pytest.approx(seen, abs=0.003)


def test_refuses_grains_that_scatter_less_than_chance():
    with pytest.raises(ValueError, match="dispersion 0.5"):
        power_against_control(0.3, 1.5, 5, 3, chance_share=1.0, dispersion=0.5)


def test_refuses_a_share_that_is_none():
    with pytest.raises(ValueError, match="chance_share 1.5"):
        power_against_control(0.3, 1.5, 5, 3, chance_share=1.5)


@pytest.mark.parametrize("cv", [0.0, -0.1, math.nan])
def test_a_spread_of_nothing_is_refused(cv):
    with pytest.raises(ValueError, match="must be above 0"):
        sd_log_from_cv(cv)


def test_a_difference_of_many_spreads_takes_two_runs_and_no_fewer():
    # 40 standard deviations apart: Student's t with 2 degrees of freedom passes 4.303 whatever happens.
    assert runs_for_t(0.8, difference=40.0, sd=1.0).runs == 2
    assert runs_for_t(0.8, difference=1.0, sd=1.0).runs > 2


@pytest.mark.parametrize(("between", "within"), [(math.inf, 1.0), (math.nan, 1.0)])
def test_variances_that_are_no_numbers_have_no_power(between, within):
    with pytest.raises(ValueError, match="must be finite"):
        power_f(3, 4, between, within)


def test_the_level_is_five_percent_and_the_power_eight_in_ten_unless_told_otherwise():
    # The usual pair (J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 1988; from memory).
    plan = {"sd_log": 0.3, "treatments": 4}
    assert blocks_needed(ratio=1.5, **plan) == blocks_needed(ratio=1.5, power=0.8, alpha=0.05, **plan)
    assert detectable_ratio(blocks=6, **plan) == detectable_ratio(blocks=6, power=0.8, alpha=0.05, **plan)
    chance = power_against_control(0.3, 1.5, 13, 4)
    assert chance == power_against_control(0.3, 1.5, 13, 4, 0.05, chance_share=0.0)


@pytest.mark.parametrize(("blocks", "treatments"), [(1, 3), (2, 1)])
def test_two_blocks_of_two_are_the_least_plan(blocks, treatments):
    assert 0 < power_against_control(0.3, 1.5, 2, 2) < 1
    with pytest.raises(ValueError, match="at least 2 of each"):
        power_against_control(0.3, 1.5, blocks, treatments)


@pytest.mark.parametrize("share", [-0.01, 1.01, math.nan])
def test_a_share_of_chance_lies_between_nothing_and_all(share):
    for whole in (0.0, 1.0):
        assert standard_error_if_alike(0.2, 1.5, whole) > 0
    with pytest.raises(ValueError, match="between 0 and 1"):
        standard_error_if_alike(0.2, 1.5, share)


def test_where_chance_is_all_a_richer_treatment_scatters_less():
    # By hand: a count's logarithm has a variance of 1 over its mean, so against 1 that of twice as many is 1/2: 1.5 of 2.
    assert standard_error_if_alike(0.3, 2.0, 1.0) == pytest.approx(0.3 * math.sqrt(2 / 1.5))
    assert standard_error_if_alike(0.3, 2.0, 0.0) == pytest.approx(0.3)


@pytest.mark.parametrize("ratio", [0.0, 1.0, -2.0, math.inf, math.nan])
def test_a_ratio_that_is_none_takes_no_number_of_blocks(ratio):
    with pytest.raises(ValueError, match="above 0 and not 1"):
        blocks_needed(0.3, ratio, 3)
