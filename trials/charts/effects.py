"""Pictures of factors: means joined by lines for two factors at once, and effects as bars against 1."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from prospecting.calc.number_words import numeral
from trials.charts.axis import FootAxis
from trials.charts.verdict import Band, Dot, Line, Tick, log_ticks, shortened

# All lengths in units of the viewBox.
WIDTH = 360.0
LEFT, RIGHT = 46.0, 350.0
TOP, DEPTH = 12.0, 210.0
LINE_HEIGHT = 18.0
DOT_RADIUS = 2.6
MARK = 5.5
# From one line to the next at one level, and from a mean to its runs.
LINE_STEP, DOTS_ASIDE = 34.0, 9.0
# An interval is drawn this many times beyond runs and means; what goes further leaves the picture.
LONGEST_REACH = 2.0
STROKES = ("stroke-a", "stroke-b", "stroke-c", "stroke-d")
BAR_LEFT, BAR_RIGHT = 12.0, 348.0
BAR_ROW, BAR_DROP = 38.0, 27.0
# Signs that fit under a level, by how many levels stand side by side.
LEVEL_SIGNS = {1: 38, 2: 20, 3: 15, 4: 11}


@dataclass(frozen=True)
class Point:
    """One combination: mean with interval, its runs, and what its ratios multiplied would give. None is not drawn."""

    mean: float | None
    lower: float | None = None
    upper: float | None = None
    expected: float | None = None
    values: Sequence[float] = ()
    below: int = 0


@dataclass(frozen=True)
class Series:
    """One level of the second factor, with a point for each level of the first."""

    label: str
    points: Sequence[Point]


@dataclass(frozen=True)
class DrawnSeries:
    css: str
    label: str
    path: str
    marks: list[str]
    whiskers: list[Line]
    sample_y: float = 0.0

    @property
    def text_y(self) -> float:
        return round(self.sample_y + 4.5, 1)


@dataclass(frozen=True)
class Label:
    x: float
    y: float
    text: str


@dataclass(frozen=True)
class InteractionChart:
    series: list[DrawnSeries]
    dots: list[Dot]
    expected: list[str]
    expected_sample: str
    expected_y: float
    ticks: list[Tick]
    levels: list[Label]
    bottom: float
    height: float
    caption: str
    title: str
    description: str
    has_below: bool
    mark_samples: list[str] = field(default_factory=list)
    width: float = WIDTH
    left: float = LEFT
    right: float = RIGHT
    dot_radius: float = DOT_RADIUS
    top: float = TOP


@dataclass(frozen=True)
class BarRow:
    """One effect: ratio and limits, None where the runs give none; `note` says so."""

    label: str
    ratio: float | None = None
    lower: float | None = None
    upper: float | None = None
    shown: bool = False
    note: str = ""


@dataclass(frozen=True)
class DrawnBar:
    label: str
    label_y: float
    y: float
    css: str
    x1: float | None
    x2: float | None
    ratio_x: float | None
    arrows: list[str]
    note: str
    note_x: float

    @property
    def mark_top(self) -> float:
        return round(self.y - 6, 1)

    @property
    def mark_bottom(self) -> float:
        return round(self.y + 6, 1)

    @property
    def note_y(self) -> float:
        return round(self.y + 4, 1)


@dataclass(frozen=True)
class BarsChart(FootAxis):
    rows: list[DrawnBar]
    ticks: list[Tick]
    one_x: float
    one_lines: list[Line]
    band: Band
    bottom: float
    caption: str
    title: str
    description: str
    top: float = 6.0
    width: float = WIDTH
    left: float = BAR_LEFT
    right: float = BAR_RIGHT
    caption_x: float = WIDTH / 2

    @property
    def height(self) -> float:
        return round(self.bottom + 42, 1)

    @property
    def plot_height(self) -> float:
        return round(self.bottom - self.top, 1)


def interaction_chart(
    levels: Sequence[str], series: Sequence[Series], *, caption: str, title: str, description: str
) -> InteractionChart | None:
    """Return where everything stands on a logarithmic height, on which lines that run alike mean ratios that multiply.

    None where no mean is above 0. Points below the scale stand at the foot as open dots.
    """
    found = _reach(series)
    if found is None:
        return None
    low, high = found
    foot = any(point.below for line in series for point in line.points)
    bottom = TOP + DEPTH
    floor = bottom - 14 if foot else bottom

    def y_of(value: float) -> float:
        share = (math.log(value) - math.log(low)) / (math.log(high) - math.log(low))
        return round(floor - share * (floor - TOP), 1)

    step = (RIGHT - LEFT) / len(levels)
    places = [LEFT + step * (number + 0.5) for number in range(len(levels))]
    wide = min(LINE_STEP, (step - 24) / len(series))
    drawn, dots, expected = [], [], []
    for number, line in enumerate(series):
        xs = [place + (number - (len(series) - 1) / 2) * wide - 5 for place in places]
        ends, marks, whiskers = [], [], []
        for x, point in zip(xs, line.points, strict=True):
            dots += _dots(x + DOTS_ASIDE, point, y_of, bottom - 5)
            if point.expected:
                expected.append(_diamond(round(x, 1), y_of(_held(point.expected, low, high))))
            if point.mean is None:
                continue
            y = y_of(point.mean)
            ends.append(f"{x:.1f},{y}")
            marks.append(_mark(number, round(x, 1), y))
            if point.lower and point.upper:
                whiskers.append(
                    Line(
                        round(x, 1), y_of(_held(point.lower, low, high)), y_of(_held(point.upper, low, high))
                    )
                )
        drawn.append((STROKES[number % len(STROKES)], shortened(line.label), " ".join(ends), marks, whiskers))
    signs = LEVEL_SIGNS.get(len(levels), 12)
    names = [
        # Three or more names stand on two lines in turn, so that none runs into the next.
        Label(
            round(x, 1),
            round(bottom + 17 + (16 if len(levels) > 2 and number % 2 else 0), 1),
            _cut(name, signs),
        )
        for number, (x, name) in enumerate(zip(places, levels, strict=True))
    ]
    legend = bottom + (62 if len(levels) > 2 else 46)
    lines = [DrawnSeries(*line, round(legend + number * LINE_HEIGHT, 1)) for number, line in enumerate(drawn)]
    expected_y = round(legend + len(lines) * LINE_HEIGHT, 1)
    return InteractionChart(
        series=lines,
        dots=dots,
        expected=expected,
        expected_sample=_diamond(27.0, expected_y) if expected else "",
        expected_y=round(expected_y + 4.5, 1),
        ticks=[
            Tick(round(floor - place, 1), numeral(value, "g"))
            for value in log_ticks(low, high, floor - TOP)
            for place in [math.log(value / low) / math.log(high / low) * (floor - TOP)]
        ],
        levels=names,
        bottom=bottom,
        height=round(expected_y + (12 if expected else -6), 1),
        caption=caption,
        title=title,
        description=description,
        has_below=foot,
        mark_samples=[_mark(number, 27.0, line.sample_y) for number, line in enumerate(lines)],
    )


def bars_chart(
    rows: Sequence[BarRow], *, margin_ratio: float, caption: str, title: str, description: str
) -> BarsChart | None:
    """Return effects as bars around 1 on a logarithmic axis, the margin as a band; None where no effect has a ratio."""
    ratios = [row.ratio for row in rows if row.ratio]
    if not ratios:
        return None
    held = [*ratios, margin_ratio, 1 / margin_ratio]
    low, high = min(held), max(held)
    limits = [limit for row in rows for limit in (row.lower, row.upper) if limit]
    low = min([low, *(max(limit, low / LONGEST_REACH) for limit in limits)])
    high = max([high, *(min(limit, high * LONGEST_REACH) for limit in limits)])
    pad = (high / low) ** 0.05
    low, high = low / pad, high * pad

    def x_of(value: float) -> float:
        share = (math.log(value) - math.log(low)) / (math.log(high) - math.log(low))
        return round(BAR_LEFT + share * (BAR_RIGHT - BAR_LEFT), 1)

    drawn = [_drawn_bar(row, 6.0 + number * BAR_ROW, x_of, low, high) for number, row in enumerate(rows)]
    bottom = round(6.0 + len(rows) * BAR_ROW, 1)
    one = x_of(1.0)
    return BarsChart(
        rows=drawn,
        ticks=[
            Tick(x_of(value), numeral(value, "g")) for value in log_ticks(low, high, BAR_RIGHT - BAR_LEFT)
        ],
        one_x=one,
        one_lines=[
            Line(one, round(row.label_y + 5, 1), round(row.label_y + BAR_ROW - 13, 1)) for row in drawn
        ],
        band=Band(x_of(1 / margin_ratio), round(x_of(margin_ratio) - x_of(1 / margin_ratio), 1)),
        bottom=bottom,
        caption=caption,
        title=title,
        description=description,
    )


def _drawn_bar(row: BarRow, y: float, x_of, low: float, high: float) -> DrawnBar:
    bar_y = round(y + BAR_DROP, 1)
    x1 = x2 = None
    arrows = []
    if row.lower is not None and row.upper is not None:
        x1, x2 = (x_of(_held(limit, low, high)) for limit in (row.lower, row.upper))
        arrows = [
            f"{x - side * 6:.1f},{bar_y - 5:.1f} {x:.1f},{bar_y:.1f} {x - side * 6:.1f},{bar_y + 5:.1f}"
            for x, side, out in ((x1, -1, row.lower < low), (x2, 1, row.upper > high))
            if out
        ]
    worse = " worse" if row.shown and row.upper is not None and row.upper < 1 else ""
    ratio_x = x_of(row.ratio) if row.ratio else None
    return DrawnBar(
        label=shortened(row.label),
        label_y=round(y + 13, 1),
        y=bar_y,
        css=f"bar{worse}{'' if row.shown else ' open'}",
        x1=x1,
        x2=x2,
        ratio_x=ratio_x,
        arrows=arrows,
        note=row.note,
        # Beside its mark where that leaves room, else before it.
        note_x=BAR_LEFT if ratio_x is None or ratio_x > WIDTH / 2 else round(ratio_x + 8, 1),
    )


def _reach(series: Sequence[Series]) -> tuple[float, float] | None:
    points = [point for line in series for point in line.points]
    held = [
        value
        for point in points
        for value in (point.mean, point.expected, *(value for value in point.values if value > 0))
        if value
    ]
    if not any(point.mean for point in points) or not held:
        return None
    low, high = min(held), max(held)
    limits = [limit for point in points for limit in (point.lower, point.upper) if limit]
    low = min([low, *(max(limit, low / LONGEST_REACH) for limit in limits)])
    high = max([high, *(min(limit, high * LONGEST_REACH) for limit in limits)])
    pad = max((high / low) ** 0.05, 1.03)
    return low / pad, high * pad


def _dots(x: float, point: Point, y_of, foot_y: float) -> list[Dot]:
    """The runs beside their mean, side by side where they would touch; those with nothing to show at the foot."""
    found: list[Dot] = []
    for value in sorted(value for value in point.values if value > 0):
        y = y_of(value)
        beside = sum(1 for dot in found if abs(dot.y - y) < 2 * DOT_RADIUS)
        found.append(Dot(round(x + beside % 3 * 2 * DOT_RADIUS, 1), y))
    foot = [
        Dot(round(x + number * (2 * DOT_RADIUS + 1), 1), round(foot_y, 1), is_below=True)
        for number in range(point.below)
    ]
    return found + foot


def _held(value: float, low: float, high: float) -> float:
    return min(max(value, low), high)


def _mark(number: int, x: float, y: float) -> str:
    """Corners of the sign of a line's means: many-cornered as a disc, square, triangle up or down."""
    r = MARK
    if number % 4 == 1:
        return (
            f"{x - r:.1f},{y - r:.1f} {x + r:.1f},{y - r:.1f} {x + r:.1f},{y + r:.1f} {x - r:.1f},{y + r:.1f}"
        )
    if number % 4 == 2:
        return f"{x:.1f},{y - r - 1:.1f} {x + r + 1:.1f},{y + r:.1f} {x - r - 1:.1f},{y + r:.1f}"
    if number % 4 == 3:
        return f"{x - r - 1:.1f},{y - r:.1f} {x + r + 1:.1f},{y - r:.1f} {x:.1f},{y + r + 1:.1f}"
    corners = [(math.cos(turn * math.pi / 8), math.sin(turn * math.pi / 8)) for turn in range(16)]
    return " ".join(f"{x + r * across:.1f},{y + r * down:.1f}" for across, down in corners)


def _diamond(x: float, y: float) -> str:
    r = MARK + 2
    return f"{x:.1f},{y - r:.1f} {x + r:.1f},{y:.1f} {x:.1f},{y + r:.1f} {x - r:.1f},{y:.1f}"


def _cut(name: str, signs: int) -> str:
    return name if len(name) <= signs else f"{name[: signs - 1].rstrip()}…"
