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
from django.utils.formats import date_format

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
from prospecting.calc.language import phrase, phrase_counted
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
        return phrase("The last good backup is {span} old.", span=span_words(age)) if age > BACKUP_DUE else ""
    began = Member.objects.order_by("date_joined").values_list("date_joined", flat=True).first()
    return phrase("There is no backup of these books.") if began and now - began > BACKUP_DUE else ""


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
    overdue = _overdue(last) if last else phrase("There is no backup of these books.")
    if overdue:
        yield Trouble(phrase("{trouble} One should be made every day.", trouble=overdue), "manage.py backup")
    if state.failure:
        yield Trouble(
            phrase(
                "When one was last tried, {moment}: {reason}",
                moment=_day(state.failure.at),
                reason=state.failure.said,
            ),
            "manage.py backup",
        )
    if last:
        yield from _photo_troubles(settings.BACKUP_DIR / last.name)
    drill = state.drill
    if drill and not drill.passed:
        yield Trouble(
            phrase("The restore drill of {moment} failed.", moment=_day(drill.at)),
            "manage.py restore --drill",
        )
    elif last and not drill:
        yield Trouble(
            phrase("Restoring was not rehearsed yet. Only a restore shows that a backup is one."),
            "manage.py restore --drill",
        )
    elif last and timezone.now() - drill.at > DRILL_DUE:
        yield Trouble(
            phrase(
                "Restoring was not rehearsed for {span}. Only a restore shows that a backup is one.",
                span=span_words(timezone.now() - drill.at),
            ),
            "manage.py restore --drill",
        )
    yield from _chain_troubles()
    if room_is_short:
        yield Trouble(
            phrase(
                "The disk is nearly full: {room} free. When it is full, nothing more can be recorded until there is room.",
                room=free,
            )
        )


def _chain_troubles() -> Iterator[Trouble]:
    last = last_check()
    if failed := failed_check():
        yield Trouble(
            phrase(
                "The check of the journal's chain {moment} failed: {reason}",
                moment=_day(failed.at),
                reason=failed.sentence,
            ),
            "manage.py verify_journal",
        )
    elif last and not last.still_stands:
        yield Trouble(
            phrase(
                "The journal's chain no longer has link {number} as it was when it was checked {moment}.",
                number=last.count,
                moment=_day(last.at),
            ),
            "manage.py verify_journal",
        )


def _photo_troubles(backup: Path) -> Iterator[Trouble]:
    try:
        told = read_manifest((backup / MANIFEST).read_text())
    except (OSError, ValueError):
        # What is wrong with a backup is told by the command that checks it.
        return
    if told.missing:
        yield Trouble(
            phrase_counted(
                "{number} photo is missing from the last backup. The command says which, and what to do.",
                "{number} photos are missing from the last backup. The command says which, and what to do.",
                len(told.missing),
            ),
            "manage.py backup",
        )
    if told.changed:
        yield Trouble(
            phrase_counted(
                "{number} photo is not what it was. The command says which, and what to do.",
                "{number} photos are not what they were. The command says which, and what to do.",
                len(told.changed),
            ),
            "manage.py backup",
        )


def _day(moment: datetime.datetime) -> str:
    here = timezone.localtime(moment)
    return phrase("on {day} at {time}", day=date_format(here, "j M Y"), time=date_format(here, "H:i"))


def database_bytes() -> int:
    """How much room the database takes: on PostgreSQL as it says itself, otherwise the files of SQLite."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_database_size(current_database())")
            return cursor.fetchone()[0]
    place = Path(connection.settings_dict["NAME"])
    # The books and what SQLite keeps beside them while they are open.
    return sum(path.stat().st_size for path in place.parent.glob(f"{place.name}*"))
