"""Two one-sided tests and not worse: against another library, and at the margin itself.

The rule (D. J. Schuirmann, Journal of Pharmacokinetics and Biopharmaceutics 15 (1987) 657, from memory): equivalent where both
tests reject at 5 %, which is where the 90 % interval lies inside the margins.
"""

import math

import pytest
from scipy import stats
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from trials.calc.equivalence import (
    Summary,
    not_worse,
    one_sample,
    ratio_of_masses,
    summarise,
    two_one_sided,
    two_samples,
)

TREATED, CONTROL = [4.1, 4.6, 3.9, 4.4, 4.0], [4.2, 3.6, 4.5, 3.9]


@pytest.mark.parametrize(("equal", "usevar"), [(True, "pooled"), (False, "unequal")])
def test_agrees_with_another_library(equal, usevar):
    found = two_samples(summarise(TREATED), summarise(CONTROL), -0.6, 0.5, equal_variances=equal)
    both = CompareMeans(DescrStatsW(TREATED), DescrStatsW(CONTROL))
    # Referee: statsmodels.
    p, (lower, upper) = both.ttost_ind(-0.6, 0.5, usevar=usevar)
    assert (found.p_lower, found.p_upper) == pytest.approx((lower[1], upper[1]))
    assert (found.t_lower, found.t_upper, found.df) == pytest.approx((lower[0], upper[0], lower[2]))
    assert found.p_tost == pytest.approx(p)
    interval = both.tconfint_diff(alpha=0.10, usevar=usevar)
    assert (found.ci_lower_1_minus_2alpha, found.ci_upper_1_minus_2alpha) == pytest.approx(interval)


def test_spreads_are_taken_as_alike_unless_told_otherwise():
    alike = two_samples(summarise(TREATED), summarise(CONTROL), -0.6, 0.5)
    assert alike.df == len(TREATED) + len(CONTROL) - 2


def test_a_mean_against_a_fixed_value_agrees_with_scipy():
    found = one_sample(summarise(TREATED), 4.0, -0.5, 0.5)
    assert found.p_upper == pytest.approx(stats.ttest_1samp(TREATED, 4.5, alternative="less").pvalue)
    assert found.p_lower == pytest.approx(stats.ttest_1samp(TREATED, 3.5, alternative="greater").pvalue)
    assert found.df == 4


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(("inside", "equivalent"), [(1e-9, True), (-1e-9, False)])
def test_the_margin_itself_is_the_limit(side, inside, equivalent):
    # Student's t of 10 degrees of freedom, upper 5 %: 1.812461 (printed tables have 1.812); the interval ends there.
    end = 0.1 * stats.t.ppf(0.95, 10)
    assert end == pytest.approx(0.1812, abs=5e-5)
    found = two_one_sided(side * (0.3 - end - inside), 0.1, 10, -0.3, 0.3)
    assert found.equivalent is equivalent


@pytest.mark.parametrize(("margin", "shown"), [(0.1813, True), (0.1812, False)])
def test_not_worse_by_more_than_the_margin(margin, shown):
    # Six and six runs of sd sqrt(3)/10 have a standard error of 0.1 (by hand) and 10 degrees of freedom.
    new = control = Summary(4.0, math.sqrt(3) / 10, 6)
    found = not_worse(new, control, margin)
    assert found.se == pytest.approx(0.1)
    assert found.not_worse_by_more_than_margin is shown
    assert found.p_one_sided == pytest.approx(stats.t.sf(margin / 0.1, 10))
    assert found.lower_one_sided_limit == pytest.approx(-0.18125, abs=1e-5)


def test_a_ratio_of_masses_is_judged_by_logarithms():
    found = ratio_of_masses(TREATED, CONTROL, 0.8, 1.25)
    assert found.ratio == pytest.approx(stats.gmean(TREATED) / stats.gmean(CONTROL))
    # Referee: scipy's interval of the difference of the logarithms.
    logs = [[math.log(mass) for mass in masses] for masses in (TREATED, CONTROL)]
    interval = stats.ttest_ind(*logs).confidence_interval(0.90)
    assert (found.ratio_ci_lower_1_minus_2alpha, found.ratio_ci_upper_1_minus_2alpha) == pytest.approx(
        (math.exp(interval.low), math.exp(interval.high))
    )
    assert found.equivalent and math.log(0.8) < interval.low and interval.high < math.log(1.25)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: summarise([1.0]), "a spread needs at least 2"),
        (lambda: two_one_sided(0.0, 0.1, 0, -1, 1), "nothing to judge"),
        (lambda: two_one_sided(math.nan, 0.1, 4, -1, 1), "nothing to judge"),
        (lambda: two_one_sided(0.0, 0.0, 4, -1, 1), "error above 0"),
        (lambda: two_one_sided(0.0, math.inf, 4, -1, 1), "error above 0"),
        (lambda: two_one_sided(0.0, 0.1, 4, 1, 1), "lower below upper"),
        (lambda: two_one_sided(0.0, 0.1, 4, 1, -1), "lower below upper"),
        (lambda: two_one_sided(0.0, 0.1, 4, -1, 1, alpha=0.0), "alpha"),
        (lambda: two_one_sided(0.0, 0.1, 4, -1, 1, alpha=1.0), "alpha"),
        (lambda: not_worse(Summary(1, 1, 3), Summary(1, 1, 3), 0.0), "above 0"),
        (lambda: not_worse(Summary(1, 1, 3), Summary(1, 1, 3), 0.5, alpha=1.0), "alpha"),
        (lambda: ratio_of_masses([1.0, 0.0], [1.0, 2.0], 0.8, 1.25), "masses above 0"),
        (lambda: ratio_of_masses([1.0, 2.0], [1.0, -2.0], 0.8, 1.25), "masses above 0"),
    ],
)
def test_refuses_what_cannot_be_judged(call, said):
    with pytest.raises(ValueError, match=said):
        call()
