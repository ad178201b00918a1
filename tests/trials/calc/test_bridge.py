import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from trials.calc.bridge import SAME, LogRatio, blocks_for_width, combine, level_of, pooled
from trials.calc.comparison import compare_masses

ratios = st.builds(LogRatio, st.floats(-2, 2), st.floats(0.01, 0.8), st.integers(2, 60).map(float))


def test_a_product_has_the_error_and_degrees_of_freedom_of_the_guide():
    """JCGM 100:2008, G.4.1, example: Y = b X1 X2 X3, relative errors 0.25, 0.57, 0.82 %, n = 10, 5, 15 gives 1.03 % and 19.0,
    t95(19) = 2.09, U95 = 2.2 % (figures from memory; the sums agree)."""
    parts = [LogRatio(0.0, se, n - 1) for se, n in ((0.0025, 10), (0.0057, 5), (0.0082, 15))]
    found = combine([(1, part) for part in parts])
    assert round(100 * found.se, 2) == 1.03
    assert round(found.df, 1) == 19.0
    upper = found.interval()[1] - 1
    assert round(100 * upper, 1) == 2.2


def test_two_means_alike_in_weight_give_welch_s_t_test():
    """A second library as referee: scipy's Welch test reckons the same standard error and degrees of freedom."""
    rng = np.random.default_rng(5)
    one, other = rng.normal(1.0, 0.2, 7), rng.normal(1.3, 0.5, 11)
    parts = [
        LogRatio(float(x.mean()), float(x.std(ddof=1)) / math.sqrt(len(x)), len(x) - 1) for x in (one, other)
    ]
    found = combine([(1, parts[1]), (-1, parts[0])])
    referee = stats.ttest_ind(other, one, equal_var=False)
    assert found.ln / found.se == pytest.approx(referee.statistic)
    assert found.df == pytest.approx(referee.df)
    low, high = referee.confidence_interval(0.95)
    assert found.interval() == pytest.approx((math.exp(low), math.exp(high)))


@given(ratios, ratios)
def test_laws_of_a_chain(one, other):
    chain = combine([(1, one), (1, other)])
    assert chain.ratio == pytest.approx(one.ratio * other.ratio)
    assert chain.se > max(one.se, other.se)
    assert combine([(1, one), (1, SAME)]).interval() == pytest.approx(one.interval())
    low, high = one.interval()
    assert one.inverse.interval() == pytest.approx((1 / high, 1 / low))
    back = combine([(1, chain), (-1, other)])
    assert back.ratio == pytest.approx(one.ratio)
    assert min(one.df, other.df) - 1e-9 <= chain.df <= one.df + other.df + 1e-9
    assert pooled([(4, one), (4, one)]).se == pytest.approx(one.se / math.sqrt(2))


def test_an_interval_that_leaves_out_one():
    assert LogRatio(0.5, 0.1, 20).leaves_out_one
    assert not LogRatio(0.5, 0.4, 20).leaves_out_one
    assert SAME.interval() == (1, 1)
    with pytest.raises(ValueError, match="no|only"):
        LogRatio.of(0.0, 0.1, 3)
    with pytest.raises(ValueError, match="Nothing"):
        combine([])


def test_a_level_s_error_agrees_with_the_bootstrap():
    """Delta method against 20,000 resamplings of the same runs, another route to the spread of ln mean."""
    rng = np.random.default_rng(11)
    runs = rng.gamma(6.0, 1.5, 40)
    resampled = rng.choice(runs, (20_000, len(runs))).mean(axis=1)
    level = level_of(list(runs))
    # The bootstrap's spread has the divisor n.
    assert level.se == pytest.approx(np.log(resampled).std() * math.sqrt(40 / 39), rel=0.04)


@pytest.mark.parametrize(
    ("values", "said"), [([3.0], "at least 2"), ([0.0, 0.0], "some gold"), ([-1.0, 2.0], "some gold")]
)
def test_no_level_without_gold_or_runs(values, said):
    with pytest.raises(ValueError, match=said):
        level_of(values)


def test_simulated_trials_across_a_bridge_are_covered():
    """Grains fall by chance (Poisson) into 10 portions of each arm; the old lot is richer by 1.5. The interval set across the
    bridge must hold the true ratio of the treatments in about 95 of 100 trials; left out, the bridge misses it nearly always."""
    rng = np.random.default_rng(2024)
    blocks, trials = 10, 400
    old_grains, new_grains, gain, grain_mg = 45.0, 30.0, 1.2, 0.1
    held = missed = 0
    for _ in range(trials):
        day = rng.gamma(80, 1 / 80, (3, blocks))
        old, new = (grain_mg * rng.poisson(mean * day[0]) for mean in (old_grains, new_grains))
        compared = compare_masses(
            [*old, *new], ["old"] * blocks + ["new"] * blocks, [*range(blocks)] * 2, "old"
        )
        entry = compared.of("new")
        bridge = LogRatio.of(entry.ratio, entry.se_log, compared.df)
        first = level_of(list(grain_mg * rng.poisson(old_grains * day[1])))
        second = level_of(list(grain_mg * rng.poisson(new_grains * gain * day[2])))
        low, high = combine([(1, second), (-1, bridge), (-1, first)]).interval()
        held += low <= gain <= high
        low, high = combine([(1, second), (-1, first)]).interval()
        missed += not low <= gain <= high
    assert 0.92 <= held / trials <= 0.985
    assert missed / trials > 0.8


def test_blocks_for_a_width_are_the_fewest_that_reach_it():
    for spread, factor in ((0.2, 1.25), (0.35, 1.25), (0.6, 1.5)):
        blocks = blocks_for_width(spread, factor)
        half = [stats.t.ppf(0.975, b - 1) * spread * math.sqrt(2 / b) for b in (blocks - 1, blocks)]
        assert half[0] > math.log(factor) >= half[1]
    assert blocks_for_width(2.0, 1.05) is None
    # However alike the portions, fewer than 7 blocks leave under 6 degrees of freedom.
    assert blocks_for_width(0.01, 1.25) == 7
    with pytest.raises(ValueError, match="above 1"):
        blocks_for_width(0.3, 1.0)
