"""The picture of a verdict, pointed at on a phone: what a tap fetches, what is told of a run, what stays without a signal."""

import re

import pytest
from django.urls import reverse

from tests.trials.frames.test_verdicts import BELOW, FAILED, LIKE_WATER, WATER, make_trial
from trials.models import Trial

pytestmark = pytest.mark.django_db(transaction=True)

PLOTTING = re.compile(r"/plotly-basic-")
STRONG = {"plain water": [*WATER[:5], FAILED], "rinse": [round(2.1 * mg, 1) for mg in LIKE_WATER]}
WIDTH = "() => document.documentElement.scrollWidth"


@pytest.fixture
def trial(transactional_db) -> Trial:
    return make_trial(STRONG)


def open_verdict(page, trial: Trial):
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(reverse("trial-verdict", args=[trial.pk]))
    return asked


def draw(page) -> None:
    page.get_by_role("button", name="Point at the runs").tap()
    page.get_by_role("button", name="Next run").wait_for()


def told(page) -> str:
    return page.locator("[data-draw-says]").inner_text()


def dots(page):
    return page.locator("[data-draw-picture] .scatterlayer path.point")


def test_a_tap_draws_what_it_fetches_once_and_every_run_can_be_pointed_at(phone_as, trial):
    """Any message on the console, a breach of the content security policy among them, fails this (conftest.py)."""
    page = phone_as("guest")
    asked = open_verdict(page, trial)
    still = page.locator("figure svg[aria-labelledby~=verdict-chart-title]")
    assert still.is_visible()
    assert not [url for url in asked if PLOTTING.search(url)]
    begin = page.locator("[data-draw-begin]")
    # Two taps before anything has come.
    begin.evaluate("(button) => { button.click(); button.click(); }")
    page.get_by_role("button", name="Next run").wait_for()
    assert len([url for url in asked if PLOTTING.search(url)]) == 1
    assert len([url for url in asked if url.endswith("/figure/")]) == 1
    assert told(page).startswith("12 runs drawn.")
    # In the place of the server's own picture, which is for paper from now on.
    assert not still.is_visible()
    page.emulate_media(media="print")
    assert still.is_visible()
    assert not page.locator("[data-draw-picture]").is_visible()
    page.emulate_media(media="screen")
    # Two ends and the middle of one interval, and twelve runs.
    assert dots(page).count() == 3 + 12
    dots(page).last.scroll_into_view_if_needed()
    box = dots(page).last.bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.locator("[data-draw-says]", has_text="rinse, code").wait_for()
    assert re.search(
        r"rinse, code \w+, block \d, panned by .+: [\d.]+ mg, [\d.]+ times the middle of plain water\.",
        told(page),
    )
    run = page.get_by_role("link", name="Open this run").get_attribute("href")
    assert trial.planned_runs.filter(
        run__pk=int(run.strip("/").split("/")[-1]), treatment__name="rinse"
    ).exists()


@pytest.mark.long
def test_the_runs_are_walked_through_by_keys_from_first_to_last_and_round(phone_as, trial):
    page = phone_as("member")
    open_verdict(page, trial)
    page.locator("[data-draw-begin]").focus()
    page.keyboard.press("Enter")
    onward = page.get_by_role("button", name="Next run")
    onward.wait_for()
    # The button that was pressed is gone; its keys go on with the next.
    page.locator("[data-draw-on]:focus").wait_for()
    heard = []
    for _ in range(12):
        page.keyboard.press("Enter")
        heard.append(told(page))
    assert len(set(heard)) == 12
    assert [text for text in heard if "left out (tub knocked over)" in text]
    page.keyboard.press("Enter")
    assert told(page) == heard[0]
    page.get_by_role("button", name="Run before").press("Enter")
    assert told(page) == heard[-1]
    # The label beside the dot, without a style that the policy refuses.
    assert page.locator("[data-draw-picture] .hovertext").count() == 1


@pytest.mark.parametrize("blocked", ["**/figure/", "**/plotly-basic-*"], ids=["no figure", "no script"])
def test_without_a_signal_a_sentence_comes_and_the_picture_stays(
    phone_as, trial, blocked: str, expect_problem
):
    expect_problem("ERR_INTERNET_DISCONNECTED")
    page = phone_as("guest")
    open_verdict(page, trial)
    page.route(blocked, lambda route: route.abort("internetdisconnected"))
    begin = page.get_by_role("button", name="Point at the runs")
    begin.tap()
    page.locator("[data-draw-says]", has_text="is there a signal?").wait_for()
    assert page.locator("figure svg[aria-labelledby~=verdict-chart-title]").is_visible()
    assert not page.locator("[data-draw-waits]").is_visible()
    page.unroute(blocked)
    # The signal is back: the same button does it.
    draw(page)
    assert dots(page).count() == 15


@pytest.mark.long
def test_signed_out_meanwhile_it_says_so(phone_as, trial):
    page = phone_as("guest")
    open_verdict(page, trial)
    page.context.clear_cookies()
    page.get_by_role("button", name="Point at the runs").tap()
    page.locator("[data-draw-says]", has_text="no longer signed in").wait_for()


def test_on_a_narrow_phone_nothing_is_too_wide_and_the_night_has_its_own_colours(phone_as, transactional_db):
    long = "rinse with a name that is longer than a narrow phone is wide, twice over"
    trial = make_trial({"plain water": [BELOW, 1.0, BELOW, 1.2], long: [3.0, 2.0, 4.0, 2.5]})
    page = phone_as("guest")
    page.set_viewport_size({"width": 360, "height": 740})
    page.emulate_media(color_scheme="dark")
    open_verdict(page, trial)
    draw(page)
    picture = page.locator("[data-draw-picture]").bounding_box()
    assert picture["width"] > 280
    page.get_by_role("button", name="Next run").tap()
    assert page.evaluate(WIDTH) <= 360
    for dot in dots(page).all():
        box = dot.bounding_box()
        assert picture["x"] <= box["x"] and box["x"] + box["width"] <= picture["x"] + picture["width"]
    words = page.locator("[data-draw-picture] .annotation-text").all()
    edge = picture["x"] + picture["width"]
    assert [each.bounding_box()["x"] + each.bounding_box()["width"] <= edge for each in words] == [True, True]
    lettering = page.locator("[data-draw-picture] .annotation-text").first
    ink = "(text) => getComputedStyle(text).fill"
    by_night = lettering.evaluate(ink)
    page.emulate_media(color_scheme="light")
    page.locator(f"[data-draw-picture] .annotation-text:not([style*='{by_night}'])").first.wait_for()
    assert page.locator("[data-draw-picture] .annotation-text").first.evaluate(ink) != by_night
    page.evaluate("() => { document.documentElement.style.fontSize = '200%'; }")
    # The plot has followed once it is as narrow as the room that large letters leave it.
    room = page.locator("[data-draw-picture]").bounding_box()["width"]
    page.locator(f"[data-draw-picture] .main-svg[width^='{int(room)}']").first.wait_for()
    assert page.evaluate(WIDTH) <= 360


def test_without_script_there_is_no_button(open_page, client_as, trial):
    page = open_page(signed_in_as=client_as("guest"), java_script_enabled=False)
    open_verdict(page, trial)
    assert page.locator("figure svg").first.is_visible()
    assert not page.get_by_role("button", name="Point at the runs").is_visible()
