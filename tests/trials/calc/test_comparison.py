"""Comparison with the control: referees are scipy and statsmodels; laws and edges beside them."""

import math
import time
from itertools import permutations

import numpy as np
import pytest

from trials.calc.comparison import (
    BELOW_SCALE,
    compare_bounded,
    compare_counts,
    compare_gold,
    compare_masses,
    compare_ranks,
    compare_with_control,
)

WATER, LOW, HIGH = "plain water", "rinse low", "rinse high"


def trial(treatments=3, blocks=5, sd=0.3, effect=(0.0, 0.0, 0.0), seed=1, block_sd=0.4):
    dice = np.random.default_rng(seed)
    names = [WATER, LOW, HIGH, *"abcdefghi"][:treatments]
    effect = [*effect, *[0.0] * treatments][:treatments]
    values, labels, rows = [], [], []
    for block in range(blocks):
        level = 1 + block_sd * dice.normal()
        for name, shift in zip(names, effect, strict=True):
            values.append(float(np.exp(level + shift + sd * dice.normal())))
            labels.append(name)
            rows.append(block)
    return values, labels, rows


def test_agrees_with_a_second_library_without_blocks():
    from scipy.stats import dunnett

    dice = np.random.default_rng(5)
    groups = [np.exp(dice.normal(size=size)) for size in (6, 4, 5)]
    names = [name for name, group in zip((WATER, LOW, HIGH), groups, strict=True) for _ in group]
    found = compare_with_control(np.concatenate(groups).tolist(), names, [1] * 15, WATER)
    referee = dunnett(*(np.log(group) for group in groups[1:]), control=np.log(groups[0]), random_state=1)
    ours = [found.of(name).p_adjusted for name in (LOW, HIGH)]
    # The referee draws its p at random, good to about 2e-4.
    assert ours == pytest.approx(referee.pvalue.tolist(), abs=1e-3)
    interval = referee.confidence_interval(0.95)
    assert math.log(found.of(LOW).upper) == pytest.approx(interval.high[0], abs=5e-3)


def test_agrees_with_a_second_library_with_runs_missing():
    import pandas as pd
    import statsmodels.formula.api as smf

    values, names, blocks = trial(treatments=4, blocks=4, seed=8)
    values[0] = values[6] = values[15] = None
    found = compare_with_control(values, names, blocks, WATER)
    frame = pd.DataFrame({"y": values, "t": names, "b": blocks}).dropna()
    frame["y"] = np.log(frame["y"].astype(float))
    referee = smf.ols(f"y ~ C(t, Treatment('{WATER}')) + C(b)", frame).fit()
    row = f"C(t, Treatment('{WATER}'))[T.{LOW}]"
    assert math.log(found.of(LOW).ratio) == pytest.approx(referee.params[row], abs=1e-10)
    assert found.of(LOW).se_log == pytest.approx(referee.bse[row], rel=1e-8)
    assert found.of(LOW).p_alone == pytest.approx(referee.pvalues[row], rel=1e-7)
    assert math.log(found.of(LOW).lower_90) == pytest.approx(referee.conf_int(0.1).loc[row, 0], abs=1e-8)
    assert (found.df, found.runs_used, found.runs_left_out) == (int(referee.df_resid), 13, 3)
    assert any("3 runs without a result" in sentence for sentence in found.assumptions)


def test_intervals_judged_together_are_wider_than_those_alone():
    found = compare_with_control(*trial(), WATER).of(LOW)
    assert (
        found.lower
        < found.lower_95
        < found.lower_90
        < found.ratio
        < found.upper_90
        < found.upper_95
        < found.upper
    )
    assert found.lower < found.equivalence_lower < found.lower_90
    assert found.p_adjusted > found.p_alone


def test_units_and_blocks_cancel_in_a_ratio():
    values, names, blocks = trial(seed=4)
    plain = compare_with_control(values, names, blocks, WATER)
    scaled = compare_with_control(
        [1000 * v * (1 + b) for v, b in zip(values, blocks, strict=True)], names, blocks, WATER
    )
    assert scaled.of(LOW).ratio == pytest.approx(plain.of(LOW).ratio, rel=1e-9)
    assert scaled.of(HIGH).upper == pytest.approx(plain.of(HIGH).upper, rel=1e-9)


