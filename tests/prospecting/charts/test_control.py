import re

import pytest

from prospecting.charts.control import BOTTOM, LEFT, RIGHT, TOP, Line, Result, control_picture


def picture(values, lines=(), **fields):
    results = [
        each if isinstance(each, Result) else Result(each, f"{n} May", f"r{n}")
        for n, each in enumerate(values)
    ]
    fields = {"grade_unit": "g_per_t", "name": "x", "title": "T", "description": "D"} | fields
    return control_picture(results, [Line(value, label) for label, value in lines], **fields)


def test_is_none_without_results():
    assert picture([]) is None


def test_keeps_order_and_height():
    found = picture([4.0, 6.0, 5.0])
    assert [each.x for each in found.results] == sorted(each.x for each in found.results)
    low, high, middle = (each.y for each in found.results)
    assert high < middle < low
    assert middle == pytest.approx((low + high) / 2, abs=0.1)


@pytest.mark.parametrize("values", [[5.0], [5.0] * 4, [0.0, 0.0], [1e-6, 1e-6], [1e5, 2e5], list(range(200))])
def test_stays_inside_its_frame(values):
    found = picture([float(value) for value in values], [("+3 sd", 5.3), ("certified", 5.0)])
    for each in found.results:
        assert LEFT <= each.x <= RIGHT
        assert TOP <= each.y <= BOTTOM
    assert all(TOP <= line.y <= BOTTOM for line in found.lines)
    assert 1 <= len(found.grades) <= 7


def test_labels_of_close_lines_keep_apart():
    found = picture([0.5], [("a", 0.020), ("b", 0.021), ("c", 0.022)], from_zero=True)
    heights = [line.label_y for line in found.lines]
    assert all(lower - upper >= 12.9 for upper, lower in zip(heights, heights[1:], strict=False))


def test_blanks_begin_at_nothing_and_bounds_have_arrows():
    found = picture(
        [Result(0.005, "1 May", "t", way="below"), Result(10, "2 May", "t", way="above")], from_zero=True
    )
    assert found.grades[0].text.strip("0.") == ""
    down, up = found.results
    assert float(re.match(r"M[\d.]+ [\d.]+V([\d.]+)", down.arrow)[1]) > down.y
    assert float(re.match(r"M[\d.]+ [\d.]+V([\d.]+)", up.arrow)[1]) < up.y


def test_is_drawn_in_the_readers_unit():
    found = picture([240 / 7, 480 / 7], grade_unit="ozt_per_short_ton")
    assert found.unit == "troy oz per short ton"
    assert [tick.text for tick in found.grades] == ["1.0", "1.5", "2.0"]
