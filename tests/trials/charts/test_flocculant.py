import math
import re

import pytest

from trials.charts.flocculant import BOTTOM, LEFT, RIGHT, TOP, Point, gold_against_minutes

WITHOUT = Point("without", 1.0, None, None, 0.0, 0.0, 0.0, 0.0, "without")


def chart(*points, margin=1.25):
    return gold_against_minutes([WITHOUT, *points], margin_ratio=margin, title="t", description="d")


def dose(label, gold, lower, upper, least, most, low=None, high=None, mark="best", **fields):
    return Point(label, gold, lower, upper, least, most, low, high, mark, **fields)


def stands_at(point) -> tuple[float, float]:
    """Where the label's mark is, from the strokes around it."""
    return point.bar.x1, point.looks.y1


def test_minutes_run_to_the_right_and_gold_upward_by_its_logarithm():
    drawn = chart(dose("a", 0.5, 0.4, 0.6, 20, 20, 10, 30), dose("b", 1.0, 0.9, 1.1, 40, 40, 30, 50))
    a, b = (stands_at(point) for point in drawn.points[1:])
    zero, one = drawn.zero_x, drawn.one_y
    assert b[0] - zero == pytest.approx(2 * (a[0] - zero), abs=0.2)
    assert b[1] == one < a[1]
    top, bottom = drawn.band[0], drawn.band[0] + drawn.band[1]
    assert (a[1] - one) / (bottom - one) == pytest.approx(math.log(2) / math.log(1.25), rel=0.01)
    assert one - top == pytest.approx(bottom - one, abs=0.2)


def test_a_gain_open_at_one_end_stands_there_with_an_arrow():
    drawn = chart(
        dose("a", 0.9, 0.8, 1.0, 40, None, 30, None), dose("b", 0.8, None, 0.9, None, -10, None, -5)
    )
    up, down = drawn.points[1:]
    assert up.looks.x2 == RIGHT
    assert len(up.heads) == 1
    assert down.looks.x1 == LEFT
    # Its interval is open downward as well.
    assert len(down.heads) == 2


def test_everything_lies_inside_the_frame_and_labels_lie_on_none_of_their_kind():
    points = [
        dose(f"0.{n} mL/L", 1 + n / 200, 0.2, 90.0, 30 + n / 10, 30 + n / 10, 10, 45) for n in range(1, 7)
    ]
    drawn = chart(*points, dose("far", 0.001, 1e-9, None, 300, 300, 280, 320), margin=None)
    places = [(point.label_x, point.label_y) for point in drawn.points]
    for x, y in places:
        assert LEFT <= x <= RIGHT
        assert TOP <= y <= BOTTOM + 40
    crowd = sorted(y for _, y in places[1:7])
    assert min(b - a for a, b in zip(crowd, crowd[1:], strict=False)) >= 14
    for point in drawn.points[1:]:
        assert TOP - 1 <= point.bar.y2 <= point.bar.y1 <= BOTTOM + 1
    assert not re.search("nan|inf", repr(drawn))


def test_marks_tell_by_shape():
    drawn = chart(
        dose("best", 0.9, 0.8, 1.0, 20, 20, 10, 30),
        dose("costly", 0.7, 0.6, 0.8, 40, 40, 30, 50, mark="costly", shown=True, worse=True),
        dose("beaten", 0.6, 0.5, 0.7, 10, 10, 0, 20, mark="beaten"),
    )
    square, best, costly, beaten = drawn.points
    assert best.path.count("L") == costly.path.count("L") == 3
    assert "a" in beaten.path
    assert "h" in square.path
    assert (best.css, costly.css) == ("dot", "dot open")
    assert (best.bar_css, costly.bar_css) == ("bar open", "bar worse")
    assert square.bar is None


def test_nothing_known_draws_nothing():
    assert gold_against_minutes([], margin_ratio=None, title="t", description="d") is None
    alone = chart(margin=None)
    assert [tick.text for tick in alone.minutes][0] == "0"
    assert len(alone.minutes) > 1
