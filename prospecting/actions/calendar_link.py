"""A member's private address of the calendar: made, made anew, taken away. Only a hash of its key is kept."""

import hashlib
import secrets

from django.db import transaction

from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_writer
from prospecting.models import CalendarLink, Member

# 32 random bytes: nobody guesses them, so that tries need not be counted.
KEY_BYTES = 32


@transaction.atomic
def renew_calendar_link(*, member: Member) -> tuple[CalendarLink, str]:
    """The member's link with a new key, and the key, which is told this once; the key before it opens nothing any more."""
    require_writer(member)
    # The member's row is there to be locked even before the first link.
    member = Member.objects.select_for_update().get(pk=member.pk)
    key = secrets.token_urlsafe(KEY_BYTES)
    link, is_first = CalendarLink.objects.update_or_create(
        member=member, defaults={"key_sha256": hash_of_key(key)}
    )
    what = "made a private calendar address" if is_first else "made the private calendar address anew"
    write_journal(member=member, about=member, what=what)
    return link, key


@transaction.atomic
def remove_calendar_link(*, member: Member) -> Member:
    """Take the link away; a calendar that still asks for it finds nothing. Without a link nothing happens."""
    member = Member.objects.select_for_update().get(pk=member.pk)
    removed, _ = CalendarLink.objects.filter(member=member).delete()
    if removed:
        write_journal(member=member, about=member, what="took the private calendar address away")
    return member


def hash_of_key(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()
