"""A row of pans judged on a phone: tapped in order, alike, undone, moved by arrows and by thumb, and without any script."""

import re

import pytest
from django.urls import reverse

from tests import make
from tests.trials.make_judging import make_rows
from tests.trials.make_trial import log, make_running
from trials.calc.judging import pan_order
from trials.models import Judging, Run, Trial

pytestmark = pytest.mark.django_db(transaction=True)

NAMES = ("plain water", "rinse", "soap", "vinegar")
PATIENCE_MS = 30_000
# What the form would send, code by code.
PLACES = """() => Object.fromEntries([...document.querySelectorAll("[data-pan]")]
  .map((item) => [item.dataset.pan, item.querySelector("select").value]))"""


@pytest.fixture
def trial() -> Trial:
    return make_rows(names=NAMES, blocks=2)


def codes_of(trial: Trial) -> list[str]:
    return [planned.blind_code for planned in trial.blocks.first().planned_runs.all()]


def open_row(page, trial: Trial) -> None:
    page.context.set_default_timeout(PATIENCE_MS)
    page.goto(reverse("block-judge", args=[trial.pk, 1]))
    page.locator("[data-loose] button").first.wait_for()


def loose(page) -> list[str]:
    return page.locator("[data-loose] button").all_inner_texts()


def placed(page) -> list[str]:
    """The board as it reads, "1st K7", from the top."""
    rows = page.locator("[data-placed] > li").all()
    return [f"{row.locator('.grip').inner_text()} {row.locator('.code').inner_text()}" for row in rows]


def tap(page, code: str) -> None:
    page.locator("[data-loose]").get_by_role("button", name=code, exact=True).tap()


def move(page, code: str, way: str):
    return page.locator(f'[data-placed] > [data-code="{code}"] [data-move="{way}"]')


def test_pans_are_tapped_in_order_and_kept(phone_as, trial):
    page = phone_as("member")
    open_row(page, trial)
    drawn = loose(page)
    assert drawn == pan_order(codes_of(trial), trial.blocks.first().pk, page.member.pk)
    a, b, c, d = drawn
    for code in (c, a, d, b):
        tap(page, code)
    assert placed(page) == [f"1st {c}", f"2nd {a}", f"3rd {d}", f"4th {b}"]
    page.get_by_role("button", name="Keep this judging").tap()
    page.wait_for_url(re.compile(r"/next/$"))
    kept = Judging.objects.get()
    assert [pan.planned.blind_code for pan in kept.places.all()] == [c, a, d, b]


def test_pans_alike_share_a_place(phone_as, trial):
    page = phone_as("member")
    open_row(page, trial)
    a, b, c, d = loose(page)
    tap(page, a)
    page.get_by_role("button", name="The next one shows as much as the last").tap()
    for code in (b, c, d):
        tap(page, code)
    assert placed(page) == [f"1st {a}", f"1st {b}", f"2nd {c}", f"3rd {d}"]
    move(page, d, "alike").tap()
    assert page.evaluate(PLACES) == {a: "1", b: "1", c: "2", d: "2"}
    assert f"{d} is 2nd, alike with {c}." in page.locator("[data-said]").inner_text()
    # Whoever leads a place leaves it: the one behind takes the lead, and is not alike to those before.
    move(page, c, "up").tap()
    assert placed(page) == [f"1st {a}", f"1st {c}", f"1st {b}", f"2nd {d}"]


@pytest.mark.long
def test_undo_and_start_again(phone_as, trial):
    page = phone_as("member")
    open_row(page, trial)
    a, b, c, d = drawn = loose(page)
    for code in drawn:
        tap(page, code)
    page.get_by_role("button", name="Undo").tap()
    assert (placed(page), loose(page)) == ([f"1st {a}", f"2nd {b}", f"3rd {c}"], [d])
    page.get_by_role("button", name="Start again").tap()
    assert (placed(page), loose(page)) == ([], drawn)
    assert set(page.evaluate(PLACES).values()) == {""}
    page.get_by_role("button", name="Undo").tap()
    assert len(placed(page)) == 3


