"""Clearing water: fits and log-rank against a second library, jars that never clear, edges."""

import math
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import curve_fit
from statsmodels.duration.survfunc import SurvfuncRight, survdiff

from trials.calc.clarity import (
    clearing_rate,
    clearing_with_floor,
    compare_clearing,
    time_to_target,
)

TIMES = [0, 5, 10, 20, 30, 45, 60, 90]
READINGS = [500, 372, 290, 196, 158, 136, 131, 128]
JARS = {"plain": [30, 45, 60, 60, 60], "floc": [5, 10, 10, 20, 30], "other": [10, 20, 45, 60, 30]}
REACHED = {"plain": [1, 1, 0, 0, 0], "floc": [1, 1, 1, 1, 1], "other": [1, 1, 1, 0, 1]}


def test_rate_agrees_with_a_second_library():
    found = clearing_rate(TIMES, READINGS, 100)
    referee = stats.linregress(TIMES, np.log(READINGS))
    assert found.rate_per_min == pytest.approx(-referee.slope)
    assert found.se_rate_per_min == pytest.approx(referee.stderr)
    assert found.initial_ntu == pytest.approx(math.exp(referee.intercept))
    half = stats.t.ppf(0.975, 6) * referee.stderr
    assert (found.rate_lower, found.rate_upper) == pytest.approx(
        (-referee.slope - half, -referee.slope + half)
    )


def test_time_to_target_has_the_spread_that_simulation_gives():
    dice = np.random.default_rng(2)
    t = np.array([0, 5, 10, 20, 30, 45, 60.0])
    truth = math.log(8) / 0.05
    times = [clearing_rate(t, 800 * np.exp(-0.05 * t + 0.05 * dice.normal(size=7)), 100) for _ in range(1500)]
    inside = [found.time_lower_min <= truth <= found.time_upper_min for found in times]
    assert np.mean(inside) == pytest.approx(0.95, abs=0.02)
    spread = np.std([found.time_to_target_min for found in times])
    assert np.mean([found.se_time_to_target_min for found in times]) == pytest.approx(spread, rel=0.1)


@settings(deadline=None)
@given(st.floats(0.005, 0.2), st.floats(100, 2000), st.floats(0.05, 0.95))
def test_an_exact_decay_is_found_again(rate, initial, share):
    t = np.array([0, 5, 10, 20, 30.0])
    found = clearing_rate(t, initial * np.exp(-rate * t), initial * share)
    assert found.rate_per_min == pytest.approx(rate)
    assert found.time_to_target_min == pytest.approx(-math.log(share) / rate)
    assert found.half_life_min == pytest.approx(math.log(2) / rate)
    assert found.extrapolated == (found.time_to_target_min > 30)


def test_water_that_does_not_clear_has_no_time():
    found = clearing_rate([0, 5, 10, 20], [100, 103, 108, 110], 50)
    assert found.rate_per_min < 0
    assert (found.half_life_min, found.time_to_target_min, found.se_time_to_target_min) == (None, None, None)


def test_water_that_starts_clear_needs_no_time():
    found = clearing_rate([0, 5, 10], [40, 30, 25], 50)
    assert (found.time_to_target_min, found.already_there, found.extrapolated) == (0, True, False)
    assert clearing_with_floor(TIMES, READINGS, 600).time_to_target_min == 0


def test_floor_agrees_with_a_second_library():
    found = clearing_with_floor(TIMES, READINGS, 150)
    theta, covariance = curve_fit(
        lambda t, f, a, k: f + a * np.exp(-k * t),
        TIMES,
        READINGS,
        p0=[100, 400, 0.07],
        xtol=1e-14,
        ftol=1e-14,
    )
    assert (found.floor_ntu, found.amplitude_ntu, found.rate_per_min) == pytest.approx(tuple(theta), rel=1e-6)
    assert (found.se_floor_ntu, found.se_amplitude_ntu, found.se_rate_per_min) == pytest.approx(
        tuple(np.sqrt(np.diag(covariance))), rel=1e-5
    )
    back = found.floor_ntu + found.amplitude_ntu * math.exp(-found.rate_per_min * found.time_to_target_min)
    assert back == pytest.approx(150)


@settings(deadline=None)
@given(st.floats(0, 200), st.floats(100, 2000), st.floats(0.01, 0.5))
def test_a_known_floor_is_found_again(floor, amplitude, rate):
    t = np.array([0, 2, 5, 10, 20, 40, 80, 160.0])
    noise = 1e-5 * amplitude * np.array([1, -1] * 4)
    readings = np.abs(floor + amplitude * np.exp(-rate * t) + noise)
    found = clearing_with_floor(t, readings, floor + amplitude / 2)
    assert found.rate_per_min == pytest.approx(rate, rel=1e-2)
    assert found.floor_ntu == pytest.approx(floor, abs=0.01 * amplitude)
    assert found.time_to_target_min == pytest.approx(math.log(2) / rate, rel=1e-2)
    assert not clearing_with_floor(
        t, readings, max(1e-9, floor - 0.01 * amplitude)
    ).target_reached or floor < (0.011 * amplitude)


