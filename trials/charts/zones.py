"""The digs of several zones as dots side by side on one scale of ratios: grades in, coordinates out."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from trials.charts.axis import FootAxis

WIDTH, LEFT, RIGHT, TOP, ROW, FOOT = 360, 16, 344, 8, 46, 44
SIZE = 5.0
# So few of the rows of dots that lie on one another are told apart.
LAYERS = 3


@dataclass(frozen=True)
class Dot:
    x: str
    y: str
    open: bool
    title: str


@dataclass(frozen=True)
class Row:
    name: str
    name_y: str
    line_y: str
    dots: Sequence[Dot]


@dataclass(frozen=True)
class ZoneDots(FootAxis):
    """The picture of one sort of digs; `ticks` are (x, figure)."""

    rows: Sequence[Row]
    ticks: Sequence[tuple[str, str]]
    unit: str
    height: int
    bottom: float
    width: int = WIDTH
    left: int = LEFT
    right: int = RIGHT


def zone_dots(zones: Mapping[str, Sequence[tuple[float, bool]]], *, grade_unit: str) -> ZoneDots:
    """Return the dots of each zone's digs: (g/t, whether that is a limit it lies below). A grade of nought stands at the left.

    No zone raises ValueError.
    """
    if not zones:
        raise ValueError("There is no zone to draw.")
    shown = {
        name: [(float(units.convert_grade(grade, "g_per_t", grade_unit)), below) for grade, below in digs]
        for name, digs in zones.items()
    }
    grades = [grade for digs in shown.values() for grade, _ in digs if grade > 0] or [1.0]
    low, high = _ends(min(grades), max(grades))
    bottom = TOP + ROW * len(shown)

    def across(grade: float) -> float:
        place = math.log(max(grade, low) / low) / math.log(high / low)
        return LEFT + SIZE + place * (RIGHT - LEFT - 2 * SIZE)

    return ZoneDots(
        rows=[
            _row(name, digs, TOP + ROW * place, across, grade_unit)
            for place, (name, digs) in enumerate(shown.items())
        ],
        ticks=[(f"{across(tick):.1f}", numeral(tick, "g")) for tick in _ticks(low, high)],
        unit=units.UNIT_NAMES[grade_unit],
        height=bottom + FOOT,
        bottom=bottom,
    )


def _row(name: str, digs: Sequence[tuple[float, bool]], top: float, across, grade_unit: str) -> Row:
    middle = top + 32
    dots, last = [], [-math.inf] * LAYERS
    for grade, below in sorted(digs):
        x = across(grade)
        # The first layer with room; where none has any, the dot lies on another.
        layer = next((place for place in range(LAYERS) if x - last[place] >= 2 * SIZE), 0)
        last[layer] = x
        shown = f"{numeral(grade, '.3g')} {units.UNIT_NAMES[grade_unit]}"
        words = phrase("below {grade}", grade=shown) if below else shown
        dots.append(Dot(f"{x:.1f}", f"{middle - layer * SIZE * 1.4:.1f}", below, words))
    return Row(name, f"{top + 12:.1f}", f"{middle:.1f}", dots)


def _ends(low: float, high: float) -> tuple[float, float]:
    """Round ends that leave room on both sides."""
    return _round(low, math.floor), max(_round(high, math.ceil), 2 * _round(low, math.floor))


def _round(grade: float, way) -> float:
    """The next of 1, 2 and 5 times a power of ten down or up, never the grade itself.

    >>> _round(3.0, math.floor), _round(3.0, math.ceil)
    (2.0, 5.0)
    """
    power = 10.0 ** math.floor(math.log10(grade))
    steps = [0.5 * power, power, 2 * power, 5 * power, 10 * power]
    if way is math.floor:
        return max(step for step in steps if step < grade)
    return min(step for step in steps if step > grade)


def _ticks(low: float, high: float) -> list[float]:
    """1, 2 and 5 times powers of ten between the ends; only the powers where there would be too many."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    steps = (1, 2, 5) if last - first <= 2 else (1,)
    ticks = [step * 10.0**power for power in range(first, last + 1) for step in steps]
    return [tick for tick in ticks if low * 0.999 <= tick <= high * 1.001]
