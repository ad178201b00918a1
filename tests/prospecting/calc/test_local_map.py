import math

import pytest

from prospecting.calc.local_map import (
    FlatMap,
    FlatPlace,
    distance_m,
    flat_map,
    length_text,
    metres_per_degree,
    outline,
    round_length,
)


# Lengths of a degree of latitude and longitude on WGS 84, as printed in the table of the article "Geographic coordinate system"
# and in the US National Geospatial-Intelligence Agency's calculator of degree lengths (from memory).
@pytest.mark.parametrize(
    ("latitude", "of_latitude", "of_longitude"),
    [
        (0, 110_574, 111_320),
        (15, 110_649, 107_550),
        (30, 110_852, 96_486),
        (45, 111_132, 78_847),
        (60, 111_412, 55_800),
    ],
)
def test_metres_in_a_degree_are_those_of_the_tables(latitude, of_latitude, of_longitude):
    north, east = metres_per_degree(latitude)
    assert north == pytest.approx(of_latitude, abs=1)
    assert east == pytest.approx(of_longitude, abs=1)


def test_the_pole_has_no_width_and_beyond_is_refused():
    assert metres_per_degree(90)[1] == pytest.approx(0, abs=1e-6)
    with pytest.raises(ValueError, match="between -90 and 90"):
        metres_per_degree(91)


@pytest.mark.parametrize("latitude", [-60, -12.35, 0, 35, 64])
def test_distances_on_the_sketch_agree_with_the_great_circle(latitude):
    # The sphere itself is off the ellipsoid by up to 0.6 % (flattening 1/298.257 over a degree of latitude).
    one, other = (latitude, 20.0), (latitude + 0.004, 20.006)
    flat = flat_map([one, other])
    a, b = flat.places
    on_sketch = math.hypot(a.east_m - b.east_m, a.north_m - b.north_m)
    assert on_sketch == pytest.approx(distance_m(one, other), rel=0.007)


def test_the_known_distance_of_the_haversine_formula():
    # Nashville to Los Angeles airports, 2887.26 km with R 6372.8 km: the worked example of the open Rosetta Code collection (from
    # memory), scaled to the radius used here.
    metres = distance_m((36.12, -86.67), (33.94, -118.40))
    assert metres == pytest.approx(2_887_260 * 6_371.0088 / 6_372.8, rel=1e-5)


@pytest.mark.parametrize("latitude", [5, 40, 65])
@pytest.mark.parametrize("size", [0.005, 0.02, 0.1])
def test_the_stated_error_holds(latitude, size):
    """Against great circles about the middle on a sphere whose radii are those of the ellipsoid there, at the far corners."""
    north, east = metres_per_degree(latitude + size / 2)
    corners = [
        (latitude, 10.0),
        (latitude, 10.0 + size),
        (latitude + size, 10.0),
        (latitude + size, 10.0 + size),
    ]
    flat = flat_map(corners)
    low_a, low_b, high_a, high_b = flat.places
    for pair, at in (((low_a, low_b), latitude), ((high_a, high_b), latitude + size)):
        drawn = abs(pair[0].east_m - pair[1].east_m)
        true = metres_per_degree(at)[1] * size
        assert abs(drawn - true) <= flat.error_m
    assert flat.width_m == pytest.approx(east * size)
    assert flat.height_m == pytest.approx(north * size)


def test_small_ground_is_nearly_exact():
    assert flat_map([(40.0, -105.0), (40.003, -105.004)]).error_m < 0.02


def test_across_the_date_line_is_the_short_way():
    flat = flat_map([(10.0, 179.999), (10.0, -179.999)])
    assert flat.width_m == pytest.approx(0.002 * metres_per_degree(10)[1], rel=1e-6)


def test_ground_too_wide_to_be_true_is_told():
    assert flat_map([(12.3, -98.7), (12.3, 98.7)]).is_too_wide
    assert not flat_map([(12.3, -98.7)]).is_too_wide


def test_nothing_to_lay_flat_is_refused():
    with pytest.raises(ValueError, match="No position"):
        flat_map([])


@pytest.mark.parametrize("longest", [0.013, 0.99, 1.0, 4.99, 5, 731, 20_000])
def test_a_scale_bar_is_round_and_not_too_long(longest):
    length = round_length(longest)
    assert longest / 2.5 <= length <= longest * (1 + 1e-9)
    assert f"{length:.0e}"[0] in "125"


def test_an_outline_leaves_out_what_lies_inside_or_on_a_side():
    places = [FlatPlace(*place) for place in [(0, 0), (4, 0), (4, 3), (0, 3), (2, 1), (2, 0), (0, 0)]]
    assert {(place.east_m, place.north_m) for place in outline(places)} == {(0, 0), (4, 0), (4, 3), (0, 3)}
    assert len(outline([FlatPlace(1, 1)])) == 1
    assert len(outline([FlatPlace(0, 0), FlatPlace(1, 1), FlatPlace(2, 2)])) == 2


def test_lengths_are_written_in_the_readers_unit():
    assert length_text(345.0, in_feet=False) == "340 m"
    assert length_text(99.6, in_feet=False) == "100 m"
    assert length_text(30.47, in_feet=True) == "100 ft"
    assert length_text(3048.0, in_feet=True) == "1.9 miles"
    # 1 mile = 1,609.344 m (NIST Special Publication 811, appendix B.8).
    assert length_text(1609.344, in_feet=True) == "1 mile"
    assert length_text(0.0, in_feet=True) == "0 ft"


@pytest.mark.parametrize("longest", [0, -1.0, math.nan])
def test_nothing_has_no_scale_bar(longest):
    with pytest.raises(ValueError, match="a scale bar has a length"):
        round_length(longest)


def test_the_south_pole_is_a_place_and_beyond_it_is_none():
    assert metres_per_degree(-90)[1] == pytest.approx(0, abs=1e-6)
    with pytest.raises(ValueError, match="between -90 and 90"):
        metres_per_degree(-90.001)


@pytest.mark.parametrize(
    ("side_m", "is_too_wide"), [(99_999.9, False), (100_000.0, False), (100_000.1, True)]
)
def test_a_sketch_is_too_wide_beyond_a_hundred_kilometres_either_way(side_m, is_too_wide):
    assert FlatMap((), side_m, 1.0, 0.0).is_too_wide is is_too_wide
    assert FlatMap((), 1.0, side_m, 0.0).is_too_wide is is_too_wide


@pytest.mark.parametrize(
    ("metres", "in_feet", "text"),
    [
        # Halfway between 99 and 100, two figures are 100, and no power of ten.
        (99.4, False, "99 m"),
        (99.5, False, "100 m"),
        (0.001, False, "0.001 m"),
        (999.4, False, "1000 m"),
        (1000, False, "1 km"),
        # A statute mile has 5280 international feet of 0.3048 m (NIST Special Publication 811).
        (5280 * 0.3048 - 0.1, True, "5300 ft"),
        (5280 * 0.3048, True, "1 mile"),
    ],
)
def test_a_length_changes_its_unit_where_the_larger_one_begins(metres, in_feet, text):
    assert length_text(metres, in_feet=in_feet).removesuffix("s") == text