def test_means_are_geometric_and_make_the_ratio():
    values, names, blocks = trial(seed=4)
    found = compare_with_control(values, names, blocks, WATER)
    water = [v for v, n in zip(values, names, strict=True) if n == WATER]
    assert found.control_mean == pytest.approx(math.exp(sum(map(math.log, water)) / 5), rel=1e-9)
    assert found.of(LOW).mean / found.control_mean == pytest.approx(found.of(LOW).ratio, rel=1e-9)


def test_shows_its_working():
    found = compare_with_control(*trial(), WATER)
    text = " ".join(f"{row.label} {row.value} {row.source}" for row in found.working)
    assert f"{found.critical_t:.4g}" in text
    assert f"{LOW} / {WATER}" in text
    assert "Dunnett" in text
    assert all(
        len(entry) == 4 and all(isinstance(part, str) for part in entry)
        for row in found.working
        for entry in row.inputs
    )


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({0: 0.0}, "0.0 mg for plain water in block 0"),
        ({0: BELOW_SCALE}, "below the scale"),
        ({0: float("nan")}, "nan for plain water"),
        ({0: float("inf")}, "inf mg"),
        ({0: -2.0}, "-2.0 mg"),
        ({0: None, 3: None, 6: None, 9: None, 12: None}, "the control has no run"),
    ],
)
def test_refuses_what_has_no_logarithm_and_a_trial_without_control(change, says):
    values, names, blocks = trial()
    for index, value in change.items():
        values[index] = value
    with pytest.raises(ValueError, match=says):
        compare_with_control(values, names, blocks, WATER)


def test_refuses_a_single_block():
    with pytest.raises(ValueError, match="0 degrees of freedom"):
        compare_with_control([1.0, 2.0, 3.0], [WATER, LOW, HIGH], [1, 1, 1], WATER)
    with pytest.raises(ValueError, match="0 degrees of freedom"):
        compare_counts([1, 2, 3], [WATER, LOW, HIGH], [1, 1, 1], WATER)


def test_names_a_treatment_that_cannot_be_compared():
    values, names, blocks = trial()
    values = [None if name == HIGH else value for name, value in zip(names, values, strict=True)]
    found = compare_with_control(values, names, blocks, WATER)
    assert found.of(HIGH).ratio is None
    assert "No run of rinse high counts" in found.of(HIGH).note
    # One comparison is left, and it is judged as one.
    assert found.of(LOW).p_adjusted == pytest.approx(found.of(LOW).p_alone)


def test_blocks_that_share_nothing_with_the_control_tell_nothing():
    values = [1.0, 1.5, 1.2, 1.6, 2.0, 2.1, 1.9, 2.2]
    names = [WATER, LOW, WATER, LOW, HIGH, "soap", HIGH, "soap"]
    found = compare_with_control(values, names, [1, 1, 2, 2, 3, 3, 4, 4], WATER)
    assert found.of(LOW).ratio is not None
    assert "No block ties" in found.of(HIGH).note


def test_runs_alike_to_the_last_digit_get_no_interval_but_that_of_the_scale():
    values, names, blocks = [2.0, 3.0] * 4, [WATER, LOW] * 4, [1, 1, 2, 2, 3, 3, 4, 4]
    bare = compare_with_control(values, names, blocks, WATER).of(LOW)
    assert (bare.ratio, bare.lower, bare.p_adjusted) == (pytest.approx(1.5), None, None)
    assert "hides their spread" in bare.note
    stepped = compare_with_control(values, names, blocks, WATER, scale_step_mg=0.5)
    # Rounding to a step has the variance step^2 / 12; in ln mg divided by the mass squared, averaged over 2 and 3 mg.
    assert stepped.sd_log == pytest.approx(math.sqrt((0.25**2 + (1 / 6) ** 2) / 2 / 12))
    assert stepped.of(LOW).lower < 1.5 < stepped.of(LOW).upper


def test_chooses_places_only_when_many_runs_are_below_the_scale():
    values, names, blocks = trial()
    assert compare_gold(values, names, blocks, WATER, scale_step_mg=0.5).route == "mass"
    values[0] = BELOW_SCALE
    assert compare_gold(values, names, blocks, WATER, scale_step_mg=0.5).route == "mass"
    # Nobody knows how little that is.
    assert compare_gold(values, names, blocks, WATER).route == "ranks"
    # More than half of one treatment's runs, though a fifth of all.
    values[3] = values[6] = BELOW_SCALE
    assert compare_gold(values, names, blocks, WATER, scale_step_mg=0.5).route == "ranks"


