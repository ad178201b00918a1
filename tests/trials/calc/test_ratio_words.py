"""Intervals of ratios in figures and in words."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials.calc.ratio_words import between, ends, is_too_wide
from trials.calc.verdict import written


@pytest.mark.parametrize(
    ("lower", "upper", "said"),
    [
        (1.1, 2.25, "1.1 to 2.25"),
        (0.0, 2.25, "up to 2.25"),
        (None, 2.25, "up to 2.25"),
        (1.1, None, "1.1 or more"),
        (1.1, math.inf, "1.1 or more"),
        (None, None, ""),
        (0.0, math.inf, "no limit either way: too wide to say anything"),
        (0.0, None, "no limit either way: too wide to say anything"),
        (6.29e-06, 921991.0, "less than a hundredth to more than a hundred: too wide to say anything"),
        (0.0, 921991.0, "up to more than a hundred: too wide to say anything"),
        (0.078, 27.4, "0.078 to 27.4: too wide to say anything"),
        (0.5, 921991.0, "0.5 to more than a hundred"),
        (6.29e-06, 1.9, "less than a hundredth to 1.9"),
        # So far from 1 as a whole that words would hide where it lies.
        (150.0, 900.0, "150 to 900"),
        (0.001, 0.004, "0.001 to 0.004"),
        # The thresholds themselves are still told in figures.
        (0.01, 100.0, "0.01 to 100: too wide to say anything"),
        (0.1, 10.0, "0.1 to 10"),
    ],
)
def test_limits_are_read_as_far_as_they_say_something(lower, upper, said: str):
    assert between(lower, upper) == said


def test_figures_are_written_as_the_page_writes_its_others():
    assert ends(1.2345, 2.3456, written) == "1.2 to 2.3"


@given(st.floats(1e-12, 1e12), st.floats(1e-12, 1e12))
def test_what_looks_exact_is_never_a_hundredfold_guess(one: float, other: float):
    lower, upper = sorted((one, other))
    said = between(lower, upper)
    assert ("too wide" in said) == is_too_wide(lower, upper)
    if lower < 0.01 and upper > 100:
        assert not any(sign.isdigit() for sign in said)
    # Turned round, as one treatment against the other, it is as wide as before.
    assert is_too_wide(lower, upper) == is_too_wide(1 / upper, 1 / lower) or 0.1 in (lower, 1 / upper)
