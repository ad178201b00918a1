"""Invitations: a link with which one person joins and chooses a password nobody else ever sees; only its hash is kept."""

import secrets
from datetime import timedelta

from django.db import transaction
from django.utils import timezone

from prospecting.actions.calendar_link import KEY_BYTES, hash_of_key
from prospecting.actions.journal import write_journal
from prospecting.actions.members import new_member
from prospecting.actions.permission import require_keeper
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.models import Invitation, Member

DAYS = (1, 7, 30)


@transaction.atomic
def invite(*, meant_for: str, role: str, days: int, invited_by: Member) -> tuple[Invitation, str]:
    """A new invitation and its key, which is told this once."""
    require_keeper(invited_by)
    if days not in DAYS:
        raise Refused(phrase("An invitation is open for 1, 7 or 30 days."), code="days", field="days")
    key = secrets.token_urlsafe(KEY_BYTES)
    invitation = Invitation(
        key_sha256=hash_of_key(key),
        meant_for=meant_for,
        role=role,
        invited_by=invited_by,
        expires_at=timezone.now() + timedelta(days=days),
    )
    invitation.full_clean()
    invitation.save()
    write_journal(
        member=invited_by, about=invitation, what=f"invited as {invitation.role}, open for {_days(days)}"
    )
    return invitation, key


@transaction.atomic
def withdraw_invitation(*, invitation: Invitation, withdrawn_by: Member) -> Invitation:
    require_keeper(withdrawn_by)
    invitation = Invitation.objects.select_for_update().get(pk=invitation.pk)
    if invitation.joined_as_id:
        raise Refused(
            phrase("Somebody has joined by it already. Switch the member off instead."), code="joined_already"
        )
    if invitation.withdrawn_at is None:
        invitation.withdrawn_at = timezone.now()
        invitation.save(update_fields=["withdrawn_at"])
        write_journal(member=withdrawn_by, about=invitation, what="withdrawn")
    return invitation


@transaction.atomic
def join(*, key: str, username: str, first_name: str, last_name: str, password: str, units: dict) -> Member:
    """Whoever holds the key becomes a member, once; `units` are the fields mass_unit, grade_unit, dose_unit and decimal_mark."""
    open_ones = Invitation.objects.still_open().select_for_update(of=("self",))
    invitation = open_ones.filter(key_sha256=hash_of_key(key)).first()
    if invitation is None:
        raise Refused(phrase("This invitation is no longer open."), code="not_open")
    member = new_member(
        username=username,
        role=invitation.role,
        password=password,
        first_name=first_name,
        last_name=last_name,
        **units,
    )
    invitation.joined_as = member
    invitation.joined_at = timezone.now()
    invitation.save(update_fields=["joined_as", "joined_at"])
    write_journal(member=member, about=invitation, what=f"joined as {member.role}")
    write_journal(member=member, about=member, what=f"joined as {member.role} by an invitation")
    return member


def _days(days: int) -> str:
    return "1 day" if days == 1 else f"{days} days"
