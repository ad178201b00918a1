"""Where dots, bars, band and ticks of a verdict's picture stand."""

import math

import pytest

from trials.charts.verdict import DOT_STEP, GUTTER, LEFT, RIGHT, Row, log_ticks, verdict_chart

WORDS = {"caption": "times plain water", "title": "A trial", "description": "Dots are runs."}


def draw(*rows: Row, **more):
    return verdict_chart(rows, **WORDS, **more)


def test_equal_ratios_are_equal_lengths_on_the_axis():
    dots = draw(Row("rinse", [1.0, 2.0, 4.0, 8.0])).rows[0].dots
    steps = [b.x - a.x for a, b in zip(dots, dots[1:], strict=False)]
    assert steps == pytest.approx([steps[0]] * 3, abs=0.15)
    assert steps[0] > 50


def test_the_band_reaches_as_far_below_one_as_above():
    chart = draw(Row("rinse", [0.7, 2.5]), margin_ratio=1.25)
    assert chart.band.x + chart.band.width / 2 == pytest.approx(chart.one_lines[0].x, abs=0.15)
    assert chart.band.width > 10


def test_a_bar_stands_between_the_same_places_as_its_ticks():
    chart = draw(
        Row("plain water", [0.9, 1.1]),
        Row("rinse", [1.4, 1.6], centre=1.5, lower=1.0, upper=2.0),
        margin_ratio=1.2,
    )
    places = {tick.text: tick.x for tick in chart.ticks}
    bar = chart.rows[1].bar
    assert (bar.x1, bar.x2) == (places["1"], places["2"])
    assert bar.x1 < bar.centre_x < bar.x2
    assert bar.arrows == ()
    assert chart.rows[0].bar is None


@pytest.mark.parametrize(
    ("shown", "worse", "css"),
    [(False, False, "bar open"), (True, False, "bar"), (True, True, "bar worse"), (False, True, "bar open")],
)
def test_only_what_is_shown_is_a_solid_bar(shown: bool, worse: bool, css: str):
    row = Row("rinse", [1.0, 2.0], centre=1.5, lower=1.1, upper=2.0, shown=shown, worse=worse)
    assert draw(row).rows[0].bar.css == css


@pytest.mark.parametrize("upper", [1e9, math.inf, None])
def test_a_limit_far_away_ends_in_an_arrow_and_leaves_the_runs_apart(upper: float | None):
    chart = draw(Row("rinse", [1.0, 2.0], centre=1.5, lower=0.9, upper=upper), margin_ratio=1.2)
    bar, dots = chart.rows[0].bar, chart.rows[0].dots
    assert bar.x2 == RIGHT
    assert len(bar.arrows) == 1
    assert f"{RIGHT}" in bar.arrows[0]
    assert dots[1].x - dots[0].x > 60


def test_a_lower_limit_of_nothing_ends_in_an_arrow_too():
    chart = draw(Row("water", [1.0, 2.0]), Row("rinse", below=3, centre=0.0, lower=0.0, upper=0.8))
    bar = chart.rows[1].bar
    assert bar.x1 == chart.left
    assert bar.centre_x is None


@pytest.mark.parametrize(
    "values",
    [[1.0] * 12, [1.0, 1.001, 1.002, 1.5, 1.501], [2.0, 2.05, 2.1, 2.15, 2.2, 2.25, 9.0]],
    ids=["ties", "close", "row"],
)
def test_no_two_dots_touch(values: list[float]):
    chart = draw(Row("water", [0.5, 5.0]), Row("rinse", values), Row("other", [1.0]))
    dots = [(dot.x, dot.y) for row in chart.rows for dot in row.dots]
    nearest = min(math.dist(a, b) for number, a in enumerate(dots) for b in dots[:number])
    assert nearest >= DOT_STEP - 0.2
    assert max(y for _, y in dots) < chart.bottom < chart.height


