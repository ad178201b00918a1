import pytest

from trials.charts.zones import zone_dots


def drawn(**zones):
    return zone_dots(zones, grade_unit="g_per_t")


def test_equal_ratios_are_equal_steps():
    [row] = drawn(a=[(1.0, False), (4.0, False), (16.0, False)]).rows
    first, second, third = (float(dot.x) for dot in row.dots)
    assert second - first == pytest.approx(third - second, abs=0.2)


def test_dots_that_would_cover_each_other_stand_above_one_another():
    [row] = drawn(a=[(3.0, False)] * 3).rows
    assert len({dot.y for dot in row.dots}) == 3


def test_a_limit_is_open_and_a_nought_stands_at_the_left():
    [row] = drawn(a=[(0.5, True), (0.0, False), (4.0, False)]).rows
    nought, limit, _ = row.dots
    assert limit.open
    assert limit.title == "below 0.5 g/t"
    assert float(nought.x) < float(limit.x)


@pytest.mark.parametrize("grades", [[0.0], [3.0], [1.0], [0.001, 5000.0], [0.02, 0.021]])
def test_any_grades_have_ticks_inside_the_frame(grades):
    found = drawn(a=[(grade, False) for grade in grades])
    assert found.ticks
    assert all(found.left <= float(x) <= found.right for x, _ in found.ticks)
    assert all(found.left <= float(dot.x) <= found.right for dot in found.rows[0].dots)


def test_no_zone_is_refused():
    with pytest.raises(ValueError, match="no zone"):
        drawn()
