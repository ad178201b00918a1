import pytest

from trials.charts.places import place_chart

WORDS = {"caption": "place", "title": "Places", "description": "one dot a pan"}


def in_blocks(*places: float) -> list[tuple[float, int]]:
    return [(place, block) for block, place in enumerate(places, start=1)]


def test_the_first_place_is_at_the_left_and_places_are_evenly_apart():
    chart = place_chart({"water (control)": in_blocks(2, 3, 2.5), "rinse": in_blocks(1, 1, 1)}, **WORDS)
    assert [tick.text for tick in chart.ticks] == ["1", "2", "3"]
    first, second, third = (tick.x for tick in chart.ticks)
    assert third - second == pytest.approx(second - first, abs=0.2)
    water, rinse = chart.rows
    assert [dot.x for dot in water.dots] == [second, pytest.approx((second + third) / 2, abs=0.1), third]
    assert {dot.x for dot in rinse.dots} == {first}
    # Pans at one place stand below each other, none hides another.
    assert len({dot.y for dot in rinse.dots}) == 3
    # A line for each row of pans, from its dot of the control to its dot of the rinse.
    of_block = {dot.block: f"{dot.x},{dot.y}" for dot in rinse.dots}
    for line, place in zip(chart.block_lines, (second, third, water.dots[1].x), strict=True):
        start, end = line.points.split()
        assert (float(start.split(",")[0]), end) == (place, of_block[line.block])


def test_many_places_keep_room_between_their_figures():
    chart = place_chart({"rinse": in_blocks(*range(1, 25))}, **WORDS)
    assert len(chart.ticks) <= 10


def test_a_treatment_without_a_pan_says_so_and_no_pan_at_all_draws_nothing():
    chart = place_chart({"water": in_blocks(1.5, 1.5), "rinse": []}, **WORDS)
    assert chart.rows[1].note == "no pan placed"
    assert place_chart({"water": [], "rinse": []}, **WORDS) is None
