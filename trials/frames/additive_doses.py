"""One additive over all its closed trials, and all additives beside each other: ratios to each trial's own control, set together.

Read in a fixed number of queries, however many trials there are. Writes nothing.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

from django.db.models import Sum, prefetch_related_objects
from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase, phrase_counted
from prospecting.frames.plain_columns import as_day_text, as_flag, as_float, rows_sha256
from prospecting.models import Member
from trials.calc.judging import mean_places
from trials.calc.next_dose import next_dose
from trials.frames.ladders import (
    NEXT_BECAUSE,
    DoseToCost,
    Ladder,
    OtherDose,
    Rung,
    as_poured,
    dose_said,
    ladders_in,
    listed,
    unit_of,
)
from trials.models import Additive, ColourCount, Judging, PlannedRun, Treatment, Trial

if TYPE_CHECKING:
    from trials.calc.across_trials import LeastOverTrials, SummaryOfRatios
    from trials.calc.bridge import LogRatio
    from trials.calc.comparison import ControlComparison, TreatmentComparison
    from trials.calc.working import Working, WorkingRow

MEASURES = {
    Trial.Outcome.GOLD_MASS: gettext_lazy("gold by weight"),
    Trial.Outcome.COLOURS: gettext_lazy("colours"),
}


class PlannedRow(NamedTuple):
    """A planned run as it is read. `counts` is 1 where its run is in and neither failed nor void; `colours` are those of it, None
    where none were looked for or the trial is not judged by them."""

    pk: int
    treatment: str
    block: int
    position: int
    counts: int
    panned_on: str | None
    gold_mg: float | None
    below_scale: int | None
    scale_step_mg: float | None
    colours: int | None

    @property
    def scale(self) -> float | None:
        return self.scale_step_mg if self.counts else None


@dataclass(eq=False)
class TrialRead:
    """A closed trial with its runs, read and not yet reckoned with. `tried` are the rows of its treatments with their doses,
    `looks` rows (block, judging, planned, place)."""

    trial: Trial
    tried: list[tuple]
    planned: list[PlannedRow]
    looks: list[tuple]

    @cached_property
    def treatments(self) -> list[Treatment]:
        return list(self.trial.treatments.all())

    @cached_property
    def ladders(self) -> list[Ladder]:
        return ladders_in(self.treatments)

    @cached_property
    def control(self) -> Treatment:
        return next(treatment for treatment in self.treatments if treatment.is_control)

    @property
    def dosed(self) -> set[int]:
        """Every additive that any of its treatments had."""
        return {dose.additive_id for treatment in self.treatments for dose in treatment.doses.all()}

    @property
    def plain_control(self) -> bool:
        """Whether the control had no additive at all."""
        return not self.control.doses.all()

    @cached_property
    def years(self) -> set[int]:
        return {int(row.panned_on[:4]) for row in self.planned if row.counts} or {self.trial.closed_at.year}

    @property
    def label(self) -> str:
        return phrase(
            "trial {trial}, {lot}, {years}",
            trial=self.trial.pk,
            lot=self.trial.feed_lot.code,
            years=_span(self.years),
        )

    @cached_property
    def values(self) -> list[float | None]:
        """What each planned run gave: mg, colours or mean place as the trial is judged, -inf below the scale, None without."""
        if self.trial.outcome == Trial.Outcome.PLACES:
            place_of = self._place_of()
            return [place_of.get(row.pk) if row.counts else None for row in self.planned]
        if self.trial.outcome == Trial.Outcome.COLOURS:
            return [None if row.colours is None else float(row.colours) for row in self.planned]
        return [
            None if not row.counts else -math.inf if row.below_scale else row.gold_mg for row in self.planned
        ]

    @cached_property
    def runs_of(self) -> Mapping[str, int]:
        """How many runs of each treatment gave a value."""
        return Counter(
            row.treatment for row, value in zip(self.planned, self.values, strict=True) if value is not None
        )

    def compare(self, control: str | None = None) -> "ControlComparison":
        """The trial's comparison, or one with another treatment in the control's place. ValueError where the runs allow none."""
        from trials.calc.comparison import compare_counts, compare_gold
        from trials.calc.places import compare_places

        columns = (
            self.values,
            [row.treatment for row in self.planned],
            [row.block for row in self.planned],
            control or self.control.name,
        )
        places = [row.position for row in self.planned] if self.trial.is_square else None
        if self.trial.outcome == Trial.Outcome.PLACES:
            return compare_places(*columns)
        if self.trial.outcome == Trial.Outcome.COLOURS:
            return compare_counts(*columns, places=places)
        step = max(filter(None, (row.scale for row in self.planned)), default=self.trial.scale_step_mg)
        return compare_gold(*columns, scale_step_mg=float(step) if step else None, places=places)

    def _place_of(self) -> dict[int, float]:
        """The mean place of every pan whose run counts."""
        counted = {row.pk for row in self.planned if row.counts}
        blocks: dict[int, dict[int, dict[int, int]]] = defaultdict(lambda: defaultdict(dict))
        for block, judging, planned, place in self.looks:
            look = blocks[block][judging]
            if planned in counted:
                look[planned] = place
        found: dict[int, float] = {}
        for looks in blocks.values():
            found |= mean_places(list(looks.values()))
        return found


@dataclass(frozen=True)
class DoseResult:
    """One dose of the additive in one trial. Without a `ratio`, `why` says why it is in no summary."""

    read: TrialRead
    rung: Rung
    kind: str
    runs: int
    alone: bool
    together: bool
    ratio: "LogRatio | None"
    lower: float | None = None
    upper: float | None = None
    why: str = ""

    @property
    def trial(self) -> Trial:
        return self.read.trial

    @property
    def label(self) -> str:
        return self.read.label

    @property
    def times(self) -> str:
        from trials.calc.working import figure

        return figure(self.ratio.ratio) if self.ratio else ""

    @property
    def interval(self) -> str:
        from trials.calc.ratio_words import between

        if self.ratio is None or self.lower is None or self.upper is None:
            return ""
        return between(self.lower, self.upper)


@dataclass(frozen=True)
class DoseOverTrials:
    """Doses within 5 % of each other in all trials judged alike; `summary` where two or more trials gave a ratio."""

    said: str
    key: float
    ml_per_l: Decimal
    outcome: str
    results: list[DoseResult]
    summary: "SummaryOfRatios | None"
    shown: bool
    by_order_alone: bool
    worse: bool

    @property
    def with_ratio(self) -> list[DoseResult]:
        return [result for result in self.results if result.ratio]

    @property
    def limits(self) -> tuple[float, float] | None:
        """Of the summary's 95 % interval, or of the only trial's as judged there."""
        if self.summary:
            return self.summary.ratio.interval()
        if not self.with_ratio:
            return None
        [only] = self.with_ratio
        return only.lower, only.upper

    @property
    def centre(self) -> float | None:
        if self.summary:
            return self.summary.ratio.ratio
        return self.with_ratio[0].ratio.ratio if self.with_ratio else None

    @property
    def times(self) -> str:
        from trials.calc.working import figure

        return figure(self.centre) if self.centre else ""

    @property
    def interval(self) -> str:
        from trials.calc.ratio_words import between

        return between(*self.limits) if self.limits else ""

    @property
    def just_these(self) -> str:
        """The average of the only two trials, beside what they say of trials in general; blank where they are not two."""
        return self.summary.average_of_two if self.summary is not None else ""

    @property
    def number(self) -> str:
        return _trials(len(self.with_ratio))


@dataclass(frozen=True)
class AdditiveReading:
    """What all closed trials of one additive say together."""

    additive: Additive
    reads: list[TrialRead]
    better: list[TrialRead]
    worse: list[TrialRead]
    not_shown: list[TrialRead]
    only_mixed: list[TrialRead]
    results: list[DoseResult]
    doses: list[DoseOverTrials]
    measure: str
    headline: str
    kind: str
    sentences: list[str]
    least: DoseOverTrials | None
    agreement: list[str]
    next_dose: list[str]
    bars: list[dict]
    working: "Working | None"
    to_cost: DoseToCost
    water_ml: Decimal | None
    by_measure: dict = field(default_factory=dict)

    @property
    def years(self) -> str:
        return _span(set().union(*(read.years for read in self.reads))) if self.reads else ""

    @property
    def counted(self) -> str:
        """In how many trials it was shown better."""
        return phrase("{shown} of {trials}", shown=len(self.better), trials=_trials(len(self.reads)))

    @property
    def explanation(self) -> str:
        return " ".join(self.sentences)

    @property
    def best_supported(self) -> DoseOverTrials | None:
        """The dose with most trials behind it, of several the one with most runs: never the one that came out best.

        Where that leaves several, the least dose shown, else the lowest.
        """
        have = [dose for dose in self.doses if dose.with_ratio]
        return max(
            have,
            key=lambda dose: (
                len(dose.with_ratio),
                sum(result.runs for result in dose.with_ratio),
                dose is self.least,
                -dose.key,
            ),
            default=None,
        )


def trials_read(additive: Additive | None = None) -> list[TrialRead]:
    """Every closed trial that dosed this additive (any), oldest first; bridges have no doses. Five queries at most."""
    trials = Trial.objects.filter(
        state=Trial.State.CLOSED, new_lot__isnull=True, treatments__doses__isnull=False
    )
    if additive is not None:
        trials = trials.filter(treatments__doses__additive=additive)
    trials = list(
        trials.distinct()
        .select_related("feed_lot")
        .only(
            *("question", "state", "outcome", "smallest_ratio", "design", "scale_step_mg", "water_ml"),
            *("water_typed", "closed_at", "new_lot", "feed_lot__code"),
        )
        .order_by("closed_at", "pk")
    )
    tried, planned, looks = _tried(trials), _planned(trials), _looks(trials)
    return [
        TrialRead(trial, tried.get(trial.pk, []), planned.get(trial.pk, []), looks.get(trial.pk, []))
        for trial in trials
    ]


def fingerprint(reads: Sequence[TrialRead], additives: Iterable[Additive]) -> str:
    """64 signs that change with anything these pages read of the trials or the additives' names."""
    return rows_sha256(
        [
            [(additive.pk, additive.name) for additive in additives],
            [
                (
                    (read.trial.pk, read.trial.question, read.trial.outcome, str(read.trial.smallest_ratio)),
                    (read.trial.design, str(read.trial.scale_step_mg), str(read.trial.water_ml)),
                    (read.trial.water_typed, read.trial.feed_lot.code, read.trial.closed_at.year),
                    read.tried,
                    [tuple(row) for row in read.planned],
                    read.looks,
                )
                for read in reads
            ],
        ]
    )


