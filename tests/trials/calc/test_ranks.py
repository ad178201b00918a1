"""Places: exact levels against plain enumeration and a second library; published figures are among the reference cases."""

import math
from itertools import combinations, permutations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from trials.calc import ranks

ROWS = [[1, 3, 2, 4], [1, 2, 3, 4], [2, 3, 1, 4], [1, 4, 2, 3]]
TIED = [[1, 1, 2], [3, 2, 2], [1, 2, 3], [1, 1, 3], [2, 2, 2]]
SMALL_TABLES = (
    st.integers(2, 4)
    .flatmap(lambda k: st.lists(st.lists(st.integers(0, 3), min_size=k, max_size=k), min_size=2, max_size=4))
    .filter(lambda rows: any(len(set(row)) > 1 for row in rows))
)


def every_table(rows):
    """All tables with the places of each row in any order, equally likely."""
    places = ranks.places(rows)
    return [np.array(table) for table in product(*(list(permutations(row)) for row in places))]


def s_of(table) -> float:
    sums = table.sum(axis=0)
    return float(((sums - sums.mean()) ** 2).sum())


@pytest.mark.parametrize("rows", [ROWS[:3], TIED, [[1, 2, 3], [1, 2, 3], [1, 2, 3]]])
def test_friedman_is_what_enumeration_gives(rows):
    seen = s_of(ranks.places(rows))
    tables = every_table(rows)
    found = ranks.friedman_counted(rows)
    assert found.exact
    assert found.rank_sum_squares_s == pytest.approx(seen)
    assert found.p == pytest.approx(np.mean([s_of(table) >= seen - 1e-9 for table in tables]), rel=1e-12)


@settings(max_examples=25, deadline=None)
@given(SMALL_TABLES)
def test_friedman_of_any_small_table_is_what_enumeration_gives(rows):
    if math.factorial(len(rows[0])) ** len(rows) > 20_000:
        rows = rows[:3]
    if all(len(set(row)) == 1 for row in rows):
        return
    seen = s_of(ranks.places(rows))
    chance = np.mean([s_of(table) >= seen - 1e-9 for table in every_table(rows)])
    assert ranks.friedman_counted(rows).p == pytest.approx(chance, rel=1e-9)


def test_shuffling_stands_in_where_the_count_is_too_long(monkeypatch):
    exact = ranks.friedman_counted(ROWS)
    monkeypatch.setattr(ranks, "EXACT_STEP", 10)
    shuffled = ranks.friedman_counted(ROWS)
    assert (exact.exact, shuffled.exact) == (True, False)
    # Four standard errors of a chance from 40,000 shuffles.
    assert shuffled.p == pytest.approx(exact.p, abs=4 * math.sqrt(exact.p * (1 - exact.p) / 40_000))
    assert ranks.friedman_counted(ROWS) == shuffled, "the same rows give the same digits"
    assert ranks.friedman_counted(ROWS, np.random.default_rng(3)).p != shuffled.p


def test_the_count_in_pieces_is_the_count_in_one(monkeypatch):
    whole = ranks.friedman_counted(ROWS).p
    monkeypatch.setattr(ranks, "EXACT_PIECE", 7)
    assert ranks.friedman_counted(ROWS).p == pytest.approx(whole, rel=1e-12)


@pytest.mark.parametrize("rows", [ROWS, TIED])
def test_friedman_agrees_with_a_second_library(rows):
    found = ranks.friedman(rows)
    referee = stats.friedmanchisquare(*np.transpose(rows))
    assert found.chi2 == pytest.approx(referee.statistic, rel=1e-12)
    assert found.p_chi2 == pytest.approx(referee.pvalue, rel=1e-10)


def test_full_agreement_has_no_f():
    found = ranks.friedman([[1, 2, 3]] * 4)
    assert (found.iman_davenport_f, found.p_f, found.kendall_w) == (None, None, 1)


@settings(max_examples=40, deadline=None)
@given(SMALL_TABLES)
def test_concordance_lies_between_nothing_and_one(rows):
    found = ranks.kendall_w(rows)
    assert -1e-12 <= found.kendall_w <= 1 + 1e-12
    friedman = ranks.friedman(rows)
    assert friedman.chi2 == pytest.approx(len(rows) * (len(rows[0]) - 1) * found.kendall_w, abs=1e-9)


@pytest.mark.parametrize("rows", [ROWS, TIED[:4]])
def test_a_pair_is_what_enumeration_gives(rows):
    names = list("abcd"[: len(rows[0])])
    tables = every_table(rows[:3])
    for pair in ranks.all_pairs(rows[:3], names):
        i, j = names.index(pair.first), names.index(pair.second)
        gaps = np.array([abs(table[:, j].sum() - table[:, i].sum()) for table in tables])
        chance = np.mean(gaps >= abs(pair.rank_sum_difference) - 1e-9)
        assert pair.p_unadjusted == pytest.approx(chance, rel=1e-10)


