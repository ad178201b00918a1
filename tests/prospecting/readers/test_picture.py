"""Pictures made to do harm are refused before they cost anything; whatever is read leaves all that was hidden behind."""

import os
import subprocess
import sys
from io import BytesIO

import pytest
from PIL import Image

from prospecting.calc.accepted_files import MOST_PIXELS, MOST_SCANS, PHOTO
from prospecting.readers import picture
from prospecting.readers.picture import PictureRefused, kind_of, redrawn, scans_of
from tests.make_pictures import (
    HOSTILE,
    PLANTED,
    drawn,
    exif_of,
    jpeg_of_scans,
    jpeg_resized,
    jpeg_segment,
    jpeg_with_an_end_within,
    located_pictures,
    noise,
    png_of_header,
)

ENDINGS = {"jpg": "JPEG", "png": "PNG", "webp": "WebP", "heic": "HEIC", "avif": "AVIF"}


def processor_s() -> float:
    """Of this process and those it started."""
    return sum(os.times()[:4])


@pytest.mark.parametrize("name", HOSTILE)
def test_is_refused_at_once(name):
    """ASVS 5.0, v5.0.0-5.2.6 (pixels) and 5.2.2 (content). Two seconds of a processor are our own bar."""
    data = HOSTILE[name]()
    assert len(data) < PHOTO.most_bytes
    started = processor_s()
    with pytest.raises(PictureRefused):
        redrawn(data, longest_px=1600)
    assert processor_s() - started < 2


@pytest.mark.parametrize("name", dict(located_pictures()))
def test_nothing_of_a_planted_position_is_left(name):
    """ASVS 5.0, v5.0.0-14.2.8."""
    data = dict(located_pictures())[name]()
    if name != "profile.png":
        # The trap is set. PNG packs its profile.
        assert any(planted in data for planted in PLANTED)
    read = redrawn(data, longest_px=1600)
    assert read.kind == ENDINGS[name.rpartition(".")[2]]
    assert set(read.picture.size) == {64, 48}
    assert read.picture.mode == "RGB"
    assert not read.picture.info and not read.picture.getexif()
    out = BytesIO()
    read.picture.save(out, "JPEG")
    assert not [planted for planted in PLANTED if planted in out.getvalue()]


def test_there_are_fifty_of_them():
    assert len(list(located_pictures())) >= 50


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIF", "AVIF"])
def test_stands_upright_whatever_its_kind(kind):
    lying = Image.new("RGB", (80, 60), "red")
    lying.paste("blue", (0, 0, 20, 60))
    out = BytesIO()
    drawn("HEIF")
    # Pillow's writer of HEIC turns the picture only where the Exif data come as bytes.
    lying.save(out, kind, exif=exif_of().tobytes())
    read = redrawn(out.getvalue(), longest_px=1600).picture
    assert read.size == (60, 80)
    red, _, blue = read.getpixel((30, 3))
    assert blue > 150 > red


def test_the_first_picture_of_a_film_is_taken():
    first, second = Image.new("RGB", (64, 48), "red"), Image.new("RGB", (64, 48), "blue")
    for kind in ("WEBP", "AVIF", "PNG"):
        out = BytesIO()
        first.save(out, kind, save_all=True, append_images=[second] * 20)
        red, _, blue = redrawn(out.getvalue(), longest_px=1600).picture.getpixel((30, 20))
        assert red > 200 and blue < 60, kind


def test_what_is_clear_becomes_white_and_deep_grey_stays_grey():
    out = BytesIO()
    Image.new("RGBA", (10, 10), (0, 0, 0, 0)).save(out, "PNG")
    assert redrawn(out.getvalue(), longest_px=1600).picture.getpixel((5, 5)) == (255, 255, 255)
    out = BytesIO()
    Image.new("P", (10, 10), 0).save(out, "PNG", transparency=0)
    assert redrawn(out.getvalue(), longest_px=1600).picture.getpixel((5, 5)) == (255, 255, 255)
    out = BytesIO()
    Image.new("I;16", (10, 10), 32_768).save(out, "PNG")
    assert redrawn(out.getvalue(), longest_px=1600).picture.getpixel((5, 5)) == (128, 128, 128)


@pytest.mark.parametrize("mode", ["L", "CMYK", "RGB", "P", "1", "LA"])
def test_every_mode_of_colour_is_read(mode):
    kind = "JPEG" if mode == "CMYK" else "PNG"
    out = BytesIO()
    Image.new("RGB", (10, 10), "white").convert(mode).save(out, kind)
    assert min(redrawn(out.getvalue(), longest_px=1600).picture.getpixel((5, 5))) > 240


