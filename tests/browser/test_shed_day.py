"""A whole day in the shed on a phone: from ten buckets to twenty-four tagged portions, one mistake voided, one lot reweighed."""

import re
from decimal import Decimal

import pytest
from django.urls import reverse

from prospecting.frames.books import faults_of_lots, faults_of_steps
from prospecting.models import Lot, Origin, Step
from tests import make
from trials.models import Run

pytestmark = pytest.mark.django_db(transaction=True)

SEND = "main form[method=post] button[type=submit].act"
BUCKETS = [
    ["20 lb 4 oz", "21 lb", "19.5 lb", "22 lb", "18 lb 8 oz"],
    ["20 lb", "21.2 lb", "19 lb", "20.6 lb", "21 lb"],
]


def fill(page, **typed: str) -> None:
    """Type into fields by their names; a folded one is opened first, as a thumb would."""
    for name, text in typed.items():
        field = page.locator(f"[name={name}]").first
        field.wait_for(state="attached")
        for fold in page.locator(f"details:has([name={name}])").all():
            if fold.get_attribute("open") is None:
                fold.locator("summary").first.tap()
        field.fill(text)


def send(page, ends: str) -> None:
    page.locator(SEND).last.tap()
    page.wait_for_url(re.compile(ends))


def dig(page, zone, station: str, masses: list[str]) -> None:
    page.goto(reverse("dig-add"))
    page.get_by_label("Zone").select_option(str(zone.pk))
    fill(page, station=station)
    page.locator("[name=sample_kind]").select_option("bulk")
    fill(page, **{f"mass_{number}": mass for number, mass in enumerate(masses, start=1)})
    send(page, r"/digs/\d+/")


def codes(**fields) -> list[str]:
    return list(Lot.objects.standing().filter(**fields).order_by("pk").values_list("code", flat=True))


@pytest.mark.long
def test_a_day_in_the_shed(phone_as):
    page = phone_as("member", first_name="Ada", mass_unit="lb")
    first, second = make.make_zone(name="North cut"), make.make_zone(name="Old dump")
    dig(page, first, "N1", BUCKETS[0])
    dig(page, second, "D1", BUCKETS[1])
    buckets = codes(kind="bucket")
    assert len(buckets) == 10

    # The first bucket by its code typed from the tag; the others by one tap each.
    page.goto(reverse("lot-list"))
    page.locator("[name=code]").first.fill(buckets[0].lower().replace("-", " "))
    page.get_by_role("button", name="Find this lot").tap()
    page.get_by_role("link", name="Crush", exact=True).first.tap()
    fill(page, mass_out="20 lb", machine="jaw crusher", passes="2", size="20 mesh")
    # The phone locks, the browser is killed: what was typed is there again.
    page.reload()
    assert page.locator("[name=machine]").input_value() == "jaw crusher"
    send(page, r"/steps/\d+/")
    for number in range(9):
        page.get_by_role("link", name="Same for the next bucket").tap()
        assert page.locator("[name=machine]").input_value() == "jaw crusher"
        assert page.locator("[name=mass_out]").input_value() == ""
        fill(
            page,
            mass_out="18.4 lb" if number == 3 else "19 lb",
            loss_reason="dust, and what stuck in the jaws",
        )
        send(page, r"/steps/\d+/")
    crushed = codes(kind="crushed")
    assert len(crushed) == 10

    page.goto(reverse("lot-screen", args=[crushed[0]]))
    fill(page, undersize="16 lb", oversize="4 lb", size="20 mesh")
    send(page, r"/steps/\d+/")
    for _ in range(9):
        page.get_by_role("link", name=re.compile("^Same for the next")).first.tap()
        page.wait_for_url(re.compile(r"/lots/[^/]+/screen/"))
        mass = Lot.objects.get(code=re.search(r"/lots/([^/]+)/", page.url)[1]).on_hand_g
        fill(page, undersize="15 lb", oversize=f"{(mass - Decimal('6803.89')).quantize(Decimal(1)) - 5} g")
        send(page, r"/steps/\d+/")
    assert (len(codes(kind="undersize")), len(codes(kind="oversize"))) == (10, 10)

    # A test pan of two buckets' undersize.
    fines = codes(kind="undersize")
    for code, gold in zip(fines[:2], ("1.1 mg", "0.8 mg"), strict=True):
        page.goto(reverse("run-add", args=[code]))
        fill(page, portion="1 lb", gold=gold, scale_step="0.1 mg")
        send(page, r"/pans/\d+/")
    assert Run.objects.count() == 2

    # Two tags mixed up: one lot too many is blended, seen, voided, and done right.
    for wanted in (fines, fines[:9]):
        page.goto(reverse("lot-blend") + "?" + "&".join(f"lot={code}" for code in wanted))
        total_g = sum(Lot.objects.filter(code__in=wanted).values_list("on_hand_g", flat=True))
        fill(page, mass_out=f"{total_g.quantize(Decimal(1)) - 200} g", passes="40")
        page.get_by_label("Rolled on a sheet").check()
        send(page, r"/steps/\d+/")
        if wanted is fines:
            page.get_by_role("link", name="Void this step").tap()
            fill(page, reason="the tenth lot is kept apart")
            page.get_by_role("button", name="Void this step").tap()
            page.get_by_text("Voided").first.wait_for()
    blend = Lot.objects.standing().get(kind="blend")
    assert Origin.objects.filter(lot=blend).count() == 2

    # It dried a little since.
    page.goto(reverse("lot-reweigh", args=[blend.code]))
    weighed_g = (blend.on_hand_g - 150).quantize(Decimal(1))
    fill(page, mass=f"{weighed_g} g")
    page.get_by_label("It dried out").check()
    send(page, r"/steps/\d+/")
    blend.refresh_from_db()
    assert blend.on_hand_g == weighed_g

    page.goto(blend.get_absolute_url())
    page.get_by_role("link", name="Cut portions").first.tap()
    fill(page, number="24", each="1 lb")
    page.get_by_label("Riffle splitter").check()
    send(page, r"/steps/\d+/")
    portions = codes(kind="portion")
    assert len(portions) == 24

    page.get_by_role("link", name="Print their tags").tap()
    page.wait_for_url(re.compile(r"/lots/tags/"))
    page.get_by_role("button", name="Draw the tags").tap()
    page.get_by_text(portions[0][:6]).first.wait_for()
    sheet = page.locator("main").text_content()
    assert all(code in "".join(sheet.split()) for code in portions)
    page.goto(Lot.objects.get(code=portions[0]).made_by.get_absolute_url())
    page.get_by_role("link", name="Move them all").tap()
    fill(page, place="shelf 2")
    page.locator(SEND).last.tap()
    page.get_by_text("shelf 2").first.wait_for()
    assert Lot.objects.filter(kind="portion", place="shelf 2").count() == 24

    # Where it came from: the picture names both digs.
    page.goto(reverse("lot-lineage", args=[portions[0]]))
    assert page.locator("main svg").count() >= 1
    assert page.get_by_text("N1").count() and page.get_by_text("D1").count()
    assert [*faults_of_lots(), *faults_of_steps()] == []
    assert Step.objects.filter(voided_at__isnull=False).count() == 1
