"""Wrong tries counted: of passwords, of one-time codes, of invitation keys. In the database, so that all web processes count
together.

Who tries at a name from one address is stopped after a few wrong tries, whoever tries from one address at anything after
many; both for a quarter of an hour, in which nothing is counted, so that nobody can keep another out for longer by going on.
A device on which a member has signed in before is counted by itself: strangers at the same address, or at the member's name,
never keep it out. What was typed as a name may be a password that slipped into the wrong field: only a keyed hash of it is kept.
"""

import ipaddress
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

from axes.handlers.database import AxesDatabaseHandler
from axes.models import AccessAttempt
from django.conf import settings
from django.core.signing import BadSignature
from django.db import transaction
from django.db.models import F
from django.http import HttpRequest
from django.utils import timezone
from django.utils.crypto import salted_hmac

from prospecting.actions.journal import write_event
from prospecting.actions.members import folded
from prospecting.calc.waiting import whole_minutes
from prospecting.models import JournalEntry, Member

LOCKED_FOR = settings.AXES_COOLOFF_TIME
MOST_AT_A_NAME, MOST_FROM_AN_ADDRESS, MOST_CODES, MOST_KEYS = 10, 50, 5, 20
# The journal is for ever: of strangers' tries it takes so many lines an hour and no more.
MOST_LINES_AN_HOUR = 100
# Signed, so that nobody makes one: the member who signed in on this device, and a mark of the device.
DEVICE_COOKIE = "__Host-device" if settings.HTTPS else "device"
DEVICE_AGE = timedelta(days=365)
# The table's address may not be empty, or two first tries at once would make two rows.
NO_ADDRESS = "0.0.0.0"


@dataclass(frozen=True)
class Caller:
    """Where a try comes from: the address, and the member and mark of the device if that member has signed in on it."""

    address: str
    device_member: int | None = None
    device: str = ""


@dataclass(frozen=True)
class Count:
    """One thing that is counted: a keyed hash of what it is, the address where that matters, and how often is too often."""

    key: str
    address: str
    most: int


def caller_of(request: HttpRequest) -> Caller:
    member, device = _known_device(request)
    return Caller(address=_address_of(request), device_member=member, device=device)


def device_mark(member: Member, caller: Caller, fresh: str) -> str:
    """What the device's cookie says once this member has signed in on it: the mark it has, or a fresh one."""
    return f"{member.pk}:{caller.device if caller.device_member == member.pk else fresh}"


def sign_in_counts(username: str, caller: Caller) -> list[Count]:
    name = folded(username)
    known = Member.objects.filter(pk=caller.device_member).values_list("username", flat=True).first()
    if known is not None and folded(known) == name:
        return [Count(_hashed("device", caller.device), NO_ADDRESS, MOST_AT_A_NAME)]
    return [
        Count(_hashed("name", name), caller.address, MOST_AT_A_NAME),
        Count(_hashed("address"), caller.address, MOST_FROM_AN_ADDRESS),
    ]


def code_counts(member: Member, caller: Caller) -> list[Count]:
    """Six digits are few: whoever has the password is stopped at this member's codes from whatever address."""
    if caller.device_member == member.pk:
        return [Count(_hashed("codes on device", caller.device), NO_ADDRESS, MOST_CODES)]
    return [Count(_hashed("codes", member.pk), NO_ADDRESS, MOST_CODES)]


def own_password_counts(member: Member) -> list[Count]:
    """Of somebody signed in who is asked for the password once more: a phone left lying must not be tried out."""
    return [Count(_hashed("own password", member.pk), NO_ADDRESS, MOST_AT_A_NAME)]


def key_counts(caller: Caller) -> list[Count]:
    return [Count(_hashed("invitation"), caller.address, MOST_KEYS)]


def minutes_to_wait(counts: Sequence[Count]) -> int:
    """How many minutes from now the next try is looked at; 0 if at once."""
    now = timezone.now()
    waits = [
        attempt.attempt_time + LOCKED_FOR - now
        for count in counts
        for attempt in _attempts(count).filter(
            attempt_time__gt=now - LOCKED_FOR, failures_since_start__gte=count.most
        )
    ]
    return whole_minutes(max(waits, default=timedelta()))


