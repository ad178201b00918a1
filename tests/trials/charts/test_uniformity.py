"""Where portions, chance's band and the scale stand in the picture of a blend."""

import pytest

from trials.charts.uniformity import BOTTOM, HIGHEST, LEFT, RIGHT, TOP, order_chart
from trials.frames.portion_evidence import Point


def point(place: int, times: float, band=(0.5, 1.5), is_below: bool = False) -> Point:
    return Point(place, f"P{place}", "/", f"{times} mg", times, band, is_below)


def test_twice_what_was_expected_stands_twice_as_high():
    chart = order_chart([point(1, 1.0), point(2, 2.0), point(3, 0.0)], title="A lot")
    heights = [BOTTOM - dot.y for dot in chart.dots]
    assert heights == pytest.approx([heights[0], 2 * heights[0], 0], abs=0.2)
    assert chart.one_y == chart.dots[0].y
    assert LEFT < chart.dots[0].x < chart.dots[1].x < chart.dots[2].x < RIGHT


def test_the_band_reaches_from_its_lower_to_its_upper_limit():
    chart = order_chart([point(1, 1.0, (0.5, 2.0))], title="A lot")
    at = {mark.text: mark.at for mark in chart.scale}
    (slot,) = chart.band
    assert (slot.y, slot.y + slot.height) == pytest.approx((at["2"], at["0.5"]), abs=0.15)


def test_below_the_limit_is_open_with_an_arrow_down_and_far_away_is_drawn_at_the_edge():
    chart = order_chart([point(1, 0.4, is_below=True), point(2, 3 * HIGHEST), point(3, 1.0)], title="A lot")
    below, far, plain = chart.dots
    assert below.is_below and below.arrow and far.arrow and not plain.arrow
    assert far.y == TOP


def test_both_assays_of_a_portion_stand_in_one_place():
    chart = order_chart([point(1, 0.9, None), point(1, 1.1, None), point(2, 1.0, None)], title="A lot")
    assert chart.dots[0].x == chart.dots[1].x
    assert not chart.band


def test_forty_portions_are_not_all_numbered():
    chart = order_chart([point(place, 1.0) for place in range(1, 41)], title="A lot")
    assert [mark.text for mark in chart.numbers[:2]] == ["1", "5"]


def test_there_is_no_picture_of_portions_without_proportion():
    assert order_chart([point(0, 0.0, None)], title="A lot") is None
