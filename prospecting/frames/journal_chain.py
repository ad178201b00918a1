"""The journal's chain as it stands in the books, read link by link, and what the last check of it found."""

import datetime
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings

from prospecting.calc.journal_chain import SEALED_FIELDS, Entry, Link, Walk, walk
from prospecting.frames.books import Fault
from prospecting.models import JournalEntry, JournalSeal

# Links read at a time: a few megabytes, however long the journal is.
AT_ONCE = 2000


@dataclass(frozen=True)
class FailedCheck:
    """A check that found a link which does not hold, and which, in a sentence."""

    at: datetime.datetime
    sentence: str


@dataclass(frozen=True)
class LastCheck:
    """When all links last held: there were `count`, the last with hash `sha256`; `broken` is a check since that failed."""

    at: datetime.datetime
    count: int
    sha256: str
    broken: FailedCheck | None = None

    @property
    def still_stands(self) -> bool:
        """Whether the chain still has the link that was its last then; none had to stand there."""
        seals = JournalSeal.objects.filter(number=self.count, sha256=self.sha256)
        return self.count == 0 or seals.exists()


def links() -> Iterator[Link]:
    """Every seal in the order of the chain, with its entry. To be read in one go as of one moment."""
    last = None
    while True:
        seals = JournalSeal.objects.order_by("number")
        seals = seals if last is None else seals.filter(number__gt=last)
        some = list(seals.values_list("number", "entry_id", "sha256")[:AT_ONCE])
        rows = JournalEntry.objects.filter(pk__in=[pk for _, pk, _ in some]).order_by()
        entries = {row["pk"]: Entry(**row) for row in rows.values(*SEALED_FIELDS)}
        for number, pk, sha256 in some:
            yield Link(number, pk, entries.get(pk), sha256)
        if len(some) < AT_ONCE:
            return
        last = some[-1][0]


def walked(kept: Mapping[int, str] | None = None) -> Walk:
    """How far the chain holds; `kept` are heads written down earlier, hashes by their numbers."""
    return walk(links, kept)


def faults_of_journal() -> Iterator[Fault]:
    """The first link of the journal's chain that does not hold, and lines without a seal."""
    last = last_check()
    broken = walked({last.count: last.sha256} if last else None).broken
    if broken:
        yield Fault("Journal", broken.sentence)
    for pk in JournalEntry.objects.left_unsealed().order_by("pk").values_list("pk", flat=True):
        yield Fault(
            "Journal", f"entry {pk} has no seal: it was written past the site, or the site stopped over it."
        )


def check_file() -> Path:
    """Outside the database on purpose: who cuts the chain there does not mend this along."""
    return Path(settings.DATA_DIR) / "journal_check.json"


def last_check() -> LastCheck | None:
    """What the last good check left; None where there was none, or its file can't be read."""
    try:
        told = _told()
        at = datetime.datetime.fromisoformat(told["at"])
        return LastCheck(at, int(told["count"]), str(told["sha256"]), failed_check())
    except (OSError, ValueError, TypeError, KeyError):
        return None


def failed_check() -> FailedCheck | None:
    """The last check, where it failed; there need not have been a good one before."""
    try:
        broken = _told()["broken"]
        return FailedCheck(datetime.datetime.fromisoformat(broken["at"]), str(broken["sentence"]))
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _told() -> dict:
    return json.loads(check_file().read_text())
