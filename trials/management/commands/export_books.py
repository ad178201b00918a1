"""Write the whole books into one file, for people and other programs."""

import os
from pathlib import Path

from django.core.management import BaseCommand, CommandError

from prospecting.frames.books_out import CAUTION, WITHOUT, DoesNotFit, write_books, write_spreadsheet
from trials.actions.books_out import say_books_leave, trials_with_open_keys

WAYS = {".zip": ("ZIP", write_books), ".xlsx": ("spreadsheet", write_spreadsheet)}


class Command(BaseCommand):
    help = (
        "Write the whole books into FILE: a .zip with one table to a file of JSON lines and the photos, or an .xlsx with one "
        "table to a sheet. While the site runs. For keeping the site itself safe, use the command backup."
    )

    def add_arguments(self, parser) -> None:
        parser.add_argument("file", metavar="FILE", help="where to write: a new file ending in .zip or .xlsx")

    def handle(self, *args, file: str, **options) -> None:
        path = Path(file)
        if path.suffix.lower() not in WAYS:
            raise CommandError("Give the file a name that ends in .zip or .xlsx.")
        kind, write = WAYS[path.suffix.lower()]
        if path.exists():
            raise CommandError(f"{path} is there already; give another name.")
        # Written beside it, so that a file of that name is always a whole one; for nobody else to read.
        unfinished = path.with_name(f"{path.name}.unfinished")
        try:
            with open(unfinished, "xb", opener=_for_me_alone) as out:
                hidden = trials_with_open_keys()
                written = write(out, told=self.stdout.write)
                out.flush()
                os.fsync(out.fileno())
            say_books_leave(kind=kind, hidden_before=hidden)
            unfinished.rename(path)
        except FileExistsError:
            raise CommandError(
                f"{unfinished} is there already; remove it if nobody else is writing."
            ) from None
        except (OSError, DoesNotFit) as error:
            unfinished.unlink(missing_ok=True)
            raise CommandError(f"Not written: {error}") from None
        except BaseException:
            unfinished.unlink(missing_ok=True)
            raise
        self.stdout.write(f"Written: {written.rows} rows and {written.files} photos, in {path}.")
        if written.left_out:
            self.stdout.write(
                f"{written.left_out} cells were too long for a spreadsheet; its last sheet names them."
            )
        self.stdout.write(CAUTION)
        self.stdout.write(WITHOUT)


def _for_me_alone(name: str, flags: int) -> int:
    return os.open(name, flags, 0o600)
