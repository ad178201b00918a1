"""Tokens by which programs read, or read and record, as one member: made, used, ended. Only a hash of each is kept."""

import logging
import secrets
from datetime import timedelta

from django.core.exceptions import PermissionDenied
from django.db import DatabaseError, transaction
from django.utils import timezone
from django.utils.translation import gettext_lazy

from prospecting.actions.calendar_link import KEY_BYTES, hash_of_key
from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.models import ApiToken, Member

logger = logging.getLogger(__name__)

DAYS = (30, 90, 365)
# Of one member at a time: more than anybody keeps apart.
MOST_LIVE = 20


@transaction.atomic
def make_api_token(*, member: Member, name: str, days: int, may_record: bool) -> tuple[ApiToken, str]:
    """A token of this member and its key, which is told this once."""
    if may_record:
        require_writer(member)
    if days not in DAYS:
        raise Refused(phrase("Choose how long it holds."), code="days", field="days")
    member = Member.objects.select_for_update().get(pk=member.pk)
    if live_tokens(member).count() >= MOST_LIVE:
        raise Refused(
            phrase("You have {most} tokens. End one that nothing uses any more.", most=MOST_LIVE),
            code="too_many",
        )
    key = secrets.token_urlsafe(KEY_BYTES)
    token = ApiToken(
        member=member,
        name=name,
        key_sha256=hash_of_key(key),
        may_record=may_record,
        expires_at=timezone.now() + timedelta(days=days),
    )
    token.full_clean()
    token.save()
    may = "reads and records" if may_record else "reads"
    write_journal(member=member, about=member, what=f"made the API token {name}: it {may}, for {days} days")
    return token, key


@transaction.atomic
def end_api_token(*, token: ApiToken, ended_by: Member) -> ApiToken:
    """End a token, one's own or, as a keeper, anybody's. One that is over stays as it was."""
    if token.member_id != ended_by.pk and not ended_by.is_keeper:
        raise PermissionDenied(gettext_lazy("Only its member, or a keeper, ends a token."))
    token = ApiToken.objects.select_for_update().select_related("member").get(pk=token.pk)
    if token.ended_at is None:
        token.ended_at = timezone.now()
        token.save(update_fields=["ended_at"])
        write_journal(member=ended_by, about=token.member, what=f"ended the API token {token.name}")
    return token


def live_tokens(member: Member):
    """The tokens of this member that open something."""
    return ApiToken.objects.filter(member=member, ended_at=None, expires_at__gt=timezone.now())


def note_use(token: ApiToken) -> None:
    """Keep the day a token was last used: one write a day, no line of the journal; it must not turn reading into a failure."""
    today = timezone.localdate()
    if token.last_used_on == today:
        return
    try:
        ApiToken.objects.filter(pk=token.pk).update(last_used_on=today)
    except DatabaseError:
        logger.exception("the day a token was used could not be kept")