def test_whatever_runs_below_the_scale_weighed_the_intervals_hold_it():
    dice = np.random.default_rng(3)
    step, held = 0.3, 0
    for _ in range(60):
        treatments, blocks = dice.integers(2, 5), dice.integers(3, 7)
        names = [f"treatment {number}" for number in range(treatments)] * blocks
        rows = [block for block in range(blocks) for _ in range(treatments)]
        # Few coarse grains: a gamma of the same relative spread (0.63).
        masses = dice.gamma(2.5, 1 / 2.5, treatments * blocks)
        seen = [BELOW_SCALE if mg < step / 2 else max(step, round(mg / step) * step) for mg in masses]
        found = compare_gold(seen, names, rows, names[0], scale_step_mg=step)
        if found.route != "mass" or not found.runs_below_scale:
            continue
        for _ in range(4):
            known = [float(dice.uniform(0.0005, step)) if mg == BELOW_SCALE else mg for mg in seen]
            inner = compare_masses(known, names, rows, names[0], scale_step_mg=step)
            for entry in found.treatments:
                other = inner.of(entry.treatment)
                for end in ("lower", "lower_90", "lower_95", "equivalence_lower"):
                    assert getattr(entry, end) <= getattr(other, end) * 1.001
                for end in ("upper", "upper_90", "upper_95", "equivalence_upper"):
                    assert getattr(entry, end) >= getattr(other, end) / 1.001
                held += 1
    assert held > 50


# Masses, variance proportional to the mean


def test_masses_agree_with_a_second_library_with_runs_missing():
    import pandas as pd
    import statsmodels.api as sm
    import statsmodels.formula.api as smf

    values, names, blocks = trial(treatments=4, blocks=4, seed=8)
    values[0] = values[6] = values[15] = None
    found = compare_masses(values, names, blocks, WATER)
    frame = pd.DataFrame({"y": values, "t": names, "b": blocks}).dropna()
    frame["y"] = frame["y"].astype(float)
    referee = smf.glm(f"y ~ C(t, Treatment('{WATER}')) + C(b)", frame, family=sm.families.Poisson()).fit(
        scale="X2", tol=1e-12
    )
    row = f"C(t, Treatment('{WATER}'))[T.{LOW}]"
    assert found.dispersion == pytest.approx(referee.scale, rel=1e-6)
    assert math.log(found.of(LOW).ratio) == pytest.approx(referee.params[row], abs=1e-7)
    assert found.of(LOW).se_log == pytest.approx(referee.bse[row], rel=1e-5)
    assert (found.df, found.runs_used, found.runs_left_out) == (int(referee.df_resid), 13, 3)
    everywhere = pd.DataFrame({"t": [LOW] * 4, "b": sorted(set(blocks))})
    assert found.of(LOW).mean == pytest.approx(float(referee.predict(everywhere).mean()), rel=1e-7)


def test_masses_of_complete_blocks_compare_the_totals():
    values, names, blocks = trial(seed=4)
    found = compare_gold(values, names, blocks, WATER)
    totals = {name: sum(v for v, n in zip(values, names, strict=True) if n == name) for name in (WATER, LOW)}
    assert found.of(LOW).ratio == pytest.approx(totals[LOW] / totals[WATER], rel=1e-9)
    assert found.control_mean == pytest.approx(totals[WATER] / 5, rel=1e-9)
    assert found.sd_log == pytest.approx(math.sqrt(found.dispersion / found.control_mean))
    # Variance of a total's logarithm is dispersion / total.
    expected = math.sqrt(found.dispersion * (1 / totals[LOW] + 1 / totals[WATER]))
    assert found.of(LOW).se_log == pytest.approx(expected, rel=1e-9)


def test_masses_do_not_hang_on_their_unit():
    values, names, blocks = trial(seed=4)
    plain = compare_masses(values, names, blocks, WATER)
    for factor in (1e-4, 1e5):
        scaled = compare_masses([factor * value for value in values], names, blocks, WATER)
        assert scaled.of(LOW).ratio == pytest.approx(plain.of(LOW).ratio, rel=1e-9)
        assert scaled.of(HIGH).upper == pytest.approx(plain.of(HIGH).upper, rel=1e-7)
        assert scaled.sd_log == pytest.approx(plain.sd_log, rel=1e-7)


