import datetime
import itertools
import math

import numpy as np
import pytest
from scipy import stats

from prospecting.calc.trend import MOST_RESULTS
from trials.calc.zone_trend import FEWEST_DIGS, in_months, zone_trend


def trend(grades, at=None, below=()):
    flags = [place in below for place in range(len(grades))]
    return zone_trend(list(range(len(grades))) if at is None else at, grades, flags)


def test_the_worked_example_of_few_data():
    # fixtures/reference/grade_sampling_assay.json, case h05 (after Gilbert 1987, chapter 16): S 22 of 28 pairs, Sen 4.58333.
    found = trend([10, 22, 21, 30, 22.5, 40, 38, 45], [1, 2, 3, 4, 5, 6, 7, 8])
    assert (found.kind, found.rising, found.pairs) == ("rises", 25, 28)
    assert found.slope == pytest.approx(4.58333333333)


def test_fewer_than_five_can_show_nothing_by_counting_orders():
    # Of n! orders two are the clearest: 2/24 of four digs is over 1 in 20, 2/120 of five is not.
    assert 2 / math.factorial(FEWEST_DIGS - 1) > 0.05 > 2 / math.factorial(FEWEST_DIGS)
    assert trend([1, 2, 3, 4]).kind == "too few"
    assert trend([1, 2, 3, 4, 5]).kind == "rises"
    assert trend([5, 4, 3, 2, 1]).kind == "falls"


def test_over_all_orders_a_trend_is_shown_in_at_most_one_of_twenty():
    shown = [
        trend(order).kind in ("rises", "falls")
        for order in itertools.permutations((1.0, 2.0, 3.0, 5.0, 8.0, 9.0))
    ]
    assert 0 < sum(shown) / len(shown) <= 0.05


@pytest.mark.parametrize("grades", [[], [3.0], [2.0] * 7])
def test_nothing_one_and_all_alike_are_too_few(grades):
    assert trend(grades).kind == "too few"


def test_all_on_one_day_are_too_few():
    assert trend([1, 2, 3, 4, 5, 6], at=[4] * 6).kind == "too few"


def test_what_lies_at_or_below_the_highest_limit_ties():
    # 0.5 measured and below 0.4 both lie under the limit of 1: nobody knows their order.
    found = trend([0.4, 0.5, 1.0, 3.0, 4.0, 5.0], below={0, 2})
    assert found.ties_below == 3
    assert found.rising == 12 + round(3 / 2)


def test_all_below_is_no_trend():
    assert trend([1.0] * 8, below=set(range(8))).kind == "too few"


def test_no_trend_says_what_it_could_have_seen():
    dice = np.random.default_rng(9)
    found = trend(list(dice.lognormal(1, 0.5, 10)))
    assert found.kind == "not shown"
    assert found.seen_ratio > 1


def test_what_it_could_have_seen_is_seen_about_eight_times_in_ten():
    dice = np.random.default_rng(3)
    n, spread = 10, 0.5
    ratios = [trend(list(dice.lognormal(0, spread, n))).seen_ratio for _ in range(60)]
    ratio = math.exp(float(np.mean(np.log(ratios))))
    rise = np.linspace(0, math.log(ratio), n)
    hits = sum(trend(list(np.exp(rise + dice.normal(0, spread, n)))).kind == "rises" for _ in range(300))
    assert 0.65 <= hits / 300 <= 0.92


def test_months_begin_at_the_first_dig():
    days = [datetime.date(2026, 7, 30), datetime.date(2026, 5, 31)]
    assert in_months(days) == [2.0, 0.0]


def test_what_does_not_belong_together_is_refused():
    with pytest.raises(ValueError, match="belong to each dig"):
        zone_trend([1, 2], [1.0], [False])


def test_of_very_many_digs_the_last_are_read():
    # Forty that fall come before as many that rise as are read: of those every pair rises.
    late = [10.0 - 0.001 * number for number in range(40)] + [float(n + 1) for n in range(MOST_RESULTS)]
    found = zone_trend(list(range(len(late))), late, [False] * len(late))
    assert (found.digs, found.rising) == (MOST_RESULTS, found.pairs)


@pytest.mark.parametrize("grades", [[1.0, 2.0, 4.0, 8.0, 16.0, 32.0], [0.0, 1.0, 3.0, 2.0, 5.0, 4.0]])
def test_without_a_spread_or_a_logarithm_nothing_is_said_of_what_could_be_seen(grades):
    # Each twice the last lies on a straight line of logarithms; a dig of nothing has none.
    assert trend(grades).seen_ratio is None


@pytest.mark.parametrize(("at", "below"), [([1, 2], [False] * 3), ([1, 2, 3], [False] * 2)])
def test_a_dig_without_its_place_or_flag_is_refused(at, below):
    with pytest.raises(ValueError, match="belong to each dig"):
        zone_trend(at, [1.0, 2.0, 3.0], below)


@pytest.mark.parametrize(
    ("at", "kind"),
    [([1, 1, 1, 2, 2], "too few"), ([1, 1, 2, 3, 3], "not shown"), ([1, 2, 3, 4, 5], "rises")],
)
def test_two_places_show_no_trend_and_three_may(at, kind):
    assert trend([1.0, 2.0, 3.0, 4.0, 5.0], at).kind == kind


def test_two_grades_that_differ_are_enough_to_ask():
    assert trend([1.0, 1.0, 1.0, 1.0, 2.0]).kind == "not shown"


def test_what_it_could_have_seen_is_what_the_noncentral_t_says():
    grades = [2.0, 3.1, 1.7, 4.0, 2.6, 3.3]
    at = [0, 3, 4, 9, 10, 14]
    found = trend(grades, at)
    # Referee: scipy's straight line of the logarithms and its noncentral t; two-sided 5 %, seen 8 times in 10.
    line = stats.linregress(at, np.log(grades))
    df, shift = 6 - 2, math.log(found.seen_ratio) / (line.stderr * (14 - 0))
    critical = stats.t.ppf(0.975, df)
    assert stats.nct.sf(critical, df, shift) + stats.nct.cdf(-critical, df, shift) == pytest.approx(
        0.8, abs=1e-6
    )
