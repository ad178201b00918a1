"""The whole main job on a phone: two digs, a blend, six portions, a blind trial, its verdict, an assay, back to the ground."""

import re
from pathlib import Path

import pytest
from django.urls import reverse

from prospecting.models import Dig, Dispatch, Lot, Zone
from tests import make
from trials.models import Trial

pytestmark = pytest.mark.django_db(transaction=True)

CERTIFICATE = Path(__file__).parents[2] / "fixtures" / "certificates" / "invented_certificate_plain.csv"
# Milligrams of the six runs, by what the tub really holds: a strong effect, so that chance does not decide this test.
GOLD_MG = {"plain water": ["4.0", "4.3", "4.1"], "rinse": ["12.1", "12.8", "12.4"]}


def dig(page, zone: Zone, station: str, mass: str) -> None:
    page.goto(reverse("dig-add"))
    page.get_by_label("Zone").select_option(str(zone.pk))
    page.get_by_label("Station").fill(station)
    page.locator("[name=sample_kind]").select_option("bulk")
    page.get_by_label("Dried").check()
    page.locator("[name=mass_1]").fill(mass)
    page.locator("main form[method=post] button[type=submit].act").click()
    page.wait_for_url(re.compile(r"/digs/\d+/"))


def blend_all(page) -> None:
    page.goto(reverse("lot-list"))
    page.get_by_role("link", name="Blend lots").click()
    # all() doesn't wait: on a page still on its way it finds nothing to tick.
    page.locator("input[name=lot]").first.wait_for()
    for box in page.locator("input[name=lot]").all():
        box.check()
    page.get_by_role("button", name="Go on to the masses").click()
    page.locator("[name=mass_out]").fill("39.9 lb")
    page.get_by_label("Rolled on a sheet").check()
    page.locator("[name=passes]").fill("40")
    page.get_by_role("button", name="Record the blend").click()
    page.wait_for_url(re.compile(r"/steps/\d+/"))


def cut_six(page, blend: Lot) -> None:
    page.goto(blend.get_absolute_url())
    page.get_by_role("link", name="Cut portions").first.click()
    page.locator("[name=number]").fill("6")
    page.locator("[name=each]").fill("1 lb")
    page.get_by_label("Riffle splitter").check()
    page.locator("main form[method=post] button[type=submit].act").last.click()
    page.wait_for_url(re.compile(r"/steps/\d+/"))


def plan(page, blend: Lot, mixer: str) -> Trial:
    page.goto(reverse("additive-add"))
    page.get_by_label("Name").fill("Rinse aid")
    page.get_by_role("button", name="Keep").click()
    page.goto(reverse("trial-add") + f"?lot={blend.code}")
    page.get_by_label("Question").fill("Does rinse keep more gold?")
    page.get_by_label("Mass of a portion").fill("1 lb")
    page.locator("[name=portions_from]").select_option("cut")
    page.get_by_label("Blocks").fill("3")
    page.get_by_label("Water in the tub").fill("2 gal")
    page.get_by_label("Scale step").fill("0.1 mg")
    page.locator("[name=mixer]").select_option(label=mixer)
    page.get_by_role("button", name="Keep the draft").click()
    page.get_by_role("link", name="Add the control").click()
    page.get_by_role("button", name="Keep the treatment").click()
    page.get_by_role("link", name="Add a treatment").click()
    page.locator("[name=name]").fill("rinse")
    page.locator("[name=additive]").select_option(label="Rinse aid")
    page.locator("[name=dose]").fill("1/2 tsp in 2 gal")
    page.get_by_role("button", name="Keep the treatment").click()
    page.get_by_text("What this plan could see").wait_for()
    page.get_by_text("This plan can't answer your question").first.wait_for()
    page.get_by_label("I know it can't answer the question").check()
    page.get_by_label("Why it is worth running all the same").fill("To walk the whole path once")
    page.get_by_role("button", name="Draw and fix the plan").click()
    page.get_by_role("link", name="Next portion").wait_for()
    return Trial.objects.get()


def key_of(mixer_page, trial: Trial) -> dict[str, str]:
    """What the mixer reads off the mixing sheet: which tub holds what."""
    mixer_page.goto(reverse("mixing-sheet", args=[trial.pk]))
    mixer_page.get_by_role("button", name="Show me the mixing sheet").click()
    rows = mixer_page.locator("table tbody tr")
    rows.first.wait_for()
    # Half a teaspoon in two gallons is the same dose as was typed, so each dosed tub of 2 gal gets half a teaspoon.
    assert (
        "2.46 mL" in mixer_page.locator("main").inner_text()
        or "drops" in mixer_page.locator("main").inner_text()
    )
    return {
        row.locator("td .code").first.inner_text(): row.locator("td").nth(1).inner_text()
        for row in rows.all()
    }


