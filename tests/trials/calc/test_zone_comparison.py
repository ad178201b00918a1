import itertools
import math

import numpy as np
import pytest
from scipy import stats

from trials.calc.zone_comparison import DigGrade, _critical, compare_zones, fewest_digs, looks_richer


def digs(*grades) -> list[DigGrade]:
    return [DigGrade(grade, grade) for grade in grades]


# Critical values of U, two-sided 5 %: table K of Siegel, Nonparametric Statistics, 1956 (from memory). Their U is one less than
# the place of the limit.
@pytest.mark.parametrize(
    ("m", "n", "u"),
    [(4, 4, 0), (5, 5, 2), (6, 6, 5), (8, 8, 13), (10, 10, 23), (5, 8, 6), (4, 10, 5), (20, 20, 127)],
)
def test_limits_stand_at_the_places_of_the_tables(m, n, u):
    assert _critical(m, n, 0.05) == u + 1


def test_so_few_that_nothing_could_be_shown_say_so():
    found = compare_zones(digs(9, 10, 11), digs(1, 2, 3), 1.5)
    assert (found.kind, found.lower, found.upper, found.fewest_digs) == ("not shown", None, None, 4)
    one = compare_zones(digs(9), digs(1), 1.5)
    assert (one.kind, one.lower, one.digs_needed) == ("not shown", None, None)


def test_the_clearest_order_of_four_and_four_is_shown():
    found = compare_zones(digs(5, 6, 7, 8), digs(1, 2, 3, 4), 1.5)
    assert found.kind == "better"
    assert found.lower == pytest.approx(5 / 4)
    assert found.upper == pytest.approx(8)
    assert found.wins == found.pairs_of_digs == 16


def test_more_pairs_of_zones_take_more():
    assert fewest_digs(0.05 / 3) == 5
    assert compare_zones(digs(5, 6, 7, 8), digs(1, 2, 3, 4), 1.5, compared=3).kind == "not shown"


@pytest.mark.parametrize("seed", range(6))
def test_the_interval_leaves_out_one_just_where_the_exact_test_rejects(seed):
    dice = np.random.default_rng(seed)
    a, b = dice.lognormal(0.8, 0.7, 6), dice.lognormal(0, 0.7, 7)
    found = compare_zones(digs(*a), digs(*b), 1.5)
    p = stats.mannwhitneyu(a, b, method="exact").pvalue
    assert (p <= 0.05) == (found.lower > 1 or found.upper < 1)


def test_the_ratio_is_the_median_of_all_ratios_and_turns_round():
    a, b = (3.0, 5.0, 9.0, 11.0), (1.0, 2.0, 4.0, 8.0, 16.0)
    expected = math.exp(np.median([math.log(x / y) for x, y in itertools.product(a, b)]))
    there, back = compare_zones(digs(*a), digs(*b), 1.5), compare_zones(digs(*b), digs(*a), 1.5)
    assert there.ratio == pytest.approx(expected)
    assert there.ratio * back.ratio == pytest.approx(1)
    assert there.lower * back.upper == pytest.approx(1)
    assert looks_richer(digs(*a), digs(*b)) != looks_richer(digs(*b), digs(*a))


def test_alike_within_the_margin_is_equivalent():
    a = [10 + 0.1 * n for n in range(12)]
    b = [10 + 0.1 * n + 0.05 for n in range(12)]
    found = compare_zones(digs(*a), digs(*b), 1.5)
    assert found.kind == "equivalent"
    assert 1 / 1.5 < found.inner_lower < found.inner_upper < 1.5


def test_one_nugget_counts_as_one_dig():
    plain = compare_zones(digs(5, 6, 7, 8, 9), digs(1, 2, 3, 4, 5.5), 1.5)
    nugget = compare_zones(digs(5, 6, 7, 8, 900), digs(1, 2, 3, 4, 5.5), 1.5)
    assert nugget.lower == plain.lower


def test_below_a_limit_the_interval_holds_whatever_the_dig_holds():
    dice = np.random.default_rng(4)
    rich = digs(*dice.lognormal(1.5, 0.5, 6))
    poor = [*digs(*dice.lognormal(0.5, 0.5, 5)), DigGrade(0.0, 2.0)]
    found = compare_zones(rich, poor, 1.5)
    for grade in (1e-6, 0.5, 1.0, 2.0):
        known = compare_zones(rich, [*poor[:-1], DigGrade(grade, grade)], 1.5)
        assert found.lower <= known.lower * (1 + 1e-12)
        assert known.upper <= found.upper * (1 + 1e-12)


def test_all_below_on_both_sides_shows_nothing():
    below = [DigGrade(0.0, 0.5)] * 6
    found = compare_zones(below, below, 1.5)
    assert found.kind == "not shown"
    assert (found.lower, found.upper) == (0.0, math.inf)


def test_above_a_limit_has_no_upper_end():
    rich = [DigGrade(10.0, math.inf)] * 5
    found = compare_zones(rich, digs(1, 2, 3, 4, 5), 1.5)
    assert found.kind == "better"
    assert found.upper == math.inf
    # The third of the 25 ratios in order: 10 / 5, five times over.
    assert found.lower == pytest.approx(2.0)


