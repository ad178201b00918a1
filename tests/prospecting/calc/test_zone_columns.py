import datetime
import random

import numpy as np
import pytest

from prospecting.calc.zone_columns import (
    Columns,
    assay_columns,
    dig_values,
    joined,
    mass_of,
    mean_of,
    oldest_first,
    pan_columns,
    range_of,
    without_richest,
)
from prospecting.calc.zone_grade import ASSAY, Result, counted_mass_g, mean_grade

DAY = datetime.date(2026, 5, 3)


def result(grade=None, *, limit=None, above=False, mass=500.0, share=1.0, later=0, lot="BRK-47-T") -> Result:
    day = DAY + datetime.timedelta(days=later)
    return Result(
        kind=ASSAY,
        lot=lot,
        day=day,
        first_day=day,
        last_day=day,
        share=share,
        grade_g_per_t=grade,
        limit_g_per_t=limit,
        is_below=limit is not None and not above,
        is_above=above,
        mass_g=mass,
        label="test",
    )


def columns(*results: Result) -> Columns:
    return assay_columns(
        [each.grade_g_per_t for each in results],
        [each.limit_g_per_t for each in results],
        [each.is_below for each in results],
        [each.is_above for each in results],
        [each.mass_g for each in results],
        np.array([each.share for each in results], dtype=float),
        np.array([each.day.toordinal() for each in results], dtype=int),
        [each.lot for each in results],
    )


def dig(*results: Result):
    told = np.zeros(len(results), dtype=int)
    [value] = dig_values(columns(*results), told, [frozenset({1})], told, ["fire assay"])
    return value


def some(seed: int) -> list[Result]:
    dice = random.Random(seed)
    kinds = [
        lambda: result(dice.lognormvariate(1, 1), mass=dice.uniform(200, 900), share=dice.uniform(0.1, 1)),
        lambda: result(limit=dice.choice([0.01, 0.5]), mass=dice.uniform(200, 900)),
        lambda: result(limit=10.0, above=True),
    ]
    return [dice.choices(kinds, [8, 3, seed % 2])[0]() for _ in range(dice.randint(1, 40))]


@pytest.mark.parametrize("seed", range(12))
def test_columns_say_what_single_results_say(seed):
    found = some(seed)
    mean, single = mean_of(columns(*found)), mean_grade(found)
    assert mean.low_g_per_t == pytest.approx(single.low_g_per_t, rel=1e-12)
    assert (mean.high_g_per_t is None) == (single.high_g_per_t is None)
    assert (mean.high_g_per_t or 0) == pytest.approx(single.high_g_per_t or 0, rel=1e-12)
    assert mass_of(columns(*found)) == pytest.approx(counted_mass_g(found), rel=1e-12)


def test_without_weight_there_is_no_mean():
    with pytest.raises(ValueError, match="weights sum to nothing"):
        mean_of(columns())
    with pytest.raises(ValueError, match="weights sum to nothing"):
        mean_of(columns(result(3.0, share=0.0)))


def test_what_was_measured_has_a_range():
    assert range_of(columns(result(3.0), result(limit=0.1), result(1.0))) == (1.0, 3.0)
    assert range_of(columns(result(limit=0.1))) is None


def test_a_pans_grade_is_gold_over_ore_and_below_the_scale_one_step_over_ore():
    # 80 mg in 10 kg is 8 g/t; one step of 0.2 mg in 400 g is 0.5 g/t.
    ones = np.ones(2)
    found = pan_columns([80.0, None], [0.2, 0.2], [10_000.0, 400.0], ones, ones, "AB")
    assert found.grade_g_per_t[0] == 8
    assert found.limit_g_per_t[1] == 0.5
    assert (found.is_below.tolist(), found.is_above.tolist()) == ([False, True], [False, False])


@pytest.mark.parametrize(
    ("gold", "step", "portion"),
    [(-1.0, 0.1, 400.0), (1.0, 0.1, 0.0), (None, 0.0, 400.0), (None, None, 400.0)],
)
def test_a_pan_that_cannot_be_is_refused(gold, step, portion):
    with pytest.raises(ValueError, match="A pan has a portion"):
        pan_columns([gold], [step], [portion], np.ones(1), np.ones(1), "A")


def test_the_oldest_come_first_and_on_one_day_lots_by_their_code():
    found = columns(result(1.0, later=2, lot="A"), result(2.0, lot="C"), result(3.0, lot="B"))
    both = joined(found, columns(result(4.0, lot="Z")))
    kind = np.array([1, 1, 1, 0])
    assert both.grade_g_per_t[oldest_first(both, kind)].tolist() == [4.0, 3.0, 2.0, 1.0]


def test_a_dig_below_its_limit_keeps_two_bounds():
    found = dig(result(limit=0.4), result(limit=0.4))
    assert (found.low_g_per_t, found.high_g_per_t, found.is_below) == (0, 0.4, True)
    part = dig(result(limit=0.4), result(2.0))
    assert (part.low_g_per_t, part.high_g_per_t, part.is_below) == (1.0, 1.2, False)
    assert part.middle_g_per_t == pytest.approx(1.1)


def test_a_dig_above_its_limit_has_no_upper_bound():
    found = dig(result(limit=10.0, above=True))
    assert found.is_above
    assert found.middle_g_per_t == 10.0


def test_each_dig_has_its_own_results_its_first_day_and_its_methods():
    found = columns(result(9.0, later=3), result(1.0, later=5), result(3.0, later=1), result(50.0))
    one, two = frozenset({7}), frozenset({8, 9})
    values = dig_values(
        found, np.array([1, 0, 0, -1]), [one, two], np.array([0, 1, 0, 0]), ["fire assay", "leach"]
    )
    assert [value.digs for value in values] == [one, two]
    assert [value.middle_g_per_t for value in values] == [2.0, 9.0]
    assert [(value.day - DAY).days for value in values] == [1, 3]
    assert [value.results for value in values] == [2, 1]
    assert [value.methods for value in values] == [{"fire assay", "leach"}, {"fire assay"}]


def test_a_dig_without_a_result_has_no_value():
    with pytest.raises(ValueError, match="without a result"):
        dig_values(columns(result(1.0)), np.array([-1]), [frozenset({1})], np.array([0]), ["fire assay"])


def test_without_the_richest_result_the_mean_falls():
    found = without_richest(columns(result(3.0), result(21.0), result(3.0)))
    assert found.richest == 1
    assert found.all_of_them.low_g_per_t == pytest.approx(9)
    assert found.without.low_g_per_t == pytest.approx(3)
    assert found.falls_by == pytest.approx(2 / 3)


def test_above_the_limit_is_richer_than_any_figure():
    assert without_richest(columns(result(30.0), result(limit=10.0, above=True))).richest == 1
    assert without_richest(columns(result(30.0))) is None


def test_all_below_falls_by_nothing():
    assert without_richest(columns(result(limit=0.4), result(limit=0.4))).falls_by is None