def log_all(page, trial: Trial, key: dict[str, str]) -> None:
    gold = {name: iter(values) for name, values in GOLD_MG.items()}
    page.goto(trial.get_absolute_url())
    page.get_by_role("link", name="Next portion").click()
    for number in range(1, 7):
        code = page.locator(".blind").inner_text()
        text = page.locator("main").inner_text()
        assert "rinse" not in text and "plain water" not in text
        page.get_by_label("Gold, dried and weighed").fill(next(gold[key[code]]))
        page.get_by_role("button", name="+1 Flour").tap()
        page.get_by_role("button", name="+1 Flour").tap()
        page.get_by_role("button", name="Keep and show the next portion").click()
        page.get_by_text(f"{code} is kept.").wait_for()
        if number % 2 == 0:
            page.get_by_role("button", name=f"Close Block {number // 2}").click()
            page.get_by_text("its key can be read now").wait_for()


def read_assay(page, blend: Lot, tmp_path: Path) -> None:
    page.goto(blend.get_absolute_url())
    page.get_by_role("link", name=re.compile("assay", re.I)).first.click()
    page.locator("[name=mass]").fill("1 lb")
    page.get_by_label("Riffle splitter").check()
    page.locator("main form[method=post] button[type=submit].act").click()
    page.wait_for_url(re.compile(r"/steps/\d+/"))
    page.goto(reverse("laboratory-add"))
    page.locator("[name=name]").fill("Invented Laboratory One")
    page.locator("main form[method=post] button[type=submit].act").click()
    page.goto(reverse("dispatch-add"))
    page.locator("[name=laboratory]").select_option(label="Invented Laboratory One")
    page.locator("[name=lots]").check()
    page.locator("[name=method]").select_option("fire_30")
    page.get_by_role("button", name="Draw the tags").click()
    page.wait_for_url(re.compile(r"/dispatches/\d+/$"))
    page.get_by_role("link", name="It has gone").click()
    page.locator("[name=sent_on]").fill("2026-06-01")
    page.get_by_role("button", name="It has gone").click()
    page.wait_for_url(re.compile(r"/dispatches/\d+/$"))
    # The laboratory prints the tag it got; the other lines of its file are its own checks.
    printed = tmp_path / "certificate.csv"
    printed.write_text(CERTIFICATE.read_text().replace("234566", Dispatch.objects.get().samples.get().tag))
    page.get_by_role("link", name=re.compile("read a file", re.I)).click()
    page.locator("[name=upload]").set_input_files(printed)
    page.get_by_role("button", name="Show what it says").click()
    page.locator("[name=certificate_number]").fill("INV-1")
    page.locator("[name=reported_on]").fill("2026-06-20")
    page.locator("[name=leave_out_unknown]").check()
    page.get_by_role("button", name="Store this return").click()
    page.wait_for_url(re.compile(r"/returns/\d+/"))


def test_from_dig_to_verdict_and_back(phone_as, tmp_path):
    claim = make.make_claim("Trial claim")
    rich, poor = (
        make.make_zone(claim, "Rich seam", stripe="a"),
        make.make_zone(claim, "Poor wall", stripe="b"),
    )
    panner = phone_as("member", mass_unit="lb", grade_unit="g_per_t")
    mixer = phone_as("member", first_name="Moss")

    dig(panner, rich, "R1", "20 lb")
    dig(panner, poor, "P1", "20 lb")
    blend_all(panner)
    blend = Lot.objects.get(kind=Lot.Kind.BLEND)
    cut_six(panner, blend)
    trial = plan(panner, blend, "Moss")
    log_all(panner, trial, key_of(mixer, trial))

    panner.goto(trial.get_absolute_url())
    panner.get_by_role("link", name="What the trial shows").click()
    verdict = panner.locator("main").inner_text()
    assert "rinse" in verdict and "95 %" in verdict
    for one in Dig.objects.all():
        panner.goto(reverse("trial-verdict", args=[trial.pk]))
        panner.locator(f'a[href="{one.get_absolute_url()}"]').first.click()
        assert one.station in panner.locator("main").inner_text()

    read_assay(panner, blend, tmp_path)
    for zone in (rich, poor):
        panner.goto(zone.get_absolute_url())
        assert "4.21 g/t" in panner.locator("main").inner_text()
    assert panner.evaluate("document.documentElement.scrollWidth") <= 390
