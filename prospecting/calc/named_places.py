"""Named points as they come out of a file of positions."""

from dataclasses import dataclass
from decimal import Decimal

# The namespace of the GPX 1.1 schema.
GPX_1_1 = "http://www.topografix.com/GPX/1/1"


@dataclass(frozen=True)
class NamedPlace:
    """A point with its name; degrees to six places, as the books keep them."""

    name: str
    latitude: Decimal
    longitude: Decimal


@dataclass(frozen=True)
class PositionFile:
    """What was read. `not_points` are lines, areas and tracks, which no station is; `nameless` points say nothing of any."""

    places: tuple[NamedPlace, ...]
    not_points: int
    nameless: int
