"""Where means, bars and names stand in the pictures of factors."""

import math

import pytest

from trials.charts.effects import BAR_RIGHT, BarRow, Point, Series, bars_chart, interaction_chart

WORDS = {"caption": "mg a portion", "title": "Rinse and floc", "description": "Means and runs."}


def plot(*lines, levels=("no rinse", "rinse")):
    return interaction_chart(levels, [Series(f"floc {n}", line) for n, line in enumerate(lines)], **WORDS)


def ends(chart, number):
    return [tuple(map(float, corner.split(","))) for corner in chart.series[number].path.split()]


def test_ratios_that_multiply_are_lines_that_run_alike():
    chart = plot([Point(2.0), Point(3.0)], [Point(4.0), Point(6.0, expected=6.0)])
    (_, a), (_, b) = ends(chart, 0)
    (_, c), (there, d) = ends(chart, 1)
    assert a - b == pytest.approx(c - d, abs=0.25)
    assert a > b > 0
    # The open mark lies on the mean where it is as expected.
    corners = [tuple(map(float, corner.split(","))) for corner in chart.expected[0].split()]
    assert sum(x for x, _ in corners) / 4 == pytest.approx(there, abs=0.1)
    assert sum(y for _, y in corners) / 4 == pytest.approx(d, abs=0.1)


def test_runs_with_nothing_to_show_stand_open_at_the_foot():
    chart = plot([Point(2.0, values=[1.8, 2.2], below=2), Point(3.0, 2.0, 4.5)])
    open_dots = [dot for dot in chart.dots if dot.is_below]
    assert len(open_dots) == 2
    assert all(dot.y > max(other.y for other in chart.dots if not other.is_below) for dot in open_dots)
    [whisker] = chart.series[0].whiskers
    assert whisker.y2 < whisker.y1 <= chart.bottom
    assert chart.has_below


def test_a_missing_mean_leaves_a_gap_and_none_at_all_no_picture():
    chart = plot([Point(2.0), Point(None)])
    assert len(chart.series[0].marks) == 1
    assert plot([Point(None), Point(None)]) is None


def test_everything_stays_on_the_paper():
    levels = [f"a level with a very long name {n}" for n in range(4)]
    line = [Point(0.01 * 10**n, 1e-9, 1e9, values=[0.3, 0.31, 0.32, 0.3]) for n in range(4)]
    chart = plot(line, line, line, line, levels=levels)
    assert all(0 <= dot.x <= 360 and 0 <= dot.y <= chart.bottom for dot in chart.dots)
    assert all(0 <= end <= chart.bottom for one in chart.series for w in one.whiskers for end in (w.y1, w.y2))
    # Bold signs are 8 units wide at the most.
    assert all(abs(a.x - b.x) > 0 for a, b in zip(chart.levels, chart.levels[1:], strict=False))
    assert all(at.x - 4 * len(at.text) >= 0 and at.x + 4 * len(at.text) <= 360 for at in chart.levels)
    assert chart.levels[0].y != chart.levels[1].y


def test_bars_stand_by_their_ratios_around_one():
    chart = bars_chart(
        [
            BarRow("rinse", 1.5, 1.2, 1.9, shown=True),
            BarRow("floc", 0.7, 0.5, 0.9, shown=True),
            BarRow("both", 1.0, 0.1, math.inf),
            BarRow("pan", 0.9, note="no interval"),
            BarRow("soak"),
        ],
        margin_ratio=1.25,
        **WORDS,
    )
    rinse, floc, both, pan, soak = chart.rows
    assert chart.one_x < rinse.x1 < rinse.ratio_x < rinse.x2
    assert floc.x2 < chart.one_x
    assert [row.css for row in chart.rows] == ["bar", "bar worse", "bar open", "bar open", "bar open"]
    assert (both.x2, len(both.arrows)) == (BAR_RIGHT, 2)
    assert chart.band.x + chart.band.width / 2 == pytest.approx(chart.one_x, abs=0.15)
    assert (pan.x1, pan.note) == (None, "no interval")
    assert (soak.x1, soak.ratio_x) == (None, None)
    assert bars_chart([BarRow("soak")], margin_ratio=1.25, **WORDS) is None