def test_the_keyboard_does_it_all(phone_as, trial):
    page = phone_as("member")
    open_row(page, trial)
    a, b, c, d = loose(page)
    page.locator("[data-loose] button").first.focus()
    for _ in range(4):
        page.keyboard.press("Enter")
    assert placed(page) == [f"1st {a}", f"2nd {b}", f"3rd {c}", f"4th {d}"]
    move(page, d, "up").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    assert placed(page) == [f"1st {a}", f"2nd {d}", f"3rd {b}", f"4th {c}"]
    # The arrow keeps the focus of whoever moves a pan with it, as long as there is a way to go.
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.closest('li').dataset.code") == d
    move(page, b, "alike").focus()
    page.keyboard.press("Space")
    assert page.evaluate(PLACES) == {d: "1", a: "2", b: "2", c: "3"}


@pytest.mark.long
def test_a_pan_is_dragged_by_its_number(phone_as, trial):
    page = phone_as("member")
    open_row(page, trial)
    a, b, c, d = loose(page)
    for code in (a, b, c, d):
        tap(page, code)
    page.locator(f'[data-code="{d}"]').scroll_into_view_if_needed()
    grip = page.locator(f'[data-code="{d}"] .grip').bounding_box()
    target = page.locator(f'[data-code="{a}"]').bounding_box()
    page.mouse.move(grip["x"] + 20, grip["y"] + 20)
    page.mouse.down()
    page.mouse.move(grip["x"] + 20, target["y"] + 40, steps=5)
    page.mouse.move(grip["x"] + 20, target["y"] + 4, steps=5)
    page.mouse.up()
    assert placed(page) == [f"1st {d}", f"2nd {a}", f"3rd {b}", f"4th {c}"]


@pytest.mark.long
def test_a_row_half_placed_is_not_sent(phone_as, trial):
    page = phone_as("member")
    open_row(page, trial)
    a, *others = loose(page)
    tap(page, a)
    page.get_by_role("button", name="Keep this judging").tap()
    assert page.locator("[data-said]").inner_text() == f"Not placed yet: {', '.join(others)}."
    assert not Judging.objects.exists()


@pytest.mark.long
def test_another_judge_sees_another_order(phone_as, trial):
    members = [make.make_member() for _ in range(4)]
    page = phone_as("member")
    open_row(page, trial)
    for member in members:
        page.get_by_label("Judged by").select_option(str(member.pk))
        assert loose(page) == pan_order(codes_of(trial), trial.blocks.first().pk, member.pk)


def test_without_script_places_are_chosen_and_kept(open_page, client_as, trial):
    client = client_as("member")
    page = open_page(signed_in_as=client, java_script_enabled=False)
    page.goto(reverse("block-judge", args=[trial.pk, 1]))
    a, b, c, d = codes_of(trial)
    for code, place in ((a, "2nd"), (b, "1st"), (c, "2nd"), (d, "4th")):
        page.get_by_label(f"Place of {code}").select_option(label=place)
    page.get_by_role("button", name="Keep this judging").click()
    page.wait_for_url(re.compile(r"/next/$"))
    kept = {pan.planned.blind_code: pan.place for pan in Judging.objects.get().places.all()}
    assert kept == {a: 2, b: 1, c: 2, d: 3}


@pytest.mark.long
def test_a_correction_starts_from_what_was_kept(phone_as, trial):
    page = phone_as("member")
    open_row(page, trial)
    a, b, c, d = loose(page)
    for code in (a, b, c, d):
        tap(page, code)
    page.get_by_role("button", name="Keep this judging").tap()
    page.wait_for_url(re.compile(r"/next/$"))
    page.goto(reverse("judging-correct", args=[Judging.objects.get().pk]))
    assert placed(page) == [f"1st {a}", f"2nd {b}", f"3rd {c}", f"4th {d}"]
    move(page, b, "up").tap()
    page.get_by_label("Why it is corrected").fill("tapped the wrong pan")
    page.get_by_role("button", name="Keep the correction").tap()
    page.wait_for_url(re.compile(r"/next/$"))
    assert [pan.planned.blind_code for pan in Judging.objects.get().places.all()] == [b, a, c, d]


