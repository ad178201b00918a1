"""Tags on paper and before the camera: what is printed is measured, and what is scanned is a picture of a printed tag."""

import base64
import io
import re
from pathlib import Path

import pytest
import segno
from django.urls import reverse
from PIL import Image, ImageFilter
from playwright.sync_api import expect

from prospecting.calc.codes import CHECK_LETTERS
from prospecting.models import Lot
from tests.make import make_blend, make_lot, make_portions, make_zone

PX_PER_MM = 96 / 25.4
DECODER = "jsqr-1.4.0.min.js"
CAMERA = ("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")
CAMERA_SIZE = (640, 480)


# For each tag of a sheet: class, left, top, right and bottom of each of its parts, in pixels from the sheet's corner.
PARTS = """(svg) => {
  const sheet = svg.getBoundingClientRect();
  const place = (part) => {
    const box = part.getBoundingClientRect();
    const edges = [box.left - sheet.left, box.top - sheet.top, box.right - sheet.left, box.bottom - sheet.top];
    return [part.getAttribute("class"), ...edges];
  };
  const parts = (tag) => [...tag.querySelectorAll(".edge, .square, text, .stripe, .sign")];
  return [...svg.querySelectorAll("[data-tag]")].map((tag) => parts(tag).map(place));
}"""


def tag_picture(page, lot: Lot, tape: int = 24) -> Image.Image:
    """The lot's tag as its page draws it."""
    page.goto(f"{reverse('lot-tag', args=[lot.code])}?tape={tape}")
    return Image.open(io.BytesIO(page.locator("svg.paper-sheet").screenshot())).convert("L")


