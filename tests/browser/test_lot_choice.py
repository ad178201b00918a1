"""A lot is chosen on a phone: ticked, typed, looked for, with and without a script; a wrong code is told."""

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from tests import make
from tests.browser.test_pages import TOO_WIDE
from tests.browser.test_pocket_pages import SMALL_TARGETS
from trials.models import Trial

pytestmark = pytest.mark.django_db(transaction=True)


def code_field(page):
    return page.get_by_label("Code on its tag, or what it is")


def fill_the_rest(page, question: str) -> None:
    page.get_by_label("Question").fill(question)
    page.get_by_label("Mass of a portion").fill("454 g")
    page.get_by_label("Water in the tub").fill("9 L")
    page.get_by_label("Mixer").select_option(index=1)


def look(page, text: str) -> None:
    code_field(page).fill(text)
    page.get_by_role("button", name="Look for the lot").tap()


def keep_draft(page) -> None:
    page.get_by_role("button", name="Keep the draft").tap()


def test_a_lot_is_looked_for_by_what_it_is_and_by_its_code(phone_as):
    east, west = (make.make_lot("9000", title=f"blue vein {side}") for side in ("east", "west"))
    page = phone_as("member")
    page.goto(reverse("trial-add"))
    fill_the_rest(page, "Which clears?")
    # Enter in this field looks, it does not send the form.
    code_field(page).fill("blue vein")
    code_field(page).press("Enter")
    expect(page.locator("[data-told]")).to_have_text("2 lots fit “blue vein”.")
    expect(page.get_by_label("Question")).to_have_value("Which clears?")
    expect(page.locator("[name=feed_lot_ticked][type=radio]")).to_have_count(2)
    assert not Trial.objects.exists()
    assert page.evaluate(TOO_WIDE, "212.5%")[0] <= 390
    assert not [small for small in page.evaluate(SMALL_TARGETS) if "lot" in str(small)]

    wrong = east.code[:-1] + ("A" if east.code[-1] != "A" else "B")
    look(page, wrong)
    expect(page.locator("[data-told]")).to_contain_text("the check letter does not fit")
    expect(code_field(page)).to_have_value(wrong)

    look(page, east.code.replace("-", "").lower())
    expect(page.locator("[data-told]")).to_have_text(f"{east.code} is ticked below.")
    expect(page.locator(f"[value={east.code}][type=radio]")).to_be_checked()
    # A tick writes its code, a typed code unticks the other.
    page.get_by_text(west.code).tap()
    expect(code_field(page)).to_have_value(west.code)
    code_field(page).fill(east.code)
    expect(page.locator(f"[value={west.code}][type=radio]")).not_to_be_checked()
    keep_draft(page)
    expect(page.get_by_text("The draft is kept.")).to_be_visible()
    assert Trial.objects.get().feed_lot == east


def test_nothing_chosen_is_told_and_a_draft_brings_the_lot_back(phone_as):
    make.make_lot("9000")
    lot = make.make_lot("9000", title="blue vein")
    page = phone_as("member")
    page.goto(reverse("trial-add"))
    fill_the_rest(page, "Which clears?")
    keep_draft(page)
    expect(page.locator("#id_feed_lot_error")).to_have_text("Tick a lot, or type the code on its tag.")
    expect(page.get_by_label("Question")).to_have_value("Which clears?")
    page.get_by_text(lot.code).tap()
    page.goto(reverse("trial-list"))
    page.goto(reverse("trial-add"))
    expect(page.get_by_text("What you typed here before is back.")).to_be_visible()
    expect(code_field(page)).to_have_value(lot.code)
    keep_draft(page)
    expect(page.get_by_text("The draft is kept.")).to_be_visible()
    assert Trial.objects.get().feed_lot == lot


def test_without_a_script_what_was_typed_and_what_was_ticked_are_asked_about(open_page, client_as):
    one, other = make.make_lot("9000", title="blue vein"), make.make_lot("9000")
    page = open_page(signed_in_as=client_as("member"), java_script_enabled=False)
    page.goto(reverse("trial-add"))
    fill_the_rest(page, "Which clears?")
    look(page, "blue")
    expect(page.locator(f"[value={one.code}][type=radio]")).to_be_checked()
    code_field(page).fill(other.code)
    keep_draft(page)
    said = f"You typed {other.code} and ticked {one.code}. Tick the one you mean."
    expect(page.locator("#id_feed_lot_error")).to_have_text(said)
    page.locator(f"[value={other.code}][type=radio]").check()
    # Sent by Enter in another field, the form is sent and does not look.
    page.get_by_label("Question").press("Enter")
    expect(page.get_by_text("The draft is kept.")).to_be_visible()
    assert Trial.objects.get().feed_lot == other