@pytest.mark.parametrize("width", [360, pytest.param(390, marks=pytest.mark.long)])
@pytest.mark.parametrize("colours", ["light", "dark"])
def test_the_row_fits_a_phone_and_a_wet_thumb(open_page, client_as, trial, width, colours):
    page = open_page(
        signed_in_as=client_as("member"), viewport={"width": width, "height": 740}, color_scheme=colours
    )
    open_row(page, trial)
    a, b, *_ = loose(page)
    tap(page, a)
    tap(page, b)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    boxes = page.locator("[data-board] button:visible, [data-board] .grip").all()
    assert len(boxes) > 8
    for box in boxes:
        size = box.bounding_box()
        assert size["width"] >= 48 and size["height"] >= 48, box.inner_text()


def queue_runs(page, trial: Trial, failed: str) -> list[str]:
    """Log the runs of the first block while there is no signal: they wait on the phone."""
    codes = [planned.blind_code for planned in trial.blocks.first().planned_runs.all()]
    page.evaluate(
        """async ([trial, codes, failed, member, day]) => {
          for (const code of codes) {
            const fields = { panner: member, panned_on: day, portion: "454 g" };
            if (code === failed) Object.assign(fields, { fail_kind: "spilled", fail_reason: "knocked over" });
            await window.phoneStore.put(window.phoneStore.asEntry({
              identity: window.phoneStore.newIdentity(), member, action: `/trials/${trial}/runs/${code}/`, title: code,
              fields: Object.entries(fields),
            }));
          }
        }""",
        [trial.pk, codes, failed, str(page.member.pk), str(make.DAY)],
    )
    return codes


@pytest.mark.long
def test_a_row_whose_runs_wait_on_this_phone_is_judged_before_they_are_sent(phone_as, expect_problem):
    trial = make_running(names=NAMES, outcome=Trial.Outcome.PLACES)
    page = phone_as("member", mass_unit="kg")
    page.context.set_default_timeout(PATIENCE_MS)
    url = reverse("block-judge", args=[trial.pk, 1])
    page.goto(url)
    assert page.locator("[data-judge-form]").is_hidden()
    page.wait_for_load_state("networkidle")
    # Without an answer to this nothing is sent, as in a place without signal.
    page.route("**/phone/session/", lambda route: route.abort())
    expect_problem("ERR_FAILED")
    first, *others = queue_runs(page, trial, codes_of(trial)[0])
    page.goto(url)
    page.locator("[data-loose] button").first.wait_for()
    assert sorted(loose(page)) == sorted(others)
    for code in others:
        tap(page, code)
    page.unroute_all()
    page.get_by_role("button", name="Keep this judging").tap()
    page.wait_for_url(re.compile(r"/next/$"))
    assert Run.objects.count() == 4 and Run.objects.get(failed=True).planned.blind_code == first
    assert [pan.planned.blind_code for pan in Judging.objects.get().places.all()] == others


@pytest.mark.long
def test_a_row_that_nobody_has_filled_stays_shut(phone_as):
    trial = make_running(names=NAMES, outcome=Trial.Outcome.PLACES)
    page = phone_as("member")
    log(trial.blocks.first().planned_runs.first(), page.member, None)
    page.goto(reverse("block-judge", args=[trial.pk, 1]))
    page.wait_for_load_state("networkidle")
    assert page.locator("[data-judge-form]").is_hidden()
    assert page.get_by_text("A row is judged when all its pans stand in it").is_visible()
