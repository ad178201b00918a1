"""The devices a member is signed in on, as its member reads them."""

from dataclasses import dataclass
from datetime import datetime

from django.contrib.sessions.models import Session
from django.utils import timezone

from prospecting.calc.device_words import device_words
from prospecting.models import Member, SignIn


@dataclass(frozen=True)
class DeviceRow:
    pk: int
    words: str
    began_at: datetime
    is_here: bool


def devices_of(member: Member, *, here: str = "") -> list[DeviceRow]:
    """Devices whose session still holds, the latest first; `here` is the key of the session that asks."""
    living = Session.objects.filter(expire_date__gt=timezone.now()).values("session_key")
    rows = SignIn.objects.filter(member=member, session_key__in=living)
    return [
        DeviceRow(row.pk, device_words(row.device), row.began_at, row.session_key == here) for row in rows
    ]