def test_the_line_at_one_does_not_cross_a_name():
    chart = draw(Row("water", [0.9, 1.1]), Row("rinse", [1.2, 1.6]), margin_ratio=1.2)
    for line in chart.one_lines:
        assert line.y1 < line.y2 <= chart.bottom
        assert not any(line.y1 < row.label_y - 2 < line.y2 for row in chart.rows)
    assert draw(Row("water", [0.9, 1.1])).one_lines == []


def test_runs_below_the_scale_stand_left_of_the_axis():
    chart = draw(Row("water", [1.0, 3.0], below=2), Row("rinse", [4.0], below=7), below_text="below scale")
    assert chart.left == LEFT + GUTTER
    below = [dot for row in chart.rows for dot in row.dots if dot.is_below]
    assert len(below) == 9
    assert all(dot.x < chart.left for dot in below)
    assert all(dot.x >= chart.left for row in chart.rows for dot in row.dots if not dot.is_below)
    assert chart.below_x is not None


def test_a_treatment_without_runs_says_so_in_its_row():
    rows = draw(Row("water", [1.0, 3.0]), Row("rinse"), Row("drops", below=1)).rows
    assert [row.note for row in rows] == ["", "no run counts", ""]


def test_nothing_weighed_is_no_picture():
    assert draw(Row("water", below=4), Row("rinse", below=4)) is None
    assert draw() is None


def test_one_run_or_equal_runs_still_have_an_axis():
    chart = draw(Row("water", [3.0]))
    assert LEFT < chart.rows[0].dots[0].x < RIGHT
    assert all(math.isfinite(tick.x) for tick in chart.ticks)


def test_a_long_name_is_cut_short():
    assert len(draw(Row("very slow rinse " * 8, [1.0, 2.0])).rows[0].label) < 50


def test_the_runs_of_a_block_are_joined_dot_by_dot_in_whatever_order_they_fell():
    chart = draw(
        Row("water", [1.4, 0.8, 1.1], blocks=[3, 1, 2]),
        Row("rinse", [1.0, 2.0], blocks=[1, 3], below=1, below_blocks=[2]),
        Row("soap", [1.5, 0.9], blocks=[1, 2]),
    )
    dots = [[(dot.block, dot.x, dot.y) for dot in row.dots] for row in chart.rows]
    # Left to right: the least gold first, whatever block it is of.
    assert [block for block, _, _ in dots[0]] == [1, 2, 3]
    for line in chart.block_lines:
        own = [f"{x},{y}" for row in dots for block, x, y in row if block == line.block]
        assert line.points.split() == own
    assert {line.block: len(line.points.split()) for line in chart.block_lines} == {1: 3, 2: 3, 3: 2}
    # The one below the scale stands left of the axis, and its line goes there.
    assert float(chart.block_lines[1].points.split()[1].split(",")[0]) < chart.left


def test_a_block_with_one_run_left_and_runs_without_blocks_are_not_joined():
    assert draw(Row("water", [1.0, 2.0], blocks=[1, 2]), Row("rinse", [3.0], blocks=[3])).block_lines == []
    assert draw(Row("water", [1.0, 2.0]), Row("rinse", [3.0, 4.0])).block_lines == []


@pytest.mark.parametrize(("blocks", "fainter"), [(10, False), (11, True)])
def test_very_many_lines_are_fainter(blocks: int, fainter: bool):
    numbers = list(range(blocks))
    rows = [Row(name, [1 + number / 10 for number in numbers], blocks=numbers) for name in ("water", "rinse")]
    assert draw(*rows).many_blocks is fainter


@pytest.mark.parametrize(
    ("low", "high"),
    [
        (0.4, 6.0),
        (0.7, 2.3),
        (0.9, 1.1),
        (0.97, 1.03),
        (0.01, 300.0),
        (2.0, 3.9),
        (6.0, 7.0),
        (1e-5, 1e5),
        (3.0, 40.0),
    ],
)
def test_ticks_are_few_apart_inside_and_at_least_two(low: float, high: float):
    ticks = log_ticks(low, high, 330)
    assert 2 <= len(ticks) <= 6
    assert low <= ticks[0] and ticks[-1] <= high
    assert ticks == sorted(set(ticks))
    if low <= 1 <= high:
        assert 1 in ticks
