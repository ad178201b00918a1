import math
import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc.method_comparison import apparent_recovery
from trials.calc import field_against_laboratory as fl
from trials.calc.field_against_laboratory import Bounds

grades = st.lists(st.tuples(st.floats(0.1, 90), st.floats(0.1, 90)), min_size=3, max_size=20)


def measured(values) -> list[Bounds]:
    return [Bounds(float(value), float(value)) for value in values]


@given(grades, st.floats(0.01, 100))
def test_the_ratio_knows_no_unit_and_lies_in_its_own_order(rows, unit):
    panned, assayed = (measured(side) for side in zip(*rows, strict=True))
    one = fl.ratio_of_means(panned, assayed)
    other = fl.ratio_of_means(
        measured(unit * side.low for side in panned), measured(unit * side.low for side in assayed)
    )
    assert one.low == one.high == pytest.approx(other.low)
    assert one.low == pytest.approx(
        math.fsum(side.low for side in panned) / math.fsum(side.low for side in assayed)
    )


@given(grades, st.floats(0.5, 0.98))
def test_the_interval_widens_with_its_level(rows, level):
    panned, assayed = (measured(side) for side in zip(*rows, strict=True))
    narrow, wide = (fl.ratio_of_means(panned, assayed, each).interval for each in (level, 0.99))
    if narrow is not None:
        assert wide.low <= narrow.low <= narrow.high <= wide.high


def test_the_jackknife_agrees_with_leaving_out_by_hand():
    # Efron and Tibshirani, An Introduction to the Bootstrap (1993), section 11.2 (from memory): pseudo-values and their sd.
    panned, assayed = [2.0, 3.0, 1.0, 6.0], [4.0, 5.0, 1.5, 12.0]
    n, whole = 4, math.log(12 / 22.5)
    parts = [
        n * whole - (n - 1) * math.log((12 - p) / (22.5 - a)) for p, a in zip(panned, assayed, strict=True)
    ]
    se = statistics.stdev(parts) / 2
    found = fl.ratio_of_means(measured(panned), measured(assayed)).interval
    # Student's t of 3 degrees of freedom at 95 %: 3.182 (any printed table).
    assert math.log(found.high) - math.log(found.low) == pytest.approx(2 * 3.182 * se, rel=1e-3)
    assert math.sqrt(found.high * found.low) == pytest.approx(math.exp(statistics.fmean(parts)))


def test_what_lies_below_a_limit_is_neither_nothing_nor_its_limit():
    panned = [*measured([2.0, 3.0, 1.0]), Bounds(0.0, 0.2)]
    assayed = measured([4.0, 5.0, 1.5, 0.5])
    found = fl.ratio_of_means(panned, assayed)
    assert (found.low, found.high) == (pytest.approx(6 / 11), pytest.approx(6.2 / 11))
    without = fl.ratio_of_means(panned[:3] + measured([0.0]), assayed).interval
    at_limit = fl.ratio_of_means(panned[:3] + measured([0.2]), assayed).interval
    assert found.interval.low == min(without.low, at_limit.low)
    assert found.interval.high == max(without.high, at_limit.high)


def test_assays_that_may_all_be_nothing_leave_no_upper_end():
    found = fl.ratio_of_means(measured([2.0, 3.0, 1.0]), [Bounds(0.0, 0.1)] * 3)
    assert math.isinf(found.high) and math.isinf(found.interval.high)
    assert found.low == pytest.approx(20)
    assert fl.ratio_of_means(measured([1.0]), measured([0.0])) is None


def test_one_lot_with_all_the_gold_leaves_everything_open():
    found = fl.ratio_of_means(measured([5.0, 0.0, 0.0]), measured([9.0, 1.0, 1.0]))
    assert (found.interval.low, found.interval.high) == (0.0, math.inf)


@pytest.mark.parametrize("lots", [1, 2])
def test_fewer_than_three_lots_have_no_interval(lots):
    assert fl.ratio_of_means(measured([1.0] * lots), measured([2.0] * lots)).interval is None


def test_an_open_upper_limit_is_refused():
    with pytest.raises(ValueError, match="above the method's upper limit"):
        fl.ratio_of_means(measured([1.0]), [Bounds(10.0, None)])


def grain_pairs(rng, lots, recovery, charge_g, pan_g=900.0, grain_mg=0.1):
    """Lots of 8 g/t or so; grains fall into pan and charge by chance, the pan catches its part."""
    grade = 8 * np.exp(rng.normal(0, 0.6, lots))
    panned = rng.poisson(grade * pan_g / 1000 * recovery / grain_mg) * grain_mg / pan_g * 1000
    assayed = rng.poisson(grade * charge_g / 1000 / grain_mg) * grain_mg / charge_g * 1000
    return panned, assayed


@pytest.mark.parametrize(("lots", "charge_g"), [(5, 400), (9, 1000), (22, 50)])
def test_the_interval_holds_the_planted_recovery_in_so_many_of_a_hundred(lots, charge_g):
    rng = np.random.default_rng(20260930)
    held = 0
    for _ in range(400):
        panned, assayed = grain_pairs(rng, lots, 0.6, charge_g)
        found = fl.ratio_of_means(measured(panned), measured(assayed)).interval
        held += found.low <= 0.6 <= found.high
    # 95 % of 400 is 380; fewer than 366 would come in one of a hundred such tests (binomial).
    assert held >= 366


