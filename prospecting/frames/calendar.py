"""What a member's calendar shows: days to keep for claims, returns expected, and until when laboratories keep rejects.

Free notes stay out of it: a calendar program keeps its copy wherever it likes, and a note may tell a place.
"""

import datetime
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from django.db.models import Count, Max, Model, Q
from django.utils import timezone

from prospecting.calc.calendar_text import DayEvent, calendar_text
from prospecting.models import ClaimDate, Dispatch, JournalEntry

# What is over stays so long, so that a calendar learns that it was kept, voided or answered.
OVER_DAYS = 365
REJECTS_REMIND_DAYS = 7
NAME = "Gold prospecting log: days to keep"
CAUTION = (
    "A reminder typed in by a member. The land agency, the county and the state decide what is due and when: check with them. "
    "This is not legal advice."
)
# A change of any of these may change a word of the calendar.
TOLD_OF = ("claimdate", "claim", "dispatch", "assayreturn", "laboratory", "member")


@dataclass(frozen=True)
class Feed:
    text: str
    changed_at: datetime.datetime | None


def calendar_feed(absolute: Callable[[str], str]) -> Feed:
    """The calendar as it stands; `absolute` makes the whole address of a page out of its path. Five queries."""
    events = [*_claim_date_events(absolute), *_dispatch_events(absolute)]
    last = JournalEntry.objects.filter(subject_kind__in=TOLD_OF).aggregate(last=Max("at"))["last"]
    return Feed(text=calendar_text(name=NAME, events=events), changed_at=last)


def _claim_date_events(absolute: Callable[[str], str]) -> Iterator[DayEvent]:
    dates = ClaimDate.objects.open_or_due_since(_over_since()).select_related("claim", "watched_by")
    entries = _entries_about("claimdate", dates)
    for date in dates:
        count, last = entries.get(date.pk, (0, None))
        yield DayEvent(
            uid=_uid("claim date", date),
            day=date.due_on,
            summary=_summary(date),
            description="\n".join([*_facts(date), CAUTION]),
            url=absolute(date.get_absolute_url()),
            changed_at=last or date.recorded_at,
            changes=max(count - 1, 0),
            remind_days=date.remind_days if date.is_open else None,
            is_cancelled=date.voided_at is not None,
        )


def _summary(date: ClaimDate) -> str:
    return f"{'Kept: ' if date.done_on else ''}{date.claim}: {date.what}"


def _facts(date: ClaimDate) -> Iterator[str]:
    if date.voided_at:
        yield f"Voided: {date.void_reason}"
    elif date.done_on:
        yield f"Kept on {date.done_on:%d %b %Y}."
    else:
        yield f"Watched by {date.watched_by}." if date.watched_by else "Nobody watches this date yet."


def _dispatch_events(absolute: Callable[[str], str]) -> Iterator[DayEvent]:
    since = _over_since()
    told = (
        Dispatch.objects.with_state()
        .filter(Q(expected_on__gte=since) | Q(rejects_until__gte=since), sent_on__isnull=False)
        .select_related("laboratory")
        .annotate(return_count=Count("returns", distinct=True), last_return=Max("returns__recorded_at"))
    )
    dispatches = list(told)
    entries = _entries_about("dispatch", Dispatch.objects.filter(pk__in=[each.pk for each in dispatches]))
    for dispatch in dispatches:
        count, last = entries.get(dispatch.pk, (0, None))
        moments = [moment for moment in (last, dispatch.last_return) if moment]
        shared = {
            "url": absolute(dispatch.get_absolute_url()),
            "changed_at": max(moments, default=dispatch.recorded_at),
            "changes": max(count - 1, 0) + dispatch.return_count,
        }
        name = f"dispatch {dispatch.pk} to {dispatch.laboratory}"
        if dispatch.expected_on:
            is_back = dispatch.state == "returned"
            yield DayEvent(
                uid=_uid("return expected", dispatch),
                day=dispatch.expected_on,
                summary=f"Assay return {'is here' if is_back else 'expected'}: {name}",
                description=f"{dispatch.answered_count} of {dispatch.sample_count} samples answered.",
                remind_days=None if is_back else 0,
                **shared,
            )
        if dispatch.rejects_until:
            yield DayEvent(
                uid=_uid("rejects kept until", dispatch),
                day=dispatch.rejects_until,
                summary=f"Coarse rejects and assay pulps kept until today: {name}",
                description="Ask for them back before this day if they are wanted.",
                remind_days=REJECTS_REMIND_DAYS,
                **shared,
            )


def _over_since() -> datetime.date:
    return timezone.localdate() - datetime.timedelta(days=OVER_DAYS)


def _entries_about(kind: str, records) -> dict[int, tuple[int, datetime.datetime]]:
    """How many lines of the journal each record has, and when the last one was written."""
    lines = JournalEntry.objects.filter(subject_kind=kind, subject_id__in=records.order_by().values("pk"))
    counted = lines.order_by().values_list("subject_id").annotate(count=Count("pk"), last=Max("at"))
    return {pk: (count, last) for pk, count, last in counted}


def _uid(kind: str, record: Model) -> str:
    """The same for ever and nowhere else: a number of ours is no name on another site, the moment it was recorded is."""
    return str(uuid.uuid5(uuid.NAMESPACE_OID, f"{kind} {record.pk} {record.recorded_at.isoformat()}"))
