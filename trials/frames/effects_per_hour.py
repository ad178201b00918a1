"""Gold per hour of panning beside gold per portion: a faster way may keep less of each portion and still bring more."""

from collections.abc import Hashable
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from prospecting.calc.language import phrase, phrase_counted
from trials.frames.effects_by_factor import FORMULA, Bar, Factorial
from trials.frames.trial_lines import RunLine, TrialLines
from trials.models import Treatment, Trial

if TYPE_CHECKING:
    from trials.calc.effect_words import Told
    from trials.calc.effects import Answer, Answers, CellMean, CellModel, Question
    from trials.calc.working import Working

# With more ratios than these only those are spelt out of which an hour and a portion are shown to differ in direction.
MOST_CARDS = 4


@dataclass(frozen=True)
class HourCard:
    """One treatment's portion and hour against the control's, or one level's against the first, in words."""

    headline: str
    explanation: str


@dataclass(frozen=True)
class HourRow:
    """One treatment: what a portion gives, how long it takes, and what an hour gives."""

    name: str
    is_control: bool
    timed: str
    portion: str
    portion_ratio: str
    minutes: str
    hour: str
    hour_ratio: str


@dataclass(frozen=True)
class PerHour:
    """The part on gold per hour; where `refused` stands, only that and the minutes are shown."""

    refused: str = ""
    unit: str = ""
    cards: list[HourCard] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    bars_in_words: str = ""
    margin_ratio: float = 0.0
    by_factor: bool = False
    rows: list[HourRow] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    working: "Working | None" = None

    @property
    def bars_written(self) -> list[tuple[str, str]]:
        """What the picture draws of factors, which no row of the treatments holds: (label, ratio with its interval)."""
        from trials.calc.ratio_words import between
        from trials.calc.working import figure

        return [
            (
                bar.label,
                f"{figure(bar.ratio)} ({between(bar.lower, bar.upper)})"
                if bar.lower is not None
                else phrase("no interval"),
            )
            for bar in self.bars
            if self.by_factor
        ]


def per_hour_of(lines: TrialLines, factorial: Factorial | None) -> PerHour | None:
    """Gold per hour by treatment, or by factor; None for a trial that varies no way of working and timed nothing."""
    timed = [line for line in lines.counted if line.run.pan_min]
    if not timed:
        varies_work = any(treatment.technique for treatment in lines.treatments)
        return PerHour(refused=_untimed(lines)) if varies_work and lines.counted else None
    if lines.trial.is_bridge:
        return None
    reading = _Hour(lines, factorial)
    if lines.by_places:
        return PerHour(
            refused=phrase(
                "Judged by places, which say nothing of how much gold an hour brings. Minutes by treatment stand below."
            ),
            rows=reading.rows({}, {}, None, None),
        )
    return reading.read()


def _untimed(lines: TrialLines) -> str:
    return phrase(
        "None of the {number} runs that count has its minutes of panning on record, so gold per hour can't be said. Let the "
        "run page's clock time the next ones.",
        number=len(lines.counted),
    )


