"""Doses in their order: exact levels against enumeration, critical values against a table, a formula and a second library."""

import math
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import quad
from scipy.special import ndtr

from trials.calc import dose_order
from trials.calc.dose_order import (
    isotonic_means,
    jonckheere,
    runs_of_groups,
    step_down,
    top_dose,
    williams,
    williams_chance,
    williams_critical,
    williams_of_runs,
)
from trials.calc.simultaneous import t_quantile

GROUPS = {"0": [2.8, 3.5, 3.0], "low": [3.1, 3.3, 3.6], "high": [4.6, 5.2, 4.1]}
SMALL_GROUPS = st.lists(st.lists(st.integers(0, 4), min_size=1, max_size=3), min_size=2, max_size=3).filter(
    lambda groups: len({value for row in groups for value in row}) > 1 and sum(map(len, groups)) <= 7
)


def pairs_won(groups) -> float:
    return sum(
        (a < b) + (a == b) / 2
        for i, low in enumerate(groups)
        for high in groups[i + 1 :]
        for a in low
        for b in high
    )


@settings(max_examples=25, deadline=None)
@given(SMALL_GROUPS)
def test_jonckheere_is_what_enumeration_gives(groups):
    values = [value for row in groups for value in row]
    ends = np.cumsum([len(row) for row in groups])[:-1]
    all_j = [
        pairs_won([part.tolist() for part in np.split(np.array(order), ends)])
        for order in permutations(values)
    ]
    found = jonckheere({str(i): row for i, row in enumerate(groups)})
    assert found.j == pairs_won(groups)
    assert found.mean_j == pytest.approx(np.mean(all_j))
    assert found.var_j == pytest.approx(np.var(all_j))
    chance = np.mean(np.array(all_j) >= found.j - 1e-9)
    assert found.p_exact_one_sided_increasing == pytest.approx(chance, rel=1e-9)


def test_two_doses_are_mann_and_whitney():
    one, other = [3.1, 4.0, 2.2, 5.3], [4.4, 6.0, 3.9, 5.5, 7.1]
    found = jonckheere({"0": one, "1": other})
    referee = stats.mannwhitneyu(other, one, alternative="greater", method="exact")
    assert found.j == referee.statistic
    assert found.p_exact_one_sided_increasing == pytest.approx(referee.pvalue, rel=1e-12)


def test_jonckheere_is_kendall_s_tau_of_response_on_dose():
    # The guide to trial statistics: the same normal test. Kendall's S is 2 J - (pairs between groups).
    found = jonckheere(GROUPS)
    values, doses, order = runs_of_groups(GROUPS)
    places = [order.index(dose) for dose in doses]
    tau = stats.kendalltau(places, values).statistic
    pairs = 27
    assert 2 * found.j - pairs == pytest.approx(tau * math.sqrt(pairs * 36))


def test_too_many_ways_leave_the_normal_level(monkeypatch):
    tied = {"0": [1, 1, 2], "1": [2, 2, 3]}
    assert jonckheere(tied).p_exact_one_sided_increasing is not None
    monkeypatch.setattr(dose_order, "EXACT_STATES", 1)
    assert jonckheere(tied).p_exact_one_sided_increasing is None


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(-9, 9), st.integers(1, 6)), min_size=1, max_size=7))
def test_isotonic_means_rise_and_keep_the_mean(pairs):
    means, weights = zip(*pairs, strict=True)
    found = isotonic_means(means, weights)
    assert all(a <= b + 1e-12 for a, b in zip(found[:-1], found[1:], strict=True))
    assert np.average(found, weights=weights) == pytest.approx(np.average(means, weights=weights), abs=1e-9)
    # The max-min formula (Robertson, Wright and Dykstra 1988; from memory).
    for i, mean in enumerate(found):
        averages = [
            min(np.average(means[u : v + 1], weights=weights[u : v + 1]) for v in range(i, len(means)))
            for u in range(i + 1)
        ]
        assert mean == pytest.approx(max(averages), abs=1e-9)


def chance_for_equal_runs(t: float, doses: int, df: float) -> float:
    """Spitzer 1956: chance that a walk never rises above 0, from the chances of each of its places alone."""

    def below(x: np.ndarray) -> np.ndarray:
        chances = [np.ones_like(x)]
        for m in range(1, doses + 1):
            chances.append(sum(ndtr(x * math.sqrt(j)) * chances[m - j] for j in range(1, m + 1)) / m)
        return chances[-1]

    z = np.linspace(-9, 9, 181)

    def given_spread(s: float) -> float:
        return float(np.trapezoid(stats.norm.pdf(z) * below(z + t * s * math.sqrt(2)), z))

    root = math.sqrt(df)
    return quad(lambda s: stats.chi.pdf(s * root, df) * root * given_spread(s), 0, 5, epsabs=1e-9)[0]


