"""The picture of a verdict: runs as dots, a block's runs joined, intervals as bars, the margin as a band; log axis."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from trials.charts.axis import FootAxis

# All lengths in units of the viewBox.
WIDTH = 360.0
LEFT, RIGHT = 12.0, 348.0
# Where runs without a place on a logarithmic axis stand (below the scale, no colour).
GUTTER = 52.0
TOP = 6.0
LABEL_DROP, BAR_DROP, DOTS_DROP, ROW_GAP = 13.0, 25.0, 37.0, 9.0
DOT_RADIUS = 3.4
DOT_STEP = 2 * DOT_RADIUS + 0.4
AXIS_HEIGHT = 42.0
# An interval is drawn this many times beyond runs and margin; what goes further gets an arrow head.
LONGEST_REACH = 2.5
LONGEST_LABEL = 46
MOST_TICKS = 6
TICK_ROOM = 30.0
# More blocks than this are drawn fainter: their lines then only show whether they run alike.
FEW_BLOCKS = 10


@dataclass(frozen=True)
class Row:
    """One treatment to be drawn. Values and limits share one unit; `below` counts runs that have no place on the axis.

    `blocks` and `below_blocks` name the block of each of these runs, in the same order; nothing where there are no blocks.
    """

    label: str
    values: Sequence[float] = ()
    below: int = 0
    blocks: Sequence[int] = ()
    below_blocks: Sequence[int] = ()
    centre: float | None = None
    lower: float | None = None
    upper: float | None = None
    shown: bool = False
    worse: bool = False


@dataclass(frozen=True)
class Dot:
    x: float
    y: float
    is_below: bool = False
    block: int | None = None


@dataclass(frozen=True)
class Bar:
    """An interval and the mark at its estimate; `arrows` are the arrow heads at ends that run out of the picture."""

    x1: float
    x2: float
    y: float
    css: str
    centre_x: float | None
    arrows: tuple[str, ...] = ()

    @property
    def mark_top(self) -> float:
        return round(self.y - 5, 1)

    @property
    def mark_bottom(self) -> float:
        return round(self.y + 5, 1)


@dataclass(frozen=True)
class DrawnRow:
    label: str
    label_y: float
    dots: list[Dot]
    bar: Bar | None
    note: str

    @property
    def note_y(self) -> float:
        return round(self.label_y + 16, 1)


@dataclass(frozen=True)
class Tick:
    x: float
    text: str


@dataclass(frozen=True)
class Line:
    """An upright line."""

    x: float
    y1: float
    y2: float


@dataclass(frozen=True)
class BlockLine:
    """The runs of one block, joined from row to row."""

    block: int
    points: str


@dataclass(frozen=True)
class Band:
    x: float
    width: float


@dataclass(frozen=True)
class VerdictChart(FootAxis):
    """Coordinates of the whole picture in units of its own."""

    bottom: float
    left: float
    rows: list[DrawnRow]
    ticks: list[Tick]
    one_lines: list[Line]
    band: Band | None
    below_x: float | None
    below_text: str
    caption: str
    title: str
    description: str
    block_lines: Sequence[BlockLine] = ()
    width: float = WIDTH
    right: float = RIGHT
    top: float = TOP
    dot_radius: float = DOT_RADIUS
    caption_x: float = WIDTH / 2

    @property
    def many_blocks(self) -> bool:
        return len(self.block_lines) > FEW_BLOCKS

    @property
    def height(self) -> float:
        return round(self.bottom + AXIS_HEIGHT, 1)

    @property
    def plot_height(self) -> float:
        return round(self.bottom - self.top, 1)


def verdict_chart(
    rows: Sequence[Row],
    *,
    caption: str,
    title: str,
    description: str,
    margin_ratio: float | None = None,
    below_text: str = "",
) -> VerdictChart | None:
    """Return where everything stands; None when no run has a place on the axis, since there would be nothing to see.

    Parameters
    ----------
    rows : sequence of Row
        In drawing order, top to bottom. Values, centres and limits above 0; a limit of 0 or infinity runs out of the picture.
    margin_ratio : float or None
        When given, values are multiples of the control: the line at 1 and the band from 1/ratio to ratio are drawn.
    below_text : str
        What stands under the dots that have no place on the axis.
    """
    spread = value_range(rows, margin_ratio)
    if spread is None:
        return None
    low, high = spread
    has_gutter = any(row.below for row in rows)
    left = LEFT + GUTTER if has_gutter else LEFT

    def x_of(value: float) -> float:
        share = (math.log(value) - math.log(low)) / (math.log(high) - math.log(low))
        return round(left + share * (RIGHT - left), 1)

    drawn, y = [], TOP
    for row in rows:
        bar = _bar(row, x_of, low, high, y + BAR_DROP)
        dots_y = y + (DOTS_DROP if bar else BAR_DROP)
        runs = sorted(_with_blocks(row.values, row.blocks), key=lambda run: run[0])
        dots = spread_dots([x_of(value) for value, _ in runs], dots_y, [block for _, block in runs])
        dots += _gutter_dots(_with_blocks([None] * row.below, row.below_blocks), dots_y)
        note = "" if dots else phrase("no run counts")
        drawn.append(DrawnRow(shortened(row.label), round(y + LABEL_DROP, 1), dots, bar, note))
        y = max([dot.y for dot in dots], default=y + BAR_DROP) + DOT_RADIUS + ROW_GAP
    bottom = round(y, 1)
    with_margin = margin_ratio is not None
    return VerdictChart(
        bottom=bottom,
        left=left,
        rows=drawn,
        ticks=[Tick(x_of(value), numeral(value, "g")) for value in log_ticks(low, high, RIGHT - left)],
        one_lines=_beside_labels(x_of(1.0), drawn, bottom) if with_margin else [],
        band=Band(x_of(1 / margin_ratio), round(x_of(margin_ratio) - x_of(1 / margin_ratio), 1))
        if with_margin
        else None,
        below_x=2.0 if has_gutter else None,
        below_text=below_text,
        caption=caption,
        title=title,
        description=description,
        block_lines=block_lines(drawn),
    )


def log_ticks(low: float, high: float, length: float) -> list[float]:
    """Return round values between `low` and `high` for a logarithmic axis of this length: the finest that fit.

    >>> log_ticks(0.4, 6.0, 330)
    [0.5, 1.0, 2.0, 5.0]
    """
    fullest: list[float] = []
    for candidates in _tick_series(low, high):
        inside = [value for value in candidates if low <= value <= high]
        places = [math.log(value / low) / math.log(high / low) * length for value in inside]
        apart = all(b - a >= TICK_ROOM for a, b in zip(places, places[1:], strict=False))
        if apart and len(fullest) < len(inside) <= MOST_TICKS:
            fullest = inside
    return fullest


def _tick_series(low: float, high: float):
    """Every series of round values worth trying over the range: powers of ten cut up, and even steps for a short range."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    for digits in ([1], [1, 3], [1, 2, 5], [1, 1.5, 2, 3, 5, 7]):
        yield [round(digit * 10.0**power, 12) for power in range(first, last + 1) for digit in digits]
    for stride in (2, 3):
        yield [10.0**power for power in range(first, last + 1) if power % stride == 0]
    if high / low < 4:
        for power in range(first - 3, last + 1):
            for digit in (1, 2, 5):
                step = digit * 10.0**power
                count = math.floor(high / step)
                if count - math.ceil(low / step) < 2 * MOST_TICKS:
                    yield [round(number * step, 12) for number in range(math.ceil(low / step), count + 1)]


