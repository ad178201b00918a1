"""The page a runner logs a portion on: taps counted and taken back, clocks that outlive a locked phone and a wrong clock."""

import datetime
import re
from decimal import Decimal

import pytest
from django.urls import reverse

from tests import make
from tests.trials.make_trial import PORTION, make_result, make_running
from trials.actions import running
from trials.models import Run, Trial

pytestmark = pytest.mark.django_db(transaction=True)

# Everything a finger aims at, with its folds open: name and size in CSS pixels. A tick's target is its whole label.
TARGETS = """
() => {
  for (const fold of document.querySelectorAll("main details")) fold.open = true;
  const seen = [...document.querySelectorAll("main a, main button, main input, main select, main textarea, main summary")];
  return seen
    .map((each) => ["checkbox", "radio"].includes(each.type) ? each.closest("label") ?? each : each)
    .map((each) => [each.outerHTML.slice(0, 90), each.getBoundingClientRect()])
    .filter(([, box]) => box.width && box.height)
    .map(([name, box]) => [name, box.width, box.height]);
}
"""
# As after the phone's clock was set an hour back: the start that was kept lies ahead of now.
START_LIES_AHEAD = """
() => localStorage.setItem(Object.keys(localStorage).find((key) => key.startsWith("clock/")), String(Date.now() + 3.6e6))
"""
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


def open_next(page, trial: Trial) -> None:
    page.goto(trial.get_next_url())
    page.wait_for_url(re.compile(r"/runs/"))


def count_of(page, size: str) -> str:
    return page.locator(f"[name={size}]").input_value()


def tap(page, name: str) -> None:
    page.get_by_role("button", name=name).tap()


def keep(page) -> None:
    """Send the form, and wait for the page of the next portion."""
    here = page.url
    page.locator("main form button[type=submit].act").last.tap()
    page.wait_for_url(lambda url: url != here and "/runs/" in url, timeout=30_000)


def test_taps_are_counted_and_the_last_ones_taken_back_over_all_classes(phone_as):
    page = phone_as("member")
    open_next(page, make_running())
    undo = page.locator("[data-count-undo]")
    assert not undo.is_visible()
    for size in ("Flour", "Flour", "Fine"):
        tap(page, f"+1 {size}")
    assert undo.text_content() == "Undo: one less fine"
    assert page.locator("[data-count-says]").text_content() == "fine: 1"
    undo.tap()
    # The wrong class is as it was before: not looked for, which is not "none seen".
    assert (count_of(page, "fine"), count_of(page, "flour")) == ("", "2")
    assert undo.text_content() == "Undo: one less flour"
    # A number typed by hand in between is what the next tap and the next undo start from.
    page.locator("[name=flour]").fill("40")
    tap(page, "+1 Flour")
    undo.tap()
    undo.tap()
    assert count_of(page, "flour") == "39"
    undo.tap()
    assert count_of(page, "flour") == "38"
    assert not undo.is_visible()


def test_the_soak_is_timed_over_a_reload_and_a_clock_set_back(phone_as):
    page = phone_as("member")
    trial = make_running(soak_min=Decimal(8))
    page.clock.install(time=datetime.datetime(2026, 5, 3, 10, 42, tzinfo=datetime.UTC))
    open_next(page, trial)
    soak = page.locator("[data-clock]").first
    soak.get_by_role("button", name="Start").tap()
    page.clock.fast_forward("03:00")
    page.reload()
    assert soak.locator("[data-clock-face]").text_content().startswith("03:")
    # An hour back, on purpose or by the network: the page's own steady clock goes on.
    page.clock.set_system_time(datetime.datetime(2026, 5, 3, 9, 45, tzinfo=datetime.UTC))
    page.clock.fast_forward("05:30")
    soak.get_by_text("The 8 min are over.").wait_for()
    assert "due" in soak.get_attribute("class")
    soak.get_by_role("button", name="Stop and write the minutes").tap()
    # The three minutes and five and a half, and what this test itself took.
    assert 8.5 <= float(page.locator("[name=soak_min]").input_value()) < 9.5
    began, ended = (
        datetime.datetime.fromisoformat(page.locator(f"[name={name}]").input_value())
        for name in ("began_at", "ended_at")
    )
    assert 510 <= (ended - began).total_seconds() < 570
    assert (ended.day, ended.hour) == (3, 9)


