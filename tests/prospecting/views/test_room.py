import re

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from prospecting.actions.photos import keep_photo
from tests.make import make_member
from tests.make_pictures import drawn

pytestmark = pytest.mark.django_db


def words(client) -> str:
    page = client.get(reverse("keeping")).content.decode()
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def test_a_keeper_reads_who_takes_how_much(client_as, settings):
    keeper = client_as("keeper")
    assert "Nobody keeps any picture or file yet." in words(keeper)
    member = make_member(first_name="Hoarder", last_name="")
    photo = keep_photo(upload=SimpleUploadedFile("pan.jpg", drawn("JPEG")), added_by=member)
    said = words(keeper)
    assert "one member may take 2,000 MB" in said
    assert "Hoarder less than 1 MB nothing nothing less than 1 MB" in said
    assert "There is no room left" not in said
    settings.SITE_QUOTA_BYTES = photo.size_bytes
    assert "There is no room left" in words(keeper)