def _tried(trials: Sequence[Trial]) -> dict[int, list[tuple]]:
    """The treatments of each trial with their doses, a row a dose (or without one); one query."""
    rows = Treatment.objects.filter(trial__in=[trial.pk for trial in trials]).order_by("pk", "doses__pk")
    found: dict[int, list[tuple]] = defaultdict(list)
    for trial, *row in rows.values_list(
        *("trial_id", "pk", "position", "name", as_flag("is_control"), "technique"),
        *("doses__additive_id", as_float("doses__ml_per_l"), "doses__typed"),
    ):
        found[trial].append(tuple(row))
    return found


def _planned(trials: Sequence[Trial]) -> dict[int, list[PlannedRow]]:
    """The planned runs of each trial in their order; two queries, one where no trial is judged by colours."""
    by_colours = [trial.pk for trial in trials if trial.outcome == Trial.Outcome.COLOURS]
    colours: dict[int, int] = {}
    if by_colours:
        counts = ColourCount.objects.filter(run__planned__trial__in=by_colours).order_by()
        colours = dict(counts.values_list("run__planned").annotate(Sum("count")))
    rows = (
        PlannedRun.objects.filter(trial__in=[trial.pk for trial in trials])
        .order_by("trial", "run_order")
        .values_list(
            "trial_id",
            "pk",
            "treatment__name",
            "block__number",
            "position",
            as_flag("run__failed"),
            "run__step__voided_at",
            as_day_text("run__panned_on"),
            as_float("run__gold_mg"),
            as_flag("run__below_scale"),
            as_float("run__scale_step_mg"),
        )
    )
    found: dict[int, list[PlannedRow]] = defaultdict(list)
    for trial, pk, treatment, block, position, failed, voided_at, *gave in rows:
        counts = failed == 0 and voided_at is None
        found[trial].append(
            PlannedRow(
                pk, treatment, block, position, int(counts), *gave, colours.get(pk) if counts else None
            )
        )
    return found


