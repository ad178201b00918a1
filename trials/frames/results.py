"""What pans and assays say of a lot: read in a few queries, put together by prospecting.calc.zone_grade."""

import datetime
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Case, F, Q, Value, When
from django.urls import reverse
from django.utils.timezone import localdate
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.grade import below_scale_grade, grade_g_per_t
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.zone_grade import (
    ASSAY,
    PAN,
    Between,
    MeanGrade,
    Result,
    counted_mass_g,
    mean_grade,
    recovery_between,
)
from prospecting.models import Reading, Sample
from trials.calc.working import Working, WorkingRow
from trials.models import Run

MOST_RUNS = 40
# Results that a page names one by one; the rest stand together.
MOST_RESULTS = 200
PAN_FORMULA = gettext_lazy(
    "grade = gold in mg × 1000 ÷ portion in g; mean = all the gold ÷ all the ore panned"
)
ASSAY_FORMULA = gettext_lazy("mean = sum of (grade × mass of the sample) ÷ all the mass sent")
BOUNDS_FORMULA = gettext_lazy(
    "lower bound: what lies below a limit counts as nothing; upper bound: it counts as the limit"
)
NEVER_ONE_QUANTITY = gettext_lazy(
    "Panning catches free gold, fire assay counts all of it: the two are never one quantity, "
    "so this ratio is no calibration."
)


@dataclass(frozen=True, kw_only=True)
class RecordedResult(Result):
    """A result with the record it stands in."""

    record: Run | Sample

    @property
    def url(self) -> str:
        """Made only for the results that are shown: thousands of addresses take longer than all the arithmetic."""
        if isinstance(self.record, Run):
            return self.record.get_absolute_url()
        return reverse("return-detail", args=[self.record.reading_in_use.assay_return_id])


@dataclass(frozen=True)
class Earlier:
    """The results that are not named one by one: how many, their mean and the mass they speak for."""

    number: int
    mean: MeanGrade
    mass_g: Decimal


@dataclass(frozen=True)
class Estimate:
    """What the results of one kind say together: their mean, their range, and those with no figure of their own."""

    results: Sequence[RecordedResult]
    mean: MeanGrade
    mean_text: str
    range_text: str
    below: Sequence[RecordedResult]
    above: Sequence[RecordedResult]
    digs: int
    earlier: Earlier | None = None


@dataclass(frozen=True)
class BesideAssay:
    """Field estimate beside assay of one lot. `recovery_text` is the apparent recovery, blank while one of the two is missing.

    `panned_above_assay` even at the least the pans can mean; `wet` counts the pans of material that was not dried,
    `colours_only` those whose gold was counted but not weighed.
    """

    panned: Estimate | None
    assayed: Estimate | None
    recovery_text: str
    panned_above_assay: bool
    wet: int
    colours_only: int
    working: Working | None


@dataclass(frozen=True)
class RunLine:
    """A run as the lot's page lists it. While its block is open neither treatment nor result is told."""

    run: Run
    result: RecordedResult | None
    hidden: bool
    treatment: str
    in_estimate: bool


def beside_assay(lot_ids: Collection[int], *, grade_unit: str, mass_unit: str) -> BesideAssay:
    """Field estimate and assay of lots that are the same material, their mean, range and apparent recovery."""
    graded, colours_only = _untreated(lot_ids)
    pans = [_pan(run) for run in graded]
    assays = [_assay(sample) for sample in _answered(lot_ids)]
    panned, assayed = estimate_of(pans, grade_unit), estimate_of(assays, grade_unit)
    recovery = recovery_between(panned.mean, assayed.mean) if panned and assayed else Between(None, None)
    return BesideAssay(
        panned=panned,
        assayed=assayed,
        recovery_text=_between_text(recovery),
        panned_above_assay=recovery.low is not None and recovery.low > 1,
        wet=sum(not result.is_dry for result in pans),
        colours_only=colours_only,
        working=_lot_working(panned, assayed, recovery, grade_unit, mass_unit),
    )


def runs_of(lot_ids: Collection[int]) -> list[RunLine]:
    """The newest runs of these lots, at most MOST_RUNS and one more. An open block's treatment stays in the database."""
    key_open = Q(planned__block__closed_at__isnull=False)
    runs = (
        Run.objects.filter(lot__in=lot_ids)
        .exclude(pk__in=Run.objects.blind_bridges().values("pk"))
        .for_list()
        .select_related("planned__block")
        .defer("planned__treatment")
        .annotate(
            treatment_shown=Case(When(key_open, then=F("planned__treatment__name"))),
            # Both lots of a bridge go untreated.
            is_control=Case(
                When(key_open & Q(planned__trial__new_lot__isnull=False), then=Value(True)),
                When(key_open, then=F("planned__treatment__is_control")),
            ),
        )
    )
    return [_run_line(run) for run in runs[: MOST_RUNS + 1]]


