"""Backup, restore and drill by their commands, each in a process of its own as at the site."""

import json
import os
import secrets
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import timedelta
from io import BytesIO, StringIO
from pathlib import Path
from unittest import mock

import pytest
from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client
from django.utils import timezone
from PIL import Image

from prospecting.actions import database_copy, restoring
from prospecting.actions.api_tokens import make_api_token
from prospecting.actions.calendar_link import renew_calendar_link
from prospecting.actions.database_copy import address_of_database
from prospecting.actions.invitations import invite
from prospecting.actions.keeping import file_hash, make_backup, manifest_of
from prospecting.actions.photos import keep_photo
from prospecting.actions.refusal import Refused
from prospecting.management.commands import restore
from prospecting.models import JournalEntry
from prospecting.models.backup_folder import read_state
from tests.make import make_lot, make_member

pytestmark = pytest.mark.django_db(transaction=True)
ON_SQLITE = pytest.mark.skipif("DATABASE_URL" in os.environ, reason="looks into the SQLite file")


@pytest.fixture
def books(settings, tmp_path) -> Path:
    """The folder of a backup of a lot, a photo and a member who is signed in."""
    settings.MEDIA_ROOT = tmp_path / "photos"
    settings.BACKUP_DIR = tmp_path / "backups"
    make_lot()
    member = make_member("keeper")
    Client().force_login(member)
    make_api_token(member=member, name="balance", days=30, may_record=False)
    renew_calendar_link(member=member)
    invite(meant_for="A. Newcomer", role="member", days=7, invited_by=member)
    data = BytesIO()
    Image.new("RGB", (40, 30), "grey").save(data, "PNG")
    keep_photo(upload=SimpleUploadedFile("pan.png", data.getvalue()), added_by=member)
    return make_backup(place=settings.BACKUP_DIR, site_version="abc").folder


def manage(*words: str, data: Path, url: str = "") -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, str(settings.BASE_DIR / "manage.py"), *words],
        env={"PATH": os.environ["PATH"], "PROSPECTING_DATA_DIR": str(data), "DATABASE_URL": url},
        capture_output=True,
        text=True,
        timeout=180,
    )


@pytest.fixture
def empty_place(tmp_path):
    """A data folder and, on a server, a database of their own."""
    if connection.vendor == "sqlite":
        yield {"data": tmp_path / "new"}
        return
    name = f"restored_{secrets.token_hex(4)}"
    with connection.cursor() as cursor:
        cursor.execute(f"CREATE DATABASE {name} TEMPLATE template0")
    yield {"data": tmp_path / "new", "url": address_of_database(name)}
    with connection.cursor() as cursor:
        cursor.execute(f"DROP DATABASE {name} WITH (FORCE)")


def test_a_restore_brings_everything_back_and_refuses_to_write_over_books(books, empty_place):
    done = manage("restore", str(books), **empty_place)
    assert done.returncode == 0, done.stderr
    assert "The books add up." in done.stdout
    assert "links of the journal's chain hold" in done.stdout
    assert "Everybody signs in anew" in done.stdout
    for path in (settings.MEDIA_ROOT).rglob("*.jpg"):
        restored = empty_place["data"] / "photos" / path.relative_to(settings.MEDIA_ROOT)
        assert restored.read_bytes() == path.read_bytes()
        # A copy: what the restored site does to it never reaches the backup.
        assert not os.path.samefile(restored, books / "photos" / path.relative_to(settings.MEDIA_ROOT))
    if connection.vendor == "sqlite":
        with closing(sqlite3.connect(empty_place["data"] / "books.sqlite3")) as restored:
            # What was withdrawn after the backup would let somebody in again.
            for table in (
                "django_session",
                "prospecting_apitoken",
                "prospecting_calendarlink",
                "prospecting_invitation",
            ):
                assert restored.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,), table  # noqa: S608
            [[what]] = restored.execute(
                "SELECT what FROM prospecting_journalentry ORDER BY id DESC LIMIT 1"
            ).fetchall()
        assert "were restored from the backup" in what
    again = manage("restore", str(books), **empty_place)
    assert again.returncode == 1
    assert "There are books already" in again.stderr
    assert "Traceback" not in again.stderr


def databases() -> set[str]:
    if connection.vendor == "sqlite":
        return set()
    with connection.cursor() as cursor:
        cursor.execute("SELECT datname FROM pg_database")
        return {name for (name,) in cursor.fetchall()}


def leave_a_drill() -> str:
    """The database of a drill that was killed, on a server."""
    name = f"{restore._drills()}0123456789ab"
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(f"CREATE DATABASE {name} TEMPLATE template0")
    return name