@dataclass
class _Hour:
    """The timed runs: every treatment against the control, or every factor's levels where several are varied at once."""

    lines: TrialLines
    factorial: Factorial | None

    @property
    def what(self) -> str:
        return phrase("colours") if self.lines.by_colours else phrase("gold")

    @cached_property
    def questions(self) -> "list[tuple[str, Question]]":
        """What is asked, each with its name in words."""
        from trials.calc.effects import ratio_question

        if self.factorial:
            return [(self.factorial.main_name(question), question) for question in self.factorial.mains]
        names = [treatment.name for treatment in self.lines.treatments if not treatment.is_control]
        return [(name, ratio_question(name, name, self.lines.control)) for name in names]

    def cell(self, treatment: Treatment) -> Hashable:
        return self.factorial.cell_of[treatment.pk] if self.factorial else treatment.name

    def timed(self, name: str = "") -> list[RunLine]:
        runs = self.lines.of(name) if name else self.lines.counted
        return [line for line in runs if line.run.pan_min]

    def read(self) -> PerHour:
        from trials.calc.effect_words import hour_words

        try:
            portion_model, hour_model = self._portion_model(), self._hour_model()
            portion, hour = self._answers(portion_model), self._answers(hour_model)
        except ValueError as refusal:
            why = str(refusal)
            why = why if why.endswith(".") else f"{why}."
            return PerHour(
                refused=phrase(
                    "No ratio of {gold} per hour can be given: {why}",
                    gold=self.what,
                    why=why[0].lower() + why[1:],
                ),
                rows=self.rows({}, {}, None, None),
            )
        told = self._told(portion)
        whose = phrase("the other's") if self.factorial else phrase("the control's")
        asked = [(name, portion.of(each.name), hour.of(each.name)) for name, each in self.questions]
        bars = [
            bar
            for name, of_portion, of_hour in asked
            for bar in (
                _bar(phrase("A portion, {treatment}", treatment=name), of_portion),
                _bar(phrase("An hour, {treatment}", treatment=name), of_hour),
            )
        ]
        return PerHour(
            unit=phrase("colours") if self.lines.by_colours else "mg",
            cards=[
                HourCard(*hour_words(told, name, self.what, whose, of_portion, of_hour))
                for name, of_portion, of_hour in asked
                if len(asked) <= MOST_CARDS or _opposed(of_portion, of_hour)
            ],
            bars=bars,
            bars_in_words=" ".join(
                f"{bar.label}: {_times(bar.ratio, bar.lower, bar.upper)}." for bar in bars
            ),
            margin_ratio=self.lines.smallest_ratio,
            by_factor=self.factorial is not None,
            rows=self.rows(portion_model.means(), hour_model.means(), portion, hour),
            notes=self._notes(hour_model),
            working=self._working(portion, hour),
        )

    def _portion_model(self) -> "CellModel":
        from trials.calc.effects import COLOURS, MASS

        return self._model(
            self.lines.counted,
            [line.value for line in self.lines.counted],
            COLOURS if self.lines.by_colours else MASS,
            self.lines.scale_step_mg if self.lines.by_weight else None,
        )

    def _hour_model(self) -> "CellModel":
        from trials.calc.effects import RATE, per_hour

        runs = self.timed()
        values = [per_hour(line.value, float(line.run.pan_min)) for line in runs]
        # What a run below the scale would have brought in an hour at most, of the quickest of them.
        step = self.lines.scale_step_mg if self.lines.by_weight else None
        quickest = min((float(line.run.pan_min) for line in runs if line.is_below), default=None)
        return self._model(runs, values, RATE, per_hour(step, quickest) if step and quickest else None)

    def _model(self, runs: list[RunLine], values: list[float], route: str, step: float | None) -> "CellModel":
        from trials.calc.effects import CellModel, read_runs

        cells = [self.cell(line.planned.treatment) for line in runs]
        return CellModel(
            read_runs(
                values,
                cells,
                [line.block for line in runs],
                *self.lines.places_of(runs),
                route=route,
                scale_step_mg=step,
            )
        )

    def _answers(self, model: "CellModel") -> "Answers":
        from trials.calc.effects import ask

        in_one_order = not self.lines.trial.in_blocks
        rows = (
            min(len(self.timed(treatment.name)) for treatment in self.lines.treatments)
            if in_one_order
            else len({line.block for line in self.lines.counted})
        )
        control = next(treatment for treatment in self.lines.treatments if treatment.is_control)
        return ask(
            model,
            [question for _, question in self.questions],
            reference=self.cell(control),
            smallest_ratio=self.lines.smallest_ratio,
            rows_now=max(1, rows),
            in_one_order=in_one_order,
        )

    def _told(self, family: "Answers") -> "Told":
        from trials.calc.effect_words import Told
        from trials.calc.effects import COLOURS, MASS

        return Told(
            family,
            self.lines.smallest_ratio,
            COLOURS if self.lines.by_colours else MASS,
            not self.lines.trial.in_blocks,
            phrase("all factors judged together")
            if self.factorial
            else phrase("all treatments judged together"),
        )

    def rows(
        self,
        portions: "dict[Hashable, CellMean]",
        hours: "dict[Hashable, CellMean]",
        portion: "Answers | None",
        hour: "Answers | None",
    ) -> list[HourRow]:
        from trials.calc.effects import shared_mean
        from trials.calc.working import figure

        rows = []
        for treatment in self.lines.treatments:
            name, runs, cell = treatment.name, self.timed(treatment.name), self.cell(treatment)
            minutes = shared_mean([float(line.run.pan_min) for line in runs])
            against = not treatment.is_control and not self.factorial
            rows.append(
                HourRow(
                    name=name,
                    is_control=treatment.is_control,
                    timed=phrase("{number} of {runs}", number=len(runs), runs=len(self.lines.of(name))),
                    portion=_mean(portions.get(cell)),
                    portion_ratio=_ratio(portion.of(name)) if against and portion else "",
                    minutes="" if minutes is None else figure(minutes),
                    hour=_mean(hours.get(cell)),
                    hour_ratio=_ratio(hour.of(name)) if against and hour else "",
                )
            )
        return rows

    def _notes(self, model: "CellModel") -> list[str]:
        notes = [
            phrase(
                "Minutes are of panning alone: soaking, mixing and cleaning up are not in them. Whoever pans sets the pace, "
                "and a run done in a hurry at the end of a day counts as a fast one."
            ),
        ]
        if self.lines.trial.outcome in (Trial.Outcome.GOLD_MASS, Trial.Outcome.COLOURS):
            notes.append(
                phrase(
                    "The trial was planned to be judged by {gold} of a portion; an hour's {gold} is looked at beside it, "
                    "afterwards.",
                    gold=self.what,
                )
            )
        if self.factorial:
            notes.append(
                phrase(
                    "Each factor is averaged over the others here too; where two act on each other, neither average is the "
                    "answer."
                )
            )
        untimed = [line for line in self.lines.counted if not line.run.pan_min]
        if untimed:
            notes.append(
                phrase_counted(
                    "{number} run that counts has no minutes on record ({treatments}) and stand only in what a portion gives.",
                    "{number} runs that count have no minutes on record ({treatments}) and stand only in what a portion gives.",
                    len(untimed),
                    treatments=self.lines.by_treatment(untimed),
                )
            )
        if model.runs.below:
            notes.append(phrase("Runs below the scale count as anything from nothing to a whole step of it."))
        return notes

    def _working(self, portion: "Answers", hour: "Answers") -> "Working":
        from trials.calc.comparison import EQUAL_PORTIONS
        from trials.calc.effect_words import working_rows
        from trials.calc.working import Working

        against = "" if self.factorial else f" / {self.lines.control}"
        ratios = {question.name: name + against for name, question in self.questions}
        portions = {name: phrase("{ratio}, a portion", ratio=ratio) for name, ratio in ratios.items()}
        hours = {name: phrase("{ratio}, an hour", ratio=ratio) for name, ratio in ratios.items()}
        return Working(
            (*working_rows(portion, portions, FORMULA), *working_rows(hour, hours, FORMULA)),
            (
                phrase(EQUAL_PORTIONS),
                phrase("An hour's {gold} of a run: {gold} x 60 / minutes of panning.", gold=self.what),
                phrase(
                    "The ratios of a portion and of an hour are each reckoned from the runs, so they need not divide into "
                    "the ratio of the minutes to the last digit."
                ),
                phrase("What is varied changes what an hour brings in every block by the same factor."),
            ),
        )


