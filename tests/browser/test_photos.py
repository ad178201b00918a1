"""Photos on a phone: made small before they leave it, measured by two taps, and side by side at one scale."""

import base64
import io
import random
import re
from decimal import Decimal

import pytest
from django.urls import reverse
from PIL import Image

from prospecting.models import Photo
from tests import make
from tests.browser.test_pages import MEASURE, TOO_WIDE
from tests.prospecting.views.test_photos import kept_photo
from tests.trials.make_trial import log, make_running
from tests.trials.views.test_photos import make_photo
from trials.actions import running
from trials.models import Run

pytestmark = pytest.mark.django_db(transaction=True)
SLOW_MS = 30_000

CHOSEN = """input => new Promise((done) => {
  const reader = new FileReader();
  reader.onload = () => done([input.files[0].name, reader.result.split(",")[1]]);
  reader.readAsDataURL(input.files[0]);
})"""


def camera_picture() -> bytes:
    """As a phone held upright writes it: 3200 by 2400 lying on its side (Exif orientation 6), with a position and grain."""
    exif = Image.Exif()
    exif[0x0112] = 6
    exif.get_ifd(0x8825).update({1: "N", 2: (45.0, 30.0, 15.0), 3: "W", 4: (117.0, 5.0, 2.0)})
    grain = (
        Image.frombytes("L", (400, 300), random.Random(1).randbytes(120_000))
        .resize((3200, 2400))
        .convert("RGB")
    )
    # What lies left in the file stands on top of the upright picture.
    grain.paste((10, 20, 220), (0, 0, 800, 2400))
    out = io.BytesIO()
    grain.save(out, "JPEG", quality=92, exif=exif)
    return out.getvalue()


def choose(page, data: bytes, name: str = "pan.jpg", kind: str = "image/jpeg") -> None:
    fold = page.locator("details:has([name=photo])").first
    if fold.count() and fold.get_attribute("open") is None:
        fold.locator("summary").first.tap()
    page.locator("[name=photo]").set_input_files({"name": name, "mimeType": kind, "buffer": data})


def in_the_form(page) -> tuple[str, bytes]:
    name, data = page.locator("[name=photo]").evaluate(CHOSEN)
    return name, base64.b64decode(data)


@pytest.fixture
def pan_page(phone_as):
    page = phone_as("member", mass_unit="g")
    page.set_default_timeout(SLOW_MS)
    page.goto(reverse("run-add", args=[make.make_lot("5000").code]))
    return page


def test_a_picture_is_made_small_upright_and_without_position_before_it_is_sent(pan_page):
    sent = camera_picture()
    assert Image.open(io.BytesIO(sent)).getexif().get_ifd(0x8825)
    choose(pan_page, sent)
    pan_page.get_by_text(re.compile(r"1200 by 1600 pixels, .* \(it was .* MB\)")).wait_for()
    pan_page.get_by_role("img", name="The picture as it will be kept").wait_for()
    name, small = in_the_form(pan_page)
    picture = Image.open(io.BytesIO(small))
    assert name == "photo.jpg"
    assert (picture.format, picture.size) == ("JPEG", (1200, 1600))
    assert not picture.getexif()
    assert b"Exif" not in small
    assert len(small) < len(sent) / 2
    top, bottom = picture.getpixel((600, 20)), picture.getpixel((600, 1580))
    assert top[2] > top[0] + 100, "the blue edge stands on top"
    assert abs(bottom[2] - bottom[0]) < 60


@pytest.mark.long
def test_the_small_one_is_what_the_site_keeps(pan_page):
    choose(pan_page, camera_picture())
    pan_page.get_by_text("Nothing hidden is left in it").wait_for()
    pan_page.locator("[name=portion]").fill("454 g")
    pan_page.locator("[name=fine]").fill("3")
    pan_page.locator("main form button[type=submit]").last.tap()
    pan_page.wait_for_url(re.compile(r"/pans/\d+/"))
    photo = Run.objects.get().photo
    assert (photo.width_px, photo.height_px) == (1200, 1600)
    pan_page.get_by_alt_text(re.compile("Photo of run")).scroll_into_view_if_needed()
    box = pan_page.get_by_alt_text(re.compile("Photo of run")).bounding_box()
    assert box["height"] > box["width"] > 0


@pytest.mark.long
def test_a_form_sent_at_once_waits_for_the_small_picture(pan_page):
    pan_page.evaluate(
        """() => { const real = window.createImageBitmap;
        window.createImageBitmap = async (...given) => {
          await new Promise((done) => setTimeout(done, 1500)); return real(...given); };
        document.addEventListener("submit", (event) =>
          sessionStorage.setItem("size", event.target.elements.photo.files[0].size)); }"""
    )
    pan_page.locator("[name=portion]").fill("454 g")
    pan_page.locator("[name=fine]").fill("3")
    sent = camera_picture()
    choose(pan_page, sent)
    pan_page.locator("main form button[type=submit]").last.tap()
    pan_page.wait_for_url(re.compile(r"/pans/\d+/"))
    assert 0 < int(pan_page.evaluate("sessionStorage.getItem('size')")) < len(sent) / 2
    assert Photo.objects.count() == Run.objects.count() == 1


