"""How a verdict was reckoned, step by step with links to the runs: of each treatment, and what holds for all."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from django.utils.translation import gettext_lazy

from prospecting.calc.language import phrase
from trials.frames.trial_lines import RunLine, TrialLines
from trials.frames.verdict_figures import Grades, deciding_interval, more_of
from trials.models import Treatment, Trial

if TYPE_CHECKING:
    from trials.calc.comparison import ControlComparison, TreatmentComparison
    from trials.calc.verdict import Verdict
    from trials.calc.working import Working, WorkingRow

INDICATION = gettext_lazy("recovered by panning, indication only")
RUNS_READ = {
    Trial.Outcome.GOLD_MASS: gettext_lazy("as logged; gold by weight"),
    Trial.Outcome.COLOURS: gettext_lazy("as logged; colours of all size classes added"),
    Trial.Outcome.PLACES: gettext_lazy(
        "as judged; 1 shows most gold, pans alike share the mean of the places they take"
    ),
}


def working_of_treatment(
    reading: TrialLines,
    treatment: Treatment,
    comparison: "ControlComparison | None",
    verdict: "Verdict | None",
    grades: Grades,
) -> "Working":
    """Of one treatment (the control has no verdict): its runs first, then every figure its row of the table shows."""
    from trials.calc.working import Working

    name = treatment.name
    label = phrase("{treatment}: runs", treatment=name)
    rows = [runs_row(reading, label, [line for line in reading.lines if line.treatment == name])]
    if comparison is not None:
        rows += _reckoned(reading, treatment, comparison, verdict, grades)
    return Working(tuple(rows))


def working_of_all(
    comparison: "ControlComparison | None", verdicts: "dict[str, Verdict]"
) -> "Working | None":
    """What holds for all treatments: the model, the spread, how far the intervals reach."""
    from trials.calc.working import Working

    if comparison is None:
        return None
    common = tuple(row for row in comparison.working if row.about not in verdicts)
    return Working(common, (comparison.method, *comparison.assumptions))


def runs_row(reading: TrialLines, label: str, lines: Iterable[RunLine]) -> "WorkingRow":
    """The runs as inputs, each with its link."""
    from trials.calc.working import WorkingRow

    return WorkingRow(
        label,
        str(RUNS_READ[reading.outcome]),
        tuple(
            (
                phrase("{code}, block {block}", code=line.planned.blind_code, block=line.block)
                if reading.trial.in_blocks
                else line.planned.blind_code,
                f"{line.result}: {line.left_out}" if line.run and line.left_out else line.result,
                "",
                line.run.get_absolute_url() if line.run else "",
            )
            for line in lines
        ),
    )


def _reckoned(
    reading: TrialLines,
    treatment: Treatment,
    comparison: "ControlComparison",
    verdict: "Verdict | None",
    grades: Grades,
) -> "list[WorkingRow]":
    name = treatment.name
    if verdict is None:
        return _middle_rows(reading, name, comparison.control_mean, grades)
    entry = comparison.of(name)
    return [
        *_middle_rows(reading, name, entry.mean, grades),
        *(row for row in comparison.working if row.about == name),
        *_equivalence_rows(entry, comparison),
        *_more_rows(reading, entry, comparison, verdict, grades),
        *_sight_rows(entry, verdict, comparison, reading.smallest_ratio),
    ]


def _middle_rows(reading: TrialLines, name: str, mean_mg: float | None, grades: Grades) -> "list[WorkingRow]":
    """Of weighed gold: the middle, and the same as a grade."""
    from trials.calc.working import WorkingRow, figure, given

    if not (mean_mg and reading.by_weight):
        return []
    return [
        WorkingRow(
            phrase("{treatment}: middle", treatment=name),
            phrase(
                "expected gold by the model, averaged over the blocks; with every run in, the plain mean of the runs"
            )
            if reading.trial.in_blocks
            else phrase("expected gold by the model; with every run in, the plain mean of the runs"),
            (given(phrase("runs that count"), len(reading.of(name))),),
            figure(mean_mg),
            "mg",
        ),
        WorkingRow(
            phrase("{treatment}: recovered grade", treatment=name),
            grades.formula,
            (
                given(phrase("middle"), mean_mg, "mg"),
                given(phrase("mean portion"), reading.mean_portion_g, "g"),
            ),
            grades.of(mean_mg),
            "",
            _basis(reading),
        ),
    ]


def _more_rows(
    reading: TrialLines,
    entry: "TreatmentComparison",
    comparison: "ControlComparison",
    verdict: "Verdict",
    grades: Grades,
) -> "list[WorkingRow]":
    """Gold and grade more or less than the control, each with its interval."""
    from trials.calc.working import WorkingRow, given

    if not reading.by_weight or comparison.gain(entry.treatment) is None:
        return []
    more = more_of(entry, comparison, verdict, grades)
    middles = (
        given(phrase("middle of the treatment"), entry.mean, "mg"),
        given(phrase("middle of the control"), comparison.control_mean, "mg"),
    )
    sides = (phrase("lower limit of the ratio"), phrase("upper limit of the ratio"))
    limits = tuple(
        given(side, limit, phrase("times"))
        for side, limit in zip(sides, deciding_interval(entry, verdict), strict=True)
        if limit is not None
    )
    rows = [
        WorkingRow(
            phrase("{treatment}: gold more or less per portion", treatment=entry.treatment),
            phrase("middle of the treatment - middle of the control"),
            middles,
            more.gold,
        )
    ]
    if more.gold_interval:
        rows.append(
            WorkingRow(
                phrase("{treatment}: interval of that gold, mg", treatment=entry.treatment),
                phrase(
                    "square root of (treatment x control) x (square root of the ratio's limit - 1 / square root of that limit)"
                ),
                (*middles, *limits),
                more.gold_interval,
                "",
                phrase(
                    "our own: standard error of a difference of two middles where a run's variance grows with its mean"
                ),
            )
        )
    rows.append(
        WorkingRow(
            phrase("{treatment}: grade more or less", treatment=entry.treatment),
            grades.formula,
            (
                (phrase("gold more or less"), more.gold, "", ""),
                *([(phrase("its interval"), more.gold_interval, "", "")] if more.gold_interval else []),
                given(phrase("mean portion"), reading.mean_portion_g, "g"),
            ),
            f"{more.grade} ({more.grade_interval})" if more.grade_interval else more.grade,
            "",
            _basis(reading),
        )
    )
    return rows


def _basis(reading: TrialLines) -> str:
    if reading.trial.feed_lot.is_dry:
        return phrase("{indication}; dried ore", indication=INDICATION)
    return phrase("{indication}; not dried ore", indication=INDICATION)


def _equivalence_rows(entry: "TreatmentComparison", comparison: "ControlComparison") -> "list[WorkingRow]":
    from trials.calc.working import WorkingRow, figure, given

    if entry.equivalence_lower is None or entry.equivalence_upper is None or entry.se_log is None:
        return []
    return [
        WorkingRow(
            phrase("{treatment}: interval for equivalence", treatment=entry.treatment),
            phrase(
                "exp(ln ratio -/+ t x standard error), t one-sided at 5 % shared out over the comparisons"
            ),
            (
                given(phrase("ratio"), entry.ratio, phrase("times")),
                given("t", comparison.equivalence_t),
                given(phrase("standard error of ln ratio"), entry.se_log),
                given(phrase("comparisons"), comparison.judged_together),
                given(phrase("degrees of freedom"), comparison.df),
            ),
            phrase(
                "{low} to {high}",
                low=figure(entry.equivalence_lower),
                high=figure(entry.equivalence_upper),
            ),
            phrase("times"),
            phrase("two one-sided tests (Schuirmann 1987, from memory), Bonferroni"),
        )
    ]


def _sight_rows(
    entry: "TreatmentComparison", verdict: "Verdict", comparison: "ControlComparison", smallest_ratio: float
) -> "list[WorkingRow]":
    from trials.calc.verdict import rounded_up, rows_counted
    from trials.calc.working import WorkingRow, figure, given

    if verdict.detectable_ratio is None:
        return []
    error = [given(phrase("standard error of ln ratio"), entry.se_log)] if entry.se_log is not None else []
    seen = phrase("{ratio} times", ratio=rounded_up(verdict.detectable_ratio, 3))
    if verdict.more_blocks is not None:
        seen = phrase(
            "{seen}, {blocks} for {ratio} times",
            seen=seen,
            blocks=rows_counted(verdict.more_blocks, " more", comparison.in_one_order),
            ratio=figure(smallest_ratio),
        )
    return [
        WorkingRow(
            phrase("{treatment}: what the trial could have seen", treatment=entry.treatment),
            phrase(
                "the true ratio whose interval leaves out 1 with a chance of 80 %, from the spread of equal runs, not from the "
                "effect seen"
            ),
            (
                given(phrase("spread of equal control runs within blocks"), comparison.sd_log),
                *error,
                given(phrase("blocks"), comparison.blocks),
                given(phrase("degrees of freedom"), comparison.df),
            ),
            seen,
            "",
            phrase("normal tail averaged over the estimated spread (noncentral t)"),
        )
    ]
