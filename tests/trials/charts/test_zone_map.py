import pytest

from prospecting.calc.local_map import flat_map
from trials.charts.zone_map import MapPoint, zone_map

HERE = (40.0, -105.0)


def point(
    station: str = "S1", g_per_t: float | None = 4.0, zone: str = "North", below: bool = False
) -> MapPoint:
    return MapPoint(zone, "a", station, g_per_t, below, "4.0 g/t")


def drawn(*positions, points=None, in_feet: bool = False):
    points = points or [point(f"S{number}") for number, _ in enumerate(positions)]
    return zone_map(flat_map(positions), points, in_feet=in_feet, label="Where it was dug")


def test_one_dig_alone_is_drawn_with_a_bar_of_some_metres():
    found = drawn(HERE)
    assert found.bar_text == "5 m"
    assert len(found.dots) == len(found.stations) == 1
    assert found.outlines == []


@pytest.mark.parametrize("in_feet", [False, True])
@pytest.mark.parametrize("degrees", [0.0001, 0.0031, 0.02, 0.4])
def test_the_bar_is_true_to_the_picture(degrees, in_feet):
    found = drawn(HERE, (40.0 + degrees, -105.0), in_feet=in_feet)
    number, unit = found.bar_text.split()
    metres = float(number) * {"m": 1, "km": 1000, "ft": 0.3048, "miles": 1609.344}[unit]
    low, high = sorted(float(dot.y) for dot in found.dots)
    true = flat_map([HERE, (40.0 + degrees, -105.0)]).height_m
    assert float(found.bar_length) / metres == pytest.approx((high - low) / true, rel=0.02)


def test_everything_stays_inside_the_frame():
    found = drawn(*[(40 + n * 0.0007, -105 + (n % 5) * 0.002) for n in range(20)])
    for dot in found.dots:
        assert 0 <= float(dot.x) <= found.width
        assert 0 <= float(dot.y) <= found.height
    assert 0 < float(found.bar_length) < found.width


def test_the_richest_is_the_largest_by_area_and_limits_are_open():
    positions = [HERE, (40.001, -105.0), (40.002, -105.0)]
    found = drawn(*positions, points=[point("A", 16.0), point("B", 4.0), point("C", 9.0, below=True)])
    by_name = {dot.title[0]: dot for dot in found.dots}
    # Twice the radius above the smallest for four times the grade.
    large, half, least = (float(by_name[name].size) for name in "ABC")
    assert (large - least) == pytest.approx(2 * (half - least), abs=0.11)
    assert by_name["C"].open
    assert not by_name["A"].open


def test_a_station_is_named_once_and_names_do_not_cover_each_other():
    found = drawn(HERE, HERE, points=[point("S1"), point("S1")])
    assert len(found.stations) == 1
    crowded = drawn(HERE, HERE, points=[point("S1"), point("S2")])
    assert (len(crowded.stations), crowded.left_out) == (1, 1)


def test_all_without_a_result_are_drawn_open():
    assert all(dot.open for dot in drawn(HERE, (40.001, -105.0), points=[point(g_per_t=None)] * 2).dots)


def test_places_and_digs_must_go_together():
    with pytest.raises(ValueError, match="2 digs at 1 places"):
        zone_map(flat_map([HERE]), [point(), point()], in_feet=False, label="x")
