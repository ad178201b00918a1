"""Named positions out of a GeoJSON (RFC 7946) or GPX 1.1 file: text in, plain rows out, nonsense refused with a sentence.

GPX is read by expat itself, which refuses here whatever declares a document type or an entity: nothing in the file can grow or
reach out. Names of elements: GPX 1.1 schema (topografix.com/GPX/1/1); from memory.
"""

import json
from decimal import Decimal, InvalidOperation
from xml.parsers import expat

from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.named_places import GPX_1_1, NamedPlace, PositionFile

MOST_PLACES = 5000
LONGEST_NAME = 80
# Under which of its properties a point's name may stand, the first that is there.
NAMES = ("station", "name", "Name", "title")
STEP = Decimal("0.000001")


class Refusal(ValueError):
    """A sentence of this reader, raised while another one's parser is at work."""


def read_positions(data: bytes) -> PositionFile:
    """Return the named points of a file; raises ValueError with a sentence for anything that cannot be read whole."""
    text = data.lstrip(b"\xef\xbb\xbf \t\r\n")
    if text[:1] in (b"{", b"["):
        found = _from_geojson(text)
    elif text[:1] == b"<":
        found = _from_gpx(text)
    else:
        raise ValueError(
            phrase("This is neither GeoJSON (it would begin with {) nor GPX (it would begin with <).")
        )
    if not found.places:
        raise ValueError(
            phrase("The file holds no point with a name. A station is a waypoint named as on its flagging.")
        )
    return found


def _from_geojson(data: bytes) -> PositionFile:
    try:
        whole = json.loads(data.decode("utf-8"), parse_float=Decimal, parse_constant=_no_number)
    except UnicodeDecodeError:
        raise ValueError(phrase("The file is not in UTF-8, as GeoJSON is.")) from None
    # A number too large for a decimal is an arithmetic error, no ValueError.
    except (ValueError, RecursionError, InvalidOperation):
        raise ValueError(
            phrase("The file begins like GeoJSON but is not whole: it cannot be read.")
        ) from None
    features = whole.get("features") if isinstance(whole, dict) else None
    if not isinstance(features, list) or whole.get("type") != "FeatureCollection":
        raise ValueError(phrase('The file holds no "FeatureCollection" of points.'))
    if "crs" in whole:
        raise ValueError(
            phrase(
                "The file names a coordinate system of its own. GeoJSON is WGS 84, longitude first: write it out so."
            )
        )
    _not_too_many(len(features))
    places, not_points, nameless = [], 0, 0
    for number, feature in enumerate(features, start=1):
        geometry = feature.get("geometry") if isinstance(feature, dict) else None
        if not isinstance(geometry, dict) or geometry.get("type") != "Point":
            not_points += 1
            continue
        name = _name_in(feature.get("properties"))
        corner = geometry.get("coordinates")
        if not isinstance(corner, list) or len(corner) < 2:
            raise ValueError(phrase("Point {number} has no longitude and latitude.", number=number))
        place = _place(name or phrase("point {number}", number=number), corner[1], corner[0])
        if name:
            places.append(place)
        else:
            nameless += 1
    return PositionFile(tuple(places), not_points, nameless)


def _no_number(text: str) -> None:
    raise ValueError(f"{text} is no number.")


def _name_in(properties: object) -> str:
    if not isinstance(properties, dict):
        return ""
    given = (properties.get(key) for key in NAMES)
    return _one_line(
        next((str(name) for name in given if isinstance(name, str | int) and str(name).strip()), "")
    )


class _Waypoints:
    """What expat tells of a GPX file, gathered: waypoints with their names."""

    def __init__(self) -> None:
        self.points: list[list] = []
        self.not_points = 0
        self.path: list[str] = []
        self.is_gpx = False
        self.faults: list[str] = []

    def start(self, name: str, attributes: dict[str, str]) -> None:
        namespace, _, local = name.rpartition(" ")
        if not self.path:
            self.is_gpx = local == "gpx" and namespace in (GPX_1_1, "")
        self.path.append(local)
        if self.path == ["gpx", "wpt"]:
            _not_too_many(len(self.points) + 1)
            self.points.append(["", attributes.get("lat"), attributes.get("lon")])
        elif self.path in (["gpx", "trk"], ["gpx", "rte"]):
            self.not_points += 1

    def end(self, _: str) -> None:
        self.path.pop()

    def text(self, text: str) -> None:
        if self.path == ["gpx", "wpt", "name"] and len(self.points[-1][0]) < 4 * LONGEST_NAME:
            self.points[-1][0] += text


def _from_gpx(data: bytes) -> PositionFile:
    seen = _Waypoints()
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.StartElementHandler, parser.EndElementHandler = seen.start, seen.end
    parser.CharacterDataHandler = seen.text
    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = _no_declarations
    parser.ExternalEntityRefHandler = _no_declarations
    try:
        parser.Parse(data, True)
    except Refusal:
        raise
    # Encodings that expat or Python won't have come as errors of several kinds, in words of their own.
    except (expat.ExpatError, LookupError, ValueError):
        raise ValueError(phrase("The file begins like GPX but is not whole: it cannot be read.")) from None
    if not seen.is_gpx:
        raise ValueError(phrase("The file is XML, but not GPX 1.1."))
    places, nameless = [], 0
    for number, (text, latitude, longitude) in enumerate(seen.points, start=1):
        name = _one_line(text)
        place = _place(name or phrase("waypoint {number}", number=number), latitude, longitude)
        if name:
            places.append(place)
        else:
            nameless += 1
    return PositionFile(tuple(places), seen.not_points, nameless)


def _no_declarations(*_: object) -> None:
    raise Refusal(
        phrase("The file declares a document type or entities, which no GPX file needs: it is not read.")
    )


def _not_too_many(number: int) -> None:
    if number > MOST_PLACES:
        raise Refusal(
            phrase("The file holds more than {most} points. Send the stations only.", most=MOST_PLACES)
        )


def _place(name: str, latitude: object, longitude: object) -> NamedPlace:
    degrees = []
    for value, most, what in (
        (latitude, 90, to_phrase("latitude")),
        (longitude, 180, to_phrase("longitude")),
    ):
        try:
            # A truth value is a kind of number here, and is none.
            if isinstance(value, bool) or not isinstance(value, str | int | Decimal):
                raise InvalidOperation
            number = Decimal(value.strip() if isinstance(value, str) else value)
            if not number.is_finite():
                raise InvalidOperation
        except InvalidOperation:
            raise ValueError(
                phrase("{name}: its {what} is no number.", name=name, what=phrase(what))
            ) from None
        if abs(number) > most:
            raise ValueError(
                phrase(
                    "{name}: its {what} lies beyond {most} degrees. Are the two changed over?",
                    name=name,
                    what=phrase(what),
                    most=most,
                )
            )
        degrees.append(number.quantize(STEP))
    return NamedPlace(name, *degrees)


def _one_line(text: str) -> str:
    kept = "".join(sign if sign.isprintable() else " " for sign in text)
    return " ".join(kept.split())[:LONGEST_NAME]
