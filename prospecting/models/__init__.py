from prospecting.models.assays import (
    AssayReturn,
    ColumnReading,
    Dispatch,
    Laboratory,
    Reading,
    ReferenceMaterial,
    Sample,
)
from prospecting.models.contamination import Contamination
from prospecting.models.ground import CalendarLink, Claim, ClaimDate, ClaimPaper, Dig, Zone
from prospecting.models.journal import Delivery, HeldEntry, JournalEntry
from prospecting.models.lots import Draw, Lot, Origin, Step
from prospecting.models.members import Member
from prospecting.models.photos import Photo

__all__ = [
    "AssayReturn",
    "CalendarLink",
    "Claim",
    "ClaimDate",
    "ClaimPaper",
    "ColumnReading",
    "Contamination",
    "Delivery",
    "Dig",
    "Dispatch",
    "Draw",
    "HeldEntry",
    "JournalEntry",
    "Laboratory",
    "Lot",
    "Member",
    "Origin",
    "Photo",
    "Reading",
    "ReferenceMaterial",
    "Sample",
    "Step",
    "Zone",
]
