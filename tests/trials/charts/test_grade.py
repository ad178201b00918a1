import datetime
from decimal import Decimal

import pytest

from prospecting.calc.zone_grade import Result
from trials.charts.grade import BOTTOM, LEFT, RIGHT, TOP, grade_over_time

MARCH, MAY = datetime.date(2026, 3, 1), datetime.date(2026, 5, 1)


def result(grade="4", *, kind="pan", day=MARCH, last_day=None, share="1", below=None, above=None) -> Result:
    limit = below or above
    return Result(
        kind=kind,
        lot="BRK-47-T",
        day=day,
        first_day=day,
        last_day=last_day or day,
        share=Decimal(share),
        grade_g_per_t=None if limit else Decimal(grade),
        limit_g_per_t=Decimal(limit) if limit else None,
        is_below=below is not None,
        is_above=above is not None,
        mass_g=Decimal(454),
        label="test pan",
    )


def drawn(*results: Result, unit: str = "g_per_t"):
    return grade_over_time(results, grade_unit=unit, label="Grade")


def test_height_is_grade_from_zero_and_day_runs_to_the_right():
    chart = drawn(result("5"), result("10", day=MAY))
    low, high = chart.marks
    zero = next(float(tick.at) for tick in chart.grades if tick.text == "0")
    assert zero == BOTTOM
    assert (zero - float(high.y)) / (zero - float(low.y)) == pytest.approx(2, rel=1e-3)
    assert float(low.x) < float(high.x)


def test_every_mark_stays_inside_the_frame():
    chart = drawn(
        *[result(str(n)) for n in range(9)],
        *[result("3") for _ in range(9)],
        result("44", kind="assay", day=MAY),
    )
    for mark in chart.marks:
        assert LEFT <= float(mark.x) <= RIGHT
        assert TOP <= float(mark.y) <= BOTTOM


def test_grades_stand_in_the_members_unit():
    chart = drawn(result("34.2857142857"), unit="ozt_per_short_ton")
    assert chart.unit == "troy oz per short ton"
    # 34.2857 g/t is 1 troy ounce per short ton by definition.
    one = next(float(tick.at) for tick in chart.grades if float(tick.text) == 1)
    assert float(chart.marks[0].y) == pytest.approx(one, abs=0.1)
    assert "1.0 troy oz per short ton" in chart.marks[0].title


def test_pan_and_assay_of_one_day_stand_apart_and_say_which_they_are():
    pan, assay = drawn(result(), result(kind="assay")).marks
    assert (pan.kind, assay.kind) == ("pan", "assay")
    assert pan.x != assay.x


def test_two_alike_do_not_hide_each_other():
    first, second = drawn(result(), result()).marks
    assert first.x != second.x


def test_the_larger_share_has_the_larger_mark():
    small, large = drawn(result(share="0.1"), result(share="1")).marks
    assert float(small.size) < float(large.size)


def test_a_limit_is_drawn_open_with_an_arrow_to_its_side():
    below, above, value = drawn(result(below="1"), result(above="10"), result()).marks
    assert (below.way, above.way, value.way) == ("below", "above", "")
    assert below.arrow
    assert above.arrow
    assert not value.arrow
    assert "below 1.0 g/t" in below.title


def test_several_days_of_digging_are_a_bar():
    bar, point = drawn(result(last_day=MAY), result()).marks
    assert float(bar.bar[0]) < float(bar.bar[1])
    assert point.bar is None


@pytest.mark.parametrize("grade", ["0", "0.000001", "0.34", "1", "9.99", "17.8", "50", "99999"])
def test_any_grade_has_a_few_round_ticks_up_to_above_it(grade):
    chart = drawn(result(grade))
    assert 3 <= len(chart.grades) <= 6
    assert float(chart.grades[-1].text) >= float(grade)
    assert all("E" not in tick.text for tick in chart.grades)


def test_nothing_to_draw_is_refused():
    with pytest.raises(ValueError, match="no result"):
        drawn()
