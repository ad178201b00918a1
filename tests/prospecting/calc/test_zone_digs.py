import datetime
import random

import pytest

from prospecting.calc.zone_digs import DigValue, independent_groups, method_changes, running_means

DAY = datetime.date(2026, 5, 3)


def value(grade, weight=500.0, low=None) -> DigValue:
    return DigValue(
        digs=frozenset({1}),
        low_g_per_t=grade if low is None else low,
        high_g_per_t=grade,
        weight_g=weight,
        results=1,
        day=DAY,
        methods=frozenset(),
    )


def test_many_pans_of_one_dig_are_one_value():
    groups = independent_groups([frozenset({1})] * 40, [1.0] * 40)
    assert list(groups) == [frozenset({1})]
    assert len(groups[frozenset({1})]) == 40


def test_a_lot_with_material_from_elsewhere_tells_of_no_dig():
    assert independent_groups([frozenset({1})], [0.6]) == {}


def test_rounded_shares_of_the_books_are_still_the_whole():
    # Three thirds to twelve places.
    assert independent_groups([frozenset({1, 2, 3})], [0.999999999999]) == {frozenset({1, 2, 3}): [0]}


@pytest.mark.parametrize("seed", range(20))
def test_no_dig_ever_counts_twice(seed):
    dice = random.Random(seed)
    digs = [frozenset(dice.sample(range(9), dice.choice([1, 1, 2, 3]))) for _ in range(dice.randint(1, 12))]
    groups = independent_groups(digs, [1.0] * len(digs))
    for one in groups:
        assert not any(one & other for other in groups if other is not one)
    # Whatever was dug and has a result of its own is there.
    assert {dig for dig in digs if len(dig) == 1} <= set(groups)


def test_the_running_mean_of_equal_masses_is_the_plain_mean_with_students_interval():
    # Mean 4, sd 2, n 3: 4 -+ t(0.975, 2 df) 2 / sqrt(3), t = 4.302653 (tables of Student's t).
    means = running_means([value(2.0), value(4.0), value(6.0)], [0.0, 12.7062, 4.302653])
    assert [mean.mean_g_per_t for mean in means] == pytest.approx([2, 3, 4])
    assert means[0].low_g_per_t is means[1].low_g_per_t is None
    assert means[2].high_g_per_t == pytest.approx(4 + 4.302653 * 2 / 3**0.5)
    assert means[2].low_g_per_t == 0


def test_a_heavier_dig_weighs_more():
    means = running_means([value(2.0, 300.0), value(8.0, 100.0)], [1.0])
    assert means[-1].mean_g_per_t == pytest.approx(3.5)


def test_a_method_changes_where_nothing_stays_the_same():
    a, b = frozenset({"fire assay"}), frozenset({"screen fire assay"})
    assert method_changes([a, a, b, b, a]) == [2, 4]
    assert method_changes([a, a | b, b]) == []
    assert method_changes([]) == []