def _looks(trials: Sequence[Trial]) -> dict[int, list[tuple]]:
    """The judges' looks at the blocks of trials judged by place; one query, none where there is no such trial."""
    placed = [trial.pk for trial in trials if trial.outcome == Trial.Outcome.PLACES]
    found: dict[int, list[tuple]] = defaultdict(list)
    if placed:
        rows = Judging.objects.filter(block__trial__in=placed).order_by("pk", "places__place", "places__pk")
        for trial, *look in rows.values_list(
            "block__trial_id", "block_id", "pk", "places__planned_id", "places__place"
        ):
            found[trial].append(tuple(look))
    return found


def additive_readings(
    additives: Iterable[Additive], reads: Sequence[TrialRead], member: Member
) -> list[AdditiveReading]:
    """What these trials say of each additive."""
    prefetch_related_objects([read.trial for read in reads], "treatments__doses__additive")
    compared = _Compared()
    return [_OverTrials(additive, reads, compared, member).reading() for additive in additives]


class _Compared:
    """Each trial's comparison, made once for all its additives."""

    def __init__(self) -> None:
        self.found: dict[int, tuple[ControlComparison | None, str]] = {}

    def of(self, read: TrialRead) -> "tuple[ControlComparison | None, str]":
        if read.trial.pk not in self.found:
            try:
                self.found[read.trial.pk] = read.compare(), ""
            except ValueError as refusal:
                self.found[read.trial.pk] = None, str(refusal)
        return self.found[read.trial.pk]


