from decimal import Decimal
from io import BytesIO
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from prospecting.actions.photos import keep_photo
from prospecting.models import JournalEntry
from tests.make import make_member


def kept_photo(size=(40, 30)):
    buffer = BytesIO()
    Image.new("RGB", size, "brown").save(buffer, "PNG")
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


@pytest.mark.django_db
def test_the_small_one_is_for_members_too_and_an_old_photo_shows_itself(client_as, client):
    photo = kept_photo((800, 600))
    url = photo.get_thumb_url()
    assert client.get(url).status_code == 302
    assert client_as("guest").get(url).status_code == 403
    member = client_as("member")
    answer = member.get(url)
    assert Image.open(BytesIO(answer.getvalue())).size == (320, 240)
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert "private" in answer.headers["Cache-Control"]
    photo.thumb = ""
    photo.save()
    assert Image.open(BytesIO(member.get(url).getvalue())).size == (800, 600)


def scale(client, photo, **typed):
    return client.post(photo.get_scale_url(), {"identity": str(uuid4())} | typed)


@pytest.mark.django_db
def test_two_taps_and_a_length_give_the_scale(client_as, django_assert_max_num_queries):
    photo, member = kept_photo((1600, 1200)), client_as("member")
    assert client_as("guest").get(photo.get_scale_url()).status_code == 403
    with django_assert_max_num_queries(19):
        page = member.get(photo.get_scale_url()).content.decode()
    assert photo.get_absolute_url() in page
    # 300 across and 400 down are 500 apart; so many pixels for 5 cm are 10 to the millimetre.
    answer = scale(member, photo, length="5 cm", x1="100", y1="200", x2="400", y2="600", pixels="77")
    assert answer.status_code == 302
    assert answer.url == photo.get_scale_url()
    photo.refresh_from_db()
    assert photo.px_per_mm == 10
    assert "10 pixels are a millimetre" in member.get(answer.url).content.decode()


@pytest.mark.django_db
def test_the_number_of_pixels_may_be_typed(client_as):
    photo, member = kept_photo((1600, 1200)), client_as("member")
    assert scale(member, photo, length="50", pixels="600").status_code == 302
    photo.refresh_from_db()
    assert photo.px_per_mm == Decimal(12)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("length", "pixels", "asks"),
    [
        ("1 mm", "800", "2.0 mm wide"),
        ("50 m", "500", "160.0 m wide"),
        ("50 mm", "60", "only 60 pixels long"),
    ],
)
def test_a_scale_that_cannot_be_is_asked_about_and_kept_when_meant(client_as, length, pixels, asks):
    photo, member = kept_photo((1600, 1200)), client_as("member")
    answer = scale(member, photo, length=length, pixels=pixels)
    assert answer.status_code == 200
    assert asks in answer.content.decode()
    photo.refresh_from_db()
    assert photo.px_per_mm is None
    assert scale(member, photo, length=length, pixels=pixels, keep_as_typed="on").status_code == 302
    photo.refresh_from_db()
    assert photo.px_per_mm is not None


@pytest.mark.django_db
@pytest.mark.parametrize(
    "typed",
    [
        {},
        {"length": "50"},
        {"pixels": "500"},
        {"length": "0", "pixels": "500"},
        {"length": "-5", "pixels": "500"},
        {"length": "much", "pixels": "500"},
        {"length": "5 lb", "pixels": "500"},
        {"length": "9" * 40, "pixels": "500"},
        {"length": "100000 km", "pixels": "500"},
        {"length": "0.0000001 um", "pixels": "500"},
        {"length": "50 m", "pixels": "1", "keep_as_typed": "on"},
        {"length": "50", "pixels": "0"},
        {"length": "50", "pixels": "\0"},
        {"length": "50", "pixels": "1e400"},
        {"length": "50", "x1": "5", "y1": "5", "x2": "5", "y2": "5"},
        {"length": "50", "x1": "5", "y1": "5", "x2": "5"},
        {"length": "50", "x1": "NaN", "y1": "5", "x2": "5", "y2": "9"},
        {"length": "50", "x1": "-5", "y1": "5", "x2": "99999", "y2": "9"},
    ],
)
def test_nonsense_sets_no_scale_and_says_why(client_as, typed):
    photo, member = kept_photo((1600, 1200)), client_as("member")
    answer = scale(member, photo, **typed)
    assert answer.status_code == 200
    assert 'role="alert"' in answer.content.decode()
    photo.refresh_from_db()
    assert photo.px_per_mm is None


@pytest.mark.django_db
def test_digits_of_other_scripts_and_commas_are_read(client_as):
    photo, member = kept_photo((1600, 1200)), client_as("member")
    assert scale(member, photo, length="٥٠", pixels="512,5").status_code == 302
    photo.refresh_from_db()
    assert photo.px_per_mm == Decimal("10.25")


@pytest.mark.django_db
def test_a_scale_sent_twice_is_kept_once(client_as):
    photo, member = kept_photo((1600, 1200)), client_as("member")
    body = {"identity": str(uuid4()), "length": "50", "pixels": "500"}
    for _ in range(2):
        assert member.post(photo.get_scale_url(), body).status_code == 302
    assert JournalEntry.objects.about(photo).count() == 1
    assert member.get(reverse("photo-scale", args=[999_999])).status_code == 404
