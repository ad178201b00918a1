import html
import io
import re
import uuid
import zipfile

import pytest
from django.urls import reverse
from django.utils import timezone
from openpyxl import load_workbook

from prospecting.actions.keeping import alone_in
from prospecting.models import JournalEntry, Photo
from tests.trials.make_trial import make_closed, make_running
from trials.models import KeyOpening
from trials.views.books import WAYS

pytestmark = pytest.mark.django_db

URL = "/books/"
OWN = {"kept_safe": "on", "current_password": "a long enough password"}


def words(response) -> str:
    return html.unescape(" ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split()))


def asked(kind: str = "zip", **typed) -> dict:
    return OWN | {"kind": kind, "identity": str(uuid.uuid4())} | typed


def body(response) -> bytes:
    return b"".join(response.streaming_content)


def test_the_whole_books_are_a_keepers(client, client_as):
    assert reverse("whole-books") == URL
    assert client.get(URL).status_code == 302
    for role in ("guest", "member"):
        assert client_as(role).get(URL).status_code == 403
        assert client_as(role).post(URL, {"kind": "zip", "kept_safe": "on"}).status_code == 403
    assert not JournalEntry.objects.filter(subject_kind="export").exists()


def test_a_look_at_the_page_takes_nothing_along(client_as, django_assert_max_num_queries):
    keeper = client_as("keeper")
    with django_assert_max_num_queries(6):
        page = keeper.get(URL)
    assert "keys of blocks that are still open" in words(page)
    assert not JournalEntry.objects.filter(subject_kind__in=["export", "peek"]).exists()


@pytest.mark.parametrize("kind", ["zip", "xlsx"])
def test_a_keeper_takes_them_as_a_file_and_the_journal_keeps_that(client_as, kind):
    make_closed(lambda planned: "8.0")
    keeper = client_as("keeper")
    response = keeper.post(URL, asked(kind))
    data = body(response)
    assert response["Content-Disposition"].endswith(f'.{kind}"')
    assert (response["Cache-Control"], response["X-Content-Type-Options"]) == ("private, no-store", "nosniff")
    if kind == "zip":
        assert "tables/lot.jsonl" in zipfile.ZipFile(io.BytesIO(data)).namelist()
    else:
        assert "lot" in load_workbook(io.BytesIO(data), read_only=True).sheetnames
    entry = JournalEntry.objects.get(subject_kind="export")
    assert (entry.member, entry.subject_label) == (keeper.member, "Whole books")
    assert not KeyOpening.objects.filter(reason="took a file of the whole books").exists()


def test_whoever_takes_hidden_keys_along_says_so_first_and_is_on_record(client_as):
    trial = make_running()
    keeper = client_as("keeper")
    assert "I know that I am no longer blind" in words(keeper.get(URL))
    refused = keeper.post(URL, asked())
    assert not refused.streaming and "the file holds keys that are still hidden" in words(refused)
    assert not trial.key_openings.exists()
    assert keeper.post(URL, asked(not_blind="on")).streaming
    opening = trial.key_openings.get()
    assert (opening.member, opening.reason) == (keeper.member, "took a file of the whole books")


@pytest.mark.parametrize(
    ("sent", "sentence"),
    [
        ({}, "Tick this: the file tells where the ground is"),
        ({"kind": "exe", "kept_safe": "on"}, "Choose one of the two."),
        ({"kept_safe": "on"}, "Choose one of the two."),
        (asked(current_password="a guess"), "This is not your password."),
        (asked(current_password=""), "This field is required."),
    ],
)
def test_what_is_missing_is_said_beside_it_and_no_file_leaves(client_as, sent, sentence):
    page = client_as("keeper").post(URL, sent)
    assert not page.streaming and sentence in words(page)
    assert not JournalEntry.objects.filter(subject_kind="export").exists()


def test_a_table_too_long_for_a_sheet_is_said_and_nothing_leaves(client_as, monkeypatch):
    monkeypatch.setattr("prospecting.frames.books_out.MOST_SHEET_ROWS", 1)
    page = client_as("keeper").post(URL, asked("xlsx"))
    assert not page.streaming and "Take the ZIP instead." in words(page)
    assert not JournalEntry.objects.filter(subject_kind="export").exists()


def test_a_full_disk_is_said(client_as, monkeypatch):
    def full(*args, **kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("trials.views.books.TemporaryFile", full)
    page = client_as("keeper").post(URL, asked())
    assert page.status_code == 200 and "disk may be full" in words(page)


def test_no_file_is_begun_that_would_fill_the_disk(client_as, settings, monkeypatch):
    monkeypatch.setattr("trials.views.books.TemporaryFile", lambda **_: pytest.fail("it was begun"))
    keeper = client_as("keeper")
    Photo.objects.create(file="x.jpg", width_px=4, height_px=3, size_bytes=10**15, added_by=keeper.member)
    page = keeper.post(URL, asked())
    assert not page.streaming and "has no room left for such a file beside the books" in words(page)
    # The spreadsheet has no photos in it.
    monkeypatch.undo()
    assert keeper.post(URL, asked("xlsx")).streaming


def test_one_is_written_at_a_time(client_as, settings):
    keeper = client_as("keeper")
    with alone_in(settings.DATA_DIR, ".whole-books-lock", ""):
        page = keeper.post(URL, asked())
        assert not page.streaming and "being written as a file right now" in words(page)
    assert keeper.post(URL, asked()).streaming


def test_a_key_that_was_hidden_when_the_file_was_begun_is_on_record(client_as, monkeypatch):
    trial = make_running()

    def write(file):
        trial.blocks.update(closed_at=timezone.now())

    monkeypatch.setitem(WAYS, "zip", ("ZIP", write, "application/zip"))
    assert client_as("keeper").post(URL, asked(not_blind="on")).streaming
    assert trial.key_openings.get().reason == "took a file of the whole books"


def test_it_names_the_command_that_takes_the_file_in(client_as):
    assert "import_books" in words(client_as("keeper").get(URL))