def test_masses_alike_to_the_last_digit_get_no_interval_but_that_of_the_scale():
    values, names, blocks = [2.0, 3.0] * 4, [WATER, LOW] * 4, [1, 1, 2, 2, 3, 3, 4, 4]
    bare = compare_masses(values, names, blocks, WATER)
    assert (bare.of(LOW).ratio, bare.of(LOW).lower, bare.sd_log) == (pytest.approx(1.5), None, None)
    stepped = compare_masses(values, names, blocks, WATER, scale_step_mg=0.5)
    # step^2 / 12 over the mean, averaged over 2 and 3 mg.
    assert stepped.dispersion == pytest.approx(0.5**2 / 12 * (1 / 2 + 1 / 3) / 2)
    assert stepped.of(LOW).lower < 1.5 < stepped.of(LOW).upper


@pytest.mark.parametrize(
    ("value", "says"), [(0.0, "0.0 mg"), (BELOW_SCALE, "below the scale"), (-2.0, "-2.0")]
)
def test_masses_refuse_what_is_no_weight(value, says):
    values, names, blocks = trial()
    values[0] = value
    with pytest.raises(ValueError, match=says):
        compare_masses(values, names, blocks, WATER)


def test_masses_refuse_a_single_block():
    with pytest.raises(ValueError, match="0 degrees of freedom"):
        compare_masses([1.0, 2.0, 3.0], [WATER, LOW, HIGH], [1, 1, 1], WATER)


# Places


def enumerate_levels(values, names, blocks):
    """Levels of the rank sums by going through every order of every block, for small trials."""
    rows = {}
    for value, name, block in zip(values, names, blocks, strict=True):
        rows.setdefault(block, {})[name] = value
    order = list(dict.fromkeys(names))
    ranked = []
    for row in rows.values():
        masses = [row[name] for name in order]
        ranked.append([sum(m < x for m in masses) + (sum(m == x for m in masses) + 1) / 2 for x in masses])
    seen = [abs(sum(row[i] - row[0] for row in ranked)) for i in range(1, len(order))]
    sums = [(0.0,) * len(seen)]
    for row in ranked:
        sums = [
            tuple(total + shuffled[i + 1] - shuffled[0] for i, total in enumerate(so_far))
            for so_far in sums
            for shuffled in permutations(row)
        ]
    largest = [max(map(abs, entry)) for entry in sums]
    return [sum(value >= d - 1e-9 for value in largest) / len(largest) for d in seen]


@pytest.mark.parametrize("below", [(), (0,), (0, 4, 6)])
def test_levels_by_places_agree_with_going_through_every_order(below):
    values, names, blocks = trial(blocks=4, effect=(0, 0.3, 0.8), seed=6)
    for index in below:
        values[index] = BELOW_SCALE
    found = compare_ranks(values, names, blocks, WATER)
    assert [entry.p_adjusted for entry in found.treatments] == pytest.approx(
        enumerate_levels(values, names, blocks)
    )


def test_two_treatments_by_places_are_the_sign_test():
    # 6 wins of 6: 2 / 2^6, the sign test's two-sided level.
    found = compare_ranks(
        [BELOW_SCALE, 1.0] * 6, [WATER, LOW] * 6, [b for b in range(6) for _ in (0, 1)], WATER
    )
    assert found.of(LOW).p_adjusted == pytest.approx(2 / 64)


def test_shuffles_agree_with_the_exact_count():
    values, names, blocks = trial(blocks=6, effect=(0, 0.2, 0.4), seed=9)
    values[0] = BELOW_SCALE
    exact = compare_ranks(values, names, blocks, WATER).of(HIGH).p_adjusted
    # A seventh block with one run alone says nothing, but the exact count then steps aside.
    shuffled = compare_ranks([*values, 1.0], [*names, HIGH], [*blocks, 99], WATER).of(HIGH).p_adjusted
    # 40,000 shuffles: standard error at most 0.0025.
    assert shuffled == pytest.approx(exact, abs=0.008)