@pytest.mark.parametrize("lots", [fl.ENOUGH_LOTS, 20])
def test_a_further_assay_falls_into_the_range_foretold_in_so_many_of_a_hundred(lots):
    rng = np.random.default_rng(20261001)
    held = 0
    for _ in range(400):
        # What lies below a limit is left out of single-lot figures; such poor lots are rare here.
        panned, assayed = np.maximum(grain_pairs(rng, lots + 1, 0.6, 400), 0.05)
        one_pair = apparent_recovery(panned[:-1], assayed[:-1]).one_pair
        found = fl.assay_after_pan(panned[-1], one_pair)
        held += found.low <= assayed[-1] <= found.high
    assert held >= 366


@pytest.mark.parametrize(
    ("ratio", "first"), [(6.1, 10.0), (20.5, 34.3), (18.6, 31.1), (600.0, 1000.0), (0.0006, 1000.0)]
)
def test_a_ratio_a_unit_off_names_the_slip(ratio, first):
    slips = fl.unit_slips(ratio, 0.6)
    assert slips[0].factor == pytest.approx(first, rel=0.01)
    assert slips[0].turned == (ratio < 0.6)


@pytest.mark.parametrize("ratio", [0.3, 0.6, 1.8, 2.5])
def test_a_ratio_that_chance_makes_names_none(ratio):
    assert fl.unit_slips(ratio, 0.6) == []


def test_the_factor_between_ounces_per_short_ton_and_grams_per_tonne_is_the_units_own():
    # NIST Special Publication 811: 31.1034768 g to the troy ounce, 0.90718474 t to the short ton.
    assert fl.SLIPS[2][0] == pytest.approx(31.1034768 / 0.90718474)


def test_chance_of_grains_falls_with_their_number():
    # 25 grains: 20 %, as counting theory has it (J. M. Hald, from memory): 1 / sqrt(25).
    assert fl.chance_cv([2.0, 0.5], 0.1) == pytest.approx(0.2)
    assert math.isinf(fl.chance_cv([0.0], 0.1))
    assert fl.mean_grains(0.2) == pytest.approx(25)


def test_bars_hold_a_lognormal_figure_at_their_level():
    rng = np.random.default_rng(3)
    cv = 0.5
    drawn = rng.lognormal(0, fl.log_sd(cv), 20_000)
    times = fl.times_off(cv)
    assert np.mean((drawn > 1 / times) & (drawn < times)) == pytest.approx(0.95, abs=0.006)
    assert np.std(drawn) / np.mean(drawn) == pytest.approx(cv, rel=0.03)


def test_a_pan_above_its_assay_is_beyond_chance_only_where_both_are_known_well():
    pan, assay = Bounds(9.0, 9.0), Bounds(3.0, 3.0)
    assert fl.above_by_more_than_chance(pan, assay, 0.1, 0.1)
    assert not fl.above_by_more_than_chance(pan, assay, 0.1, 2.0)
    assert not fl.above_by_more_than_chance(pan, assay, None, 0.1)


def test_a_line_is_refused_where_it_would_mislead():
    ten = [1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 9.0, 12.0, 15.0, 20.0]
    assert fl.why_no_line(ten, [0.1] * 10) == ""
    assert "10 lots" in fl.why_no_line(ten[:9], [0.1] * 9)
    assert "too narrow" in fl.why_no_line([5.0 + n / 10 for n in range(10)], [0.1] * 10)
    assert "one zone" in fl.why_no_line(ten * 31, [0.1] * 310)
    assert "not known" in fl.why_no_line(ten, [0.1] * 9 + [None])
    assert "chance" in fl.why_no_line(ten, [2.0] * 10)


def test_pooling_and_mixing_keep_the_gold():
    one = fl.pooled([2.0, 4.0], [2.0, 4.0], [500.0, 1000.0])
    assert one == Bounds(4.0, 4.0)
    assert fl.pooled([2.0], [None], [500.0]).high is None
    assert fl.mixed([(0.75, one), (0.25, Bounds(0.0, 0.4))]) == Bounds(3.0, 3.1)
    assert fl.mixed_cv([(0.5, one, 0.2), (0.5, one, 0.2)]) == pytest.approx(0.2 / math.sqrt(2))
    assert fl.mixed_cv([(0.5, one, None)]) is None


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: fl.golds_mg([-0.1], [30.0]), "cannot be negative"),
        (lambda: fl.golds_mg([1.0], [-30.0]), "cannot be negative"),
        (lambda: fl.pooled([0.0], [0.1], [0.0]), "no mass has no grade"),
        (lambda: fl.mixed([(0.0, Bounds(8, 8))]), "no mass together"),
        (lambda: fl.ratio_of_means(measured([1, 2]), measured([1])), "each needs both"),
    ],
)
def test_refuses_masses_and_lots_that_make_no_grade(call, said):
    with pytest.raises(ValueError, match=said):
        call()