def readings_of(lot_ids: Collection[int]) -> list[Reading]:
    """Every reading of samples taken from these lots, in the order they came back and were printed."""
    readings = Reading.objects.filter(sample__lot__in=lot_ids).in_turn()
    return list(readings.select_related("sample__lot", "sample__dispatch__laboratory", "assay_return"))


def samples_waiting(lot_ids: Collection[int]) -> list[Sample]:
    """Samples of these lots of which the laboratory has said nothing yet."""
    return list(
        Sample.objects.of_lots(lot_ids)
        .filter(readings__isnull=True)
        .select_related("lot", "dispatch__laboratory")
    )


def _untreated(lots) -> tuple[list[Run], int]:
    """Untreated runs of these lots with a weight or below the scale; and how many there are whose colours alone were counted."""
    untreated = (
        Run.objects.standing().untreated().filter(lot__in=lots).select_related("lot", "planned__trial")
    )
    runs = list(untreated)
    graded = [run for run in runs if run.gold_mg is not None or run.below_scale]
    return graded, len(runs) - len(graded)


def _answered(lot_ids: Collection[int]) -> list[Sample]:
    samples = Sample.objects.of_lots(lot_ids).with_value().select_related("dispatch")
    return list(samples.answered())


def _pan(run: Run, label: str = "") -> RecordedResult:
    weighed = run.gold_mg is not None
    return _recorded(
        run,
        run.panned_on,
        kind=PAN,
        grade_g_per_t=grade_g_per_t(run.gold_mg, run.portion_mass_g) if weighed else None,
        limit_g_per_t=None if weighed else below_scale_grade(run.scale_step_mg, run.portion_mass_g),
        is_below=not weighed,
        mass_g=run.portion_mass_g,
        label=label
        or (phrase("control run {code}", code=run.planned.blind_code) if run.planned else phrase("test pan")),
    )


def _assay(sample: Sample) -> RecordedResult:
    value = sample.in_use
    return _recorded(
        sample,
        sample.dispatch.sent_on or localdate(sample.dispatch.recorded_at),
        kind=ASSAY,
        grade_g_per_t=value.grade_g_per_t,
        limit_g_per_t=value.limit_g_per_t,
        is_below=value.symbol == Reading.Symbol.BELOW,
        is_above=value.symbol == Reading.Symbol.ABOVE,
        mass_g=sample.lot.mass_g,
        label=sample.dispatch.get_method_display(),
    )


def _recorded(record: Run | Sample, day: datetime.date, **measured) -> RecordedResult:
    """All of a lot, dated by the day it was panned or sent."""
    return RecordedResult(
        record=record,
        lot=record.lot.code,
        is_dry=record.lot.is_dry,
        share=Decimal(1),
        day=day,
        first_day=day,
        last_day=day,
        **measured,
    )


def _run_line(run: Run) -> RunLine:
    hidden = run.key_hidden
    counts = not (hidden or run.failed or run.is_void)
    has_grade = counts and (run.gold_mg is not None or run.below_scale)
    return RunLine(
        run=run,
        result=_pan(run, label=phrase("run")) if has_grade else None,
        hidden=hidden,
        treatment=run.treatment_shown or "",
        in_estimate=has_grade and (run.planned is None or bool(run.is_control)),
    )


def estimate_of(results: Sequence[RecordedResult], grade_unit: str) -> Estimate | None:
    if not results:
        return None
    mean = mean_grade(results)
    measured = [result.grade_g_per_t for result in results if result.grade_g_per_t is not None]
    others = results[:-MOST_RESULTS]
    return Estimate(
        results=results,
        mean=mean,
        mean_text=mean_text(mean, grade_unit),
        range_text=range_text((min(measured), max(measured)) if measured else None, grade_unit),
        below=[result for result in results if result.is_below],
        above=[result for result in results if result.is_above],
        digs=len(frozenset().union(*(result.digs for result in results))),
        earlier=Earlier(len(others), mean_grade(others), counted_mass_g(others)) if others else None,
    )


def mean_text(mean: MeanGrade, grade_unit: str) -> str:
    low = units.format_grade(mean.low_g_per_t, grade_unit)
    if mean.is_exact:
        return low
    if mean.high_g_per_t is None:
        return phrase("at least {low}", low=low)
    high = units.format_grade(mean.high_g_per_t, grade_unit)
    if low == high:
        return low
    return (
        phrase("between {low} and {high}", low=_bare(low), high=high)
        if mean.low_g_per_t
        else phrase("below {high} (not zero)", high=high)
    )


