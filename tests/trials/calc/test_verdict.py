"""Verdicts: the rules, the words, and what they do over many trials of the computer's making."""

import math
import re

import numpy as np
import pytest
from scipy import stats

from trials.calc.comparison import (
    BELOW_SCALE,
    compare_counts,
    compare_gold,
    compare_masses,
    compare_with_control,
)
from trials.calc.simultaneous import critical_t_balanced
from trials.calc.verdict import flags, judge, not_enough, rounded_up, uneven_failures, written

WATER, RINSE, SOAP = "plain water", "Rinse 0.4 mL/L", "Soap"


def masses(logs):
    """Runs from logarithms of shape (blocks, treatments)."""
    blocks, treatments = np.shape(logs)
    names = [WATER, RINSE, SOAP][:treatments] * blocks
    return np.exp(logs).ravel().tolist(), names, [b for b in range(blocks) for _ in range(treatments)]


def fixed_trial(effect, scatter, blocks=5):
    """Deviations that sum to nothing over blocks, so the ratio comes out as exp(effect)."""
    wave = np.array([[math.cos(2 * math.pi * (b / blocks + t / 3)) for t in range(3)] for b in range(blocks)])
    return masses(1 + np.array([0, *effect]) + scatter * wave)


def whole(verdict):
    return f"{verdict.headline} {verdict.explanation}"


def check_words(verdict):
    text = whole(verdict)
    assert "prove" not in text.lower()
    assert not re.search(r"\bp\b|nan|\binf\b|None", text)
    if " to " in verdict.explanation and "(" in verdict.explanation:
        assert "% interval" in text
    if verdict.kind == "not shown":
        assert re.search(r"could have seen|could have been shown|cannot be said what ratio", text)
        assert verdict.headline.endswith(": not shown.")
    for number in (
        verdict.ratio,
        verdict.lower,
        verdict.upper,
        verdict.detectable_ratio,
        verdict.more_blocks,
    ):
        assert number is None or math.isfinite(number)


@pytest.mark.parametrize(
    ("effect", "scatter"), [((0.0, 0.0), 0.02), ((0.1, 0.0), 0.4)], ids=["equivalent", "not shown"]
)
def test_names_the_smallest_ratio_as_it_was_fixed(effect, scatter):
    found = judge(compare_with_control(*fixed_trial(effect, scatter), WATER), RINSE, 1.25)
    assert "1.25 times" in found.explanation
    assert "1.2 times" not in found.explanation


def test_says_better_with_ratio_interval_and_level():
    found = judge(compare_with_control(*fixed_trial((0.405, 0), 0.1), WATER), RINSE, 1.2)
    assert found.kind == "better"
    assert found.headline == "Rinse 0.4 mL/L recovers more than plain water."
    assert re.fullmatch(
        r"About 1\.5 times as much \(1\.\d+ to 1\.\d+, 95 % interval, all treatments judged together\)\.",
        found.explanation,
    )
    assert found.lower > 1


def test_says_worse():
    found = judge(compare_with_control(*fixed_trial((-0.7, 0), 0.1), WATER), RINSE, 1.2)
    assert (found.kind, found.headline) == ("worse", "Rinse 0.4 mL/L recovers less than plain water.")
    assert found.upper < 1


def test_says_equivalent_within_the_margin():
    found = judge(compare_with_control(*fixed_trial((0.0, 0.0), 0.05), WATER), RINSE, 1.3)
    assert found.kind == "equivalent"
    assert "90 % interval" in found.explanation
    assert "less than 1.3 times" in found.explanation


def test_says_better_but_by_less_than_matters():
    found = judge(compare_with_control(*fixed_trial((0.1, 0.0), 0.02), WATER), RINSE, 1.5)
    assert found.kind == "better"
    assert found.within_margin
    assert found.headline.endswith("but by less than the group said matters.")


def test_not_shown_says_what_could_have_been_seen_and_what_it_takes():
    comparison = compare_with_control(*fixed_trial((0.1, 0.0), 0.4), WATER)
    found = judge(comparison, RINSE, 1.3)
    assert found.kind == "not shown"
    assert re.search(r"could have seen \d\.?\d* times as much or more, 8 times in 10", found.explanation)
    assert f"about {found.more_blocks} more blocks would see 1.3 times" in found.explanation
    assert found.detectable_ratio > 1.3
    # The promise kept: that many blocks do have the power.
    from trials.calc.power import power_against_control

    blocks = comparison.blocks + found.more_blocks
    assert (
        power_against_control(comparison.sd_log, 1.3, blocks, 3)
        >= 0.8
        > power_against_control(comparison.sd_log, 1.3, blocks - 1, 3)
    )


