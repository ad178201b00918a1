"""Two additives: tables against a second library, the ratio of ratios, and where Bliss holds."""

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.formula.api import ols

from trials.calc.combination import CELLS, excess, excess_from_runs, interaction, two_factors

UNEQUAL = {
    "no": {"0": [2.0, 2.4, 1.9], "low": [2.6, 2.9], "high": [3.3]},
    "yes": {"0": [2.2, 2.1], "low": [3.3, 3.6, 3.1], "high": [4.9, 5.5]},
}
GOLD = {
    "neither": [2.0, 3.1, 2.5, 3.6],
    "a_only": [2.9, 4.0, 3.4, 4.9],
    "b_only": [2.2, 3.3, 2.4, 3.9],
    "both": [3.6, 5.6, 4.1, 6.6],
}
BLOCKS = {name: [1, 2, 3, 4] for name in GOLD}
FRACTIONS = st.floats(0, 1)


def test_unequal_cells_agree_with_a_second_library():
    rows = [(a, b, value) for a, row in UNEQUAL.items() for b, values in row.items() for value in values]
    table = pd.DataFrame(rows, columns=["a", "b", "y"])
    referee = sm.stats.anova_lm(ols("y ~ C(a) * C(b)", table).fit(), typ=2)
    found = two_factors(UNEQUAL)
    for name, row in (("a", "C(a)"), ("b", "C(b)"), ("interaction", "C(a):C(b)")):
        assert getattr(found, f"ss_{name}") == pytest.approx(referee.loc[row, "sum_sq"], rel=1e-9)
        assert getattr(found, f"f_{name}") == pytest.approx(referee.loc[row, "F"], rel=1e-9)
        assert getattr(found, f"p_{name}") == pytest.approx(referee.loc[row, "PR(>F)"], rel=1e-8)
    assert (found.df_error, found.equal_cells) == (7, False)


@pytest.mark.parametrize("blocks", [None, BLOCKS])
def test_ratio_of_ratios_agrees_with_a_second_library(blocks):
    rows = [
        (math.log(value), name in ("a_only", "both"), name in ("b_only", "both"), i)
        for name in CELLS
        for i, value in enumerate(GOLD[name])
    ]
    table = pd.DataFrame(rows, columns=["y", "a", "b", "block"])
    table[["a", "b"]] = table[["a", "b"]].astype(int)
    fitted = ols("y ~ a * b" + (" + C(block)" if blocks else ""), table).fit()
    found = interaction(GOLD, blocks=blocks)
    low, high = fitted.conf_int().loc["a:b"]
    assert found.df == fitted.df_resid
    assert found.ratio_of_ratios == pytest.approx(math.exp(fitted.params["a:b"]))
    assert (found.lower, found.upper, found.p) == pytest.approx(
        (math.exp(low), math.exp(high), fitted.pvalues["a:b"])
    )
    assert (found.ratio_a, found.ratio_b) == pytest.approx(
        (math.exp(fitted.params["a"]), math.exp(fitted.params["b"]))
    )
    over_b = fitted.t_test("a + a:b = 0")
    assert found.both_over_b.p == pytest.approx(float(over_b.pvalue))
    assert math.log(found.both_over_b.ratio) == pytest.approx(float(over_b.effect[0]))
    # Better than both alone is only as sure as the less sure of the two.
    assert found.p_both_over_better == pytest.approx(max(found.both_over_a.p, found.both_over_b.p) / 2)


def test_blocks_take_their_scatter_out():
    assert interaction(GOLD, blocks=BLOCKS).p < interaction(GOLD).p


@settings(deadline=None)
@given(st.floats(0.1, 10), st.floats(0.2, 5), st.floats(0.2, 5))
def test_ratios_that_multiply_have_a_ratio_of_ratios_of_one(level, a, b):
    spread = [0.9, 1.1, 1.0]
    gold = {
        name: [level * ratio * factor for factor in spread]
        for name, ratio in zip(CELLS, (1, a, b, a * b), strict=True)
    }
    found = interaction(gold)
    assert found.ratio_of_ratios == pytest.approx(1)
    assert found.ratio_both == pytest.approx(found.ratio_a * found.ratio_b)


def test_worse_than_one_alone_is_not_better_than_the_better_one():
    turned = {
        "neither": GOLD["neither"],
        "a_only": GOLD["both"],
        "b_only": GOLD["b_only"],
        "both": GOLD["a_only"],
    }
    assert interaction(turned).p_both_over_better > 0.5