def test_holm_is_never_above_bonferroni_and_keeps_the_order():
    found = ranks.against_control(ROWS, list("abcd"), "a")
    assert [pair.second for pair in found] == ["b", "c", "d"]
    for pair in found:
        assert pair.p_unadjusted <= pair.p_holm <= pair.p_bonferroni <= 1
    ordered = sorted(found, key=lambda pair: pair.p_unadjusted)
    assert [pair.p_holm for pair in ordered] == sorted(pair.p_holm for pair in found)
    # Holm 1979: the smallest of three times 3.
    assert ordered[0].p_holm == pytest.approx(3 * ordered[0].p_unadjusted)


def test_one_treatment_against_one_control_is_the_sign_test():
    found = ranks.against_control([[1, 2]] * 6 + [[2, 1]], ["water", "rinse"], "water")[0]
    assert found.p_unadjusted == pytest.approx(stats.binomtest(6, 7).pvalue)


def test_nemenyi_critical_difference_is_the_one_printed():
    # Demsar 2006, J. Mach. Learn. Res. 7, table 5 (from memory): q 2.569 for 4 treatments at 5 %.
    found = ranks.nemenyi(ROWS, list("abcd"))
    assert found.critical_difference_mean_rank == pytest.approx(2.569 * math.sqrt(4 * 5 / (6 * 4)), abs=1e-3)
    assert ranks.nemenyi(ROWS, list("abcd"), 0.99).critical_difference_mean_rank > (
        found.critical_difference_mean_rank
    )


def test_kruskal_of_small_groups_is_what_dealing_gives():
    groups = {"a": [1.0, 4, 4], "b": [2, 6], "c": [3, 7, 8]}
    values = [value for row in groups.values() for value in row]
    h = ranks.kruskal(groups).h
    assert h == pytest.approx(stats.kruskal(*groups.values()).statistic, rel=1e-12)
    seen = []
    for first in combinations(range(8), 3):
        others = [i for i in range(8) if i not in first]
        for second in combinations(others, 2):
            third = [i for i in others if i not in second]
            dealt = [[values[i] for i in some] for some in (first, second, third)]
            seen.append(stats.kruskal(*dealt).statistic)
    found = ranks.kruskal(groups)
    assert found.exact
    assert found.p_permutation == pytest.approx(np.mean(np.array(seen) >= h - 1e-9), rel=1e-12)


def test_kruskal_of_large_groups_needs_no_dealing():
    groups = {"a": [1, 2, 3, 4, 9], "b": [5, 6, 7, 8, 10]}
    found = ranks.kruskal(groups)
    assert (found.p_permutation, found.exact) == (None, None)
    assert found.p_chi2 == pytest.approx(stats.kruskal(*groups.values()).pvalue)


def test_dealing_by_lot_agrees_with_every_deal(monkeypatch):
    scores, sizes = [1.0, 2, 3, 5, 4, 7, 8, 9, 12], [3, 3, 3]
    p, exact = ranks.deal_out(scores, sizes)
    monkeypatch.setattr(ranks, "EXACT_DEALS", 10)
    by_lot, counted = ranks.deal_out(scores, sizes)
    assert (exact, counted) == (True, False)
    assert by_lot == pytest.approx(p, abs=4 * math.sqrt(p * (1 - p) / 40_000))


@pytest.mark.parametrize("rows", [ROWS, [[2, 1, 3], [1, 3, 2]], [[3, 1, 2, 5, 4]] * 3])
def test_page_agrees_with_a_second_library(rows):
    found = ranks.page(rows)
    exact = stats.page_trend_test(rows, method="exact")
    assert found.l == exact.statistic
    assert found.p_exact_one_sided == pytest.approx(exact.pvalue, rel=1e-9)
    assert found.p_exact_given_ties == pytest.approx(exact.pvalue, rel=1e-9)
    normal = stats.page_trend_test(rows, method="asymptotic")
    assert found.p_normal_one_sided == pytest.approx(normal.pvalue, rel=1e-10)


def test_page_with_ties_is_what_enumeration_gives():
    seen = ranks.page(TIED)
    weights = np.arange(1, 4)
    chance = np.mean([table.sum(axis=0) @ weights >= seen.l - 1e-9 for table in every_table(TIED)])
    assert seen.p_exact_given_ties == pytest.approx(chance, rel=1e-10)


