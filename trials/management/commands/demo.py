"""`manage.py demo`: an invented scenario to walk around in, on SQLite, in a data folder of its own."""

import os
import secrets

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandParser
from django.db import transaction

from prospecting.models import Member
from trials.scenario import ROLES, load_scenario


class Command(BaseCommand):
    help = "Load the invented demo scenario into the .demo folder and serve it; prints the address and the sign-in."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--load-only", action="store_true", help="load the scenario, serve nothing")

    def handle(self, **options) -> None:
        call_command("migrate", verbosity=0)
        call_command("collectstatic", interactive=False, verbosity=0)
        # Nobody has a standing password: it is drawn anew at every start, unless one is given.
        password = os.environ.get("PROSPECTING_DEMO_PASSWORD") or secrets.token_urlsafe(9)
        if Member.objects.exists():
            self._set_password(password)
        else:
            self.stdout.write("Loading the invented scenario ...")
            load_scenario(password=password)
        self.stdout.write(
            "Everything in the demo is invented: ground, people, products, laboratory and figures."
        )
        self.stdout.write(f"Sign in as {', '.join(ROLES)} with the password: {password}")
        if not options["load_only"]:
            self.stdout.flush()
            call_command("serve")

    @transaction.atomic
    def _set_password(self, password: str) -> None:
        for member in Member.objects.filter(username__in=ROLES):
            member.set_password(password)
            member.save(update_fields=["password"])