def _put_together(doses: "Sequence[DoseOverTrials]") -> bool:
    """Whether any dose has one ratio over several trials."""
    return any(dose.summary for dose in doses)


@dataclass
class _OverTrials:
    """One additive on its way to the page."""

    additive: Additive
    all_reads: Sequence[TrialRead]
    compared: _Compared
    member: Member

    def reading(self) -> AdditiveReading:
        reads = [read for read in self.all_reads if self._ladder(read)]
        results = [self._result(read, rung) for read in reads for rung in self._ladder(read).rungs]
        kinds = {read.trial.pk: {result.kind for result in results if result.read is read} for read in reads}
        better = [read for read in reads if "better" in kinds[read.trial.pk]]
        worse = [read for read in reads if "worse" in kinds[read.trial.pk]]
        by_measure = {outcome: self._doses(results, outcome) for outcome in MEASURES}
        measure = next((outcome for outcome, doses in by_measure.items() if doses), Trial.Outcome.GOLD_MASS)
        doses = by_measure[measure]
        least = self._least(doses)
        headline, kind = self._headline(reads, better, doses, least)
        return AdditiveReading(
            additive=self.additive,
            reads=reads,
            better=better,
            worse=worse,
            not_shown=[read for read in reads if read not in better],
            only_mixed=[
                read for read in self.all_reads if read not in reads and self.additive.pk in read.dosed
            ],
            results=results,
            doses=doses,
            measure=str(MEASURES[measure]),
            headline=headline,
            kind=kind,
            sentences=self._sentences(reads, doses, least),
            least=_least_dose(doses, least),
            agreement=[
                f"{dose.said}: {dose.summary.agreement} {dose.summary.average_said}".rstrip()
                for dose in doses
                if dose.summary is not None
            ],
            next_dose=self._next(reads, doses),
            bars=self._bars(doses),
            working=self._working(doses) if doses else None,
            to_cost=self._to_cost(
                _least_dose(doses, least), shown_apart=bool(better) and _put_together(doses)
            ),
            water_ml=reads[-1].trial.water_ml if reads else None,
            by_measure={str(MEASURES[o]): d for o, d in by_measure.items() if d and o != measure},
        )

    def _ladder(self, read: TrialRead) -> Ladder | None:
        return next((ladder for ladder in read.ladders if ladder.additive.pk == self.additive.pk), None)

    # One trial

    def _result(self, read: TrialRead, rung: Rung) -> DoseResult:
        from trials.calc.bridge import LogRatio
        from trials.calc.doses_together import evidence_of, kind_of

        comparison, why_none = self.compared.of(read)
        runs = read.runs_of.get(rung.name, 0)
        if comparison is None:
            return DoseResult(read, rung, "not shown", runs, False, False, None, why=why_none)
        entry = comparison.of(rung.name)
        kind = kind_of(comparison, rung.name, float(read.trial.smallest_ratio))
        shown = evidence_of(comparison, rung.name, rung.key)
        why = _why_no_ratio(read, comparison, entry)
        ratio = None if why else LogRatio.of(entry.ratio, entry.se_log, comparison.df)
        return DoseResult(
            read, rung, kind, runs, shown.alone, shown.together, ratio, entry.lower, entry.upper, why
        )

    # All trials

    def _doses(self, results: Sequence[DoseResult], outcome: str) -> list[DoseOverTrials]:
        from trials.calc.across_trials import dose_groups, shared_level, summary_of_ratios
        from trials.calc.doses_together import DoseShown, shown_doses

        alike = [result for result in results if result.trial.outcome == outcome]
        if not alike:
            return []
        groups = [
            [result for result in alike if result.rung.key in group]
            for group in dose_groups([result.rung.key for result in alike])
        ]
        parts = {_key(group): _one_a_trial(group) for group in groups}
        summaries = {
            key: summary_of_ratios([part.ratio for part in of]) for key, of in parts.items() if len(of) > 1
        }
        level = shared_level(max(1, len(summaries)))
        own = {key: summary.ratio.interval() for key, summary in summaries.items()}
        strict = {key: summary.ratio.interval(level) for key, summary in summaries.items()}
        judged = [DoseShown(key, own[key][0] > 1, strict[key][0] > 1) for key in summaries]
        repeated = shown_doses(judged) if judged else None
        found = []
        for group in groups:
            key, highest = _key(group), max(group, key=lambda result: result.rung.ml_per_l).rung
            if key in summaries:
                shown, worse = key in repeated.shown, strict[key][1] < 1
            else:
                shown = any(part.together for part in parts[key])
                worse = any(part.kind == "worse" for part in parts[key])
            found.append(
                DoseOverTrials(
                    said=phrase(" or ").join(dict.fromkeys(result.rung.said_in_full for result in group)),
                    key=key,
                    ml_per_l=highest.ml_per_l,
                    outcome=outcome,
                    results=group,
                    summary=summaries.get(key),
                    shown=shown,
                    by_order_alone=key in summaries and key in repeated.by_order_alone,
                    worse=worse,
                )
            )
        return found

    def _least(self, doses: Sequence[DoseOverTrials]) -> "LeastOverTrials":
        from trials.calc.across_trials import DoseTried, least_over_trials

        return least_over_trials(
            [DoseTried(dose.key, len(dose.with_ratio), dose.shown) for dose in doses if dose.with_ratio]
        )

    def _headline(self, reads, better, doses, least: "LeastOverTrials") -> tuple[str, str]:
        if not reads:
            return phrase("{additive} has been in no closed trial yet.", additive=self.additive), "not shown"
        over = (
            phrase("Over {trials}", trials=_trials(len(reads)))
            if len(reads) > 1
            else phrase("In its one closed trial")
        )
        verb = (
            phrase("give more colours than")
            if doses and doses[0].outcome == Trial.Outcome.COLOURS
            else phrase("recover more than")
        )
        found = _least_dose(doses, least)
        if found is None and better:
            control = (
                phrase("plain water") if all(read.plain_control for read in better) else phrase("the control")
            )
            shown = phrase(
                "Shown to {verb} {control} in {better} of {trials}",
                verb=verb,
                control=control,
                better=len(better),
                trials=_trials(len(reads)),
            )
            if _put_together(doses):
                return (
                    phrase(
                        "{shown}; over all of them together no dose of {additive} is shown to do so.",
                        shown=shown,
                        additive=self.additive,
                    ),
                    "not shown",
                )
            return (
                phrase(
                    "{shown}, by an order alone or against a dosed control: there is no ratio to put together.",
                    shown=shown,
                ),
                "better" if len(reads) == 1 else "not shown",
            )
        if found is None:
            return phrase(
                "{over} no dose of {additive} is shown to {verb} plain water.",
                over=over,
                additive=self.additive,
                verb=verb,
            ), "not shown"
        if len(reads) == 1:
            return (
                phrase(
                    "{over} the least dose shown to {verb} plain water is {dose}; {below}.",
                    over=over,
                    verb=verb,
                    dose=found.said,
                    below=_below(doses, least),
                ),
                "better",
            )
        if least.repeated is not None:
            return (
                phrase(
                    "{over} the least dose shown to {verb} plain water is {dose}, tried in {trials} of them; "
                    "{below}.",
                    over=over,
                    verb=verb,
                    dose=found.said,
                    trials=len(found.with_ratio),
                    below=_below(doses, least),
                ),
                "better",
            )
        if _put_together(doses):
            return (
                phrase(
                    "{over} no dose tried in several of them is shown to {verb} plain water; in one trial only, "
                    "{dose} is.",
                    over=over,
                    verb=verb,
                    dose=found.said,
                ),
                "not shown",
            )
        return (
            phrase(
                "{over} no dose has a ratio from more than one; in one trial only, the least shown to {verb} "
                "plain water is {dose}.",
                over=over,
                verb=verb,
                dose=found.said,
            ),
            "better",
        )

    def _sentences(self, reads, doses, least: "LeastOverTrials") -> list[str]:
        if not reads:
            return []
        sentences, found = [], _least_dose(doses, least)
        if found is not None:
            how = (
                phrase("random effects over trials, 95 % interval")
                if found.summary
                else phrase("95 % interval, all treatments of the trial judged together")
            )
            sentences.append(
                phrase(
                    "About {times} times as much at it ({interval}; {how}, {trials}).",
                    times=found.times,
                    interval=found.interval,
                    how=how,
                    trials=found.number,
                )
            )
            if found.by_order_alone:
                sentences.append(
                    phrase(
                        "It counts as shown because the doses tried in several trials are taken in order from the top one "
                        "down, each by its own 95 % interval; judged with all of them at once it is not."
                    )
                )
        if len(reads) == 1:
            sentences.append(phrase("One trial: there is nothing to combine, and nobody has repeated it."))
        else:
            sentences.append(
                phrase(
                    "Each trial is read as a ratio to its own control, so neither ore nor season is mixed up with the dose; "
                    "masses of different trials are never pooled."
                )
            )
        return sentences

    def _next(self, reads, doses) -> list[str]:
        judged = [dose for dose in doses if dose.with_ratio]
        if not judged:
            return []
        # What lies above the highest dose shown does not tell how little is enough.
        top = max((dose.key for dose in judged if dose.shown), default=math.inf)
        of_use = [dose for dose in judged if dose.key <= top and not dose.worse] or judged
        found = next_dose(
            {dose.key: dose.shown for dose in of_use}, top_harms=any(dose.worse for dose in judged)
        )
        again = [
            phrase("plain water") if dose == 0 else _at(doses, dose).said for dose in found.again_ml_per_l
        ]
        unit = unit_of((result.rung for dose in doses for result in dose.results), self.member)
        trial = reads[-1].trial
        poured = as_poured(found.dose_ml_per_l, trial.water_ml, trial.water_typed)
        return [
            f"{dose_said(found.dose_ml_per_l, unit)}, {poured}: {NEXT_BECAUSE[found.why]}.",
            phrase("In the same blocks again: {treatments}.", treatments=listed(again)),
        ]

    def _bars(self, doses: Sequence[DoseOverTrials]) -> list[dict]:
        rows = []
        for dose in doses:
            if not dose.with_ratio:
                continue
            rows.append({"label": dose.said, "heading": True})
            for result in dose.with_ratio:
                rows.append(
                    {
                        "label": result.label,
                        "centre": result.ratio.ratio,
                        "lower": result.lower,
                        "upper": result.upper,
                        "shown": result.kind in ("better", "worse"),
                        "worse": result.kind == "worse",
                    }
                )
            if dose.summary:
                rows.append(summary_bar(phrase("all of them together"), dose))
                if dose.just_these:
                    rows.append(average_bar(phrase("the average of just these two"), dose))
        return rows

    # Cost and working

    def _to_cost(self, least: DoseOverTrials | None, *, shown_apart: bool) -> DoseToCost:
        from trials.calc.doses_together import cheaper_and_not_worse, extra_gold_mg

        if least is None:
            return DoseToCost(self.additive.pk, phrase("plain water"), shown_apart=shown_apart)
        last = least.with_ratio[-1]
        comparison, _ = self.compared.of(last.read)
        weighed = last.trial.outcome == Trial.Outcome.GOLD_MASS
        others = [
            (ladder.additive, rung)
            for ladder in last.read.ladders
            if ladder.additive.pk != self.additive.pk
            for rung in ladder.rungs
        ]
        not_worse: dict[str, bool] = {}
        if others:
            try:
                not_worse = cheaper_and_not_worse(
                    last.read.compare,
                    last.rung.name,
                    [rung.name for _, rung in others],
                    float(last.trial.smallest_ratio),
                )
            except ValueError:
                not_worse = {}
        return DoseToCost(
            self.additive.pk,
            last.read.control.name,
            least.said,
            least.ml_per_l,
            extra_gold_mg(comparison, last.rung.name) if weighed else None,
            tuple(
                OtherDose(other.pk, rung.name, rung.ml_per_l, not_worse.get(rung.name, False))
                for other, rung in others
            ),
            last.label,
        )

    def _working(self, doses: Sequence[DoseOverTrials]) -> "Working":
        from trials.calc.working import Working

        rows = [row for dose in doses for row in _working_of(dose)]
        return Working(
            tuple(rows),
            (
                phrase(
                    "Each ratio is to the control of the same trial, on the same lot: the ore drops out. Bridging runs "
                    "between lots are in none of them."
                ),
                phrase("Trials share no runs, so their errors are independent."),
                phrase("Doses within 5 % of each other count as one dose."),
                phrase(
                    "Only closed trials are read; failed and voided runs are out. A trial nobody closed, or that was never "
                    "entered, is missing here, whatever it showed."
                ),
                phrase(
                    "The standard errors of the trials count as known, which makes the summary somewhat too sure where runs "
                    "are few."
                ),
            ),
        )