@pytest.mark.parametrize(("doses", "df"), [(2, 6), (5, 20), (9, 12)])
def test_equal_runs_agree_with_a_closed_formula(doses, df):
    assert williams_chance(1.7, [4] * doses, 4, df) == pytest.approx(
        chance_for_equal_runs(1.7, doses, df), abs=1e-7
    )


@pytest.mark.parametrize(("runs", "control"), [([4, 4, 3], 6), ([1, 5, 2, 8], 3), ([9, 1], 2)])
def test_unequal_runs_agree_with_a_second_library(runs, control):
    # t-bar stays below t when each running mean of the top doses does: correlated t values, integrated at once.
    t, df = 1.9, 10
    unit = math.sqrt(1 / runs[-1] + 1 / control)
    tops = [runs[i:] for i in reversed(range(len(runs)))]
    covariance = np.array([[1 / max(sum(a), sum(b)) + 1 / control for b in tops] for a in tops])
    scale = np.sqrt(np.diag(covariance))
    shape = covariance / np.outer(scale, scale)
    referee = stats.multivariate_t(shape=shape, df=df).cdf(t * unit / scale, random_state=1, maxpts=400_000)
    assert williams_chance(t, runs, control, df) == pytest.approx(referee, abs=2e-4)


# Williams 1971, table for equal runs, one-sided 5 %; figures from memory, two decimals.
@pytest.mark.parametrize(
    ("doses", "df", "printed"), [(2, 10, 1.91), (5, 20, 1.86), (2, 1e6, 1.72), (3, 60, 1.77)]
)
def test_critical_values_are_near_the_printed_ones(doses, df, printed):
    assert williams_critical([1] * doses, 1, df) == pytest.approx(printed, abs=0.011)


@pytest.mark.parametrize("df", [1, 4, 30, math.inf])
def test_one_dose_is_student_and_more_doses_ask_a_little_more(df):
    values = [williams_critical([3] * k, 3, df) for k in (1, 2, 4, 8)]
    assert values[0] == pytest.approx(t_quantile(0.95, df))
    assert values == sorted(values)
    assert williams_critical([3] * 4, 3, df, 0.99) > values[2]
    for k, value in zip((2, 4, 8), values[1:], strict=True):
        assert williams_chance(value, [3] * k, 3, df) == pytest.approx(0.95, abs=1e-7)


def test_williams_steps_down_and_stops():
    found = williams([3.0, 5.0, 3.1, 5.2, 5.4], [4] * 5, 0.5, 15)
    # The lowest dose is pulled down to the mean of the first two; the step ends where that fails.
    assert found.isotonic_means_of_doses == pytest.approx((4.05, 4.05, 5.2, 5.4))
    assert found.shown == tuple(t > c for t, c in zip(found.t_bar, found.critical_t, strict=True))
    assert found.least == found.shown.index(True)
    for t, critical, p in zip(found.t_bar, found.critical_t, found.p, strict=True):
        assert (t > critical) == (p < 0.05)
    nothing = williams([3.0, 3.1, 3.2], [4] * 3, 0.5, 9)
    assert (nothing.least, nothing.shown) == (None, (False, False))


def test_blocks_take_their_share_of_the_scatter():
    values, doses, order = runs_of_groups(GROUPS)
    blocks = [1, 2, 3] * 3
    shifted = [value + 10 * block for value, block in zip(values, blocks, strict=True)]
    plain, moved = (williams_of_runs(some, doses, order, blocks) for some in (values, shifted))
    assert moved.t_bar == pytest.approx(plain.t_bar)
    assert moved.df == 4
    assert step_down(shifted, doses, order, blocks).t == pytest.approx(
        step_down(values, doses, order, blocks).t
    )


def test_step_down_is_a_pooled_t_and_claims_nothing_after_a_failure():
    # Low works by itself, middle does not: low is not claimed.
    groups = {
        "0": [1.0, 1.2, 0.8],
        "low": [3.0, 3.2, 2.8],
        "middle": [1.1, 0.9, 1.0],
        "high": [3.1, 2.9, 3.0],
    }
    values, doses, order = runs_of_groups(groups)
    found = step_down(values, doses, order)
    assert found.p_one_sided["low"] < 0.001
    assert (found.shown, found.minimum_effective_dose) == (("high",), "high")
    pooled = np.mean([np.var(row, ddof=1) for row in groups.values()])
    assert found.t["high"] == pytest.approx(2 / math.sqrt(pooled * 2 / 3))
    assert found.p_one_sided["high"] == pytest.approx(stats.t.sf(found.t["high"], 8))
    # Worse than the control: never the least effective dose.
    assert step_down([-value for value in values], doses, order).minimum_effective_dose is None


