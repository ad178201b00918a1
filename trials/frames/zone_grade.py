"""The reading of one zone: pans and assays apart, means, trend, picture and the words that go outside."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median_low

from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import numeral
from prospecting.calc.zone_digs import DigValue, running_means
from prospecting.calc.zone_grade import ASSAY, PAN, Result
from prospecting.calc.zone_picture import Foot, GradePicture, MeanPoint, Spot, day_spot, days_foot
from prospecting.models import Zone
from trials.calc.working import Working
from trials.frames import results as of_lots
from trials.frames.results import Earlier, Estimate, grade_text, mean_row, mean_text, range_text
from trials.frames.zone_results import (
    ResultList,
    ZoneResult,
    ZoneResults,
    depth_of,
    in_place,
    results_from,
    stations_of,
    values_by_dig,
)
from trials.frames.zone_rows import ZoneRows, rows_of_zone
from trials.frames.zone_statement import NOT_TO_BE_SAID, statement_of
from trials.frames.zone_words import MeanLine, MethodChange, TrendWords, changes_of, mean_lines, trend_words
from trials.frames.zone_words import influence as influence_of

DAY, DEPTH, STATION = "day", "depth", "station"
ALONG = {
    DAY: gettext_lazy("over time"),
    DEPTH: gettext_lazy("with depth"),
    STATION: gettext_lazy("by station"),
}
# Beyond so many results one dot stands for all pans (or assays) of a dig.
MOST_DOTS = 400
MOST_POINTS = 120
MOST_STATIONS_NAMED = 8
NAMES = {PAN: gettext_lazy("Pans"), ASSAY: gettext_lazy("Assays")}


@dataclass(frozen=True)
class KindReading:
    """What the pans, or the assays, of a zone say together. `own` are of lots wholly from this zone, None where all are;
    `values` are of digs of material as it lay, oldest first.
    """

    name: str
    kind: str
    estimate: Estimate
    own: Estimate | None
    values: Sequence[DigValue]
    picked: Sequence[DigValue]
    means: Sequence[MeanLine]
    influence: str
    trend: TrendWords | None
    changes: Sequence[MethodChange]
    failed: int
    accepted: int
    without_failed: str


@dataclass(frozen=True)
class ResultLine:
    """A result as the list shows it; `where` is its station or depth, blank along time."""

    result: ZoneResult
    mass: str
    grade: str
    where: str


@dataclass(frozen=True)
class ZoneGrade:
    """Everything the zone's page shows of pans and assays."""

    found: ZoneResults
    kinds: Sequence[KindReading]
    statement: Sequence[str]
    picture: GradePicture | None
    along: str
    lines: Sequence[ResultLine]
    not_drawn: int
    by_dig: bool
    working: Working | None

    @property
    def results(self) -> ResultList:
        return self.found.results

    @property
    def latest(self) -> ResultList:
        """The results named one by one, oldest first."""
        return self.results[-of_lots.MOST_RESULTS :]

    @property
    def panned(self) -> Estimate | None:
        return self._estimate(PAN)

    @property
    def assayed(self) -> Estimate | None:
        return self._estimate(ASSAY)

    @property
    def left_out(self) -> int:
        return self.found.left_out

    @property
    def waiting(self) -> int:
        return self.found.waiting

    @property
    def colours_only(self) -> int:
        return self.found.colours_only

    @property
    def sample_kinds(self) -> list[str]:
        return sorted({dig.kind_text for dig in self.found.behind(self.results)})

    @property
    def has_select(self) -> bool:
        return any(not in_place(dig) for dig in self.found.behind(self.results))

    @property
    def has_wet(self) -> bool:
        return False in self.results.bases

    @property
    def has_screened(self) -> bool:
        return self.results.has_screened

    @property
    def has_mixed(self) -> bool:
        return self.results.has_mixed

    @property
    def has_bounds(self) -> bool:
        return any(not reading.estimate.mean.is_exact for reading in self.kinds)

    @property
    def not_to_be_said(self) -> Sequence[str]:
        return NOT_TO_BE_SAID

    @property
    def marked(self) -> list[KindReading]:
        """Kinds with values whose return's checks did not all pass."""
        return [reading for reading in self.kinds if reading.failed or reading.accepted]

    def _estimate(self, kind: str) -> Estimate | None:
        return next((reading.estimate for reading in self.kinds if reading.kind == kind), None)