def _working_of(dose: DoseOverTrials) -> "list[WorkingRow]":
    from trials.calc.working import WorkingRow, figure, given

    parts = tuple(
        (
            result.label,
            phrase(
                "{times} times, standard error of ln {error}",
                times=result.times,
                error=figure(result.ratio.se),
            )
            if result.ratio
            else phrase("not in: {why}", why=result.why),
            "",
            result.trial.get_absolute_url(),
        )
        for result in dose.results
    )
    if dose.summary is None:
        return [
            WorkingRow(
                phrase("{dose}: {trials} with a ratio", dose=dose.said, trials=dose.number),
                phrase("exp(difference of ln means), as in the trial"),
                parts,
                f"{dose.times} ({dose.interval})" if dose.interval else phrase("no ratio"),
                phrase("times") if dose.interval else "",
            )
        ]
    found = dose.summary
    mean, limits = found.average.ratio, found.average.interval()
    return [
        WorkingRow(
            phrase("{dose}: {trials} together", dose=dose.said, trials=dose.number),
            phrase(
                "mean of ln ratio, weights 1 / (standard error^2 + tau^2); interval by t with trials - 1 degrees of freedom"
            ),
            (
                *parts,
                given(phrase("tau, spread of true ln ratios between trials"), found.tau),
                given(phrase("Cochran's Q"), found.q),
                (
                    phrase("chance of so large a Q if all trials had one ratio"),
                    units.format_odds(found.p_q),
                    "",
                    "",
                ),
                given(phrase("standard error of ln"), found.ratio.se),
            ),
            f"{dose.times} ({dose.interval})",
            phrase("times, 95 % interval"),
            phrase(
                "random effects: Paule and Mandel 1982 (tau), Hartung and Knapp 2001 (interval), both from memory; checked "
                "against Kacker 2004, Metrologia 41, 132-136"
            ),
        ),
        WorkingRow(
            phrase("{dose}: the average of just these trials", dose=dose.said),
            phrase("mean of ln ratio, weights 1 / standard error^2; it says nothing of further trials"),
            (),
            phrase(
                "{ratio} ({low} to {high})",
                ratio=figure(mean),
                low=figure(limits[0]),
                high=figure(limits[1]),
            ),
            phrase("times, 95 % interval"),
            phrase("Welch 1947 and Satterthwaite 1946"),
        ),
    ]


