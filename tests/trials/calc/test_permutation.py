"""Rank sums against the control: counted, shuffled, and the surest outcome there can be."""

from itertools import permutations

import numpy as np
import pytest

from trials.calc import permutation
from trials.calc.permutation import fewest_blocks, fewest_in_one_order, rank_sums, smallest_level


def in_rows(rows, names):
    """Values, treatments and blocks of complete rows."""
    number = len(names)
    values = [value for row in rows for value in row]
    return values, list(names) * len(rows), [place // number for place in range(len(values))]


def test_two_pans_are_the_sign_test():
    # 7 of 8 blocks won: 2 (1 + 8) / 256 by the binomial law.
    rows = [(1.0, 2.0)] * 7 + [(2.0, 1.0)]
    found = rank_sums(*in_rows(rows, ["water", "rinse"]), "water")
    assert found.exact
    assert found.difference == {"rinse": 6.0}
    assert found.p_adjusted["rinse"] == pytest.approx(18 / 256)


def test_where_the_orders_are_too_many_to_count_they_are_shuffled_to_the_same_level(monkeypatch):
    dice = np.random.default_rng(2)
    names = ["water", "a", "b", "c"]
    rows = dice.normal(size=(6, 4)) + [0, 0.4, 0.8, 1.2]
    counted = rank_sums(*in_rows(rows.tolist(), names), "water")
    monkeypatch.setattr(permutation, "EXACT_WORK", 1000)
    shuffled = rank_sums(*in_rows(rows.tolist(), names), "water")
    assert counted.exact and not shuffled.exact
    assert shuffled.difference == counted.difference
    for name in names[1:]:
        # 40,000 shuffles know a chance of a half to 0.0025; four times that.
        assert shuffled.p_adjusted[name] == pytest.approx(counted.p_adjusted[name], abs=0.01)


def test_many_treatments_in_many_blocks_are_shuffled_and_never_come_out_as_impossible():
    names = ["water", *(f"dose {number}" for number in range(7))]
    rows = [list(range(8))] * 12
    found = rank_sums(*in_rows(rows, names), "water")
    assert not found.exact
    assert 0 < found.p_adjusted["dose 6"] < 0.001
    assert found.p_adjusted["dose 0"] > 0.5


def test_pans_all_alike_tell_nothing():
    found = rank_sums(*in_rows([(2.0, 2.0, 2.0)] * 4, ["water", "a", "b"]), "water")
    assert set(found.p_adjusted.values()) == {1.0}


@pytest.mark.parametrize(("blocks", "compared"), [(2, 1), (3, 1), (1, 2), (2, 2)])
def test_the_surest_outcome_is_as_rare_as_every_order_written_out_says(blocks, compared):
    # By hand: of t (t-1) pairs of places in a block one is (control last, treatment first), either way, for each compared.
    pans = compared + 1
    orders = list(permutations(range(pans)))
    clean = sum(1 for order in orders if order[0] == 0 and order[1] == pans - 1) / len(orders)
    assert smallest_level(blocks, compared) == pytest.approx(min(1.0, 2 * compared * clean**blocks))


@pytest.mark.parametrize("fewest", [fewest_blocks, fewest_in_one_order])
@pytest.mark.parametrize("compared", [1, 2, 5])
def test_a_stricter_level_takes_more(fewest, compared):
    assert fewest(compared, 0.001) > fewest(compared, 0.05) >= 2
