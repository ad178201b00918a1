"""Which marks of contamination reach the material of a trial."""

import datetime
from collections.abc import Sequence

from prospecting.models import Contamination, Lot
from trials.models import Run, Trial


def marks_of(trial: Trial) -> list[Contamination]:
    """The standing marks that reach what the trial's runs used or are to use, each with its lot; three queries at most."""
    uses = {(lot.pk, day) for lot, day in _material(trial) if lot.is_marked}
    return list(Contamination.objects.reaching(uses))


def _material(trial: Trial) -> Sequence[tuple[Lot, datetime.date | None]]:
    """Every lot the trial draws from, with the day it was drawn; without one where that is still to come."""
    measured = trial.portions_from == Trial.PortionsFrom.MEASURED
    if trial.state == Trial.State.DRAFT:
        lots = (
            trial.feeds if measured else [each for lot in trial.feeds for each in trial.portions_ready(lot)]
        )
        return [(lot, None) for lot in lots]
    runs = Run.objects.filter(planned__trial=trial, step__voided_at__isnull=True).select_related(
        "lot", "step"
    )
    used = [(run.lot, run.step.done_on) for run in runs]
    if trial.state == Trial.State.CLOSED:
        return used
    still_open = trial.planned_runs.open().blind()
    return [*used, *((trial.feed_lot if measured else planned.portion, None) for planned in still_open)]
