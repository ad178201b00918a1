import datetime
import itertools
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as some

from trials.calc import clarity
from trials.calc.clearing import (
    LEVEL,
    Look,
    Reached,
    compare_with_control,
    doubtful_value,
    first_reached,
    least_chance,
    starts,
    tubs_needed,
    turbidity_curve,
)


def looks(*pairs, beyond=()):
    return [Look(minutes, value, minutes in beyond) for minutes, value in pairs]


def there(by_min, watched_min=60):
    return Reached(by_min, None, watched_min, None if by_min is None else True, 0)


def test_rising_height_is_reached_between_two_looks():
    found = first_reached(looks((5, 20), (10, 90), (15, 160), (20, 200)), 150, rises=True)
    assert (found.after_min, found.by_min, found.stayed) == (10, 15, True)


def test_falling_turbidity_is_reached_in_the_step_the_logarithms_put_it_in():
    """`clarity.time_to_target` agrees on the step; it only says more within it."""
    fall = [(0, 600), (10, 300), (20, 120), (30, 60)]
    found = first_reached(looks(*fall), 100, rises=False)
    other = clarity.time_to_target([m for m, _ in fall], [v for _, v in fall], 100)
    assert found.after_min < other.time_to_target_min <= found.by_min == 30


def test_not_reached_is_longer_than_watched_not_as_long():
    found = first_reached(looks((5, 20), (40, 90)), 150, rises=True)
    assert not found.reached
    assert (found.watched_min, found.by_min, found.stayed) == (40, None, None)


def test_a_later_look_that_falls_short_is_told():
    assert first_reached(looks((5, 160), (9, 140)), 150, rises=True).stayed is False


@pytest.mark.parametrize(
    ("value", "rises", "target", "reached", "untold"),
    [
        # A tube 60 cm long, its mark still seen at the bottom: 50 cm is reached, of 80 cm it can tell nothing.
        (60, True, 50, True, 0),
        (60, True, 80, False, 1),
        # A meter that ends at 1000 NTU: more than that is not down to 100; of a target of 2000 it can tell nothing.
        (1000, False, 100, False, 0),
        (1000, False, 2000, False, 1),
    ],
)
def test_beyond_the_scale_is_more_than_its_end(value, rises, target, reached, untold):
    found = first_reached([Look(5, value, beyond=True)], target, rises=rises)
    assert (found.reached, found.untold) == (reached, untold)


@given(
    values=some.lists(some.integers(0, 300), min_size=1, max_size=12),
    target=some.integers(1, 300),
)
def test_a_rising_measure_is_a_falling_one_upside_down(values, target):
    up = first_reached(looks(*enumerate(values, start=1)), target, rises=True)
    down = first_reached(looks(*((m, -v) for m, v in enumerate(values, start=1))), -target, rises=False)
    assert up == down


@pytest.mark.parametrize("bad", [[], looks((5, 1), (5, 2)), looks((5, 1), (4, 2))])
def test_no_look_and_times_that_do_not_rise_are_refused(bad):
    with pytest.raises(ValueError, match=r"no time|must rise"):
        first_reached(bad, 10, rises=True)


def test_a_straight_fall_of_logarithms_gives_its_rate_back():
    """Half-life of exp(-kt) is ln 2 / k (first-order decay, any textbook): k = 0.05 gives 13.86 minutes."""
    fall = [Look(t, 800 * 2.718281828459045 ** (-0.05 * t)) for t in (0, 5, 10, 20, 40)]
    curve = turbidity_curve(fall)
    assert curve.rate_per_min == pytest.approx(0.05, rel=1e-6)
    assert curve.half_life_min == pytest.approx(13.863, abs=0.001)
    assert curve.floor_ntu is None


def test_a_fall_that_flattens_shows_its_floor():
    """The readings of clarity's own worked case (fixtures/reference: floor about 125 NTU)."""
    minutes, ntu = [0, 5, 10, 20, 30, 45, 60, 90], [500, 372, 290, 196, 158, 136, 131, 128]
    curve = turbidity_curve(looks(*zip(minutes, ntu, strict=True)))
    whole = clarity.clearing_with_floor(minutes, ntu, 100)
    assert curve.floor_ntu == pytest.approx(whole.floor_ntu)
    assert curve.floor_lower_ntu > 100


@pytest.mark.parametrize(
    ("read", "why"),
    [
        (looks((0, 600), (10, 300)), "needs 3 readings"),
        (looks((0, 600), (10, 300), (20, 0)), "no logarithm"),
        (looks((0, 100), (10, 400), (20, 90), (30, 300)), "scatter too much"),
        (looks((0, 1000), (10, 300), (20, 150), beyond=(0,)), "needs 3 readings"),
        (looks((0, 100), (10, 200), (20, 400), (30, 800)), "scatter too much"),
    ],
)
def test_no_rate_where_the_model_does_not_fit(read, why):
    curve = turbidity_curve(read)
    assert curve.rate_per_min is None
    assert why in curve.why_not