def test_all_runs_below_the_scale_say_nothing():
    found = compare_ranks([BELOW_SCALE] * 9, [WATER, LOW, HIGH] * 3, [1, 1, 1, 2, 2, 2, 3, 3, 3], WATER)
    assert [entry.p_adjusted for entry in found.treatments] == [1.0, 1.0]
    assert found.sd_log is None


def test_places_refuse_a_zero():
    with pytest.raises(ValueError, match="give 0 as below the scale"):
        compare_ranks([0.0, 1.0], [WATER, LOW], [1, 1], WATER)


# Colours


def test_counts_agree_with_a_second_library():
    import pandas as pd
    import statsmodels.api as sm
    import statsmodels.formula.api as smf

    values, names, blocks = trial(treatments=4, seed=3, effect=(0, 0.5, 0.2, 0))
    counts = [int(6 * value) for value in values]
    counts[3] = None
    found = compare_counts(counts, names, blocks, WATER)
    frame = pd.DataFrame({"y": counts, "t": names, "b": blocks}).dropna()
    referee = smf.glm(f"y ~ C(t, Treatment('{WATER}')) + C(b)", frame, family=sm.families.Poisson()).fit(
        scale="X2"
    )
    row = f"C(t, Treatment('{WATER}'))[T.{LOW}]"
    assert referee.scale > 1
    assert found.dispersion == pytest.approx(referee.scale, rel=1e-6)
    assert math.log(found.of(LOW).ratio) == pytest.approx(referee.params[row], abs=1e-7)
    assert found.of(LOW).se_log == pytest.approx(referee.bse[row], rel=1e-5)


def test_scatter_that_chance_hardly_ever_shows_is_taken_as_luck():
    from scipy.stats import chi2

    found = compare_counts([5, 9, 5, 9, 5, 9], [WATER, LOW] * 3, [1, 1, 2, 2, 3, 3], WATER)
    # No scatter at all within blocks: the lowest tenth of chi-squared (a second library) over its 2 df.
    least = chi2.ppf(0.1, 2) / 2
    assert found.dispersion == pytest.approx(least)
    # Equal blocks, so the totals decide: variance of a log count is 1 / count.
    assert found.of(LOW).se_log == pytest.approx(math.sqrt(least * (1 / 15 + 1 / 27)), rel=1e-6)
    # What equal runs truly scatter is not below chance.
    assert found.sd_log == pytest.approx(1 / math.sqrt(5))
    assert any("9 trials in 10" in sentence for sentence in found.assumptions)


def test_runs_that_agree_by_luck_show_nothing_that_chance_explains():
    from scipy.stats import norm

    alike = compare_counts([5, 9, 5, 9, 5, 9], [WATER, LOW] * 3, [1, 1, 2, 2, 3, 3], WATER).of(LOW)
    # Student's interval leaves out 1 (4.303 standard errors at 2 df, any printed table of t), chance alone does not.
    se = math.sqrt(1 / 15 + 1 / 27)
    assert math.log(27 / 15) > 4.303 * alike.se_log
    assert alike.lower == alike.lower_95 == 1
    assert alike.upper == pytest.approx(27 / 15 * math.exp(4.303 * alike.se_log), rel=1e-4)
    assert alike.p_adjusted == alike.p_alone == pytest.approx(2 * norm.sf(math.log(27 / 15) / se))
    assert alike.equivalence_upper == pytest.approx(27 / 15 * math.exp(1.645 * se), rel=1e-3)
    # The same the other way round.
    fewer = compare_counts([9, 5, 9, 5, 9, 5], [WATER, LOW] * 3, [1, 1, 2, 2, 3, 3], WATER).of(LOW)
    assert fewer.upper == 1
    assert fewer.lower == pytest.approx(1 / alike.upper)
    # Ten times the colours are beyond chance.
    many = compare_counts([50, 90, 50, 90, 50, 90], [WATER, LOW] * 3, [1, 1, 2, 2, 3, 3], WATER).of(LOW)
    assert many.lower > 1


def test_scatter_above_chance_is_judged_by_students_t_alone():
    from scipy.stats import t

    found = compare_counts([2, 30, 20, 35, 9, 60], [WATER, LOW] * 3, [1, 1, 2, 2, 3, 3], WATER)
    entry = found.of(LOW)
    assert found.dispersion > 2
    assert entry.lower == pytest.approx(entry.ratio * math.exp(-t.ppf(0.975, 2) * entry.se_log))
    assert entry.p_adjusted == pytest.approx(2 * t.sf(math.log(entry.ratio) / entry.se_log, 2))