def test_a_drill_restores_for_a_moment_and_notes_that_it_passed(books, monkeypatch):
    if connection.vendor == "sqlite":
        monkeypatch.setenv("DATABASE_URL", "")
    left = leave_a_drill()
    out = StringIO()
    call_command("restore", drill=True, stdout=out)
    assert left not in databases()
    assert f"Drill passed with {books.name}" in out.getvalue()
    drill = read_state(settings.BACKUP_DIR).drill
    assert drill.passed
    assert drill.of == books.name
    assert not (settings.BACKUP_DIR / ".drill").exists()


@pytest.mark.skipif("DATABASE_URL" not in os.environ, reason="SQLite seals a line as it writes it")
def test_a_line_that_was_not_yet_sealed_fails_no_drill(books):
    with mock.patch("django.utils.timezone.now", return_value=timezone.now() - timedelta(minutes=2)):
        JournalEntry.objects.create(subject_kind="x", subject_id=0, subject_label="x", what="not yet sealed")
    folder = make_backup(place=settings.BACKUP_DIR, site_version="abc").folder
    call_command("restore", str(folder), drill=True, stdout=StringIO())
    assert read_state(settings.BACKUP_DIR).drill.passed


@pytest.mark.long
def test_a_drill_that_fails_is_noted_and_says_why(books):
    photo = next(books.joinpath("photos").rglob("*.jpg"))
    photo.unlink()
    with pytest.raises(CommandError, match="1 of the photos are missing"):
        call_command("restore", drill=True, stdout=StringIO())
    assert not read_state(settings.BACKUP_DIR).drill.passed


@pytest.mark.long
def test_a_drill_of_a_backup_brought_along_makes_its_folder(books, monkeypatch, settings, tmp_path):
    if connection.vendor == "sqlite":
        monkeypatch.setenv("DATABASE_URL", "")
    settings.BACKUP_DIR = tmp_path / "not" / "yet"
    call_command("restore", str(books), drill=True, stdout=StringIO())
    assert read_state(settings.BACKUP_DIR).drill.passed


def test_a_drill_without_any_backup_says_so(settings, tmp_path):
    settings.BACKUP_DIR = tmp_path
    with pytest.raises(CommandError, match="no backup"):
        call_command("restore", drill=True)
    with pytest.raises(CommandError, match="Name the folder"):
        call_command("restore")


# ---- What put_back refuses; the site of the tests stands in for the empty place.


@pytest.fixture
def as_if_empty(monkeypatch, settings, tmp_path):
    """The tests' own books are not looked at, and nothing may be put over them."""
    monkeypatch.setattr(restoring, "is_empty_database", lambda: True)
    filled = []
    monkeypatch.setattr(restoring, "fill_database", filled.append)
    monkeypatch.setattr(restoring, "_compare", lambda manifest: None)
    settings.MEDIA_ROOT = tmp_path / "elsewhere"
    return filled


def rewrite(folder: Path, **told) -> None:
    manifest = json.loads((folder / "manifest.json").read_text()) | told
    (folder / "manifest.json").write_text(json.dumps(manifest))


def refused(folder: Path, **options) -> str:
    with pytest.raises(Refused) as refusal:
        restoring.put_back(folder=folder, **options)
    return " ".join(refusal.value.messages)


def test_refuses_where_there_are_books(books):
    assert "There are books already" in refused(books)


def test_refuses_where_there_are_photos(books, as_if_empty):
    settings.MEDIA_ROOT.mkdir()
    (settings.MEDIA_ROOT / "one.jpg").write_bytes(b"x")
    assert "There are photos already" in refused(books)
    assert as_if_empty == []


def test_what_fails_on_the_way_leaves_the_place_empty_and_is_said(books, as_if_empty, monkeypatch):
    def full(copy):
        assert settings.MEDIA_ROOT.is_dir()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(restoring, "fill_database", full)
    with pytest.raises(CommandError, match="nothing was kept: .*No space left on device"):
        call_command("restore", str(books))
    assert not list(settings.MEDIA_ROOT.parent.glob(f"{settings.MEDIA_ROOT.name}*"))


@ON_SQLITE
def test_no_half_database_is_left(tmp_path, monkeypatch):
    def full(source, target):
        target.write_bytes(b"half")
        raise OSError(28, "No space left on device")

    monkeypatch.setitem(connection.settings_dict, "NAME", tmp_path / "books.sqlite3")
    monkeypatch.setattr(database_copy.shutil, "copyfile", full)
    with pytest.raises(OSError, match="No space"):
        database_copy._place_sqlite(tmp_path / "copy")
    assert list(tmp_path.iterdir()) == []