def range_text(ends: tuple[Decimal, Decimal] | None, grade_unit: str) -> str:
    """The lowest and the highest measured grade; blank where there is none."""
    if ends is None:
        return ""
    low, high = (units.format_grade(grade, grade_unit) for grade in ends)
    return low if low == high else phrase("{low} to {high}", low=_bare(low), high=high)


def _bare(text: str) -> str:
    """The number without its unit, which the other number of the pair carries."""
    return text.partition(" ")[0]


def _between_text(ratio: Between) -> str:
    low, high = _ratio_text(ratio.low), _ratio_text(ratio.high)
    if ratio.low is None:
        return phrase("at most {high}", high=high) if high else ""
    if ratio.high is None:
        return phrase("at least {low}", low=low) if ratio.low else ""
    if low == high:
        return low
    return (
        phrase("between {low} and {high}", low=low, high=high)
        if ratio.low
        else phrase("below {high}", high=high)
    )


def _ratio_text(ratio: Decimal | None) -> str:
    """An apparent recovery to two figures or so: its two halves are no better known than that."""
    if ratio is None:
        return ""
    if ratio >= 2:
        times = numeral(ratio, ".1f") if ratio < 10 else f"{ratio:.0f}"
        return phrase("{times} times the assay", times=times)
    return f"{ratio * 100:.0f} %" if ratio >= Decimal("0.1") else units.format_share(round(ratio, 4))


def grade_text(result: Result, grade_unit: str) -> str:
    if result.grade_g_per_t is not None:
        return units.format_grade(result.grade_g_per_t, grade_unit)
    limit = units.format_grade(result.limit_g_per_t, grade_unit)
    return phrase("below {limit}", limit=limit) if result.is_below else phrase("above {limit}", limit=limit)


def _inputs(estimate: Estimate, grade_unit: str, mass_unit: str) -> tuple[tuple[str, str, str, str], ...]:
    """One line per result, linked to its record; of very many, those that are not named in one line."""
    lines = []
    if earlier := estimate.earlier:
        counted = units.format_mass(earlier.mass_g, mass_unit)
        value = phrase(
            "mean {mean} of {mass} counted",
            mean=mean_text(earlier.mean, grade_unit),
            mass=counted,
        )
        lines.append((phrase("{number} further results", number=earlier.number), value, "", ""))
    for result in estimate.results[-MOST_RESULTS:]:
        told = {
            "grade": grade_text(result, grade_unit),
            "mass": units.format_mass(result.mass_g, mass_unit),
        }
        value = (
            phrase("{grade} of {mass}", **told)
            if result.share == 1
            else phrase(
                "{grade} of {mass}, {share} of it from this zone",
                share=units.format_share(result.share),
                **told,
            )
        )
        lines.append((f"{result.lot}, {result.label}", value, "", result.url))
    return tuple(lines)


def mean_row(estimate: Estimate, label: str, formula: str, grade_unit: str, mass_unit: str) -> WorkingRow:
    if not estimate.mean.is_exact:
        formula = f"{formula}; {BOUNDS_FORMULA}"
    return WorkingRow(label, formula, _inputs(estimate, grade_unit, mass_unit), estimate.mean_text)


def _lot_working(
    panned: Estimate | None, assayed: Estimate | None, recovery: Between, grade_unit: str, mass_unit: str
) -> Working | None:
    rows = []
    if panned:
        rows.append(mean_row(panned, phrase("Field estimate"), str(PAN_FORMULA), grade_unit, mass_unit))
    if assayed:
        rows.append(
            mean_row(assayed, phrase("Assay, values in use"), str(ASSAY_FORMULA), grade_unit, mass_unit)
        )
    if text := _between_text(recovery):
        inputs = (
            (phrase("field estimate"), panned.mean_text, "", ""),
            (phrase("assay"), assayed.mean_text, "", ""),
        )
        rows.append(WorkingRow(phrase("Apparent recovery"), phrase("field estimate ÷ assay"), inputs, text))
    if not rows:
        return None
    return Working(
        rows=tuple(rows),
        assumptions=(
            phrase(
                "Counted are results of this lot and of what was dried, crushed, split, cut or taken for assay from it: these "
                "leave the grade as it is but for chance. A blend, a screen fraction and what a recovery leaves do not count."
            ),
            phrase(
                "Pans: test pans, and control runs of blocks whose key is open. Failed and voided runs are left out."
            ),
            str(NEVER_ONE_QUANTITY),
        ),
    )
