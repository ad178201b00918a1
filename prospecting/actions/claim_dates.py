"""Days to keep for a claim: typed in, changed, kept, voided. Reminders only; the land agency decides what is due, and when."""

import datetime

from django.db import transaction
from django.utils import timezone
from django.utils.formats import date_format

from prospecting.actions.journal import changed_fields, write_journal
from prospecting.actions.material import check_day
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.models import Claim, ClaimDate

# Further ahead a year is a slip of the thumb.
MOST_YEARS_AHEAD = 50


@transaction.atomic
def add_claim_date(*, claim: Claim, recorded_by, **values) -> ClaimDate:
    """`values` are what, due_on, remind_days, is_yearly, watched_by and note of a ClaimDate."""
    require_writer(recorded_by)
    # Locked, so that two members who type in the same day from one paper don't both get it in.
    claim = Claim.objects.select_for_update().get(pk=claim.pk)
    date = ClaimDate(claim=claim, recorded_by=recorded_by)
    _fill(date, values)
    write_journal(member=recorded_by, about=date, what=f"claim date added for {claim}")
    return date


@transaction.atomic
def change_claim_date(*, date: ClaimDate, recorded_by, **values) -> ClaimDate:
    require_writer(recorded_by)
    date = _locked(date)
    _must_be_open(date)
    changes = changed_fields(record=date, values=values)
    _fill(date, values)
    if changes:
        write_journal(member=recorded_by, about=date, what="claim date changed", changes=changes)
    return date


@transaction.atomic
def keep_claim_date(
    *,
    date: ClaimDate,
    done_on: datetime.date,
    done_how: str,
    recorded_by,
    next_due_on: datetime.date | None = None,
) -> ClaimDate:
    """Mark a date as kept; with `next_due_on` the next one of a yearly date is written down, alike but for its day."""
    require_writer(recorded_by)
    date = _locked(date)
    _must_be_open(date)
    check_day(done_on, field_name="done_on")
    if not done_how.strip():
        raise Refused(
            phrase("Say how it was kept: the receipt, who took it, where."),
            code="how_missing",
            field="done_how",
        )
    if next_due_on is not None and next_due_on <= date.due_on:
        raise Refused(
            phrase("The next one comes after this one, {day}.", day=date_format(date.due_on, "d M Y")),
            code="next_too_early",
            field="next_due_on",
        )
    date.done_on, date.done_by, date.done_how = done_on, recorded_by, done_how.strip()
    date.full_clean(exclude=["claim", "watched_by", "done_by", "recorded_by"])
    date.save(update_fields=["done_on", "done_by", "done_how"])
    write_journal(member=recorded_by, about=date, what=f"kept on {done_on:%d %b %Y}", why=date.done_how)
    if next_due_on is not None:
        _write_next(date, next_due_on, recorded_by)
    return date


@transaction.atomic
def reopen_claim_date(*, date: ClaimDate, reason: str, reopened_by) -> ClaimDate:
    """Let a date that was marked as kept by mistake be open again; who marked it may, and a keeper.

    How it was said to be kept stays in the journal. A next one written down with it stays too.
    """
    require_writer(reopened_by)
    # The claim first, as whoever adds a date does.
    claim = Claim.objects.select_for_update().get(pk=date.claim_id)
    date = _locked(date)
    if date.is_open or date.voided_at is not None:
        raise Refused(phrase("Only a date that was kept is opened again."), code="not_kept")
    if date.done_by_id != reopened_by.pk and not reopened_by.is_keeper:
        raise Refused(
            phrase("Only who marked this date as kept, or a keeper, opens it again."), code="not_yours"
        )
    if not reason.strip():
        raise Refused(phrase("Say why it is opened again."), code="reason_missing", field="reason")
    if claim.dates.open().filter(what__iexact=date.what, due_on=date.due_on).exists():
        raise Refused(
            phrase(
                "{what} on {day} was written down anew and is open already.",
                what=date.what,
                day=date_format(date.due_on, "d M Y"),
            ),
            code="date_twice",
        )
    changes = {
        "kept on": [f"{date.done_on:%d %b %Y}", ""],
        "kept by": [str(date.done_by), ""],
        "how it was kept": [date.done_how, ""],
    }
    date.done_on, date.done_by, date.done_how = None, None, ""
    date.save(update_fields=["done_on", "done_by", "done_how"])
    write_journal(
        member=reopened_by,
        about=date,
        what="opened again: it was not kept",
        why=reason.strip(),
        changes=changes,
    )
    return date


