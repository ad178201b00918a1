"""The runs of a closed trial as its analysis reads them: one line a planned run, what it gave, and why it is left out."""

import math
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from prospecting.calc import mass_balance, units
from prospecting.calc.language import phrase
from trials.frames.judging import Judged, judged_of, judgings_of
from trials.models import Judging, KeyOpening, PlannedRun, Run, Treatment, Trial

if TYPE_CHECKING:
    from trials.calc.comparison import ControlComparison
    from trials.calc.verdict import Verdict


@dataclass(frozen=True)
class RunLine:
    """One planned run and what came of it. `value` is what is compared: mg, colours, or the mean place (1: most gold).

    -inf stands for a run below the scale, None for one that is left out.
    """

    planned: PlannedRun
    run: Run | None
    value: float | None
    result: str
    left_out: str = ""
    is_blind: bool = True

    @property
    def treatment(self) -> str:
        return self.planned.treatment.name

    @property
    def block(self) -> int:
        return self.planned.block.number

    @property
    def counts(self) -> bool:
        return self.value is not None

    @property
    def is_below(self) -> bool:
        return self.value == -math.inf


def value_of(run: Run, outcome: str) -> float | None:
    """What a run that stands gave: mg or colours as the trial is judged, -inf below the scale, None when not on record.

    A run alone has no place: that is its block's (`judging.judged_of`).
    """
    if outcome == Trial.Outcome.PLACES:
        return None
    if outcome == Trial.Outcome.COLOURS:
        return None if run.colours_total is None else float(run.colours_total)
    if run.below_scale:
        return -math.inf
    return None if run.gold_mg is None else float(run.gold_mg)


@dataclass(frozen=True)
class TrialRows:
    """What a closed trial's lines are made from; `judgings` of one judged by places only."""

    planned: list[PlannedRun]
    openings: list[KeyOpening]
    judgings: list[Judging]


def rows_of(trials: Collection[Trial], *, every_outcome: bool = True) -> dict[int, TrialRows]:
    """The rows of each of these trials; three queries however many they are, two more where one is judged by places.

    Colours are read with every run, or, without `every_outcome`, where a trial is judged by them.
    """
    planned: dict[int, list[PlannedRun]] = defaultdict(list)
    runs = PlannedRun.objects.filter(trial__in=trials)
    if every_outcome or any(trial.outcome == Trial.Outcome.COLOURS for trial in trials):
        runs = runs.prefetch_related("run__colours")
    for each in runs.select_related("treatment", "block", "run__step", "run__panner"):
        planned[each.trial_id].append(each)
    openings: dict[int, list[KeyOpening]] = defaultdict(list)
    for opening in KeyOpening.objects.filter(trial__in=trials).select_related("member"):
        openings[opening.trial_id].append(opening)
    placed = [trial for trial in trials if trial.outcome == Trial.Outcome.PLACES]
    judgings = judgings_of(placed)
    return {
        trial.pk: TrialRows(planned[trial.pk], openings[trial.pk], judgings.get(trial.pk, []))
        for trial in trials
    }