def zone_grade(zone: Zone, *, grade_unit: str, mass_unit: str, along: str = DAY) -> ZoneGrade:
    """Every counted pan and assay of material of this zone, each with the zone's share in its lot and the days it was dug."""
    rows = rows_of_zone(zone)
    return grade_from(rows, zone.name, grade_unit=grade_unit, mass_unit=mass_unit, along=along)


def grade_from(rows: ZoneRows, name: str, *, grade_unit: str, mass_unit: str, along: str = DAY) -> ZoneGrade:
    """The same from rows already read."""
    found = results_from(rows)
    length_unit = "ft" if mass_unit == "lb" else "m"
    kinds = [
        _kind_reading(found, kind, grade_unit, length_unit, along)
        for kind in (PAN, ASSAY)
        if found.results.of(kind)
    ]
    spots, foot, by_dig = _spots(found, kinds, along, length_unit)
    picture = None
    if spots:
        lines = _lines(kinds, found, along, length_unit)
        picture = GradePicture(spots, foot, lines, _breaks(kinds) if along == DAY else ())
    estimates = {reading.kind: reading.estimate for reading in kinds}
    panned, assayed = estimates.get(PAN), estimates.get(ASSAY)
    return ZoneGrade(
        found=found,
        kinds=kinds,
        statement=statement_of(
            name,
            found,
            {reading.kind: reading.own or reading.estimate for reading in kinds},
            mass_unit=mass_unit,
        ),
        picture=picture,
        along=along,
        lines=[
            ResultLine(
                result=result,
                mass=units.format_mass(result.mass_g, mass_unit),
                grade=grade_text(result, grade_unit),
                where=_where(result, found, along, length_unit),
            )
            for result in found.results[-of_lots.MOST_RESULTS :]
        ],
        not_drawn=0 if by_dig else len(found.results) - len(spots),
        by_dig=by_dig,
        working=_working(panned, assayed, grade_unit, mass_unit),
    )


def _kind_reading(
    found: ZoneResults, kind: str, grade_unit: str, length_unit: str, along: str
) -> KindReading:
    from prospecting.calc.zone_columns import mean_of

    results = found.results.of(kind)
    values = values_by_dig(found, kind, in_place)
    changes = changes_of(values)
    own, failed, passed = results.wholly_from_here, results.failed, results.not_failed
    without = mean_of(passed.columns) if failed and passed else None
    return KindReading(
        name=str(NAMES[kind]),
        kind=kind,
        estimate=estimate_of(results, grade_unit),
        own=estimate_of(own, grade_unit) if own and len(own) < len(results) else None,
        values=values,
        picked=values_by_dig(found, kind, lambda dig: not in_place(dig)),
        means=mean_lines(values, grade_unit),
        influence=influence_of(results, grade_unit),
        trend=_trend(found, values, str(NAMES[kind]), grade_unit, length_unit, along),
        changes=changes,
        failed=len(failed),
        accepted=len(results.accepted),
        without_failed=mean_text(without, grade_unit) if without else "",
    )


def estimate_of(results: ResultList, grade_unit: str) -> Estimate:
    """What these results say together; `frames.results` does the same for the few of a lot, from records."""
    from prospecting.calc.zone_columns import mass_of, mean_of, range_of

    mean = mean_of(results.columns)
    earlier = results[: -of_lots.MOST_RESULTS]
    return Estimate(
        results=results,
        mean=mean,
        mean_text=mean_text(mean, grade_unit),
        range_text=range_text(range_of(results.columns), grade_unit),
        below=results.below,
        above=results.above,
        digs=len(results.digs),
        earlier=Earlier(len(earlier), mean_of(earlier.columns), mass_of(earlier.columns))
        if earlier
        else None,
    )


def _trend(
    found: ZoneResults,
    values: Sequence[DigValue],
    what: str,
    grade_unit: str,
    length_unit: str,
    along: str,
) -> TrendWords | None:
    """Along time, or along depth where the digs have one; stations have no order a trend could follow."""
    from trials.calc.zone_trend import in_months

    if not values or along == STATION:
        return None
    if along == DAY:
        at = in_months([value.day for value in values])
        return trend_words(values, at, along="time", what=what, grade_unit=grade_unit)
    placed = _by_depth(found, values, length_unit)
    return trend_words(
        [value for _, value in placed],
        [depth for depth, _ in placed],
        along="depth",
        what=what,
        grade_unit=grade_unit,
        length_unit=length_unit,
    )