def test_a_missing_run_is_left_out_of_the_step_down_only():
    values, doses, order = runs_of_groups(GROUPS)
    blocks = [1, 2, 3] * 3
    assert step_down(values[:-1], doses[:-1], order, blocks[:-1]).df == 3
    with pytest.raises(ValueError, match="equally often"):
        williams_of_runs(values[:-1], doses[:-1], order, blocks[:-1])


def test_a_fall_at_the_top_is_seen():
    groups = {"0": [1.0, 1.2, 0.8], "low": [3.0, 3.2, 2.8], "high": [1.1, 0.9, 1.0]}
    found = top_dose(*runs_of_groups(groups))
    assert (found.top, found.best) == ("high", "low")
    assert found.drop == pytest.approx(2)
    assert found.p_adjusted == pytest.approx(stats.t.sf(found.t, 6))
    assert top_dose(*runs_of_groups(GROUPS)).p_adjusted > 0.5


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: jonckheere({"0": [1, 2]}), "at least 2"),
        (lambda: jonckheere({"0": [1], "1": []}), "a value of 1"),
        (lambda: jonckheere({"0": [1], "1": [None]}), "missing"),
        (lambda: jonckheere({"0": [1], "1": [1, 1]}), "equal"),
        (lambda: isotonic_means([1, 2], [1]), "one weight"),
        (lambda: isotonic_means([1, 2], [1, 0]), "0 as a weight"),
        (lambda: isotonic_means([1, math.nan], [1, 1]), "nan"),
        (lambda: williams([1, 2, 3], [3, 3], 1.0, 4), "one for each"),
        (lambda: williams([1, 2], [3, 3], 0.0, 4), "0.0 as error variance"),
        (lambda: williams([1, 2], [3, 3], 1.0, 0), "0 degrees"),
        (lambda: williams([1], [3], 1.0, 4), "at least 2"),
        (lambda: williams_chance(1.0, [3, 3], 3, math.nan), "nan degrees"),
        (lambda: williams_critical([3, 3], 3, 5, 1.0), "between 0 and 1"),
        (lambda: williams_critical([3, 1e6], 3, 5), "too unequal"),
        (lambda: step_down([1, 2, 3], ["0", "0", "1"], ["0"]), "every dose once"),
        (lambda: step_down([1, 2], ["0", "0"], ["0"]), "besides the control"),
        (lambda: step_down([1, 2], ["0", "1"], ["0", "1"]), "0 degrees of freedom"),
        (lambda: step_down([1, 1, 2, 2], ["0", "0", "1", "1"], ["0", "1"]), "agree exactly"),
        (lambda: step_down([1, 2, 3], ["0", "0", "1"], ["0", "1"], [1, 1]), "2 blocks"),
        (lambda: step_down([1, 2, 3], ["0", "0", "1"], ["0", "1"], alpha=5), "alpha 5"),
        (
            lambda: step_down([1, 2, 3, 5], ["0", "0", "1", "1"], ["0", "1"], [1, 1, 2, 2]),
            "No block ties",
        ),
        (lambda: top_dose([1, 2, 3, 4], ["0", "0", "1", "1"], ["0", "1"]), "at least 2"),
    ],
)
def test_refuses_what_has_no_order(call, said):
    with pytest.raises(ValueError, match=said):
        call()


@pytest.mark.parametrize("confidence", [0.0, 1.0, -0.1, 1.1])
def test_a_confidence_lies_between_nothing_and_all(confidence):
    with pytest.raises(ValueError, match="between 0 and 1"):
        williams_critical([3, 3], 3, 5, confidence)


@pytest.mark.parametrize("confidence", [0.02, 0.3, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("runs", [(3, 3), (2, 5, 4), (1,) * 6])
def test_the_search_finds_the_critical_value_of_any_confidence(confidence, runs):
    """Where few false alarms are asked for and where many are: the value has the chance that was asked for."""
    found = williams_critical(runs, 4, 7, confidence)
    assert williams_chance(found, runs, 4, 7) == pytest.approx(confidence, abs=1e-7)


@pytest.mark.parametrize("df", [1, 0.999])
def test_one_degree_of_freedom_is_the_least(df):
    if df < 1:
        with pytest.raises(ValueError, match="at least 1"):
            williams_chance(1.0, [5], 5, df)
    else:
        # Student's t with one degree of freedom is Cauchy's law: a chance of 3/4 at 1.
        assert williams_chance(1.0, [5], 5, df) == pytest.approx(0.75, abs=1e-6)


@pytest.mark.parametrize("alpha", [0.0, 1.0])
def test_a_step_down_has_a_level(alpha):
    with pytest.raises(ValueError, match="between 0 and 1"):
        step_down([2.8, 3.5, 3.1, 3.3], ["0", "0", "low", "low"], ["0", "low"], alpha=alpha)
