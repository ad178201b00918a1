import itertools
import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from prospecting.calc import trend
from tests.reference.test_cases import CASES

untied = st.lists(st.integers(0, 1000), min_size=3, max_size=30, unique=True)
tied = st.lists(st.integers(0, 6), min_size=3, max_size=30).filter(lambda values: len(set(values)) > 1)
few_tied = st.lists(st.integers(0, 3), min_size=3, max_size=7).filter(lambda values: len(set(values)) > 1)


@given(untied)
def test_the_exact_chance_is_scipys(values):
    times = list(range(len(values)))
    found = trend.mann_kendall(times, values)
    referee = stats.kendalltau(times, values, method="exact")
    assert found.method == trend.EXACT
    assert found.p_two_sided == pytest.approx(referee.pvalue, rel=1e-9)
    assert found.tau_a == pytest.approx(found.tau_b) == pytest.approx(referee.statistic)


@given(few_tied)
def test_with_ties_the_exact_chance_is_that_of_counting_every_order(values):
    times = list(range(len(values)))
    found = trend.mann_kendall(times, values)

    def s(order):
        return sum(
            (later > earlier) - (later < earlier) for earlier, later in itertools.combinations(order, 2)
        )

    every = [s(order) for order in itertools.permutations(values)]
    assert found.s == s(values)
    assert found.p_exact == pytest.approx(sum(abs(one) >= abs(found.s) for one in every) / len(every))
    # The variance is that of every order, too.
    assert found.variance == pytest.approx(np.mean(np.square(every)))
    # Time and value may change places.
    assert trend.mann_kendall(values, times).p_exact == pytest.approx(found.p_exact)


@given(tied, st.randoms(use_true_random=False))
def test_with_ties_on_both_sides_variance_and_tau_are_scipys(values, random):
    times = sorted(random.choice(range(5)) for _ in values)
    assume(len(set(times)) > 1)
    found = trend.mann_kendall(times, values)
    referee = stats.kendalltau(times, values, method="asymptotic")
    assert found.tau_b == pytest.approx(referee.statistic)
    # scipy leaves the continuity correction out.
    plain = math.erfc(abs(found.s) / math.sqrt(2 * found.variance))
    assert plain == pytest.approx(referee.pvalue, rel=1e-9)
    assert found.p_normal >= plain - 1e-12
    if len(set(times)) < len(times) and len(set(values)) < len(values):
        assert found.p_exact is None and found.method == trend.NORMAL


@given(untied, st.floats(0.1, 10), st.floats(-100, 100))
def test_trend_knows_no_unit_and_no_start_and_turns_with_the_sign(values, unit, start):
    times = [start + unit * i for i in range(len(values))]
    plain, other = (trend.mann_kendall(t, values) for t in (range(len(values)), times))
    assert other == plain
    turned = trend.mann_kendall(times, [-value for value in values])
    assert (turned.s, turned.p_two_sided) == (-plain.s, plain.p_two_sided)


@given(untied)
def test_sens_slope_is_scipys_and_follows_the_sign_of_s(values):
    times = list(range(len(values)))
    found = trend.sen_slope(times, values)
    # Referee for the slope; scipy rounds the ranks of its interval.
    assert found.slope == pytest.approx(stats.theilslopes(values, times).slope)
    assert found.interval.low <= found.slope <= found.interval.high
    wider = trend.sen_slope(times, values, 0.99).interval
    assert wider.low <= found.interval.low and found.interval.high <= wider.high


def test_order_of_entry_does_not_matter():
    times, values = [3, 1, 2, 5, 4], [2.0, 1.0, 1.5, 4.0, 3.0]
    in_order = sorted(zip(times, values, strict=True))
    assert trend.mann_kendall(times, values) == trend.mann_kendall(*zip(*in_order, strict=True))
    assert trend.sen_slope(times, values) == trend.sen_slope(*zip(*in_order, strict=True))


def test_results_without_a_trend_show_one_as_rarely_as_they_should():
    rng = np.random.default_rng(1)
    shown = [trend.mann_kendall(range(12), rng.lognormal(0, 1, 12)).p_two_sided < 0.05 for _ in range(2000)]
    assert 0.03 < np.mean(shown) < 0.06


def test_sens_interval_holds_the_slope_that_was_planted():
    rng = np.random.default_rng(2)
    times = np.arange(15.0)
    held = 0
    for _ in range(1000):
        interval = trend.sen_slope(times, 0.3 * times + rng.standard_t(3, 15)).interval
        held += interval.low <= 0.3 <= interval.high
    assert 0.93 < held / 1000 < 0.975


def test_a_few_results_leave_the_interval_open():
    interval = trend.sen_slope([1, 2, 3], [1.0, 2.0, 4.0]).interval
    assert (interval.low, interval.high) == (-math.inf, math.inf)


def test_what_the_published_example_calls_tau_is_s_over_all_pairs():
    """Case h04 prints it under the name of tau-b, which by its ties is another number: two routes, ours and scipy's."""
    (case,) = (case for case in CASES if case["id"] == "h04")
    found = trend.mann_kendall(case["inputs"]["time_years"], case["inputs"]["value"])
    assert case["expected"]["kendall_tau_b"] == pytest.approx(194 / 253)
    assert found.tau_a == pytest.approx(194 / 253)
    assert found.tau_b == pytest.approx(0.774490, abs=1e-6)
    referee = stats.kendalltau(case["inputs"]["time_years"], case["inputs"]["value"], variant="b")
    assert referee.statistic == pytest.approx(found.tau_b)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: trend.mann_kendall([1, 2], [1, 2]), "at least 3"),
        (lambda: trend.mann_kendall([1, 2, 3], [1, 2]), "at least 3"),
        (lambda: trend.mann_kendall([1, 2, 3], [1, 2, None]), "place 3"),
        (lambda: trend.mann_kendall([1, 2, 3], [4, 4, 4]), "value is 4 throughout"),
        (lambda: trend.mann_kendall([1, 1, 1], [4, 5, 6]), "time is 1 throughout"),
        (lambda: trend.mann_kendall(range(3001), range(3001)), "too many"),
        (lambda: trend.sen_slope([1, 2, 3], [1, 2, 3], 95), "confidence level"),
    ],
)
def test_refuses_series_without_an_answer(make, says):
    with pytest.raises(ValueError, match=says):
        make()