@pytest.mark.parametrize(("blocks", "says"), [(2, "Two runs per treatment cannot tell")])
def test_two_runs_per_treatment_cannot_tell(blocks, says):
    dice = np.random.default_rng(0)
    logs = 1 + 0.001 * dice.normal(size=(blocks, 3)) + np.array([0, 3.0, 0])
    found = judge(compare_with_control(*masses(logs), WATER), RINSE, 1.2)
    assert found.kind == "not shown"
    assert says in found.explanation
    check_words(found)


def test_one_degree_of_freedom_cannot_tell():
    # Three runs of either, but only two blocks hold both.
    values = [1.0, 9.0, 1.1, 9.5, 1.0, 9.0]
    found = judge(
        compare_with_control(values, [WATER, RINSE, WATER, RINSE, WATER, RINSE], [1, 1, 2, 2, 3, 4], WATER),
        RINSE,
        1.2,
    )
    assert found.kind == "not shown"
    assert "1 degree of freedom" in found.explanation


def test_below_scale_gives_a_direction_and_no_ratio():
    values, names, blocks = fixed_trial((0.9, 0.0), 0.1)
    values = [
        BELOW_SCALE if name == WATER and block < 3 else value
        for value, name, block in zip(values, names, blocks, strict=True)
    ]
    found = judge(compare_gold(values, names, blocks, WATER), RINSE, 1.2)
    assert (found.kind, found.ratio) == ("better", None)
    assert "Higher in 5 of 5 blocks" in found.explanation
    assert "3 of 15 runs came out below the scale" in found.explanation


def test_says_when_no_outcome_could_have_been_shown_by_places():
    # Two treatments by places: 5 blocks give at best 2/32, so a sixth is needed.
    values = [BELOW_SCALE, 2.0] * 5
    found = judge(
        compare_gold(values, [WATER, RINSE] * 5, [b for b in range(5) for _ in (0, 1)], WATER), RINSE, 1.2
    )
    assert (found.kind, found.more_blocks) == ("not shown", 1)
    assert "not even a treatment that came first in every block" in found.explanation
    check_words(found)


def test_colours_are_called_colours():
    found = judge(
        compare_counts([5, 19, 6, 17, 4, 21, 5, 18], [WATER, RINSE] * 4, [1, 1, 2, 2, 3, 3, 4, 4], WATER),
        RINSE,
        1.5,
    )
    assert found.headline == "Rinse 0.4 mL/L shows more colours than plain water."
    assert "as many colours" in found.explanation


def test_refuses_a_margin_of_nothing():
    with pytest.raises(ValueError, match="must be above 1"):
        judge(compare_with_control(*fixed_trial((0.1, 0), 0.1), WATER), RINSE, 1.0)


def test_a_trial_that_cannot_be_compared_still_gets_a_verdict():
    with pytest.raises(ValueError, match="degrees of freedom") as refusal:
        compare_with_control([1.0, 2.0, 3.0], [WATER, RINSE, SOAP], [1, 1, 1], WATER)
    found = not_enough(RINSE, str(refusal.value), 1.3, blocks=1)
    assert (found.kind, found.more_blocks) == ("not shown", 2)
    check_words(found)


ODD = {
    "ties": ([2.0, 2.0, 3.0] * 4, 4),
    "all alike": ([2.0] * 12, 4),
    "all below the scale": ([BELOW_SCALE] * 12, 4),
    "most below the scale": ([BELOW_SCALE] * 10 + [1.0, 2.0], 4),
    "a treatment missing": ([1.0, None, 2.0, 1.3, None, 1.9, 1.1, None, 2.2, 0.9, None, 2.0], 4),
    "two left of a treatment": ([1.0, None, 2.0, 1.3, None, 1.9, 1.1, 1.5, 2.2, 0.9, 1.4, 2.0], 4),
    "a huge spread": ([0.001, 900.0, 1.0, 500.0, 0.01, 2.0, 1.0, 0.002, 30.0], 3),
    "tiny and large": ([1e-6, 2e6, 1.0, 1e-6, 1e6, 1.0, 2e-6, 1e6, 2.0], 3),
}


