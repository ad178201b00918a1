"""Positions on a flat sketch of some ground: metres east and north, how far that errs, a scale bar, distances.

Source: the WGS 84 ellipsoid, a = 6,378,137 m and 1/f = 298.257223563 (US National Geospatial-Intelligence Agency, Department of
Defense World Geodetic System 1984, NGA.STND.0036; from memory), with the radii of curvature of the ellipsoid's meridian and prime
vertical. Without numpy.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from prospecting.calc.language import phrase_counted
from prospecting.calc.number_words import numeral

EQUATOR_M = 6_378_137.0
FLATTENING = 1 / 298.257223563
ECCENTRICITY_SQUARED = FLATTENING * (2 - FLATTENING)
METRES_PER_FOOT = 0.3048
# Nobody sketches wider ground than this on one sheet; a position farther off is a slip of the pen.
WIDEST_M = 100_000.0


@dataclass(frozen=True)
class FlatPlace:
    """Metres east and north of the sketch's middle."""

    east_m: float
    north_m: float


@dataclass(frozen=True)
class FlatMap:
    """Positions laid flat. `error_m` is the most by which a distance on it can be off because the earth is round."""

    places: tuple[FlatPlace, ...]
    width_m: float
    height_m: float
    error_m: float

    @property
    def is_too_wide(self) -> bool:
        return max(self.width_m, self.height_m) > WIDEST_M


def metres_per_degree(latitude: float) -> tuple[float, float]:
    """Return the metres in a degree of latitude and in one of longitude there, on the WGS 84 ellipsoid.

    Degrees; beyond 90 raises ValueError.

    >>> [round(metres) for metres in metres_per_degree(45)]
    [111132, 78847]
    """
    if not -90 <= latitude <= 90:
        raise ValueError(f"latitude {latitude}: it lies between -90 and 90 degrees.")
    sine, cosine = math.sin(math.radians(latitude)), math.cos(math.radians(latitude))
    flat = 1 - ECCENTRICITY_SQUARED * sine * sine
    meridian = EQUATOR_M * (1 - ECCENTRICITY_SQUARED) / flat**1.5
    across = EQUATOR_M / math.sqrt(flat)
    return math.radians(meridian), math.radians(across * cosine)


def flat_map(positions: Sequence[tuple[float, float]]) -> FlatMap:
    """Return these (latitude, longitude) positions in metres about their middle; none raises ValueError.

    Notes
    -----
    East and north each at the scale of the middle latitude. Off the middle by dy a degree of longitude is longer or shorter by
    tan(latitude) dy / R, which over the width makes the error given: width x half the height x tan / R, and the second order
    in the height besides. Longitudes are taken the short way round, also across the date line.
    """
    if not positions:
        raise ValueError("No position to lay flat.")
    latitudes = [latitude for latitude, _ in positions]
    middle = (min(latitudes) + max(latitudes)) / 2
    first = positions[0][1]
    turned = [(longitude - first + 180) % 360 - 180 for _, longitude in positions]
    centre = (min(turned) + max(turned)) / 2
    per_latitude, per_longitude = metres_per_degree(middle)
    places = tuple(
        FlatPlace((east - centre) * per_longitude, (latitude - middle) * per_latitude)
        for latitude, east in zip(latitudes, turned, strict=True)
    )
    width = (max(turned) - min(turned)) * per_longitude
    height = (max(latitudes) - min(latitudes)) * per_latitude
    half = height / 2
    slope = abs(math.tan(math.radians(min(abs(middle), 89.0))))
    error = width * half * slope / EQUATOR_M + (width * half**2 + height**3 + width**3) / EQUATOR_M**2
    return FlatMap(places, width, height, error)


def distance_m(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Return the great-circle distance of two (latitude, longitude) positions in metres on a sphere of the mean radius.

    The haversine formula, R = 6,371,008.8 m (mean radius of WGS 84, from memory); within 0.6 % of the ellipsoid.

    >>> round(distance_m((36.12, -86.67), (33.94, -118.40)) / 1000)
    2886
    """
    (lat_a, lon_a), (lat_b, lon_b) = ([math.radians(angle) for angle in place] for place in (one, other))
    h = (
        math.sin((lat_b - lat_a) / 2) ** 2
        + math.cos(lat_a) * math.cos(lat_b) * math.sin((lon_b - lon_a) / 2) ** 2
    )
    return 2 * 6_371_008.8 * math.asin(min(1.0, math.sqrt(h)))


def round_length(longest: float) -> float:
    """Return the longest of 1, 2 and 5 times a power of ten that is not above `longest`: a scale bar's length.

    >>> round_length(87.0), round_length(0.34), round_length(1200)
    (50.0, 0.2, 1000.0)
    """
    if not longest > 0:
        raise ValueError(f"{longest}: a scale bar has a length.")
    power = 10.0 ** math.floor(math.log10(longest))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= longest * (1 + 1e-12))


def metres_in_feet(metres: float) -> float:
    """Return feet (international, exactly 0.3048 m each; NIST Special Publication 811).

    >>> metres_in_feet(30.48)
    100.0
    """
    return metres / METRES_PER_FOOT


def outline(places: Sequence[FlatPlace]) -> list[FlatPlace]:
    """Return the corners of the smallest band around these places, counter-clockwise (Andrew's monotone chain).

    Two places give a line, one a point.

    >>> square = [FlatPlace(*place) for place in ((0, 0), (2, 0), (1, 1), (2, 2), (0, 2))]
    >>> len(outline(square))
    4
    """
    ordered = sorted({(place.east_m, place.north_m) for place in places})
    if len(ordered) < 3:
        return [FlatPlace(*place) for place in ordered]
    halves = []
    for way in (ordered, ordered[::-1]):
        half: list[tuple[float, float]] = []
        for place in way:
            while len(half) > 1 and _turn(half[-2], half[-1], place) <= 0:
                half.pop()
            half.append(place)
        halves.append(half[:-1])
    return [FlatPlace(*place) for place in halves[0] + halves[1]]


def _turn(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def length_text(metres: float, *, in_feet: bool) -> str:
    """Return a length on the ground in words, two figures.

    >>> length_text(1234.0, in_feet=False), length_text(30.48, in_feet=True), length_text(0.004, in_feet=False)
    ('1.2 km', '100 ft', '0.004 m')
    """
    if in_feet:
        feet = metres_in_feet(metres)
        if feet >= 5280:
            figure = _two_figures(feet / 5280)
            return phrase_counted("{number} mile", "{number} miles", 1 if figure == "1" else 2, number=figure)
        return f"{_two_figures(feet)} ft"
    return f"{_two_figures(metres / 1000)} km" if metres >= 1000 else f"{_two_figures(metres)} m"


def _two_figures(number: float) -> str:
    if number == 0:
        return "0"
    return (
        numeral(number, ".2g")
        if 0.001 <= number < 99.5
        else numeral(round(number, 1 - math.floor(math.log10(number))), ".5g")
    )
