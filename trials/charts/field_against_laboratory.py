"""Pans over assays on logarithmic axes: a lot as a dot, chance as bars both ways, lines where both agree and most lots lie."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from prospecting.calc.number_words import numeral
from prospecting.charts.tick import Tick
from trials.charts.verdict import log_ticks

# All lengths in units of the viewBox; the plot is square, so that equal ratios are equal distances both ways.
WIDTH, HEIGHT = 360.0, 366.0
LEFT, RIGHT, TOP, BOTTOM = 50.0, 350.0, 22.0, 322.0
DOT = 4.0
ARROW, WING = 11.0, 3.0
# Bars reach no further than this many times beyond the outermost mark.
LONGEST_REACH = 1.5


class Drawn(Protocol):
    """What the picture needs of a pair: where it stands, its bars, and the way it goes where it stands at a limit."""

    assayed: float
    panned: float
    assayed_bar: tuple[float, float] | None
    panned_bar: tuple[float, float] | None
    assayed_way: str
    panned_way: str
    is_flagged: bool
    title: str


@dataclass(frozen=True)
class Line:
    x1: float
    y1: float
    x2: float
    y2: float


@dataclass(frozen=True)
class Mark:
    """A pair: its dot, its bars, and arrows (paths) to the side where its truth lies."""

    x: float
    y: float
    bars: Sequence[Line]
    arrows: Sequence[str]
    is_flagged: bool
    title: str

    @property
    def is_open(self) -> bool:
        return bool(self.arrows)

    @property
    def corner(self) -> tuple[float, float]:
        return round(self.x - DOT, 1), round(self.y - DOT, 1)


@dataclass(frozen=True)
class AgreementPlot:
    """Everything the picture is drawn from. `alike` is where panned and assayed are one, `usual` the apparent recovery over the
    lots, `limits` where most single lots lie between, `fitted` the line with errors on both sides; None where there is none."""

    marks: Sequence[Mark]
    across: Sequence[Tick]
    upward: Sequence[Tick]
    alike: Line | None
    usual: Line | None
    limits: Sequence[Line]
    fitted: Line | None
    unit: str
    dot: float = DOT
    side: float = 2 * DOT
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    bottom: float = BOTTOM

    @property
    def span_x(self) -> float:
        return self.right - self.left

    @property
    def span_y(self) -> float:
        return self.bottom - self.top

    @property
    def has_limit(self) -> bool:
        return any(mark.is_open for mark in self.marks)

    @property
    def has_bars(self) -> bool:
        return any(mark.bars for mark in self.marks)

    @property
    def has_flagged(self) -> bool:
        return any(mark.is_flagged for mark in self.marks)


def agreement_plot(
    points: Sequence[Drawn],
    *,
    unit: str,
    ratio: float | None = None,
    limits: tuple[float, float] | None = None,
    line: tuple[float, float] | None = None,
) -> AgreementPlot | None:
    """Return the picture; None where no pair has a place on it.

    `ratio` and `limits` are panned over assayed; `line` is intercept and slope of log10(panned in g/t) over log10(assayed in
    g/t), already in the unit of the points.
    """
    placed = [point for point in points if point.assayed > 0 and point.panned > 0]
    if not placed:
        return None
    low, high = _range(placed)

    def x_of(value: float) -> float:
        return round(LEFT + _part(value, low, high) * (RIGHT - LEFT), 1)

    def y_of(value: float) -> float:
        return round(BOTTOM - _part(value, low, high) * (BOTTOM - TOP), 1)

    def along(intercept: float, slope: float) -> Line | None:
        """A line in logarithms, cut off at the frame."""
        ends = _inside(intercept, slope, math.log10(low), math.log10(high))
        if ends is None:
            return None
        (x1, y1), (x2, y2) = ends
        return Line(x_of(10**x1), y_of(10**y1), x_of(10**x2), y_of(10**y2))

    ticks = log_ticks(low, high, RIGHT - LEFT)
    beside = [along(math.log10(each), 1.0) for each in limits] if limits else []
    return AgreementPlot(
        # What is told of above comes last, on top of the others.
        marks=[_mark(point, x_of, y_of) for point in sorted(placed, key=lambda point: point.is_flagged)],
        across=[Tick(x_of(value), numeral(value, "g")) for value in ticks],
        upward=[Tick(y_of(value), numeral(value, "g")) for value in ticks],
        alike=along(0.0, 1.0),
        usual=along(math.log10(ratio), 1.0) if ratio else None,
        limits=[each for each in beside if each is not None],
        fitted=along(*line) if line else None,
        unit=unit,
    )


def _range(points: Sequence[Drawn]) -> tuple[float, float]:
    """One range for both axes."""
    values = [value for point in points for value in (point.assayed, point.panned)]
    low, high = min(values), max(values)
    bars = [bar for point in points for bar in (point.assayed_bar, point.panned_bar) if bar]
    low = min([low, *(max(start, low / LONGEST_REACH) for start, _ in bars)])
    high = max([high, *(min(end, high * LONGEST_REACH) for _, end in bars)])
    return low / 1.3, high * 1.3


def _part(value: float, low: float, high: float) -> float:
    value = min(max(value, low), high)
    return (math.log(value) - math.log(low)) / (math.log(high) - math.log(low))


def _inside(intercept: float, slope: float, low: float, high: float):
    """The ends of y = intercept + slope x within low to high both ways; None where it passes outside."""
    ends = {(x, intercept + slope * x) for x in (low, high)}
    if slope:
        ends |= {((y - intercept) / slope, y) for y in (low, high)}
    close = 1e-9
    kept = sorted(end for end in ends if all(low - close <= coordinate <= high + close for coordinate in end))
    return (kept[0], kept[-1]) if len(kept) > 1 else None


def _mark(point: Drawn, x_of, y_of) -> Mark:
    x, y = x_of(point.assayed), y_of(point.panned)
    bars = []
    if point.assayed_bar:
        bars.append(Line(x_of(point.assayed_bar[0]), y, x_of(point.assayed_bar[1]), y))
    if point.panned_bar:
        bars.append(Line(x, y_of(point.panned_bar[0]), x, y_of(point.panned_bar[1])))
    arrows = []
    if point.panned_way:
        arrows.append(_arrow(x, y, 0, 1 if point.panned_way == "below" else -1))
    if point.assayed_way:
        arrows.append(_arrow(x, y, -1 if point.assayed_way == "below" else 1, 0))
    return Mark(x, y, bars, arrows, point.is_flagged, point.title)


def _arrow(x: float, y: float, right: int, down: int) -> str:
    """From the rim of the dot outward, with two wings."""
    start, tip, neck = DOT, DOT + ARROW, DOT + ARROW - WING - 1

    def at(far: float, aside: float) -> str:
        return f"{x + right * far + down * aside:.1f} {y + down * far + right * aside:.1f}"

    return f"M{at(start, 0)}L{at(tip, 0)}M{at(neck, -WING)}L{at(tip, 0)}L{at(neck, WING)}"
