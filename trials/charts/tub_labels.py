"""Labels for the tubs of a trial: the blind code, its place in the order and its portion, and nothing of the key."""

from collections.abc import Iterable

from prospecting.calc.label_sheets import LabelSheet
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
    order = f"Trial {trial.pk}, run {planned.run_order}"
    if trial.in_blocks:
        order += f", {'row' if trial.is_square else 'block'} {planned.block.number}"
    if trial.is_square:
        order += f", place {planned.position}"
    if trial.is_bridge:
        # The lot is the key: not even the portion may say it.
        return [order, f"{trial.portion_typed} of ore"]
    if planned.portion:
        return [order, f"{planned.portion.code}, number {planned.portion.portion_number}"]
    return [order, f"{trial.portion_typed} of {trial.feed_lot.code}"]
