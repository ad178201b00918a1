"""Where the pans and assays of a zone stand on a picture of grade along time, depth or stations: results in, coordinates out."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.zone_grade import ASSAY, Result
from prospecting.calc.zone_picture import Foot, GradePicture, MeanPoint, Spot, day_spot, days_foot

WIDTH, HEIGHT = 360, 252
LEFT, RIGHT, TOP, BOTTOM = 48, 346, 28, 196
SMALLEST, LARGEST = 3, 7
# Pans and assays of one day stand side by side, pans to the left; marks that would hide each other move on by NEXT, so far
# as there is room.
ASIDE, NEXT, MOST_MOVED, MARGIN = 5, 9, 3, 34
# Words of so few signs stand under the middle of their mark, also at the ends.
SHORT = 6


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
class MeanLine:
    """The running mean of one kind as a path, and the band of its interval; blank where there is none."""

    kind: str
    path: str
    band: str


@dataclass(frozen=True)
class GradeChart:
    """Everything the picture is drawn from; lengths in units of its own frame, as text with a point."""

    marks: Sequence[Mark]
    foot_ticks: Sequence[Tick]
    grades: Sequence[Tick]
    unit: str
    label: str
    caption: str
    is_days: bool
    lines: Sequence[MeanLine] = ()
    breaks: Sequence[str] = ()
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
    spots = [day_spot(result) for result in results]
    return grade_chart(GradePicture(spots, days_foot(first, last)), grade_unit=grade_unit, label=label)


def grade_chart(picture: GradePicture, *, grade_unit: str, label: str) -> GradeChart:
    """Return the results drawn along their foot, with the running mean of each kind and where the method changed."""
    if not picture.spots:
        raise ValueError("There is no result to draw.")
    shown = [_shown(spot.result, grade_unit) for spot in picture.spots]
    means = [
        units.convert_grade(point.mean_g_per_t, "g_per_t", grade_unit)
        for points in picture.lines.values()
        for point in points
    ]
    step, top = _scale(max(shown + means))
    foot = picture.foot
    across = _Axis(foot.low, foot.high, LEFT + MARGIN, RIGHT - MARGIN)
    upward = _Axis(0, float(top), BOTTOM, TOP)
    return GradeChart(
        marks=_marks(picture.spots, across, upward, grade_unit),
        foot_ticks=_foot_ticks(foot, across),
        grades=[
            Tick(_text(upward.at(float(step * n))), numeral(step * n, "f"))
            for n in range(int(top / step) + 1)
        ],
        unit=units.UNIT_NAMES[grade_unit],
        label=label,
        caption=foot.caption,
        is_days=foot.is_days,
        lines=[
            _mean_line(kind, points, across, upward, grade_unit)
            for kind, points in picture.lines.items()
            if len(points) > 1
        ],
        breaks=[_text(across.at(place)) for place in picture.breaks],
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


def _marks(spots: Sequence[Spot], across: _Axis, upward: _Axis, grade_unit: str) -> list[Mark]:
    marks: list[Mark] = []
    taken: dict[tuple, int] = {}
    # The few assays come last, on top of the many pans.
    for spot in sorted(spots, key=lambda each: each.result.kind == ASSAY):
        result = spot.result
        # Marks of one place, kind and (to within a marker's height) grade would hide each other.
        place = (result.kind, spot.at, round(upward.at(float(_shown(result, grade_unit))) / LARGEST))
        moved = min(taken.get(place, 0), MOST_MOVED)
        taken[place] = taken.get(place, 0) + 1
        aside = ASIDE + moved * NEXT
        marks.append(_mark(spot, aside if result.kind == ASSAY else -aside, across, upward, grade_unit))
    return marks


def _mark(spot: Spot, aside: int, across: _Axis, upward: _Axis, grade_unit: str) -> Mark:
    result = spot.result
    x = across.at(spot.at) + aside
    y = upward.at(float(_shown(result, grade_unit)))
    # With the root of the share, so that it is the area that is compared.
    size = SMALLEST + (LARGEST - SMALLEST) * float(result.share) ** 0.5
    bar = None
    if spot.first != spot.last:
        bar = (_text(across.at(spot.first) + aside), _text(across.at(spot.last) + aside))
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
    parts = {
        "result": result.label,
        "lot": result.lot,
        "grade": units.format_grade(grade, grade_unit),
        "share": units.format_share(result.share),
    }
    if result.is_below:
        return phrase("{result} of {lot}: below {grade}, {share} from this zone", **parts)
    if result.is_above:
        return phrase("{result} of {lot}: above {grade}, {share} from this zone", **parts)
    return phrase("{result} of {lot}: {grade}, {share} from this zone", **parts)


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


def _foot_ticks(foot: Foot, across: _Axis) -> list[Tick]:
    """Words below the picture: at the ends they reach inward, so that none is cut off."""
    ticks = []
    for at, text in foot.ticks:
        anchor = "middle"
        if foot.high > foot.low and len(text) > SHORT:
            anchor = {foot.low: "start", foot.high: "end"}.get(at, "middle")
        ticks.append(Tick(_text(across.at(at)), text, anchor))
    return ticks


def _mean_line(
    kind: str, points: Sequence[MeanPoint], across: _Axis, upward: _Axis, grade_unit: str
) -> MeanLine:
    def corner(at: float, g_per_t: float) -> str:
        height = upward.at(float(units.convert_grade(g_per_t, "g_per_t", grade_unit)))
        # An interval may reach far above all results: it leaves the picture at the top.
        return f"{_text(across.at(at))} {_text(max(height, TOP))}"

    known = [point for point in points if point.low_g_per_t is not None]
    upper = [corner(point.at, point.high_g_per_t) for point in known]
    lower = [corner(point.at, point.low_g_per_t) for point in reversed(known)]
    return MeanLine(
        kind=kind,
        path="M" + "L".join(corner(point.at, point.mean_g_per_t) for point in points),
        band=f"M{'L'.join(upper + lower)}Z" if len(known) > 1 else "",
    )


def _text(length: float) -> str:
    return f"{length:.1f}"
