"""Positions of a claim's digs as files (GeoJSON, RFC 7946; GPX 1.1), and what a file of positions would change."""

import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from xml.etree import ElementTree

from prospecting.calc.language import phrase
from prospecting.calc.local_map import distance_m, flat_map, length_text
from prospecting.calc.named_places import GPX_1_1, NamedPlace, PositionFile
from prospecting.models import Claim, Dig


@dataclass(frozen=True)
class StationChange:
    """One station of the file: its place, the digs there, and what becomes of them. `moved_text` says how far any moves."""

    place: NamedPlace
    digs: Sequence[Dig]
    new: int
    same: int
    moved_text: str


@dataclass(frozen=True)
class PositionChanges:
    """What a file would change. `fault` says why it cannot be taken as it is; `unknown` names have no dig on this claim."""

    stations: Sequence[StationChange]
    unknown: Sequence[str]
    fault: str

    @property
    def moves(self) -> int:
        return sum(bool(station.moved_text) for station in self.stations)

    @property
    def changes_nothing(self) -> bool:
        return not any(station.new or station.moved_text for station in self.stations)

    def wanted(self) -> dict[int, tuple[Decimal, Decimal]]:
        """Dig id to the latitude and longitude it shall have."""
        return {
            dig.pk: (station.place.latitude, station.place.longitude)
            for station in self.stations
            for dig in station.digs
        }


def placed_digs(claim: Claim) -> list[Dig]:
    """Standing digs of the claim that have a position."""
    digs = Dig.objects.with_ground().standing().filter(zone__claim=claim, latitude__isnull=False)
    return list(digs.order_by("station", "dug_on", "pk"))


def as_geojson(digs: Sequence[Dig]) -> bytes:
    """Points in WGS 84, longitude first (RFC 7946, sections 3.1.1 and 4)."""
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [float(dig.longitude), float(dig.latitude)]},
            "properties": {
                "name": dig.station,
                "dig": dig.pk,
                "zone": dig.zone.name,
                "claim": dig.zone.claim.name,
                "day": dig.dug_on.isoformat(),
                "depth_m": None if dig.depth_m is None else float(dig.depth_m),
            },
        }
        for dig in digs
    ]
    whole = {"type": "FeatureCollection", "features": features}
    return json.dumps(whole, ensure_ascii=False, indent=1).encode()


def as_gpx(digs: Sequence[Dig]) -> bytes:
    """Waypoints of GPX 1.1, their parts in the order its schema asks for."""
    root = ElementTree.Element("gpx", {"xmlns": GPX_1_1, "version": "1.1", "creator": "prospecting site"})
    for dig in digs:
        point = ElementTree.SubElement(root, "wpt", {"lat": f"{dig.latitude:f}", "lon": f"{dig.longitude:f}"})
        ElementTree.SubElement(point, "name").text = _xml_text(dig.station)
        about = f"Dig {dig.pk}, {dig.dug_on:%Y-%m-%d}, {dig.zone.name}, {dig.zone.claim.name}"
        ElementTree.SubElement(point, "desc").text = _xml_text(about)
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)


def changes_from(file: PositionFile, claim: Claim, *, in_feet: bool) -> PositionChanges:
    """What the file's points would change on this claim's standing digs; names are matched without regard to case."""
    digs: dict[str, list[Dig]] = defaultdict(list)
    for dig in Dig.objects.with_ground().standing().filter(zone__claim=claim).order_by("dug_on", "pk"):
        digs[_key(dig.station)].append(dig)
    named: dict[str, list[NamedPlace]] = defaultdict(list)
    for place in file.places:
        named[_key(place.name)].append(place)
    twice = [
        places[0].name
        for key, places in named.items()
        if key in digs and len({(place.latitude, place.longitude) for place in places}) > 1
    ]
    stations = [_change(places[0], digs[key], in_feet) for key, places in named.items() if key in digs]
    unknown = [places[0].name for key, places in named.items() if key not in digs]
    return PositionChanges(stations, unknown, _fault(twice, stations))


def _change(place: NamedPlace, digs: Sequence[Dig], in_feet: bool) -> StationChange:
    there = (place.latitude, place.longitude)
    before = [(dig.latitude, dig.longitude) for dig in digs if dig.latitude is not None]
    moved = [position for position in before if position != there]
    farthest = max((distance_m(_floats(position), _floats(there)) for position in moved), default=0.0)
    return StationChange(
        place=place,
        digs=digs,
        new=len(digs) - len(before),
        same=len(before) - len(moved),
        moved_text=length_text(farthest, in_feet=in_feet) if moved else "",
    )


def _fault(twice: Sequence[str], stations: Sequence[StationChange]) -> str:
    if twice:
        return phrase(
            "The file gives two places for {stations}. Leave one of them in it and read it again.",
            stations=", ".join(twice[:5]),
        )
    if not stations:
        return phrase("No name in the file is a station where this claim was dug: nothing would change.")
    flat = flat_map([_floats((station.place.latitude, station.place.longitude)) for station in stations])
    if flat.is_too_wide:
        return phrase(
            "The file's stations lie over 100 km apart: a sign or two figures are changed over somewhere. Nothing is taken."
        )
    return ""


def _floats(position: tuple[Decimal, Decimal]) -> tuple[float, float]:
    return float(position[0]), float(position[1])


def _key(name: str) -> str:
    return " ".join(name.split()).casefold()


def _xml_text(text: str) -> str:
    """Without the few signs XML cannot hold at all."""
    return "".join(sign for sign in text if sign >= " " or sign in "\t\n")
