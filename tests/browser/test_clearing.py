"""A clearing test on a phone: clocks begun by a tap, tubs read at the minute of the tap, with and without a signal."""

import re
import time
from decimal import Decimal

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from prospecting.models import Delivery
from tests.browser.test_pages import MEASURE, TOO_WIDE
from tests.browser.test_phone_queue import ARE_KEPT, a_phone, gate, sent  # noqa: F401 (fixtures)
from tests.browser.test_pocket_pages import SMALL_TARGETS
from tests.trials.actions.test_clearing import TEN, make_test, read
from trials.actions import clearing
from trials.models import ClearingTest, TubReading

pytestmark = pytest.mark.django_db(transaction=True)
SLOW_MS = 30_000


def row(page, tub):
    return page.locator(f"#tub-{tub.pk}")


def open_reading(page, tub):
    row(page, tub).locator("[data-tub-read] > summary").tap()


def keep_reading(page, tub, value: str) -> None:
    open_reading(page, tub)
    row(page, tub).locator("[name=value]").fill(value)
    # Kept on the phone or on the site, the page of the tubs comes again.
    with page.expect_navigation():
        row(page, tub).get_by_role("button", name="Keep this reading").tap()


def face(page, tub) -> str:
    return row(page, tub).locator("[data-tub-clock]").inner_text()


@pytest.mark.long
def test_clocks_run_and_a_tap_fills_in_the_minutes(phone_as):
    test = make_test(target=Decimal(150))
    first, second = test.tubs.all()
    page = phone_as("member")
    page.set_default_timeout(SLOW_MS)
    page.goto(test.get_tubs_url())
    page.locator("[name=apart_s]").fill("30")
    page.get_by_role("button", name="All stirred").tap()
    page.get_by_text("The clocks run.").wait_for()
    row(page, first).get_by_text(re.compile(r"^00:\d\d$")).wait_for()
    first.refresh_from_db()
    second.refresh_from_db()
    assert (second.began_at - first.began_at).seconds == 30
    # The clock of a tub stirred later does not run ahead of it.
    assert face(page, second) == "00:00"

    keep_reading(page, first, "42")
    row(page, first).get_by_text("42 mm").wait_for()
    reading = TubReading.objects.get()
    assert reading.tub == first
    assert reading.value == 42
    assert 0 <= reading.minutes <= 2
    assert row(page, first).get_by_role("button", name="Stirred").count() == 0


@pytest.mark.long
def test_minutes_are_those_since_it_was_stirred_and_typed_ones_stay(phone_as):
    test = make_test()
    tub = test.tubs.first()
    page = phone_as("member")
    page.set_default_timeout(SLOW_MS)
    began = page.evaluate("Date.now() - 12.5 * 60000")
    at = TEN.fromtimestamp(began / 1000, tz=TEN.tzinfo)
    clearing.begin_tubs(tubs=[tub], began_at=at, recorded_by=page.member)
    page.goto(test.get_tubs_url())
    assert re.match(r"12:[3-5]\d|13:0\d", face(page, tub))
    open_reading(page, tub)
    minutes = row(page, tub).locator("[name=minutes]")
    # Filled once the fold says that it is open.
    expect(minutes).not_to_have_value("")
    assert 12.5 <= float(minutes.input_value()) < 14
    minutes.fill("11")
    row(page, tub).locator("[data-tub-read] > summary").tap()
    open_reading(page, tub)
    assert minutes.input_value() == "11"


