import math
from dataclasses import dataclass

import pytest

from trials.charts.field_against_laboratory import DOT, agreement_plot


@dataclass(frozen=True)
class Point:
    assayed: float
    panned: float
    assayed_bar: tuple[float, float] | None = None
    panned_bar: tuple[float, float] | None = None
    assayed_way: str = ""
    panned_way: str = ""
    is_flagged: bool = False
    title: str = ""


def plot(*points, **lines):
    return agreement_plot(points, unit="g/t", **lines)


def test_equal_ratios_are_equal_distances_both_ways():
    one, ten, up = plot(Point(1, 1), Point(10, 1), Point(1, 10)).marks
    assert one.y == ten.y and one.x == up.x
    assert ten.x - one.x == pytest.approx(one.y - up.y, abs=0.2)


def test_where_panned_is_assayed_the_full_line_runs():
    drawn = plot(Point(2, 2), Point(8, 3))
    mark, line = drawn.marks[0], drawn.alike
    slope = (line.y2 - line.y1) / (line.x2 - line.x1)
    assert line.y1 + slope * (mark.x - line.x1) == pytest.approx(mark.y, abs=0.2)
    assert line.x1 == drawn.left and line.y1 == drawn.bottom


def test_a_ratio_is_a_line_beside_it_and_the_fitted_one_is_cut_at_the_frame():
    drawn = plot(Point(1, 0.5), Point(10, 5), ratio=0.5, limits=(0.25, 1.0), line=(math.log10(0.5), 1.0))
    assert drawn.usual == drawn.fitted
    assert len(drawn.limits) == 2
    for line in (drawn.usual, *drawn.limits):
        for x, y in ((line.x1, line.y1), (line.x2, line.y2)):
            assert drawn.left <= x <= drawn.right and drawn.top <= y <= drawn.bottom


def test_a_line_outside_the_frame_is_left_out():
    assert plot(Point(1, 1), Point(2, 2), ratio=1e6).usual is None


def test_a_limit_is_an_open_mark_with_an_arrow_and_never_at_zero():
    [mark] = plot(Point(5, 0.1, panned_way="below")).marks
    assert mark.is_open and mark.arrows[0].startswith(f"M{mark.x:.1f} {mark.y + DOT:.1f}L{mark.x:.1f}")
    [left] = plot(Point(0.1, 5, assayed_way="below")).marks
    tip = float(left.arrows[0].split("L")[1].split()[0])
    assert tip < left.x


def test_bars_stand_about_their_mark():
    [mark] = plot(Point(4, 2, assayed_bar=(2, 8), panned_bar=(1, 4))).marks
    across, upward = mark.bars
    assert across.x1 < mark.x < across.x2 and across.y1 == across.y2 == mark.y
    assert upward.y1 > mark.y > upward.y2 and upward.x1 == mark.x


def test_a_bar_without_end_stops_at_the_frame():
    drawn = plot(Point(4, 2, assayed_bar=(1e-9, 1e9)), Point(5, 3))
    assert drawn.left <= drawn.marks[0].bars[0].x1 and drawn.marks[0].bars[0].x2 <= drawn.right


def test_nothing_to_place_is_no_picture():
    assert plot() is None
    assert plot(Point(0, 0)) is None
