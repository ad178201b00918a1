"""A keeper takes in a messy old list on a phone: columns, places, doubts, and back again."""

import re
from pathlib import Path

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from prospecting.models import Lot, OldSheet
from tests.make import make_claim
from trials.models import Run

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.long]
MESSY = Path(__file__).parents[2] / "fixtures" / "old_lists" / "invented_list_messy.xlsx"


def fits(page) -> None:
    """Nothing sticks out of a narrow phone, and nothing to be tapped is smaller than a thumb."""
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    small = page.locator(
        "main button.act:visible, main .choices label:visible, main select:visible"
    ).evaluate_all(
        "found => found.filter(each => each.getBoundingClientRect().height < 47.5).map(each => each.outerHTML)"
    )
    assert small == []


def test_from_the_file_to_the_books_and_back(phone_as):
    page = phone_as("keeper", mass_unit="lb")
    page.set_viewport_size({"width": 360, "height": 780})
    make_claim(name="Invented ground")
    page.goto(reverse("old-sheet-list"))
    page.get_by_role("link", name="Take in an old list", exact=True).click()
    page.locator("[name=upload]").set_input_files(MESSY)
    page.get_by_role("button", name="Show what it holds").click()
    page.wait_for_url(re.compile("/old-lists/read/"))
    fits(page)
    expect(page.get_by_label("Column 4: “Wt (lbs)”")).to_have_value("mass")
    for place in ("North cut", "Old dump", "Upper bench?"):
        page.get_by_label(f"“{place}” is").select_option(label="A new zone of that name on Invented ground")
    page.get_by_label("Kind of sample").select_option("bulk")
    page.get_by_label("Step of the scale of that time").fill("0.5 mg")
    page.get_by_role("button", name="Show what would come of it").click()

    page.wait_for_url(re.compile("/old-lists/try/"))
    fits(page)
    assert Lot.objects.count() == 0
    for line, choice in (
        (6, "Leave the line out"),
        (12, "Only its bucket, without the pan"),
        (13, "Leave the line out"),
        (18, "It is another bucket of the same name"),
        (19, "Take it in as it stands"),
    ):
        page.get_by_role("group", name=f"Line {line}:").get_by_label(choice).check()
    page.get_by_label(re.compile("Yes, leave out")).check()
    page.get_by_role("button", name="Take this list in").click()
    page.wait_for_url(re.compile(r"/old-lists/\d+/"))
    fits(page)
    expect(page.get_by_text("Taken in. Here is what came of each line.")).to_be_visible()
    sheet = OldSheet.objects.get()
    assert (Lot.objects.count(), Run.objects.filter(failed=False).count()) == (
        len(sheet.columns["buckets"]),
        6,
    )

    page.get_by_role("link", name="Take it back", exact=True).click()
    page.get_by_label("Why it is taken back").fill("the wrong season")
    page.get_by_role("button", name="Take it back").click()
    expect(page.get_by_text("Taken back.")).to_be_visible()
    assert not Lot.objects.standing().exists()
