"""How sure is each route's recovery of gold into the concentrate: a point and its interval for each, 0 to 100 % and beyond."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase

# All lengths in units of the viewBox.
WIDTH, LEFT, RIGHT = 360.0, 14.0, 340.0
TOP, LABEL, ROW = 16.0, 20.0, 46.0
# Ratios go on; beyond this the bar ends in an arrow.
MOST = 2.0
LEAST_TOP = 1.0


@dataclass(frozen=True)
class Mark:
    """One route: interval and point, `refused` drawn open, `arrow` the head at an end that runs out of the picture."""

    label: str
    label_y: float
    y: float
    x1: float
    x2: float
    x: float
    refused: bool
    arrow: str

    @property
    def value_in_picture(self) -> bool:
        return self.x <= RIGHT

    @property
    def whole_y1(self) -> float:
        """The line of "all the gold" stands beside the bar only, clear of the words above it."""
        return self.y - 10

    @property
    def whole_y2(self) -> float:
        return self.y + 10


@dataclass(frozen=True)
class Tick:
    x: float
    text: str


@dataclass(frozen=True)
class RecoveryChart:
    marks: Sequence[Mark]
    ticks: Sequence[Tick]
    whole_x: float
    bottom: float
    tick_y: float
    height: float
    description: str
    title: str = gettext_lazy("How sure is each route?")
    width: float = WIDTH
    left: float = LEFT
    right: float = RIGHT

    @property
    def mark_y(self) -> float:
        """Where the short mark of a tick ends below the axis."""
        return self.bottom + 4


def recovery_chart(lines: Sequence) -> RecoveryChart | None:
    """Return the picture of the lines with a figure (each with `short`, `route`, `value` and `interval`); None without any."""
    known = [line for line in lines if line.route.value is not None]
    if not known:
        return None
    top = min(MOST, max([LEAST_TOP, *(line.route.high for line in known)]) * 1.02)
    step = 0.25 if top <= 1.1 else 0.5
    marks = [_mark(line, place, top) for place, line in enumerate(known)]
    bottom = TOP + ROW * len(known)
    said = "; ".join(_told(line) for line in known)
    return RecoveryChart(
        marks=marks,
        ticks=[Tick(_x(n * step, top), f"{100 * n * step:.0f} %") for n in range(int(top / step) + 1)],
        whole_x=_x(1.0, top),
        bottom=bottom,
        tick_y=bottom + 18,
        height=bottom + 26,
        description=f"{said}.",
    )


def _told(line) -> str:
    parts = {"route": line.short, "value": line.value, "interval": line.interval}
    if line.route.refusal:
        return phrase("{route}: {value}, interval {interval}, refused", **parts)
    return phrase("{route}: {value}, interval {interval}", **parts)


def _mark(line, place: int, top: float) -> Mark:
    label_y = TOP + place * ROW + 12
    y = label_y + 16
    low, high = max(line.route.low, 0.0), line.route.high
    x2 = min(_x(high, top), RIGHT)
    arrow = f"{x2 - 6:.1f},{y - 5:.1f} {x2:.1f},{y:.1f} {x2 - 6:.1f},{y + 5:.1f}" if high > top else ""
    return Mark(
        label=line.short,
        label_y=label_y,
        y=y,
        x1=min(_x(low, top), RIGHT),
        x2=x2,
        x=_x(line.route.value, top),
        refused=bool(line.route.refusal),
        arrow=arrow,
    )


def _x(value: float, top: float) -> float:
    return round(LEFT + value / top * (RIGHT - LEFT), 1)