@pytest.mark.parametrize(("values", "blocks"), ODD.values(), ids=ODD.keys())
def test_never_gives_nonsense(values, blocks):
    comparison = compare_gold(
        values, [WATER, RINSE, SOAP] * blocks, [b for b in range(blocks) for _ in range(3)], WATER
    )
    for name in (RINSE, SOAP):
        check_words(judge(comparison, name, 1.3))


@pytest.mark.parametrize(
    "counts",
    [[0] * 12, [0, 3, 0] * 4, [3, 0, 2] * 4, [1, 0, 0] + [0] * 9, [5, 5, 5] * 4, [0, 0, 0, 9, 1, 0] * 2],
)
def test_never_gives_nonsense_of_colours(counts):
    comparison = compare_counts(
        counts, [WATER, RINSE, SOAP] * 4, [b for b in range(4) for _ in range(3)], WATER
    )
    for name in (RINSE, SOAP):
        check_words(judge(comparison, name, 1.3))


@pytest.mark.parametrize(
    ("ratio", "text"),
    [
        (0.0, "0"),
        (1.0, "1"),
        (1.25, "1.2"),
        (1.004, "1.004"),
        (0.999, "0.999"),
        (340.0, "340"),
        (0.031, "0.031"),
    ],
)
def test_writes_a_ratio_so_that_it_never_reads_as_one_by_rounding(ratio, text):
    assert written(ratio) == text


# What the rule does over many trials. 400 trials: a share of 0.05 has a standard error of 0.011, so 0.085 is over 3 of them.
TRIALS = 400


def test_without_an_effect_better_or_worse_is_said_about_once_in_twenty_trials():
    dice = np.random.default_rng(101)
    wrong = covered = 0
    for _ in range(TRIALS):
        logs = 1 + 0.4 * dice.normal(size=(5, 1)) + 0.35 * dice.normal(size=(5, 3))
        comparison = compare_with_control(*masses(logs), WATER)
        wrong += any(judge(comparison, name, 1.3).kind in ("better", "worse") for name in (RINSE, SOAP))
        covered += all(entry.lower < 1 < entry.upper for entry in comparison.treatments)
    assert 0.015 < wrong / TRIALS < 0.085
    assert 0.915 < covered / TRIALS < 0.985


def test_intervals_hold_the_true_ratios_together():
    dice = np.random.default_rng(202)
    truth = np.array([0.0, math.log(1.5), math.log(0.7)])
    covered = 0
    for _ in range(TRIALS):
        logs = truth + 0.4 * dice.normal(size=(5, 1)) + 0.35 * dice.normal(size=(5, 3))
        logs[dice.integers(5), dice.integers(3)] = np.nan
        values, names, blocks = masses(logs)
        comparison = compare_with_control(
            [None if math.isnan(v) else v for v in values], names, blocks, WATER
        )
        covered += all(
            entry.lower < math.exp(true) < entry.upper
            for entry, true in zip((comparison.of(RINSE), comparison.of(SOAP)), truth[1:], strict=True)
        )
    assert 0.915 < covered / TRIALS < 0.985


def test_a_true_ratio_at_the_margin_is_seldom_called_equivalent():
    dice = np.random.default_rng(303)
    truth = np.array([0.0, math.log(1.3), math.log(1.3)])
    wrong = 0
    for _ in range(TRIALS):
        logs = truth + 0.4 * dice.normal(size=(5, 1)) + 0.08 * dice.normal(size=(5, 3))
        comparison = compare_with_control(*masses(logs), WATER)
        wrong += any(judge(comparison, name, 1.3).within_margin for name in (RINSE, SOAP))
    assert wrong / TRIALS < 0.085


def test_colours_by_chance_alone_are_seldom_called_an_effect():
    dice = np.random.default_rng(404)
    wrong = 0
    for _ in range(TRIALS):
        level = np.exp(1.2 + 0.3 * dice.normal(size=(5, 1)))
        comparison = compare_counts(
            dice.poisson(np.broadcast_to(level, (5, 3))).ravel().tolist(),
            *masses(np.zeros((5, 3)))[1:],
            WATER,
        )
        wrong += any(judge(comparison, name, 1.3).kind in ("better", "worse") for name in (RINSE, SOAP))
    assert wrong / TRIALS < 0.085


def test_places_by_chance_alone_are_seldom_called_an_effect():
    dice = np.random.default_rng(505)
    wrong = 0
    for _ in range(TRIALS):
        values, names, blocks = masses(0.5 * dice.normal(size=(5, 3)))
        values = [BELOW_SCALE if value < 0.8 else value for value in values]
        comparison = compare_gold(values, names, blocks, WATER)
        wrong += any(judge(comparison, name, 1.3).kind in ("better", "worse") for name in (RINSE, SOAP))
    assert wrong / TRIALS < 0.085