def test_a_treatment_without_colours_gets_an_upper_limit():
    from scipy.stats import binomtest

    found = compare_counts([4, 0, 5, 0, 3, 0], [WATER, LOW] * 3, [1, 1, 2, 2, 3, 3], WATER).of(LOW)
    # Exact limit given the sum of 12 colours in equal runs (Clopper and Pearson, from a second library).
    top = binomtest(0, 12, 0.5).proportion_ci(0.95).high
    assert (found.ratio, found.lower) == (0.0, 0.0)
    assert found.upper == pytest.approx(top / (1 - top), rel=1e-6)
    assert found.p_adjusted == pytest.approx(2 * 0.5**12)


def test_a_control_without_colours_gives_a_lower_limit_only():
    found = compare_counts([0, 4, 0, 5, 0, 3], [WATER, LOW] * 3, [1, 1, 2, 2, 3, 3], WATER).of(LOW)
    assert (found.ratio, found.upper) == (None, None)
    assert found.lower > 1


def test_no_colour_anywhere_says_so():
    found = compare_counts([0] * 6, [WATER, LOW] * 3, [1, 1, 2, 2, 3, 3], WATER).of(LOW)
    assert found.p_adjusted is None
    assert "Neither" in found.note


def test_counts_are_whole():
    with pytest.raises(ValueError, match="whole number"):
        compare_counts([1.5, 2, 3, 4], [WATER, LOW] * 2, [1, 1, 2, 2], WATER)


@pytest.mark.parametrize("missing", [0, 5])
def test_twelve_treatments_of_ten_blocks_are_quick(missing):
    values, names, blocks = trial(treatments=12, blocks=10)
    for index in range(missing):
        values[index * 13] = None
    start = time.process_time()
    compare_with_control(values, names, blocks, WATER)
    assert time.process_time() - start < 0.5


def test_carries_the_one_sided_t_of_equivalence_and_the_gain():
    from scipy.stats import t

    values, names, blocks = trial(treatments=4, blocks=5, seed=8)
    found = compare_masses(values, names, blocks, WATER)
    # 5 % on one side, shared out over three comparisons.
    assert found.equivalence_t == pytest.approx(t.ppf(1 - 0.05 / 3, found.df))
    entry = found.of(LOW)
    assert entry.equivalence_upper == pytest.approx(
        entry.ratio * math.exp(found.equivalence_t * entry.se_log)
    )
    assert found.gain(LOW) == pytest.approx(entry.mean - found.control_mean)
    by_place = compare_ranks(values, names, blocks, WATER)
    assert (by_place.equivalence_t, by_place.gain(LOW)) == (None, None)


@pytest.mark.parametrize("gain", [0.4, 0.8, 1.0, 1.3, 2.5])
def test_the_interval_of_the_gain_reaches_as_far_as_its_standard_error_asks(gain: float):
    """Referee: statsmodels' covariance of a log-linear model, carried over to the difference of two middles (delta method)."""
    dice = np.random.default_rng(31)
    level = np.exp(0.3 * dice.normal(size=8))
    gold = [float(mg * each * dice.uniform(5, 9)) for mg in level for each in (1.0, gain)]
    blocks = [block for block in range(8) for _ in (0, 1)]
    found = compare_gold(gold, [WATER, LOW] * 8, blocks, WATER)
    entry = found.of(LOW)
    columns = np.column_stack([[0.0, 1.0] * 8, *([float(b == k) for b in blocks] for k in range(8))])
    import statsmodels.api as sm

    fitted = sm.GLM(np.array(gold), columns, family=sm.families.Poisson()).fit(scale="X2")
    each = np.exp(fitted.params[1:])
    ratio = math.exp(fitted.params[0])
    slope = np.concatenate([[ratio * each.mean()], (ratio - 1) * each / 8])
    se = math.sqrt(slope @ fitted.cov_params() @ slope)
    # Student's t for 95 % and 7 degrees of freedom: 2.365 (tables).
    reach = (found.gain_at(LOW, entry.upper) - found.gain_at(LOW, entry.lower)) / 2
    assert 2.364 * se < reach < 1.15 * 2.365 * se
    assert found.gain_at(LOW, entry.ratio) == pytest.approx(found.gain(LOW))


