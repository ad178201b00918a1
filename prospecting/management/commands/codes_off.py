"""Take a member's one-time codes off, where the phone and the recovery codes are lost and no other keeper can help."""

from django.core.exceptions import ValidationError
from django.core.management import BaseCommand, CommandError

from prospecting.actions.one_time_codes import take_codes_off_at_server
from prospecting.models import Member


class Command(BaseCommand):
    help = "Take a member's one-time codes off and sign them out everywhere. Their password alone signs them in after that."

    def add_arguments(self, parser) -> None:
        parser.add_argument("username", help="user name of the member, with its capitals")

    def handle(self, *args, username: str, **options) -> None:
        member = Member.objects.filter(username=username).first()
        if member is None:
            raise CommandError(f"Nobody here has the user name {username}.")
        try:
            take_codes_off_at_server(member=member)
        except ValidationError as refusal:
            raise CommandError(" ".join(refusal.messages)) from None
        self.stdout.write(f"{username} signs in with the password alone, until they turn codes on again.")
