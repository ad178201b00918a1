"""Devices signed in: each has a row its member sees and can end. Ending one ends its session, whatever page it has open."""

from datetime import timedelta

from django.contrib.sessions.models import Session
from django.db import transaction
from django.utils import timezone

from prospecting.actions.journal import write_event, write_journal
from prospecting.actions.permission import require_keeper
from prospecting.models import ApiToken, CalendarLink, Member, SignIn

# However often it is used: after that the password is asked again.
LONGEST = timedelta(days=30)


@transaction.atomic
def begin_sign_in(*, member: Member, session_key: str, device: str) -> SignIn:
    """Note that this session is the member's; what has run out meanwhile, of anybody, is cleared away."""
    now = timezone.now()
    Session.objects.filter(expire_date__lte=now).delete()
    SignIn.objects.filter(began_at__lte=now - LONGEST).delete()
    sign_in = SignIn.objects.create(member=member, session_key=session_key, device=device[:200])
    write_event(member=member, kind="sign-in", label=str(member), what="signed in")
    return sign_in


@transaction.atomic
def sign_out_here(*, member: Member, session_key: str) -> None:
    SignIn.objects.filter(member=member, session_key=session_key).delete()
    write_event(member=member, kind="sign-in", label=str(member), what="signed out")


@transaction.atomic
def end_sign_in(*, sign_in: SignIn, ended_by: Member) -> SignIn:
    """A member ends a device of their own."""
    end_sessions(sign_in.member, only=sign_in.session_key)
    write_event(member=ended_by, kind="sign-in", label=str(ended_by), what="signed one of their devices out")
    return sign_in


@transaction.atomic
def end_other_sign_ins(*, member: Member, session_key: str) -> Member:
    ended = end_sessions(member, but=session_key)
    if ended:
        write_event(
            member=member, kind="sign-in", label=str(member), what="signed all their other devices out"
        )
    return member


@transaction.atomic
def end_all_of_member(*, member: Member, ended_by: Member) -> Member:
    """A keeper signs a member out everywhere, programs too."""
    require_keeper(ended_by)
    end_sessions(member)
    end_keys(member)
    write_journal(member=ended_by, about=member, what="signed out on all devices by a keeper")
    return member


def end_sessions(member: Member, *, but: str = "", only: str = "") -> int:
    """End the member's sessions, all `but` one or `only` one, inside the caller's transaction; return how many."""
    rows = SignIn.objects.filter(member=member).exclude(session_key=but)
    if only:
        rows = rows.filter(session_key=only)
    Session.objects.filter(session_key__in=[row.session_key for row in rows]).delete()
    ended, _ = rows.delete()
    return ended


def end_keys(member: Member) -> None:
    """The keys by which programs come in under the member's name open nothing any more, also if the member comes back."""
    ApiToken.objects.filter(member=member, ended_at__isnull=True).update(ended_at=timezone.now())
    CalendarLink.objects.filter(member=member).delete()


@transaction.atomic
def move_sign_in(*, before: str, now: str) -> None:
    """The session goes on under a new key, as it does with a new password."""
    SignIn.objects.filter(session_key=before).update(session_key=now)
