"""How well the books are kept: backups, drills, room on the disk, and how large everything is."""

import datetime
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings
from django.db import connection
from django.db.models import Count, Sum
from django.utils import timezone

from prospecting.calc.backups import (
    BACKUP_DUE,
    DRILL_DUE,
    MANIFEST,
    is_room_short,
    moment_of,
    read_manifest,
    size_words,
    span_words,
)
from prospecting.frames.journal_chain import LastCheck, failed_check, last_check
from prospecting.frames.phone import waiting_entries
from prospecting.models import JournalEntry, JournalSeal, Member, Photo
from prospecting.models.backup_folder import Drill, State, backups_in, read_state
from prospecting.version import site_version

SHOWN = 23


@dataclass(frozen=True)
class Trouble:
    """Something a keeper should see to: what is off, and the command that helps (blank where none does)."""

    what: str
    command: str = ""


@dataclass(frozen=True)
class Kept:
    """One backup in the folder."""

    name: str
    at: datetime.datetime


@dataclass(frozen=True)
class Keeping:
    """The whole of it, for a keeper's page."""

    troubles: Sequence[Trouble]
    backups: Sequence[Kept]
    last_backup: Kept | None
    last_backup_age: str
    drill: Drill | None
    folder: Path
    free: str
    database: str
    photo_count: int
    photo_size: str
    entries: int
    seal: JournalSeal | None
    chain_check: LastCheck | None
    held: int
    version: str


def overdue_backup() -> str:
    """What is wrong with the age of the last backup, in a sentence; blank while nothing is.

    Without any backup, a site that is older than a day is reminded, not one that was just set up.
    """
    return _overdue(_last_backup())


def _overdue(last: Kept | None) -> str:
    now = timezone.now()
    if last:
        age = now - last.at
        return f"The last good backup is {span_words(age)} old." if age > BACKUP_DUE else ""
    began = Member.objects.order_by("date_joined").values_list("date_joined", flat=True).first()
    return "There is no backup of these books." if began and now - began > BACKUP_DUE else ""


def keeping() -> Keeping:
    state = read_state(settings.BACKUP_DIR)
    backups = [Kept(path.name, moment_of(path.name)) for path in reversed(backups_in(settings.BACKUP_DIR))]
    last = backups[0] if backups else None
    photos = Photo.objects.aggregate(count=Count("pk"), size=Sum("size_bytes"))
    database = database_bytes()
    free = shutil.disk_usage(settings.DATA_DIR).free
    return Keeping(
        troubles=list(_troubles(state, last, is_room_short(free=free, database=database), size_words(free))),
        backups=backups[:SHOWN],
        last_backup=last,
        last_backup_age=span_words(timezone.now() - last.at) if last else "",
        drill=state.drill,
        folder=settings.BACKUP_DIR,
        free=size_words(free),
        database=size_words(database),
        photo_count=photos["count"],
        photo_size=size_words(photos["size"] or 0),
        entries=JournalEntry.objects.count(),
        seal=JournalSeal.objects.order_by("-number").first(),
        chain_check=last_check(),
        held=waiting_entries(),
        version=site_version(),
    )


def _last_backup() -> Kept | None:
    found = backups_in(settings.BACKUP_DIR)
    return Kept(found[-1].name, moment_of(found[-1].name)) if found else None


def _troubles(state: State, last: Kept | None, room_is_short: bool, free: str) -> Iterator[Trouble]:
    overdue = _overdue(last) if last else "There is no backup of these books."
    if overdue:
        yield Trouble(f"{overdue} One should be made every day.", "manage.py backup")
    if state.failure:
        yield Trouble(
            f"When one was last tried, {_day(state.failure.at)}: {state.failure.said}", "manage.py backup"
        )
    if last:
        yield from _photo_troubles(settings.BACKUP_DIR / last.name)
    drill = state.drill
    if drill and not drill.passed:
        yield Trouble(f"The restore drill of {_day(drill.at)} failed.", "manage.py restore --drill")
    elif last and (not drill or timezone.now() - drill.at > DRILL_DUE):
        since = f"for {span_words(timezone.now() - drill.at)}" if drill else "yet"
        yield Trouble(
            f"Restoring was not rehearsed {since}. Only a restore shows that a backup is one.",
            "manage.py restore --drill",
        )
    yield from _chain_troubles()
    if room_is_short:
        yield Trouble(
            f"The disk is nearly full: {free} free. When it is full, nothing more can be recorded until there is room."
        )


def _chain_troubles() -> Iterator[Trouble]:
    last = last_check()
    if failed := failed_check():
        yield Trouble(
            f"The check of the journal's chain {_day(failed.at)} failed: {failed.sentence}",
            "manage.py verify_journal",
        )
    elif last and not last.still_stands:
        yield Trouble(
            f"The journal's chain no longer has link {last.count} as it was when it was checked {_day(last.at)}.",
            "manage.py verify_journal",
        )


def _photo_troubles(backup: Path) -> Iterator[Trouble]:
    try:
        told = read_manifest((backup / MANIFEST).read_text())
    except (OSError, ValueError):
        # What is wrong with a backup is told by the command that checks it.
        return
    for names, off in (
        (told.missing, ("is missing from the last backup", "are missing from the last backup")),
        (told.changed, ("is not what it was", "are not what they were")),
    ):
        if names:
            words = f"1 photo {off[0]}" if len(names) == 1 else f"{len(names)} photos {off[1]}"
            yield Trouble(f"{words}. The command says which, and what to do.", "manage.py backup")


def _day(moment: datetime.datetime) -> str:
    return f"on {timezone.localtime(moment):%-d %b %Y at %H:%M}"


def database_bytes() -> int:
    """How much room the database takes: on PostgreSQL as it says itself, otherwise the files of SQLite."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_database_size(current_database())")
            return cursor.fetchone()[0]
    place = Path(connection.settings_dict["NAME"])
    # The books and what SQLite keeps beside them while they are open.
    return sum(path.stat().st_size for path in place.parent.glob(f"{place.name}*"))
