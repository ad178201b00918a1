"""A run typed on a phone whose signal goes, comes late, or whose thumb taps again: it is there, and it is there once."""

import re

import pytest
from django.urls import reverse

from prospecting.models import Delivery, Step
from tests import make
from tests.browser.conftest import ARE_KEPT
from trials.models import Run

pytestmark = pytest.mark.django_db(transaction=True)

TAP = "document.querySelector('main form[data-draft] button[type=submit].act').click()"
SEND_PAST_THE_BUTTON = "document.querySelector('main form[data-draft]').requestSubmit()"
DRAFTS = "Object.keys(localStorage).filter((key) => key.startsWith('draft'))"


def type_a_pan(page, lot) -> None:
    page.goto(reverse("run-add", args=[lot.code]))
    page.get_by_label("Portion put through").fill("1 lb")
    page.get_by_label("Gold, dried and weighed").fill("3.4 mg")
    page.get_by_label("Scale step").fill("0.1 mg")
    page.get_by_role("button", name="+1 Flour").tap()
    page.locator("[name=pan_min]").fill("12")


def check_it_is_back(page) -> None:
    page.get_by_text("What you typed here before is back").wait_for()
    assert page.get_by_label("Gold, dried and weighed").input_value() == "3.4 mg"
    assert page.get_by_label("Portion put through").input_value() == "1 lb"
    assert page.locator("[name=flour]").input_value() == "1"
    assert page.locator("[name=pan_min]").input_value() == "12"


def check_it_is_there_once(page, lot) -> None:
    run = Run.objects.get(lot=lot)
    assert run.gold_typed == "3.4 mg" and run.colours_total == 1
    assert Delivery.objects.count() == 1
    assert page.evaluate(DRAFTS) == []
    page.goto(reverse("run-add", args=[lot.code]))
    assert page.get_by_label("Gold, dried and weighed").input_value() == ""


def test_what_was_typed_outlives_a_lost_signal_and_is_kept_once(open_page, client_as, expect_problem):
    client = client_as("member", mass_unit="lb")
    page = open_page(signed_in_as=client, service_workers="allow")
    lot = make.make_lot(member=client.member)
    type_a_pan(page, lot)
    page.goto("about:blank")
    page.goto(reverse("run-add", args=[lot.code]))
    check_it_is_back(page)
    # What is sent without a signal waits in the phone's queue (test_phone_queue.py); it is no draft any more.
    assert page.evaluate(ARE_KEPT, ["/phone/"])
    expect_problem("ERR_INTERNET_DISCONNECTED")
    page.context.set_offline(True)
    page.evaluate(f"{TAP}; {TAP}; {TAP}")
    page.wait_for_url("**/phone/", timeout=30_000)
    assert not Run.objects.exists()
    page.context.set_offline(False)
    page.get_by_text("Nothing waits").wait_for(timeout=30_000)
    check_it_is_there_once(page, lot)


@pytest.mark.long
def test_a_second_tap_while_the_server_is_slow_stores_one(phone_as):
    page = phone_as("member", mass_unit="lb")
    lot = make.make_lot(member=page.member)
    type_a_pan(page, lot)
    posts = []
    page.on("request", lambda request: posts.append(request.url) if request.method == "POST" else None)
    slow = page.context.new_cdp_session(page)
    slow.send("Network.enable")
    slow.send(
        "Network.emulateNetworkConditions",
        {"offline": False, "latency": 2000, "downloadThroughput": -1, "uploadThroughput": -1},
    )
    page.evaluate(f"{TAP}; setTimeout(() => {{ {TAP}; {SEND_PAST_THE_BUTTON}; }}, 300)")
    page.wait_for_url(re.compile(r"/pans/\d+/$"))
    assert len(posts) == 1
    slow.detach()
    check_it_is_there_once(page, lot)


def test_an_answer_lost_on_the_way_back_is_not_a_second_run(phone_as):
    page = phone_as("member", mass_unit="lb")
    lot = make.make_lot(member=page.member)
    type_a_pan(page, lot)
    # The site records the entry, and the phone never hears of it.
    page.evaluate(
        "fetch('', { method: 'POST', body: new FormData(document.querySelector('main form[data-draft]')) })"
    )
    assert Run.objects.count() == 1
    page.goto(reverse("run-add", args=[lot.code]))
    check_it_is_back(page)
    page.evaluate(TAP)
    page.wait_for_url(re.compile(r"/pans/\d+/$"))
    check_it_is_there_once(page, lot)


@pytest.mark.long
def test_a_half_filled_step_outlives_a_locked_phone(phone_as):
    """Every form about a lot: a word typed, the page thrown away by the phone and opened anew; nothing is recorded."""
    page = phone_as("member", mass_unit="lb")
    first, second = make.make_lot(member=page.member), make.make_lot(member=page.member)
    step = first.made_by
    of_one = {
        "lot-dry": "dry_mass",
        "lot-crush": "machine",
        "lot-screen": "undersize",
        "lot-split": "piece_2",
        "lot-cut": "each",
        "lot-take-for-assay": "mass",
        "lot-reweigh": "mass",
        "lot-discard": "loss_reason",
        "lot-move": "place",
        "lot-hand-over": "holder",
        "lot-reserve": "reason",
        "lot-release": "reason",
    }
    both = f"?lot={first.code}&lot={second.code}"
    forms = [(reverse(name, args=[first.code]), field) for name, field in of_one.items()]
    forms += [(reverse("lot-cut", args=[first.code]) + "?measured=1", "weighed_mass")]
    forms += [
        (reverse(name) + both, field)
        for name, field in [
            ("lot-blend", "mass_out"),
            ("lots-move", "place"),
            ("lots-hand-over", "holder"),
            ("lots-reserve", "reason"),
            ("lots-release", "reason"),
        ]
    ]
    for url, field in forms:
        page.goto(url)
        page.locator(f"main form[data-draft] [name={field}]").fill("half of it")
        page.goto("about:blank")
        page.goto(url)
        page.get_by_text("What you typed here before is back").wait_for()
        assert page.locator(f"main form[data-draft] [name={field}]").input_value() == "half of it", url
    # Each keeps a draft of its own.
    assert len(page.evaluate(DRAFTS)) == len(forms)
    assert Delivery.objects.count() == 0
    assert list(Step.objects.values_list("pk", flat=True)) == [second.made_by_id, step.pk]
    page.goto(reverse("lot-move", args=[first.code]))
    page.locator("main form[data-draft] [name=place]").fill("shed, shelf 2")
    page.get_by_role("button", name="Record where it stands").click()
    page.wait_for_url(re.compile(re.escape(first.get_absolute_url())))
    assert len(page.evaluate(DRAFTS)) == len(forms) - 1
