from types import SimpleNamespace

import pytest

from prospecting.calc.recovery_balance import Route
from trials.charts.recovery import LEFT, RIGHT, recovery_chart


def line(value, low, high, refusal: str = "") -> SimpleNamespace:
    route = Route(value, low, high, 0.95, 0.1, refusal=refusal)
    return SimpleNamespace(short="over the head's assay", route=route, value="x %", interval="y to z %")


def test_dots_bars_and_the_whole_stand_on_one_axis():
    chart = recovery_chart([line(0.5, 0.25, 1.0), line(0.8, 0.7, 0.9)])
    first, second = chart.marks
    scale = (chart.whole_x - LEFT) / 1.0
    assert first.x - LEFT == pytest.approx(0.5 * scale, abs=0.2)
    assert first.x1 - LEFT == pytest.approx(0.25 * scale, abs=0.2)
    assert first.x2 == chart.whole_x
    assert not first.arrow and first.y < second.y < chart.bottom
    assert chart.ticks[0].text == "0 %" and chart.ticks[-1].text == "100 %"


def test_what_runs_out_of_the_picture_gets_an_arrow_and_a_refused_route_is_marked():
    chart = recovery_chart([line(1.4, 0.4, 4.5, "no recovery"), line(5.0, 3.0, 9.0, "no recovery")])
    first, second = chart.marks
    assert first.arrow and first.refused and first.x2 == RIGHT
    assert second.x1 == second.x2 == RIGHT and not second.value_in_picture


def test_routes_without_a_figure_are_not_drawn():
    assert recovery_chart([line(None, None, None, "no tails")]) is None
    assert len(recovery_chart([line(None, None, None, "no tails"), line(0.5, 0.4, 0.6)]).marks) == 1
