"""Take the whole books in from a file into an empty site."""

from pathlib import Path

from django.core.exceptions import ValidationError
from django.core.management import BaseCommand, CommandError

from prospecting.actions.books_in import take_in_books
from prospecting.models import Member


class Command(BaseCommand):
    help = (
        "Take the whole books in from FILE, as the command export_books wrote it, into an empty site: after migrate, before "
        "set_up. All of it comes in, or nothing."
    )

    def add_arguments(self, parser) -> None:
        parser.add_argument("file", metavar="FILE", help="a .zip or .xlsx of the whole books")
        parser.add_argument(
            "--without-files",
            action="store_true",
            help="take in a spreadsheet, which holds no photos and leaves long cells out",
        )

    def handle(self, *args, file: str, without_files: bool, **options) -> None:
        path = Path(file)
        try:
            with path.open("rb") as opened:
                taken = take_in_books(
                    file=opened, size=path.stat().st_size, without_files=without_files, told=self.stdout.write
                )
        except OSError as error:
            raise CommandError(f"{path} can't be read: {error.strerror}.") from None
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from None
        self.stdout.write(f"Taken in and read back: {taken.rows} rows and {taken.files} photos.")
        if taken.missing_files:
            self.stdout.write(f"The file holds no picture for {taken.missing_files} photos.")
        if taken.left_out:
            self.stdout.write(
                f"{taken.left_out} long cells were left out of the spreadsheet and are empty now."
            )
        keepers = Member.objects.filter(role=Member.Role.KEEPER, is_active=True).values_list(
            "username", flat=True
        )
        self.stdout.write(
            "Nobody has a password yet. Give one to a keeper, who gives the others theirs on the page Members: "
            f"manage.py changepassword {' or '.join(keepers) or 'NAME'}"
        )
        self.stdout.write("Next: set_up, check_books, serve.")
