import time
import zlib
from io import BytesIO

import pytest
from django.core.exceptions import PermissionDenied
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from prospecting.actions.photos import keep_photo
from prospecting.actions.refusal import Refused
from prospecting.models import Photo
from tests.make import make_member

pytestmark = pytest.mark.django_db

GPS_TAG = 0x8825
ORIENTATION_TAG = 0x0112
MAKER_TAG = 0x010F


def upload(data: bytes, name: str = "pan.jpg", content_type: str = "image/jpeg") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, data, content_type)


def jpeg(size=(60, 40), colour=(200, 160, 30), **options) -> bytes:
    out = BytesIO()
    Image.new("RGB", size, colour).save(out, "JPEG", **options)
    return out.getvalue()


def png_header(width: int, height: int) -> bytes:
    """A PNG that says it is this large and holds next to nothing (chunks as in the PNG specification, W3C, section 5)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return len(body).to_bytes(4, "big") + kind + body + zlib.crc32(kind + body).to_bytes(4, "big")

    header = width.to_bytes(4, "big") + height.to_bytes(4, "big") + bytes([8, 2, 0, 0, 0])
    pixels = zlib.compress(b"\0" * 1000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")


def test_position_and_comment_and_maker_are_gone():
    exif = Image.Exif()
    exif[MAKER_TAG] = "Telltale camera"
    # Tag numbers from the Exif 2.3 standard: GPS latitude 2 with its reference 1, longitude 4 with 3.
    exif.get_ifd(GPS_TAG).update({1: "N", 2: (45.0, 30.0, 15.0), 3: "W", 4: (117.0, 5.0, 2.0)})
    sent = jpeg(exif=exif, comment=b"dug at the secret spot")
    before = Image.open(BytesIO(sent))
    assert before.getexif().get_ifd(GPS_TAG)
    assert b"secret spot" in sent

    photo = keep_photo(upload=upload(sent), added_by=make_member())

    kept = photo.file.open().read()
    after = Image.open(BytesIO(kept))
    assert after.format == "JPEG"
    assert not after.getexif()
    assert "comment" not in after.info
    for hidden in (b"secret spot", b"Telltale", b"Exif", b"GPS"):
        assert hidden not in kept


def test_text_of_a_png_is_gone():
    from PIL.PngImagePlugin import PngInfo

    words = PngInfo()
    words.add_text("Comment", "dug at the secret spot")
    out = BytesIO()
    Image.new("RGB", (30, 30)).save(out, "PNG", pnginfo=words)
    photo = keep_photo(upload=upload(out.getvalue(), "pan.png", "image/png"), added_by=make_member())
    assert b"secret spot" not in photo.file.open().read()


def test_is_turned_upright_and_made_smaller():
    exif = Image.Exif()
    exif[ORIENTATION_TAG] = 6
    photo = keep_photo(upload=upload(jpeg((4000, 1000), exif=exif)), added_by=make_member())
    assert (photo.width_px, photo.height_px) == (400, 1600)
    assert Image.open(photo.file.open()).size == (400, 1600)


def test_the_name_of_the_file_says_nothing():
    photo = keep_photo(upload=upload(jpeg(), "secret-ridge.jpg"), added_by=make_member())
    assert "ridge" not in photo.file.name


def test_a_picture_of_too_many_pixels_is_refused_before_it_is_decoded():
    started = time.monotonic()
    with pytest.raises(Refused) as refusal:
        keep_photo(upload=upload(png_header(13_000, 13_000), "big.png"), added_by=make_member())
    assert time.monotonic() - started < 1
    assert refusal.value.code == "photo_too_many_pixels"
    assert refusal.value.field == "photo"
    assert Photo.objects.count() == 0


def test_a_picture_just_over_the_sites_own_limit_is_refused(settings):
    settings.PHOTO_MAX_PIXELS = 60 * 40 - 1
    with pytest.raises(Refused) as refusal:
        keep_photo(upload=upload(jpeg()), added_by=make_member())
    assert refusal.value.code == "photo_too_many_pixels"


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("drawing.svg", b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'),
        ("page.jpg", b"<!doctype html><html><script>alert(1)</script></html>"),
        ("empty.jpg", b""),
        ("cut.jpg", jpeg()[:200]),
        (
            "film.gif",
            b"GIF89a\x01\x00\x01\x00\x80\x00\x00\x00\x00\x00\xff\xff\xff,\x00\x00\x00\x00\x01\x00\x01\x00\x00\x02\x02D\x01\x00;",
        ),
        ("broken.png", png_header(30, 30)),
        ("nought.png", png_header(0, 0)),
        ("page.eps", b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 10 10\n"),
    ],
)
def test_what_is_no_picture_is_refused(name, data):
    with pytest.raises(Refused) as refusal:
        keep_photo(upload=upload(data, name), added_by=make_member())
    assert (refusal.value.code, refusal.value.field) == ("photo_unreadable", "photo")
    assert Photo.objects.count() == 0


def test_a_file_too_large_is_refused_unread(settings):
    settings.PHOTO_MAX_BYTES = 100
    with pytest.raises(Refused) as refusal:
        keep_photo(upload=upload(jpeg()), added_by=make_member())
    assert refusal.value.code == "photo_too_large"


# Pillow warns of the damage it reads past.
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_damaged_pictures_never_fail_otherwise():
    """Each byte of a picture with Exif data turned over in turn: kept or refused, nothing else."""
    exif = Image.Exif()
    exif[ORIENTATION_TAG] = 6
    exif.get_ifd(GPS_TAG).update({1: "N", 2: (45.0, 30.0, 15.0)})
    sent, member = jpeg((16, 16), exif=exif), make_member()
    for place in range(2, len(sent), 3):
        damaged = bytearray(sent)
        damaged[place] ^= 0xFF
        try:
            kept = keep_photo(upload=upload(bytes(damaged)), added_by=member).file.open().read()
        except Refused:
            continue
        assert b"Exif" not in kept


def test_a_guest_adds_no_picture():
    with pytest.raises(PermissionDenied):
        keep_photo(upload=upload(jpeg()), added_by=make_member("guest"))
