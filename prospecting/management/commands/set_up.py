"""Make the database and the files of the site ready, and the first keeper when there is none."""

import getpass
import os
import sys

from django.core.exceptions import ValidationError
from django.core.management import BaseCommand, CommandError, call_command

from prospecting.actions.members import add_first_keeper
from prospecting.models import Member


class Command(BaseCommand):
    help = "Make the database and the site's files ready, and the first keeper when there is none. Safe to run again."

    def add_arguments(self, parser) -> None:
        parser.add_argument("--username", help="user name of the first keeper, where nobody can be asked")
        parser.add_argument(
            "--password-from-env",
            metavar="NAME",
            help="name of the environment variable that holds the password",
        )

    def handle(
        self, *args, username: str | None, password_from_env: str | None, verbosity: int, **options
    ) -> None:
        call_command("migrate", interactive=False, verbosity=0)
        self.stdout.write("The database is ready.")
        call_command("collectstatic", interactive=False, verbosity=0)
        self.stdout.write("The style sheets and scripts are in place.")
        keepers = Member.objects.filter(role=Member.Role.KEEPER, is_active=True)
        if keepers.exists():
            self.stdout.write(f"Keepers: {', '.join(keeper.username for keeper in keepers)}.")
        elif username is not None or password_from_env is not None:
            self._add_as_told(username, password_from_env)
        elif sys.stdin.isatty():
            self._add_as_asked()
        else:
            raise CommandError(
                "There is no keeper yet, and nobody here to ask. Give --username and --password-from-env."
            )
        self.stdout.write(
            "Next: start the site with the command serve, sign in, and add the first claim under Ground."
        )

    def _add_as_told(self, username: str | None, password_from_env: str | None) -> None:
        if username is None or password_from_env is None:
            raise CommandError("Give both --username and --password-from-env.")
        password = os.environ.get(password_from_env, "")
        if not password:
            raise CommandError(f"The environment variable {password_from_env} is empty.")
        try:
            self._add(username, password)
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from None

    def _add_as_asked(self) -> None:
        """Ask until user name and password will do."""
        self.stdout.write("The first keeper looks after members and claims. Who is it?")
        while True:
            username = input("User name: ")
            password = getpass.getpass("Password (at least 10 signs; it does not show): ")
            if getpass.getpass("The same once more: ") != password:
                self.stdout.write("The two differ. Once again:")
                continue
            try:
                return self._add(username, password)
            except ValidationError as error:
                self.stdout.write(f"{' '.join(error.messages)} Once again:")

    def _add(self, username: str, password: str) -> None:
        keeper = add_first_keeper(username=username, password=password)
        self.stdout.write(f"{keeper.username} is the first keeper.")
