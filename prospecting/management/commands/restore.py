"""Put a backup back into an empty place, or rehearse it."""

import hashlib
import os
import secrets
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from django.conf import settings
from django.core.management import BaseCommand, CommandError, call_command
from django.db import Error, connection
from django.db.utils import ProgrammingError
from django.utils import timezone

from prospecting.actions.database_copy import address_of_database
from prospecting.actions.journal import seal_unsealed
from prospecting.actions.keeping import alone_in, note
from prospecting.actions.refusal import Refused
from prospecting.actions.restoring import note_restored, put_back
from prospecting.calc.backups import Manifest
from prospecting.frames.journal_chain import check_file
from prospecting.models.backup_folder import Drill, backups_in

LEFT = (
    "SELECT datname FROM pg_database WHERE starts_with(datname, %s) "
    "AND datdba = (SELECT oid FROM pg_roles WHERE rolname = current_user)"
)


class Command(BaseCommand):
    # Also where the site itself can no longer start.
    requires_system_checks = ()
    help = (
        "Put a backup into an empty data folder or an empty database, bring it up to this version and add everything up. With "
        "--drill: rehearse that with the newest backup in a place that is thrown away afterwards."
    )

    def add_arguments(self, parser) -> None:
        parser.add_argument(
            "folder", type=Path, nargs="?", help="the backup; for a drill the newest if none is named"
        )
        parser.add_argument("--drill", action="store_true", help="rehearse only; the site may run meanwhile")
        parser.add_argument(
            "--leave-out-damaged",
            action="store_true",
            help="restore although photos in the backup are damaged",
        )

    def handle(self, *args, folder: Path | None, drill: bool, leave_out_damaged: bool, **options) -> None:
        if drill:
            return self._drill(folder)
        if folder is None:
            raise CommandError("Name the folder of the backup that is to be restored.")
        try:
            restored = put_back(folder=folder.resolve(), leave_out_damaged=leave_out_damaged)
        except Refused as refusal:
            raise CommandError(" ".join(refusal.messages)) from None
        except (OSError, Error) as error:
            raise CommandError(f"The restore failed, and nothing was kept: {error}") from None
        told = restored.manifest
        self.stdout.write(
            f"The database is back as it was on {told.started}: {told.journal['entries']} journal entries, {told.photos} photos."
        )
        if restored.left_out:
            self.stderr.write(
                f"Left out, because they are damaged in the backup: {len(restored.left_out)} photos."
            )
        try:
            _bring_up(told)
        except (OSError, Error) as error:
            raise CommandError(
                f"Bringing what was restored up to this version failed: {error}. Mend that, empty the place and restore again."
            ) from None
        self._check(told)
        self.stdout.write(
            "Next: run set_up, then serve. Everybody signs in anew; tokens, calendars' addresses and invitations are made anew."
        )

    def _check(self, told: Manifest) -> None:
        """Add the books up, and walk the journal's chain to the head that the backup says it had."""
        head = {"count": told.journal["seal"], "head": told.journal["sha256"]} if told.journal["seal"] else {}
        for name, options in (("check_books", {}), ("verify_journal", head)):
            try:
                call_command(name, **options, stdout=self.stdout, stderr=self.stderr)
            except SystemExit:
                raise CommandError(
                    f"The backup was restored as it was, but {name} finds something off (above)."
                ) from None

    def _drill(self, folder: Path | None) -> None:
        place = settings.BACKUP_DIR
        folder = folder.resolve() if folder else next(reversed(backups_in(place)), None)
        if folder is None:
            raise CommandError(f"There is no backup in {place} to rehearse with.")
        began = time.monotonic()
        try:
            place.mkdir(parents=True, exist_ok=True, mode=0o700)
            with (
                alone_in(place, ".drill-lock", "Another drill is going on right now."),
                _scratch(place) as names,
            ):
                done = subprocess.run(
                    [sys.executable, str(settings.BASE_DIR / "manage.py"), "restore", str(folder)],
                    env=os.environ | names,
                    capture_output=True,
                    text=True,
                    check=False,
                )
        except Refused as refusal:
            raise CommandError(" ".join(refusal.messages)) from None
        except (OSError, Error) as error:
            raise CommandError(f"The drill could not be held: {error}") from None
        seconds = round(time.monotonic() - began, 1)
        passed = done.returncode == 0
        note(place, drill=Drill(at=timezone.now(), of=folder.name, seconds=seconds, passed=passed))
        self.stdout.write(done.stdout.rstrip())
        if not passed:
            raise CommandError(f"The drill failed: {done.stderr.strip()}")
        self.stdout.write(
            f"Drill passed with {folder.name} in {seconds:g} s; what it restored was thrown away again."
        )


def _bring_up(told: Manifest) -> None:
    """Make of the restored books those of this version, with their journal sealed to its end.

    On a server a line is sealed right after it is committed, so a backup may hold the line and not yet its seal. By now
    nobody else will seal it, and a sound backup must not fail its drill for it.
    """
    call_command("migrate", interactive=False, verbosity=0)
    seal_unsealed()
    note_restored(told)
    # It speaks of a journal that went on longer than the restored one.
    check_file().unlink(missing_ok=True)


@contextmanager
def _scratch(place: Path) -> Iterator[dict[str, str]]:
    """An empty data folder beside the backups, and an empty database where the site has one on a server; both go afterwards."""
    folder = place / ".drill"
    # Left by a drill that was killed.
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(mode=0o700)
    names = {"PROSPECTING_DATA_DIR": str(folder)}
    try:
        if connection.vendor == "sqlite":
            yield names
        else:
            with _scratch_database() as name:
                yield names | {"DATABASE_URL": address_of_database(name)}
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _drills() -> str:
    """How the names of this site's drill databases begin: another with the same account may be in a drill right now."""
    return f"drill_{hashlib.sha256(connection.settings_dict['NAME'].encode()).hexdigest()[:12]}_"


@contextmanager
def _scratch_database() -> Iterator[str]:
    name = f"{_drills()}{secrets.token_hex(6)}"
    with connection.cursor() as cursor:
        # Left by a drill that was killed.
        cursor.execute(LEFT, [_drills()])
        for (left,) in cursor.fetchall():
            cursor.execute(f'DROP DATABASE "{left}" WITH (FORCE)')
        try:
            cursor.execute(f"CREATE DATABASE {name} TEMPLATE template0")
        except ProgrammingError as error:
            raise CommandError(
                f"The drill needs a database of its own for a moment, and none can be made: {error}. Let the database's keeper "
                "give this account the right CREATEDB, or rehearse on another machine."
            ) from None
        try:
            yield name
        finally:
            cursor.execute(f"DROP DATABASE {name} WITH (FORCE)")
