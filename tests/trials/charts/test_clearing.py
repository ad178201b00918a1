from types import SimpleNamespace

import pytest

from trials.calc.clearing import Look
from trials.charts.clearing import LINE_HEIGHT, clearing_chart


def tub(label, *pairs, is_control=False, beyond=()):
    looks = [Look(minutes, value, minutes in beyond) for minutes, value in pairs]
    return SimpleNamespace(label=label, is_control=is_control, looks=looks)


def drawn(*tubs, target=150, unit="mm", rises=True):
    return clearing_chart(tubs, unit=unit, target=target, title="How high?", rises=rises)


def test_each_tub_has_its_line_its_dots_and_its_label():
    chart = drawn(
        tub("Tub 1", (5, 10), (20, 50), is_control=True),
        tub("Tub 2", (5, 80), (20, 160)),
        tub("Tub 3", (5, 9)),
    )
    assert [line.label for line in chart.lines] == ["Tub 1", "Tub 2", "Tub 3"]
    assert [line.css for line in chart.lines] == ["stroke-a", "stroke-b", "stroke-c"]
    assert [len(line.dots) for line in chart.lines] == [2, 2, 1]
    assert chart.lines[1].dots[1].title == "Tub 2: 160 mm at 20 min"
    # Later is further right, more is higher up.
    first, last = chart.lines[1].dots
    assert first.x < last.x
    assert first.y > last.y


def test_the_target_lies_where_a_reading_of_it_would():
    chart = drawn(tub("a", (10, 150), (20, 200)))
    assert chart.target_y == chart.lines[0].dots[0].y
    assert chart.target_text == "clear enough above"
    assert drawn(tub("a", (10, 150)), target=None).target_y is None
    assert drawn(tub("a", (10, 150)), rises=False).target_text == "clear enough below"


def test_a_target_above_all_readings_is_inside_the_frame():
    chart = drawn(tub("a", (10, 5)), target=150)
    assert 20 < chart.target_y < chart.bottom


def test_scales_reach_round_numbers_beyond_the_highest():
    chart = drawn(tub("a", (0, 0), (47, 163)))
    assert chart.minutes[-1].text == "50"
    assert chart.values[-1].text == "200"
    assert chart.values[0].at == chart.bottom


def test_labels_never_lie_on_each_other_and_stay_in_the_frame():
    chart = drawn(*(tub(f"Tub {n}", (10, 100 + n)) for n in range(8)), target=None)
    heights = sorted(line.label_y for line in chart.lines)
    assert all(low + LINE_HEIGHT <= high + 1e-9 for low, high in zip(heights, heights[1:], strict=False))
    assert heights[-1] <= chart.bottom


def test_beyond_the_scale_has_an_arrow_and_words():
    chart = drawn(tub("a", (5, 60), (10, 60), beyond=(10,)), unit="cm", target=None)
    before, beyond = chart.lines[0].dots
    assert (before.arrow, bool(beyond.arrow)) == ("", True)
    assert beyond.title == "a: more than 60 cm at 10 min"
    assert chart.has_beyond


def test_nothing_read_nothing_drawn():
    assert drawn() is None
    assert drawn(tub("a")) is None


@pytest.mark.parametrize("pairs", [[(0, 0)], [(0, 5)], [(0, 0), (1, 0)], [(50_000, 100_000)]])
def test_odd_readings_are_drawn_all_the_same(pairs):
    chart = drawn(tub("A very long name of a tub", *pairs), target=None)
    assert len(chart.lines[0].label) <= 9
    assert all(tick.at >= 0 for tick in chart.values)