def _opposed(portion: "Answer", hour: "Answer") -> bool:
    return portion.shown and hour.shown and (portion.ratio > 1) != (hour.ratio > 1)


def _mean(found: "CellMean | None") -> str:
    from trials.calc.working import figure

    return "" if found is None or found.mean is None else figure(found.mean)


def _ratio(answer: "Answer") -> str:
    from trials.calc.effect_words import explained
    from trials.calc.ratio_words import between
    from trials.calc.working import figure

    if answer.ratio is None:
        return explained(answer)
    if answer.lower is None:
        return phrase("{ratio}, no interval", ratio=figure(answer.ratio))
    return f"{figure(answer.ratio)} ({between(answer.lower, answer.upper)})"


def _bar(label: str, answer: "Answer") -> Bar:
    return Bar(
        label,
        answer.ratio,
        answer.lower,
        answer.upper,
        answer.shown,
        "" if answer.lower is not None else phrase("no interval"),
    )


def _times(ratio: float | None, lower: float | None, upper: float | None) -> str:
    from trials.calc.ratio_words import between
    from trials.calc.working import figure

    if ratio is None:
        return phrase("no ratio")
    if lower is None:
        return phrase("{ratio} times", ratio=figure(ratio))
    return phrase("{ratio} times, {interval}", ratio=figure(ratio), interval=between(lower, upper))