def test_one_tub_each_claims_nothing():
    found = compare_with_control({"floc": [there(5)], "none": [there(None)]}, "none")["floc"]
    assert (found.kind, found.chance, found.tubs, found.control_tubs) == ("not_shown", None, 1, 1)


@pytest.mark.parametrize(("tubs", "kind"), [(2, "not_shown"), (3, "not_shown"), (4, "better"), (5, "better")])
def test_a_complete_parting_shows_from_four_tubs_each(tubs, kind):
    sets = {"floc": [there(t) for t in range(5, 5 + tubs)], "none": [there(None)] * tubs}
    found = compare_with_control(sets, "none")["floc"]
    assert found.kind == kind
    assert found.tubs_needed == 4


def test_slower_than_the_control_is_worse():
    sets = {"soap": [there(None)] * 5, "none": [there(t) for t in range(5, 10)]}
    assert compare_with_control(sets, "none")["soap"].kind == "worse"


def test_the_level_is_shared_out_over_the_sets():
    sets = {name: [there(t) for t in range(5, 9)] for name in ("low", "mid", "high")}
    found = compare_with_control(sets | {"none": [there(None)] * 4}, "none")
    assert all(one.level == pytest.approx(LEVEL / 3) for one in found.values())
    # 2 of 70 deals is rare enough for one comparison and not for three.
    assert {one.kind for one in found.values()} == {"not_shown"}
    assert {one.tubs_needed for one in found.values()} == {5}


def test_nothing_reached_anywhere_claims_nothing():
    sets = {"floc": [there(None)] * 5, "none": [there(None)] * 5}
    assert compare_with_control(sets, "none")["floc"].chance is None


@pytest.mark.parametrize(("tubs", "controls"), [(2, 2), (3, 3), (4, 4), (2, 4), (3, 5)])
def test_no_outcome_is_rarer_than_the_least_chance(tubs, controls):
    """Against the counted test itself: the complete parting, and every other one for the small sets."""
    apart = clarity.compare_clearing(
        {"a": list(range(1, tubs + 1)), "b": [99] * controls}, {"a": [1] * tubs, "b": [0] * controls}
    )
    assert apart.p_counted >= least_chance(tubs, controls) - 1e-12
    if tubs + controls <= 6:
        rarest = min(
            clarity.compare_clearing(
                {"a": [t + 1 for t in dealt], "b": [t + 1 for t in range(tubs + controls) if t not in dealt]},
                {"a": [1] * tubs, "b": [1] * controls},
            ).p_counted
            for dealt in itertools.combinations(range(tubs + controls), tubs)
        )
        assert rarest >= least_chance(tubs, controls) - 1e-12


def test_needed_tubs_are_the_least_that_do():
    for level in (0.05, 0.025, 0.01):
        assert least_chance(tubs_needed(level), tubs_needed(level)) < level
        assert least_chance(tubs_needed(level) - 1, tubs_needed(level) - 1) >= level


def test_a_control_is_needed_and_something_beside_it():
    with pytest.raises(ValueError, match="not among"):
        compare_with_control({"a": [there(5)]}, "none")
    with pytest.raises(ValueError, match="nothing beside"):
        compare_with_control({"none": [there(5)]}, "none")


def test_a_tub_clear_at_once_is_compared_too():
    sets = {"floc": [there(0.0)] * 4, "none": [there(None)] * 4}
    assert compare_with_control(sets, "none")["floc"].kind == "better"


def test_tubs_are_stirred_one_after_the_other():
    first = datetime.datetime(2026, 5, 1, 10, 0, tzinfo=datetime.UTC)
    assert [(at - first).seconds for at in starts(first, 30, 3)] == [0, 30, 60]
    assert starts(first, 0, 2) == [first, first]


@pytest.mark.parametrize(
    ("value", "before", "rises", "doubtful"),
    [("4", "42", True, True), ("42", "4", True, False), ("42", "4", False, True), ("4", "42", False, False),
     ("0", "42", True, False), ("4", None, True, False), ("30", "42", True, False)],
)  # fmt: skip
def test_many_times_cloudier_than_before_is_doubtful(value, before, rises, doubtful):
    assert doubtful_value(Decimal(value), before and Decimal(before), rises=rises) is doubtful


def test_water_that_grows_cloudier_has_no_rate_and_no_floor():
    curve = turbidity_curve(looks((0, 100), (10, 150), (20, 190), (40, 240), (60, 260), (90, 270)))
    assert curve.readings == 6
    assert curve.rate_per_min is curve.floor_ntu is None
    assert "scatter too much" in curve.why_not


