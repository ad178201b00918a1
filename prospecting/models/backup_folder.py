"""What stands in the folder of backups: actions fill it, pages read it."""

import datetime
import json
from dataclasses import dataclass
from pathlib import Path

from django.utils.dateparse import parse_datetime

from prospecting.calc.backups import MANIFEST, moment_of

STATE = "state.json"


@dataclass(frozen=True)
class Failure:
    """The last backup that failed, if none was made since."""

    at: datetime.datetime
    said: str


@dataclass(frozen=True)
class Drill:
    """The last time a restore was rehearsed."""

    at: datetime.datetime
    of: str
    seconds: float
    passed: bool


@dataclass(frozen=True)
class State:
    """What backups don't say themselves. A file beside them and not in the database: a restore would turn it back."""

    failure: Failure | None = None
    drill: Drill | None = None


def backups_in(place: Path) -> list[Path]:
    """The whole backups below `place`, oldest first."""
    found = [path for path in place.glob("books-*") if moment_of(path.name) and (path / MANIFEST).is_file()]
    return sorted(found, key=lambda path: path.name)


def read_state(place: Path) -> State:
    """The notes beside the backups; without those that can't be read."""
    try:
        told = json.loads((place / STATE).read_text())
        return State(failure=_read(Failure, told.get("failure")), drill=_read(Drill, told.get("drill")))
    except (OSError, ValueError, AttributeError):
        return State()


def _read(kind: type, told: dict | None):
    try:
        return told and kind(**told | {"at": parse_datetime(told["at"])})
    except (TypeError, KeyError, ValueError):
        return None
