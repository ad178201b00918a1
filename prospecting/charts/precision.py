"""How far two results of one thing lie apart, over their grade, on logarithmic axes: pairs as dots, groups, and their line."""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc import units
from prospecting.calc.number_words import numeral
from prospecting.charts.tick import Tick

WIDTH, HEIGHT = 360, 330
LEFT, RIGHT, TOP, BOTTOM = 52, 346, 26, 268
DOT, GROUP, ARROW = 3.0, 5.0, 11.0
STEPS = 60
# Ticks nearer than this would be printed over each other.
TICK_ROOM = 34.0
# Beyond the outermost values, as a factor.
ROOM = 1.15


@dataclass(frozen=True)
class PairDot:
    """One pair: its mean and difference in g/t."""

    mean: float
    difference: float
    title: str


@dataclass(frozen=True)
class DrawnPair:
    x: float
    y: float
    arrow: str
    title: str


@dataclass(frozen=True)
class DrawnGroup:
    x: float
    y: float
    title: str


@dataclass(frozen=True)
class PrecisionPicture:
    """Everything the picture is drawn from; lengths in units of its own frame."""

    name: str
    title: str
    description: str
    unit: str
    pairs: Sequence[DrawnPair]
    groups: Sequence[DrawnGroup]
    path: str
    across: Sequence[Tick]
    up: Sequence[Tick]
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = RIGHT
    top: int = TOP
    bottom: int = BOTTOM
    dot: float = DOT
    group: float = GROUP


def precision_picture(
    pairs: Sequence[PairDot],
    groups: Sequence[PairDot],
    line: Callable[[float], float],
    *,
    grade_unit: str,
    name: str,
    title: str,
    description: str,
) -> PrecisionPicture:
    """Return the picture of these pairs (means above nothing), their groups and the line between the outermost groups.

    A pair without any difference stands at the foot of the picture with an arrow down: on a logarithmic axis nothing lies
    infinitely low.
    """
    means = [pair.mean for pair in pairs]
    seen = [each.difference for each in (*pairs, *groups) if each.difference > 0] or [min(means)]
    place_x = _scale(min(means), max(means), LEFT, RIGHT)
    place_y = _scale(min(seen), max(seen), BOTTOM - 2 * ARROW, TOP)
    foot = round(BOTTOM - ARROW - DOT, 1)

    def drawn(pair: PairDot) -> DrawnPair:
        x = place_x(pair.mean)
        if pair.difference > 0:
            return DrawnPair(x, place_y(pair.difference), "", pair.title)
        tip = foot + ARROW
        arrow = f"M{x} {foot + DOT}V{tip}M{x - 2:.1f} {tip - 3}L{x} {tip}L{x + 2:.1f} {tip - 3}"
        return DrawnPair(x, foot, arrow, pair.title)

    return PrecisionPicture(
        name=name,
        title=title,
        description=description,
        unit=units.UNIT_NAMES[grade_unit],
        pairs=[drawn(pair) for pair in pairs],
        groups=[
            DrawnGroup(place_x(each.mean), place_y(each.difference), each.title)
            for each in groups
            if each.difference > 0
        ],
        path=_path(line, [each.mean for each in groups], min(seen), place_x, place_y),
        across=_ticks(min(means), max(means), place_x, grade_unit),
        up=_ticks(min(seen), max(seen), place_y, grade_unit),
    )


def _scale(low: float, high: float, start: float, end: float) -> Callable[[float], float]:
    """From a value to its place on a logarithmic axis, with a little room at both ends."""
    low, high = low / ROOM, high * ROOM

    def place(value: float) -> float:
        return round(start + (end - start) * math.log(value / low) / math.log(high / low), 1)

    return place


def _path(line, means: Sequence[float], lowest: float, place_x, place_y) -> str:
    """The line between the first and the last group, as far as it runs above the foot of the picture."""
    ratio = max(means) / min(means)
    at = [min(means) * ratio ** (step / STEPS) for step in range(STEPS + 1)]
    points = [f"{place_x(mean)} {place_y(line(mean))}" for mean in at if line(mean) >= lowest]
    return "M" + "L".join(points) if len(points) > 1 else ""


def _ticks(low: float, high: float, place, grade_unit: str) -> list[Tick]:
    """Round figures in the reader's unit between these grades in g/t; as many as have room, powers of ten first."""
    in_unit = float(units.convert_grade(Decimal(1), "g_per_t", grade_unit))
    first, last = math.floor(math.log10(low * in_unit)), math.ceil(math.log10(high * in_unit))
    powers = range(first, last + 1)
    series = [[10.0**power for power in powers if power % stride == 0] for stride in (4, 2, 1)]
    series += [
        [d * 10.0**power for power in powers for d in digits] for digits in ((1, 3), (1, 2, 5), range(1, 10))
    ]
    best: list[Tick] = []
    for values in series:
        inside = [value for value in values if low / ROOM <= value / in_unit <= high * ROOM]
        ticks = [
            Tick(place(value / in_unit), numeral(Decimal(f"{value:.3g}").normalize(), "f"))
            for value in inside
        ]
        if len(ticks) > len(best) and all(
            abs(b.at - a.at) >= TICK_ROOM for a, b in itertools.pairwise(ticks)
        ):
            best = ticks
    return best
