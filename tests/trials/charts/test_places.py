import pytest

from trials.charts.places import place_chart

WORDS = {"caption": "place", "title": "Places", "description": "one dot a pan"}


def test_the_first_place_is_at_the_left_and_places_are_evenly_apart():
    chart = place_chart({"water (control)": [2, 3, 2.5], "rinse": [1, 1, 1]}, **WORDS)
    assert [tick.text for tick in chart.ticks] == ["1", "2", "3"]
    first, second, third = (tick.x for tick in chart.ticks)
    assert third - second == pytest.approx(second - first, abs=0.2)
    water, rinse = chart.rows
    assert [dot.x for dot in water.dots] == [second, pytest.approx((second + third) / 2, abs=0.1), third]
    assert {dot.x for dot in rinse.dots} == {first}
    # Pans at one place stand below each other, none hides another.
    assert len({dot.y for dot in rinse.dots}) == 3


def test_many_places_keep_room_between_their_figures():
    chart = place_chart({"rinse": list(range(1, 25))}, **WORDS)
    assert len(chart.ticks) <= 10


def test_a_treatment_without_a_pan_says_so_and_no_pan_at_all_draws_nothing():
    chart = place_chart({"water": [1.5, 1.5], "rinse": []}, **WORDS)
    assert chart.rows[1].note == "no pan placed"
    assert place_chart({"water": [], "rinse": []}, **WORDS) is None