def _where(result: ZoneResult, found: ZoneResults, along: str, length_unit: str) -> str:
    """The stations of a result, and its depths in the reader's unit; blank along time."""
    if along == DAY:
        return ""
    digs = [found.digs[pk] for pk in sorted(result.digs)]
    if along == STATION:
        return ", ".join(dict.fromkeys(dig.station for dig in digs))
    depths = sorted({dig.depth_m for dig in digs if dig.depth_m is not None})
    shown = [
        f"{numeral(units.convert_length(depth, 'm', length_unit), '.3g')} {length_unit}" for depth in depths
    ]
    return ", ".join(shown) if shown else phrase("depth not known")


def _by_depth(
    found: ZoneResults, values: Sequence[DigValue], length_unit: str
) -> list[tuple[float, DigValue]]:
    """Digs of a known depth, the shallowest first, each with its depth in the reader's unit."""
    depths = [(depth_of(value, found), value) for value in values]
    return sorted(
        (
            (float(units.convert_length(depth, "m", length_unit)), value)
            for depth, value in depths
            if depth is not None
        ),
        key=lambda pair: (pair[0], pair[1].day),
    )


def _spots(
    found: ZoneResults, kinds: Sequence[KindReading], along: str, length_unit: str
) -> tuple[list[Spot], Foot | None, bool]:
    """What the picture's dots are, its foot, and whether each stands for a whole dig."""
    by_dig = len(found.results) > MOST_DOTS
    dots: Sequence[Result] = found.results
    if by_dig:
        dots = [
            _dot(value, reading.kind, found) for reading in kinds for value in reading.values[-MOST_DOTS:]
        ]
    if along == DAY:
        spots = [day_spot(dot) for dot in dots]
        foot = (
            days_foot(*_ends([dot.first_day for dot in dots], [dot.last_day for dot in dots]))
            if dots
            else None
        )
    elif along == DEPTH:
        spots = [spot for dot in dots if (spot := _depth_spot(dot, found, length_unit))]
        foot = _depth_foot(spots, length_unit)
    else:
        spots, foot = _station_spots(dots, found)
    return spots, foot, by_dig


def _ends(first, last) -> tuple:
    return min(first), max(last)


def _dot(value: DigValue, kind: str, found: ZoneResults) -> Result:
    """One dig's value as a dot of the picture."""
    limit = value.high_g_per_t if value.is_below else value.low_g_per_t if value.is_above else None
    return Result(
        kind=kind,
        lot=phrase("the dig at {stations}", stations=stations_of(value, found)),
        day=value.day,
        first_day=value.day,
        last_day=value.day,
        share=1.0,
        grade_g_per_t=None if limit is not None else value.middle_g_per_t,
        limit_g_per_t=limit,
        is_below=value.is_below,
        is_above=value.is_above,
        mass_g=value.weight_g,
        label=phrase_counted("mean of {number} pan", "mean of {number} pans", value.results)
        if kind == PAN
        else phrase_counted("mean of {number} assay", "mean of {number} assays", value.results),
        digs=value.digs,
    )


def _depth_spot(dot: Result, found: ZoneResults, length_unit: str) -> Spot | None:
    depths = [found.digs[pk].depth_m for pk in dot.digs]
    if not depths or None in depths:
        return None
    shown = [float(units.convert_length(depth, "m", length_unit)) for depth in depths]
    # Of a lot from several depths no single one is its own: a bar over all of them.
    return Spot(dot, median_low(shown), min(shown), max(shown))


def _depth_foot(spots: Sequence[Spot], length_unit: str) -> Foot | None:
    if not spots:
        return None
    low, high = min(spot.first for spot in spots), max(spot.last for spot in spots)
    ticks = [(place, numeral(place, ".3g")) for place in dict.fromkeys((low, high))]
    return Foot(low, high, ticks, phrase("depth below the surface ({unit})", unit=length_unit))


