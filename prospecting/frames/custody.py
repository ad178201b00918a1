"""Who has which lot, and since when: the holder stands on the lot, the day in the journal."""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

from prospecting.models import JournalEntry, Lot


@dataclass(frozen=True)
class Held:
    """`lot.holder` has the lot; `since` is when that was written down (None: before the journal told)."""

    lot: Lot
    since: datetime.datetime | None


def held_lots(lots: Sequence[Lot]) -> list[Held]:
    """Those of `lots` that somebody has, in the order given; one query."""
    held = [lot for lot in lots if lot.holder]
    if not held:
        return []
    entries = JournalEntry.objects.filter(
        subject_kind=Lot._meta.model_name, subject_id__in=[lot.pk for lot in held], changes__has_key="holder"
    ).order_by("pk")
    since = {entry.subject_id: entry.at for entry in entries}
    return [Held(lot=lot, since=since.get(lot.pk)) for lot in held]
