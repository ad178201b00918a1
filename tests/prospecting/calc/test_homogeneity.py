import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from prospecting.calc import homogeneity, sampling

values = st.floats(1, 20)
units = st.lists(st.tuples(values, values), min_size=3, max_size=15).filter(
    lambda pairs: max(abs(a - b) for a, b in pairs) > 0.01
)


@given(units)
def test_mean_squares_agree_with_an_analysis_of_variance(pairs):
    first, second = zip(*pairs, strict=True)
    found = homogeneity.sufficient_homogeneity(first, second, 1.0)
    frame = pd.DataFrame({"unit": [str(i) for i in range(len(pairs))] * 2, "result": [*first, *second]})
    # Referee: statsmodels.
    table = anova_lm(ols("result ~ unit", frame).fit())
    assert found.ms_between == pytest.approx(table["mean_sq"]["unit"], rel=1e-6, abs=1e-9)
    assert found.ms_within == pytest.approx(table["mean_sq"]["Residual"], rel=1e-6)
    assert found.f_p_value == pytest.approx(table["PR(>F)"]["unit"], rel=1e-5, abs=1e-9)


@given(units, st.floats(0.01, 100), st.floats(0.1, 3))
def test_the_verdict_knows_no_unit_and_no_order_within_pairs(pairs, unit, sigma):
    first, second = zip(*pairs, strict=True)
    found = homogeneity.sufficient_homogeneity(first, second, sigma)
    other = homogeneity.sufficient_homogeneity(
        [unit * b for b in second], [unit * a for a in first], unit * sigma
    )
    assert other.s_sam == pytest.approx(unit * found.s_sam, rel=1e-6, abs=1e-6 * unit)
    assert other.cochran.statistic == pytest.approx(found.cochran.statistic)
    assert other.critical_value == pytest.approx(unit**2 * found.critical_value)


@given(units, st.floats(0.1, 3), st.floats(1, 3))
def test_a_looser_purpose_never_turns_a_pass_into_a_fail(pairs, sigma, looser):
    first, second = zip(*pairs, strict=True)
    strict = homogeneity.sufficient_homogeneity(first, second, sigma)
    loose = homogeneity.sufficient_homogeneity(first, second, sigma * looser)
    assert loose.passes or not strict.passes
    assert loose.passes_without_allowance or not strict.passes_without_allowance


def test_the_factors_are_those_of_the_published_table():
    # Fearn and Thompson (2001), table 1; values from memory.
    table = {
        20: (1.59, 0.57),
        15: (1.69, 0.71),
        12: (1.79, 0.86),
        10: (1.88, 1.01),
        8: (2.01, 1.25),
        7: (2.10, 1.43),
    }
    for count, factors in table.items():
        found = homogeneity.homogeneity_factors(count)
        assert (found.f1, found.f2) == pytest.approx(factors, abs=0.005)


def test_cochrans_limit_is_passed_as_rarely_as_it_says():
    rng = np.random.default_rng(1)
    for groups, replicates in ((10, 2), (8, 3)):
        variances = rng.standard_normal((40_000, groups, replicates)).var(axis=2, ddof=1)
        statistic = variances.max(axis=1) / variances.sum(axis=1)
        beyond = np.mean(statistic > homogeneity.cochran_critical(groups, replicates))
        assert beyond == pytest.approx(0.05, abs=0.005)


def test_a_lot_at_the_allowed_spread_fails_as_rarely_as_the_test_means():
    # Fearn and Thompson: a lot whose sd between units is just 0.3 sigma fails in about 5 % of tests, or less.
    rng = np.random.default_rng(2)
    fails = 0
    for _ in range(2000):
        unit = rng.normal(10, 0.3, 10)
        first, second = (unit + rng.normal(0, 0.2, 10) for _ in range(2))
        fails += not homogeneity.sufficient_homogeneity(first, second, 1.0).passes
    assert 0.01 < fails / 2000 < 0.06


def test_an_outlying_pair_is_named_and_an_imprecise_assay_said():
    first, second = [10.0, 10.2, 9.9, 10.1, 10.0], [10.1, 10.1, 13.0, 10.0, 9.9]
    found = homogeneity.sufficient_homogeneity(first, second, 1.0)
    assert found.cochran.is_outlying and found.cochran.pair == 2
    assert not found.has_power and not found.has_advised_units


