from trials.models.additives import Additive
from trials.models.clearing import ClearingTest, Tub, TubReading
from trials.models.findings import Finding, FindingEvidence
from trials.models.judging import Judging, PanPlace
from trials.models.runs import ColourCount, Run, SettledMud, TailsPan, Weighing
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
    "Finding",
    "FindingEvidence",
    "Judging",
    "KeyOpening",
    "Level",
    "PanPlace",
    "PlannedRun",
    "Run",
    "SettledMud",
    "TailsPan",
    "Treatment",
    "Trial",
    "Tub",
    "TubReading",
    "Weighing",
]