@dataclass(frozen=True)
class AdditivesBeside:
    """All additives, by name: those in closed trials with what these said, and those still to be tried."""

    headline: str
    tried: list[AdditiveReading]
    untried: list[AdditiveReading]
    bars: list[dict]


def additives_beside(readings: Sequence[AdditiveReading]) -> AdditivesBeside:
    """Set the readings beside each other, in the order of names: no additive is put first for how it came out."""
    tried = [reading for reading in readings if reading.reads]
    ever = [reading for reading in tried if reading.better]
    bars = []
    for reading in tried:
        dose, name = reading.best_supported, f"{reading.additive}"
        bars.append({"label": name, "heading": True})
        if dose is None:
            bars.append({"label": ""})
            continue
        bars.append(summary_bar(f"{dose.results[0].rung.said}, {dose.number}", dose))
        if dose.just_these:
            bars.append(average_bar(phrase("the average of just these two"), dose))
    if not tried:
        headline = phrase("No additive has been in a closed trial yet.")
    else:
        headline = phrase_counted(
            "Of {additives} in closed trials, {shown} has been shown to beat plain water in at least one.",
            "Of {additives} in closed trials, {shown} have been shown to beat plain water in at least one.",
            len(ever),
            additives=phrase_counted("{number} additive", "{number} additives", len(tried)),
            shown=len(ever) or phrase("none"),
        )
    return AdditivesBeside(headline, tried, [r for r in readings if not r.reads], bars)