def portions(rng, grains, blend_sd, count):
    """Gold of equal portions: Poisson grains of 0.1 mg about a portion's own share of the lot."""
    share = rng.normal(1, blend_sd, count).clip(0) if blend_sd else np.ones(count)
    return 0.1 * rng.poisson(grains * share)


def judged(results, tolerated):
    """The verdict with the floor at the mean grade of the results themselves, as it is meant."""
    floor = sampling.counting_spread(results.mean() / 0.1)
    return homogeneity.against_counting_floor(results, floor, tolerated=tolerated).verdict


@pytest.mark.parametrize("grains", [3, 10, 40])
def test_a_perfect_blend_is_rarely_called_uneven(grains):
    rng = np.random.default_rng(3)
    verdicts = [judged(portions(rng, grains, 0, 12), 0.2) for _ in range(4000)]
    assert 0.035 < verdicts.count(homogeneity.UNEVEN) / 4000 < 0.06


def test_so_many_portions_tell_what_they_were_said_to_tell():
    rng = np.random.default_rng(4)
    grains = 40
    floor = sampling.counting_spread(grains)
    needed = homogeneity.portions_to_tell(floor, floor)
    verdicts = {
        blend: [judged(portions(rng, grains, blend, needed), floor) for _ in range(1000)]
        for blend in (0.0, floor)
    }
    assert verdicts[0.0].count(homogeneity.EVEN) / 1000 == pytest.approx(0.82, abs=0.06)
    assert verdicts[floor].count(homogeneity.UNEVEN) / 1000 == pytest.approx(0.82, abs=0.06)
    # A lot just at what is tolerated must hardly ever pass for even.
    assert verdicts[floor].count(homogeneity.EVEN) / 1000 < 0.065


def test_the_floor_test_is_that_of_dispersion_when_results_are_counts():
    counts = [3, 5, 2, 8, 4, 6]
    mean = sum(counts) / len(counts)
    found = homogeneity.against_counting_floor(counts, sampling.counting_spread(mean), tolerated=0.3)
    counted = sampling.dispersion_test(counts)
    assert (found.chi2, found.df, found.p_upper) == pytest.approx((counted.chi2, counted.df, counted.p_upper))


@given(st.lists(st.floats(0.5, 20), min_size=3, max_size=20), st.floats(0.05, 1), st.floats(0.02, 2))
def test_the_verdict_says_uneven_even_or_nothing_and_widens_with_confidence(results, floor, tolerated):
    found = homogeneity.against_counting_floor(results, floor, tolerated=tolerated)
    surer = homogeneity.against_counting_floor(results, floor, tolerated=tolerated, level=0.99)
    assert surer.beyond_high >= found.beyond_high >= 0
    assert found.beyond <= found.beyond_high + 1e-9
    if found.verdict == homogeneity.EVEN:
        assert found.beyond_high <= tolerated
    if surer.verdict != homogeneity.NOT_SHOWN:
        assert surer.verdict == homogeneity.UNEVEN or found.verdict == homogeneity.EVEN


def test_what_is_called_visible_is_seen_as_often_as_was_asked():
    rng = np.random.default_rng(5)
    visible = homogeneity.against_counting_floor([1.0, 1.1, 0.9, 1.0, 1.2, 0.8], 0.1, tolerated=0.05).visible
    sd = math.hypot(0.1, visible)
    seen = sum(
        homogeneity.against_counting_floor(
            rng.normal(1000, 1000 * sd / 50, 6), 0.1 / 50, tolerated=0.001
        ).verdict
        == homogeneity.UNEVEN
        for _ in range(2000)
    )
    assert seen / 2000 == pytest.approx(0.8, abs=0.03)


def test_a_spread_that_does_no_harm_is_even_enough_even_when_it_can_be_seen():
    results = [10 + 0.3 * math.sin(i) for i in range(300)]
    found = homogeneity.against_counting_floor(results, 0.01, tolerated=0.1)
    assert found.p_upper < 0.001 and found.verdict == homogeneity.EVEN


