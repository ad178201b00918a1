"""Numbers refused before anything is reckoned from them."""

import math

import pytest

from prospecting.calc.checks import checked_pairs, checked_values, need_positive, numbers


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: need_positive(density=0), "density must be above zero, not 0"),
        (lambda: need_positive(density=math.inf), "density must be above zero, not inf"),
        (lambda: need_positive(density=math.nan), "not nan"),
        (lambda: numbers([1, None], "a mass"), "a mass is missing in place 2"),
        (lambda: numbers([math.nan], "a mass"), "nan as a mass: it must be a finite number"),
        (lambda: numbers([1, -2], "a mass", above=0), "-2 as a mass in place 2: it must be above 0"),
        (lambda: numbers([1], "a mass", least=2), "1 given, at least 2"),
        (lambda: checked_values([1, 0], "panned", above_zero=True), "0 as a value of panned in place 2"),
        (lambda: checked_pairs([1, 2], [1], "first", "second"), "first has 2 values and second 1"),
    ],
)
def test_names_the_value_its_place_and_the_rule(call, says):
    with pytest.raises(ValueError, match=says):
        call()


def test_lets_sound_numbers_through_as_they_are():
    need_positive(density=19.3)
    assert numbers([0, -1.5], "a difference") == [0.0, -1.5]
    assert checked_pairs([1, 2], [3, 4], "first", "second", at_least=2) == ([1.0, 2.0], [3.0, 4.0])
