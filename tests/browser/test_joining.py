"""From the invitation to the sign-in with a code, on two phones, as a keeper and a newcomer do it by the fire."""

import base64
import re
import time

import pytest
from django.urls import reverse

from prospecting.models import Member
from tests.browser.test_pages import MEASURE, TOO_WIDE
from tests.prospecting.views.test_one_time_codes import totp

pytestmark = pytest.mark.django_db(transaction=True)

NEW = "quartz and shovels"


def looks_right(page) -> None:
    assert page.evaluate(MEASURE, False) == []
    for scale in ("", "200%"):
        width, wide = page.evaluate(TOO_WIDE, scale)
        assert width <= 390, wide


def test_invited_joined_with_codes_out_and_in_again(phone, phone_as):
    keeper = phone_as("keeper")
    keeper.goto(reverse("member-list"))
    keeper.get_by_role("link", name="Invite someone").click()
    keeper.get_by_label("For whom").fill("Wren")
    keeper.get_by_role("button", name="Make the link").click()
    link = keeper.locator("[data-copy]")
    link.wait_for()
    looks_right(keeper)

    phone.goto(link.inner_text())
    looks_right(phone)
    phone.get_by_label("User name").fill("wren")
    phone.get_by_label("Password", exact=True).fill(NEW)
    phone.get_by_role("button", name="Show what is typed: Password").click()
    assert phone.get_by_label("Password", exact=True).get_attribute("type") == "text"
    phone.get_by_label("The same password again", exact=True).fill(NEW)
    phone.get_by_role("button", name="Join", exact=True).click()
    phone.get_by_text("Welcome, wren.").wait_for()
    assert Member.objects.get(username="wren").role == "member"

    phone.goto(reverse("own-settings"))
    phone.get_by_role("link", name="One-time codes", exact=True).click()
    phone.get_by_label("Your own password", exact=True).fill(NEW)
    phone.get_by_role("button", name="Set them up").click()
    key = phone.locator("code[data-copy]")
    key.wait_for()
    looks_right(phone)
    secret = base64.b32decode(key.inner_text().replace(" ", ""))
    phone.get_by_label("The six digits it shows now").fill(totp(secret, time.time()))
    phone.get_by_role("button", name="Turn the codes on").click()
    phone.locator(".recovery-codes li").nth(9).wait_for()
    looks_right(phone)
    recovery = phone.locator(".recovery-codes li").nth(0).inner_text()
    assert re.fullmatch(r"[A-Z2-9]{4}(-[A-Z2-9]{4}){2}", recovery)

    phone.goto(reverse("own-settings"))
    phone.locator("main form[data-sign-out] button").click()
    phone.get_by_label("User name").fill("wren")
    phone.get_by_label("Password", exact=True).fill(NEW)
    phone.get_by_role("button", name="Sign in", exact=True).click()
    phone.get_by_role("heading", name="One-time code").wait_for()
    looks_right(phone)
    phone.get_by_label("Code").fill(recovery.lower())
    phone.get_by_role("button", name="Sign in", exact=True).click()
    phone.get_by_role("heading", level=1).wait_for()
    phone.goto(reverse("own-devices"))
    phone.get_by_text("(this one)").wait_for()
    looks_right(phone)
