"""Where the pans and assays of a zone stand on a picture of grade over time: results in, coordinates out."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc import units
from prospecting.calc.zone_grade import ASSAY, Result

WIDTH, HEIGHT = 360, 230
LEFT, RIGHT, TOP, BOTTOM = 48, 346, 14, 186
SMALLEST, LARGEST = 3, 7
# Pans and assays of one day stand side by side, not on each other.
ASIDE = 5


@dataclass(frozen=True)
class Mark:
    """One result: its place, its size by the zone's share, the bar over the days dug (from, to), and its words.

    `way` is "" for a measured grade, "below" or "above" for a limit, drawn open with an arrow to the side it lies on.
    """

    kind: str
    x: str
    y: str
    size: str
    corner_x: str
    corner_y: str
    side: str
    arrow: str
    way: str
    bar: tuple[str, str] | None
    url: str
    title: str


@dataclass(frozen=True)
class Tick:
    at: str
    text: str
    anchor: str = "middle"


@dataclass(frozen=True)
class GradeChart:
    """Everything the picture is drawn from; lengths in units of its own frame, as text with a point."""

    marks: Sequence[Mark]
    days: Sequence[Tick]
    grades: Sequence[Tick]
    unit: str
    label: str
    width: int = WIDTH
    height: int = HEIGHT
    left: int = LEFT
    right: int = RIGHT
    top: int = TOP
    bottom: int = BOTTOM


def grade_over_time(results: Sequence[Result], *, grade_unit: str, label: str) -> GradeChart:
    """Return the picture of these results, grade in `grade_unit` upward from zero, days to the right.

    Raises ValueError without results: a page without any says what to do instead.
    """
    if not results:
        raise ValueError("There is no result to draw.")
    first = min(result.first_day for result in results)
    last = max(result.last_day for result in results)
    step, top = _scale(max(_shown(result, grade_unit) for result in results))
    across = _Axis(first.toordinal(), last.toordinal(), LEFT + 14, RIGHT - 14)
    upward = _Axis(0, float(top), BOTTOM, TOP)
    return GradeChart(
        marks=[_mark(result, across, upward, grade_unit) for result in results],
        days=_day_ticks(first, last, across),
        grades=[Tick(_text(upward.at(float(step * n))), f"{step * n:f}") for n in range(int(top / step) + 1)],
        unit=units.UNIT_NAMES[grade_unit],
        label=label,
    )


@dataclass(frozen=True)
class _Axis:
    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        if self.high == self.low:
            return (self.start + self.end) / 2
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)


def _mark(result: Result, across: _Axis, upward: _Axis, grade_unit: str) -> Mark:
    aside = ASIDE if result.kind == ASSAY else -ASIDE
    x = across.at(result.day.toordinal()) + aside
    y = upward.at(float(_shown(result, grade_unit)))
    # The area, not the radius, goes with the share.
    size = SMALLEST + (LARGEST - SMALLEST) * float(result.share) ** 0.5
    bar = None
    if result.spans_days:
        bar = (
            _text(across.at(result.first_day.toordinal()) + aside),
            _text(across.at(result.last_day.toordinal()) + aside),
        )
    way = "below" if result.is_below else "above" if result.is_above else ""
    # Away from the marker's edge, down for what lies below its limit and up for what lies above.
    direction = 1 if result.is_below else -1
    tip, wing = y + direction * (size + 9), y + direction * (size + 5)
    arrow = (
        f"M{_text(x)} {_text(y + direction * size)}V{_text(tip)}"
        f"M{_text(x - 3)} {_text(wing)}L{_text(x)} {_text(tip)}L{_text(x + 3)} {_text(wing)}"
    )
    return Mark(
        kind=result.kind,
        x=_text(x),
        y=_text(y),
        size=_text(size),
        corner_x=_text(x - size),
        corner_y=_text(y - size),
        side=_text(2 * size),
        arrow=arrow if way else "",
        way=way,
        bar=bar,
        url=result.url,
        title=_title(result, grade_unit),
    )


def _title(result: Result, grade_unit: str) -> str:
    grade = result.limit_g_per_t if result.grade_g_per_t is None else result.grade_g_per_t
    way = "below " if result.is_below else "above " if result.is_above else ""
    share = units.format_share(result.share)
    return f"{result.label} of {result.lot}: {way}{units.format_grade(grade, grade_unit)}, {share} from this zone"


def _shown(result: Result, grade_unit: str) -> Decimal:
    grade = result.limit_g_per_t if result.grade_g_per_t is None else result.grade_g_per_t
    return units.convert_grade(grade, "g_per_t", grade_unit)


def _scale(highest: Decimal) -> tuple[Decimal, Decimal]:
    """A round step and the top of the axis, so that three to six steps reach above the highest value.

    >>> _scale(Decimal("17.8"))
    (Decimal('5'), Decimal('20'))
    """
    if highest <= 0:
        return Decimal("0.5"), Decimal(1)
    size = Decimal(1).scaleb(highest.adjusted() - 1)
    step = next(step for step in (2 * size, 5 * size, 10 * size, 20 * size, 50 * size) if highest / step < 5)
    steps = int(highest / step) + 1
    return Decimal(f"{step.normalize():f}"), Decimal(f"{(step * steps).normalize():f}")


def _day_ticks(first: datetime.date, last: datetime.date, across: _Axis) -> list[Tick]:
    if first == last:
        return [Tick(_text(across.at(first.toordinal())), _day_text(first))]
    return [
        Tick(_text(across.start), _day_text(first), "start"),
        Tick(_text(across.end), _day_text(last), "end"),
    ]


def _day_text(day: datetime.date) -> str:
    return f"{day.day} {day:%b %Y}"


def _text(length: float) -> str:
    return f"{length:.1f}"
