"""The journal: each action adds its line in the same transaction as the change itself; each line is sealed into the chain.

On SQLite a line is sealed in that transaction too, for there one writes after another anyway. On PostgreSQL that would let
nobody write before the one ahead has finished, so a transaction's lines are sealed right after it, under a lock of their own.
Where the site stops in between, `seal_unsealed` makes up for it.
"""

import datetime
import json
import logging
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar

from django.db import DatabaseError, connection, transaction
from django.db.models import Model
from django.utils import timezone

from prospecting.calc.journal_chain import BEFORE_FIRST, SEALED_FIELDS, Entry, hash_after
from prospecting.calc.number_words import as_written
from prospecting.models.journal import JournalEntry

logger = logging.getLogger(__name__)

HEAD = "SELECT number, sha256 FROM prospecting_journalseal ORDER BY number DESC LIMIT 1"
NEW_LINK = "INSERT INTO prospecting_journalseal (number, entry_id, sha256) VALUES (%s, %s, %s)"
# Of PostgreSQL. Any number will do for the lock, as long as nothing else takes it.
ONE_AT_A_TIME = "SELECT pg_advisory_xact_lock(29953619870278003)"
STILL_UNSEALED = """
    SELECT id FROM prospecting_journalentry AS entry WHERE id = ANY(%s)
    AND NOT EXISTS (SELECT 1 FROM prospecting_journalseal WHERE entry_id = entry.id)
"""
AT_ONCE = 2000
AGAIN = datetime.timedelta(hours=1)

_device: ContextVar[str] = ContextVar("device", default="")


@contextmanager
def on_device(name: str) -> Iterator[None]:
    """Every journal line written inside names this device (what the browser calls itself)."""
    token = _device.set(name[:200])
    try:
        yield
    finally:
        _device.reset(token)


@as_written()
def write_journal(
    *, member, about: Model, what: str, why: str = "", changes: dict | None = None
) -> JournalEntry:
    """Add one line about a record. `changes` maps a field to [before, after], already as text."""
    # As the database gives it back, whatever it was made of: so it is sealed. Labels and records become text only here.
    told = json.loads(json.dumps(changes or {}, default=str))
    return _add(changes=told, **_line_about(about, member, what, why))


@as_written()
def write_many(*, member, told: Iterable[tuple[Model, str, str]]) -> None:
    """Add a line about each of many records, (record, what, why), as `write_journal` would one after the other."""
    lines = [
        JournalEntry(device=_device.get(), **_line_about(about, member, what, why))
        for about, what, why in told
    ]
    with transaction.atomic(savepoint=False):
        _seal(JournalEntry.objects.bulk_create(lines, batch_size=AT_ONCE))


def _line_about(about: Model, member, what: str, why: str) -> dict:
    return {
        "member": member,
        "subject_kind": about._meta.model_name,
        "subject_id": about.pk,
        "subject_label": str(about)[:120],
        "subject_path": str(about.get_absolute_url()) if hasattr(about, "get_absolute_url") else "",
        "what": str(what),
        "why": str(why),
    }


@as_written()
def write_event(*, member, kind: str, label: str, what: str, why: str = "") -> JournalEntry:
    """Add one line about no record: a sign-in, a refusal, a look at a key, an export. `member` may be nobody."""
    return _add(
        member=member,
        subject_kind=kind,
        subject_id=0,
        subject_label=str(label)[:120],
        what=str(what),
        why=str(why),
    )


def note_refusal(*, member, path: str, sentence: str) -> None:
    """Keep that a member was not let in, once an hour for each address; must not turn the refusal into a failure."""
    label = f"page {path}"[:120]
    since = timezone.now() - AGAIN
    told = JournalEntry.objects.filter(
        subject_kind="refusal", member=member, subject_label=label, at__gt=since
    )
    try:
        if not told.exists():
            write_event(member=member, kind="refusal", label=label, what="was not let in", why=sentence)
    except DatabaseError:
        logger.exception("a refusal could not be kept in the journal")


