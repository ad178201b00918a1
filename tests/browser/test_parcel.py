"""A dispatch on a phone, from its first split to its leaving, and what its two papers say."""

import re
import unicodedata

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from prospecting.models import Dispatch, ReferenceMaterial
from tests.browser.pdf_text import words_of
from tests.make import make_laboratory, make_lot, make_zone

pytestmark = pytest.mark.django_db(transaction=True)


def send(page) -> None:
    page.locator("main form[method=post] button[type=submit].act").last.click()


def printed(page) -> str:
    """What stands on the page's paper, without its blanks; ligatures taken apart."""
    return unicodedata.normalize("NFKC", words_of(page.pdf(prefer_css_page_size=True)))


def add_material(page, kind: str, name: str) -> None:
    page.goto(reverse("material-add"))
    page.locator(f"[name=kind][value={kind}]").check()
    page.locator("[name=name]").fill(name)
    page.locator("[name=packet]").fill("400 g")
    if kind == "reference":
        page.locator("[name=certified]").fill("9.31")
        page.locator("[name=unit]").select_option("g/t")
        page.locator("[name=plus_minus]").fill("0.69")
        page.get_by_label("two standard deviations between laboratories").check()
    send(page)
    page.wait_for_url(re.compile(r"/materials/\d+/"))


def test_from_lots_to_the_post(phone_as):
    page = phone_as("member", mass_unit="kg", grade_unit="g_per_t")
    make_laboratory(page.member, turnaround_days=21)
    zone = make_zone(name="Hope vein")
    lots = [make_lot("9000", member=page.member, zone=zone, title="east wall") for _ in range(9)]
    add_material(page, "reference", "Invented reference 3")
    add_material(page, "blank", "Invented barren gneiss")
    page.goto(reverse("dispatch-list"))
    page.get_by_role("link", name="Pack a dispatch").click()
    page.locator("[name=laboratory]").select_option(index=1)
    page.locator("[name=method]").select_option("fire_30")
    page.locator("[name=preparation]").fill("crush all, split 1 kg")
    page.get_by_label("Price of a sample").fill("42.50")
    send(page)
    page.wait_for_url(re.compile(r"/dispatches/\d+/$"))
    parcel = Dispatch.objects.get()

    page.get_by_role("link", name="Take splits from lots").click()
    for lot in lots:
        page.locator(f"input[name=lot][value={lot.code}]").check()
    page.get_by_role("button", name="Go on to the masses").click()
    for lot in lots:
        page.locator(f"[name='mass_{lot.code}']").fill("400 g")
    page.get_by_label("Riffle splitter").check()
    send(page)
    page.wait_for_url(re.compile(r"/dispatches/\d+/$"))

    page.get_by_role("link", name="Add checks: 3 proposed").click()
    # What belongs to a check shows only under its tick.
    expect(page.locator("[name=coarse_of]")).to_be_hidden()
    expect(page.locator("[name=field_of]")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    send(page)
    page.get_by_text("9 of lots, 3 checks").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    # 12 tags at 42.50.
    assert "510.00 in the group's own currency" in page.locator("main").inner_text()

    tags = list(parcel.samples.order_by("place").values_list("tag", flat=True))
    secret = [lot.code for lot in lots] + [
        "Hopevein",
        "eastwall",
        "Invented",
        "blank",
        "duplicate",
        "reference",
        "packed",
    ]
    secret += list(parcel.samples.exclude(lot=None).values_list("lot__code", flat=True))
    listed = printed(page).replace("InventedAssayOffice", "")
    assert [listed.index(tag) for tag in tags] == sorted(listed.index(tag) for tag in tags)
    assert "Fireassay,30gcharge" in listed and "crushall,split1kg" in listed
    assert not [word for word in secret if word.lower() in listed.lower()]

    page.get_by_role("link", name="Bag labels").click()
    page.locator("[name=sheet]").select_option("a4-3x7")
    page.get_by_role("button", name="Show the labels").click()
    page.locator("svg.paper-sheet").wait_for()
    labels = printed(page)
    assert all(labels.count(tag) == 1 for tag in tags)
    assert not [word for word in secret if word.lower() in labels.lower()]

    page.goto(parcel.get_absolute_url())
    page.get_by_role("link", name="It has gone").click()
    send(page)
    page.get_by_text("Nothing goes into this dispatch or out of it any more.").wait_for()
    parcel.refresh_from_db()
    assert (parcel.expected_on - parcel.sent_on).days == 21
    assert ReferenceMaterial.objects.count() == 2
