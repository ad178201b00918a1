"""How far equal portions differ, and the middle of runs of which some came out below the scale."""

import math

import pytest

from trials.calc.spread import as_multiples, middle, relative_spread, step_hides


def test_the_spread_has_no_unit():
    mg = [3.1, 4.4, 2.2, 5.0]
    assert relative_spread([1000 * value for value in mg]) == pytest.approx(relative_spread(mg))


def test_a_run_below_the_scale_is_lower_than_every_weighed_one():
    assert middle([-math.inf, 2.0, 9.0]) == 2.0
    assert middle([-math.inf, -math.inf, 9.0]) == -math.inf
    assert middle([-math.inf, 2.0]) == -math.inf


def test_a_step_hides_from_a_third_of_a_middling_run_on():
    # A third: common practice, no source.
    assert not step_hides(0.5, 1.5)
    assert step_hides(0.51, 1.5)


def test_multiples_of_one_run_among_them_give_one():
    assert as_multiples([2.0, 4.0, 5.0], 4.0) == [0.5, 1.0, 1.25]


@pytest.mark.parametrize(
    "call",
    [
        lambda: relative_spread([1.0]),
        lambda: relative_spread([1.0, -1.0]),
        lambda: relative_spread([0.0, 0.0]),
        lambda: middle([]),
        lambda: step_hides(0.0, 1.0),
        lambda: step_hides(0.1, math.nan),
        lambda: as_multiples([1.0], 0.0),
        lambda: as_multiples([1.0], math.nan),
    ],
)
def test_refuses_what_has_no_answer(call):
    with pytest.raises(ValueError):
        call()