def test_a_difference_far_below_the_floor_takes_more_portions_than_there_are():
    assert homogeneity.portions_to_tell(0.5, 0.01) is None
    few, many = homogeneity.portions_to_tell(0.2, 0.6), homogeneity.portions_to_tell(0.2, 0.1)
    assert few < 10 < many


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: homogeneity.sufficient_homogeneity([1.0], [2.0], 1), "at least 2"),
        (lambda: homogeneity.sufficient_homogeneity([1, 2], [1, 2], 1), "alike"),
        (lambda: homogeneity.sufficient_homogeneity([1, 2], [2, 1], 0), "sigma_target"),
        (lambda: homogeneity.sufficient_homogeneity([1, math.nan], [2, 1], 1), "finite"),
        (lambda: homogeneity.cochran_critical(1, 2), "two groups"),
        (lambda: homogeneity.cochran_critical(5, 2, 5), "alpha"),
        (lambda: homogeneity.homogeneity_factors(1), "two units"),
        (lambda: homogeneity.against_counting_floor([1, 2], 0, tolerated=0.1), "floor"),
        (lambda: homogeneity.against_counting_floor([1, 2], 1.5, tolerated=0.1), "one grain"),
        (lambda: homogeneity.against_counting_floor([1, 2], 0.5, tolerated=0), "tolerated"),
        (lambda: homogeneity.against_counting_floor([1, -2], 0.5, tolerated=0.1), "less than nothing"),
        (lambda: homogeneity.against_counting_floor([0, 0], 0.5, tolerated=0.1), "without any gold"),
        (lambda: homogeneity.against_counting_floor([1, 2], 0.5, tolerated=0.1, level=1), "level"),
        (lambda: homogeneity.against_counting_floor([1, 2], 0.5, tolerated=0.1, power=0.01), "power"),
        (lambda: homogeneity.portions_to_tell(0.1, -0.1), "above zero"),
    ],
)
def test_refuses_lots_that_cannot_be(make, says):
    with pytest.raises(ValueError, match=says):
        make()


@given(st.lists(st.floats(0.5, 20), min_size=3, max_size=12))
def test_equal_portions_are_judged_alike_by_both_ways_to_the_counting_floor(results):
    mean = sum(results) / len(results)
    floor = 0.3
    one = homogeneity.against_counting_floor(results, floor, tolerated=0.2)
    other = homogeneity.against_chance(results, [454.0] * len(results), grain=floor**2 * mean, tolerated=0.2)
    assert other.chi2 == pytest.approx(one.chi2, rel=1e-9, abs=1e-12)
    assert (other.verdict, other.visible, other.portions_that_would_tell) == (
        one.verdict,
        pytest.approx(one.visible),
        one.portions_that_would_tell,
    )


def test_a_portion_twice_as_heavy_may_hold_twice_as_much():
    found = homogeneity.against_chance([10, 20, 40], [100, 200, 400], grain=1, tolerated=0.25)
    assert found.chi2 == pytest.approx(0, abs=1e-12)


def test_the_exact_scatter_of_few_colours_agrees_with_every_deal_counted():
    # All 3^4 ways of dealing 4 colours to 3 equal portions: 3 put them all in one, 24 put three in one; 4-0-0 is the widest.
    widest = homogeneity.exact_scatter_chance([4, 0, 0], [1, 1, 1], np.random.default_rng(1))
    next_widest = homogeneity.exact_scatter_chance([3, 1, 0], [1, 1, 1], np.random.default_rng(1))
    assert widest == pytest.approx(3 / 81, abs=0.005)
    assert next_widest == pytest.approx(27 / 81, abs=0.012)


def test_the_grain_that_rules_the_scatter_is_the_mean_weighted_by_mass():
    # Nine grains of 1 mg and one of 6: (9 + 36) / (9 + 6), from its definition.
    assert homogeneity.grain_of_classes([9, 1], [1.0, 6.0], within=1) == pytest.approx(3.0)
    # Masses spread evenly over their logarithm from 1 to 4, by summing many of them.
    masses = np.exp(np.linspace(0, math.log(4), 200_001))
    assert pytest.approx((masses**2).mean() / masses.mean() ** 2, rel=1e-3) == homogeneity.WITHIN_CLASS


@pytest.mark.parametrize("mean", [0.01, 0.5, 3.0, 20.0, 400.0])
def test_the_band_of_counts_leaves_out_what_a_poisson_law_leaves_out(mean):
    # Referee: scipy.stats.
    band = homogeneity.count_band(mean)
    assert (band.low, band.high) == (stats.poisson.ppf(0.025, mean), stats.poisson.ppf(0.975, mean))


