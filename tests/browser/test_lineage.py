"""The picture of a lot's lineage measured as a phone draws it: no word leaves its box, no box the picture."""

import pytest
from django.urls import reverse

from prospecting.actions import steps
from prospecting.actions.material import DrawFrom, NewLot, StepDetails
from prospecting.models import Lot
from tests import make

pytestmark = pytest.mark.django_db(transaction=True)

OUTSIDE = """() => {
  const found = [];
  for (const group of document.querySelectorAll(".family g")) {
    const box = group.querySelector("rect:not(.behind)").getBoundingClientRect();
    for (const text of group.querySelectorAll("text")) {
      const own = text.getBoundingClientRect();
      if (own.left < box.left - 1 || own.right > box.right + 1 || own.top < box.top - 1 || own.bottom > box.bottom + 1)
        found.push(`${text.textContent} leaves its box`);
    }
  }
  for (const svg of document.querySelectorAll(".family svg")) {
    const frame = svg.getBoundingClientRect();
    for (const text of svg.querySelectorAll("text")) {
      const own = text.getBoundingClientRect();
      if (own.left < frame.left || own.right > frame.right) found.push(`${text.textContent} leaves the picture`);
      const size = parseFloat(getComputedStyle(text).fontSize) * svg.getScreenCTM().a;
      if (size < 11.25) found.push(`${text.textContent} is set in ${size} px`);
    }
  }
  if (document.documentElement.scrollWidth > innerWidth) found.push("the page scrolls sideways");
  return found;
}"""


def shed_day() -> Lot:
    """Eight buckets of four digs crushed, screened and blended; portions, a split for assay."""
    member = make.make_member()
    zone = make.make_zone(name="The long name of a seam")
    fine = []
    for dig in range(4):
        dug = steps.record_dig(
            zone=zone,
            station=f"CROSSCUT-{dig}-WEST",
            dug_on=make.DAY,
            digger="A. Digger",
            sample_kind="bulk",
            buckets=[NewLot(kind=Lot.Kind.BUCKET, mass_g=12345)] * 2,
            recorded_by=member,
        )
        for bucket in dug.made.order_by("pk"):
            screened = steps.screen_lot(
                draw=DrawFrom(lot=bucket, mass_g=12345),
                opening_um=850,
                undersize=NewLot(kind=Lot.Kind.UNDERSIZE, mass_g=9999),
                oversize=NewLot(kind=Lot.Kind.OVERSIZE, mass_g=2300),
                recorded_by=member,
                done_on=make.DAY,
                details=StepDetails(),
            )
            fine.append(screened.made.get(kind=Lot.Kind.UNDERSIZE))
    blend = make.make_blend(*((lot, "8888") for lot in fine), mass_g="71000")
    make.make_portions(blend, 24)
    steps.take_for_assay(
        draw=DrawFrom(lot=blend, mass_g=400, typed="400 g"),
        recorded_by=member,
        done_on=make.DAY,
        details=StepDetails(method="riffle"),
    )
    return blend


@pytest.mark.parametrize("mass_unit", ["kg", "lb"])
def test_every_word_stays_in_its_box_at_390_and_360_px(phone_as, mass_unit):
    lot = shed_day()
    page = phone_as("guest", mass_unit=mass_unit)
    page.goto(reverse("lot-lineage", args=[lot.code]))
    for width in (390, 360):
        page.set_viewport_size({"width": width, "height": 844})
        assert page.evaluate(OUTSIDE) == []


def test_a_box_leads_to_its_lot(phone_as):
    lot = shed_day()
    page = phone_as("guest")
    page.goto(reverse("lot-lineage", args=[lot.code]))
    page.locator(".family .root").click()
    page.wait_for_url(f"**{lot.get_absolute_url()}")