@settings(deadline=None)
@given(FRACTIONS, FRACTIONS, FRACTIONS)
def test_bliss_expects_what_independent_chances_give(a, b, both):
    found = excess(a, b, both)
    assert 1 - found.bliss_expected_fraction == pytest.approx((1 - a) * (1 - b), abs=1e-12)
    assert found.highest_single_fraction <= found.bliss_expected_fraction + 1e-12
    assert found.bliss_holds


def test_a_loss_is_answered_with_a_caution():
    found = excess(0.25, -0.1, 0.1)
    assert not found.bliss_holds
    assert "-0.1" in found.caution


def test_excess_has_the_spread_that_simulation_gives():
    dice = np.random.default_rng(5)
    truth, sd, runs = np.array([0.4, 0.3, 0.58]), np.array([0.05, 0.08, 0.06]), 6
    draws = truth + sd * dice.normal(size=(4000, runs, 3))
    inside = 0
    for draw in draws[:1000]:
        found = excess_from_runs(*draw.T.tolist())
        inside += found.bliss_lower <= 0.58 - (0.4 + 0.3 - 0.12) <= found.bliss_upper
    assert inside / 1000 == pytest.approx(0.95, abs=0.025)
    one, other = (excess_from_runs(*draws[0].T.tolist(), level) for level in (0.9, 0.99))
    assert other.bliss_lower < one.bliss_lower < one.bliss_upper < other.bliss_upper


def test_highest_single_is_the_less_sure_of_two():
    a, b, both = [0.30, 0.34, 0.32], [0.20, 0.21, 0.25], [0.45, 0.49, 0.47]
    found = excess_from_runs(a, b, both)
    # One-sided Welch limit of both minus the better one, from a second library.
    referee = sm.stats.CompareMeans.from_data(both, a).tconfint_diff(0.05, "larger", "unequal")[0]
    assert found.highest_single_lower == pytest.approx(referee, rel=1e-9)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: two_factors({"no": {"0": [1, 2], "1": [2, 3]}}), "at least 2"),
        (lambda: two_factors({"no": {"0": [1], "1": [2]}, "yes": {"0": [1, 2]}}), "No run of yes with 1"),
        (lambda: two_factors({"no": {"0": [1], "1": [2]}, "yes": {"0": [1], "1": [2]}}), "none is left"),
        (lambda: two_factors({"no": {"0": [1, 1], "1": [2]}, "yes": {"0": [1], "1": [2]}}), "agree exactly"),
        (lambda: two_factors({"no": {"0": [1, None], "1": [2]}, "yes": {"0": [1], "1": [2]}}), "missing"),
        (lambda: interaction({"a": [1.0]}), "the four are"),
        (lambda: interaction(GOLD | {"both": [1.0, 0.0]}), "0.0 as a gold mass in mg of both"),
        (lambda: interaction(GOLD | {"both": []}), "of both"),
        (lambda: interaction({name: [1.0] for name in CELLS}), "0 degrees of freedom"),
        (lambda: interaction({name: [1.0, 1.0] for name in CELLS}), "agree exactly"),
        (lambda: interaction(GOLD, blocks=BLOCKS | {"both": [1]}), "1 blocks for 4 runs"),
        (lambda: interaction(GOLD, blocks=BLOCKS | {"both": [5, 6, 7, 7]}), "do not tie"),
        (lambda: interaction(GOLD, 95), "confidence 95"),
        (lambda: excess(0.2, 0.3, 1.2), "1.2 as an effect"),
        (lambda: excess(0.2, 0.3, math.nan), "nan as an effect"),
        (lambda: excess_from_runs([0.1], [0.2, 0.3], [0.3, 0.4]), "at least 2"),
        (lambda: excess_from_runs([0.1, 1.1], [0.2, 0.3], [0.3, 0.4]), "1.1 as an effect"),
        (lambda: excess_from_runs([-0.1, -0.2], [0.2, 0.3], [0.3, 0.4]), "gains only"),
        (lambda: excess_from_runs([0.1, 0.1], [0.2, 0.2], [0.3, 0.3]), "agree exactly"),
        (lambda: excess_from_runs([0.1, 0.2], [0.2, 0.3], [0.3, 0.4], 1), "confidence 1"),
    ],
)
def test_refuses_what_cannot_be_combined(call, said):
    with pytest.raises(ValueError, match=said):
        call()