@given(st.integers(0, 60), st.floats(0.1, 10), st.sampled_from([0.9, 0.95, 0.99]))
def test_limits_of_colours_are_garwoods(count, exposure, level):
    found = homogeneity.rate_interval(count, count, exposure, grain=1, level=level)
    referee = sampling.count_interval(count, level)
    assert (found.low * exposure, found.high * exposure) == pytest.approx(
        (referee.low, referee.high), rel=1e-6
    )


@given(st.integers(0, 40), st.integers(1, 40), st.floats(0.2, 5))
def test_limits_of_a_ratio_of_colours_are_those_of_the_exact_comparison(one, other, times):
    found = homogeneity.ratio_interval((one, one), (other, other), times, 1.0)
    referee = sampling.compare_counts(one, other, times, 1.0).interval
    assert (found.low, found.high) == pytest.approx((referee.low, referee.high), rel=1e-6)


def test_what_may_lie_below_the_scale_only_widens_limits():
    sure = homogeneity.ratio_interval((5, 5), (9, 9), 1, 1)
    unsure = homogeneity.ratio_interval((5, 7), (9, 12), 1, 1)
    assert unsure.low < sure.low < sure.high < unsure.high


def test_shares_of_the_gold_follow_mass_and_grade():
    assert homogeneity.gold_shares([10, 30], [6.0, 2.0]) == [0.5, 0.5]
    with pytest.raises(ValueError, match="showed gold"):
        homogeneity.gold_shares([10, 30], [0.0, 0.0])


def test_duplicates_keep_their_promise_at_what_may_stand():
    """Lots just at the sd that may stand are called even or uneven in about 5 % each, and at `visible` uneven in 80 %."""
    rng = np.random.default_rng(3)

    def judged(between: float, runs: int = 800) -> list:
        tests = []
        for _ in range(runs):
            true = rng.normal(5.0, 5.0 * between, 12)
            first, second = (true + rng.normal(0, 0.5, 12) for _ in range(2))
            tests.append(homogeneity.duplicates_against_allowed(first, second, 0.2))
        return tests

    at_limit = judged(0.2)
    for verdict in (homogeneity.EVEN, homogeneity.UNEVEN):
        assert sum(test.verdict == verdict for test in at_limit) / 800 < 0.075
    visible = float(np.median([test.visible for test in at_limit]))
    found = sum(test.verdict == homogeneity.UNEVEN for test in judged(visible)) / 800
    assert found == pytest.approx(0.8, abs=0.06)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: homogeneity.against_chance([1, -1], [4, 4], grain=1, tolerated=0.2), "less than nothing"),
        (lambda: homogeneity.against_chance([1, 1], [4, 0], grain=1, tolerated=0.2), "weighs something"),
        (lambda: homogeneity.against_chance([1, 1], [4, 4], grain=0, tolerated=0.2), "above zero"),
        (lambda: homogeneity.against_chance([1, 1], [4, 4], grain=1, tolerated=0), "above zero"),
        (
            lambda: homogeneity.against_chance([1, 1], [4, 4], grain=1, tolerated=0.2, floor_df=0),
            "above zero",
        ),
        (lambda: homogeneity.against_chance([0, 0], [4, 4], grain=1, tolerated=0.2), "without any gold"),
        (lambda: homogeneity.exact_scatter_chance([1, -1], [4, 4], None), "whole number from 0 up"),
        (lambda: homogeneity.exact_scatter_chance([1, 1.5], [4, 4], None), "whole number from 0 up"),
        (lambda: homogeneity.exact_scatter_chance([0, 0], [4, 4], None), "above 0"),
        (lambda: homogeneity.grain_of_classes([0, 0], [1.0, 6.0]), "No colour"),
        (lambda: homogeneity.duplicates_against_allowed([4, 5], [5, 4], 0), "relative sd above zero"),
        (lambda: homogeneity.duplicates_against_allowed([4, 5], [5, 4], math.inf), "relative sd above zero"),
        (lambda: homogeneity.duplicates_against_allowed([1, -2], [1, 0], 0.2), "without any gold"),
        (lambda: homogeneity.rate_interval(3, 2, 1.0, grain=1), "least to most"),
        (lambda: homogeneity.rate_interval(-1, 2, 1.0, grain=1), "least to most"),
        (lambda: homogeneity.rate_interval(1, 2, 0.0, grain=1), "above zero"),
        (lambda: homogeneity.rate_interval(1, 2, 1.0, grain=0), "above zero"),
    ],
)
def test_refuses_portions_and_grains_that_cannot_be(make, says):
    with pytest.raises(ValueError, match=says):
        make()


