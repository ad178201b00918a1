from trials.models.additives import Additive
from trials.models.runs import ColourCount, Run
from trials.models.trials import Block, Dose, KeyOpening, PlannedRun, Treatment, Trial

__all__ = [
    "Additive",
    "Block",
    "ColourCount",
    "Dose",
    "KeyOpening",
    "PlannedRun",
    "Run",
    "Treatment",
    "Trial",
]