def held(tag: Image.Image, *, turned: int = 8) -> Image.Image:
    """The tag as a camera sees it: held askew before something grey, in poor light and not quite sharp."""
    scene = Image.new("L", CAMERA_SIZE, 90)
    scale = CAMERA_SIZE[0] * 0.85 / tag.width
    small = tag.resize((round(tag.width * scale), round(tag.height * scale))).point(
        lambda light: 30 + light * 0.7
    )
    tilted = small.rotate(turned, expand=True, fillcolor=90, resample=Image.Resampling.BICUBIC)
    scene.paste(tilted, ((scene.width - tilted.width) // 2, (scene.height - tilted.height) // 2))
    return scene.filter(ImageFilter.GaussianBlur(0.6))


def square_of(text: str) -> Image.Image:
    kept = io.BytesIO()
    segno.make(text, error="q", micro=False).save(kept, kind="png", scale=8, border=4)
    return Image.open(kept).convert("L")


def film(path: Path, *pictures: Image.Image, frames_each: int = 30) -> str:
    """The pictures one after another as a film for the browser's stand-in camera (YUV4MPEG2, 4:2:0), and its switch."""
    with path.open("wb") as file:
        file.write(b"YUV4MPEG2 W%d H%d F30:1 Ip A1:1 C420jpeg\n" % CAMERA_SIZE)
        for picture in pictures:
            scene = Image.new("L", CAMERA_SIZE, 255)
            scene.paste(picture, ((scene.width - picture.width) // 2, (scene.height - picture.height) // 2))
            grey = bytes([128]) * (CAMERA_SIZE[0] * CAMERA_SIZE[1] // 4)
            file.write((b"FRAME\n" + scene.tobytes() + grey + grey) * frames_each)
    return f"--use-file-for-fake-video-capture={path}"


def png(picture: Image.Image) -> dict:
    kept = io.BytesIO()
    picture.save(kept, "PNG")
    return {"name": "tag.png", "mimeType": "image/png", "buffer": kept.getvalue()}


def requests_of(page) -> list[str]:
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    return asked


class TestPaper:
    def test_tags_lie_at_their_true_place_and_nothing_leaves_its_label(self, phone_as):
        zones = [
            make_zone(name=f"Zone {letter}, a name of some length", stripe=letter) for letter in "abcdefgh"
        ]
        lots = [make_lot("10200", zone=zone, title="WWWWWW MMMM 金鉱脈") for zone in zones]
        lots += make_portions(make_blend(*[(lot, "5000") for lot in lots]), 8)
        Lot.objects.filter(pk__in=[lots[0].pk, lots[9].pk]).update(is_marked=True)
        page = phone_as("member", mass_unit="lb")
        page.emulate_media(media="print")
        codes = "%0A".join(lot.code for lot in lots)
        for sheet, columns, wide, high, left, top in [
            ("a4-3x8", 3, 70, 37, 0, 0.5),
            ("a4-5x13", 5, 38.1, 21.2, 4.75, 10.7),
            ("us-letter-3x10", 3, 66.7, 25.4, 4.7, 12.7),
            ("tape-12", 1, 62, 12, 0, 0),
        ]:
            page.goto(f"{reverse('lot-tags')}?print=1&sheet={sheet}&first_label=1&codes={codes}")
            found = page.locator("svg.paper-sheet").first.evaluate(PARTS)
            assert len(found) == (1 if sheet.startswith("tape") else 16)
            across = {"a4-5x13": 2.5, "us-letter-3x10": 3.2}.get(sheet, 0)
            for number, parts in enumerate(found):
                (_, *edge), *others = parts
                x = left + number % columns * (wide + across)
                y = top + number // columns * high
                assert edge == pytest.approx([at * PX_PER_MM for at in (x, y, x + wide, y + high)], abs=0.5)
                for name, x0, y0, x1, y1 in others:
                    assert edge[0] <= x0 < x1 <= edge[2], (sheet, name)
                    # A text's box is higher than its letters by what hangs below and stands above them.
                    spare = 0 if name in ("square", "stripe", "sign") else 0.25 * (y1 - y0)
                    assert edge[1] <= y0 + spare < y1 - spare <= edge[3], (sheet, name)

    @pytest.mark.parametrize(
        ("sheet", "pages", "wide", "high"),
        [("a4-3x8", 2, 210, 297), ("us-letter-2x5", 3, 215.9, 279.4), ("tape-18", 25, 72, 18)],
    )
    def test_prints_on_paper_of_that_size_and_on_no_page_more(self, phone_as, sheet, pages, wide, high):
        portions = make_portions(make_lot("50000"), 25)
        page = phone_as("member")
        page.goto(f"{reverse('lot-tags')}?print=1&sheet={sheet}&first_label=1&step={portions[0].made_by.pk}")
        pdf = page.pdf(prefer_css_page_size=True)
        boxes = re.findall(rb"/MediaBox \[([\d. ]+)\]", pdf)
        assert len(boxes) == pages
        for box in boxes:
            _, _, right, top = map(float, box.split())
            # PDF counts in points of 1/72 inch; the browser's are whole pixels of 1/96 inch.
            assert (right, top) == pytest.approx((wide / 25.4 * 72, high / 25.4 * 72), abs=0.75)

    def test_stripes_are_told_apart_without_colour(self, phone_as):
        lots = [make_lot("10200", zone=make_zone(stripe=letter)) for letter in "abcdefgh"]
        lots.append(make_blend((lots[0], "5000"), (lots[1], "5000")))
        page = phone_as("member")
        page.goto(
            f"{reverse('lot-tags')}?print=1&sheet=a4-2x7&first_label=1&codes={'%0A'.join(lot.code for lot in lots)}"
        )
        page.set_viewport_size({"width": 1000, "height": 1400})
        pictures = []
        for stripe in page.locator("svg.paper-sheet .stripe").all():
            picture = Image.open(io.BytesIO(stripe.screenshot())).convert("RGB")
            assert all(
                max(light) - min(light) < 12
                for light in (light for _, light in picture.getcolors(picture.width * picture.height))
            ), "no colour at all"
            pictures.append(picture.convert("L").resize((320, 40)).point(lambda light: 255 * (light > 127)))
        assert len(pictures) == 9
        for number, one in enumerate(pictures):
            for other in pictures[:number]:
                different = sum(a != b for a, b in zip(one.tobytes(), other.tobytes(), strict=True))
                assert different / (320 * 40) > 0.1

    def test_square_says_the_address_and_another_decoder_reads_it(self, phone_as, live_server):
        """The vendored decoder shares nothing with the maker of the squares; the widest and the narrowest tape."""
        lot, page = make_lot(), phone_as("member")
        for tape in (24, 12):
            picture = tag_picture(page, lot, tape)
            page.add_script_tag(url=f"/static/prospecting/vendor/{DECODER}")
            read = page.evaluate(
                """async (address) => { const image = new Image(); image.src = address; await image.decode();
                const canvas = document.createElement("canvas"); canvas.width = image.width; canvas.height = image.height;
                const context = canvas.getContext("2d"); context.drawImage(image, 0, 0);
                const { data } = context.getImageData(0, 0, image.width, image.height);
                const found = jsQR(data, image.width, image.height); return found && [found.data, found.version]; }""",
                "data:image/png;base64," + base64.b64encode(png(picture)["buffer"]).decode(),
            )
            address = f"{live_server.url}/LOTS/{lot.code}/".upper()
            assert read == [address, segno.make(address, error="q", micro=False).version]

    def test_print_is_offered_by_script_and_told_in_words_without(self, phone_as, open_page, client_as):
        lot, page = make_lot(), phone_as("member")
        page.goto(reverse("lot-tag", args=[lot.code]))
        page.evaluate("window.print = () => document.body.dataset.printed = 'yes'")
        page.get_by_role("button", name="Print").click()
        expect(page.locator("body")).to_have_attribute("data-printed", "yes")
        bare = open_page(signed_in_as=client_as("member"), java_script_enabled=False)
        bare.goto(reverse("lot-tag", args=[lot.code]))
        expect(bare.get_by_text("browser's own Print")).to_be_visible()


class TestCamera:
    @pytest.fixture
    def camera_page(self, launch_browser, open_page, client_as, tmp_path):
        def make(*pictures: Image.Image, role: str = "member"):
            browser = launch_browser(*CAMERA, film(tmp_path / "seen.y4m", *pictures))
            return open_page(signed_in_as=client_as(role), in_browser=browser)

        return make

    def test_a_tag_before_the_camera_opens_its_lot(self, camera_page, phone_as):
        lot = make_lot()
        page = camera_page(held(tag_picture(phone_as("member"), lot)), role="guest")
        asked = requests_of(page)
        page.goto(reverse("lot-scan"))
        assert not [url for url in asked if DECODER in url]
        page.get_by_role("button", name="Use the camera").click()
        page.wait_for_url(f"**{lot.get_absolute_url()}")
        assert len([url for url in asked if DECODER in url]) == 1

    def test_the_narrow_tape_can_be_read_too(self, camera_page, phone_as):
        lot = make_lot()
        tag = tag_picture(phone_as("member"), lot, tape=12)
        # A hand sways; held stock-still at five degrees, one small square in twelve can't be read (counted over 24 lots).
        page = camera_page(*[held(tag, turned=degrees) for degrees in (-5, -2, 3)])
        page.goto(reverse("lot-scan"))
        page.get_by_role("button", name="Use the camera").click()
        page.wait_for_url(f"**{lot.get_absolute_url()}")

    def test_a_phone_that_reads_squares_itself_loads_no_decoder(self, camera_page):
        lot = make_lot()
        page = camera_page(square_of("nothing that our side reads"))
        # The browser here has no reader of its own; this is the browser's part, not ours.
        page.add_init_script(
            f"""window.BarcodeDetector = class {{ static async getSupportedFormats() {{ return ["qr_code"]; }}
            async detect() {{ return [{{ rawValue: "{lot.code}" }}]; }} }};"""
        )
        asked = requests_of(page)
        page.goto(reverse("lot-scan"))
        page.get_by_role("button", name="Use the camera").click()
        page.wait_for_url(f"**{lot.get_absolute_url()}")
        assert not [url for url in asked if DECODER in url]

    @pytest.mark.long
    def test_a_reader_the_phone_only_names_gives_way_to_ours(self, camera_page):
        lot = make_lot()
        page = camera_page(square_of(lot.code))
        page.add_init_script(
            """window.BarcodeDetector = class { static async getSupportedFormats() { return ["qr_code"]; }
            async detect() { throw new Error("no such service"); } };"""
        )
        page.goto(reverse("lot-scan"))
        page.get_by_role("button", name="Use the camera").click()
        page.wait_for_url(f"**{lot.get_absolute_url()}")

    def test_a_strange_square_is_refused_and_the_camera_goes_on(self, camera_page):
        page = camera_page(square_of("https://elsewhere.invalid/trap"))
        page.goto(reverse("lot-scan"))
        page.get_by_role("button", name="Use the camera").click()
        expect(page.get_by_text("not the tag of a lot, and it is not opened")).to_be_visible()
        assert page.url.endswith(reverse("lot-scan"))
        expect(page.get_by_role("button", name="Stop the camera")).to_be_visible()

    def test_camera_stops_on_a_tap_and_out_of_sight(self, camera_page):
        page = camera_page(Image.new("L", CAMERA_SIZE, 120))
        page.add_init_script(
            """const ask = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
            navigator.mediaDevices.getUserMedia = async (wish) => {
              const stream = await ask(wish);
              window.tracks = stream.getTracks();
              return stream;
            };"""
        )
        page.goto(reverse("lot-scan"))
        states = "window.tracks.map((track) => track.readyState)"
        start = page.get_by_role("button", name="Use the camera")
        start.click()
        expect(page.locator("video")).to_be_visible()
        assert page.evaluate(states) == ["live"]
        page.get_by_role("button", name="Stop the camera").click()
        assert page.evaluate(states) == ["ended"]
        start.click()
        expect(page.locator("video")).to_be_visible()
        page.evaluate(
            """() => {
              Object.defineProperty(document, "hidden", { value: true });
              document.dispatchEvent(new Event("visibilitychange"));
            }"""
        )
        expect(page.get_by_text("stopped while the page was out of sight")).to_be_visible()
        assert page.evaluate(states) == ["ended"]

    @pytest.mark.long
    def test_several_lots_are_collected_and_go_to_one_act(self, camera_page):
        first, second = make_lot(), make_lot()
        page = camera_page(square_of(first.code), square_of(second.code))
        page.goto(reverse("lot-scan"))
        page.get_by_role("link", name="Scan several lots").click()
        page.get_by_role("button", name="Use the camera").click()
        expect(page.get_by_role("heading", name="2 lots in the list")).to_be_visible()
        expect(page.get_by_role("button", name="Stop the camera")).to_be_visible()
        page.reload()
        expect(page.get_by_role("heading", name="2 lots in the list")).to_be_visible()
        page.get_by_role("link", name="Blend them").click()
        for lot in (first, second):
            expect(page.get_by_label(f"Taken from {lot.code}")).to_be_visible()

    @pytest.mark.long
    def test_signed_out_meanwhile_leads_to_where_one_signs_in(self, camera_page):
        page = camera_page(square_of(make_lot().code))
        page.goto(reverse("lot-scan"))
        page.context.clear_cookies()
        page.get_by_role("button", name="Use the camera").click()
        page.wait_for_url("**/sign-in/**")

    @pytest.mark.long
    def test_no_signal_is_said_and_the_camera_goes_on(self, camera_page, expect_problem):
        page = camera_page(square_of(make_lot().code))
        page.goto(reverse("lot-scan"))
        page.route("**/lots/scan/?code=*", lambda route: route.abort())
        expect_problem("ERR_FAILED")
        page.get_by_role("button", name="Use the camera").click()
        expect(page.get_by_text("did not answer: is there a signal?")).to_be_visible()
        expect(page.get_by_role("button", name="Stop the camera")).to_be_visible()


class TestPicture:
    def test_of_a_tag_opens_its_lot(self, phone_as):
        lot, page = make_lot(), phone_as("member")
        picture = held(tag_picture(page, lot))
        asked = requests_of(page)
        page.goto(reverse("lot-scan"))
        assert not [url for url in asked if DECODER in url]
        page.get_by_label("Take a picture of the tag").set_input_files(png(picture))
        page.wait_for_url(f"**{lot.get_absolute_url()}")
        assert not [url for url in asked if "blob:" in url]

    def test_of_a_large_photograph(self, phone_as):
        lot, page = make_lot(), phone_as("member")
        photograph = Image.new("L", (3000, 2200), 110)
        photograph.paste(tag_picture(page, lot), (1200, 900))
        page.goto(reverse("lot-scan"))
        page.get_by_label("Take a picture of the tag").set_input_files(png(photograph))
        page.wait_for_url(f"**{lot.get_absolute_url()}")

    def test_refusals_are_sentences_and_lead_nowhere(self, phone_as):
        lot, page = make_lot(), phone_as("member")
        wrong = lot.code[:-1] + next(letter for letter in CHECK_LETTERS if letter != lot.code[-1])
        page.goto(reverse("lot-scan"))
        field = page.get_by_label("Take a picture of the tag")
        for picture, sentence in [
            (png(square_of("https://elsewhere.invalid/")), "not the tag of a lot, and it is not opened"),
            (png(square_of(f"https://elsewhere.invalid/lots/{wrong}/")), "the check letter does not fit"),
            (png(square_of("javascript:alert(1)")), "A lot code is three letters"),
            (png(Image.new("L", (400, 300), 200)), "No square could be read"),
            (
                {"name": "tag.png", "mimeType": "image/png", "buffer": b"no picture"},
                "not a picture this browser can open",
            ),
        ]:
            field.set_input_files(picture)
            expect(page.get_by_text(sentence)).to_be_visible()
            assert page.url.endswith(reverse("lot-scan"))

    def test_a_tag_of_another_host_opens_the_lot_on_this_site(self, phone_as):
        lot, page = make_lot(), phone_as("guest")
        page.goto(reverse("lot-scan"))
        page.get_by_label("Take a picture of the tag").set_input_files(
            png(square_of(f"HTTPS://OLD.INVALID/LOTS/{lot.code}/"))
        )
        page.wait_for_url(f"**{lot.get_absolute_url()}")

    def test_works_over_plain_http_where_the_camera_does_not(
        self, launch_browser, open_page, client_as, live_server, settings, expect_problem
    ):
        settings.ALLOWED_HOSTS = ["shed.test"]
        # Without https the browser ignores that header, and says so.
        expect_problem("Cross-Origin-Opener-Policy header has been ignored")
        browser = launch_browser(
            "--host-resolver-rules=MAP shed.test 127.0.0.1, MAP * ~NOTFOUND, EXCLUDE localhost"
        )
        lot = make_lot()
        page = open_page(
            signed_in_as=client_as("guest"),
            in_browser=browser,
            base_url=live_server.url.replace("localhost", "shed.test"),
        )
        page.goto(reverse("lot-scan"))
        expect(page.get_by_text("browsers give a page the camera only over https")).to_be_visible()
        expect(page.get_by_role("button", name="Use the camera")).to_be_hidden()
        page.get_by_label("Take a picture of the tag").set_input_files(png(square_of(lot.code)))
        page.wait_for_url(f"**{lot.get_absolute_url()}")


def test_typed_code_needs_neither_script_nor_decoder(open_page, client_as):
    lot = make_lot()
    page = open_page(signed_in_as=client_as("guest"), java_script_enabled=False)
    asked = requests_of(page)
    page.goto(reverse("lot-scan"))
    expect(page.get_by_label("Take a picture")).to_be_hidden()
    page.get_by_label("Code on the tag").fill(lot.code.lower())
    page.get_by_role("button", name="Find this lot").click()
    page.wait_for_url(f"**{lot.get_absolute_url()}")
    assert not [url for url in asked if DECODER in url]


@pytest.mark.parametrize("width", [360, pytest.param(390, marks=pytest.mark.long), 1100])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_of_tags_is_wider_than_the_screen(phone_as, width, scheme):
    lot, page = make_lot(), phone_as("member")
    page.set_viewport_size({"width": width, "height": 800})
    page.emulate_media(color_scheme=scheme)
    for url in (
        reverse("lot-tags"),
        f"{reverse('lot-tags')}?print=1&sheet=a4-3x8&first_label=1&codes={lot.code}",
        reverse("lot-tag", args=[lot.code]),
        reverse("lot-scan"),
        f"{reverse('lot-scan')}?collect=1&lot={lot.code}",
        f"{reverse('lot-scan')}?code=https://elsewhere.example/{'x' * 60}",
    ):
        page.goto(url)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, url
