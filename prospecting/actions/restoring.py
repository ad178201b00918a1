"""A backup put back into an empty place, and the rehearsal of that."""

import shutil
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings
from django.db import connection
from django.db.migrations.loader import MigrationLoader

from prospecting.actions.database_copy import (
    FILE_OF,
    contents_now,
    fill_database,
    is_empty_database,
    sync,
)
from prospecting.actions.journal import write_event
from prospecting.actions.keeping import file_hash, hashes_of, manifest_of
from prospecting.actions.refusal import Refused
from prospecting.calc.backups import PHOTOS, Manifest

ENGINE_WORDS = {"sqlite": "SQLite", "postgresql": "PostgreSQL"}


@dataclass(frozen=True)
class Restored:
    """What was put back; `left_out` are photos that were damaged in the backup."""

    manifest: Manifest
    left_out: list[str]


def put_back(*, folder: Path, leave_out_damaged: bool = False) -> Restored:
    """Fill the site's empty database and photos from a backup, and compare what came with what the backup says of itself.

    Nothing is touched when the place is not empty, the backup is of a later site or of the other engine, or a file of it is
    not what was written. When the disk or the database fails on the way, the place is empty as before.
    """
    manifest, hashes = manifest_of(folder), hashes_of(folder)
    _refuse_what_does_not_fit(manifest)
    _refuse_unless_empty()
    copy = folder.joinpath(FILE_OF[manifest.engine])
    if not copy.is_file() or file_hash(copy) != hashes.get(copy.name):
        raise Refused(f"{copy} is missing or not what was written. Take another backup.", code="copy_damaged")
    # Beside its place: on one disk the last move is a change of names.
    arriving = settings.MEDIA_ROOT.with_name(f"{settings.MEDIA_ROOT.name}.arriving")
    shutil.rmtree(arriving, ignore_errors=True)
    try:
        left_out = _copy_photos(folder, hashes, arriving, leave_out_damaged)
        if settings.MEDIA_ROOT.is_dir():
            settings.MEDIA_ROOT.rmdir()
        # The database last: it comes whole or not at all, and photos can be taken away again.
        arriving.rename(settings.MEDIA_ROOT)
        try:
            fill_database(copy)
        except BaseException:
            settings.MEDIA_ROOT.rename(arriving)
            raise
    except BaseException:
        shutil.rmtree(arriving, ignore_errors=True)
        raise
    _compare(manifest)
    return Restored(manifest, left_out)


def note_restored(manifest: Manifest) -> None:
    """Leave a line in the restored journal: what was entered after the backup is not in these books."""
    write_event(
        member=None,
        kind="keeping",
        label="Backup",
        what=f"the books were restored from the backup begun {manifest.started}; what was entered later is not in them",
    )


def _refuse_what_does_not_fit(manifest: Manifest) -> None:
    if manifest.engine != connection.vendor:
        theirs, ours = ENGINE_WORDS[manifest.engine], ENGINE_WORDS[connection.vendor]
        way = (
            "without DATABASE_URL"
            if manifest.engine == "sqlite"
            else "with DATABASE_URL set to an empty database"
        )
        raise Refused(
            f"This backup was made with {theirs}, and the site runs on {ours} here. Restore it {way}; the command move "
            "brings books from SQLite to PostgreSQL.",
            code="other_engine",
        )
    known = set(MigrationLoader(connection).disk_migrations)
    later = [f"{app}.{name}" for app, name in manifest.migrations if (app, name) not in known]
    if later:
        raise Refused(
            f"This backup is of a later version of the site (it knows {later[0]}, and this one doesn't). Bring the site up to "
            "date first.",
            code="later_version",
        )


def _refuse_unless_empty() -> None:
    if not is_empty_database():
        place = settings.DATA_DIR if connection.vendor == "sqlite" else connection.settings_dict["NAME"]
        raise Refused(
            f"There are books already in {place}. A backup is restored into an empty place only: name another one "
            "(PROSPECTING_DATA_DIR or DATABASE_URL), or move those books away.",
            code="not_empty",
        )
    if settings.MEDIA_ROOT.is_dir() and any(settings.MEDIA_ROOT.iterdir()):
        raise Refused(
            f"There are photos already in {settings.MEDIA_ROOT}. A backup is restored into an empty place only: move them away, "
            "or name another data folder.",
            code="not_empty",
        )


def _copy_photos(folder: Path, hashes: dict[str, str], arriving: Path, leave_out_damaged: bool) -> list[str]:
    """Copies, not links, so that nothing done to the site reaches the backup; the names of what was left out."""
    arriving.mkdir()
    left_out = []
    for listed, sha256 in hashes.items():
        if not listed.startswith(f"{PHOTOS}/"):
            continue
        name = listed.removeprefix(f"{PHOTOS}/")
        target = arriving.joinpath(name)
        if not target.resolve().is_relative_to(arriving.resolve()):
            raise Refused(f"{listed} leads out of the folder of photos.", code="photo_elsewhere")
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            shutil.copyfile(folder.joinpath(listed), target)
            sound = file_hash(target) == sha256
        except FileNotFoundError:
            sound = False
        if not sound:
            target.unlink(missing_ok=True)
            left_out.append(name)
            continue
        target.chmod(settings.FILE_UPLOAD_PERMISSIONS)
        sync(target.parent)
    if left_out and not leave_out_damaged:
        raise Refused(
            f"{len(left_out)} of the photos are missing or not what was written, the first of them {left_out[0]}. Take another "
            "backup, or restore without them by --leave-out-damaged.",
            code="photos_damaged",
        )
    return left_out


def _compare(manifest: Manifest) -> None:
    now = contents_now()
    off = [
        f"{table} has {now.tables.get(table, 'no')} rows instead of {rows}"
        for table, rows in manifest.tables.items()
        if now.tables.get(table) != rows
    ]
    if now.journal != manifest.journal:
        off.append("the journal does not end where it ended")
    if off:
        raise Refused(f"What came is not what was backed up: {'; '.join(off[:5])}.", code="other_contents")
