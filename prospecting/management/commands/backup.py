"""Back the books up while the site runs, or look an old backup over."""

from pathlib import Path

from django.conf import settings
from django.core.management import BaseCommand, CommandError

from prospecting.actions.keeping import faults_of_backup, make_backup
from prospecting.actions.refusal import Refused
from prospecting.calc.backups import size_words
from prospecting.calc.number_words import listed
from prospecting.version import site_version

LOOK = (
    "Look at the disk, and put them back into the folder of photos from an older backup that is whole (--check). No backup "
    "is thinned out while one holds such a photo as it was."
)


class Command(BaseCommand):
    # Also where the site itself can no longer start.
    requires_system_checks = ()
    help = (
        "Write the database and the photos into a new folder, checked, while the site runs; older backups are thinned out to 7 "
        "days, 4 weeks and 12 months. Ends with 1 when the backup failed, or photos of it are missing or not what they were."
    )

    def add_arguments(self, parser) -> None:
        parser.add_argument(
            "--to", type=Path, metavar="FOLDER", help="where backups stand, if not in the usual place"
        )
        parser.add_argument(
            "--check",
            type=Path,
            metavar="FOLDER",
            help="make none; read this one and say what is wrong with it",
        )

    def handle(self, *args, to: Path | None, check: Path | None, **options) -> None:
        if check:
            return self._check(check.resolve())
        try:
            backup = make_backup(place=(to or settings.BACKUP_DIR).resolve(), site_version=site_version())
        except Refused as refusal:
            raise CommandError(" ".join(refusal.messages)) from None
        told = backup.manifest
        self.stdout.write(
            f"Backup {backup.folder}: {told.journal['entries']} journal entries, {told.photos} photos "
            f"({size_words(told.photo_bytes)})."
        )
        if backup.removed:
            self.stdout.write(f"Thinned out: {listed(backup.removed)}.")
        off = []
        if told.missing:
            off.append(
                f"Photos missing, and so not in it: {listed(told.missing[:10])} ({len(told.missing)} in all)."
            )
        if told.changed:
            off.append(
                f"Photos that are not what they were, though nothing changes photos: {listed(told.changed[:10])} "
                f"({len(told.changed)} in all)."
            )
        if off:
            raise CommandError("\n".join([*off, LOOK]))

    def _check(self, folder: Path) -> None:
        try:
            faults = faults_of_backup(folder)
        except Refused as refusal:
            faults = refusal.messages
        if faults:
            raise CommandError("\n".join([f"{folder} is not sound:", *faults[:50]]))
        self.stdout.write(
            f"{folder} is whole: every file is what was written, and the database in it is sound."
        )
