"""Bradley and Terry: Ford's condition first, then the fit against a second library."""

import math
from itertools import combinations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.calc.preference import finite_abilities_exist, preference

WINS = [[0, 3, 2, 1], [5, 0, 3.5, 2], [6, 4.5, 0, 3], [7, 6, 5, 0]]
NAMES = ["water", "low", "middle", "high"]


def test_fit_agrees_with_a_second_library():
    found = preference(NAMES, WINS)
    rows, won, lost = [], [], []
    for i, j in combinations(range(4), 2):
        row = np.zeros(4)
        row[i], row[j] = 1, -1
        rows.append(row[1:])
        won.append(WINS[i][j])
        lost.append(WINS[j][i])
    referee = sm.GLM(np.column_stack([won, lost]), np.array(rows), family=sm.families.Binomial()).fit(
        tol=1e-13
    )
    assert [found.log_ability[name] for name in NAMES[1:]] == pytest.approx(referee.params, rel=1e-8)
    assert [found.standard_error[name] for name in NAMES[1:]] == pytest.approx(referee.bse, rel=1e-7)
    assert found.residual_deviance == pytest.approx(referee.deviance, rel=1e-8)
    assert (found.residual_df, found.looks) == (3, 48)
    assert found.covariance == pytest.approx(referee.cov_params(), rel=1e-6)


def test_naming_another_first_moves_every_ability_alike():
    one = preference(NAMES, WINS)
    turned = np.array(WINS)[::-1, ::-1].tolist()
    other = preference(NAMES[::-1], turned)
    for a, b in combinations(NAMES, 2):
        assert one.log_ability[a] - one.log_ability[b] == pytest.approx(
            other.log_ability[a] - other.log_ability[b]
        )
        assert one.log_odds_interval(a, b) == pytest.approx(other.log_odds_interval(a, b))
        assert one.chance_of_beating(a, b) + one.chance_of_beating(b, a) == pytest.approx(1)


def test_two_items_are_a_plain_proportion():
    found = preference(["water", "rinse"], [[0, 2], [6, 0]])
    assert found.chance_of_beating("rinse", "water") == pytest.approx(0.75)
    # Standard error of a log odds: sqrt(1/2 + 1/6).
    assert found.standard_error["rinse"] == pytest.approx(math.sqrt(1 / 2 + 1 / 6))
    narrow, wide = (found.log_odds_interval("rinse", "water", level) for level in (0.9, 0.99))
    assert wide[0] < narrow[0] < narrow[1] < wide[1]


def test_a_steep_ladder_is_still_climbed():
    found = preference(["a", "b", "c"], [[0, 1e6, 0], [1, 0, 1], [0, 1e6, 0]])
    assert found.log_ability["b"] == pytest.approx(-math.log(1e6))


def every_split_won_both_ways(wins) -> bool:
    size = len(wins)
    for count in range(1, size):
        for inside in combinations(range(size), count):
            outside = [i for i in range(size) if i not in inside]
            if not any(wins[i][j] for i in inside for j in outside):
                return False
    return True


@settings(deadline=None)
@given(
    st.integers(2, 5).flatmap(
        lambda n: st.lists(st.lists(st.integers(0, 1), min_size=n, max_size=n), min_size=n, max_size=n)
    )
)
def test_ford_s_condition_is_that_of_every_split(wins):
    table = [[0 if i == j else entry for j, entry in enumerate(row)] for i, row in enumerate(wins)]
    names = [f"pan {i}" for i in range(len(table))]
    exist = every_split_won_both_ways(table)
    assert finite_abilities_exist(table) == exist
    if exist:
        assert all(map(math.isfinite, preference(names, table).log_ability.values()))
    else:
        with pytest.raises(ValueError, match="never"):
            preference(names, table)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: preference(["a", "b"], [[0, 3], [0, 0]]), "a: never lost"),
        (
            lambda: preference(
                ["a", "b", "c", "d"], [[0, 1, 0, 0], [1, 0, 0, 0], [0, 0, 0, 1], [0, 0, 1, 0]]
            ),
            "a, b",
        ),
        (lambda: preference(["a", "a"], [[0, 3], [1, 0]]), "named once"),
        (lambda: preference(["a"], [[0, 3], [1, 0]]), "2 rows"),
        (lambda: finite_abilities_exist([[0]]), "at least 2"),
        (lambda: finite_abilities_exist([[0, 1], [1]]), "square"),
        (lambda: finite_abilities_exist([[0, -1], [1, 0]]), "-1 wins"),
        (lambda: finite_abilities_exist([[0, math.nan], [1, 0]]), "nan wins"),
        (lambda: finite_abilities_exist([[2, 1], [1, 0]]), "over itself"),
        (lambda: preference(["a", "b"], [[0, 2], [6, 0]]).log_odds_interval("a", "b", 0), "between 0 and 1"),
    ],
)
def test_refuses_what_cannot_be_fitted(call, said):
    with pytest.raises(ValueError, match=said):
        call()
