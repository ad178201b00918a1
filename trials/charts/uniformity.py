"""Portions as dots in the order they were cut, with the band that chance alone gives; in multiples of what was expected."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from prospecting.calc.number_words import numeral

WIDTH, HEIGHT = 360.0, 236.0
LEFT, RIGHT, TOP, BOTTOM = 40.0, 352.0, 24.0, 186.0
DOT = 4.0
# What stands this far above the mean is drawn at the edge, with an arrow.
HIGHEST = 6.0
MOST_NUMBERS = 12
STEPS = (0.25, 0.5, 1.0, 2.0)


class Drawn(Protocol):
    """What the picture needs of a portion; values and band in multiples of what was expected."""

    place: int
    label: str
    shown: str
    times: float
    band: tuple[float, float] | None
    is_below: bool


@dataclass(frozen=True)
class Dot:
    x: float
    y: float
    title: str
    is_below: bool
    arrow: str


@dataclass(frozen=True)
class Slot:
    """The band of one portion."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class Mark:
    at: float
    text: str


@dataclass(frozen=True)
class OrderChart:
    """Everything the picture is drawn from, in units of its own frame."""

    dots: Sequence[Dot]
    band: Sequence[Slot]
    numbers: Sequence[Mark]
    scale: Sequence[Mark]
    one_y: float
    title: str
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = RIGHT
    bottom: float = BOTTOM


def order_chart(points: Sequence[Drawn], *, title: str) -> OrderChart | None:
    """Return the picture of these portions; None where none of them has a band or a place in proportion to the others."""
    if not any(point.times for point in points):
        return None
    places = max(point.place for point in points)
    highest = max(max(point.times, point.band[1] if point.band else 0.0) for point in points)
    step = next((step for step in STEPS if min(highest, HIGHEST) / step <= 6), STEPS[-1])
    top = step * max(math.ceil(min(highest, HIGHEST) / step), 1)
    wide = (RIGHT - LEFT) / places

    def x_of(place: int) -> float:
        return round(LEFT + (place - 0.5) * wide, 1)

    def y_of(times: float) -> float:
        return round(BOTTOM - min(times, top) / top * (BOTTOM - TOP), 1)

    every = math.ceil(places / MOST_NUMBERS)
    bands = {point.place: point.band for point in points if point.band}
    return OrderChart(
        dots=[_dot(point, x_of(point.place), y_of(point.times), point.times > top) for point in points],
        band=[
            Slot(
                round(LEFT + (place - 1) * wide, 1),
                y_of(high),
                round(wide, 1),
                round(y_of(low) - y_of(high), 1),
            )
            for place, (low, high) in bands.items()
        ],
        numbers=[Mark(x_of(place), str(place)) for place in range(1, places + 1) if (place - 1) % every == 0],
        scale=[
            Mark(y_of(step * number), numeral(step * number, "g")) for number in range(round(top / step) + 1)
        ],
        one_y=y_of(1.0),
        title=title,
    )


def _dot(point: Drawn, x: float, y: float, is_off: bool) -> Dot:
    arrow = ""
    if point.is_below:
        arrow = f"M{x} {y + DOT}V{y + DOT + 8}M{x - 3} {y + DOT + 5}L{x} {y + DOT + 8}L{x + 3} {y + DOT + 5}"
    elif is_off:
        arrow = f"M{x} {y - DOT}V{y - DOT - 8}M{x - 3} {y - DOT - 5}L{x} {y - DOT - 8}L{x + 3} {y - DOT - 5}"
    return Dot(x, y, f"{point.label}: {point.shown}", point.is_below, arrow)
