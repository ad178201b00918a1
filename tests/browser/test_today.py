"""Today on a phone: what waits in its own queue is told on the page, and goes when it is sent."""

import pytest
from django.urls import reverse

from prospecting.models import Delivery
from tests import make

pytestmark = pytest.mark.django_db(transaction=True)

QUEUE = """async ([action, member, fields]) => window.phoneStore.put(window.phoneStore.asEntry({
  identity: window.phoneStore.newIdentity(), member, action, title: "Discard", fields: Object.entries(fields),
}))"""


def test_what_waits_on_this_phone_is_told_and_goes_when_it_is_sent(phone_as, expect_problem):
    page = phone_as("member", mass_unit="lb")
    address = reverse("lot-discard", args=[make.make_lot(member=page.member).code])
    page.goto(reverse("home"))
    page.wait_for_load_state("networkidle")
    unsent = page.locator("[data-unsent]")
    assert unsent.is_hidden()
    # Without an answer to this nothing is sent, as in a place without signal.
    page.route("**/phone/session/", lambda route: route.abort())
    expect_problem("ERR_FAILED")
    fields = {"mass": "1 lb", "done_on": str(make.DAY), "people": "R. Unner", "loss_reason": "barren"}
    page.evaluate(QUEUE, [address, str(page.member.pk), fields])
    with page.expect_console_message(lambda message: "ERR_FAILED" in message.text):
        page.reload()
    page.get_by_role("link", name="1 entry waits on this phone to be sent").wait_for()
    assert not Delivery.objects.exists()
    page.unroute_all()
    # Hidden is also how the page begins: what tells that it was sent is the answer.
    with page.expect_response(f"**{address}"):
        page.reload()
    unsent.wait_for(state="hidden")
    assert Delivery.objects.count() == 1
