from trials.models.additives import Additive
from trials.models.clearing import ClearingTest, Tub, TubReading
from trials.models.judging import Judging, PanPlace
from trials.models.runs import ColourCount, Run, TailsPan, Weighing
from trials.models.trials import (
    NO_TEST_LOTS,
    Block,
    Dose,
    Factor,
    KeyOpening,
    Level,
    PlannedRun,
    Treatment,
    Trial,
)

__all__ = [
    "NO_TEST_LOTS",
    "Additive",
    "Block",
    "ClearingTest",
    "ColourCount",
    "Dose",
    "Factor",
    "Judging",
    "KeyOpening",
    "Level",
    "PanPlace",
    "PlannedRun",
    "Run",
    "TailsPan",
    "Treatment",
    "Trial",
    "Tub",
    "TubReading",
    "Weighing",
]
