"""What is taken stands beside every file field (ASVS 5.0, v5.0.0-5.1.1)."""

import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.urls import reverse

from prospecting.calc.accepted_files import CERTIFICATE, PAPER, PHOTO, POSITIONS, RUN_TABLE
from prospecting.forms.assays import UploadForm
from prospecting.forms.claim_papers import ClaimPaperForm
from prospecting.forms.files import AcceptedFileField
from prospecting.forms.ground import DigForm
from prospecting.forms.photos import PhotoField
from prospecting.forms.positions import PositionFileForm
from prospecting.models import ClaimPaper, Photo
from prospecting.readers import picture
from tests.make import make_claim, make_zone
from tests.make_pictures import drawn
from trials.forms.clearing import ReadForm
from trials.forms.importing import RunFileForm
from trials.forms.judging import JudgingForm
from trials.forms.runs import RunForm


@pytest.mark.parametrize(
    "form, name, accepted",
    [
        (DigForm, "photo", PHOTO),
        (RunForm, "photo", PHOTO),
        (JudgingForm, "photo", PHOTO),
        (ReadForm, "photo", PHOTO),
        (ClaimPaperForm, "upload", PAPER),
        (UploadForm, "upload", CERTIFICATE),
        (RunFileForm, "upload", RUN_TABLE),
        (PositionFileForm, "upload", POSITIONS),
    ],
)
def test_what_is_taken_stands_beside_the_field(form, name, accepted):
    field = form.base_fields[name]
    assert isinstance(field, AcceptedFileField)
    assert field.help_text.startswith(accepted.in_words())
    assert field.widget.attrs["accept"] == accepted.accept
    assert field.widget.attrs["data-most-bytes"] == accepted.most_bytes


def test_a_photo_is_made_small_on_the_phone_and_taken_by_its_camera():
    assert "data-shrink" in PhotoField().widget.attrs
    assert PhotoField().widget.attrs["capture"] == "environment"
    assert "capture" not in PhotoField(from_camera=False).widget.attrs


@pytest.mark.django_db(transaction=True)
def test_a_picture_is_read_once_and_before_the_transaction_begins(client_as, monkeypatch):
    """Inside one it would hold up everybody else's entries on SQLite."""
    within, real = [], picture.redrawn

    def watched(data, **options):
        within.append(connection.in_atomic_block)
        return real(data, **options)

    monkeypatch.setattr(picture, "redrawn", watched)
    member, upload = client_as("member"), SimpleUploadedFile("hole.jpg", drawn("JPEG"))
    dig = {
        "zone": make_zone().pk,
        "station": "S1",
        "done_on": "2026-05-04",
        "digger": "A. Digger",
        "sample_kind": "bulk",
    }
    dig |= {"is_dry": "wet", "mass_1": "10 kg", "identity": str(uuid.uuid4()), "photo": upload}
    assert member.post(reverse("dig-add"), dig).status_code == 302
    upload.seek(0)
    paper = {"title": "Post", "identity": str(uuid.uuid4()), "upload": upload}
    assert member.post(reverse("claim-paper-add", args=[make_claim().pk]), paper).status_code == 302
    assert (Photo.objects.count(), ClaimPaper.objects.count()) == (1, 1)
    assert within == [False, False]
