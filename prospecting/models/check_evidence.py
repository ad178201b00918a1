"""Readings of assays as plain figures for `calc`: which of them count in a sample's value, and what a return's checks rest on.

Both an action (which stores the state) and a page (which shows why) ask here, so that they can't differ.
"""

import datetime
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from django.db.models import Case, Min, OuterRef, Q, Subquery, When

from prospecting.calc import batch_checks
from prospecting.calc.batch_checks import Certified, DuplicatesFound, Finding, Pair
from prospecting.calc.language import phrase
from prospecting.calc.value_in_use import Figure, NoValue, first_value, method_of, screen_value
from prospecting.models.assays import AssayReturn, Dispatch, Reading, ReferenceMaterial, Sample


def mark_of(state: str, accepted_reason: str = "") -> str:
    """The sentence for a value whose return's checks stand so; nothing where nothing failed."""
    if state == AssayReturn.Checks.FAILED:
        return phrase("a check of this return failed")
    if state == AssayReturn.Checks.ACCEPTED:
        return phrase("a check of this return failed; accepted: {reason}", reason=accepted_reason)
    return ""


def as_figure(reading: Reading) -> Figure:
    return Figure(
        symbol=reading.symbol,
        grade=reading.grade_g_per_t,
        limit=reading.limit_g_per_t,
        method=reading.method,
        fraction=reading.fraction,
        mass_g=reading.fraction_mass_g,
        key=reading.pk,
    )


def readings_of_samples(samples: Q) -> list[Reading]:
    """The usable readings of these samples (a Q over readings) that count, in the order in which rules take them.

    A return whose checks failed stands behind the others: what was assayed again counts before it. A revised certificate
    takes the turn of the one it replaces.
    """
    readings = list(Reading.objects.filter(samples).standing().usable())
    returns = {
        each.pk: each
        for each in AssayReturn.objects.without_file().filter(
            dispatch__in=AssayReturn.objects.filter(pk__in={each.assay_return_id for each in readings})
            .order_by()
            .values("dispatch")
        )
    }
    turns = {pk: _turn(_first_issue(each, returns)) for pk, each in returns.items()}
    for reading in readings:
        reading.assay_return = returns[reading.assay_return_id]
    return sorted(
        readings,
        key=lambda reading: (
            reading.assay_return.checks_state == AssayReturn.Checks.FAILED,
            turns[reading.assay_return_id],
            reading.order,
            reading.pk,
        ),
    )


def counting(readings: Iterable[Reading]) -> list[Reading]:
    """Of one sample's readings, sorted as above, those a rule may take together: failed returns only where no other speaks."""
    readings = list(readings)
    failed = AssayReturn.Checks.FAILED
    sound = [reading for reading in readings if reading.assay_return.checks_state != failed]
    return sound or readings


def _first_issue(assay_return: AssayReturn, returns: dict[int, AssayReturn]) -> AssayReturn:
    """The certificate it is, through all its revisions, the last version of."""
    while (older := returns.get(assay_return.replaces_id)) is not None:
        assay_return = older
    return assay_return


# Methods that leave gold in the rock: against a material certified for all of it a low result is no fault of the laboratory.
PARTIAL = {Dispatch.Method.AQUA_REGIA: "aqua", Dispatch.Method.CYANIDE: "cyanid"}


@dataclass(frozen=True)
class CheckRow:
    """One check sample in one return. `figure` is None where no figure came; `said` then is what was printed instead.

    `partner` is the result of the sample a duplicate is of; `before` the sample that went before a blank in the laboratory's
    list, with its result in the same return.
    """

    sample: Sample
    assay_return: AssayReturn
    figure: Figure | None
    said: str = ""
    partner: Figure | None = None
    before: Sample | None = None
    before_figure: Figure | None = None

    @property
    def pair(self) -> Pair | None:
        return Pair(self.partner, self.figure) if self.partner and self.figure else None

    @property
    def is_partial(self) -> bool:
        """Whether the method asked for finds only part of the gold the material is certified for."""
        word = PARTIAL.get(self.sample.dispatch.method)
        return bool(word) and word not in self.sample.material.certified_method.lower()


@dataclass(frozen=True)
class JudgedReturn:
    """The checks of one return: rows with what each says, duplicates by stage with theirs, and the state of the whole."""

    blanks: Sequence[tuple[CheckRow, Finding]]
    references: Sequence[tuple[CheckRow, Finding]]
    duplicates: Sequence[tuple[str, Sequence[CheckRow], DuplicatesFound]]
    without_figure: Sequence[CheckRow]
    state: str