def test_refuses_a_backup_of_a_later_site(books, as_if_empty):
    rewrite(books, migrations=[["prospecting", "9999_much_later"]])
    assert "prospecting.9999_much_later" in refused(books)
    assert as_if_empty == []


def test_refuses_a_backup_of_the_other_engine(books, as_if_empty):
    other = {"sqlite": "postgresql", "postgresql": "sqlite"}[connection.vendor]
    rewrite(books, engine=other)
    assert "DATABASE_URL" in refused(books)


def test_refuses_a_database_that_is_not_what_was_written(books, as_if_empty):
    next(books.glob("books.*")).write_bytes(b"something else")
    assert "not what was written" in refused(books)
    assert as_if_empty == []
    assert not settings.MEDIA_ROOT.exists()


def test_damaged_photos_are_left_out_only_when_told_to(books, as_if_empty):
    whole, damaged = sorted(books.joinpath("photos").rglob("*.jpg"))
    damaged.unlink()
    damaged.write_bytes(b"not a picture any more")
    assert "--leave-out-damaged" in refused(books)
    assert not settings.MEDIA_ROOT.exists()
    restored = restoring.put_back(folder=books, leave_out_damaged=True)
    assert restored.left_out == [damaged.relative_to(books / "photos").as_posix()]
    assert [path.name for path in settings.MEDIA_ROOT.rglob("*.jpg")] == [whole.name]


def test_refuses_a_list_that_leads_out_of_its_folder(books, as_if_empty, tmp_path):
    with (books / "files.sha256").open("a") as listed:
        listed.write(f"{'0' * 64}  photos/../../outside.jpg\n")
    assert "leads out" in refused(books)
    assert not (tmp_path / "outside.jpg").exists()


def test_says_so_when_what_came_is_not_what_was_backed_up(books):
    make_lot()
    with pytest.raises(Refused, match="prospecting_lot has 2 rows instead of 1"):
        restoring._compare(manifest_of(books))


@ON_SQLITE
@pytest.mark.long
def test_a_backup_of_an_earlier_version_is_brought_forward(books, tmp_path):
    """As an earlier site would have left it: without the last migration and what it made."""
    copy = books / "books.sqlite3"
    with closing(sqlite3.connect(copy)) as old:
        old.execute("DROP INDEX journal_by_kind")
        old.execute("DROP INDEX journal_by_time")
        for (trigger,) in old.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            old.execute(f"DROP TRIGGER {trigger}")
        old.execute("DELETE FROM django_migrations WHERE app = 'prospecting' AND name >= '0013'")
        old.commit()
        rows = old.execute("SELECT count(*) FROM django_migrations").fetchone()[0]
    told = json.loads((books / "manifest.json").read_text())
    rewrite(books, tables=told["tables"] | {"django_migrations": rows})
    files = [path for path in books.rglob("*") if path.is_file() and path.name != "files.sha256"]
    (books / "files.sha256").write_text(
        "".join(f"{file_hash(path)}  {path.relative_to(books)}\n" for path in files)
    )
    done = manage("restore", str(books), data=tmp_path / "new")
    assert done.returncode == 0, done.stderr
    with closing(sqlite3.connect(tmp_path / "new" / "books.sqlite3")) as restored:
        assert restored.execute("SELECT count(*) FROM sqlite_master WHERE type = 'trigger'").fetchone()[0] > 0


@pytest.mark.long
def test_the_command_backs_up_checks_and_says_what_is_wrong(tmp_path):
    """On a server these books stand in SQLite beside it: the words are the same."""
    data = tmp_path / "data"
    assert manage("migrate", "-v0", data=data).returncode == 0
    made = manage("backup", data=data)
    assert made.returncode == 0, made.stderr
    [folder] = (data / "backups").glob("books-*")
    assert manage("backup", "--check", str(folder), data=data).returncode == 0
    with (folder / "books.sqlite3").open("r+b") as file:
        file.seek(5000)
        file.write(b"\xff\xff\xff")
    checked = manage("backup", "--check", str(folder), data=data)
    assert checked.returncode == 1
    assert "books.sqlite3 is not what was written." in checked.stderr
    (data / "books.sqlite3").write_bytes(b"this is no database" * 100)
    failed = manage("backup", data=data)
    assert failed.returncode == 1
    assert "The backup failed" in failed.stderr
    assert "Traceback" not in failed.stderr
    shutil.rmtree(data)
