"""From SQLite to PostgreSQL by the command, as at a site. Needs a PostgreSQL server, so it runs where DATABASE_URL names one."""

import os
import subprocess
import sys
from io import StringIO
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command
from django.db import connection

from prospecting.management.commands.move import Command
from tests.load.server import a_database

ON_POSTGRESQL = pytest.mark.skipif("DATABASE_URL" not in os.environ, reason="moves to PostgreSQL")
# What engines store each in their own way: decimals, JSON, bytes, UUIDs, days and times, texts with odd signs, no value at all.
FILL = """
import datetime, os, uuid
from decimal import Decimal
from django.utils import timezone
from prospecting.actions.journal import write_event, write_journal
from prospecting.models import Claim, ClaimPaper, Delivery, Member
from tests.make import make_blend, make_lot, make_member, make_portions
from trials.scenario import load_scenario
load_scenario(password="a long enough password")
member = make_member("keeper", first_name="Zoë \\U0001fa99 O'Neil\\\\")
lot = make_lot("123456.789", member=member)
make_portions(make_blend((lot, "100000.001"), (make_lot("5", member=member), "1"), member=member), 30, "454.001", member=member)
claim = Claim.objects.first()
for number in range(3):
    Delivery.objects.create(identity=uuid.uuid4(), member=member, body_sha256="0" * 64,
                            born_at=timezone.now() - datetime.timedelta(days=200))
write_journal(member=member, about=claim, what="x", changes={"b": ["1.0", "\\n\\t"], "a": ["\u00fc", ""]})
ClaimPaper.objects.create(claim=claim, title="t", file_name="t.pdf", file_sha256="0" * 64, file_bytes=bytes(range(256)) * 40,
                          content_type="application/pdf", recorded_by=member)
Member.objects.filter(pk=member.pk).update(date_joined=datetime.datetime(1999, 12, 31, 23, 59, 59, 999999, datetime.UTC))
# The last number of all is not given again.
Claim.objects.create(name="taken out").delete()
write_event(member=None, kind="keeping", label="odd", what="tab\\tline\\nback\\\\slash \\\\N \\\\. end")
"""
SEEN = """
import json
from prospecting.models import *
from trials.models import Run
from prospecting.models.journal import JournalSeal
from django.contrib.contenttypes.models import ContentType
made = Claim.objects.create(name="after the move")
print(json.dumps([
    [sorted(changes.items()) for changes in JournalEntry.objects.order_by("pk").values_list("changes", flat=True)],
    sorted(str(mass) for mass in Lot.objects.values_list("on_hand_g", flat=True)),
    list(JournalSeal.objects.order_by("number").values_list("sha256", flat=True)),
    [str(at) for at in Member.objects.order_by("pk").values_list("date_joined", flat=True)],
    Run.objects.count(), made.pk, JournalEntry.objects.get(subject_label="odd").what,
], default=str))
"""


def run(words: list[str], data: Path, url: str = "") -> subprocess.CompletedProcess:
    names = {
        "PATH": os.environ["PATH"],
        "PROSPECTING_DATA_DIR": str(data),
        "DATABASE_URL": url,
        "DJANGO_SETTINGS_MODULE": "prospecting.settings",
        "PYTHONPATH": str(settings.BASE_DIR),
    }
    return subprocess.run(
        [sys.executable, *words],
        env=names,
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
        timeout=300,
    )


def manage(*words: str, data: Path, url: str = "") -> subprocess.CompletedProcess:
    return run(["manage.py", *words], data, url)


def ask(lines: str, data: Path, url: str = "") -> str:
    done = run(["-c", f"import django\ndjango.setup()\n{lines}"], data, url)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.long
@ON_POSTGRESQL
def test_every_value_goes_along_and_the_next_number_is_free(tmp_path):
    assert manage("migrate", "-v0", data=tmp_path).returncode == 0
    ask(FILL, tmp_path)
    with a_database() as url:
        moved = manage("move", f"--to={url}", data=tmp_path)
        assert moved.returncode == 0, moved.stdout + moved.stderr
        assert "every value as it was" in moved.stdout
        assert "The books add up." in moved.stdout
        assert "links of the journal's chain hold" in moved.stdout
        assert ask(SEEN, tmp_path, url) == ask(SEEN, tmp_path)
        again = manage("move", f"--to={url}", data=tmp_path)
        assert again.returncode == 1
        assert "There is something in that database already" in again.stderr
        assert "Traceback" not in again.stderr


@pytest.mark.long
@ON_POSTGRESQL
def test_a_text_that_postgresql_cannot_hold_is_named_and_nothing_is_kept(tmp_path):
    assert manage("migrate", "-v0", data=tmp_path).returncode == 0
    ask('from prospecting.models import Claim\nClaim.objects.create(name="a\\0b")', tmp_path)
    with a_database() as url:
        moved = manage("move", f"--to={url}", data=tmp_path)
        assert moved.returncode == 1
        assert "PostgreSQL does not take what stands in claims" in moved.stderr
        assert "Traceback" not in moved.stderr
        assert (
            ask("from prospecting.models import *\nprint(JournalEntry.objects.count())", tmp_path, url)
            == "0\n"
        )


@pytest.mark.long
def test_a_server_that_does_not_answer_is_said_in_words(tmp_path):
    moved = manage("move", "--to=postgres://nobody@127.0.0.1:1/none", data=tmp_path)
    assert moved.returncode == 1
    assert "does not answer" in moved.stderr
    assert "Traceback" not in moved.stderr


@pytest.mark.parametrize(
    "words, said",
    [
        (["--to=mysql://somewhere/db"], "must look like postgres://"),
        (["--to="], "No address was given"),
        (["--to-from-env=NOT_SET"], "No address was given"),
    ],
)
def test_an_address_that_will_not_do_is_answered_in_words(words, said):
    if connection.vendor != "sqlite":
        said = "stand in PostgreSQL already"
    with pytest.raises(CommandError, match=said):
        call_command(Command(stdout=StringIO()), *words)
