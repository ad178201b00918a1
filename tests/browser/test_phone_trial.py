"""A whole trial by phones: planned, mixed, run by two runners, one without a signal and killed twice, judged, delivered, read.

Four treatments (a ladder of doses) in five blocks, judged side by side by two judges.
"""

import re

import pytest
from django.urls import reverse

from prospecting.frames.books import faults_of_lots, faults_of_steps
from prospecting.models import Delivery
from tests import make
from tests.browser.test_phone_queue import a_phone, gate, lasting_handset, sent  # noqa: F401 (fixtures)
from tests.browser.test_pocket_pages import keep, wait_for_code
from trials.models import Judging, Run, Trial

pytestmark = pytest.mark.django_db(transaction=True)

BLOCKS = 5
NEXT = "Keep and show the next portion"
SLOW_MS = 30_000


def plan(page, lot, mixer: str) -> Trial:
    """As the planner types it: the additive, the draft, a ladder of four doses, the plan drawn and fixed."""
    page.goto(reverse("additive-add"))
    page.get_by_label("Name").fill("Rinse aid")
    page.get_by_role("button", name="Keep").click()
    page.goto(reverse("trial-add") + f"?lot={lot.code}")
    page.get_by_label("Question").fill("How little rinse aid does it take?")
    page.locator("[name=outcome]").select_option("places")
    page.get_by_label("Mass of a portion").fill("454 g")
    page.locator("[name=portions_from]").select_option("cut")
    page.locator("[name=blocks]").fill(str(BLOCKS))
    page.get_by_label("Water in the tub").fill("9 L")
    page.locator("[name=mixer]").select_option(label=mixer)
    page.get_by_role("button", name="Keep the draft").click()
    page.get_by_role("link", name="A ladder of doses").click()
    page.locator("[name=additive]").select_option(label="Rinse aid")
    page.get_by_label("Lowest dose").fill("6 drops in 9 L")
    page.get_by_label("Doses from lowest to highest").fill("2")
    page.get_by_role("button", name="Show the ladder").click()
    page.get_by_role("button", name="Make these the treatments").click()
    page.get_by_role("heading", name="What this plan could see").wait_for()
    page.get_by_label("I know it can't answer the question").check()
    page.get_by_label("Why it is worth running all the same").fill("To walk the whole path once")
    page.get_by_role("button", name="Draw and fix the plan").click()
    page.get_by_role("link", name="Next portion").wait_for()
    return Trial.objects.get()


def mix(page, trial: Trial) -> None:
    page.goto(reverse("mixing-sheet", args=[trial.pk]))
    page.get_by_role("button", name="Show me the mixing sheet").click()
    sheet = page.locator("main")
    sheet.get_by_text("6 drops").first.wait_for()
    assert all(code in sheet.inner_text() for code in trial.planned_runs.values_list("blind_code", flat=True))


def pan_block(page, trial: Trial, block: int, codes: list[str]) -> None:
    """Log these portions of one block, in the planned order."""
    page.goto(reverse("pocket-trial", args=[trial.pk]))
    chips = page.get_by_role("navigation", name="I pan block")
    if chips.is_visible():
        chips.locator(f"[data-block-link='{block}']").click()
    for code in codes:
        wait_for_code(page, code)
        page.locator("[name=pan_min]").fill("12")
        page.get_by_role("button", name=NEXT).click()
    page.locator("[data-code]", has_text=re.compile(f"^{codes[-1]}$")).wait_for(
        state="hidden", timeout=SLOW_MS
    )


