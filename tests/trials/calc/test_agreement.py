"""Whether judges agree, against Friedman's tables and scipy."""

import numpy as np
import pytest
from scipy.stats import friedmanchisquare

from trials.calc.agreement import agreement
from trials.calc.ranks import friedman_counted

SAME_3 = [1, 2, 3]
SAME_4 = [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("rows", "chi2", "p"),
    [
        # Friedman 1937, J. Am. Stat. Assoc. 32, tables V and VI of exact chances (figures from memory).
        ([SAME_3] * 3, 6.0, 0.028),
        ([SAME_3] * 4, 8.0, 0.0046),
        ([SAME_4] * 2, 6.0, 0.042),
        ([SAME_4, SAME_4, [1, 2, 4, 3]], 8.2, 0.017),
    ],
)
def test_one_row_gives_the_chances_of_friedmans_tables(rows, chi2, p):
    found = agreement([rows])
    assert found.kendall_w == pytest.approx(chi2 / (len(rows) * (len(rows[0]) - 1)))
    # 40,000 shuffles know a chance of 0.04 to 0.001.
    assert found.p == pytest.approx(p, abs=0.003)


def test_w_is_scipys_friedman_over_its_greatest_value():
    rows = [[1, 2, 3, 4, 5], [2, 1, 3, 5, 4], [1, 3, 2, 4, 5]]
    chi2 = friedmanchisquare(*np.array(rows).T).statistic
    found = agreement([rows])
    assert found.kendall_w == pytest.approx(chi2 / (3 * 4))
    assert found.p == pytest.approx(friedman_counted(rows).p, abs=0.004)


def test_ties_are_counted_as_they_fell():
    rows = [[1, 1, 2, 3], [1, 2, 2, 3], [1, 1, 1, 2]]
    found = agreement([rows])
    assert found.p == pytest.approx(friedman_counted(rows).p, abs=0.006)


def test_judges_who_guess_reach_the_average_told_and_seldom_the_level():
    dice = np.random.default_rng(20260504)
    rows = [agreement([[dice.permutation(4) + 1 for _ in range(2)] for _ in range(3)]) for _ in range(150)]
    # Mean of 150 means of 3 rows: W of 2 judges of 4 pans has a standard deviation of 0.29 (exact), so 0.014 here.
    assert np.mean([found.kendall_w for found in rows]) == pytest.approx(0.5, abs=0.05)
    assert sum(found.is_shown for found in rows) <= 16


def test_many_rows_show_what_one_cannot():
    one = [SAME_3, [1, 3, 2]]
    assert not agreement([one]).is_shown
    assert agreement([one] * 8).is_shown
    assert "agree more than chance" in agreement([one] * 8).sentence
    assert "not shown that the judges see the same order" in agreement([one]).sentence


def test_opposed_judges_agree_in_nothing():
    found = agreement([[SAME_4, SAME_4[::-1]]] * 3)
    assert (found.kendall_w, found.p) == (0, 1)


def test_rows_that_tell_nothing_are_left_out():
    assert agreement([]) is None
    assert agreement([[SAME_4]]) is None
    assert agreement([[[1, 1, 1], [1, 1, 1]]]) is None
    assert agreement([[SAME_3], [SAME_3] * 3, [[1, 1], [1, 1]]]).blocks == 1
