"""Labels for the tubs of a trial: the blind code, its place in the order and its portion, and nothing of the key."""

from collections.abc import Iterable

from prospecting.calc.label_sheets import LabelSheet
from prospecting.calc.language import phrase
from prospecting.charts.code_labels import CodeSheet, draw_code_labels
from trials.models import PlannedRun, Trial


def draw_labels(
    planned_runs: Iterable[PlannedRun], trial: Trial, sheet: LabelSheet, *, first_label: int = 1
) -> list[CodeSheet]:
    """Return the sheets that hold a label for each planned run in order, leaving free those before `first_label`.

    Only what a panner may know of a run is read (`PlannedRunQuerySet.blind`).
    """
    labels = [(planned.blind_code, label_lines(planned, trial)) for planned in planned_runs]
    return draw_code_labels(labels, sheet, first_label=first_label)


def label_lines(planned: PlannedRun, trial: Trial) -> list[str]:
    """What stands under the code: where the run stands in the order, and its portion."""
    order = _place_in_order(planned, trial)
    if trial.is_bridge:
        # The lot is the key: not even the portion may say it.
        return [order, phrase("{portion} of ore", portion=trial.portion_typed)]
    if planned.portion:
        portion = planned.portion
        return [order, phrase("{lot}, number {number}", lot=portion.code, number=portion.portion_number)]
    return [order, phrase("{portion} of {lot}", portion=trial.portion_typed, lot=trial.feed_lot.code)]


def _place_in_order(planned: PlannedRun, trial: Trial) -> str:
    parts = {"trial": trial.pk, "run": planned.run_order}
    if trial.is_square:
        return phrase(
            "Trial {trial}, run {run}, row {row}, place {place}",
            row=planned.block.number,
            place=planned.position,
            **parts,
        )
    if trial.in_blocks:
        return phrase("Trial {trial}, run {run}, block {block}", block=planned.block.number, **parts)
    return phrase("Trial {trial}, run {run}", **parts)
