"""Backups: made while the site runs, checked before they count, thinned out as they age."""

import datetime
import fcntl
import hashlib
import json
import os
import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import django
from django.conf import settings
from django.db import Error, connection
from django.utils import timezone

from prospecting.actions.database_copy import EMPTIED, FILE_OF, copy_database, faults_of_copy, sync
from prospecting.actions.refusal import Refused
from prospecting.calc.backups import (
    HASHES,
    MANIFEST,
    PHOTOS,
    Contents,
    Manifest,
    moment_of,
    name_at,
    read_manifest,
    to_keep,
)
from prospecting.models.backup_folder import STATE, Drill, Failure, backups_in, read_state

# What is still being made, or being removed; whatever is left of it goes at the next backup.
UNFINISHED = ".unfinished-"


@dataclass(frozen=True)
class Backup:
    """A backup as it stands in its folder, and the older ones that were removed for it."""

    folder: Path
    manifest: Manifest
    removed: list[str]


def make_backup(*, place: Path, site_version: str) -> Backup:
    """Write the database and then the photos into a folder of their own below `place`, whole or not at all.

    Refused, with words, when anything fails; that is noted beside the backups, and no folder is left under a good name.
    """
    started = timezone.now()
    try:
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
        with alone_in(place, ".backup-lock", "Another backup is being made right now."):
            backup = _make(place, site_version)
    except (OSError, sqlite3.Error, Error) as error:
        refusal = Refused(f"The backup failed: {error}", code="backup_failed")
    except Refused as error:
        refusal = error
    else:
        with suppress(OSError):
            note(place, failure=None)
        return backup
    # On a full disk even this may fail; the words still reach whoever reads the command's answer.
    with suppress(OSError):
        note(place, failure=Failure(at=started, said=" ".join(refusal.messages)[:500]))
    raise refusal


def manifest_of(folder: Path) -> Manifest:
    try:
        return read_manifest(folder.joinpath(MANIFEST).read_text())
    except OSError:
        raise Refused(f"{folder} holds no backup: there is no {MANIFEST} in it.", code="no_backup") from None
    except ValueError as error:
        raise Refused(
            f"{folder.joinpath(MANIFEST)} is of no use: {error}", code="manifest_unreadable"
        ) from None


def hashes_of(folder: Path) -> dict[str, str]:
    """SHA-256 of each file of a backup by its name, from the list in it (which the program sha256sum reads as well)."""
    try:
        lines = folder.joinpath(HASHES).read_text().splitlines()
        return {name: sha256 for sha256, name in (line.split("  ", 1) for line in lines)}
    except (OSError, ValueError):
        raise Refused(
            f"{folder} has no list of its files ({HASHES}), or it can't be read.", code="no_hashes"
        ) from None


def faults_of_backup(folder: Path) -> list[str]:
    """What is wrong with a backup, in sentences; every byte of it is read."""
    manifest = manifest_of(folder)
    hashes = hashes_of(folder)
    faults = [
        f"{name} is missing or can't be read." if found is None else f"{name} is not what was written."
        for name, sha256 in hashes.items()
        if (found := _hash_if_readable(folder.joinpath(name))) != sha256
    ]
    copy = folder.joinpath(FILE_OF[manifest.engine])
    if copy.name not in hashes:
        return [*faults, f"The database, {copy.name}, is not among its files."]
    return faults if faults else faults_of_copy(copy)


def note(place: Path, **told: Failure | Drill | None) -> None:
    """Keep beside the backups that one failed (`failure`, which None takes away) or that a restore was rehearsed (`drill`)."""
    state = asdict(replace(read_state(place), **told))
    writing = place / f".new-{STATE}"
    with open(writing, "w", opener=_for_owner) as file:
        json.dump(state, file, indent=1, default=datetime.datetime.isoformat)
    writing.rename(place.joinpath(STATE))


# ---- Making one.


@contextmanager
def alone_in(place: Path, lock_name: str, refusal: str) -> Iterator[None]:
    """One at a time, or refused with this sentence; the lock goes with the process that holds it."""
    with open(place.joinpath(lock_name), "w", opener=_for_owner) as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise Refused(refusal, code="running_already") from None
        yield


def _make(place: Path, site_version: str) -> Backup:
    for left in place.glob(f"{UNFINISHED}*"):
        _remove(left)
    started = _free_moment(place)
    folder = place / f"{UNFINISHED}{name_at(started)}"
    folder.mkdir(mode=0o700)
    try:
        copy = folder.joinpath(FILE_OF[connection.vendor])
        contents = copy_database(copy)
        photos = _Photos(folder, place)
        for name in contents.files:
            photos.take(name)
        manifest = _manifest(started, contents, photos, site_version)
        _write(folder.joinpath(MANIFEST), manifest.text())
        hashes = {copy.name: file_hash(copy), MANIFEST: file_hash(folder.joinpath(MANIFEST))} | photos.hashes
        _write(folder.joinpath(HASHES), "".join(f"{sha256}  {name}\n" for name, sha256 in hashes.items()))
        for path in (folder, *(path for path in folder.rglob("*") if path.is_dir())):
            sync(path)
    except BaseException:
        _remove(folder)
        raise
    whole = folder.rename(place.joinpath(name_at(started)))
    sync(place)
    return Backup(whole, manifest, [] if photos.any_to_bring_back() else _thin_out(place, whole))


