import json
from decimal import Decimal
from xml.etree import ElementTree

import pytest

from prospecting.calc.named_places import NamedPlace, PositionFile
from prospecting.frames.positions import as_geojson, as_gpx, changes_from, placed_digs
from prospecting.models import Dig
from prospecting.readers.positions import read_positions
from tests import make

pytestmark = pytest.mark.django_db

HERE = (Decimal("12.345600"), Decimal("-98.764000"))


def dig_at(zone, station: str, position=None) -> Dig:
    dig = make.make_lot(zone=zone, station=station).made_by.dig
    if position:
        dig.latitude, dig.longitude = position
        dig.save()
    return dig


def file_of(*places) -> PositionFile:
    return PositionFile(tuple(NamedPlace(name, *position) for name, position in places), 0, 0)


def test_what_leaves_as_a_file_comes_in():
    zone = make.make_zone(name="Über & <seam>")
    dig_at(zone, "S1", HERE)
    dig_at(zone, 'S"2', (Decimal("-0.000001"), Decimal("179.999999")))
    dig_at(zone, "S3")
    digs = placed_digs(zone.claim)
    assert len(digs) == 2
    for data in (as_geojson(digs), as_gpx(digs)):
        read = read_positions(data)
        assert {(place.name, place.latitude, place.longitude) for place in read.places} == {
            (dig.station, dig.latitude, dig.longitude) for dig in digs
        }
        assert changes_from(read, zone.claim, in_feet=False).changes_nothing


def test_geojson_is_as_the_standard_says():
    # RFC 7946, sections 3.1.1 (longitude first), 3.2, 3.3 and 4 (no crs).
    zone = make.make_zone()
    dig_at(zone, "S1", HERE)
    whole = json.loads(as_geojson(placed_digs(zone.claim)))
    assert set(whole) == {"type", "features"}
    [feature] = whole["features"]
    assert set(feature) == {"type", "geometry", "properties"}
    assert feature["geometry"] == {"type": "Point", "coordinates": [-98.764, 12.3456]}


def test_gpx_is_as_its_schema_says():
    # GPX 1.1 schema: version and creator on the root, lat and lon on a waypoint, name before desc.
    zone = make.make_zone()
    dig_at(zone, "S1", HERE)
    root = ElementTree.fromstring(as_gpx(placed_digs(zone.claim)))
    space = "{http://www.topografix.com/GPX/1/1}"
    assert (root.tag, root.get("version")) == (f"{space}gpx", "1.1")
    assert root.get("creator")
    assert [child.tag for child in root[0]] == [f"{space}name", f"{space}desc"]
    assert (root[0].get("lat"), root[0].get("lon")) == ("12.345600", "-98.764000")


def test_voided_digs_and_other_claims_stay_out():
    zone = make.make_zone()
    other = dig_at(make.make_zone(), "S1", HERE)
    assert placed_digs(zone.claim) == []
    changes = changes_from(file_of(("S1", HERE)), zone.claim, in_feet=False)
    assert "No name in the file" in changes.fault
    assert changes_from(file_of(("S1", HERE)), other.zone.claim, in_feet=False).changes_nothing


def test_every_dig_at_a_station_gets_its_place_and_moves_are_told():
    zone = make.make_zone()
    dig_at(zone, "s1")
    moved = dig_at(zone, "S1", (HERE[0] + Decimal("0.001"), HERE[1]))
    same = dig_at(zone, "S1", HERE)
    found = changes_from(file_of(("  S1", HERE), ("camp", HERE)), zone.claim, in_feet=False)
    [station] = found.stations
    assert (station.new, station.same) == (1, 1)
    # A thousandth of a degree of latitude: 110.6 m on the ellipsoid, 111.2 m on the sphere of the mean radius.
    assert station.moved_text == "110 m"
    assert found.unknown == ["camp"]
    assert found.moves == 1
    assert found.wanted()[moved.pk] == found.wanted()[same.pk] == HERE


def test_one_name_at_two_places_is_refused_but_twice_the_same_is_not():
    zone = make.make_zone()
    dig_at(zone, "S1")
    assert changes_from(file_of(("S1", HERE), ("s1", HERE)), zone.claim, in_feet=False).fault == ""
    there = (HERE[0], Decimal("-98.7"))
    assert (
        "two places for S1"
        in changes_from(file_of(("S1", HERE), ("S1", there)), zone.claim, in_feet=False).fault
    )


def test_stations_a_continent_apart_are_refused():
    zone = make.make_zone()
    dig_at(zone, "S1")
    dig_at(zone, "S2")
    flipped = (HERE[0], -HERE[1])
    found = changes_from(file_of(("S1", HERE), ("S2", flipped)), zone.claim, in_feet=False)
    assert "over 100 km apart" in found.fault
