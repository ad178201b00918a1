"""The small picture of one outcome: a dot for each run, a row for each treatment, on a logarithmic or an even scale."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from trials.charts.axis import FootAxis
from trials.charts.verdict import log_ticks, shortened, spread_dots

# All lengths in units of the viewBox.
WIDTH, LEFT, RIGHT = 360.0, 12.0, 348.0
# Where runs without a place on a logarithmic axis stand (below the scale, no colour).
GUTTER = 52.0
TOP, LABEL_DROP, DOTS_DROP, ROW_GAP = 6.0, 13.0, 25.0, 9.0
DOT_RADIUS = 3.4
AXIS_HEIGHT = 42.0
MOST_TICKS = 6
# Room at the ends of an even axis for the figures under it.
PAD = 12.0


@dataclass(frozen=True)
class DotRow:
    """One treatment to be drawn; `below` counts runs without a place on the axis, `middle` is marked by an upright stroke."""

    label: str
    values: Sequence[float] = ()
    below: int = 0
    middle: float | None = None


@dataclass(frozen=True)
class Spot:
    x: float
    y: float
    is_open: bool = False


@dataclass(frozen=True)
class DrawnDots:
    label: str
    label_y: float
    dots: list[Spot]
    middle_x: float | None
    top_y: float
    end_y: float
    note: str


@dataclass(frozen=True)
class Tick:
    x: float
    text: str


@dataclass(frozen=True)
class DotChart(FootAxis):
    """Coordinates of the whole picture in units of its own; `name` makes the marks of several pictures of a page differ."""

    name: str
    rows: list[DrawnDots]
    ticks: list[Tick]
    left: float
    bottom: float
    below_x: float | None
    below_text: str
    caption: str
    title: str
    description: str
    width: float = WIDTH
    right: float = RIGHT
    dot_radius: float = DOT_RADIUS
    caption_x: float = WIDTH / 2

    @property
    def height(self) -> float:
        return round(self.bottom + AXIS_HEIGHT, 1)


def dot_chart(
    rows: Sequence[DotRow],
    *,
    name: str,
    caption: str,
    title: str,
    description: str,
    span: tuple[float, float] | None = None,
    as_percent: bool = False,
    below_text: str = "below",
) -> DotChart | None:
    """Return where everything stands; None when no run has a place on the axis, since there would be nothing to see.

    Parameters
    ----------
    rows : sequence of DotRow
        In drawing order. Without `span` the axis is logarithmic and every value above 0.
    span : (float, float) or None
        Ends of an even axis.
    as_percent : bool
        Whether the values are fractions to be written in percent.
    """
    values = [value for row in rows for value in row.values]
    if not values:
        return None
    left = LEFT + GUTTER if any(row.below for row in rows) else LEFT
    pad = PAD if span else 0.0
    low, high = span or _log_span(values)
    place = (lambda value: value) if span else math.log

    def x_of(value: float) -> float:
        share = (place(value) - place(low)) / (place(high) - place(low))
        return round(left + pad + share * (RIGHT - left - 2 * pad), 1)

    drawn, y = [], TOP
    for row in rows:
        dots_y = y + DOTS_DROP
        dots = [Spot(dot.x, dot.y) for dot in spread_dots([x_of(v) for v in sorted(row.values)], dots_y)]
        dots += _gutter(row.below, dots_y)
        end = max([dot.y for dot in dots], default=dots_y) + DOT_RADIUS
        middle_x = None if row.middle is None or not low <= row.middle <= high else x_of(row.middle)
        drawn.append(
            DrawnDots(
                label=shortened(row.label),
                label_y=round(y + LABEL_DROP, 1),
                dots=dots,
                middle_x=middle_x,
                top_y=round(dots_y - DOT_RADIUS - 2, 1),
                end_y=round(end + 2, 1),
                note="" if dots else phrase("nothing recorded"),
            )
        )
        y = end + ROW_GAP
    at = _even_ticks(low, high) if span else log_ticks(low, high, RIGHT - left)
    return DotChart(
        name=name,
        rows=drawn,
        ticks=[
            Tick(x_of(value), f"{numeral(100 * value, 'g')} %" if as_percent else numeral(value, "g"))
            for value in at
        ],
        left=left,
        bottom=round(y, 1),
        below_x=2.0 if left > LEFT else None,
        below_text=below_text,
        caption=caption,
        title=title,
        description=description,
    )


def _log_span(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    # Dots keep off the edges, and runs all alike still have an axis.
    pad = max((high / low) ** 0.05, 1.05)
    return low / pad, high * pad


def _even_ticks(low: float, high: float) -> list[float]:
    rough = (high - low) / MOST_TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(digit * power for digit in (1, 2, 2.5, 5, 10) if digit * power >= rough)
    first = math.ceil(low / step - 1e-9)
    return [round(n * step, 12) for n in range(first, math.floor(high / step + 1e-9) + 1)]


def _gutter(count: int, y: float) -> list[Spot]:
    # An open dot has a rim.
    step = 2 * DOT_RADIUS + 1.9
    across = int(GUTTER // step)
    return [
        Spot(
            round(2 + DOT_RADIUS + number % across * step, 1),
            round(y + number // across * step, 1),
            is_open=True,
        )
        for number in range(count)
    ]
