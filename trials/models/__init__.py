from trials.models.additives import Additive
from trials.models.runs import ColourCount, Run
from trials.models.trials import NO_TEST_LOTS, Block, Dose, KeyOpening, PlannedRun, Treatment, Trial

__all__ = [
    "NO_TEST_LOTS",
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
