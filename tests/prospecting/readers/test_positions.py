import json
from decimal import Decimal

import pytest

from prospecting.readers.positions import MOST_PLACES, read_positions


def geojson(*features, **more) -> bytes:
    return json.dumps({"type": "FeatureCollection", "features": features} | more).encode()


def point(name, longitude, latitude, key: str = "name") -> dict:
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [longitude, latitude]},
        "properties": {key: name},
    }


def gpx(body: str, head: str = "") -> bytes:
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{head}<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" '
        f'creator="a receiver">{body}</gpx>'
    ).encode()


def test_geojson_gives_longitude_first():
    # RFC 7946, section 3.1.1: longitude, latitude, and an altitude that is not read.
    file = read_positions(geojson(point(" S1 ", -98.7640004, 12.3455), point("S2", -98.8, 12.4, "station")))
    assert [(place.name, place.latitude, place.longitude) for place in file.places] == [
        ("S1", Decimal("12.345500"), Decimal("-98.764000")),
        ("S2", Decimal("12.400000"), Decimal("-98.800000")),
    ]


def test_lines_and_nameless_points_are_counted_not_read():
    line = {
        "type": "Feature",
        "geometry": {"type": "LineString", "coordinates": [[1, 2], [3, 4]]},
        "properties": {},
    }
    none = {"type": "Feature", "geometry": None, "properties": {"name": "x"}}
    file = read_positions(geojson(point("S1", 1, 2), point("", 1, 2), line, none))
    assert (len(file.places), file.not_points, file.nameless) == (1, 2, 1)


def test_gpx_gives_waypoints_and_counts_tracks():
    body = (
        '<wpt lat="12.3455" lon="-98.764"><ele>812</ele><name>S1</name><desc>x</desc></wpt>'
        '<wpt lat="1" lon="2"/><trk><name>walk</name><trkseg><trkpt lat="1" lon="2"><name>no</name></trkpt></trkseg></trk>'
    )
    file = read_positions(gpx(body))
    assert [(place.name, place.latitude) for place in file.places] == [("S1", Decimal("12.345500"))]
    assert (file.not_points, file.nameless) == (1, 1)


def test_a_name_in_pieces_is_read_whole():
    assert (
        read_positions(gpx('<wpt lat="1" lon="2"><name>A &amp;\n  B<![CDATA[ <c>]]></name></wpt>'))
        .places[0]
        .name
        == "A & B <c>"
    )


BOMB = '<!DOCTYPE gpx [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "neither GeoJSON"),
        (b"lat,lon\n1,2", "neither GeoJSON"),
        (b"PK\x03\x04", "neither GeoJSON"),
        (b"{", "not whole"),
        (b"[" * 100_000, "not whole"),
        (b'{"type": "Point", "coordinates": [1, 2]}', "FeatureCollection"),
        (b"[1, 2]", "FeatureCollection"),
        (b"{\xff}", "UTF-8"),
        (geojson(), "no point with a name"),
        (geojson(point("S1", 1, 95)), "latitude lies beyond 90"),
        (geojson(point("S1", 181, 5)), "longitude lies beyond 180"),
        (geojson(point("S1", "east", 5)), "longitude is no number"),
        (geojson(point("S1", True, 5)), "longitude is no number"),
        (geojson(point("S1", None, 5)), "longitude is no number"),
        (geojson(point("S1", "NaN", 5)), "longitude is no number"),
        (
            b'{"type":"FeatureCollection","features":[{"geometry":{"type":"Point","coordinates":[NaN,1]}}]}',
            "not whole",
        ),
        (geojson({"geometry": {"type": "Point", "coordinates": [1]}}), "no longitude and latitude"),
        (geojson({"geometry": {"type": "Point"}}), "no longitude and latitude"),
        (geojson("x", 7, None), "no point with a name"),
        (geojson(point("S1", 1, 2), crs={"type": "name"}), "coordinate system of its own"),
        (geojson(*[point("S1", 1, 2)] * (MOST_PLACES + 1)), "more than 5000"),
        (b"<gpx", "not whole"),
        (b'<?xml version="1.0" encoding="klingon"?><gpx/>', "not whole"),
        (b"<html><body/></html>", "not GPX"),
        (gpx('<wpt lat="1" lon="2"><name>S1</name></wpt>', BOMB), "document type or entities"),
        (gpx("", '<!DOCTYPE gpx SYSTEM "file:///etc/passwd">'), "document type or entities"),
        (gpx('<wpt lat="1"><name>S1</name></wpt>'), "longitude is no number"),
        (gpx('<wpt lat="91" lon="2"><name>S1</name></wpt>'), "beyond 90"),
        (gpx('<wpt lat="1e400" lon="2"><name>S1</name></wpt>'), "beyond 90"),
        (gpx('<wpt lat="1" lon="2"/>' * (MOST_PLACES + 1)), "more than 5000"),
        (gpx("<wpt/>&b;"), "not whole"),
    ],
)
def test_what_cannot_be_read_whole_is_refused_with_a_sentence(data, words):
    with pytest.raises(ValueError, match=words):
        read_positions(data)


@pytest.mark.parametrize(
    "data",
    [
        b'{"type": "FeatureCollection", "features": [{"type": "Feature", "geometry": {"type": "Point", "coordinates": '
        b'[1e9999999999999999999, 2]}, "properties": {"name": "S1"}}]}',
        b'<?xml version="1.0" encoding="shift_jis"?><gpx xmlns="http://www.topografix.com/GPX/1/1"></gpx>',
        b'<?xml version="1.0" encoding="utf-7"?><gpx xmlns="http://www.topografix.com/GPX/1/1"></gpx>',
    ],
)
def test_a_number_or_an_encoding_past_all_reading_is_refused_in_our_words(data):
    with pytest.raises(ValueError, match="is not whole|neither|holds no point|begins like"):
        read_positions(data)
