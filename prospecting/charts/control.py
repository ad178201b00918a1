"""Where the results of one check material stand on its control chart: results and limits in, coordinates out."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc import units
from prospecting.calc.number_words import numeral
from prospecting.charts.tick import Tick

WIDTH, HEIGHT = 360, 250
LEFT, RIGHT, TOP, BOTTOM = 50, 298, 26, 190
RADIUS, ARROW = 4.0, 13.0
# Room above and below the outermost result or limit, as a share of the height between them.
PAD = 0.06
MOST_TICKS = 5
# Labels of limits nearer than this would be printed over each other.
LABEL_GAP = 13.0


@dataclass(frozen=True)
class Result:
    """One result in g/t, in order of reporting. `way` is "below" or "above" where only a limit is known."""

    value: float
    day: str
    title: str
    way: str = ""
    is_signal: bool = False


@dataclass(frozen=True)
class Line:
    """A line across the chart in g/t: its label at the right, its `kind` certified, warning, action or plain."""

    value: float
    label: str
    kind: str = "plain"


@dataclass(frozen=True)
class DrawnResult:
    x: float
    y: float
    way: str
    arrow: str
    is_signal: bool
    title: str


@dataclass(frozen=True)
class DrawnLine:
    y: float
    label_y: float
    label: str
    kind: str


@dataclass(frozen=True)
class ControlPicture:
    """Everything the picture is drawn from; lengths in units of its own frame."""

    name: str
    title: str
    description: str
    unit: str
    results: Sequence[DrawnResult]
    path: str
    lines: Sequence[DrawnLine]
    grades: Sequence[Tick]
    days: Sequence[Tick]
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = RIGHT
    bottom: int = BOTTOM
    radius: float = RADIUS


def control_picture(
    results: Sequence[Result],
    lines: Sequence[Line],
    *,
    grade_unit: str,
    name: str,
    title: str,
    description: str,
    from_zero: bool = False,
) -> ControlPicture | None:
    """Return the picture of these results in their order, evenly spaced; None without any.

    The grade runs upward in `grade_unit`; `from_zero` lets it begin at nothing, as for blanks.
    """
    if not results:
        return None
    values = [_in_unit(each.value, grade_unit) for each in (*results, *lines)]
    low, high = (0.0 if from_zero else min(values)), max(values)
    room = PAD * (high - low) or PAD * high or 1.0
    low, high = (low if from_zero else low - room), high + room

    def y_of(value: float) -> float:
        return round(BOTTOM - (value - low) / (high - low) * (BOTTOM - TOP), 1)

    drawn = [
        _drawn(each, x, y_of(_in_unit(each.value, grade_unit)))
        for each, x in zip(results, _places(len(results)), strict=True)
    ]
    return ControlPicture(
        name=name,
        title=title,
        description=description,
        unit=units.UNIT_NAMES[grade_unit],
        results=drawn,
        path="M" + "L".join(f"{each.x} {each.y}" for each in drawn) if len(drawn) > 1 else "",
        lines=_lines(lines, lambda value: y_of(_in_unit(value, grade_unit))),
        grades=[Tick(y_of(value), text) for value, text in _ticks(max(low, 0.0), high)],
        days=_days(results, drawn),
    )


def _places(number: int) -> list[float]:
    inner_left, inner_right = LEFT + 12, RIGHT - 12
    if number == 1:
        return [(inner_left + inner_right) / 2]
    step = (inner_right - inner_left) / (number - 1)
    return [round(inner_left + n * step, 1) for n in range(number)]


def _drawn(result: Result, x: float, y: float) -> DrawnResult:
    # Down from what lies below its limit, up from what lies above.
    side = 1 if result.way == "below" else -1
    tip, wing = round(y + side * ARROW, 1), round(y + side * (ARROW - 4), 1)
    start = round(y + side * RADIUS, 1)
    arrow = f"M{x} {start}V{tip}M{x - 3:.1f} {wing}L{x} {tip}L{x + 3:.1f} {wing}" if result.way else ""
    return DrawnResult(x, y, result.way, arrow, result.is_signal, result.title)


def _lines(lines: Sequence[Line], y_of) -> list[DrawnLine]:
    """The lines from top to bottom; where two labels would meet, the lower one keeps its distance."""
    drawn, last = [], -math.inf
    for line in sorted(lines, key=lambda each: -each.value):
        y = y_of(line.value)
        label_y = max(y + 4, last + LABEL_GAP)
        drawn.append(DrawnLine(y, round(label_y, 1), line.label, line.kind))
        last = label_y
    return drawn


def _days(results: Sequence[Result], drawn: Sequence[DrawnResult]) -> list[Tick]:
    if len(results) == 1:
        return [Tick(drawn[0].x, results[0].day)]
    return [Tick(LEFT, results[0].day, "start"), Tick(RIGHT, results[-1].day, "end")]


def _ticks(low: float, high: float) -> list[tuple[float, str]]:
    """Round figures from low to high, at most MOST_TICKS + 1 of them, written alike."""
    size = 10.0 ** math.floor(math.log10((high - low) / MOST_TICKS))
    step = next(size * factor for factor in (1, 2, 5, 10) if (high - low) / (size * factor) <= MOST_TICKS)
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [(n * step, numeral(n * step, f".{places}f")) for n in range(first, last + 1)]


def _in_unit(grade_g_per_t: float, grade_unit: str) -> float:
    return float(units.convert_grade(Decimal(str(grade_g_per_t)), "g_per_t", grade_unit))