@pytest.mark.parametrize("gain", [0.5, 1.0, 3.0])
def test_what_could_have_been_seen_hangs_on_the_control_and_not_on_the_gain_seen(gain):
    from trials.calc.power import detectable_ratio

    water, scatter = [4.0, 5.5, 3.6, 6.1, 4.9], [1.2, 0.8, 1.1, 0.9, 1.05]
    rinse = [gain * mg * more for mg, more in zip(water, scatter, strict=True)]
    values = [mg for pair in zip(water, rinse, strict=True) for mg in pair]
    comparison = compare_gold(values, [WATER, RINSE] * 5, [b for b in range(5) for _ in (0, 1)], WATER)
    expected = detectable_ratio(comparison.sd_log, 5, 2, chance_share=1.0)
    assert judge(comparison, RINSE, 1.2).detectable_ratio == pytest.approx(expected, rel=1e-6)


def test_colours_that_agree_by_luck_could_not_have_seen_through_chance():
    from trials.calc.power import detectable_ratio

    comparison = compare_counts([5, 9, 5, 9, 5, 9], [WATER, RINSE] * 3, [1, 1, 2, 2, 3, 3], WATER)
    found = judge(comparison, RINSE, 1.2)
    # 15 colours against 27: chance alone does that in 7 trials of 100.
    assert (found.kind, found.lower) == ("not shown", 1)
    expected = detectable_ratio(1 / math.sqrt(5), 3, 2, chance_share=1.0, dispersion=1.0)
    assert found.detectable_ratio == pytest.approx(expected, rel=1e-6)


def test_what_a_trial_could_see_is_never_rounded_in_its_favour():
    dice = np.random.default_rng(2)
    for ratio in dice.uniform(1.001, 99, 200):
        for figures in (2, 3):
            assert float(rounded_up(ratio, figures)) >= ratio - 1e-9
    assert rounded_up(1.36, 3) == "1.36"
    with pytest.raises(ValueError, match="must be above 0 and finite"):
        rounded_up(math.inf)


@pytest.mark.parametrize(
    ("failed", "worst"),
    [
        ({"water": 0, "rinse": 2}, "rinse"),
        ({"water": 1, "rinse": 2}, None),
        ({"water": 1, "rinse": 3}, "rinse"),
        ({"water": 0, "rinse": 1}, None),
        ({"water": 3, "rinse": 3}, None),
    ],
)
def test_failures_of_one_treatment_alone_stand_out(failed, worst):
    # Two or more and over twice any other: common practice, no source.
    found = uneven_failures(failed)
    assert (found and found.treatment) == worst


def test_failures_of_no_treatment_are_none_to_speak_of():
    with pytest.raises(ValueError, match="nothing could fail"):
        uneven_failures({})


def test_in_one_order_places_that_show_nothing_speak_of_no_blocks():
    values = [BELOW_SCALE, 3.0, 2.0, BELOW_SCALE] * 3
    found = compare_gold(values, [WATER, RINSE] * 6, [1] * 12, WATER, scale_step_mg=0.1)
    verdict = judge(found, RINSE, 1.25)
    assert verdict.kind == "not shown"
    assert verdict.explanation.startswith("Judged by places in the one order of all runs")
    assert " of 6 blocks" not in verdict.explanation


@pytest.mark.parametrize("effect", [2.0, -2.0])
def test_three_runs_a_side_and_two_degrees_of_freedom_are_enough_to_tell(effect):
    # Two treatments in three blocks leave (3 - 1)(2 - 1) = 2 degrees of freedom (Student's t: 4.303, printed tables).
    logs = np.array([[0.0, effect], [0.01, effect + 0.02], [0.02, effect + 0.01]])
    comparison = compare_with_control(*masses(logs), WATER)
    assert (comparison.df, comparison.control_runs) == (2, 3)
    assert judge(comparison, RINSE, 1.2).kind == ("better" if effect > 0 else "worse")


@pytest.mark.parametrize(
    ("lower", "upper", "better", "worse"),
    [
        (1.0, 2.0, False, False),
        (1.0001, 2.0, True, False),
        (0.5, 1.0, False, False),
        (0.5, 0.9999, False, True),
    ],
)
def test_an_interval_that_ends_on_no_difference_shows_none(lower, upper, better, worse):
    # A 95 % interval leaves a value out where the test rejects it at 5 %; its end is just not rejected (textbook).
    shown = flags(lower, upper, 0.0, 9.0, 0.8, 1.25, nothing=1.0)
    assert (shown.shown_better, shown.shown_worse) == (better, worse)


