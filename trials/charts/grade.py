"""Where the pans and assays of a zone stand on a picture of grade over time: results in, coordinates out."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc import units
from prospecting.calc.zone_grade import ASSAY, Result

WIDTH, HEIGHT = 360, 252
LEFT, RIGHT, TOP, BOTTOM = 48, 346, 28, 196
SMALLEST, LARGEST = 3, 7
# Pans and assays of one day stand side by side, pans to the left; marks that would hide each other move on by NEXT, so far
# as there is room.
ASIDE, NEXT, MOST_MOVED, MARGIN = 5, 9, 3, 34


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
    across = _Axis(first.toordinal(), last.toordinal(), LEFT + MARGIN, RIGHT - MARGIN)
    upward = _Axis(0, float(top), BOTTOM, TOP)
    return GradeChart(
        marks=_marks(results, across, upward, grade_unit),
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


def _marks(results: Sequence[Result], across: _Axis, upward: _Axis, grade_unit: str) -> list[Mark]:
    marks: list[Mark] = []
    taken: dict[tuple, int] = {}
    # The few assays come last, on top of the many pans.
    for result in sorted(results, key=lambda each: each.kind == ASSAY):
        # Marks of one day, kind and (to within a marker's height) grade share a place.
        place = (result.kind, result.day, round(upward.at(float(_shown(result, grade_unit))) / LARGEST))
        moved = min(taken.get(place, 0), MOST_MOVED)
        taken[place] = taken.get(place, 0) + 1
        aside = ASIDE + moved * NEXT
        marks.append(_mark(result, aside if result.kind == ASSAY else -aside, across, upward, grade_unit))
    return marks


def _mark(result: Result, aside: int, across: _Axis, upward: _Axis, grade_unit: str) -> Mark:
    x = across.at(result.day.toordinal()) + aside
    y = upward.at(float(_shown(result, grade_unit)))
    # With the root of the share, so that it is the area that is compared.
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
    ticks = [
        Tick(_text(across.start), _day_text(first), "start"),
        Tick(_text(across.end), _day_text(last), "end"),
    ]
    if (last - first).days >= 3:
        middle = first + (last - first) // 2
        ticks.insert(1, Tick(_text(across.at(middle.toordinal())), f"{middle.day} {middle:%b}"))
    return ticks


def _day_text(day: datetime.date) -> str:
    return f"{day.day} {day:%b %Y}"


def _text(length: float) -> str:
    return f"{length:.1f}"