@pytest.mark.long
def test_a_whole_test_without_a_signal_arrives_in_order_with_its_minutes(a_phone, tmp_path):  # noqa: F811
    handset = a_phone(tmp_path / "phone")
    test = make_test(target=Decimal(150))
    first, second = test.tubs.all()
    page, address = handset.page, test.get_tubs_url()
    page.goto(address)
    assert page.evaluate(ARE_KEPT, [address])
    handset.gate.set("shut")
    page.goto(address)
    began = time.time()
    with page.expect_navigation():
        page.get_by_role("button", name="All stirred").tap()
    page.get_by_text("1 not yet sent").wait_for()
    row(page, first).get_by_text(re.compile(r"^00:\d\d$")).wait_for()
    time.sleep(7)
    keep_reading(page, first, "42")
    page.get_by_text("2 not yet sent").wait_for()
    row(page, first).get_by_text(re.compile(r"not yet sent: 0\.\d min: 42")).wait_for()

    # Closed and opened again: the clocks went on, and each reading is an entry of its own.
    handset.kill()
    handset.start()
    page = handset.page
    page.goto(address)
    row(page, first).get_by_text(re.compile(r"not yet sent: 0\.\d min: 42")).wait_for()
    assert re.match(r"0[0-9]:\d\d", face(page, second))
    time.sleep(7)
    keep_reading(page, second, "160")
    page.get_by_text("3 not yet sent").wait_for()
    keep_reading(page, first, "60")
    page.get_by_text("4 not yet sent").wait_for()
    assert TubReading.objects.count() == 0

    handset.gate.set("open")
    page.goto("/phone/")
    assert sent(handset)
    first.refresh_from_db()
    assert abs(first.began_at.timestamp() - began) < 20
    values = [(reading.tub_id, reading.value) for reading in TubReading.objects.order_by("pk")]
    assert values == [(first.pk, 42), (second.pk, 160), (first.pk, 60)]
    minutes = [reading.minutes for reading in TubReading.objects.filter(tub=first).order_by("pk")]
    assert Decimal("0.1") <= minutes[0] < minutes[1] < 5
    assert Delivery.objects.count() == 4


@pytest.mark.long
def test_without_a_script_everything_is_typed(open_page, client_as):
    client = client_as("member")
    test = make_test()
    tub = test.tubs.first()
    page = open_page(signed_in_as=client, java_script_enabled=False)
    page.goto(test.get_tubs_url())
    row(page, tub).get_by_role("button", name="Stirred").tap()
    row(page, tub).locator(".tub-since", has_text="since").wait_for()
    open_reading(page, tub)
    row(page, tub).locator("[name=minutes]").fill("5")
    row(page, tub).locator("[name=value]").fill("40")
    row(page, tub).get_by_role("button", name="Keep this reading").tap()
    page.get_by_text("Last at 5 min").wait_for()
    assert TubReading.objects.get().value == 40


def test_the_pages_are_for_wet_hands_and_the_sun(phone_as):
    """WCAG 2.2 as in test_pages.py: AAA contrast and 48 px for the tubs, which a runner has in hand."""
    test = make_test(measure="turbidity", target=Decimal(50))
    page = phone_as("member")
    page.set_default_timeout(SLOW_MS)
    for tub, values in zip(test.tubs.all(), ("900 500 300 200", "900 200 60 20"), strict=True):
        for minutes, value in zip((2, 10, 20, 30), values.split(), strict=True):
            read(tub, str(minutes), value)
    for address, by_runner in (
        (test.get_tubs_url(), True),
        (test.get_absolute_url(), False),
        (reverse("clearing-add"), False),
        (reverse("clearing-list"), False),
    ):
        page.goto(address)
        for fold in page.locator("details").all():
            fold.evaluate("fold => { fold.open = !fold.closest('nav'); }")
        assert page.evaluate(MEASURE, by_runner) == [], address
        for scheme in ("dark", "light"):
            page.emulate_media(color_scheme=scheme)
            assert page.evaluate(MEASURE, by_runner) == [], (address, scheme)
        page.set_viewport_size({"width": 360, "height": 800})
        for scale in ("", "212.5%"):
            width, wide = page.evaluate(TOO_WIDE, scale)
            assert width <= 360, (address, scale, wide)
        if by_runner:
            assert page.evaluate(SMALL_TARGETS) == []
    assert ClearingTest.objects.count() == 1