def test_noughts_on_both_sides_are_no_error():
    found = compare_zones(digs(0, 0, 0, 1), digs(0, 0, 0, 0), 1.5)
    assert found.kind == "not shown"


@pytest.mark.parametrize(
    ("first", "margin", "compared"),
    [([], 1.5, 1), (digs(1), 1.0, 1), (digs(1), 1.5, 0), (digs(1), math.inf, 1)],
)
def test_nonsense_is_refused(first, margin, compared):
    with pytest.raises(ValueError, match="cannot be compared|margin"):
        compare_zones(first, digs(1), margin, compared=compared)


def test_large_sets_take_the_normal_curve_near_the_exact_place():
    exact, near = _critical(30, 30, 0.05), math.floor(450 - 1.959964 * math.sqrt(30 * 30 * 61 / 12))
    assert abs(exact - near) <= 2
    assert _critical(100, 100, 0.05) > 0


@pytest.mark.parametrize(("m", "n", "spread"), [(4, 4, 0.8), (5, 9, 1.2), (8, 8, 0.5)])
def test_with_no_difference_richer_is_seldom_said(m, n, spread):
    """Both zones drawn from one lognormal spread, a quarter of the digs below a limit: "better" of either in at most 5 %."""
    dice = np.random.default_rng(m * 100 + n)
    said = 0
    for _ in range(600):
        grades = dice.lognormal(0, spread, m + n)
        limit = np.exp(-0.67 * spread)
        held = [DigGrade(0.0, limit) if grade < limit else DigGrade(grade, grade) for grade in grades]
        there = compare_zones(held[:m], held[m:], 1.5)
        said += there.kind == "better" or compare_zones(held[m:], held[:m], 1.5).kind == "better"
    # 600 draws at 5 %: 30, and some two standard deviations of chance.
    assert said <= 42


def test_what_could_have_been_seen_is_seen_about_eight_times_in_ten():
    dice = np.random.default_rng(12)
    spread, m, n = 0.6, 8, 10
    seen = []
    for _ in range(40):
        found = compare_zones(digs(*dice.lognormal(0, spread, m)), digs(*dice.lognormal(0, spread, n)), 1.5)
        seen.append(found.seen_ratio)
    ratio = float(np.exp(np.mean(np.log(seen))))
    hits = sum(
        compare_zones(
            digs(*dice.lognormal(math.log(ratio), spread, m)), digs(*dice.lognormal(0, spread, n)), 1.5
        ).kind
        == "better"
        for _ in range(400)
    )
    assert 0.70 <= hits / 400 <= 0.90


def test_the_digs_it_says_it_takes_would_see_the_margin():
    dice = np.random.default_rng(5)
    spread, margin = 0.35, 1.8
    found = compare_zones(digs(*dice.lognormal(0, spread, 40)), digs(*dice.lognormal(0, spread, 40)), margin)
    each = found.digs_needed
    hits = sum(
        compare_zones(
            digs(*dice.lognormal(math.log(margin), spread, each)),
            digs(*dice.lognormal(0, spread, each)),
            margin,
        ).kind
        == "better"
        for _ in range(300)
    )
    assert hits / 300 >= 0.68


@pytest.mark.parametrize(("ways", "digs"), [(6, 2), (20, 3), (70, 4), (252, 5)])
def test_an_order_just_as_likely_as_the_level_is_shown(ways, digs):
    # By hand: two of C(2n, n) orders are the clearest, 2 of 6, 20, 70 and 252 for two to five digs of each zone.
    assert fewest_digs(2 / ways * (1 + 1e-9)) == digs
    assert fewest_digs(2 / ways * (1 - 1e-9)) == digs + 1


@pytest.mark.parametrize(("poorest", "kind"), [(2.0, "not shown"), (2.001, "better")])
def test_a_dig_of_the_richer_zone_no_richer_than_one_of_the_other_shows_nothing(poorest, kind):
    # Four and four are shown only in the clearest order; a tie between the zones is not that.
    rich = [DigGrade(grade, grade) for grade in (poorest, 3.0, 4.0, 5.0)]
    assert compare_zones(rich, [DigGrade(grade, grade) for grade in (0.5, 1.0, 1.5, 2.0)], 1.5).kind == kind


@pytest.mark.parametrize(("margin", "kind"), [(2.0, "not shown"), (2.001, "equivalent")])
def test_zones_a_margin_apart_do_not_lie_within_it(margin, kind):
    # Every ratio is a half, so both limits are.
    ones, twos = [DigGrade(1.0, 1.0)] * 4, [DigGrade(2.0, 2.0)] * 4
    found = compare_zones(ones, twos, margin)
    assert (found.inner_lower, found.inner_upper) == (0.5, 0.5)
    assert found.kind == kind


def test_zones_alike_look_as_rich_as_each_other():
    alike = [DigGrade(grade, grade) for grade in (1.0, 2.0, 4.0)]
    assert looks_richer(alike, alike)
    assert not looks_richer(alike[:2], alike)
