"""The picture of a dose ladder, and bars of one additive's trials beside each other: coordinates only."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from trials.charts.axis import FootAxis
from trials.charts.verdict import LONGEST_REACH, Dot, Tick, log_ticks, shortened

# All lengths in units of the viewBox.
WIDTH = 360.0
LEFT, RIGHT = 38.0, 352.0
TOP, PLOT_HEIGHT = 10.0, 210.0
# The control stands apart: it has no place on a logarithmic axis of doses.
CONTROL_X, FIRST_X, LAST_X = 58.0, 106.0, 320.0
BELOW_ROOM = 26.0
DOT_RADIUS = 3.2
DOT_STEP = 2 * DOT_RADIUS + 0.5
BAR_LEFT, DOTS_RIGHT, DOTS_ROOM = 6.0, 5.0, 26.0
TICK_APART = 42.0
LINE = 15.0


@dataclass(frozen=True)
class DoseColumn:
    """One dose to be drawn, the control with dose None: `values` of its runs, `below` runs with no place on the axis."""

    tick: str
    dose_ml_per_l: float | None
    values: Sequence[float] = ()
    below: int = 0
    centre: float | None = None
    lower: float | None = None
    upper: float | None = None
    shown: bool = False
    worse: bool = False


@dataclass(frozen=True)
class UprightBar:
    x: float
    y1: float
    y2: float
    css: str
    centre_y: float | None
    arrows: tuple[str, ...]

    @property
    def mark_left(self) -> float:
        return round(self.x - 6, 1)

    @property
    def mark_right(self) -> float:
        return round(self.x + 6, 1)


@dataclass(frozen=True)
class DrawnColumn:
    x: float
    tick: str
    tick_y: float
    dots: list[Dot]
    bar: UprightBar | None


@dataclass(frozen=True)
class YTick:
    y: float
    text: str

    @property
    def text_y(self) -> float:
        return round(self.y + 4.5, 1)


@dataclass(frozen=True)
class Bracket:
    """The span of the dose at which the plateau begins, under the axis of doses; an open end has an arrow head."""

    x1: float
    x2: float
    y: float
    at: float
    arrows: tuple[str, ...]

    @property
    def at_top(self) -> float:
        return round(self.y - 4, 1)

    @property
    def at_bottom(self) -> float:
        return round(self.y + 4, 1)


@dataclass(frozen=True)
class LadderChart:
    """Coordinates of the whole picture."""

    bottom: float
    height: float
    columns: list[DrawnColumn]
    y_ticks: list[YTick]
    band_y: float | None
    band_height: float | None
    one_y: float | None
    steps: str
    plateau: str
    bracket: Bracket | None
    curve: str
    below_y: float | None
    below_text: str
    y_caption: str
    x_caption: str
    x_caption_y: float
    title: str
    description: str
    width: float = WIDTH
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    dot_radius: float = DOT_RADIUS

    @property
    def axis_top(self) -> float:
        return TOP + LINE

    @property
    def plot_width(self) -> float:
        return round(RIGHT - LEFT, 1)

    @property
    def control_edge(self) -> float:
        """Between the control and the doses."""
        return round((CONTROL_X + FIRST_X) / 2 + 2, 1)

    @property
    def mark_y(self) -> float:
        return round(self.bottom + 4, 1)

    @property
    def tick_x(self) -> float:
        return LEFT - 4

    @property
    def tick_text_x(self) -> float:
        return LEFT - 6

    @property
    def y_caption_y(self) -> float:
        return 12.0

    @property
    def caption_x(self) -> float:
        return round((LEFT + RIGHT) / 2, 1)


def ladder_chart(
    columns: Sequence[DoseColumn],
    *,
    title: str,
    description: str,
    y_caption: str,
    x_caption: str,
    margin_ratio: float | None = None,
    steps: Sequence[float] = (),
    plateau: Sequence[tuple[float, float]] = (),
    plateau_from: tuple[float | None, float, float | None] | None = None,
    curve: Sequence[tuple[float, float]] = (),
    places: bool = False,
    below_text: str = "",
) -> LadderChart | None:
    """Return where everything stands; None when no run has a place on the picture.

    Parameters
    ----------
    columns : sequence of DoseColumn
        The control first, then the doses in rising order.
    margin_ratio : float or None
        When given, values are multiples of the control: the line at 1 and the band from 1/ratio to ratio are drawn.
    steps : sequence of float
        A level for each column, drawn flat around its dose.
    plateau, curve : sequences of (dose, value)
    plateau_from : (lower, break, upper) or None
        The dose at which the plateau begins, with its interval; None for an open end.
    places : bool
        Values are places, 1 for most gold, on an even scale with 1 on top.
    """
    values = [value for column in columns for value in column.values]
    if not values:
        return None
    has_below = any(column.below for column in columns)
    bottom = TOP + LINE + PLOT_HEIGHT
    low, high = _y_range(columns, margin_ratio, places, [*steps, *(y for _, y in (*plateau, *curve))])
    plot_bottom = bottom - (BELOW_ROOM if has_below else 6.0)

    def y_of(value: float) -> float:
        share = (high - value) / (high - low) if places else math.log(value / low) / math.log(high / low)
        return round(plot_bottom - share * (plot_bottom - TOP - LINE), 1)

    doses = [column.dose_ml_per_l for column in columns if column.dose_ml_per_l is not None]
    x_of = _x_scale(doses)
    places_x = [
        CONTROL_X if column.dose_ml_per_l is None else x_of(column.dose_ml_per_l) for column in columns
    ]
    rows = _tick_rows(places_x)
    drawn = [
        DrawnColumn(
            x=x,
            tick=column.tick,
            tick_y=round(bottom + 18 + LINE * row, 1),
            dots=_dots(column, x, y_of, bottom),
            bar=_bar(column, x, y_of, low, high),
        )
        for column, x, row in zip(columns, places_x, rows, strict=True)
    ]
    foot = bottom + 18 + LINE * max(rows)
    bracket = _bracket(plateau_from, doses, x_of, foot + 12) if plateau_from else None
    caption_y = foot + (30 if bracket else 20)
    with_margin = margin_ratio is not None
    if places:
        ticks = [YTick(y_of(place), f"{place}") for place in range(math.ceil(low), math.floor(high) + 1)]
    else:
        ticks = [
            YTick(y_of(value), numeral(value, "g"))
            for value in log_ticks(low, high, plot_bottom - TOP - LINE)
        ]
    return LadderChart(
        bottom=bottom,
        height=round(caption_y + 8, 1),
        columns=drawn,
        y_ticks=ticks,
        band_y=y_of(margin_ratio) if with_margin else None,
        band_height=round(y_of(1 / margin_ratio) - y_of(margin_ratio), 1) if with_margin else None,
        one_y=y_of(1.0) if with_margin else None,
        steps=_steps(places_x, [y_of(level) for level in steps]),
        plateau=_line(plateau, x_of, y_of),
        bracket=bracket,
        curve=_line(curve, x_of, y_of),
        below_y=round(bottom - 8, 1) if has_below else None,
        below_text=below_text,
        y_caption=y_caption,
        x_caption=x_caption,
        x_caption_y=round(caption_y, 1),
        title=title,
        description=description,
    )


def _y_range(columns, margin_ratio, places, lines) -> tuple[float, float]:
    values = [value for column in columns for value in column.values]
    if places:
        return 1.0 - 0.35, max(2.0, *values) + 0.35
    held = [*values, *lines, *(column.centre for column in columns if column.centre)]
    if margin_ratio is not None:
        held += [1 / margin_ratio, margin_ratio]
    low, high = min(held), max(held)
    limits = [limit for column in columns for limit in (column.lower, column.upper) if limit is not None]
    low = min([low, *(max(limit, low / LONGEST_REACH) for limit in limits)])
    high = max([high, *(min(limit, high * LONGEST_REACH) for limit in limits)])
    pad = max((high / low) ** 0.04, 1.02)
    return low / pad, high * pad


def _x_scale(doses: Sequence[float]):
    low, high = min(doses), max(doses)

    def x_of(dose: float) -> float:
        if high == low:
            return round((FIRST_X + LAST_X) / 2, 1)
        # What lies past either end of the ladder stands at that end.
        held = min(max(dose, low), high)
        return round(FIRST_X + math.log(held / low) / math.log(high / low) * (LAST_X - FIRST_X), 1)

    return x_of


def _tick_rows(places_x: Sequence[float]) -> list[int]:
    """0 or 1 for each tick: every other one on a second line where they would run into each other."""
    crowded = any(b - a < TICK_APART for a, b in pairwise(places_x[1:]))
    return [0, *(number % 2 if crowded else 0 for number in range(len(places_x) - 1))]


def _dots(column: DoseColumn, x: float, y_of, bottom: float) -> list[Dot]:
    """Runs beside their bar, each in the first file to the right in which it touches no other."""
    files: list[tuple[float, int]] = []
    ends: list[float] = []
    for y in sorted(y_of(value) for value in column.values):
        file = next((number for number, end in enumerate(ends) if y - end >= DOT_STEP), len(ends))
        if file == len(ends):
            ends.append(y)
        ends[file] = y
        files.append((y, file))
    # Beside a bar to its right, else around the tick; closer together rather than into the next column.
    has_bar = column.lower is not None or column.upper is not None
    between = max(1, len(ends) - 1)
    step = min(DOT_STEP, DOTS_ROOM / between)
    start = x + DOTS_RIGHT if has_bar else x - step * (len(ends) - 1) / 2
    dots = [Dot(round(start + file * step, 1), y) for y, file in files]
    dots += [
        Dot(
            round(x - 4 + number % 4 * (DOT_STEP + 1.5), 1),
            round(bottom - 9 - number // 4 * 8.5, 1),
            is_below=True,
        )
        for number in range(column.below)
    ]
    return dots


def _bar(column: DoseColumn, x: float, y_of, low: float, high: float) -> UprightBar | None:
    if column.lower is None and column.upper is None:
        return None
    open_low = column.lower is None or column.lower < low
    open_high = column.upper is None or column.upper > high
    y1 = y_of(high if open_high else max(column.upper, low))
    y2 = y_of(low if open_low else min(column.lower, high))
    at = round(x - BAR_LEFT, 1)
    arrows = [f"{at - 5:.1f},{y1 + 6:.1f} {at:.1f},{y1:.1f} {at + 5:.1f},{y1 + 6:.1f}"] if open_high else []
    if open_low:
        arrows.append(f"{at - 5:.1f},{y2 - 6:.1f} {at:.1f},{y2:.1f} {at + 5:.1f},{y2 - 6:.1f}")
    return UprightBar(
        at,
        y1,
        y2,
        "bar" + (" worse" if column.shown and column.worse else "") + ("" if column.shown else " open"),
        y_of(column.centre) if column.centre else None,
        tuple(arrows),
    )


def _steps(places_x: Sequence[float], levels_y: Sequence[float]) -> str:
    """A line flat around each dose, rising half-way to the next."""
    if not levels_y:
        return ""
    edges = [LEFT + 4, *((a + b) / 2 for a, b in pairwise(places_x)), RIGHT]
    points = []
    for y, start, end in zip(levels_y, edges, edges[1:], strict=False):
        points += [f"{start:.1f},{y:.1f}", f"{end:.1f},{y:.1f}"]
    return " ".join(points)


def _line(points: Sequence[tuple[float, float]], x_of, y_of) -> str:
    return " ".join(f"{x_of(dose):.1f},{y_of(value):.1f}" for dose, value in points)


def _bracket(span, doses: Sequence[float], x_of, y: float) -> Bracket:
    lower, at, upper = span
    low, high = min(doses), max(doses)
    open_low, open_high = lower is None or lower < low, upper is None or upper > high
    x1, x2 = x_of(low if open_low else lower), x_of(high if open_high else upper)
    arrows = [f"{x1 + 6:.1f},{y - 4:.1f} {x1:.1f},{y:.1f} {x1 + 6:.1f},{y + 4:.1f}"] if open_low else []
    if open_high:
        arrows.append(f"{x2 - 6:.1f},{y - 4:.1f} {x2:.1f},{y:.1f} {x2 - 6:.1f},{y + 4:.1f}")
    return Bracket(x1, x2, round(y, 1), x_of(at), tuple(arrows))


# Bars of several trials

ROW_TOP, ROW_HEIGHT, HEADING_HEIGHT, BARS_LEFT, BARS_RIGHT = 6.0, 34.0, 22.0, 12.0, 348.0
BAR_DROP = 23.0


@dataclass(frozen=True)
class BarRow:
    """A ratio with its interval; `is_summary` of several trials, `heading` over the rows that follow it.

    Without a label it belongs to the heading alone.
    """

    label: str
    centre: float | None = None
    lower: float | None = None
    upper: float | None = None
    shown: bool = False
    worse: bool = False
    is_summary: bool = False
    heading: bool = False


@dataclass(frozen=True)
class DrawnBar:
    label: str
    label_y: float
    heading: bool
    css: str = ""
    x1: float | None = None
    x2: float | None = None
    y: float | None = None
    centre_x: float | None = None
    diamond: str = ""
    arrows: tuple[str, ...] = ()
    note: str = ""

    @property
    def mark_top(self) -> float:
        return round(self.y - 5, 1)

    @property
    def mark_bottom(self) -> float:
        return round(self.y + 5, 1)

    @property
    def one_top(self) -> float:
        """The line at 1 stands beside the bar only: it must not run through names."""
        return round(self.y - 6, 1)

    @property
    def one_bottom(self) -> float:
        return round(self.y + 8, 1)

    @property
    def note_y(self) -> float:
        return round(self.label_y + 16, 1)


@dataclass(frozen=True)
class BarsChart(FootAxis):
    height: float
    bottom: float
    rows: list[DrawnBar]
    ticks: list[Tick]
    one_x: float
    caption: str
    title: str
    description: str
    width: float = WIDTH
    left: float = BARS_LEFT
    right: float = BARS_RIGHT
    top: float = ROW_TOP
    caption_x: float = WIDTH / 2


def ratio_bars(rows: Sequence[BarRow], *, caption: str, title: str, description: str) -> BarsChart | None:
    """Return bars of ratios to the control on one logarithmic axis; None when no row has a ratio.

    A summary of several trials has a diamond where a single trial has a stroke.
    """
    held = [row.centre for row in rows if row.centre]
    if not held:
        return None
    low, high = min([1.0, *held]), max([1.0, *held])
    limits = [limit for row in rows for limit in (row.lower, row.upper) if limit]
    low = min([low, *(max(limit, low / LONGEST_REACH) for limit in limits)])
    high = max([high, *(min(limit, high * LONGEST_REACH) for limit in limits)])
    pad = max((high / low) ** 0.04, 1.03)
    low, high = low / pad, high * pad

    def x_of(value: float) -> float:
        return round(BARS_LEFT + math.log(value / low) / math.log(high / low) * (BARS_RIGHT - BARS_LEFT), 1)

    drawn, y = [], ROW_TOP
    for row in rows:
        drawn.append(_drawn_bar(row, x_of, low, high, y))
        y += HEADING_HEIGHT if row.heading else ROW_HEIGHT
    bottom = round(y + 2, 1)
    return BarsChart(
        height=round(bottom + 42, 1),
        bottom=bottom,
        rows=drawn,
        ticks=[
            Tick(x_of(value), numeral(value, "g")) for value in log_ticks(low, high, BARS_RIGHT - BARS_LEFT)
        ],
        one_x=x_of(1.0),
        caption=caption,
        title=title,
        description=description,
    )


def _drawn_bar(row: BarRow, x_of, low: float, high: float, top: float) -> DrawnBar:
    label, label_y = shortened(row.label), round(top + 14, 1)
    if row.heading or row.centre is None or row.lower is None or row.upper is None:
        note = "" if row.heading else phrase("no ratio")
        return DrawnBar(label, label_y, row.heading, note=note) if label else DrawnBar(note, label_y, False)
    y = round(top + BAR_DROP, 1)
    open_low, open_high = row.lower < low, row.upper > high
    x1, x2 = x_of(low if open_low else row.lower), x_of(high if open_high else row.upper)
    arrows = [f"{x1 + 6:.1f},{y - 5:.1f} {x1:.1f},{y:.1f} {x1 + 6:.1f},{y + 5:.1f}"] if open_low else []
    if open_high:
        arrows.append(f"{x2 - 6:.1f},{y - 5:.1f} {x2:.1f},{y:.1f} {x2 - 6:.1f},{y + 5:.1f}")
    x = x_of(row.centre)
    return DrawnBar(
        label=label,
        label_y=label_y,
        heading=False,
        css="bar" + (" worse" if row.shown and row.worse else "") + ("" if row.shown else " open"),
        x1=x1,
        x2=x2,
        y=y,
        centre_x=x,
        diamond=f"{x - 6},{y} {x},{y - 6} {x + 6},{y} {x},{y + 6}" if row.is_summary else "",
        arrows=tuple(arrows),
    )
