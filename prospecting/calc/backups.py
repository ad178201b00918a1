"""Backups by their names and ages: what one is called, what it says of itself, which are kept, and when one is overdue."""

import datetime
import json
import re
from collections.abc import Callable, Collection
from dataclasses import asdict, dataclass, field

from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import numeral

# So many days, weeks and months that have a backup keep their newest one.
DAYS, WEEKS, MONTHS = 7, 4, 12
# A daily backup may start two hours late before anybody is troubled.
BACKUP_DUE = datetime.timedelta(hours=26)
DRILL_DUE = datetime.timedelta(days=90)
# Below this, or below twice the database, the disk counts as nearly full: a backup writes the database once more.
LEAST_ROOM_BYTES = 2**30
MANIFEST, HASHES, PHOTOS = "manifest.json", "files.sha256", "photos"
ENGINES = ("sqlite", "postgresql")
_NAME = re.compile(r"books-(\d{8}T\d{6}Z)")
_STAMP = "%Y%m%dT%H%M%SZ"
# The shape of a manifest; a later shape gets the next number.
SHAPE = 1


@dataclass(frozen=True)
class Contents:
    """What stands in a copy of the database: rows by table, migrations, the journal's end, and the files its rows name."""

    tables: dict[str, int]
    migrations: list[list[str]]
    journal: dict[str, int | str]
    files: list[str]


@dataclass(frozen=True)
class Manifest:
    """What a backup says of itself; `missing` are photos that were gone, `changed` those that were not what they had been."""

    started: str
    finished: str
    engine: str
    database: str
    versions: dict[str, str]
    tables: dict[str, int]
    emptied: list[str]
    migrations: list[list[str]]
    journal: dict[str, int | str]
    photos: int
    photo_bytes: int
    missing: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)
    shape: int = SHAPE

    def text(self) -> str:
        return json.dumps(asdict(self), indent=1, ensure_ascii=False) + "\n"


def read_manifest(text: str) -> Manifest:
    """The manifest in this text; ValueError in words where it is none, or one of a later site.

    >>> read_manifest('{"shape": 2}')
    Traceback (most recent call last):
    ValueError: it was written by a later version of the site.
    """
    try:
        told = json.loads(text)
        if told["shape"] > SHAPE:
            raise ValueError("it was written by a later version of the site.")
        manifest = Manifest(**told)
    except (KeyError, TypeError, json.JSONDecodeError):
        raise ValueError("it cannot be read.") from None
    if manifest.engine not in ENGINES:
        raise ValueError(f"nothing is known here of a database called {manifest.engine}.")
    return manifest


def name_at(moment: datetime.datetime) -> str:
    """The name of the backup begun at this moment, which carries its zone.

    >>> name_at(datetime.datetime(2026, 5, 3, 2, 15, tzinfo=datetime.UTC))
    'books-20260503T021500Z'
    """
    return f"books-{moment.astimezone(datetime.UTC).strftime(_STAMP)}"


def moment_of(name: str) -> datetime.datetime | None:
    """When the backup of this name was begun; None for any other name.

    >>> moment_of("books-20260503T021500Z").isoformat()
    '2026-05-03T02:15:00+00:00'
    >>> moment_of("books-20261303T021500Z"), moment_of("notes")
    (None, None)
    """
    match = _NAME.fullmatch(name)
    try:
        return match and datetime.datetime.strptime(match[1], _STAMP).replace(tzinfo=datetime.UTC)
    except ValueError:
        return None


def to_keep(
    moments: Collection[datetime.datetime], *, days: int = DAYS, weeks: int = WEEKS, months: int = MONTHS
) -> set[datetime.datetime]:
    """Of backups begun at these moments (UTC), those that are kept: the newest of each day, week and month that has one.

    Counted are days, weeks and months with a backup and not those of the calendar: a box that stood still for a year has as
    many backups as before. So the newest of all is always kept.

    >>> march = [datetime.datetime(2026, 3, day, hour) for day in (1, 2) for hour in (2, 14)]
    >>> sorted(moment.day * 100 + moment.hour for moment in to_keep(march))
    [114, 214]
    """
    return (
        _newest_of_each(moments, lambda moment: moment.date(), days)
        | _newest_of_each(moments, lambda moment: moment.isocalendar()[:2], weeks)
        | _newest_of_each(moments, lambda moment: (moment.year, moment.month), months)
    )


def _newest_of_each(moments: Collection[datetime.datetime], period: Callable, number: int) -> set:
    newest = {period(moment): moment for moment in sorted(moments)}
    return set(sorted(newest.values())[-number:])


def span_words(span: datetime.timedelta) -> str:
    """How long, roughly: in minutes, from two hours on in hours, from two days on in days.

    >>> span_words(datetime.timedelta(minutes=1)), span_words(datetime.timedelta(hours=27))
    ('1 minute', '27 hours')
    """
    minutes = max(0, int(span.total_seconds() // 60))
    if minutes >= 2 * 1440:
        return phrase_counted("{number} day", "{number} days", minutes // 1440)
    if minutes >= 2 * 60:
        return phrase_counted("{number} hour", "{number} hours", minutes // 60)
    return phrase_counted("{number} minute", "{number} minutes", minutes)


def size_words(size: int) -> str:
    """A number of bytes in the largest unit that leaves at least one (MB is 1,000,000 bytes, as the SI has it).

    >>> size_words(999), size_words(58_300_000), size_words(1_250_000_000)
    ('999 bytes', '58 MB', '1.2 GB')
    """
    for unit, scale in (("TB", 10**12), ("GB", 10**9), ("MB", 10**6), ("kB", 10**3)):
        if size >= scale:
            amount = size / scale
            return f"{numeral(amount, '.1f')} {unit}" if amount < 10 else f"{numeral(amount, ',.0f')} {unit}"
    return phrase("{size} bytes", size=size)


def is_room_short(*, free: int, database: int) -> bool:
    """Whether the disk is nearly full: under 2**30 bytes free, or under twice what the database takes."""
    return free < max(LEAST_ROOM_BYTES, 2 * database)
