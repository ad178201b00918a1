from decimal import Decimal
from io import BytesIO

import pytest
from django.core.exceptions import PermissionDenied
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from prospecting.actions.claim_papers import add_claim_paper
from prospecting.actions.photos import keep_photo, set_scale
from prospecting.actions.refusal import Refused
from prospecting.calc.accepted_files import PHOTO
from prospecting.frames.books import faults_of_photos
from prospecting.models import ClaimPaper, JournalEntry, Photo
from prospecting.readers import picture
from tests.make import make_claim, make_member
from tests.make_pictures import LATITUDE, LONGITUDE, PLANTED, located_pictures, png_of_header

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


# As the picture holds it: a rational of degrees, minutes, seconds in Exif; a text of degrees in XMP (both standards spell it so);
# and words anybody can read.
SECRET_EXIF = {1: "N", 2: (45.0, 30.0, 15.25), 3: "W", 4: (117.0, 5.0, 2.5)}
SECRET_XMP = (
    b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    b'<rdf:Description xmlns:exif="http://ns.adobe.com/exif/1.0/" exif:GPSLatitude="45,30.254N" '
    b'exif:GPSLongitude="117,5.042W"/></rdf:RDF></x:xmpmeta>'
)
SECRET_WORDS = b"dug at the secret spot"