def test_a_time_beyond_the_last_reading_says_so():
    found = clearing_with_floor(TIMES[:5], READINGS[:5], 132)
    assert found.target_reached
    assert found.extrapolated


def test_a_start_does_not_change_the_answer():
    one, other = (clearing_with_floor(TIMES, READINGS, 150, start) for start in (None, 3.0))
    assert one.rate_per_min == pytest.approx(other.rate_per_min)


def test_time_between_two_looks_is_read_on_the_log_scale():
    found = time_to_target([0, 10, 20], [400, 200, 50], 100)
    assert found.time_to_target_min == pytest.approx(15)
    assert (found.stayed, found.already_there) == (True, False)
    assert time_to_target([0, 10, 20], [400, 100, 50], 100).time_to_target_min == pytest.approx(10)


def test_a_jar_stirred_up_again_did_not_stay_clear():
    found = time_to_target([0, 10, 20], [400, 90, 150], 100)
    assert found.reached
    assert found.stayed is False


def test_a_jar_clear_at_the_first_look_was_so_by_then():
    found = time_to_target([5, 10], [80, 60], 100)
    assert (found.time_to_target_min, found.already_there) == (5, True)


def test_log_rank_agrees_with_a_second_library():
    found = compare_clearing(JARS, REACHED)
    times = [time for row in JARS.values() for time in row]
    done = [one for row in REACHED.values() for one in row]
    names = [name for name, row in JARS.items() for _ in row]
    chi2, p = survdiff(np.array(times), np.array(done), np.array(names))
    assert (found.chi2, found.p, found.df) == pytest.approx((chi2, p, 2))
    for name in JARS:
        median = SurvfuncRight(JARS[name], REACHED[name]).quantile(0.5)
        assert found.median_min[name] == (None if math.isnan(median) else median)
    assert found.median_min["plain"] is None
    assert found.not_clear == {"plain": 3, "floc": 0, "other": 1}


def test_strata_agree_with_a_second_library():
    slurry = {name: ["x", "x", "y", "y", "x"] for name in JARS}
    found = compare_clearing(JARS, REACHED, slurry)
    times = [time for row in JARS.values() for time in row]
    done = [one for row in REACHED.values() for one in row]
    names = [name for name, row in JARS.items() for _ in row]
    strata = [one for row in slurry.values() for one in row]
    chi2, _ = survdiff(np.array(times), np.array(done), np.array(names), strata=np.array(strata))
    assert found.chi2 == pytest.approx(chi2)
    assert (found.p_counted, found.exact) == (None, None)


def test_counted_level_is_what_dealing_gives():
    times, done = [5, 10, 20, 10, 30, 45, 60], [1, 1, 1, 1, 1, 1, 0]

    def gap(inside) -> float:
        """Seen minus expected jars of one set, time by time."""
        total = 0.0
        for time in sorted({t for t, d in zip(times, done, strict=True) if d}):
            risk = [i for i in range(7) if times[i] >= time]
            events = [i for i in risk if times[i] == time and done[i]]
            share = sum(i in inside for i in risk) / len(risk)
            total += sum(i in inside for i in events) - len(events) * share
        return total

    deals = [abs(gap(inside)) for inside in combinations(range(7), 3)]
    found = compare_clearing({"a": times[:3], "b": times[3:]}, {"a": done[:3], "b": done[3:]})
    assert found.exact
    assert found.p_counted == pytest.approx(np.mean(np.array(deals) >= abs(gap((0, 1, 2))) - 1e-9))