@as_written()
def note_export(*, member, label: str, what: str) -> None:
    """Keep that a list or the runs of a trial left the site as a file, once an hour for each; must not keep the file back."""
    since = timezone.now() - AGAIN
    try:
        if not JournalEntry.objects.filter(
            subject_kind="export", member=member, what=what, at__gt=since
        ).exists():
            write_event(member=member, kind="export", label=label, what=what)
    except DatabaseError:
        logger.exception("an export could not be kept in the journal")


@transaction.atomic
def seal_unsealed() -> list[int]:
    """Seal every line that has no seal; returns the ids of those that had none for longer than writing takes.

    On SQLite no line is ever without one, so there each is told. The journal itself keeps that they were found.
    """
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(ONE_AT_A_TIME)
    late = list(JournalEntry.objects.left_unsealed().order_by("pk").values_list("pk", flat=True))
    rows = JournalEntry.objects.unsealed().order_by("pk").values(*SEALED_FIELDS)
    last_pk = 0
    while some := [Entry(**row) for row in rows.filter(pk__gt=last_pk)[:AT_ONCE]]:
        _link(some)
        last_pk = some[-1].pk
    if late:
        told = ", ".join(map(str, late[:20])) + (" and more" if len(late) > 20 else "")
        write_event(
            member=None,
            kind="keeping",
            label="journal",
            what=f"sealed {len(late)} found without a seal: {told}",
        )
    return late


def _add(**fields) -> JournalEntry:
    # Inside the transaction of an action this one opens nothing of its own.
    with transaction.atomic(savepoint=False):
        line = JournalEntry.objects.create(device=_device.get(), **fields)
        _seal([line])
    return line


def _seal(lines: Sequence[JournalEntry]) -> None:
    entries = [Entry(**{name: getattr(line, name) for name in SEALED_FIELDS}) for line in lines]
    if connection.vendor == "sqlite":
        _link(entries)
        return
    for entry in entries:
        _link_after_commit(entry)


def _link_after_commit(entry: Entry) -> None:
    """One sealing for all lines of a transaction, less those that a savepoint took back."""
    for _, waiting, _ in connection.run_on_commit:
        if hasattr(waiting, "written"):
            waiting.written.append(entry)
            return

    @transaction.atomic
    def link_written() -> None:
        with connection.cursor() as cursor:
            # Seals that a power cut takes away are made up for by `seal_unsealed`: nobody has to wait for the disk again.
            cursor.execute(f"SET LOCAL synchronous_commit TO off; {ONE_AT_A_TIME}")
            cursor.execute(STILL_UNSEALED, [[entry.pk for entry in link_written.written]])
            unsealed = {pk for (pk,) in cursor.fetchall()}
        _link([entry for entry in link_written.written if entry.pk in unsealed])

    link_written.written = [entry]
    # Robust: what was recorded stays recorded though the sealing fails.
    transaction.on_commit(link_written, robust=True)


def _link(entries: Sequence[Entry]) -> None:
    """Add a link for each entry to the end of the chain. By bare SQL, since every write of the site waits for it."""
    with connection.cursor() as cursor:
        cursor.execute(HEAD)
        number, sha256 = cursor.fetchone() or (0, BEFORE_FIRST)
        links = []
        for entry in entries:
            number, sha256 = number + 1, hash_after(sha256, entry)
            links.append((number, entry.pk, sha256))
        cursor.executemany(NEW_LINK, links)


def changed_texts(before: Mapping[str, str], after: Mapping[str, str]) -> dict[str, list[str]]:
    """What differs between two descriptions of a record, as journal `changes`."""
    pairs = {name: [before.get(name, ""), after.get(name, "")] for name in dict.fromkeys((*before, *after))}
    return {name: pair for name, pair in pairs.items() if pair[0] != pair[1]}


@as_written()
def changed_fields(*, record: Model, values: dict) -> dict[str, list[str]]:
    """What setting `values` on `record` would change, as journal `changes`."""
    changes = {}
    for name, after in values.items():
        before = getattr(record, name)
        if before != after:
            changes[name] = ["" if before is None else str(before), "" if after is None else str(after)]
    return changes
