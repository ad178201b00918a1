"""Analysis of variance: edges; certified and published figures are among the reference cases."""

import pytest

from trials.calc.all_pairs import games_howell, tukey
from trials.calc.equivalence import Summary, not_worse, ratio_of_masses, summarise, two_one_sided
from trials.calc.variance import in_blocks, in_blocks_with_missing, latin_square, one_way, welch

TABLE = {"water": [1.0, 2.0, 4.0], "rinse": [2.0, 3.5, 4.5]}


def test_missing_and_complete_agree_on_a_complete_table():
    whole, adjusted = in_blocks(TABLE), in_blocks_with_missing(TABLE, "water")
    assert adjusted.f_treatments == pytest.approx(whole.f_treatments)
    assert adjusted.least_squares_means == pytest.approx(whole.means)
    assert adjusted.se_difference_from_control["rinse"] == pytest.approx(whole.se_difference)


def test_two_treatments_in_blocks_are_the_paired_t_test():
    from scipy.stats import ttest_rel

    assert in_blocks(TABLE).p_treatments == pytest.approx(ttest_rel(TABLE["water"], TABLE["rinse"]).pvalue)


def test_two_groups_of_welch_are_the_welch_t_test():
    from scipy.stats import ttest_ind

    assert welch(TABLE).p == pytest.approx(ttest_ind(TABLE["water"], TABLE["rinse"], equal_var=False).pvalue)


def test_no_scatter_gives_no_f():
    found = in_blocks({"water": [1.0, 2.0], "rinse": [2.0, 3.0]})
    assert (found.f_treatments, found.relative_efficiency) == (None, None)


def test_a_stack_of_squares_agrees_with_a_second_library():
    import pandas
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    rows = ["ABC", "BCA", "CAB", "CBA", "ACB", "BAC"]
    values = [
        [1.2, 2.0, 3.1],
        [2.2, 2.9, 1.1],
        [3.0, 1.4, 2.1],
        [2.6, 2.4, 0.9],
        [1.0, 3.3, 2.2],
        [2.5, 1.3, 3.2],
    ]
    found = latin_square(rows, values)
    table = pandas.DataFrame(
        [(row, column, rows[row][column], values[row][column]) for row in range(6) for column in range(3)],
        columns=["row", "place", "treatment", "y"],
    )
    second = anova_lm(ols("y ~ C(treatment) + C(row) + C(place)", table).fit(), typ=2)
    assert found.df_error == second.loc["Residual", "df"] == 8
    assert found.f_treatments == pytest.approx(second.loc["C(treatment)", "F"])
    assert found.ss_rows == pytest.approx(second.loc["C(row)", "sum_sq"])
    assert found.ss_columns == pytest.approx(second.loc["C(place)", "sum_sq"])


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: latin_square(["ABC", "BCA"], [[1, 2, 3], [2, 3, 1]]), "as many rows as treatments"),
        (lambda: latin_square(["AB", "BA"], [[1, 2], [2]]), "every place with its value"),
        (lambda: one_way({"water": [1.0, float("nan")], "rinse": [2.0, 3.0]}), "nan among the values"),
        (lambda: welch({"water": [1.0, float("nan")], "rinse": [2.0, 3.0]}), "nan for water"),
        (lambda: tukey({"a": [1.0, 1.1], "b": [2.0, 2.2]}, confidence=95), "confidence 95"),
        (lambda: two_one_sided(float("nan"), 1, 5, -1, 1), "difference nan"),
        (lambda: two_one_sided(0, 1, 5, -1, 1, alpha=5), "alpha 5"),
        (lambda: in_blocks({"water": [1.0], "rinse": [2.0]}), "degrees of freedom"),
        (lambda: in_blocks({"water": [1.0, None], "rinse": [2.0, 1.0]}), "cell is missing"),
        (lambda: one_way({"water": [1.0, 2.0]}), "at least 2"),
        (lambda: welch({"water": [1.0, 1.0], "rinse": [2.0, 3.0]}), "all runs are the same"),
        (lambda: welch({"water": [1.0], "rinse": [2.0, 3.0]}), "at least 2"),
        (
            lambda: in_blocks_with_missing(
                {
                    "water": [1.0, 1.2, None, None],
                    "rinse": [None, None, 2.0, 2.2],
                    "soap": [1.0, 1.3, None, None],
                    "oil": [None, None, 1.0, 1.3],
                },
                "water",
            ),
            "tied together by no block",
        ),
        (lambda: tukey({"a": [1.0, 1.0], "b": [1.0, 1.0]}), "no spread"),
        (lambda: games_howell({"a": [1.0], "b": [1.0, 2.0]}), "at least 2"),
        (lambda: two_one_sided(0, 0, 5, -1, 1), "error above 0"),
        (lambda: two_one_sided(0, 1, 5, 1, -1), "lower below upper"),
        (lambda: ratio_of_masses([0.0, 1.0], [1.0, 1.1], 0.8, 1.25), "above 0"),
        (lambda: not_worse(Summary(1, 1, 5), Summary(1, 1, 5), 0), "margin 0"),
        (lambda: summarise([1.0]), "at least 2"),
    ],
)
def test_refuses_what_has_no_answer(call, says):
    with pytest.raises(ValueError, match=says):
        call()
