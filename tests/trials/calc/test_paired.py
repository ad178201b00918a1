"""Pairs: exact levels against enumeration and a second library."""

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trials.calc.paired import paired_ratio, sign_test, signed_rank

TREATED = [3.1, 4.4, 2.9, 5.2, 3.8, 4.1]
CONTROL = [2.7, 3.6, 3.0, 4.1, 3.3, 3.2]


def test_ratio_agrees_with_a_second_library():
    found = paired_ratio(TREATED, CONTROL)
    referee = stats.ttest_rel(np.log(TREATED), np.log(CONTROL))
    interval = referee.confidence_interval(0.95)
    assert (found.t, found.p) == pytest.approx((referee.statistic, referee.pvalue), rel=1e-9)
    assert (found.lower, found.upper) == pytest.approx((math.exp(interval.low), math.exp(interval.high)))
    assert found.ratio == pytest.approx(stats.gmean(np.array(TREATED) / CONTROL))


def test_ratio_turns_over_when_the_sides_change():
    one, other = paired_ratio(TREATED, CONTROL), paired_ratio(CONTROL, TREATED)
    assert (one.ratio, one.lower) == pytest.approx((1 / other.ratio, 1 / other.upper))
    assert paired_ratio(TREATED, CONTROL, 0.99).upper > one.upper


def test_signed_rank_agrees_with_a_second_library():
    found = signed_rank(TREATED, CONTROL)
    assert found.p_two_sided == pytest.approx(stats.wilcoxon(TREATED, CONTROL, method="exact").pvalue)
    above = stats.wilcoxon(TREATED, CONTROL, method="exact", alternative="greater")
    assert (found.rank_sum_higher, found.p_higher) == pytest.approx((above.statistic, above.pvalue))


@settings(deadline=None)
@given(st.lists(st.integers(-4, 4), min_size=1, max_size=7).filter(any))
def test_signed_rank_is_what_enumeration_gives(differences):
    moved = [d for d in differences if d]
    places = stats.rankdata(np.abs(moved))
    seen = sum(place for place, d in zip(places, moved, strict=True) if d > 0)
    sums = [sum(np.array(signs) * places) for signs in product([0, 1], repeat=len(moved))]
    found = signed_rank(differences, [0] * len(differences))
    assert found.p_higher == pytest.approx(np.mean(np.array(sums) >= seen - 1e-9), rel=1e-9)
    assert found.rank_sum_higher + found.rank_sum_lower == len(moved) * (len(moved) + 1) / 2
    assert found.equal_pairs == differences.count(0)


def test_signs_are_a_fair_coin():
    found = sign_test([2, 3, 4, 1, 5], [1, 1, 1, 2, 5])
    assert (found.higher, found.lower, found.equal) == (3, 1, 1)
    assert found.p_two_sided == pytest.approx(stats.binomtest(3, 4).pvalue)
    assert found.p_higher == pytest.approx(stats.binomtest(3, 4, alternative="greater").pvalue)
    assert sign_test([1, 2], [1, 2]).p_two_sided == 1


def test_a_run_below_the_scale_still_has_a_sign():
    assert sign_test([0.2, -math.inf], [-math.inf, -math.inf]).higher == 1


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: paired_ratio([1.0, 2.0], [1.0]), "as many of both"),
        (lambda: paired_ratio([1.0, 0.0], [1.0, 1.0]), "0.0 as a gold mass"),
        (lambda: paired_ratio([1.0, None], [1.0, 1.0]), "missing"),
        (lambda: paired_ratio([1.0], [1.0]), "at least 2"),
        (lambda: paired_ratio([2.0, 4.0], [1.0, 2.0]), "same ratio 2"),
        (lambda: paired_ratio(TREATED, CONTROL, 95), "95"),
        (lambda: signed_rank([1, 2], [1, 2]), "None of the 2 pairs"),
        (lambda: signed_rank([1, math.nan], [1, 2]), "nan"),
        (lambda: sign_test([], []), "0 pairs"),
        (lambda: sign_test([math.nan], [1]), "nan"),
        (lambda: sign_test([1, 2], [1]), "as many of both"),
    ],
)
def test_refuses_what_is_no_pair(call, said):
    with pytest.raises(ValueError, match=said):
        call()