@pytest.mark.parametrize("jars", [4, 10, 12])
def test_half_the_jars_is_exactly_half(jars):
    # Half clear is not fewer than half unclear, whatever floats make of it.
    times = list(range(1, jars + 1))
    found = compare_clearing({"a": times, "b": times}, {"a": [1] * jars, "b": [1] * jars})
    assert found.median_min["a"] == jars / 2 + 1
    assert found.chi2 == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: clearing_rate([0, 1], [3, 2], 1), "at least 3"),
        (lambda: clearing_rate([0, 1, 1], [3, 2, 1], 1), "must rise"),
        (lambda: clearing_rate([-1, 0, 1], [3, 2, 1], 1), "-1 minutes"),
        (lambda: clearing_rate([0, 1, 2], [3, 2, 0], 1), "no logarithm"),
        (lambda: clearing_rate([0, 1, 2], [3, 2, None], 1), "missing"),
        (lambda: clearing_rate([0, 1, 2, 3], [3, 2, 1], 1), "one reading for each time"),
        (lambda: clearing_rate([0, 1, 2], [3, 2, 1], 0), "0 as a target"),
        (lambda: clearing_rate([0, 1, 2], [3, 2, 1], 1, 95), "confidence 95"),
        (lambda: clearing_with_floor([0, 1, 2], [3, 2, 1], 1), "at least 4"),
        (lambda: clearing_with_floor([0, 1, 2, 3], [3, 2, 1, -1], 1), "-1 NTU"),
        (lambda: clearing_with_floor([0, 1, 2, 3], [5, 5, 5, 5], 1), "nothing clears"),
        (lambda: clearing_with_floor([0, 1, 2, 3], [100, 90, 80, 70], 10), "straight line"),
        (lambda: clearing_with_floor([0, 1, 2, 3, 4], [100, 10, 11, 9, 10], 50), "before the second reading"),
        (lambda: clearing_with_floor([0, 1, 2, 3, 4], [100, 70, 80, 40, 60], 50), "do not pin it down"),
        (lambda: clearing_with_floor(TIMES, READINGS, 150, 0), "a start rate"),
        (lambda: time_to_target([], [], 1), "at least 1"),
        (lambda: compare_clearing({"a": [1]}, {"a": [1]}), "at least 2"),
        (lambda: compare_clearing({"a": [1], "b": [2]}, {"a": [1], "c": [1]}), "same sets"),
        (lambda: compare_clearing({"a": [1], "b": []}, {"a": [1], "b": []}), "of b"),
        (lambda: compare_clearing({"a": [0], "b": [1]}, {"a": [1], "b": [1]}), "0 as a time"),
        (lambda: compare_clearing({"a": [1, 2], "b": [1]}, {"a": [1], "b": [1]}), "1 outcomes"),
        (lambda: compare_clearing({"a": [1], "b": [1]}, {"a": [2], "b": [1]}), "2 as outcome"),
        (lambda: compare_clearing({"a": [60], "b": [60]}, {"a": [0], "b": [0]}), "No jar reached"),
        (lambda: compare_clearing({"a": [5], "b": [5]}, {"a": [1], "b": [1]}), "side by side"),
        (
            lambda: compare_clearing(
                {"a": [5, 6], "b": [7, 8]},
                {"a": [1, 1], "b": [1, 1]},
                {"a": ["x", "x"], "b": ["y", "y"]},
            ),
            "side by side",
        ),
    ],
)
def test_refuses_what_tells_nothing(call, said):
    with pytest.raises(ValueError, match=said):
        call()


def test_sets_that_no_slurry_brought_together_are_not_compared():
    times = {name: [5, 9, 14] for name in ("plain", "floc", "soap", "salt")}
    reached = {name: [1, 1, 1] for name in times}
    slurries = {"plain": [1] * 3, "floc": [1] * 3, "soap": [2] * 3, "salt": [2] * 3}
    with pytest.raises(ValueError, match="never stood beside the others"):
        compare_clearing(times, reached, slurries)
    slurries["salt"] = [1, 2, 2]
    assert compare_clearing(times, reached, slurries).df == 3


@pytest.mark.parametrize("confidence", [0.0, 1.0])
def test_no_interval_is_sure_or_without_any_confidence(confidence):
    with pytest.raises(ValueError, match="between 0 and 1"):
        clearing_rate(TIMES, READINGS, 100, confidence)


@pytest.mark.parametrize(("last", "reached"), [(100, True), (100.1, False)])
def test_a_jar_just_at_the_target_by_the_last_look_has_reached_it(last, reached):
    found = time_to_target([0, 10, 20], [400, 200, last], 100)
    assert found.reached is reached
    # Reached by the look itself, or longer than it was watched.
    told = found.time_to_target_min if reached else found.greater_than_min
    assert told == pytest.approx(20)


def test_a_reading_of_nothing_may_stand_where_no_logarithm_is_taken():
    # A floor needs none; a meter that shows 0 is clear.
    found = clearing_with_floor([0, 10, 20, 30, 40, 50], [400, 180, 95, 31, 22, 0], 50)
    assert found.target_reached
    with pytest.raises(ValueError, match="0 or more"):
        clearing_with_floor([0, 10, 20, 30, 40, 50], [400, 180, 95, 31, 22, -1], 50)


@pytest.mark.parametrize(("times", "said"), [([-0.1, 10, 20], "0 or more"), ([0, 10, 10], "must rise")])
def test_times_begin_at_nothing_and_rise(times, said):
    with pytest.raises(ValueError, match=said):
        clearing_rate(times, [400, 200, 100], 50)