@pytest.mark.long
def test_a_clock_set_back_while_the_page_was_closed_gives_no_minutes(phone_as):
    page = phone_as("member")
    trial = make_running()
    open_next(page, trial)
    clock = page.locator("[data-clock]").first
    clock.get_by_role("button", name="Start").tap()
    page.goto(reverse("zone-list"))
    page.evaluate(START_LIES_AHEAD)
    open_next(page, trial)
    clock.get_by_text("set back since the start").wait_for()
    assert clock.locator("[data-clock-face]").text_content() == "00:00"
    assert page.locator("[name=soak_min]").input_value() == ""
    clock.get_by_role("button", name="Start").tap()
    clock.get_by_role("button", name="Stop and write the minutes").tap()
    assert page.locator("[name=soak_min]").input_value() == "0.0"


@pytest.mark.long
def test_two_clocks_three_weighings_and_water_are_kept(phone_as):
    page = phone_as("member", mass_unit="lb")
    trial = make_running()
    open_next(page, trial)
    for clock in page.locator("[data-clock]").all():
        clock.get_by_role("button", name="Start").tap()
        clock.get_by_role("button", name="Stop and write the minutes").tap()
    tap(page, "+1 Fine")
    for name, text in {"gold": "8.0", "gold_2": "8.1", "gold_3": "8.2", "portion": "454 g"}.items():
        page.locator(f"[name={name}]").fill(text)
    page.get_by_text("Water, pan, light").tap()
    page.get_by_label("Water temperature").fill("59")
    page.get_by_label("Hardness by strip").fill("7 gpg")
    keep(page)
    run = Run.objects.get()
    assert (run.gold_mg, run.weighings.count(), run.colours_total) == (Decimal("8.1"), 3, 1)
    assert (run.water_temp_c, run.water_hardness_mg_per_l) == (Decimal("15.0"), Decimal("119.8"))
    assert run.soak_min == run.pan_min == 0
    assert run.began_at <= run.ended_at


@pytest.mark.parametrize("outcome", Trial.Outcome.values)
def test_every_target_is_large_enough_and_nothing_lies_sideways(phone_as, outcome):
    page = phone_as("member")
    page.set_viewport_size({"width": 360, "height": 740})
    trial = make_running(outcome=outcome)
    run = make_pan(page.member)
    for url in (trial.get_next_url(), reverse("run-tails", args=[run.pk]), run.get_absolute_url()):
        page.goto(url)
        page.wait_for_load_state()
        if url != run.get_absolute_url():
            tap_if_there(page, "+1 Fine")
            small = [each for each in page.evaluate(TARGETS) if each[2] < 48 or each[1] < 48]
            assert small == []
        assert page.evaluate(SIDEWAYS) <= 0


def tap_if_there(page, name: str) -> None:
    for button in page.get_by_role("button", name=name).all():
        button.tap()


def make_pan(member) -> Run:
    return running.log_test_pan(
        lot=make.make_lot(), portion=PORTION, result=make_result(member), recorded_by=member
    )


def test_the_page_works_with_the_script_off(open_page, client_as):
    client = client_as("member")
    page = open_page(signed_in_as=client, java_script_enabled=False)
    open_next(page, make_running())
    for name, text in {"gold": "8.0", "gold_2": "8.1", "portion": "454 g", "flour": "12"}.items():
        page.locator(f"[name={name}]").fill(text)
    keep(page)
    assert (Run.objects.get().gold_mg, Run.objects.get().colours_total) == (Decimal("8.05"), 12)
