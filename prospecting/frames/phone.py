"""What is told of entries that came from a phone: by whose clock, and those that wait for a keeper."""

import datetime
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from prospecting.calc.phone_clock import TRUSTED_WITHIN_S, PhoneClock, words_for_span
from prospecting.models import Delivery, HeldEntry, JournalEntry, Lot


@dataclass(frozen=True)
class FromPhone:
    """An entry's time by the phone's clock, what speaks against that clock, how long the entry waited there (in words, blank
    when it was sent at once), and the held entry it was recorded from."""

    born_at: datetime.datetime | None
    doubts: Sequence[str]
    waited: str = ""
    held: HeldEntry | None = None


def phone_of(record) -> FromPhone | None:
    """What there is to say of the phone a record was entered on; None for most."""
    path = record.get_absolute_url()
    first = Delivery.objects.filter(record_path=path).order_by("pk").first()
    told = of_delivery(first) if first else None
    if told and (told.doubts or told.waited):
        return told
    held = HeldEntry.objects.filter(record_path=path).select_related("delivery__member").first()
    if held is None:
        return None
    typed = of_delivery(held.delivery)
    return FromPhone(typed.born_at, typed.doubts, typed.waited, held)


def of_delivery(delivery: Delivery) -> FromPhone:
    clock = PhoneClock(delivery.born_at, delivery.sent_at, delivery.clock_ahead_s)
    waited = ""
    if clock.born_at and clock.sent_at and clock.waited_s > TRUSTED_WITHIN_S:
        waited = words_for_span(clock.waited_s)
    return FromPhone(clock.born_at, clock.doubts if delivery.clock_flagged else (), waited)


@dataclass(frozen=True)
class Held:
    """A held entry as it was typed, by the labels of its fields, the phone's time of it, and the lots its refusal names."""

    entry: HeldEntry
    typed: Mapping[str, str]
    phone: FromPhone
    lots: Sequence[Lot]
    journal: Sequence[JournalEntry]


def held_entry(entry: HeldEntry) -> Held:
    journal = list(JournalEntry.objects.about(entry).select_related("member").order_by("pk"))
    codes = set(re.findall(r"[A-Z0-9]+(?:-[A-Z0-9]+)*", entry.sentence))
    return Held(
        entry=entry,
        typed={label: said for label, (_, said) in journal[0].changes.items()},
        phone=of_delivery(entry.delivery),
        lots=list(Lot.objects.filter(code__in=codes).order_by("code")),
        journal=journal,
    )


def waiting_entries() -> int:
    return HeldEntry.objects.filter(outcome="").count()