@pytest.mark.parametrize(("confidence", "t"), [(0.95, 2.5706), (0.90, 2.0150)])
def test_a_floor_and_its_rate_are_told_with_students_t(confidence, t):
    """The two quantiles for 5 degrees of freedom (8 readings less 3 of the curve) from printed tables of Student's t."""
    minutes, ntu = [0, 5, 10, 20, 30, 45, 60, 90], [500, 372, 290, 196, 158, 136, 131, 128]
    whole = clarity.clearing_with_floor(minutes, ntu, 128)
    found = turbidity_curve(looks(*zip(minutes, ntu, strict=True)), confidence)
    assert found.floor_lower_ntu == pytest.approx(whole.floor_ntu - t * whole.se_floor_ntu, rel=1e-4)
    assert found.rate_lower == pytest.approx(whole.rate_per_min - t * whole.se_rate_per_min, rel=1e-4)
    assert found.rate_upper == pytest.approx(whole.rate_per_min + t * whole.se_rate_per_min, rel=1e-4)
    assert found.half_life_min * found.rate_per_min == pytest.approx(0.693147, rel=1e-5)


def test_a_tub_that_gets_muddier_up_to_a_ceiling_has_no_floor_and_no_rate():
    curve = turbidity_curve(looks((0, 128), (10, 300), (20, 400), (30, 450), (40, 475), (60, 500)))
    assert (curve.rate_per_min, curve.floor_ntu) == (None, None)
    assert "scatter too much" in curve.why_not


def test_three_readings_are_enough_for_a_rate_and_five_for_a_floor():
    # Halved every ten minutes towards 100 NTU, a last digit off: from four readings the floor is not asked for.
    fall = looks((0, 900), (10, 501), (20, 299), (30, 201), (40, 149))
    assert turbidity_curve(fall).floor_ntu == pytest.approx(100, abs=5)
    assert turbidity_curve(fall[:4]).floor_ntu is None
    assert turbidity_curve(fall[:4]).rate_per_min > 0
    assert turbidity_curve(looks((0, 400), (10, 201), (20, 100))).half_life_min == pytest.approx(10, abs=0.1)


@pytest.mark.parametrize(
    ("value", "rises", "reached"),
    [(150, True, True), (149.9, True, False), (150, False, True), (150.1, False, False)],
)
def test_a_target_is_reached_at_the_target_itself(value, rises, reached):
    assert first_reached([Look(5, value)], 150, rises=rises).reached is reached


def test_a_scale_that_ends_at_the_target_tells():
    # A tube of 60 cm with its mark seen at the bottom has reached 60; a meter that ends at 100 NTU has not come down to 100.
    assert first_reached([Look(5, 60, beyond=True)], 60, rises=True).reached
    above = first_reached([Look(5, 100, beyond=True)], 100, rises=False)
    assert (above.reached, above.untold) == (False, 0)


@pytest.mark.parametrize(("value", "before", "rises"), [("7", "42", True), ("42", "7", False)])
def test_six_times_cloudier_is_doubtful_and_a_little_less_is_not(value, before, rises):
    # Six times is our own limit, the one every mass and grade is asked about by.
    assert doubtful_value(Decimal(value), Decimal(before), rises=rises)
    less = Decimal("0.999") if not rises else Decimal("1.001")
    assert not doubtful_value(Decimal(value) * less, Decimal(before), rises=rises)


def test_two_tubs_a_side_are_the_fewest_that_are_reckoned():
    pair = compare_with_control({"floc": [there(5), there(6)], "none": [there(20), there(30)]}, "none")[
        "floc"
    ]
    # Of six ways to deal out two and two the complete parting is one, and its mirror another.
    assert (pair.kind, pair.chance) == ("not_shown", pytest.approx(2 / 6))
    alone = compare_with_control({"floc": [there(5)], "none": [there(20), there(30)]}, "none")["floc"]
    assert alone.chance is None


@pytest.mark.parametrize(
    ("level", "tubs"), [(0.1, 4), (0.1001, 3), (1 / 35, 5), (0.0286, 4), (1 / 3, 3), (0.34, 2)]
)
def test_a_complete_parting_as_likely_as_the_level_is_not_rarer(level, tubs):
    # By hand: 2 of 6, 20 and 70 ways to deal out two, three and four tubs a side are 1/3, 1/10 and 1/35.
    assert tubs_needed(level) == tubs


def test_a_reading_below_one_still_has_a_logarithm():
    # Halved every ten minutes, down to 0.8 NTU.
    curve = turbidity_curve(looks((0, 6.4), (10, 3.2), (20, 1.6), (30, 0.8)))
    assert curve.half_life_min == pytest.approx(10)
