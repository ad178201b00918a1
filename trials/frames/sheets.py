"""The mixing sheet: what goes into which tub, in the measures people pour."""

from dataclasses import dataclass

from prospecting.calc import units
from prospecting.models import Lot
from trials.models import PlannedRun, Trial


@dataclass(frozen=True)
class MixingRow:
    """One tub: its code, the lot its ore comes from, and for each additive how much of it, or that nothing goes in."""

    planned: PlannedRun
    lot: Lot
    pours: list[tuple[str, str]]


def mixing_rows(trial: Trial) -> list[MixingRow]:
    """The tubs of a trial in run order, each with (additive, amount to pour into the trial's water)."""
    planned_runs = trial.planned_runs.select_related("treatment", "block", "portion").prefetch_related(
        "treatment__doses__additive"
    )
    return [
        MixingRow(
            planned=planned,
            lot=trial.lot_of(planned.treatment),
            pours=[
                (dose.additive.name, units.tub_amounts(dose.ml_per_l, trial.water_ml).as_poured())
                for dose in planned.treatment.doses.all()
            ],
        )
        for planned in planned_runs
    ]