ALIKE, FEW_LARGE = [(20, 1.0)], [(30, 0.5), (3, 6.0)]


def test_so_many_weighed_portions_find_what_one_fewer_would_miss():
    needed = homogeneity.portions_by_weight(0.4, ALIKE, least=2, most=60)
    found = [
        homogeneity.chance_of_finding(0.4, number, ALIKE, rng=np.random.default_rng(1))
        for number in (needed - 1, needed)
    ]
    assert found[0] < 0.8 <= found[1]
    # The grain is reckoned from what each lot shows, so it takes more than where it is known.
    floor = math.sqrt(homogeneity.WITHIN_CLASS / 20)
    assert needed > homogeneity.portions_to_tell(floor, 0.4)


@pytest.mark.parametrize(
    ("mix", "least", "most"),
    [(ALIKE, 61, 60), (ALIKE, 60, 59), (ALIKE, 2, 10), (FEW_LARGE, 2, 60)],
)
def test_where_no_number_in_reach_finds_it_none_is_named(mix, least, most):
    assert homogeneity.portions_by_weight(0.4, mix, least=least, most=most) is None


@pytest.mark.parametrize("mix", [ALIKE, FEW_LARGE])
def test_an_even_lot_is_called_uneven_no_more_often_than_it_says(mix):
    # 1000 lots: 7 % lies beyond three standard errors of 5 %.
    found = homogeneity.chance_of_finding(0.0, 20, mix, rng=np.random.default_rng(7))
    assert found < 0.07


def test_assays_far_worse_than_what_may_stand_tell_nothing_however_many_portions():
    found = homogeneity.duplicates_against_allowed([4.0, 5.0, 6.0], [6.0, 5.1, 4.0], 0.001)
    assert found.units_that_would_tell is None


@pytest.mark.parametrize("allowed", [0.05, 0.1, 0.3])
def test_so_many_duplicates_let_an_even_lot_pass_and_one_fewer_would_not(allowed):
    # Assays of 10 that differ by 1 within each pair: MSw is 0.5, and sd 0.1 x 10 between portions is a variance of 1.
    first, second = [9.5, 10.5, 9.5, 10.5], [10.5, 9.5, 10.5, 9.5]
    needed = homogeneity.duplicates_against_allowed(first, second, allowed).units_that_would_tell
    times = 1 + 2 * (allowed * 10) ** 2 / 0.5

    def passes(units):
        # Referee: scipy's law of F. An even lot (F about 1) is called even where MSb/MSw is below the lower 5 % point times this.
        return stats.f.cdf(stats.f.ppf(0.05, units - 1, units) * times, units - 1, units)

    assert passes(needed) >= 0.8 > passes(needed - 1)


@pytest.mark.parametrize(
    ("least", "most", "low", "high"),
    # Garwood's exact 95 % limits of a Poisson count, printed tables: none 0 to 3.69, 1: 0.0253 to 5.572, 5: 1.624 to 11.668.
    [
        (0, 0, 0.0, 3.689),
        (1, 1, 0.0253, 5.572),
        (5, 5, 1.624, 11.668),
        (0, 1, 0.0, 5.572),
        (1, 5, 0.0253, 11.668),
    ],
)
def test_limits_of_a_rate_are_garwoods(least, most, low, high):
    found = homogeneity.rate_interval(least, most, 2.0, grain=1)
    assert (2 * found.low, 2 * found.high) == pytest.approx((low, high), abs=6e-4)


@pytest.mark.parametrize(("one", "other"), [((0, 0), (0, 0)), ((0, 0), (4, 4)), ((4, 4), (0, 0))])
def test_nothing_on_a_side_leaves_its_end_open(one, other):
    found = homogeneity.ratio_interval(one, other, 1.0, 2.0)
    assert (found.low == 0) is (one[0] == 0)
    assert (found.high == math.inf) is (other[0] == 0)
    if one[0] == 0 < other[0]:
        # Clopper and Pearson: none of 4 leaves a share of at most 1 - 0.025^(1/4) = 0.6024 (by hand), twice as many per ore.
        assert found.high == pytest.approx(2 * 0.6024 / 0.3976, rel=1e-3)
