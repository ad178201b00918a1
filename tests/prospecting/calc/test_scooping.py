"""Scooping against riffling. The measured ranges: R. Minnitt, Sampling Science and Technology, doi 10.62178/sst.005.002."""

import math

import pytest

from prospecting.calc.sampling import counting_spread
from prospecting.calc.scooping import (
    colours_for_spread,
    cut_certainty,
    scooping_over_riffling,
    spread_when_cut,
)


def test_a_hundred_scooped_colours_may_be_worth_five():
    # At 19.33 times the variance of chance: 100 / 19.33 = 5.17, and 1 / sqrt(5.17) = 0.44 (computed).
    found = cut_certainty(100, "scooped")
    assert found.as_sure_as == pytest.approx((100, 5.17), abs=0.01)
    assert found.relative_sd == pytest.approx((0.1, 0.4397), abs=1e-4)
    assert found.relative_sd[1] == pytest.approx(counting_spread(found.as_sure_as[1]))
    assert "no surer than 5 by chance: give or take up to 44 %" in found.sentence
    assert "instead of 10 %" in found.sentence


def test_a_riffle_stays_about_at_chance():
    # sqrt(0.77) and sqrt(0.93) of 10 % (computed).
    found = cut_certainty(100, "riffle")
    assert found.relative_sd == pytest.approx((0.0877, 0.0964), abs=1e-4)
    assert found.by_chance == 0.1
    assert "9 to 10 %" in found.sentence


def test_few_scooped_colours_are_worth_one_or_fewer():
    assert "1 or fewer by chance" in cut_certainty(20, "scooped").sentence


@pytest.mark.parametrize("cut", ["riffle", "scooped"])
def test_the_colours_for_a_spread_have_that_spread(cut):
    best, worst = colours_for_spread(0.25, cut)
    assert cut_certainty(best, cut).relative_sd[0] == pytest.approx(0.25)
    assert cut_certainty(worst, cut).relative_sd[1] == pytest.approx(0.25)


def test_scooping_against_riffling_as_a_range():
    # 1 / 0.93 at the best, 19.33 / 0.77 at the worst (computed).
    assert scooping_over_riffling() == pytest.approx((1.0753, 25.104), abs=1e-3)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: cut_certainty(0, "riffle"), "above zero, not 0"),
        (lambda: cut_certainty(math.nan, "riffle"), "above zero, not nan"),
        (lambda: cut_certainty(10, "cone_quarter"), "'cone_quarter' differs from chance was not measured"),
        (lambda: colours_for_spread(0, "riffle"), "relative_sd"),
    ],
)
def test_refuses_what_was_not_measured(call, says):
    with pytest.raises(ValueError, match=says):
        call()


def test_of_several_spreads_the_least_and_the_most_count():
    best, worst = spread_when_cut([0.2, 0.1, 0.15], "riffle")
    assert best == pytest.approx(0.1 * math.sqrt(0.77))
    assert worst == pytest.approx(0.2 * math.sqrt(0.93))


def test_refuses_no_spread_and_a_cut_nobody_measured():
    with pytest.raises(ValueError, match="No spread"):
        spread_when_cut([], "riffle")
    with pytest.raises(ValueError, match="not measured"):
        spread_when_cut([0.1], "shovelled")