def test_scans_are_counted_in_the_first_picture_alone():
    plain, progressive = drawn("JPEG", (64, 48)), drawn("JPEG", (64, 48), progressive=True)
    assert scans_of(plain) == 1
    assert 1 < scans_of(progressive) < MOST_SCANS
    assert scans_of(plain[:-2] + b"\xff\xd9" + progressive) == 1
    assert scans_of(jpeg_of_scans(30, (64, 64))) == scans_of(drawn("JPEG", (64, 64), progressive=True)) + 30
    # Whatever stands in a segment is no scan of this picture.
    within = b"\xff\xe1\x00\x0a" + b"\xff\xda" * 4
    assert scans_of(plain[:2] + within + plain[2:]) == 1
    assert scans_of(b"\xff\xd8\xff\xe0\x00\x00") == 0
    few = jpeg_with_an_end_within(jpeg_segment(0xFE, b"\xff\xd9\xff\xda"), scans=5)
    assert scans_of(few) == scans_of(drawn("JPEG", (64, 64), progressive=True)) + 5


def test_many_scans_are_read_as_long_as_they_are_few():
    assert redrawn(jpeg_of_scans(10, (64, 64)), longest_px=1600).picture.size == (64, 64)


def test_one_pixel_too_many():
    side = 8000
    assert side * (MOST_PIXELS // side) == MOST_PIXELS
    for data in (png_of_header(side, MOST_PIXELS // side + 1), jpeg_resized(side, MOST_PIXELS // side + 1)):
        with pytest.raises(PictureRefused) as refusal:
            redrawn(data, longest_px=1600)
        assert refusal.value.code == "too_many_pixels"


@pytest.mark.parametrize(
    "data", [b"", b"\xff\xd8", b"RIFF\x10\0\0\0WAVE", b"\0\0\0\x10ftypmp42", b"<svg/>", b"%PDF-1.7", b"BM" + bytes(60)]
)  # fmt: skip
def test_no_picture_by_its_first_bytes(data):
    with pytest.raises(PictureRefused) as refusal:
        kind_of(data)
    assert refusal.value.code == "unreadable"


class TestReadApart:
    def test_what_costs_little_is_read_here(self, monkeypatch):
        monkeypatch.setattr(picture, "_drawn_apart", lambda *_: pytest.fail("a process for a small picture"))
        for kind in ("JPEG", "PNG"):
            assert redrawn(drawn(kind, (1600, 1200)), longest_px=1600).picture.size == (1600, 1200)
        # An eighth of its sides is enough.
        assert redrawn(drawn("JPEG", (7300, 5475)), longest_px=800).picture.size == (800, 600)

    def test_a_jpeg_in_several_scans_is_read_apart(self, monkeypatch):
        monkeypatch.setattr(picture, "_drawn", lambda *_: pytest.fail("decoded in the web process"))
        for data in (
            drawn("JPEG", (64, 48), progressive=True),
            jpeg_with_an_end_within(jpeg_segment(0xFE, b"\xff\xd9"), scans=5),
        ):
            assert max(redrawn(data, longest_px=64).picture.size) == 64

    def test_who_waits_too_long_for_another_picture_is_told(self, monkeypatch):
        monkeypatch.setattr(picture, "MOST_SECONDS_WAITING", 0.01)
        with picture._ONE_AT_A_TIME, pytest.raises(PictureRefused) as refusal:
            redrawn(drawn("PNG"), longest_px=64)
        assert refusal.value.code == "too_costly"
        assert redrawn(drawn("PNG"), longest_px=64).kind == "PNG"

    @pytest.mark.parametrize(
        "most", [{"MOST_BYTES_APART": 120_000_000}, {"MOST_SECONDS_APART": 0.01}], ids=["memory", "time"]
    )
    def test_too_much_memory_or_time_is_a_refusal(self, most, monkeypatch):
        # The limits stand in the other process, which reads its own module: the source is changed for it.
        [(name, value)] = most.items()
        monkeypatch.setattr(picture, name, value)
        real = subprocess.run

        def run(command, **options):
            line = (
                f"import sys; sys.argv[1:] = ['1600']; from prospecting.readers import picture as p; p.{name} = {value}; "
                "sys.exit(p.main())"
            )
            return real([sys.executable, "-c", line], **options)

        if name == "MOST_BYTES_APART":
            monkeypatch.setattr(picture.subprocess, "run", run)
        with pytest.raises(PictureRefused) as refusal:
            redrawn(noise("WEBP", (3000, 3000), method=0), longest_px=1600)
        assert refusal.value.code == "too_costly"

    def test_no_secret_goes_along(self, monkeypatch):
        monkeypatch.setenv("PROSPECTING_SECRET_KEY", "x" * 60)
        seen = {}
        real = subprocess.run

        def run(command, *, env, **options):
            seen.update(env)
            return real(command, env=env, **options)

        monkeypatch.setattr(picture.subprocess, "run", run)
        redrawn(drawn("WEBP"), longest_px=1600)
        assert "PATH" in seen
        assert not [name for name in seen if name.startswith(("PROSPECTING", "DATABASE"))]

    def test_a_reader_that_falls_over_is_a_refusal(self, monkeypatch):
        crash = subprocess.CompletedProcess([], -11, b"", b"")
        monkeypatch.setattr(picture.subprocess, "run", lambda *_, **__: crash)
        with pytest.raises(PictureRefused) as refusal:
            redrawn(drawn("WEBP"), longest_px=1600)
        assert refusal.value.code == "too_costly"