def test_page_of_a_fall_is_near_one():
    assert ranks.page([[4, 3, 2, 1]] * 4).p_exact_one_sided == pytest.approx(1)
    assert ranks.page([[4, 3, 2, 1]] * 4).z < 0


def test_page_counts_no_more_columns_than_it_can():
    found = ranks.page([list(range(13))] * 2)
    assert (found.p_exact_one_sided, found.p_exact_given_ties) == (None, None)
    assert found.p_normal_one_sided < 0.001


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: ranks.friedman([[1, 2, 3]]), "at least 2 rows"),
        (lambda: ranks.friedman([[1, 2, 3], [1, 2]]), "every treatment once"),
        (lambda: ranks.friedman([[1], [2]]), "at least 2 treatments"),
        (lambda: ranks.friedman([[1, None], [2, 1]]), "missing"),
        (lambda: ranks.friedman([[1, math.nan], [2, 1]]), "nan as a value of row 1"),
        (lambda: ranks.friedman([[1, 1], [2, 2]]), "one tie"),
        (lambda: ranks.friedman_counted([[1, 1], [2, 2]]), "one tie"),
        (lambda: ranks.page([[1, 1], [2, 2]]), "one tie"),
        (lambda: ranks.kruskal({"a": [1, 2]}), "at least 2"),
        (lambda: ranks.kruskal({"a": [1, 2], "b": []}), "a value of b"),
        (lambda: ranks.kruskal({"a": [2, 2], "b": [2]}), "are equal"),
        (lambda: ranks.nemenyi(ROWS, ["a", "b"]), "one name for each column"),
        (lambda: ranks.nemenyi(ROWS, ["a", "b", "c", "c"]), "named once"),
        (lambda: ranks.nemenyi(ROWS, list("abcd"), 1), "between 0 and 1"),
        (lambda: ranks.against_control(ROWS, list("abcd"), "water"), "water"),
    ],
)
def test_refuses_what_cannot_be_ranked(call, said):
    with pytest.raises(ValueError, match=said):
        call()


@pytest.mark.parametrize("shape", [(20, 7), (30, 6)])
def test_where_the_orders_are_too_many_to_count_shuffles_say_the_same_as_the_chi_squared(shape):
    # Many rows: the chi-squared law is then good to some hundredths (referee: scipy).
    dice = np.random.default_rng(3)
    rows = dice.normal(size=shape)
    rows[:, 0] += 0.25
    found = ranks.friedman_counted(rows.tolist())
    assert not found.exact
    assert found.p == pytest.approx(stats.friedmanchisquare(*rows.T).pvalue, abs=0.02)


@pytest.mark.parametrize("confidence", [0.0, 1.0, -0.5])
def test_a_confidence_of_nothing_or_all_is_refused(confidence):
    with pytest.raises(ValueError, match="between 0 and 1"):
        ranks.nemenyi([[1, 2, 3]] * 4, ["a", "b", "c"], confidence)


@pytest.mark.parametrize(("size", "counted"), [(4, True), (5, False)])
def test_a_group_under_five_is_counted_out(size, counted):
    # Kruskal and Wallis (1952) give their tables for groups up to 5; from there on chi-squared does (from memory).
    found = ranks.kruskal({"a": list(range(size)), "b": [10.5 + n for n in range(5)]})
    assert (found.p_permutation is not None) is counted


def test_two_groups_and_two_rows_are_the_fewest():
    # By hand: the six ways to deal 2 and 2 hold two complete partings; two rows of two agree in two of four ways.
    assert ranks.kruskal({"a": [1, 2], "b": [3, 4]}).p_permutation == pytest.approx(2 / 6)
    assert ranks.friedman_counted([[1, 2], [1, 2]]).p == pytest.approx(1 / 2)
    for call in (
        lambda: ranks.kruskal({"a": [1, 2]}),
        lambda: ranks.friedman([[1, 2]]),
        lambda: ranks.friedman([[1], [2]]),
    ):
        with pytest.raises(ValueError, match="at least 2"):
            call()


def test_full_agreement_has_no_f_and_all_but_one_place_has():
    assert ranks.friedman([[1, 2, 3]] * 4).iman_davenport_f is None
    # By hand: rank sums 4, 9, 11 of four rows: W = 26/32, chi2 = 6.5, F = 3 x 6.5 / (8 - 6.5) = 13.
    found = ranks.friedman([[1, 2, 3], [1, 2, 3], [1, 2, 3], [1, 3, 2]])
    assert found.kendall_w == pytest.approx(26 / 32)
    assert (found.chi2, found.iman_davenport_f) == (pytest.approx(6.5), pytest.approx(13))