class CheckBook:
    """All checks that came back from some laboratories, in the order of reporting, in a fixed number of queries."""

    def __init__(self, laboratory_ids: Iterable[int], also: AssayReturn | None = None) -> None:
        """`also` is a return to be read even where a revised certificate has replaced it."""
        self.laboratory_ids = list(laboratory_ids)
        self.standing = Q(assay_return__replaced_by__isnull=True)
        if also is not None:
            self.standing |= Q(assay_return=also)

    @cached_property
    def samples(self) -> dict[int, Sample]:
        """Check samples by their key; a blank has `before_id`, the sample before it in the laboratory's list."""
        earlier = Sample.objects.filter(dispatch=OuterRef("dispatch"), place__lt=OuterRef("place"))
        samples = (
            Sample.objects.filter(dispatch__laboratory__in=self.laboratory_ids)
            .exclude(kind=Sample.Kind.LOT)
            .select_related("material", "lot", "duplicate_of__lot", "dispatch")
            .annotate(
                before_id=Case(
                    When(
                        kind=Sample.Kind.BLANK,
                        then=Subquery(earlier.order_by("-place", "-pk").values("pk")[:1]),
                    )
                )
            )
        )
        return {sample.pk: sample for sample in samples}

    @cached_property
    def returns(self) -> dict[int, AssayReturn]:
        found = AssayReturn.objects.without_file().filter(dispatch__laboratory__in=self.laboratory_ids)
        return {each.pk: each for each in found.select_related("dispatch")}

    @cached_property
    def rows(self) -> list[CheckRow]:
        partners = {each.duplicate_of_id for each in self.samples.values()} - {None}
        befores = {each.before_id for each in self.samples.values() if each.kind == Sample.Kind.BLANK} - {
            None
        }
        answers = Reading.objects.filter(self.standing, symbol__in=Reading.ANSWERS).order_by()
        of_checks = answers.filter(sample__dispatch__laboratory__in=self.laboratory_ids)
        of_others = answers.filter(sample__in=(partners | befores) - self.samples.keys())
        # Not one filter with "or": for that the database goes through all readings there are.
        readings = of_checks.exclude(sample__kind=Sample.Kind.LOT).union(of_others, all=True)
        came: dict[tuple[int, int], list[Reading]] = defaultdict(list)
        for reading in sorted(readings, key=lambda each: (each.assay_return_id, each.order, each.pk)):
            came[reading.sample_id, reading.assay_return_id].append(reading)
        before_samples = Sample.objects.select_related("lot", "material", "duplicate_of").in_bulk(befores)
        figures: dict[int, dict[int, Figure | None]] = defaultdict(dict)
        for (sample_id, return_id), some in came.items():
            figures[sample_id][return_id] = _figure(some)
        rows = []
        for (sample_id, return_id), some in came.items():
            if (sample := self.samples.get(sample_id)) is None:
                continue
            before = before_samples.get(sample.before_id)
            rows.append(
                CheckRow(
                    sample=sample,
                    assay_return=self.returns[return_id],
                    figure=figures[sample_id][return_id],
                    said=some[0].get_symbol_display(),
                    partner=self._in_return_or_first(figures.get(sample.duplicate_of_id, {}), return_id),
                    before=before,
                    before_figure=figures.get(sample.before_id, {}).get(return_id) if before else None,
                )
            )
        return sorted(
            rows,
            key=lambda row: (
                *_turn(_first_issue(row.assay_return, self.returns)),
                row.sample.place,
                row.sample.pk,
            ),
        )

    def _in_return_or_first(self, figures: dict[int, Figure | None], return_id: int) -> Figure | None:
        """What a sample gave in this return, else in the first that has a figure of it."""
        if (same := figures.get(return_id)) is not None:
            return same
        told = [
            (_turn(_first_issue(self.returns[at], self.returns)), figure)
            for at, figure in figures.items()
            if figure is not None
        ]
        return min(told, key=lambda each: each[0])[1] if told else None

    @cached_property
    def _limits(self) -> dict[tuple, float]:
        """The lowest limit printed with a reading below it, by return and method, and by laboratory and method asked for."""
        limits: dict[tuple, float] = {}
        printed = (
            Reading.objects.filter(
                self.standing,
                assay_return__dispatch__laboratory__in=self.laboratory_ids,
                symbol=Reading.Symbol.BELOW,
                fraction="",
            )
            .order_by()
            .values_list(
                "assay_return_id",
                "method",
                "assay_return__dispatch__laboratory_id",
                "assay_return__dispatch__method",
            )
            .annotate(Min("limit_g_per_t"))
        )
        for return_id, method, laboratory_id, asked, limit in printed:
            for key in ((return_id, method_of(method)), (laboratory_id, asked, method_of(method))):
                limits[key] = min(float(limit), limits.get(key, float(limit)))
        return limits

    def detection_limit(self, row: CheckRow, figure: Figure | None = None) -> float | None:
        """That of the method of this result, as far as any certificate printed one."""
        figure = figure or row.figure
        method = method_of(figure.method) if figure else ""
        dispatch = row.sample.dispatch
        return self._limits.get(
            (row.assay_return.pk, method), self._limits.get((dispatch.laboratory_id, dispatch.method, method))
        )

    def of_kind(self, kind: str, *, laboratory_id: int | None = None) -> list[CheckRow]:
        if laboratory_id is not None:
            return self._rows_of.get((kind, laboratory_id), [])
        return [row for row in self.rows if row.sample.kind == kind]

    @cached_property
    def _rows_of(self) -> dict[tuple[str, int], list[CheckRow]]:
        """By kind of check and laboratory."""
        found: dict[tuple[str, int], list[CheckRow]] = defaultdict(list)
        for row in self.rows:
            found[row.sample.kind, row.sample.dispatch.laboratory_id].append(row)
        return found

    @cached_property
    def _series(self) -> dict[int, dict[ReferenceMaterial, list[CheckRow]]]:
        series: dict[int, dict[ReferenceMaterial, list[CheckRow]]] = defaultdict(lambda: defaultdict(list))
        for row in self.of_kind(Sample.Kind.REFERENCE):
            if row.figure is not None and not row.is_partial:
                series[row.sample.dispatch.laboratory_id][row.sample.material].append(row)
        return series

    def series(self, laboratory_id: int) -> dict[ReferenceMaterial, list[CheckRow]]:
        """Each reference material's results at this laboratory, in order, by methods that find what it is certified for."""
        return dict(self._series.get(laboratory_id, {}))

    def judged(self, assay_return: AssayReturn) -> JudgedReturn:
        """What the checks in this return say, by the rules of `calc.batch_checks`."""
        rows = [row for row in self.rows if row.assay_return.pk == assay_return.pk]
        told = [row for row in rows if row.figure is not None]
        blanks = [
            (row, batch_checks.judge_blank(row.figure, self.detection_limit(row)))
            for row in told
            if row.sample.kind == Sample.Kind.BLANK
        ]
        references = [
            (row, self._judged_reference(row)) for row in told if row.sample.kind == Sample.Kind.REFERENCE
        ]
        duplicates = [
            (
                stage,
                pairs,
                batch_checks.judge_duplicates(
                    stage, [row.pair for row in pairs], self.detection_limit(pairs[0])
                ),
            )
            for stage in Sample.Stage.values
            if (pairs := [row for row in told if row.sample.duplicate_stage == stage and row.pair])
        ]
        findings = [
            *(finding for _, finding in blanks),
            *(finding for _, finding in references),
            *(found.finding for _, _, found in duplicates),
        ]
        return JudgedReturn(
            blanks=blanks,
            references=references,
            duplicates=duplicates,
            without_figure=[
                row
                for row in rows
                if row.figure is None or (row.sample.kind == Sample.Kind.DUPLICATE and row.pair is None)
            ],
            state=batch_checks.state_of(findings),
        )

    def _judged_reference(self, row: CheckRow) -> Finding:
        if row.is_partial:
            return Finding("reference", batch_checks.NOT_JUDGED, "partial")
        certified = certified_of(row.sample.material)
        before = []
        for each in self.series(row.sample.dispatch.laboratory_id)[row.sample.material]:
            if each is row:
                break
            if certified.sd is not None and each.figure.grade is not None:
                before.append(certified.z(float(each.figure.grade)))
        return batch_checks.judge_reference(row.figure, certified, before)


def certified_of(material: ReferenceMaterial) -> Certified:
    """The certificate's figures for `calc`."""
    sd, plus_minus = material.between_laboratories_sd_g_per_t, material.plus_minus_g_per_t
    return Certified(
        grade=float(material.certified_g_per_t),
        sd=None if sd is None else float(sd),
        plus_minus=None if plus_minus is None else float(plus_minus),
    )


def _figure(readings: Sequence[Reading]) -> Figure | None:
    """What a check counts with in one return: its first reading of the whole, or its screen fire assay put together."""
    figures = [as_figure(reading) for reading in readings if reading.symbol in Reading.FIGURES]
    for rule in (first_value, screen_value):
        try:
            value = rule(figures)
        except NoValue:
            continue
        used = value.used[0]
        return Figure(value.symbol, value.grade, value.limit, method=used.method, key=used.key)
    return None


def _turn(assay_return: AssayReturn) -> tuple[datetime.date, int]:
    return (assay_return.reported_on, assay_return.pk)
