"""The order a row is shown in, and several judges' places made one."""

from collections import Counter

import pytest
from scipy.stats import kendalltau, rankdata

from trials.calc.judging import fnv1a, in_steps, mean_places, opposite_pairs, pan_order

CODES = ["K7", "M4", "P2", "R9"]


@pytest.mark.parametrize(("text", "value"), [("", 0x811C9DC5), ("a", 0xE40C292C), ("foobar", 0xBF9CF968)])
def test_hashes_as_the_published_values_say(text, value):
    # Test values of the IETF draft "The FNV Non-Cryptographic Hash Algorithm" (from memory).
    assert fnv1a(text) == value


def test_every_order_of_the_row_comes_about_equally_often():
    orders = Counter(tuple(pan_order(CODES, block, judge)) for block in range(60) for judge in range(80))
    # 4800 rows over 24 orders: 200 of each, give or take four standard deviations of a fair draw (14).
    assert len(orders) == 24
    assert all(144 <= number <= 256 for number in orders.values())


def test_the_order_does_not_hang_on_how_the_codes_came():
    assert pan_order(CODES, 3, 5) == pan_order(CODES[::-1], 3, 5)
    assert {tuple(pan_order(CODES, 3, judge)) for judge in range(20)} != {tuple(pan_order(CODES, 3, 5))}


def test_places_lose_their_gaps_and_keep_their_order():
    assert in_steps({"K7": 3, "M4": 3, "P2": 9, "R9": 1}) == {"K7": 2, "M4": 2, "P2": 3, "R9": 1}


@pytest.mark.parametrize("places", [[1, 2, 3, 4], [1, 1, 2, 3], [1, 2, 2, 2], [1, 1, 1, 1], [2, 1, 1, 2]])
def test_one_judge_gives_the_ranks_that_a_library_gives(places):
    found = mean_places([dict(zip(CODES, places, strict=True))])
    assert list(found.values()) == rankdata(places).tolist()


def test_judges_are_averaged_pan_by_pan():
    first, second = [1, 2, 2, 3], [2, 1, 3, 4]
    found = mean_places([dict(zip(CODES, first, strict=True)), dict(zip(CODES, second, strict=True))])
    assert list(found.values()) == ((rankdata(first) + rankdata(second)) / 2).tolist()


def test_three_judges_who_turn_round_leave_the_pans_exactly_alike():
    turns = [{"K7": 1, "M4": 2, "P2": 3}, {"K7": 2, "M4": 3, "P2": 1}, {"K7": 3, "M4": 1, "P2": 2}]
    assert set(mean_places(turns).values()) == {2.0}


def test_a_pan_that_one_judge_did_not_place_is_left_out_and_the_others_close_the_gap():
    assert mean_places([{"K7": 1, "M4": 2, "P2": 3}, {"K7": 2, "P2": 1}]) == {"K7": 1.5, "P2": 1.5}
    assert mean_places([]) == {}


def test_pairs_said_alike_and_opposite_make_kendalls_tau():
    one, other = [1, 2, 3, 4], [2, 1, 4, 3]
    same, opposite = opposite_pairs(dict(zip(CODES, one, strict=True)), dict(zip(CODES, other, strict=True)))
    assert (same, opposite) == (4, 2)
    assert (same - opposite) / 6 == pytest.approx(kendalltau(one, other).statistic)