@transaction.atomic
def count_wrong(counts: Sequence[Count], *, what: str, label: str = "") -> int:
    """Count one wrong try and return the minutes to wait; `what` was wrong, and `label` names whose it was, for the journal."""
    now = timezone.now()
    AccessAttempt.objects.filter(attempt_time__lte=now - LOCKED_FOR).delete()
    firsts = []
    for count in counts:
        attempt, is_first = AccessAttempt.objects.select_for_update().get_or_create(
            username=count.key,
            ip_address=count.address,
            user_agent="",
            defaults={"failures_since_start": 1, "attempt_time": now},
        )
        if not is_first:
            AccessAttempt.objects.filter(pk=attempt.pk).update(
                failures_since_start=F("failures_since_start") + 1, attempt_time=now
            )
        firsts.append(is_first)
    wait = minutes_to_wait(counts)
    # One line for the first and one for the last of a row of tries: how many lie between stands in the limits above.
    if (firsts[0] or wait) and _lines_left():
        said = f"{what}: too often, locked for {wait} minutes" if wait else what
        write_event(member=None, kind="refusal", label=label or "nobody known", what=said)
    return wait


@transaction.atomic
def forget_wrong(counts: Sequence[Count]) -> None:
    """A right try clears what stood against this name or device; what stands against the address goes on."""
    for count in counts:
        if count.most != MOST_FROM_AN_ADDRESS:
            _attempts(count).delete()


class SignInTries(AxesDatabaseHandler):
    """What django-axes asks at each sign-in by password, answered by the counts above."""

    def is_locked(self, request: HttpRequest, credentials: dict | None = None) -> bool:
        request.minutes_to_wait = minutes_to_wait(self._counts(request, credentials))
        return request.minutes_to_wait > 0

    def user_login_failed(self, sender, credentials: dict, request=None, **kwargs) -> None:
        # While locked nothing is counted, and what was typed is not even compared.
        if request is None or request.axes_locked_out:
            return
        username = credentials.get("username") or ""
        member = Member.objects.filter(username=username).first()
        request.minutes_to_wait = count_wrong(
            self._counts(request, credentials), what="a wrong password", label=str(member) if member else ""
        )
        request.axes_locked_out = request.minutes_to_wait > 0

    def user_logged_in(self, sender, request, user, **kwargs) -> None:
        """Nothing: with one-time codes a right password alone is no sign-in yet; the page clears what was counted."""

    def user_logged_out(self, sender, request, user, **kwargs) -> None:
        """Nothing: the site keeps its own record of devices signed in."""

    def _counts(self, request: HttpRequest, credentials: dict | None) -> list[Count]:
        return sign_in_counts((credentials or {}).get("username") or "", caller_of(request))


def _attempts(count: Count):
    return AccessAttempt.objects.filter(username=count.key, ip_address=count.address)


def _hashed(kind: str, what: object = "") -> str:
    return salted_hmac("prospecting.throttle", f"{kind}:{what}", algorithm="sha256").hexdigest()


def _lines_left() -> bool:
    lines = JournalEntry.objects.filter(subject_kind="refusal", subject_id=0, member=None).order_by("-pk")
    oldest = lines.values_list("at", flat=True)[MOST_LINES_AN_HOUR - 1 : MOST_LINES_AN_HOUR]
    return all(at < timezone.now() - timedelta(hours=1) for at in oldest)


def _address_of(request: HttpRequest) -> str:
    """The caller's address: as many entries from the end of X-Forwarded-For as there are proxies to write them."""
    told = request.META.get("REMOTE_ADDR", "")
    if settings.PROXIES:
        chain = request.headers.get("X-Forwarded-For", "").split(",")
        if len(chain) >= settings.PROXIES:
            told = chain[-settings.PROXIES].strip()
    try:
        address = ipaddress.ip_address(told)
    except ValueError:
        return NO_ADDRESS
    # A whole /64 is one household's; who has one has all its addresses.
    if address.version == 6:
        address = address.ipv4_mapped or ipaddress.ip_network((address, 64), strict=False).network_address
    return str(address)


def _known_device(request: HttpRequest) -> tuple[int | None, str]:
    try:
        told = request.get_signed_cookie(DEVICE_COOKIE, default="", max_age=DEVICE_AGE)
    except BadSignature:
        return None, ""
    member, _, device = told.partition(":")
    return (int(member), device) if device else (None, "")