@pytest.mark.long
def test_another_picture_is_taken_or_none(pan_page):
    choose(pan_page, camera_picture())
    pan_page.get_by_text("1200 by 1600").wait_for()
    with pan_page.expect_file_chooser() as chooser:
        pan_page.get_by_role("button", name="Take it again").tap()
    other = io.BytesIO()
    Image.new("RGB", (300, 200), "brown").save(other, "PNG")
    chooser.value.set_files({"name": "b.png", "mimeType": "image/png", "buffer": other.getvalue()})
    pan_page.get_by_text("300 by 200").wait_for()
    assert pan_page.locator(".photo-chosen canvas").count() == 1
    pan_page.get_by_role("button", name="Leave the photo out").tap()
    assert pan_page.locator("[name=photo]").evaluate("input => input.files.length") == 0
    pan_page.locator(".photo-chosen").wait_for(state="hidden")


@pytest.mark.long
def test_what_the_phone_cannot_read_is_left_for_the_site_to_judge(pan_page):
    # The first bytes of a HEIC file (ISO 14496-12 file type box); no Chromium decodes one.
    odd = b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + b"\0" * 3000
    choose(pan_page, odd, "IMG_1.HEIC", "image/heic")
    pan_page.get_by_text("This phone can't make this picture small (3 kB).").wait_for()
    assert in_the_form(pan_page) == ("IMG_1.HEIC", odd)


def test_two_taps_set_the_scale(phone_as):
    photo = kept_photo((1600, 1200))
    page = phone_as("member")
    page.set_default_timeout(SLOW_MS)
    page.goto(photo.get_scale_url())
    picture = page.locator("[data-scale-picture]")
    picture.scroll_into_view_if_needed()
    box = picture.bounding_box()
    at = [{"x": box["width"] * share, "y": box["height"] / 2} for share in (0.25, 0.5, 0.75)]
    picture.tap(position=at[0])
    page.get_by_text("One end is set").wait_for()
    picture.tap(position=at[1])
    page.get_by_text(re.compile("The bar is (39[6-9]|40[0-4]) pixels long")).wait_for()
    # A third tap moves the nearer end.
    picture.tap(position=at[2])
    page.get_by_text(re.compile("The bar is (79[6-9]|80[0-4]) pixels long")).wait_for()
    page.get_by_label("Length of the scale bar").fill("80 mm")
    page.get_by_role("button", name="Keep the scale").tap()
    page.get_by_text("Its scale is known").wait_for()
    photo.refresh_from_db()
    assert abs(photo.px_per_mm - 10) < Decimal("0.1")


@pytest.mark.long
def test_without_a_script_the_pixels_are_typed(open_page, client_as):
    photo = kept_photo((1600, 1200))
    page = open_page(signed_in_as=client_as("member"), java_script_enabled=False)
    page.goto(photo.get_scale_url())
    page.locator("[name=pixels]").fill("600")
    page.locator("[name=length]").fill("5 cm")
    page.get_by_role("button", name="Keep the scale").tap()
    page.get_by_text("Its scale is known").wait_for()
    photo.refresh_from_db()
    assert photo.px_per_mm == 12


def test_the_photos_of_a_closed_block_stand_at_one_scale(phone_as):
    page = phone_as("member")
    page.set_default_timeout(SLOW_MS)
    trial = make_running(names=("plain water", "rinse low"), blocks=2)
    block = trial.blocks.get(number=1)
    for planned, scale in zip(block.planned_runs.all(), ("10", "20"), strict=True):
        log(planned, page.member, photo=make_photo(page.member, px_per_mm=scale))
    running.close_block(block=block, closed_by=page.member)
    page.goto(reverse("block-photos", args=[trial.pk, 1]))
    widths = sorted(one.bounding_box()["width"] for one in page.locator(".at-one-scale image").all())
    # 160 mm and 80 mm across, drawn in proportion; and no wider than the phone.
    assert widths[1] / widths[0] == pytest.approx(2, rel=0.01)
    bars = {round(one.bounding_box()["width"]) for one in page.locator(".at-one-scale .length").all()}
    assert len(bars) == 1
    for address in (page.url, Photo.objects.latest("pk").get_scale_url()):
        page.goto(address)
        assert page.evaluate(MEASURE, False) == [], address
        page.set_viewport_size({"width": 360, "height": 740})
        for scale in ("", "212.5%"):
            width, wide = page.evaluate(TOO_WIDE, scale)
            assert width <= 360, (address, scale, wide)