@transaction.atomic
def void_claim_date(*, date: ClaimDate, reason: str, voided_by) -> ClaimDate:
    """Take a date back with a reason; who typed it in may, and a keeper. It stays to be read."""
    require_writer(voided_by)
    date = _locked(date)
    if date.voided_at is not None:
        raise Refused(phrase("This date is voided already."), code="void_already")
    if date.recorded_by_id != voided_by.pk and not voided_by.is_keeper:
        raise Refused(phrase("Only who typed this date in, or a keeper, voids it."), code="not_yours")
    if not reason.strip():
        raise Refused(phrase("Say why this date is voided."), code="reason_missing", field="reason")
    date.voided_at, date.void_reason = timezone.now(), reason.strip()
    date.clean_fields(exclude=["claim", "watched_by", "done_by", "recorded_by"])
    date.save(update_fields=["voided_at", "void_reason"])
    write_journal(member=voided_by, about=date, what="claim date voided", why=date.void_reason)
    return date


def _locked(date: ClaimDate) -> ClaimDate:
    return (
        ClaimDate.objects.select_for_update(of=("self",)).select_related("claim", "done_by").get(pk=date.pk)
    )


def _must_be_open(date: ClaimDate) -> None:
    if date.voided_at is not None:
        raise Refused(
            phrase("This date is voided; type it in anew if it is due after all."), code="date_void"
        )
    if date.done_on is not None:
        raise Refused(
            phrase(
                "This date was kept on {day}, {member} says. Open it again if that is wrong.",
                day=date_format(date.done_on, "d M Y"),
                member=date.done_by,
            ),
            code="kept_already",
        )


def _fill(date: ClaimDate, values: dict) -> None:
    due_on: datetime.date = values["due_on"]
    if due_on.year > timezone.localdate().year + MOST_YEARS_AHEAD:
        raise Refused(
            phrase("That is more than {most} years ahead.", most=MOST_YEARS_AHEAD),
            code="too_far",
            field="due_on",
        )
    alike = ClaimDate.objects.open().filter(claim=date.claim, what__iexact=values["what"], due_on=due_on)
    if alike.exclude(pk=date.pk).exists():
        raise Refused(
            phrase(
                "{what} on {day} is in the books already for {claim}.",
                what=values["what"],
                day=date_format(due_on, "d M Y"),
                claim=date.claim,
            ),
            code="date_twice",
            field="due_on",
        )
    watched_by = values.get("watched_by")
    if watched_by is not None and watched_by != date.watched_by and not watched_by.can_write:
        raise Refused(
            phrase("{member} can't watch a date: choose a member.", member=watched_by),
            code="no_watcher",
            field="watched_by",
        )
    for field, value in values.items():
        setattr(date, field, value)
    date.full_clean(exclude=["claim", "watched_by", "done_by", "recorded_by"])
    date.save()


def _write_next(date: ClaimDate, due_on: datetime.date, recorded_by) -> None:
    copied = ("what", "remind_days", "is_yearly", "watched_by", "note")
    following = ClaimDate(claim=date.claim, recorded_by=recorded_by)
    # The last year's watcher may have left: then nobody watches until somebody is chosen.
    values = {name: getattr(date, name) for name in copied} | {"due_on": due_on}
    if date.watched_by is not None and not date.watched_by.can_write:
        values["watched_by"] = None
    try:
        _fill(following, values)
    except Refused as refusal:
        raise Refused(refusal.messages[0], code=refusal.code, field="next_due_on") from None
    write_journal(
        member=recorded_by, about=following, what=f"claim date added for {date.claim}, the next year's"
    )
