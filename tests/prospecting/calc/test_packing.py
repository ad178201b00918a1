import random
from collections import Counter
from decimal import Decimal

import pytest

from prospecting.calc import sampling
from prospecting.calc.packing import (
    charge_luck,
    list_order,
    masses_tell,
    order_price,
    price_of_checks,
    proposed_checks,
    share_of_checks,
    wide_plus_minus,
)


class TestProposedChecks:
    def test_gives_ten_samples_one_check_of_each_kind(self):
        """For a group of 10 samples one coarse blank, one reference, one duplicate: trade_practice.md section 4 [C]."""
        proposed = proposed_checks(10)
        assert (proposed.blanks, proposed.references, proposed.duplicates) == (1, 1, 1)

    @pytest.mark.parametrize("samples", [4, 8, 12, 40, 400])
    def test_makes_one_tag_in_five_a_check(self, samples):
        """About 20 % in all is the industry's liking, no fixed standard: trade_practice.md section 4 [P32]."""
        total = proposed_checks(samples).total
        assert share_of_checks(total, samples + total) == pytest.approx(0.2)

    @pytest.mark.parametrize("samples", range(60))
    def test_spreads_them_evenly(self, samples):
        proposed = proposed_checks(samples)
        kinds = (proposed.blanks, proposed.references, proposed.duplicates)
        assert sum(kinds) == proposed.total
        assert max(kinds) - min(kinds) <= 1

    def test_takes_off_what_is_packed(self):
        left = proposed_checks(24).without(3, 0, 1)
        assert (left.blanks, left.references, left.duplicates) == (0, 2, 1)

    def test_refuses_fewer_than_no_samples(self):
        with pytest.raises(ValueError):
            proposed_checks(-1)


class TestListOrder:
    def test_is_a_shuffle(self):
        """All 24 orders of four come alike often: chi-square with 23 degrees of freedom is below 49.7 in 999 of 1000 (tables of
        the distribution, from memory). Seeded, so this is the same draw in every run."""
        rng, number = random.Random(20260503), 4800
        seen = Counter(list_order("abcd", "", "", {}, rng).keys for _ in range(number))
        expected = number / 24
        assert len(seen) == 24
        assert sum((count - expected) ** 2 / expected for count in seen.values()) < 49.7

    def test_mixes_packets_and_second_cuts_among_the_samples(self):
        first = Counter(list_order("ab", "rs", "", {}, random.Random(seed)).keys[0] for seed in range(400))
        assert min(first.values()) > 60

    def test_puts_each_blank_after_the_next_richest_that_is_crushed(self):
        expected = {"a": Decimal(1), "b": Decimal(30), "c": Decimal(7), "r": Decimal(99)}
        for seed in range(200):
            order = list_order("abcd", "r", ["first", "second"], expected, random.Random(seed))
            assert sorted(order.after.values()) == ["b", "c"]
            for blank, sample in order.after.items():
                assert order.keys.index(blank) == order.keys.index(sample) + 1

    def test_lets_chance_choose_where_nothing_is_known(self):
        after = Counter(
            list_order("abc", "r", ["blank"], {}, random.Random(seed)).after["blank"] for seed in range(300)
        )
        assert set(after) == {"a", "b", "c"}
        assert min(after.values()) > 60

    def test_bears_more_blanks_than_samples_and_none_at_all(self):
        order = list_order("a", "", ["x", "y", "z"], {}, random.Random(1))
        assert order.keys[0] == "a" and sorted(order.keys) == ["a", "x", "y", "z"]
        alone = list_order("", "r", ["x"], {}, random.Random(1))
        assert sorted(alone.keys) == ["r", "x"] and alone.after == {}
        assert list_order("", "", [], {}, random.Random(1)).keys == ()

    def test_loses_and_doubles_nothing(self):
        rng = random.Random(3)
        for _ in range(100):
            crushed = [f"s{n}" for n in range(rng.randrange(12))]
            others = [f"o{n}" for n in range(rng.randrange(4))]
            blanks = [f"b{n}" for n in range(rng.randrange(4))]
            grades = {key: Decimal(rng.randrange(3)) for key in crushed if rng.random() < 0.5}
            order = list_order(crushed, others, blanks, grades, rng)
            assert sorted(order.keys) == sorted([*crushed, *others, *blanks])


class TestChargeLuck:
    # Clifton's way of counting grains, worked out in trade_practice.md section 4 [K]: at 5 g/t with balls of 0.1 mm a charge of
    # 30 g holds 15 grains (26 %), 50 g 25 (20 %); with 0.3 mm 0.55 grain, 58 % of charges nil; 1 kg 18 (23 %).
    @pytest.mark.parametrize(
        ("gold_um", "charge_g", "grains", "spread"),
        [(100, 30, 15, 0.26), (100, 50, 25, 0.20), (300, 1000, 18, 0.23)],
    )
    def test_agrees_with_the_worked_example(self, gold_um, charge_g, grains, spread):
        luck = charge_luck(5, charge_g, sampling.grain_mass_mg(gold_um))
        assert luck.grains == pytest.approx(grains, abs=0.5)
        assert luck.spread == pytest.approx(spread, abs=0.005)
        assert not luck.is_poor

    def test_says_how_many_charges_are_empty(self):
        luck = charge_luck(5, 30, sampling.grain_mass_mg(300))
        assert luck.grains == pytest.approx(0.55, abs=0.005)
        assert luck.none == pytest.approx(0.58, abs=0.005)
        assert luck.is_poor


def test_prices_every_tag_and_the_order():
    assert order_price(13, Decimal("42.50"), Decimal("35")) == Decimal("587.50")
    assert order_price(13, Decimal("42.50"), None) == Decimal("552.50")
    assert order_price(13, None, Decimal("35")) is None
    assert price_of_checks(3, Decimal("42.50")) == Decimal("127.50")
    assert price_of_checks(3, None) is None


@pytest.mark.parametrize(
    ("packets", "splits", "told"),
    [
        ([], ["400"], False),
        (["400", "380"], ["400", "450"], False),
        (["60"], ["400", "450"], True),
        (["2000"], ["400", "450"], True),
        ([None], ["400"], True),
        (["60"], [], False),
    ],
)
def test_sees_a_packet_by_its_mass(packets, splits, told):
    masses = [[mass and Decimal(mass) for mass in each] for each in (packets, splits)]
    assert masses_tell(*masses) is told


def test_sees_a_plus_or_minus_with_a_slipped_point():
    assert wide_plus_minus(Decimal("9.31"), Decimal("6.9"))
    assert not wide_plus_minus(Decimal("9.31"), Decimal("0.69"))
