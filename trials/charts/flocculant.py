"""Gold kept against minutes gained: one mark a dose, its interval upright, the looks it stands between lying."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from prospecting.calc.number_words import numeral
from trials.charts.clearing import LINE_HEIGHT, Tick, round_step
from trials.charts.verdict import log_ticks

WIDTH, HEIGHT = 360.0, 320.0
LEFT, RIGHT, TOP, BOTTOM = 40.0, 348.0, 14.0, 262.0
# An interval is drawn this many times beyond the marks and the margin; what goes further gets an arrow head.
LONGEST_REACH = 2.5
LEAST_MINUTES = 10.0
MARK, HEAD = 7.0, 5.0
# No mark lies on a number of the axis or over the edge.
PAD = 12.0
LETTER, LONGEST_LABEL = 7.4, 14


@dataclass(frozen=True)
class Point:
    """One dose. `gold` is a multiple of the control's; `least` to `most` minutes sooner by estimate, an end of None open.

    `low` to `high` is where the gain lies for sure.

    `mark`: best, costly, beaten or without.
    """

    label: str
    gold: float
    lower: float | None
    upper: float | None
    least: float | None
    most: float | None
    low: float | None
    high: float | None
    mark: str
    shown: bool = False
    worse: bool = False


@dataclass(frozen=True)
class Stroke:
    x1: float
    y1: float
    x2: float
    y2: float


@dataclass(frozen=True)
class DrawnPoint:
    label: str
    label_x: float
    label_y: float
    anchor: str
    css: str
    path: str
    bar: Stroke | None
    bar_css: str
    looks: Stroke | None
    heads: tuple[str, ...]


@dataclass(frozen=True)
class ClearingGoldChart:
    """Everything the picture is drawn from, in units of its own frame."""

    points: Sequence[DrawnPoint]
    minutes: Sequence[Tick]
    golds: Sequence[Tick]
    one_y: float
    zero_x: float
    band: tuple[float, float] | None
    title: str
    description: str
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    bottom: float = BOTTOM


def gold_against_minutes(
    points: Sequence[Point], *, margin_ratio: float | None, title: str, description: str
) -> ClearingGoldChart | None:
    """Return where every dose stands; None without one. Minutes sooner to the right, gold upward on a logarithmic axis.

    A gain known at one end only stands at that end, with an arrow the way it may go on.
    """
    if not points:
        return None
    step, first, last = _minutes_axis(points)
    low, high = _gold_axis(points, margin_ratio)

    def x_of(minutes: float) -> float:
        share = (minutes - first * step) / ((last - first) * step)
        return round(LEFT + PAD + min(max(share, 0.0), 1.0) * (RIGHT - LEFT - 2 * PAD), 1)

    def y_of(gold: float) -> float:
        share = math.log(min(max(gold, low), high) / low) / math.log(high / low)
        return round(BOTTOM - share * (BOTTOM - TOP), 1)

    labels = _labels([(x_of(_stands_at(point)), y_of(point.gold), point.label) for point in points])
    drawn = []
    for point, (label_x, label_y, anchor) in zip(points, labels, strict=True):
        x, y = x_of(_stands_at(point)), y_of(point.gold)
        bar, bar_heads = _bar(point, x, y_of, low, high)
        looks, look_heads = _looks(point, x, y, x_of)
        drawn.append(
            DrawnPoint(
                label=_short(point.label),
                label_x=label_x,
                label_y=label_y,
                anchor=anchor,
                css="dot open" if point.mark == "costly" else "dot",
                path=_mark(point.mark, x, y),
                bar=bar,
                bar_css="bar"
                + (" worse" if point.shown and point.worse else "")
                + ("" if point.shown else " open"),
                looks=looks,
                heads=bar_heads + look_heads,
            )
        )
    return ClearingGoldChart(
        points=drawn,
        minutes=[Tick(x_of(number * step), numeral(number * step, "g")) for number in range(first, last + 1)],
        golds=[Tick(y_of(value), numeral(value, "g")) for value in log_ticks(low, high, BOTTOM - TOP)],
        one_y=y_of(1.0),
        zero_x=x_of(0.0),
        band=None
        if margin_ratio is None
        else (y_of(margin_ratio), round(y_of(1 / margin_ratio) - y_of(margin_ratio), 1)),
        title=title,
        description=description,
    )


def _stands_at(point: Point) -> float:
    known = (each for each in (point.least, point.most) if each is not None)
    return next(known, 0.0)


def _minutes_axis(points: Sequence[Point]) -> tuple[float, int, int]:
    """Step of the ticks, and the first and last one in steps."""
    held = [0.0, *(_stands_at(point) for point in points)]
    held += [end for point in points for end in (point.low, point.high) if end is not None]
    if max(held) == min(held):
        held.append(LEAST_MINUTES)
    step = round_step(max(held) - min(held), 5)
    first, last = math.floor(min(held) / step + 1e-9), math.ceil(max(held) / step - 1e-9)
    # Room for an arrow, and for a mark at the edge.
    if any(point.most is None for point in points):
        last += 1
    if any(point.least is None for point in points):
        first -= 1
    return step, first, last


def _gold_axis(points: Sequence[Point], margin_ratio: float | None) -> tuple[float, float]:
    held = [1.0, *(point.gold for point in points)]
    if margin_ratio is not None:
        held += [margin_ratio, 1 / margin_ratio]
    low, high = min(held), max(held)
    low = min([low, *(max(each.lower, low / LONGEST_REACH) for each in points if each.lower is not None)])
    high = max([high, *(min(each.upper, high * LONGEST_REACH) for each in points if each.upper is not None)])
    pad = max((high / low) ** 0.06, 1.03)
    return low / pad, high * pad


def _bar(point: Point, x: float, y_of, low: float, high: float) -> tuple[Stroke | None, tuple[str, ...]]:
    if point.mark == "without":
        return None, ()
    open_low = point.lower is None or point.lower < low
    open_high = point.upper is None or point.upper > high
    bottom, top = y_of(low if open_low else point.lower), y_of(high if open_high else point.upper)
    heads = []
    if open_low:
        heads.append(f"{x - HEAD},{bottom - HEAD:.1f} {x},{bottom} {x + HEAD},{bottom - HEAD:.1f}")
    if open_high:
        heads.append(f"{x - HEAD},{top + HEAD:.1f} {x},{top} {x + HEAD},{top + HEAD:.1f}")
    return Stroke(x, bottom, x, top), tuple(heads)


def _looks(point: Point, x: float, y: float, x_of) -> tuple[Stroke | None, tuple[str, ...]]:
    """The line from look to look; to the edge, with an arrow head, where nobody watched longer."""
    if point.mark == "without":
        return None, ()
    x1 = LEFT if point.low is None else min(x_of(point.low), x)
    x2 = RIGHT if point.high is None else max(x_of(point.high), x)
    heads = []
    if point.low is None:
        heads.append(f"{x1 + HEAD},{y - HEAD:.1f} {x1},{y} {x1 + HEAD},{y + HEAD:.1f}")
    if point.high is None:
        heads.append(f"{x2 - HEAD},{y - HEAD:.1f} {x2},{y} {x2 - HEAD},{y + HEAD:.1f}")
    return Stroke(x1, y, x2, y), tuple(heads)


def _mark(mark: str, x: float, y: float) -> str:
    """The outline of a mark: a diamond no other dose beats, a square the tub without, else round."""
    if mark in ("best", "costly"):
        reach = MARK + 1
        return f"M{x} {y - reach:.1f}L{x + reach:.1f} {y}L{x} {y + reach:.1f}L{x - reach:.1f} {y}Z"
    if mark == "without":
        side = MARK - 1.5
        return f"M{x - side:.1f} {y - side:.1f}h{2 * side}v{2 * side}h{-2 * side}Z"
    radius = MARK - 2
    return f"M{x - radius:.1f} {y}a{radius} {radius} 0 1 0 {2 * radius} 0a{radius} {radius} 0 1 0 {-2 * radius} 0Z"


def _labels(places: Sequence[tuple[float, float, str]]) -> list[tuple[float, float, str]]:
    """Beside each mark, on the side with room, a little above the lying line; moved down where labels would meet."""
    taken: list[tuple[float, float, float]] = []
    found: dict[int, tuple[float, float, str]] = {}
    for number in sorted(range(len(places)), key=lambda each: places[each][1]):
        x, y, label = places[number]
        long = LETTER * len(_short(label))
        to_right = x + MARK + 6 + long <= RIGHT
        start = x + MARK + 6 if to_right else x - MARK - 6 - long
        line = max(y - 8, TOP + LINE_HEIGHT)
        while any(
            abs(line - other) < LINE_HEIGHT and start < other_end and other_start < start + long
            for other, other_start, other_end in taken
        ):
            line += LINE_HEIGHT / 3
        taken.append((line, start, start + long))
        found[number] = (
            round(start if to_right else start + long, 1),
            round(line, 1),
            "start" if to_right else "end",
        )
    return [found[number] for number in range(len(places))]


def _short(label: str) -> str:
    return label if len(label) <= LONGEST_LABEL else f"{label[: LONGEST_LABEL - 1]}…"