@pytest.mark.parametrize(
    ("narrow", "wide", "within"),
    [(0.8, 1.1, False), (0.8001, 1.1, True), (0.9, 1.25, False), (0.9, 1.2499, True), (0.7, 1.3, False)],
)
def test_equivalent_only_where_the_interval_lies_inside_the_margin(narrow, wide, within):
    # Two one-sided tests at 5 % (D. J. Schuirmann 1987, from memory): at an end p is 5 %, and not below it.
    assert flags(0.5, 2.0, narrow, wide, 0.8, 1.25, nothing=1.0).shown_equivalent is within


@pytest.mark.parametrize(
    ("failed", "is_uneven"),
    [((0, 1), False), ((0, 2), True), ((1, 2), False), ((1, 3), True), ((2, 4), False), ((2, 5), True)],
)
def test_failures_stand_out_from_two_on_and_at_over_twice_any_other(failed, is_uneven):
    found = uneven_failures(dict(zip(("water", "rinse"), failed, strict=True)))
    assert (found is not None) is is_uneven
    if found:
        assert (found.treatment, found.failed, found.most_elsewhere) == ("rinse", failed[1], failed[0])


@pytest.mark.parametrize("blocks", [5, 6])
def test_by_places_six_blocks_are_the_fewest_that_could_have_shown_one_treatment(blocks):
    """By hand: coming first in all of five blocks has a chance of 2/32 either way, over 5 %; in all of six 2/64."""
    names, rows = [WATER, RINSE] * blocks, [b for b in range(blocks) for _ in range(2)]
    first = judge(compare_gold([BELOW_SCALE, 2.0] * blocks, names, rows, WATER), RINSE, 1.2)
    assert first.kind == ("better" if blocks == 6 else "not shown")
    mixed = ([BELOW_SCALE, 2.0, 2.0, BELOW_SCALE] * blocks)[: 2 * blocks]
    found = judge(compare_gold(mixed, names, rows, WATER), RINSE, 1.2)
    assert found.kind == "not shown"
    assert ("not even a treatment that came first" in found.explanation) is (blocks == 5)
    assert found.more_blocks == (1 if blocks == 5 else None)


@pytest.mark.parametrize("ratio", [0.0, -1.0, math.inf, math.nan])
def test_what_a_trial_could_see_is_a_ratio(ratio):
    with pytest.raises(ValueError, match="above 0 and finite"):
        rounded_up(ratio)


@pytest.mark.parametrize("smallest", [1.0, 0.8, math.inf, math.nan])
def test_a_margin_is_above_one_and_finite(smallest):
    with pytest.raises(ValueError, match="must be above 1"):
        judge(compare_with_control(*fixed_trial((0.1, 0), 0.1), WATER), RINSE, smallest)


@pytest.mark.parametrize(("blocks", "more"), [(0, 3), (1, 2), (2, 1), (3, 1), (4, 1)])
def test_a_trial_without_a_spread_asks_for_three_blocks_and_for_one_at_least(blocks, more):
    assert not_enough(RINSE, "No run of the control counts", 1.3, blocks=blocks).more_blocks == more


def test_runs_all_alike_ask_for_one_more_block_at_least():
    alike = judge(
        compare_masses([2.0] * 12, [WATER, RINSE, SOAP] * 4, [n // 3 for n in range(12)], WATER), RINSE, 1.3
    )
    assert (alike.kind, alike.detectable_ratio) == ("not shown", None)
    assert alike.more_blocks == 1


def test_a_treatment_that_never_ran_could_have_been_seen_with_one_run_of_it():
    values = [1.0, None, 2.0, 1.3, None, 1.9, 1.1, None, 2.2, 0.9, None, 2.0]
    comparison = compare_with_control(values, [WATER, RINSE, SOAP] * 4, [n // 3 for n in range(12)], WATER)
    found = judge(comparison, RINSE, 1.3)
    # Referee: scipy's noncentral t, for one run beside the four of the control.
    shift = math.log(found.detectable_ratio) / (comparison.sd_log * math.sqrt(1 / 1 + 1 / 4))
    critical = comparison.critical_t or critical_t_balanced(comparison.judged_together, comparison.df, 0.95)
    assert stats.nct.sf(critical, comparison.df, shift) == pytest.approx(0.8, abs=1e-4)