def summary_bar(label: str, dose: DoseOverTrials) -> dict:
    """A row of the picture for a dose over all its trials."""
    lower, upper = dose.limits
    return {
        "label": label,
        "centre": dose.centre,
        "lower": lower,
        "upper": upper,
        "shown": dose.shown or dose.worse,
        "worse": dose.worse,
        "is_summary": dose.summary is not None,
    }


def average_bar(label: str, dose: DoseOverTrials) -> dict:
    """The same for the average of just its trials: never shown as a verdict, as it says nothing of further ones."""
    average = dose.summary.average
    lower, upper = average.interval()
    return {"label": label, "centre": average.ratio, "lower": lower, "upper": upper, "is_summary": True}


def bridges_between(reads: Sequence[TrialRead]) -> list[Trial]:
    """Closed bridging trials that join two of these trials' lots; one query."""
    lots = {read.trial.feed_lot_id for read in reads}
    return list(
        Trial.objects.filter(state=Trial.State.CLOSED, feed_lot__in=lots, new_lot__in=lots)
        .select_related("feed_lot", "new_lot")
        .order_by("pk")
    )


def _why_no_ratio(read: TrialRead, comparison: "ControlComparison", entry: "TreatmentComparison") -> str:
    """Why a result is in no summary; blank where it may be."""
    from trials.calc.doses_together import enough_runs

    if comparison.route == "places":
        return phrase("judged by place: an order, no ratio")
    if comparison.route == "ranks":
        return phrase("too many runs below the scale: an order, no ratio")
    if not read.plain_control:
        return phrase("its control, {control}, was dosed too: not against plain water", control=read.control)
    if not enough_runs(comparison, entry):
        return phrase("too few of its runs count")
    if not entry.ratio or not entry.se_log or not comparison.df:
        return entry.note or phrase("its runs show no spread to judge chance by")
    return ""


