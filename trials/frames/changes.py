"""What was recorded since a member was last here: like lines of one day and one member made one."""

import datetime
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from django.utils import timezone

from prospecting.calc.language import phrase
from prospecting.calc.number_words import count_phrase
from prospecting.models import JournalEntry, Member
from trials.models import Run

LAST_DAYS = 7
# So many lines are read at most, and so many told.
MOST_READ = 300
MOST_TOLD = 10
LATEST = 5
# So many records of a kind, in words.
COUNTED: dict[str, Callable[[int], str]] = {
    "additive": lambda number: count_phrase("{number} additive", "{number} additives", number),
    "apitoken": lambda number: count_phrase("{number} api token", "{number} api tokens", number),
    "assayreturn": lambda number: count_phrase("{number} assay return", "{number} assay returns", number),
    "claim": lambda number: count_phrase("{number} claim", "{number} claims", number),
    "claimdate": lambda number: count_phrase("{number} claim date", "{number} claim dates", number),
    "claimpaper": lambda number: count_phrase("{number} claim paper", "{number} claim papers", number),
    "clearingtest": lambda number: count_phrase("{number} clearing test", "{number} clearing tests", number),
    "contamination": lambda number: count_phrase("{number} contamination", "{number} contaminations", number),
    "dig": lambda number: count_phrase("{number} dig", "{number} digs", number),
    "dispatch": lambda number: count_phrase("{number} dispatch", "{number} dispatches", number),
    "finding": lambda number: count_phrase("{number} finding", "{number} findings", number),
    "heldentry": lambda number: count_phrase("{number} held entry", "{number} held entries", number),
    "invitation": lambda number: count_phrase("{number} invitation", "{number} invitations", number),
    "judging": lambda number: count_phrase("{number} judging", "{number} judgings", number),
    "laboratory": lambda number: count_phrase("{number} laboratory", "{number} laboratories", number),
    "lot": lambda number: count_phrase("{number} lot", "{number} lots", number),
    "member": lambda number: count_phrase("{number} member", "{number} members", number),
    "oldsheet": lambda number: count_phrase("{number} old sheet", "{number} old sheets", number),
    "photo": lambda number: count_phrase("{number} photo", "{number} photos", number),
    "reading": lambda number: count_phrase("{number} reading", "{number} readings", number),
    "referencematerial": lambda number: count_phrase(
        "{number} reference material", "{number} reference materials", number
    ),
    "run": lambda number: count_phrase("{number} run", "{number} runs", number),
    "sample": lambda number: count_phrase("{number} sample", "{number} samples", number),
    "step": lambda number: count_phrase("{number} step", "{number} steps", number),
    "trial": lambda number: count_phrase("{number} trial", "{number} trials", number),
    "tub": lambda number: count_phrase("{number} tub", "{number} tubs", number),
    "tubreading": lambda number: count_phrase("{number} tub reading", "{number} tub readings", number),
    "zone": lambda number: count_phrase("{number} zone", "{number} zones", number),
}


@dataclass(frozen=True)
class Change:
    """One line: who, on which day, and `last`, the newest of what it tells of; `many` says how much that is, blank for one."""

    day: datetime.date
    member: str
    many: str
    last: JournalEntry

    @property
    def label(self) -> str:
        """What the newest is about; a finding's is a sentence, and the line goes on."""
        return self.last.subject_label.rstrip(".")


@dataclass(frozen=True)
class Changes:
    """`lines` since the member's `last_visit`, or of the last seven days where none is known; the latest where none came since.

    `untold` further lines, or more, are in the journal alone.
    """

    lines: Sequence[Change]
    is_recent: bool
    untold: int
    last_visit: datetime.datetime | None


def latest_changes(member: Member) -> Changes:
    """In two queries. Left out are lines about no record (sign-ins, exports), and steps of bridging runs whose key is hidden:
    they name the lot that was drawn from."""
    hidden = Run.objects.blind_bridges().values("step")
    last_visit = _last_visit(member)
    entries = list(
        JournalEntry.objects.about_records()
        .exclude(subject_kind="step", subject_id__in=hidden)
        .select_related("member")
        .defer("changes", "device", "why")[: MOST_READ + 1]
    )
    was_cut = len(entries) > MOST_READ
    if was_cut:
        # A day that was read in part would be told with too small a number.
        whole = [entry for entry in entries if _day(entry) > _day(entries[-1])]
        entries = whole or entries[:MOST_READ]
    since = last_visit or _start_of_day(timezone.localdate() - datetime.timedelta(days=LAST_DAYS - 1))
    recent = [entry for entry in entries if entry.at > since]
    lines = _gathered(recent or entries[:LATEST])
    return Changes(
        lines=lines[:MOST_TOLD],
        is_recent=bool(recent),
        untold=len(lines[MOST_TOLD:]) or int(was_cut and recent == entries),
        last_visit=last_visit,
    )


def _last_visit(member: Member) -> datetime.datetime | None:
    """When the member last left a trace before today: signed in, or recorded something.

    Nothing is written when a page is read, so a visit that only read within a longer sign-in is not known; then more is told.
    """
    traces = JournalEntry.objects.of_visits().filter(
        member=member, at__lt=_start_of_day(timezone.localdate())
    )
    return traces.values_list("at", flat=True).first()


def _start_of_day(day: datetime.date) -> datetime.datetime:
    return timezone.make_aware(datetime.datetime.combine(day, datetime.time()))


def _gathered(entries: Iterable[JournalEntry]) -> list[Change]:
    """Newest first, each line with all entries of its day, member and kind of record."""
    alike: dict[tuple, list[JournalEntry]] = {}
    for entry in entries:
        alike.setdefault((_day(entry), entry.member_id, entry.subject_kind), []).append(entry)
    return [
        Change(
            day=day, member=str(group[0].member or phrase("the site")), many=_many(kind, group), last=group[0]
        )
        for (day, _, kind), group in alike.items()
    ]


def _many(kind: str, group: list[JournalEntry]) -> str:
    if len(group) == 1:
        return ""
    records = len({entry.subject_id for entry in group})
    if records == 1:
        return count_phrase("{number} entry", "{number} entries", len(group))
    one_or_many = COUNTED.get(
        kind, lambda number: count_phrase("{number} record", "{number} records", number)
    )
    return one_or_many(records)


def _day(entry: JournalEntry) -> datetime.date:
    return timezone.localtime(entry.at).date()
