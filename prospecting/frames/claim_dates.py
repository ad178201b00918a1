"""Days to keep for claims, each with how far off it is."""

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.db.models import QuerySet
from django.utils import timezone

from prospecting.calc.language import phrase, phrase_counted
from prospecting.models import Claim, ClaimDate

# What the page of all claims shows as near.
NEAR_DAYS = 60
# On that page; each claim's own page has all of its.
MOST_DONE = 20


@dataclass(frozen=True)
class DateToKeep:
    """A date not kept yet; `days` from today to it, below zero once it is past."""

    date: ClaimDate
    days: int

    @property
    def is_past(self) -> bool:
        return self.days < 0

    @property
    def is_due(self) -> bool:
        """Whether the time to be reminded has come."""
        return self.days <= self.date.remind_days

    @property
    def when(self) -> str:
        if self.days == 0:
            return phrase("today")
        if self.is_past:
            return phrase_counted("{number} day past", "{number} days past", -self.days)
        return phrase_counted("in {number} day", "in {number} days", self.days)


@dataclass(frozen=True)
class ClaimDates:
    """The dates of all claims: past and not kept, near, later; and the last that were kept or voided."""

    overdue: Sequence[DateToKeep]
    near: Sequence[DateToKeep]
    later: Sequence[DateToKeep]
    done: Sequence[ClaimDate]
    more_done: bool
    any_claims: bool

    @property
    def is_empty(self) -> bool:
        return not (self.overdue or self.near or self.later or self.done)


def all_claim_dates() -> ClaimDates:
    done = list(_done(ClaimDate.objects.all())[: MOST_DONE + 1])
    rows = to_keep(ClaimDate.objects.open().select_related("claim", "watched_by"))
    return ClaimDates(
        overdue=[row for row in rows if row.is_past],
        near=[row for row in rows if 0 <= row.days <= NEAR_DAYS],
        later=[row for row in rows if row.days > NEAR_DAYS],
        done=done[:MOST_DONE],
        more_done=len(done) > MOST_DONE,
        any_claims=bool(rows) or Claim.objects.exists(),
    )


def dates_of(claim: Claim) -> tuple[list[DateToKeep], list[ClaimDate]]:
    """What is to be kept for a claim, the nearest first; and all that were kept or voided, the newest first."""
    dates = ClaimDate.objects.filter(claim=claim)
    return to_keep(dates.open().select_related("watched_by")), list(_done(dates))


def due_dates() -> list[DateToKeep]:
    """Dates that are past, or nearer than they ask to be reminded; in one query."""
    last = timezone.localdate() + datetime.timedelta(days=ClaimDate.MOST_REMIND_DAYS)
    rows = to_keep(ClaimDate.objects.open().filter(due_on__lte=last).select_related("claim", "watched_by"))
    return [row for row in rows if row.is_due]


def nearest_by_claim() -> dict[int, DateToKeep]:
    """The nearest date to keep of each claim that has one, by the claim's id."""
    rows = to_keep(ClaimDate.objects.open())
    return {row.date.claim_id: row for row in reversed(rows)}


def to_keep(dates: Iterable[ClaimDate]) -> list[DateToKeep]:
    today = timezone.localdate()
    return [DateToKeep(date=date, days=(date.due_on - today).days) for date in dates]


def _done(dates: QuerySet[ClaimDate]) -> QuerySet[ClaimDate]:
    return dates.over().select_related("claim", "done_by", "watched_by")
