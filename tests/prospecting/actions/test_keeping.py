import json
import os
import shutil
import sqlite3
import stat
import subprocess
import threading
from contextlib import closing
from datetime import timedelta
from io import BytesIO, StringIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client
from django.utils import timezone
from PIL import Image

from prospecting.actions import database_copy
from prospecting.actions.journal import write_event
from prospecting.actions.keeping import HASHES, faults_of_backup, hashes_of, make_backup, manifest_of
from prospecting.actions.photos import keep_photo
from prospecting.actions.refusal import Refused
from prospecting.calc.backups import name_at
from prospecting.models import JournalEntry, JournalSeal, Member
from prospecting.models.backup_folder import backups_in, read_state
from tests.make import make_lot, make_member

# The copy is made past the site's own connection: what a test enters has to be committed to be seen.
pytestmark = pytest.mark.django_db(transaction=True)
ON_SQLITE = pytest.mark.skipif("DATABASE_URL" in os.environ, reason="looks into the SQLite file")


@pytest.fixture
def photos(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "photos"
    return settings.MEDIA_ROOT


def backup(tmp_path):
    return make_backup(place=tmp_path / "backups", site_version="abc")


def make_photo(member: Member):
    data = BytesIO()
    Image.new("RGB", (40, 30), "grey").save(data, "PNG")
    return keep_photo(upload=SimpleUploadedFile("pan.png", data.getvalue()), added_by=member)


def flip_a_byte(path) -> None:
    """Another byte in the middle, in a file of its own: where it is a link, the living one stays as it is."""
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.unlink()
    path.write_bytes(data)


def test_a_backup_holds_all_there_is_and_says_so(tmp_path, photos):
    lot = make_lot()
    photo = make_photo(make_member())
    gone = make_photo(make_member())
    (photos / gone.thumb.name).unlink()
    made = backup(tmp_path)
    told = manifest_of(made.folder)
    assert told.tables["prospecting_member"] == Member.objects.count()
    assert told.tables["prospecting_lot"] == 1
    head = JournalSeal.objects.order_by("-number").first()
    assert told.journal["entries"] == JournalEntry.objects.count()
    assert (told.journal["seal"], told.journal["sha256"]) == (head.number, head.sha256)
    assert told.missing == [gone.thumb.name]
    assert told.photos == 3
    assert lot.code
    # One picture on the disk, by two names.
    assert os.path.samefile(photos / photo.file.name, made.folder / "photos" / photo.file.name)
    assert faults_of_backup(made.folder) == []
    # Outside check: the list of files is what GNU coreutils' sha256sum reads.
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", "--quiet", "files.sha256"],
        cwd=made.folder,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert set(hashes_of(made.folder)) == {
        path.relative_to(made.folder).as_posix() for path in made.folder.rglob("*") if path.is_file()
    } - {"files.sha256"}


def test_only_its_owner_may_open_it(tmp_path, photos):
    make_photo(make_member())
    made = backup(tmp_path)
    folders = [made.folder.parent, *(path for path in made.folder.rglob("*") if path.is_dir())]
    assert {stat.S_IMODE(path.stat().st_mode) for path in folders} == {0o700}
    files = [path for path in made.folder.iterdir() if path.is_file()]
    assert {stat.S_IMODE(path.stat().st_mode) for path in files} == {0o600}


@ON_SQLITE
def test_nobody_goes_on_in_a_members_name_with_a_backup(tmp_path, photos):
    client = Client()
    client.force_login(make_member())
    key = client.session.session_key
    made = backup(tmp_path)
    data = (made.folder / "books.sqlite3").read_bytes()
    assert b"prospecting_member" in data
    assert key.encode() not in data
    assert client.session.session_key == key


@ON_SQLITE
def test_it_is_what_the_database_program_itself_calls_sound(tmp_path, photos):
    make_lot()
    made = backup(tmp_path)
    with closing(sqlite3.connect(made.folder / "books.sqlite3")) as books:
        assert books.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert books.execute("SELECT count(*) FROM prospecting_lot").fetchone() == (1,)
        assert books.execute("PRAGMA journal_mode").fetchone() == ("delete",)


def test_photos_on_another_disk_are_copied_once_and_shared_by_backups(tmp_path, photos, monkeypatch):
    photo = make_photo(make_member())
    link = os.link

    def only_among_backups(source, target) -> None:
        if photos in source.parents:
            raise OSError("Invalid cross-device link")
        link(source, target)

    monkeypatch.setattr(os, "link", only_among_backups)
    # All of them are of one day.
    monkeypatch.setattr("prospecting.actions.keeping.to_keep", set)
    first, second = backup(tmp_path), backup(tmp_path)
    one, two = (made.folder / "photos" / photo.file.name for made in (first, second))
    assert not os.path.samefile(one, photos / photo.file.name)
    assert os.path.samefile(one, two)
    # A shared one that went bad is not taken over, and the living one is.
    flip_a_byte(two)
    third = backup(tmp_path)
    assert faults_of_backup(third.folder) == []
    assert faults_of_backup(second.folder) == [f"photos/{photo.file.name} is not what was written."]


def test_a_photo_that_changed_on_the_disk_is_told(tmp_path, photos):
    photo = make_photo(make_member())
    living = photos / photo.file.name
    data = living.read_bytes()
    assert backup(tmp_path).manifest.changed == []
    flip_a_byte(living)
    # Each time, until it is put right.
    for _ in range(2):
        made = backup(tmp_path)
        assert manifest_of(made.folder).changed == [photo.file.name]
    living.write_bytes(data)
    assert backup(tmp_path).manifest.changed == []


@pytest.mark.parametrize("harm", [os.unlink, pytest.param(flip_a_byte, marks=pytest.mark.long)])
def test_nothing_is_thinned_out_while_a_photo_can_be_brought_back(tmp_path, photos, harm):
    photo = make_photo(make_member())
    # All of one day.
    first = backup(tmp_path).folder
    harm(photos / photo.file.name)
    assert backup(tmp_path).removed == []
    assert backup(tmp_path).removed == []
    # No longer in any of them as it was: nothing is saved by keeping them.
    flip_a_byte(first / "photos" / photo.file.name)
    made = backup(tmp_path)
    assert (made.manifest.changed or made.manifest.missing) == [photo.file.name]
    assert first.name in made.removed


def test_a_photo_that_cannot_be_read_fails_the_backup(tmp_path, photos):
    photo = make_photo(make_member())
    living = photos / photo.file.name
    living.unlink()
    # No file can be read where a folder stands, whoever asks.
    living.mkdir()
    with pytest.raises(Refused, match="can't be read: Is a directory"):
        backup(tmp_path)
    assert backups_in(tmp_path / "backups") == []


def test_the_command_ends_with_1_when_a_photo_is_missing(tmp_path, photos):
    photo = make_photo(make_member())
    (photos / photo.file.name).unlink()
    with pytest.raises(CommandError, match="Photos missing, and so not in it"):
        call_command("backup", f"--to={tmp_path / 'backups'}", stdout=StringIO())
    assert backups_in(tmp_path / "backups")


@ON_SQLITE
def test_books_of_before_the_journals_chain_are_backed_up_as_well(tmp_path, photos):
    copy = backup(tmp_path).folder / "books.sqlite3"
    with closing(sqlite3.connect(copy)) as books:
        books.execute("DROP TABLE prospecting_journalseal")
        contents = database_copy._contents(lambda sql: books.execute(sql).fetchall())
    assert contents.journal["seal"] == 0


@pytest.mark.parametrize("name", ["books", "manifest.json", "photo", "list"])
def test_checking_an_old_one_finds_a_byte_that_changed(tmp_path, photos, name):
    photo = make_photo(make_member())
    folder = backup(tmp_path).folder
    path = {
        "books": next(folder.glob("books.*")),
        "manifest.json": folder / "manifest.json",
        "photo": folder / "photos" / photo.file.name,
        "list": folder / "files.sha256",
    }[name]
    flip_a_byte(path)
    try:
        faults = faults_of_backup(folder)
    except Refused as refusal:
        faults = refusal.messages
    assert len(faults) == 1


def test_checking_what_is_no_backup_says_so(tmp_path):
    with pytest.raises(Refused, match="holds no backup"):
        faults_of_backup(tmp_path)
    tmp_path.joinpath("manifest.json").write_text("{}")
    with pytest.raises(Refused, match="of no use"):
        faults_of_backup(tmp_path)


@pytest.mark.parametrize("step", ["copy_database", "_write"])
def test_one_that_fails_leaves_nothing_under_a_good_name_but_a_note(tmp_path, photos, monkeypatch, step):
    backup(tmp_path)
    place = tmp_path / "backups"
    good = backups_in(place)

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(f"prospecting.actions.keeping.{step}", full)
    with pytest.raises(Refused, match="No space left on device"):
        backup(tmp_path)
    assert backups_in(place) == good
    assert not list(place.glob(".unfinished-*"))
    assert "No space left" in read_state(place).failure.said
    monkeypatch.undo()
    backup(tmp_path)
    assert read_state(place).failure is None


@ON_SQLITE
def test_an_unsound_database_is_not_called_a_backup(tmp_path, photos):
    make_lot()
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA foreign_keys=OFF")
        cursor.execute("UPDATE prospecting_lot SET made_by_id = 999999")
    try:
        with pytest.raises(Refused, match="names a row of prospecting_step that is not there"):
            backup(tmp_path)
        assert backups_in(tmp_path / "backups") == []
    finally:
        with connection.cursor() as cursor:
            cursor.execute("DELETE FROM prospecting_origin")
            cursor.execute("DELETE FROM prospecting_lot")
            cursor.execute("PRAGMA foreign_keys=ON")


@pytest.mark.skipif("DATABASE_URL" not in os.environ, reason="speaks of PostgreSQL's own programs")
def test_without_the_servers_programs_it_says_what_to_install(tmp_path, photos, monkeypatch):
    monkeypatch.setattr(shutil, "which", lambda program: None)
    with pytest.raises(Refused, match="postgresql-client"):
        backup(tmp_path)


@pytest.mark.skipif("DATABASE_URL" not in os.environ, reason="speaks of PostgreSQL's own programs")
def test_no_password_stands_on_a_command_line(tmp_path, photos, monkeypatch):
    # The server's own, where it asks for one; where it asks for none, any will do.
    password = connection.settings_dict["PASSWORD"]
    if len(password) < 8:
        password = "quartz-and-shovels"
        monkeypatch.setitem(connection.settings_dict, "PASSWORD", password)
    seen = []
    run = subprocess.run

    def watch(command, **options):
        seen.append((command, options["env"].get("PGPASSWORD")))
        return run(command, **options)

    monkeypatch.setattr(database_copy.subprocess, "run", watch)
    backup(tmp_path)
    assert [given for _, given in seen] == [password] * 2
    assert not any(password in word for command, _ in seen for word in command)


def test_a_damaged_old_one_keeps_no_new_one_from_being_made(tmp_path, photos):
    make_photo(make_member())
    (backup(tmp_path).folder / "files.sha256").write_text("nonsense")
    assert faults_of_backup(backup(tmp_path).folder) == []


def test_two_at_once_are_refused(tmp_path, photos, monkeypatch):
    place = tmp_path / "backups"

    def meanwhile(target):
        with pytest.raises(Refused, match="Another backup"):
            make_backup(place=place, site_version="abc")
        raise OSError("enough")

    monkeypatch.setattr("prospecting.actions.keeping.copy_database", meanwhile)
    with pytest.raises(Refused, match="enough"):
        backup(tmp_path)


def test_old_ones_are_thinned_out_and_other_folders_left_alone(tmp_path, photos):
    place = tmp_path / "backups"
    first = backup(tmp_path).folder
    now = timezone.now()
    for days in range(1, 60):
        shutil.copytree(first, place / name_at(now - timedelta(days=days)))
    (place / "notes").mkdir()
    (place / name_at(now - timedelta(days=300))).mkdir()
    # A clock that ran ahead once: the one made now is not thrown away for it.
    shutil.copytree(first, place / name_at(now + timedelta(days=400)))
    made = backup(tmp_path)
    left = backups_in(place)
    assert made.folder in left
    assert 8 <= len(left) <= 15
    assert len(made.removed) == 62 - len(left)
    assert (place / "notes").is_dir()
    # No manifest: nobody knows what it is, so nobody removes it.
    assert (place / name_at(now - timedelta(days=300))).is_dir()


def test_what_a_killed_one_left_goes_at_the_next(tmp_path, photos):
    place = tmp_path / "backups"
    left = place / ".unfinished-books-20260101T000000Z"
    left.mkdir(parents=True)
    (left / "books.sqlite3").write_bytes(b"half")
    assert backup(tmp_path).folder.exists()
    assert not left.exists()


def test_notes_that_cannot_be_read_are_no_notes(tmp_path):
    for text in ("", "[]", '{"drill": 3}', '{"drill": {"at": "x"}}', '{"failure": {"said": "no"}}'):
        tmp_path.joinpath("state.json").write_text(text)
        state = read_state(tmp_path)
        assert (state.failure, state.drill) == (None, None), text


def test_backups_made_while_others_write_are_sound_and_miss_nothing(tmp_path, photos):
    """The short form of tests/load/test_backup_under_load.py, without a server."""
    stop, acknowledged, wrong = threading.Event(), [], []

    def write() -> None:
        try:
            while not stop.is_set():
                acknowledged.append(write_event(member=None, kind="keeping", label="w", what="wrote").pk)
        except Exception as error:
            wrong.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=write) for _ in range(4)]
    for thread in threads:
        thread.start()
    try:
        for _ in range(2):
            before = len(acknowledged)
            made = backup(tmp_path)
            assert made.manifest.journal["entries"] >= before
    finally:
        stop.set()
        for thread in threads:
            thread.join(timeout=60)
    assert wrong == []
    assert acknowledged
    for folder in backups_in(tmp_path / "backups"):
        assert faults_of_backup(folder) == []
        told = json.loads((folder / "manifest.json").read_text())
        assert told["tables"]["prospecting_journalentry"] == told["journal"]["entries"]


@ON_SQLITE
def test_a_backup_whose_list_leaves_the_database_out_is_no_backup(tmp_path, photos):
    made = backup(tmp_path)
    listed = made.folder / HASHES
    lines = listed.read_text().splitlines(keepends=True)
    listed.write_text("".join(line for line in lines if "books.sqlite3" not in line))
    assert faults_of_backup(made.folder) == ["The database, books.sqlite3, is not among its files."]
