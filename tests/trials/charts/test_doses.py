"""Where the dots, bars and steps of a ladder stand, and the bars of several trials."""

import pytest

from trials.charts.doses import BarRow, DoseColumn, ladder_chart, ratio_bars

WORDS = {"title": "Gold by dose", "description": "", "y_caption": "times plain water", "x_caption": "dose"}


def chart(*columns: DoseColumn, **more):
    return ladder_chart(columns, **WORDS, **more)


def rungs(*doses: float) -> list[DoseColumn]:
    return [DoseColumn(f"{dose:g}", dose, [1.5, 2.0], centre=1.7, lower=1.2, upper=2.4) for dose in doses]


def test_doses_stand_by_factors_and_the_control_apart():
    found = chart(DoseColumn("none", None, [0.9, 1.1]), *rungs(0.1, 0.2, 0.8))
    none, first, second, third = (column.x for column in found.columns)
    assert none < found.control_edge < first
    # 0.2 to 0.8 is two doublings, 0.1 to 0.2 one.
    assert third - second == pytest.approx(2 * (second - first), abs=0.2)


def test_more_gold_stands_higher_and_the_margin_around_one():
    found = chart(DoseColumn("none", None, [1.0]), *rungs(0.1, 0.2), margin_ratio=1.25)
    low, high = (dot.y for dot in sorted(found.columns[1].dots, key=lambda dot: -dot.y))
    assert high < low < found.one_y
    assert found.band_y < found.one_y < found.band_y + found.band_height
    bar = found.columns[1].bar
    assert bar.y1 < bar.centre_y < bar.y2
    assert bar.css == "bar open"


def test_places_have_the_first_on_top():
    found = chart(DoseColumn("none", None, [4.0, 3.5]), DoseColumn("0.1", 0.1, [1.0, 1.0]), places=True)
    assert max(dot.y for dot in found.columns[1].dots) < min(dot.y for dot in found.columns[0].dots)
    assert [tick.text for tick in found.y_ticks] == ["1", "2", "3", "4"]


def test_equal_runs_stand_side_by_side_within_their_column():
    many = DoseColumn("0.2", 0.2, [2.0] * 12, centre=2.0, lower=1.5, upper=2.6)
    found = chart(DoseColumn("none", None, [1.0]), *rungs(0.1), many)
    places = [dot.x for dot in found.columns[2].dots]
    assert len(set(places)) == 12
    assert max(places) < found.right


def test_runs_below_the_scale_stand_open_at_the_foot():
    found = chart(DoseColumn("none", None, [1.0], below=3), *rungs(0.1))
    below = [dot for dot in found.columns[0].dots if dot.is_below]
    assert len(below) == 3
    assert min(dot.y for dot in below) > max(dot.y for dot in found.columns[1].dots)


def test_an_interval_that_runs_out_of_the_picture_has_an_arrow():
    far = DoseColumn("0.2", 0.2, [1.5], centre=1.6, lower=0.001, upper=900.0)
    found = chart(DoseColumn("none", None, [1.0]), far)
    assert len(found.columns[1].bar.arrows) == 2
    assert found.top <= found.columns[1].bar.y1 < found.columns[1].bar.y2 <= found.bottom


def test_steps_plateau_and_an_open_break_are_drawn_where_given():
    found = chart(
        DoseColumn("none", None, [1.0]),
        *rungs(0.1, 0.2, 0.4),
        steps=[1.0, 1.5, 1.7, 1.7],
        plateau=[(0.1, 1.4), (0.2, 1.8), (0.4, 1.8)],
        plateau_from=(None, 0.2, 0.3),
    )
    assert len(found.steps.split()) == 8
    assert len(found.plateau.split()) == 3
    assert len(found.bracket.arrows) == 1
    assert found.bracket.x1 == found.columns[1].x < found.bracket.at < found.bracket.x2


def test_crowded_ticks_stand_on_two_lines():
    doses = [0.1 * 1.3**power for power in range(9)]
    lines = {column.tick_y for column in chart(DoseColumn("none", None, [1.0]), *rungs(*doses)).columns}
    assert len(lines) == 2


def test_nothing_to_see_is_no_picture():
    assert chart(DoseColumn("none", None, below=4), DoseColumn("0.1", 0.1, below=4)) is None
    assert ratio_bars([BarRow("trial 1")], caption="", title="", description="") is None


def test_a_heading_without_a_ratio_says_so_right_below_it():
    rows = [
        BarRow("Rinse", heading=True),
        BarRow(""),
        BarRow("Soap", heading=True),
        BarRow("0.1 mL/L", 1.2, 0.9, 1.5),
    ]
    heading, none, *_ = ratio_bars(rows, caption="", title="", description="").rows
    assert (none.label, none.note) == ("no ratio", "")
    assert none.label_y - heading.label_y < 24


def test_a_summary_is_a_diamond_and_a_trial_without_a_ratio_says_so():
    rows = [
        BarRow("0.2 mL/L", heading=True),
        BarRow("trial 1", 1.5, 1.1, 2.0, shown=True),
        BarRow("trial 2"),
        BarRow("all of them together", 1.4, 0.9, 2.2, is_summary=True),
    ]
    heading, first, second, together = ratio_bars(rows, caption="", title="", description="").rows
    assert heading.y is None
    assert first.css == "bar"
    assert first.x1 < first.centre_x < first.x2
    assert second.note == "no ratio"
    assert together.diamond
    assert together.css == "bar open"