@dataclass
class TrialLines:
    """A closed trial's runs, read once; every reading of a trial stands on this.

    `outcome` is what the runs are read by: what the trial was planned for, unless another one is looked at afterwards.
    `rows` are given where many trials are read together.
    """

    trial: Trial
    outcome: str = ""
    rows: TrialRows | None = None
    treatments: list[Treatment] = field(init=False)
    openings: list[KeyOpening] = field(init=False)
    judged: Judged | None = field(init=False)
    lines: list[RunLine] = field(init=False)

    def __post_init__(self) -> None:
        self.outcome = self.outcome or self.trial.outcome
        self.treatments = list(self.trial.treatments.all())
        rows = self.rows or rows_of([self.trial])[self.trial.pk]
        self.openings = rows.openings
        self.judged = (
            judged_of(self.trial, rows.planned, rows.openings, rows.judgings) if self.by_places else None
        )
        self.lines = [self._line(planned) for planned in rows.planned]

    @property
    def control(self) -> str:
        return next(treatment.name for treatment in self.treatments if treatment.is_control)

    @property
    def by_colours(self) -> bool:
        return self.outcome == Trial.Outcome.COLOURS

    @property
    def by_places(self) -> bool:
        return self.outcome == Trial.Outcome.PLACES

    @property
    def by_weight(self) -> bool:
        return self.outcome == Trial.Outcome.GOLD_MASS

    @property
    def unit(self) -> str:
        if self.by_places:
            return phrase("place")
        return phrase("colours") if self.by_colours else "mg"

    @property
    def not_on_record(self) -> str:
        if self.by_places:
            return phrase("not placed by every judge")
        return phrase("no colours on record") if self.by_colours else phrase("no weight on record")

    @property
    def smallest_ratio(self) -> float:
        return float(self.trial.smallest_ratio)

    @property
    def counted(self) -> list[RunLine]:
        return [line for line in self.lines if line.counts]

    def of(self, name: str) -> list[RunLine]:
        """The runs of one treatment that count."""
        return [line for line in self.counted if line.treatment == name]

    def by_treatment(self, lines: Iterable[RunLine]) -> str:
        """How many of these runs each treatment has, in the treatments' own order."""
        numbers = Counter(line.treatment for line in lines)
        return ", ".join(
            phrase("{number} of {treatment}", number=numbers[t.name], treatment=t.name)
            for t in self.treatments
            if numbers[t.name]
        )

    def _line(self, planned: PlannedRun) -> RunLine:
        run = getattr(planned, "run", None)
        if run is None:
            return RunLine(planned, None, None, phrase("not done"), left_out=phrase("not done"))
        blind = run.panner_id != self.trial.mixer_id and not any(
            opening.member_id == run.panner_id and opening.opened_at < run.recorded_at
            for opening in self.openings
        )
        if run.failed or run.is_void:
            reason = run.fail_reason if run.failed else run.step.void_reason
            result = phrase("failed") if run.failed else phrase("void")
            return RunLine(planned, run, None, result, left_out=reason, is_blind=blind)
        value, result = self._place(planned) if self.by_places else self._outcome(run)
        left_out = "" if value is not None else self.not_on_record
        return RunLine(planned, run, value, result, left_out=left_out, is_blind=blind)

    def _outcome(self, run: Run) -> tuple[float | None, str]:
        value = value_of(run, self.outcome)
        if self.by_colours:
            return value, (
                phrase("not counted")
                if value is None
                else phrase("{colours} colours", colours=run.colours_total)
            )
        if run.below_scale:
            step = units.format_gold_mg(run.scale_step_mg)
            return value, phrase("below the scale (under {step})", step=step)
        return value, phrase("not weighed") if value is None else units.format_gold_mg(run.gold_mg)

    def _place(self, planned: PlannedRun) -> tuple[float | None, str]:
        from trials.calc.working import figure

        place = self.judged.place_of.get(planned.pk)
        if place is None:
            return None, phrase("not placed")
        judges = self.judged.judges_in[planned.pk]
        said = {"place": figure(place), "pans": self.judged.placed_in[planned.pk]}
        if judges > 1:
            return place, phrase("place {place} of {pans}, mean of {judges} judges", judges=judges, **said)
        return place, phrase("place {place} of {pans}", **said)

    @property
    def scale_step_mg(self) -> float | None:
        """The coarsest step the gold was weighed with."""
        steps = [line.run.scale_step_mg for line in self.counted if line.run.scale_step_mg]
        coarsest = max(steps, default=self.trial.scale_step_mg)
        return float(coarsest) if coarsest else None

    @property
    def mean_portion_g(self) -> float | None:
        masses = [line.run.portion_mass_g for line in self.counted]
        return float(mass_balance.mean_mass_g(masses)) if masses else None

    @property
    def places(self) -> list[int] | None:
        """Each run's place in its block's order where the design is a square, so that the order's drift is taken out."""
        return next(iter(self.places_of(self.lines)), None)

    def places_of(self, lines: Iterable[RunLine]) -> list[list[int]]:
        """The same of some of the runs, as one more column of a model; no column where the design is no square."""
        return [[line.planned.position for line in lines]] if self.trial.is_square else []

    def compare(self) -> "tuple[ControlComparison | None, str]":
        """The comparison the trial was planned for, or None and the reason why the runs allow none."""
        from trials.calc.comparison import compare_counts, compare_gold
        from trials.calc.places import compare_places

        columns = (
            [line.value for line in self.lines],
            [line.treatment for line in self.lines],
            [line.block for line in self.lines],
            self.control,
        )
        try:
            if self.by_places:
                return compare_places(*columns), ""
            if self.by_colours:
                return compare_counts(*columns, places=self.places), ""
            return compare_gold(*columns, scale_step_mg=self.scale_step_mg, places=self.places), ""
        except ValueError as refusal:
            return None, str(refusal)

    def verdicts_on(self, comparison: "ControlComparison | None", why_none: str) -> "dict[str, Verdict]":
        """The verdict on each treatment by what `compare` gave."""
        from trials.calc.places import judge_places, not_placed
        from trials.calc.verdict import judge, not_enough

        compared = [treatment.name for treatment in self.treatments if not treatment.is_control]
        blocks = len({line.block for line in self.counted if line.treatment == self.control})
        if self.by_places:
            return {
                name: judge_places(comparison, name) if comparison else not_placed(name, why_none, blocks)
                for name in compared
            }
        if comparison is None:
            in_one_order = not self.trial.in_blocks
            have = len(self.of(self.control)) if in_one_order else blocks
            return {
                name: not_enough(name, why_none, self.smallest_ratio, have, in_one_order) for name in compared
            }
        return {name: judge(comparison, name, self.smallest_ratio) for name in compared}