def located(kind: str) -> bytes:
    """A portrait picture of this kind as a phone writes it: lying on its side, with its position wherever the kind has room."""
    from PIL.PngImagePlugin import PngInfo

    exif = Image.Exif()
    exif[ORIENTATION_TAG] = 6
    exif[MAKER_TAG] = "Telltale camera"
    exif.get_ifd(GPS_TAG).update(SECRET_EXIF)
    drawn = Image.new("RGB", (800, 600), (200, 160, 30))
    # Lying on its side the top of the upright picture is the left edge, where orientation 6 turns it from.
    drawn.paste((10, 20, 200), (0, 0, 200, 600))
    out = BytesIO()
    if kind == "JPEG":
        drawn.save(out, kind, exif=exif, xmp=SECRET_XMP, comment=SECRET_WORDS, quality=95)
    elif kind == "PNG":
        words = PngInfo()
        words.add_text("Comment", SECRET_WORDS.decode())
        words.add_itxt("XML:com.adobe.xmp", SECRET_XMP.decode())
        drawn.save(out, kind, exif=exif, pnginfo=words)
    else:
        drawn.save(out, kind, exif=exif, xmp=SECRET_XMP, lossless=True)
    return out.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_neither_picture_nor_small_one_holds_a_position_and_both_stand_upright(kind):
    sent = located(kind)
    before = Image.open(BytesIO(sent))
    # The trap is set: what is looked for below was in what was sent.
    assert before.getexif().get_ifd(GPS_TAG)[2] == (45.0, 30.0, 15.25)
    assert b"45,30.254N" in sent

    photo = keep_photo(upload=upload(sent, f"pan.{kind.lower()}"), added_by=make_member())

    for stored, size in ((photo.file, (600, 800)), (photo.thumb, (240, 320))):
        kept = stored.open().read()
        after = Image.open(BytesIO(kept))
        assert (after.format, after.size) == ("JPEG", size)
        assert not after.getexif()
        assert not set(after.info) & {"exif", "xmp", "comment", "icc_profile"}
        for hidden in (b"Exif", b"GPS", b"45,30", b"117,5", b"adobe", b"Telltale", SECRET_WORDS):
            assert hidden not in kept
        top, bottom = after.getpixel((size[0] // 2, 10)), after.getpixel((size[0] // 2, size[1] - 10))
        assert top[2] > 150 > top[0], "the blue edge stands on top"
        assert bottom[0] > 150 > bottom[2]


@pytest.mark.parametrize(
    "name", [f"exif gps-maker-comment-words.{end}" for end in ("jpg", "png", "webp", "heic", "avif")]
)
def test_no_planted_position_is_in_any_file_or_row(name, settings):
    """Of a photo, its small one and a claim's paper, whatever the kind of picture; the upload's own name tells nothing either."""
    data, member = dict(located_pictures())[name](), make_member()
    assert any(planted in data for planted in PLANTED)
    told = f"{LATITUDE} {LONGITUDE} {name}"
    photo = keep_photo(upload=upload(data, told), added_by=member)
    paper = add_claim_paper(claim=make_claim(), upload=upload(data, name), title="Post", recorded_by=member)
    stored = [photo.file.open().read(), photo.thumb.open().read(), bytes(paper.file_bytes)]
    stored += [str(list(model.objects.values())).encode() for model in (Photo, JournalEntry)]
    stored.append(
        str(list(ClaimPaper.objects.defer("file_bytes").values("title", "file_name", "note"))).encode()
    )
    assert not [planted for planted in PLANTED for each in stored if planted in each]


def test_a_small_picture_is_never_made_larger():
    photo = keep_photo(upload=upload(jpeg((60, 40))), added_by=make_member())
    assert Image.open(photo.thumb.open()).size == (60, 40)
    assert photo.thumb.name != photo.file.name


def test_a_scale_is_kept_and_the_journal_says_what_stood_there():
    member = make_member()
    photo = keep_photo(upload=upload(jpeg()), added_by=member)
    assert photo.px_per_mm is None
    set_scale(photo=photo, px_per_mm=Decimal("12.5"), recorded_by=member)
    set_scale(photo=photo, px_per_mm=Decimal("12.5"), recorded_by=member)
    set_scale(photo=photo, px_per_mm=Decimal("10"), recorded_by=member)
    photo.refresh_from_db()
    assert photo.px_per_mm == 10
    lines = JournalEntry.objects.about(photo).order_by("pk")
    assert [line.changes["px_per_mm"] for line in lines] == [["", "12.5"], ["12.5000", "10"]]
    with pytest.raises(PermissionDenied):
        set_scale(photo=photo, px_per_mm=Decimal(1), recorded_by=make_member("guest"))


def test_the_check_of_the_books_knows_the_small_one_and_misses_it():
    photo = keep_photo(upload=upload(jpeg()), added_by=make_member())

    def said() -> list[str]:
        faults = [
            fault
            for fault in faults_of_photos()
            if photo.file.name in fault.where or photo.thumb.name in fault.where
        ]
        return [fault.what for fault in faults]

    assert said() == []
    # The room a member has left is reckoned from what the books say.
    there = photo.file.size + photo.thumb.size
    assert photo.size_bytes == there
    for wrong, words in ((there + 1, f"{there + 1:,} bytes"), (None, "nothing")):
        Photo.objects.update(size_bytes=wrong)
        assert said() == [f"its files take {there:,} bytes, the books say {words}."]
    photo.thumb.storage.delete(photo.thumb.name)
    assert said() == ["its small picture is missing."]


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
    with pytest.raises(Refused) as refusal:
        keep_photo(upload=upload(png_of_header(13_000, 13_000), "big.png"), added_by=make_member())
    assert refusal.value.code == "picture_too_many_pixels"
    assert refusal.value.field == "photo"
    assert Photo.objects.count() == 0


def test_a_picture_just_over_the_sites_own_limit_is_refused(monkeypatch):
    monkeypatch.setattr(picture, "MOST_PIXELS", 60 * 40 - 1)
    with pytest.raises(Refused) as refusal:
        keep_photo(upload=upload(jpeg()), added_by=make_member())
    assert refusal.value.code == "picture_too_many_pixels"


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
        ("broken.png", png_of_header(30, 30)),
        ("nought.png", png_of_header(0, 0)),
        ("page.eps", b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 10 10\n"),
    ],
)
def test_what_is_no_picture_is_refused(name, data):
    with pytest.raises(Refused) as refusal:
        keep_photo(upload=upload(data, name), added_by=make_member())
    assert (refusal.value.code, refusal.value.field) == ("picture_unreadable", "photo")
    assert Photo.objects.count() == 0


def test_a_file_too_large_is_refused_unread():
    """ASVS 5.0, v5.0.0-5.2.1."""
    sent = upload(jpeg())
    sent.size = PHOTO.most_bytes + 1
    with pytest.raises(Refused) as refusal:
        keep_photo(upload=sent, added_by=make_member())
    assert refusal.value.messages == ["The file has 12.1 MB; at most 12 MB are taken."]
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