@pytest.mark.parametrize(
    ("low", "high", "is_measured", "middle"),
    [
        (2.0, 2.0, True, 2.0),
        # Below a limit of 0.05, above one of 10, or between two: the limit that is known, the upper where both are.
        (0.0, 0.05, False, 0.05),
        (10.0, None, False, 10.0),
        (1.0, 3.0, False, 3.0),
        # Nothing found by a method without a limit is no figure to divide by.
        (0.0, 0.0, False, 0.0),
    ],
)
def test_a_picture_puts_a_bound_at_the_limit_that_is_known(low, high, is_measured, middle):
    bounds = Bounds(low, high)
    assert (bounds.is_measured, bounds.middle) == (is_measured, middle)


def test_the_chance_of_parts_put_together_is_added_in_squares():
    # By hand: sqrt((0.5 x 8 x 0.3)^2 + (0.5 x 4 x 0.4)^2) over 0.5 x 8 + 0.5 x 4 is sqrt(1.44 + 0.64) / 6.
    parts = [(0.5, Bounds(8, 8), 0.3), (0.5, Bounds(4, 4), 0.4)]
    assert fl.mixed_cv(parts) == pytest.approx(math.sqrt(2.08) / 6)
    assert fl.mixed_cv([*parts, (0.1, Bounds(1, 1), None)]) is None
    assert fl.mixed_cv([*parts, (0.1, Bounds(0, 0.1), math.inf)]) is None
    assert fl.mixed_cv([(0.5, Bounds(0, 0.1), 0.3)]) is None


@pytest.mark.parametrize(("panned", "above"), [(math.exp(0.9), True), (math.exp(0.8), False)])
def test_a_pan_above_its_assay_is_judged_by_one_side_of_the_normal_law(panned, above):
    # By hand: log sds of 0.3 and 0.4 make one of 0.5; of the normal law 5 % lie above 1.6449 (table), which is 0.822.
    cvs = [math.sqrt(math.expm1(sd**2)) for sd in (0.3, 0.4)]
    assert fl.above_by_more_than_chance(Bounds(panned, panned), Bounds(1, 1), *cvs) is above


def test_no_gold_on_a_side_is_above_nothing_by_chance():
    assert not fl.above_by_more_than_chance(Bounds(0, 0.1), Bounds(1, 1), 0.1, 0.1)
    assert not fl.above_by_more_than_chance(Bounds(2, 2), Bounds(0, 0), 0.1, 0.1)
    assert not fl.above_by_more_than_chance(Bounds(2, 2), Bounds(1, 1), 0.1, None)
    assert fl.lot_ratio(Bounds(2, 2), Bounds(0, 0)) == math.inf


@pytest.mark.parametrize(("lots", "says"), [(9, "10 lots"), (10, ""), (300, ""), (301, "more than 300 lots")])
def test_a_line_is_drawn_from_ten_lots_to_three_hundred(lots, says):
    grades = list(np.linspace(1, 20, lots))
    said = fl.why_no_line(grades, [0.1] * lots)
    assert says in said and bool(said) == bool(says)


@pytest.mark.parametrize(("richest", "says"), [(3.99, "too narrow"), (4.0, "")])
def test_a_line_needs_the_richest_four_times_the_poorest(richest, says):
    assert says in (said := fl.why_no_line([1.0] * 5 + [richest] * 5, [0.01] * 10)) and bool(said) == bool(
        says
    )


def test_the_usual_ratio_is_known_from_three_lots():
    assert fl.usual_ratio([0.2, 0.3]) == 1.0
    assert fl.usual_ratio([0.2, 0.3, 0.9]) == 0.3


@pytest.mark.parametrize(
    ("ratio", "slips"), [(10 * 1.499, 1), (10 * 1.501, 0), (10 / 1.499, 1), (10 / 1.501, 0)]
)
def test_a_slip_is_named_within_one_and_a_half_times_its_factor(ratio, slips):
    # Our own limit; ten and thirty-one are far enough apart that only one of them is near.
    assert [slip.factor for slip in fl.unit_slips(ratio, 1.0)] == [10.0] * slips


def test_a_step_of_the_scale_is_off_by_a_uniform_law():
    # The sd of a uniform law of width a is a / sqrt(12) (GUM, JCGM 100:2008, 4.3.7): two readings to 0.1 mg of 2 mg in all.
    assert fl.step_cv([1.5, 0.5], [0.1, 0.1]) == pytest.approx(math.sqrt(2) * 0.1 / math.sqrt(12) / 2)
    assert fl.step_cv([0.0], [0.1]) == math.inf


def test_the_share_of_lots_with_a_limit():
    assert fl.share_with_limit(8, 6) == 0.25
    assert fl.share_with_limit(0, 0) == 0.0


def test_nothing_panned_and_ore_of_nothing_hold_no_gold():
    assert fl.golds_mg([0.0, 4.0], [30.0, 0.0]) == [0.0, 0.0]