def _free_moment(place: Path) -> datetime.datetime:
    """Now, or the next second that has no backup yet: the name carries no parts of a second."""
    while place.joinpath(name_at(timezone.now())).exists():
        time.sleep(0.1)
    return timezone.now()


class _Photos:
    """Takes the files that the copied rows name: a link where that can be, for a picture is written once and never again."""

    def __init__(self, folder: Path, place: Path) -> None:
        self.folder = folder
        self.known = _photos_as_they_were(place)
        self.hashes: dict[str, str] = {}
        self.missing: list[str] = []
        self.changed: list[str] = []
        self.size = 0

    def take(self, name: str) -> None:
        living, listed = Path(settings.MEDIA_ROOT).joinpath(name), f"{PHOTOS}/{name}"
        try:
            sha256 = file_hash(living)
        except FileNotFoundError:
            self.missing.append(name)
            return
        except OSError as error:
            raise Refused(
                f"The photo {name} can't be read: {error.strerror}. Look at the disk.",
                code="photo_unreadable",
            ) from None
        if listed in self.known and self.known[listed].sha256 != sha256:
            self.changed.append(name)
        target = self.folder.joinpath(listed)
        for parent in reversed(target.relative_to(self.folder).parents[:-1]):
            self.folder.joinpath(parent).mkdir(mode=0o700, exist_ok=True)
        if not _linked(living, target) and not self._linked_to_an_older(listed, target, sha256):
            shutil.copyfile(living, target)
            target.chmod(0o600)
            if file_hash(target) != sha256:
                raise Refused(f"The photo {name} did not reach the backup whole.", code="photo_not_whole")
        self.hashes[listed] = sha256
        self.size += target.stat().st_size

    def any_to_bring_back(self) -> bool:
        """Whether an older backup still holds a photo, as it was, that is missing or something else by now."""
        return any(
            was.is_whole()
            for name in (*self.missing, *self.changed)
            if (was := self.known.get(f"{PHOTOS}/{name}"))
        )

    def _linked_to_an_older(self, listed: str, target: Path, sha256: str) -> bool:
        """Backups on another disk share their photos with one another."""
        was = self.known.get(listed)
        return bool(was) and was.sha256 == sha256 and was.is_whole() and _linked(was.path, target)


@dataclass(frozen=True)
class _Kept:
    """A photo in a backup, and what it was when that was made."""

    path: Path
    sha256: str

    def is_whole(self) -> bool:
        return _hash_if_readable(self.path) == self.sha256


def _photos_as_they_were(place: Path) -> dict[str, _Kept]:
    """Each photo in the newest backup that did not find it changed, so that one is told until it is put right."""
    known = {}
    for folder in backups_in(place):
        # An old backup that was damaged must not keep a new one from being made.
        with suppress(Refused):
            changed = {f"{PHOTOS}/{name}" for name in manifest_of(folder).changed}
            known |= {
                name: _Kept(folder / name, sha256)
                for name, sha256 in hashes_of(folder).items()
                if name not in changed
            }
    return known


def _linked(source: Path, target: Path) -> bool:
    try:
        os.link(source, target)
    except OSError:
        return False
    return True


def _manifest(started: datetime.datetime, contents: Contents, photos: _Photos, site_version: str) -> Manifest:
    return Manifest(
        started=started.isoformat(timespec="seconds"),
        finished=timezone.now().isoformat(timespec="seconds"),
        engine=connection.vendor,
        database=FILE_OF[connection.vendor],
        versions={"site": site_version, "django": django.get_version(), "database": _version_of_database()},
        tables=contents.tables,
        emptied=list(EMPTIED),
        migrations=contents.migrations,
        journal=contents.journal,
        photos=len(photos.hashes),
        photo_bytes=photos.size,
        missing=photos.missing,
        changed=photos.changed,
    )


def _version_of_database() -> str:
    connection.ensure_connection()
    return ".".join(map(str, connection.get_database_version()))


def _thin_out(place: Path, newest: Path) -> list[str]:
    """Remove what has grown too old; never the one just made, whatever the clock says of the others."""
    whole = {moment_of(path.name): path for path in backups_in(place)}
    kept = to_keep(whole)
    removed = [path for moment, path in whole.items() if moment not in kept and path != newest]
    for path in removed:
        # Out of the way under its good name first: half a backup must not look like one.
        _remove(path.rename(place / f"{UNFINISHED}{path.name}"))
    return [path.name for path in removed]


# ---- Files.


def file_hash(path: Path) -> str:
    """SHA-256 of a file, which is on the disk when this returns."""
    with path.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        os.fsync(file.fileno())
    return sha256


def _hash_if_readable(path: Path) -> str | None:
    try:
        return file_hash(path)
    except OSError:
        return None


def _write(path: Path, text: str) -> None:
    with open(path, "w", opener=_for_owner) as file:
        file.write(text)
    sync(path)


def _for_owner(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink()
