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
from prospecting.models.journal import Delivery, HeldEntry, JournalEntry, JournalSeal
from prospecting.models.lots import Draw, Lot, Origin, Step
from prospecting.models.members import ApiToken, Invitation, Member, SignIn
from prospecting.models.old_sheets import OldSheet
from prospecting.models.photos import Photo

__all__ = [
    "ApiToken",
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
    "Invitation",
    "JournalEntry",
    "JournalSeal",
    "Laboratory",
    "Lot",
    "Member",
    "OldSheet",
    "Origin",
    "Photo",
    "Reading",
    "ReferenceMaterial",
    "Sample",
    "SignIn",
    "Step",
    "Zone",
]
