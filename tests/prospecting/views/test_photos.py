from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from prospecting.actions.photos import keep_photo
from tests.make import make_member


def kept_photo():
    buffer = BytesIO()
    Image.new("RGB", (40, 30), "brown").save(buffer, "PNG")
    return keep_photo(upload=SimpleUploadedFile("hole.png", buffer.getvalue()), added_by=make_member())


@pytest.mark.django_db
def test_members_see_a_photo_and_guests_do_not(client_as, client, django_assert_max_num_queries):
    photo = kept_photo()
    url = photo.get_absolute_url()
    assert client.get(url).status_code == 302
    assert client_as("guest").get(url).status_code == 403
    member = client_as("member")
    with django_assert_max_num_queries(19):
        answer = member.get(url)
    assert answer.status_code == 200
    assert Image.open(BytesIO(answer.getvalue())).size == (40, 30)
    assert answer.headers["Content-Type"] == "image/jpeg"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Content-Disposition"] == f'inline; filename="photo-{photo.pk}.jpg"'
    assert "private" in answer.headers["Cache-Control"]


@pytest.mark.django_db
def test_a_missing_file_is_a_missing_page(client_as):
    photo = kept_photo()
    photo.file.storage.delete(photo.file.name)
    member = client_as("member")
    assert member.get(photo.get_absolute_url()).status_code == 404
    assert member.get("/photos/999999/").status_code == 404