def _station_spots(dots: Sequence[Result], found: ZoneResults) -> tuple[list[Spot], Foot | None]:
    """Stations side by side in the order of their names; what comes from several stations is not drawn."""
    stations = {}
    for dot in dots:
        names = {found.digs[pk].station for pk in dot.digs}
        if len(names) == 1:
            stations.setdefault(names.pop(), []).append(dot)
    ordered = sorted(stations, key=_as_counted)
    if not ordered:
        return [], None
    spots = [Spot(dot, at, at, at) for at, name in enumerate(ordered) for dot in stations[name]]
    named = list(enumerate(ordered)) if len(ordered) <= MOST_STATIONS_NAMED else []
    if not named:
        named = [(0, ordered[0]), (len(ordered) - 1, ordered[-1])]
    return spots, Foot(0, len(ordered) - 1, [(at, name[:12]) for at, name in named], phrase("station"))


def _as_counted(name: str) -> list[tuple[bool, int, str]]:
    """S2 before S10."""
    parts = "".join(sign if sign.isdecimal() else f" {sign} " for sign in name).split()
    return [(part.isdecimal(), int(part) if part.isdecimal() else 0, part) for part in parts]


def _lines(
    kinds: Sequence[KindReading], found: ZoneResults, along: str, length_unit: str
) -> dict[str, list[MeanPoint]]:
    """The running mean of each kind with its interval, digs added in the order of the picture's foot."""
    if along == STATION:
        return {}
    lines = {}
    for reading in kinds:
        placed = (
            [(float(value.day.toordinal()), value) for value in reading.values]
            if along == DAY
            else _by_depth(found, reading.values, length_unit)
        )
        means = running_means([value for _, value in placed], _reaches(len(placed)))
        points = [
            MeanPoint(at, mean.mean_g_per_t, mean.low_g_per_t, mean.high_g_per_t)
            for (at, _), mean in zip(placed, means, strict=True)
        ]
        lines[reading.kind] = points[-MOST_POINTS:]
    return lines


def _reaches(digs: int) -> list[float]:
    from trials.calc.simultaneous import t_quantile

    return [t_quantile(0.975, max(1, n - 1)) for n in range(1, min(digs, MOST_POINTS) + 1)] or [0.0]


def _breaks(kinds: Sequence[KindReading]) -> list[float]:
    """Where the method changed, drawn at the first dig done otherwise; a zone done now so, now so is only said."""
    return [
        float(reading.values[change.place].day.toordinal())
        for reading in kinds
        if len(reading.changes) <= 3
        for change in reading.changes
    ]


def _working(
    panned: Estimate | None, assayed: Estimate | None, grade_unit: str, mass_unit: str
) -> Working | None:
    formula = phrase(
        "sum of (grade × share of this zone × mass measured) ÷ sum of (share of this zone × mass measured)"
    )
    pairs = ((phrase("Mean of the pans"), panned), (phrase("Mean of the assays"), assayed))
    rows = tuple(
        mean_row(estimate, label, formula, grade_unit, mass_unit)
        for label, estimate in pairs
        if estimate is not None
    )
    if not rows:
        return None
    return Working(
        rows=rows,
        assumptions=(
            phrase(
                "Each lot is taken as well mixed. A lot with material of several zones has one grade for all of "
                "them; it counts here by this zone's share, and is no measure of this zone alone."
            ),
            phrase(
                "The day is the mean of the days the zone's material in the lot was dug, weighted by share."
            ),
            phrase(
                "Pans: test pans, and control runs of blocks whose key is open. Assays: the value in use of each sample."
            ),
            phrase(
                "Means over digs, intervals and trends take one value a dig: its own results by mass; a lot blended "
                "of several digs counts only where none of them has a result of its own. Picked pieces, dumps, "
                "screened lots and lots with material of other zones stay out of them."
            ),
            phrase(
                "Running mean: variance of a ratio over digs (Cochran 1977, chapter 6, from memory), Student's t. Trend: "
                "Mann-Kendall and Sen (Gilbert 1987, chapter 16, from memory). Lognormal mean: Sichel 1966, limit: Land 1971; "
                "Kaplan-Meier and the line through detects: Helsel 2012 (all from memory)."
            ),
        ),
    )
