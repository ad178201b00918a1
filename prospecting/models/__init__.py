from prospecting.models.assays import AssayReturn, Dispatch, Laboratory, Reading, Sample
from prospecting.models.contamination import Contamination
from prospecting.models.ground import Claim, Dig, Zone
from prospecting.models.journal import Delivery, HeldEntry, JournalEntry
from prospecting.models.lots import Draw, Lot, Origin, Step
from prospecting.models.members import Member
from prospecting.models.photos import Photo

__all__ = [
    "AssayReturn",
    "Claim",
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
    "Sample",
    "Step",
    "Zone",
]