def _key(results: Sequence[DoseResult]) -> float:
    """What doses taken as one are known by: the lowest of them."""
    return min(result.rung.key for result in results)


def _one_a_trial(results: Iterable[DoseResult]) -> list[DoseResult]:
    """Those with a ratio; of two doses taken as one in one trial, which share its control, only the first."""
    found: dict[int, DoseResult] = {}
    for result in results:
        if result.ratio:
            found.setdefault(result.trial.pk, result)
    return list(found.values())


def _least_dose(doses: Sequence[DoseOverTrials], least: "LeastOverTrials") -> DoseOverTrials | None:
    """The dose to go by: the least shown over several trials, else the one a single trial shows."""
    key = least.single if least.repeated is None else least.repeated
    return None if key is None else _at(doses, key)


def _below(doses: Sequence[DoseOverTrials], least: "LeastOverTrials") -> str:
    if least.below is None:
        return phrase("no lower one was tried")
    below = _at(doses, least.below)
    if below.shown:
        return phrase("a lower one, {dose}, is shown in one trial only", dose=below.said)
    return phrase("the next lower one tried, {dose}, was not shown", dose=below.said)


def _at(doses: Sequence[DoseOverTrials], key: float) -> DoseOverTrials:
    return next(dose for dose in doses if math.isclose(dose.key, key))


def _trials(number: int) -> str:
    return phrase_counted("{number} trial", "{number} trials", number)


def _span(years: set[int]) -> str:
    first, last = min(years), max(years)
    return f"{first}" if first == last else phrase("{first} to {last}", first=first, last=last)