def test_a_gain_is_above_nothing_just_where_its_ratio_is_above_one():
    found = compare_gold([3.1, 3.9, 4.4, 5.1, 2.2, 2.9], [WATER, LOW] * 3, [1, 1, 2, 2, 3, 3], WATER)
    assert found.gain_at(LOW, 0.99) < 0 == found.gain_at(LOW, 1.0) < found.gain_at(LOW, 1.01)
    # No run loses more than there is, and a limit out of all use has no figure.
    assert found.gain_at(LOW, 0.0) == found.gain_at(LOW, 1e-6) == -found.control_mean
    assert found.gain_at(LOW, 1e9) is None and found.gain_at(LOW, None) is None


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: compare_masses([1, 2], ["a"], [1, 1], "a"), "one of each for every run"),
        (lambda: compare_masses([1, 2], ["a", "b"], [1], "a"), "one of each for every run"),
        (lambda: compare_masses([1, 2], ["a", "a"], [1, 2], "a"), "the only treatment"),
        (
            lambda: compare_bounded([1, BELOW_SCALE] * 3, ["a", "b"] * 3, [1, 1, 2, 2, 3, 3], "a"),
            "scale step 0.0 mg",
        ),
        (
            lambda: compare_masses([1, 2, 2, 5, 3, 4], ["a", "b"] * 3, [1, 1, 2, 2, 3, 3], "a").of("a"),
            "no treatment compared with a",
        ),
        (
            lambda: compare_masses([1, 2, 2, 5, 3, 4], ["a", "b"] * 3, [1, 1, 2, 2, 3, 3], "a").of("c"),
            "no treatment compared with a",
        ),
    ],
)
def test_refuses_runs_and_questions_that_make_no_comparison(call, said):
    with pytest.raises(ValueError, match=said):
        call()


def apart_from_the_control(low, high, soap):
    """Rinse beside the control in three blocks; soap and salt by themselves in three others."""
    values = [*low, *high, *soap]
    names = ["water", "rinse"] * 3 + ["soap", "salt"] * 3
    return values, names, [1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6]


@pytest.mark.parametrize("compare", [compare_masses, compare_counts])
def test_a_treatment_that_never_ran_beside_the_control_has_no_ratio(compare):
    runs = apart_from_the_control([4, 7, 5, 9], [6, 8], [3, 5, 4, 9, 5, 6])
    found = compare(*runs, "water")
    assert found.of("rinse").ratio > 1
    for name in ("soap", "salt"):
        assert found.of(name).ratio is found.of(name).lower is None
        assert found.of(name).note


def test_nor_has_it_one_where_runs_are_below_the_scale():
    runs = apart_from_the_control([4, 7, 5, 9], [6, 8], [3, 5, 4, BELOW_SCALE, 5, 6])
    found = compare_bounded(*runs, "water", scale_step_mg=0.5)
    assert found.runs_below_scale == 1
    assert found.of("salt").ratio is found.of("salt").lower is None
    assert found.of("rinse").lower < found.of("rinse").ratio < found.of("rinse").upper


def test_where_nothing_ran_beside_the_control_nothing_is_compared():
    values = [4.0, 5.0, 6.0, 7.0, 9.0, 8.0]
    found = compare_masses(values, ["water"] * 3 + ["rinse"] * 3, [1, 1, 1, 2, 2, 2], "water")
    assert found.of("rinse").ratio is None
    assert found.critical_t is None


def test_where_only_empty_blocks_hold_both_counts_have_no_ratio_and_say_why():
    # Water and rinse stand side by side in two blocks, and neither shows a colour there: nothing ties one to the other.
    counts = [0, 0, 0, 0, 3, 4, 5, 6, 4, 2, 6, 3]
    names = ["water", "rinse"] * 2 + ["water", "soap"] * 2 + ["rinse", "salt"] * 2
    found = compare_counts(counts, names, [1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6], "water")
    assert found.of("rinse").blocks_compared == 2
    assert found.of("rinse").ratio is None
    assert found.of("rinse").note
    assert found.of("soap").ratio is not None
