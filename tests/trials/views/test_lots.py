import datetime
import re
from decimal import Decimal

import pytest
from django.urls import reverse

from prospecting.actions import assays, dispatching, steps
from prospecting.actions.material import DrawFrom, NewLot, StepDetails, void_step
from prospecting.models import Lot
from prospecting.readers.certificate_csv import read_certificate
from tests import make
from tests.trials.make_trial import log, make_closed, make_result, make_running
from trials.actions import running

pytestmark = pytest.mark.django_db

MOST_QUERIES = 19


def page_of(client, lot: Lot) -> str:
    response = client.get(lot.get_absolute_url())
    assert response.status_code == 200
    return response.content.decode()


def words(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def pan(lot: Lot, gold: str | None, mass: str = "500", **fields):
    member = make.make_member()
    return running.log_test_pan(
        lot=lot,
        portion=running.Portion(mass_g=Decimal(mass), typed=f"{mass} g"),
        result=make_result(member, gold, **fields),
        recorded_by=member,
    )


def assay(lot: Lot, *cells: str) -> None:
    keeper = make.make_member("keeper")
    split = steps.take_for_assay(
        draw=DrawFrom(lot=lot, mass_g=Decimal(400), typed="400 g"),
        recorded_by=keeper,
        done_on=make.DAY,
        details=StepDetails(method="riffle"),
    ).made.get()
    dispatch = dispatching.send_dispatch(
        laboratory=dispatching.add_laboratory(name=f"Invented Assay Office {split.pk}", recorded_by=keeper),
        sent_on=make.DAY,
        method="fire_30",
        lots=[split],
        recorded_by=keeper,
    )
    data = ("Sample,Au_ppm\n" + "".join(f"{dispatch.samples.get().tag},{cell}\n" for cell in cells)).encode()
    assays.store_return(
        dispatch=dispatch,
        certificate=read_certificate(data, "c.csv"),
        certificate_number="C-17",
        reported_on=make.DAY,
        file_name="c.csv",
        file_bytes=data,
        recorded_by=keeper,
    )


def test_who_may_open_it(client, client_as):
    lot = make.make_lot()
    assert client.get(lot.get_absolute_url()).status_code == 302
    assert client_as("guest").get(lot.get_absolute_url()).status_code == 200
    assert client_as("member").post(lot.get_absolute_url()).status_code == 405
    assert client_as("member").get(reverse("lot-detail", args=["NO-SUCH-CODE"])).status_code == 404


def test_the_tag_and_both_masses(client_as):
    lot = make.make_lot("10000", title="north face")
    steps.discard_from_lot(
        draw=DrawFrom(lot=lot, mass_g=Decimal(4000)),
        recorded_by=make.make_member(),
        done_on=make.DAY,
        details=StepDetails(loss_reason="barren"),
    )
    page = page_of(client_as("guest", mass_unit="kg"), lot)
    assert 'class="tag' in page
    assert "north face" in page
    assert "10 kg when made, 6 kg on hand" in words(page)


def test_the_shares_by_dig_by_zone_and_by_claim(client_as):
    claim = make.make_claim("Half Moth")
    upper, lower = make.make_zone(claim, "Upper cut"), make.make_zone(claim, "East dump")
    blend = make.make_blend((make.make_lot(zone=upper), "3000"), (make.make_lot(zone=lower), "1000"))
    said = words(page_of(client_as("guest"), blend))
    assert "Upper cut 75 %" in said
    assert "East dump 25 %" in said
    assert "Half Moth 100 %" in said
    assert "fixed when the lot was made" in said
    assert "well mixed" in said


def test_the_tree_links_lots_and_steps_both_ways(client_as):
    left, right = make.make_lot("6000"), make.make_lot("4000")
    blend = make.make_blend((left, "5000"), (right, "3000"))
    portions = make.make_portions(blend, 3)
    page = page_of(client_as("guest"), blend)
    for lot in (left, right, *portions):
        assert lot.get_absolute_url() in page
    for step in (blend.made_by, portions[0].made_by):
        assert step.get_absolute_url() in page
    assert "5 kg drawn" in words(page_of(client_as("guest", mass_unit="kg"), left))


def test_guests_see_neither_acts_nor_journal_nor_positions(client_as):
    zone = make.make_zone()
    step = steps.record_dig(
        zone=zone,
        station="S1",
        dug_on=make.DAY,
        digger="A. Digger",
        sample_kind="bulk",
        latitude=Decimal("45.678912"),
        longitude=Decimal("-101.234567"),
        buckets=[NewLot(kind=Lot.Kind.BUCKET, mass_g=Decimal(9000))],
        recorded_by=make.make_member(),
    )
    lot = step.made.get()
    guest, member = page_of(client_as("guest"), lot), page_of(client_as("member"), lot)
    for page in (guest, member):
        assert "45.67" not in page
        assert "101.23" not in page
    assert reverse("lot-crush", args=[lot.code]) in member
    assert reverse("lot-crush", args=[lot.code]) not in guest
    assert "Journal" in member
    assert '<h2 id="journal"' not in guest


def test_a_voided_lot_says_why_and_offers_nothing(client_as):
    lot = make.make_lot()
    void_step(step=lot.made_by, reason="weighed twice", voided_by=make.make_member("keeper"))
    page = page_of(client_as("keeper"), lot)
    assert "weighed twice" in page
    assert reverse("lot-crush", args=[lot.code]) not in page


def test_a_blend_offers_a_trial_on_it(client_as):
    blend = make.make_blend((make.make_lot(), "3000"), (make.make_lot(), "1000"))
    assert f"{reverse('trial-add')}?lot={blend.code}" in page_of(client_as("member"), blend)


def test_a_planned_portion_is_panned_only_as_its_run(client_as):
    lot = make.make_lot("40000")
    make.make_portions(lot, 6)
    trial = make_running(lot=lot, portions_from="cut")
    planned = trial.planned_runs.select_related("portion").first()
    page = page_of(client_as("member"), planned.portion)
    assert planned.blind_code in page
    assert trial.get_next_url() in page
    assert reverse("run-add", args=[planned.portion.code]) not in page


def test_field_estimate_stands_beside_the_assay(client_as):
    lot = make.make_lot("20000", is_dry=True)
    pan(lot, "2.0")
    pan(lot, None, below_scale=True)
    assay(lot, "6.0", "<0.01")
    said = words(page_of(client_as("guest", grade_unit="g_per_t"), lot))
    assert "between 2.0 and 2.1 g/t" in said
    assert "below 0.2 g/t" in said
    # 2.0/6 and 2.1/6.
    assert "Apparent recovery: between 33 % and 35 %" in said
    assert "no calibration" in said
    assert "Panned above assay" not in said
    assert "<0.01" in said.replace("&lt;", "<")
    assert "below 0.01 g/t (not zero)" in said
    assert "in use" in said
    assert "Basis: dried material" in said


def test_panned_above_assay_is_flagged_with_its_causes_and_wet_is_told(client_as):
    lot = make.make_lot("20000", is_dry=False)
    pan(lot, "9.0")
    assay(lot, "2.0")
    said = words(page_of(client_as("guest", grade_unit="g_per_t"), lot))
    assert "Panned above assay" in said
    for cause in ("nugget luck", "black sand", "mixed up", "unit"):
        assert cause in said
    assert "Wet basis" in said


def test_an_open_blocks_treatment_and_result_are_nowhere(client_as):
    lot = make.make_lot("40000")
    member = make.make_member()
    trial = make_running(lot=lot, names=("spring water", "wonder rinse"), blocks=2, member=member)
    for planned in trial.planned_runs.all():
        log(planned, member, "7.77")
    for client in (client_as("guest"), client_as("member"), client_as("keeper")):
        said = words(page_of(client, lot))
        assert "wonder rinse" not in said
        assert "spring water" not in said
        assert "7.77" not in said
        assert "Neither a weighed pan" in said
    running.close_block(block=trial.blocks.first(), closed_by=member)
    said = words(page_of(client_as("guest"), lot))
    assert said.count("wonder rinse") == 1
    assert said.count("spring water") == 1


def test_a_lot_with_a_long_story_costs_few_queries(client_as, django_assert_max_num_queries):
    parts = [(make.make_lot("20000", day=make.DAY - datetime.timedelta(days=n)), "4000") for n in range(12)]
    blend = make.make_blend(*parts)
    make.make_portions(blend, 8)
    make_closed(lambda planned: "5.5", lot=blend, blocks=4, portions_from="cut")
    pan(blend, "3.0")
    assay(blend, "6.0", "7.0", "<0.01")
    for client in (client_as("member"), client_as("guest")):
        with django_assert_max_num_queries(MOST_QUERIES):
            page_of(client, blend)
