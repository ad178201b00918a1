"""The next dose to try: the rules of the project's guide to trial statistics, case by case."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.calc.next_dose import dose_between, next_dose

DOSES = st.lists(st.floats(0.001, 100, allow_nan=False), min_size=1, max_size=6, unique=True).flatmap(
    lambda doses: st.tuples(st.just(doses), st.lists(st.booleans(), min_size=len(doses), max_size=len(doses)))
)


@pytest.mark.parametrize(
    ("shown", "dose", "why", "again"),
    [
        ({0.25: False, 0.5: False, 1.0: True}, math.sqrt(0.5), "between", (0.0, 0.5, 1.0)),
        ({0.25: False, 0.5: True, 1.0: True}, math.sqrt(0.125), "between", (0.0, 0.25, 0.5)),
        ({0.25: True, 0.5: True}, 0.125, "down", (0.0, 0.25)),
        ({0.25: False, 0.5: False}, 1.0, "up", (0.0, 0.5)),
        ({0.25: False, 0.5: True, 1.0: False}, 0.5, "again", (0.0, 1.0)),
        ({1.0: True, 0.5: False, 0.25: True}, 0.25, "again", (0.0, 0.5)),
    ],
)
def test_follows_the_guide(shown, dose, why, again):
    found = next_dose(shown)
    assert found.dose_ml_per_l == pytest.approx(dose)
    assert (found.why, found.again_ml_per_l) == (why, again)


def test_does_not_climb_above_a_dose_that_harms():
    found = next_dose({0.5: False, 1.0: False}, down_factor=4, top_harms=True)
    assert (found.dose_ml_per_l, found.why) == (0.125, "down")


@settings(deadline=None)
@given(DOSES)
def test_goes_outside_the_tried_range_only_at_its_ends(ladder):
    doses, seen = ladder
    found = next_dose(dict(zip(doses, seen, strict=True)))
    inside = min(doses) <= found.dose_ml_per_l <= max(doses)
    assert found.outside_the_tried == (not inside)
    assert inside == (any(seen) and not all(seen))
    assert found.again_ml_per_l[0] == 0


@settings(deadline=None)
@given(st.floats(1e-3, 1e3), st.floats(1.001, 1e3))
def test_the_middle_is_as_many_times_above_as_below(low, factor):
    middle = dose_between(low, low * factor)
    assert middle / low == pytest.approx(low * factor / middle)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: dose_between(0, 1), "0 mL/L"),
        (lambda: dose_between(1, 0.5), "the lower one"),
        (lambda: dose_between(1, 1), "the lower one"),
        (lambda: dose_between(1, math.nan), "nan"),
        (lambda: next_dose({}), "No dose"),
        (lambda: next_dose({0: False, 1: True}), "above 0"),
        (lambda: next_dose({1: True}, down_factor=8), "8"),
    ],
)
def test_refuses_what_is_no_ladder(call, said):
    with pytest.raises(ValueError, match=said):
        call()