def judge(page, trial: Trial, block: int) -> None:
    """Most gold where most was dosed, the two lowest doses alike."""
    strength = {
        planned.blind_code: max([dose.ml_per_l for dose in planned.treatment.doses.all()], default=0)
        for planned in trial.planned_runs.filter(block__number=block).select_related("treatment")
    }
    best_first = sorted(strength, key=strength.get, reverse=True)
    page.goto(reverse("block-judge", args=[trial.pk, block]))
    text = page.locator("main").inner_text()
    assert "drops" not in text and "plain" not in text
    for place, code in enumerate(best_first):
        if place == 3:
            page.get_by_role("button", name="The next one shows as much as the last").tap()
        page.locator("[data-loose]").get_by_role("button", name=code).tap()
    page.get_by_role("button", name="Keep this judging").tap()
    page.wait_for_url(re.compile(r"/trials/\d+/next/|/phone/"), timeout=SLOW_MS)


def test_a_trial_by_two_phones_one_of_them_without_a_signal(lasting_handset, phone_as, client_as):  # noqa: F811
    handset = lasting_handset
    lot = make.make_lot("40000")
    make.make_portions(lot, 4 * BLOCKS)
    mixer = phone_as("member", first_name="Moss")
    runner = phone_as("member", first_name="Ida")
    trial = plan(runner, lot, "Moss")
    codes = {
        number: list(trial.planned_runs.filter(block__number=number).values_list("blind_code", flat=True))
        for number in range(1, BLOCKS + 1)
    }
    mix(mixer, trial)

    # The other runner has looked once, with a signal; from then on there is none, and the phone dies twice.
    page_of_trial = reverse("pocket-trial", args=[trial.pk])
    keep(handset, page_of_trial)
    handset.gate.set("shut")
    pan_block(handset.page, trial, 4, codes[4][:2])
    handset.kill()
    handset.start()
    handset.page.goto(page_of_trial)
    wait_for_code(handset.page, codes[4][2])
    pan_block(handset.page, trial, 4, codes[4][2:])
    pan_block(handset.page, trial, 5, codes[5][:3])
    handset.kill()
    handset.start()

    for number in (1, 2, 3):
        pan_block(runner, trial, number, codes[number])
    assert Run.objects.count() == 12

    pan_block(handset.page, trial, 5, codes[5][3:])
    waiting = [entry["title"].split(",")[0] for entry in handset.waiting()]
    assert waiting == codes[4] + codes[5]
    assert "8 not yet sent" in handset.strip().inner_text()
    # Nothing on this phone tells which code is which: no kept page names both a dose and a code beside it.
    kept = handset.page.evaluate(
        """async () => { const pages = await caches.open("pages");
          return Promise.all((await pages.keys()).map(async (key) => [key.url, await (await pages.match(key)).text()])); }"""
    )
    assert any(page_of_trial in url for url, _ in kept)
    treatments = trial.treatments.values_list("pk", "name")
    for url, text in kept:
        for planned in trial.planned_runs.select_related("treatment"):
            for found in re.finditer(re.escape(planned.blind_code), text):
                around = text[max(0, found.start() - 200) : found.end() + 200]
                assert not any(f'"{pk}"' in around or name in around for pk, name in treatments), url
    assert not any("mixing-sheet" in url for url, _ in kept)

    handset.gate.set("open")
    handset.page.goto("/phone/")
    assert sent(handset)
    assert Run.objects.count() == 20
    assert list(Run.objects.order_by("pk").values_list("planned__blind_code", flat=True))[12:] == waiting
    assert Delivery.objects.filter(record_path__startswith="/pans/", clock_flagged=True).count() == 0

    for number in range(1, BLOCKS + 1):
        judge(runner, trial, number)
        judge(handset.page, trial, number)
    assert Judging.objects.count() == 2 * BLOCKS
    for number in range(1, BLOCKS + 1):
        runner.goto(reverse("run-next", args=[trial.pk]))
        runner.get_by_role("button", name=f"Close Block {number}").click()
        runner.get_by_text("its key can be read now").wait_for()
    trial.refresh_from_db()
    assert trial.state == Trial.State.CLOSED
    runner.goto(reverse("trial-verdict", args=[trial.pk]))
    verdict = runner.locator("main").inner_text()
    assert "more gold than" in verdict or "better" in verdict.casefold()
    assert [*faults_of_lots(), *faults_of_steps()] == []