def value_range(rows: Sequence[Row], margin_ratio: float | None) -> tuple[float, float] | None:
    """Return least and greatest value of the axis, or None where no run can stand on it."""
    values = [value for row in rows for value in row.values]
    if not values:
        return None
    held = values + [row.centre for row in rows if row.centre]
    if margin_ratio is not None:
        held += [1 / margin_ratio, margin_ratio]
    low, high = min(held), max(held)
    limits = [limit for row in rows for limit in (row.lower, row.upper) if limit is not None]
    low = min([low, *(max(limit, low / LONGEST_REACH) for limit in limits)])
    high = max([high, *(min(limit, high * LONGEST_REACH) for limit in limits)])
    pad = max((high / low) ** 0.04, 1.02)
    return low / pad, high * pad


def _beside_labels(x: float, rows: Sequence[DrawnRow], bottom: float) -> list[Line]:
    """The line at 1, broken where it would run through a name."""
    ends = [row.label_y - LABEL_DROP for row in rows[1:]] + [bottom]
    return [Line(x, round(row.label_y + 5, 1), round(end, 1)) for row, end in zip(rows, ends, strict=True)]


def _bar(row: Row, x_of, low: float, high: float, y: float) -> Bar | None:
    if row.lower is None and row.upper is None:
        return None
    open_low = row.lower is None or row.lower < low
    open_high = row.upper is None or row.upper > high
    # An open end stops at the edge of the axis.
    x1 = x_of(low if open_low else min(row.lower, high))
    x2 = x_of(high if open_high else max(row.upper, low))
    return Bar(
        x1=x1,
        x2=x2,
        y=round(y, 1),
        css="bar" + (" worse" if row.shown and row.worse else "") + ("" if row.shown else " open"),
        centre_x=x_of(row.centre) if row.centre else None,
        arrows=tuple(
            _arrow(x, y, side) for x, side, is_open in ((x1, -1, open_low), (x2, 1, open_high)) if is_open
        ),
    )


def _arrow(x: float, y: float, side: int) -> str:
    return f"{x - side * 6:.1f},{y - 5:.1f} {x:.1f},{y:.1f} {x - side * 6:.1f},{y + 5:.1f}"


def spread_dots(places: Sequence[float], y: float, blocks: Sequence[int | None] = ()) -> list[Dot]:
    """Dots at these places, left to right, each put on the first line below on which it touches no other."""
    ends: list[float] = []
    dots = []
    for x, block in _with_blocks(places, blocks):
        line = next((number for number, end in enumerate(ends) if x - end >= DOT_STEP), len(ends))
        if line == len(ends):
            ends.append(x)
        ends[line] = x
        dots.append(Dot(x, round(y + line * DOT_STEP, 1), block=block))
    return dots


def _gutter_dots(runs: Sequence[tuple[None, int | None]], y: float) -> list[Dot]:
    # An open dot has a rim.
    step = DOT_STEP + 1.5
    across = int(GUTTER // step)
    return [
        Dot(
            round(2 + DOT_RADIUS + number % across * step, 1),
            round(y + number // across * step, 1),
            is_below=True,
            block=block,
        )
        for number, (_, block) in enumerate(runs)
    ]


def _with_blocks(values: Sequence, blocks: Sequence[int | None]) -> list[tuple]:
    return list(zip(values, blocks or [None] * len(values), strict=True))


def block_lines(rows: Sequence[DrawnRow]) -> list[BlockLine]:
    """A line for each block that has dots in two rows or more, from the top row down."""
    found: dict[int, list[str]] = {}
    for row in rows:
        for dot in row.dots:
            if dot.block is not None:
                found.setdefault(dot.block, []).append(f"{dot.x},{dot.y}")
    return [BlockLine(block, " ".join(points)) for block, points in sorted(found.items()) if len(points) > 1]


def shortened(label: str) -> str:
    return label if len(label) <= LONGEST_LABEL else label[: LONGEST_LABEL - 1].rstrip() + "…"
