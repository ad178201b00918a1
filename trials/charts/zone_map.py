"""A sketch of where a claim was dug: positions in metres in, symbols, outlines, scale bar and north arrow out. No tiles."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from prospecting.calc.local_map import FlatMap, FlatPlace, metres_in_feet, outline, round_length
from prospecting.calc.number_words import numeral

WIDTH, MARGIN, FOOT = 360, 34, 46
TALLEST, SHORTEST = 420, 150
SMALLEST, LARGEST = 4.0, 15.0
LABEL_HEIGHT, LABEL_SIGN = 13, 7.2
# Closer together than this nobody sees how wide the ground is: some metres stand for it.
LEAST_M = 10.0


@dataclass(frozen=True)
class MapDot:
    """One dig's symbol; `stripe` of its zone, `open` where nothing of its own is known or all lies below a limit."""

    x: str
    y: str
    size: str
    stripe: str
    open: bool
    title: str


@dataclass(frozen=True)
class Station:
    x: str
    y: str
    text: str
    anchor: str


@dataclass(frozen=True)
class ZoneOutline:
    stripe: str
    path: str
    name: str


@dataclass(frozen=True)
class ZoneMap:
    dots: Sequence[MapDot]
    stations: Sequence[Station]
    outlines: Sequence[ZoneOutline]
    bar_length: str
    bar_text: str
    label: str
    height: int
    left_out: int
    width: int = WIDTH
    margin: int = MARGIN

    @property
    def bar_y(self) -> int:
        return self.height - 14

    @property
    def north_y(self) -> int:
        """Beside the bar, where no dig stands."""
        return self.height - 44

    @property
    def north_x(self) -> int:
        return self.width - 22


@dataclass(frozen=True)
class MapPoint:
    """A dig as the sketch needs it."""

    zone: str
    stripe: str
    station: str
    g_per_t: float | None
    is_below: bool
    words: str


def zone_map(flat: FlatMap, points: Sequence[MapPoint], *, in_feet: bool, label: str) -> ZoneMap:
    """Return the sketch of these digs, `points` in the order of `flat.places`; north is up."""
    if len(flat.places) != len(points):
        raise ValueError(f"{len(points)} digs at {len(flat.places)} places.")
    wide, high = max(flat.width_m, LEAST_M), max(flat.height_m, LEAST_M)
    inside = WIDTH - 2 * MARGIN
    per_m = min(inside / wide, (TALLEST - 2 * MARGIN) / high)
    height = max(SHORTEST, round(high * per_m) + 2 * MARGIN)
    middle_x, middle_y = WIDTH / 2, height / 2

    def at(place: FlatPlace) -> tuple[float, float]:
        return middle_x + place.east_m * per_m, middle_y - place.north_m * per_m

    spots = [at(place) for place in flat.places]
    richest = max((point.g_per_t for point in points if point.g_per_t and not point.is_below), default=0.0)
    dots = [_dot(spot, point, richest) for spot, point in zip(spots, points, strict=True)]
    # The large ones first, so that none is hidden under another.
    dots.sort(key=lambda dot: -float(dot.size))
    stations, left_out = _stations(spots, points)
    bar_m, bar_text = _scale_bar(inside / 2 / per_m, in_feet)
    return ZoneMap(
        dots=dots,
        stations=stations,
        outlines=_outlines(flat, points, at),
        bar_length=f"{bar_m * per_m:.1f}",
        bar_text=bar_text,
        label=label,
        height=height + FOOT,
        left_out=left_out,
    )


def _dot(spot: tuple[float, float], point: MapPoint, richest: float) -> MapDot:
    known = point.g_per_t is not None and not point.is_below
    # With the root, so that it is the area that is compared.
    share = math.sqrt(point.g_per_t / richest) if known and richest else 0.0
    return MapDot(
        x=f"{spot[0]:.1f}",
        y=f"{spot[1]:.1f}",
        size=f"{SMALLEST + (LARGEST - SMALLEST) * share:.1f}",
        stripe=point.stripe,
        open=not known,
        title=f"{point.station}, {point.zone}: {point.words}",
    )


def _stations(spots, points: Sequence[MapPoint]) -> tuple[list[Station], int]:
    """Each station's name once, beside its first dig, where it covers no other; and how many found no room."""
    taken: list[tuple[float, float, float]] = []
    found, left_out = [], 0
    for name in dict.fromkeys(point.station for point in points):
        x, y = next(spot for spot, point in zip(spots, points, strict=True) if point.station == name)
        text = name[:14]
        long = len(text) * LABEL_SIGN
        to_left = x + LARGEST + long > WIDTH
        start = x - LARGEST - 2 - long if to_left else x + LARGEST + 2
        if any(
            abs(y - other) < LABEL_HEIGHT and start < end and start + long > begin
            for begin, end, other in taken
        ):
            left_out += 1
            continue
        taken.append((start, start + long, y))
        edge = start + long if to_left else start
        found.append(Station(f"{edge:.1f}", f"{y + 4:.1f}", text, "end" if to_left else "start"))
    return found, left_out


def _outlines(flat: FlatMap, points: Sequence[MapPoint], at) -> list[ZoneOutline]:
    """Around the digs of each zone, where there are two or more: what was dug, not where the zone ends."""
    found = []
    for zone in dict.fromkeys(point.zone for point in points):
        own = [place for place, point in zip(flat.places, points, strict=True) if point.zone == zone]
        corners = [at(corner) for corner in outline(own)]
        if len(corners) > 1:
            stripe = next(point.stripe for point in points if point.zone == zone)
            path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in corners) + "Z"
            found.append(ZoneOutline(stripe, path, zone))
    return found


def _scale_bar(longest_m: float, in_feet: bool) -> tuple[float, str]:
    """The bar's length in metres and its words, round in the reader's unit."""
    if in_feet:
        feet = round_length(metres_in_feet(longest_m))
        return feet * (longest_m / metres_in_feet(longest_m)), f"{numeral(feet, 'g')} ft"
    metres = round_length(longest_m)
    return metres, f"{numeral(metres / 1000, 'g')} km" if metres >= 1000 else f"{numeral(metres, 'g')} m"
