import re
from decimal import Decimal

import pytest
from django.urls import reverse

from tests import make
from tests.trials.make_trial import log, make_closed, make_result, make_running
from trials.actions import running

pytestmark = pytest.mark.django_db


def words(response) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def pan(lot, gold: str | None, **fields):
    member = make.make_member()
    return running.log_test_pan(
        lot=lot,
        portion=running.Portion(mass_g=Decimal(500), typed="500 g"),
        result=make_result(member, gold, **fields),
        recorded_by=member,
    )


def test_who_may_open_it(client, client_as):
    zone = make.make_zone()
    assert client.get(zone.get_absolute_url()).status_code == 302
    assert client_as("guest").get(zone.get_absolute_url()).status_code == 200
    assert client_as("keeper").post(zone.get_absolute_url()).status_code == 405
    assert client_as("guest").get(reverse("zone-detail", args=[987654])).status_code == 404


def test_a_zone_without_digs_says_what_to_do(client_as):
    zone = make.make_zone(note="behind the third spring")
    member, guest = (
        client_as("member").get(zone.get_absolute_url()),
        client_as("guest").get(zone.get_absolute_url()),
    )
    assert f"{reverse('dig-add')}?zone={zone.pk}" in member.content.decode()
    assert "Record a dig" in words(member)
    assert reverse("dig-add") not in guest.content.decode()
    assert "behind the third spring" in words(member)
    assert "behind the third spring" not in words(guest)


def test_a_zone_with_digs_but_no_result_leads_to_its_lots(client_as):
    zone = make.make_zone()
    make.make_lot(zone=zone, station="S77")
    response = client_as("member").get(zone.get_absolute_url())
    assert "S77" in words(response)
    assert "log a test pan" in words(response)
    assert '<svg viewBox="0 0 360' not in response.content.decode()


def test_the_picture_and_the_table_hold_the_same_results(client_as):
    zone = make.make_zone()
    lot, other = make.make_lot(zone=zone, is_dry=True), make.make_lot()
    blend = make.make_blend((lot, "3000"), (other, "1000"))
    first = pan(lot, "2.0")
    second = pan(blend, None, below_scale=True)
    response = client_as("guest", grade_unit="g_per_t").get(zone.get_absolute_url())
    page, said = response.content.decode(), words(response)
    svg = page[page.index('<figure class="figure">') : page.index("</figure>")]
    assert svg.count("<circle") == 2
    assert "below 0.2 g/t, 75 % from this zone" in svg
    table = page[page.index("</figure>") :]
    assert first.get_absolute_url() in table
    assert second.get_absolute_url() in table
    # (1 x 4 + 0.75 x 0) / 1.75 and (1 x 4 + 0.75 x 0.2) / 1.75.
    assert "Pans: mean between 2.29 and 2.37 g/t , from 2 pans with 1 independent dig behind them" in said
    assert "Indication only" in said
    assert "style=" not in page


@pytest.mark.parametrize("forbidden", ["resource", "reserve", "worth $", "ounces in the ground"])
def test_no_word_of_value(client_as, forbidden):
    zone = make.make_zone()
    pan(make.make_lot(zone=zone), "2.0")
    said = words(client_as("guest").get(zone.get_absolute_url()))
    assert forbidden not in said.lower()


def test_an_open_blocks_runs_are_not_there(client_as):
    zone = make.make_zone()
    lot = make.make_lot("40000", zone=zone)
    member = make.make_member()
    trial = make_running(lot=lot, names=("spring water", "wonder rinse"), blocks=2, member=member)
    for planned in trial.planned_runs.all():
        log(planned, member, "7.77")
    response = client_as("keeper").get(zone.get_absolute_url())
    assert "No grade yet" in words(response)
    assert not any(planned.blind_code in words(response).split() for planned in trial.planned_runs.all())


def test_it_costs_few_queries(client_as, django_assert_max_num_queries):
    zone = make.make_zone()
    lots = [make.make_lot("30000", zone=zone) for _ in range(8)]
    for lot in lots:
        pan(lot, "2.0")
    blend = make.make_blend(*[(lot, "3000") for lot in lots])
    make_closed(lambda planned: "5.5", lot=blend, blocks=4)
    client = client_as("member")
    with django_assert_max_num_queries(19):
        assert client.get(zone.get_absolute_url()).status_code == 200


def test_the_picture_can_run_along_depth_and_stations(client_as):
    zone = make.make_zone()
    lot = make.make_lot(zone=zone, station="S7")
    pan(lot, "2.0")
    client = client_as("guest")
    assert "No dig with a result has its depth on record" in words(
        client.get(zone.get_absolute_url() + "?along=depth")
    )
    by_station = client.get(zone.get_absolute_url() + "?along=station")
    assert ">S7</text>" in by_station.content.decode()
    for nonsense in ("?along=gold", "?along=", "?along=%00"):
        assert client.get(zone.get_absolute_url() + nonsense).status_code == 200


def test_what_may_be_said_outside_stands_there_to_be_copied(client_as):
    zone = make.make_zone(name="North cut")
    pan(make.make_lot(zone=zone, is_dry=True), "2.0")
    said = words(client_as("guest", grade_unit="g_per_t", mass_unit="kg").get(zone.get_absolute_url()))
    assert (
        "North cut: 1 pan of 0.5 kg each, from 1 dig (bulk samples) dug on 3 May 2026, dry basis: mean 4.0 g/t."
        in said
    )
    assert "What may not be said" in said


def test_a_page_read_back_is_the_page_first_written(client_as):
    zone = make.make_zone()
    lot = make.make_lot(zone=zone)
    pan(lot, "2.0")
    client = client_as("guest")
    first, second = (words(client.get(zone.get_absolute_url())) for _ in range(2))
    assert first == second
    pan(lot, "6.0")
    assert words(client.get(zone.get_absolute_url())) != first


def compare_page(client, **asked):
    return client.get(reverse("zone-compare"), asked)


def test_with_no_zone_dug_or_one_there_is_nothing_to_compare(client, client_as):
    assert client.get(reverse("zone-compare")).status_code == 302
    guest = client_as("guest")
    assert "Nothing has been dug yet" in words(compare_page(guest))
    make.make_lot(zone=make.make_zone(name="North cut"))
    assert "Only North cut" in words(compare_page(guest))
    assert guest.post(reverse("zone-compare")).status_code in (403, 405)


def test_zones_without_results_say_what_to_do(client_as):
    for _ in range(2):
        make.make_lot(zone=make.make_zone())
    assert "None of these zones has a dig with a result of its own yet" in words(
        compare_page(client_as("guest"))
    )


def test_the_readers_margin_and_zones_are_kept(client_as):
    zones = [make.make_zone(name=name) for name in ("North cut", "South cut", "East cut")]
    for zone in zones:
        pan(make.make_lot(zone=zone), "2.0")
    client = client_as("guest")
    page = compare_page(client, zone=[zones[0].pk, zones[2].pk], margin="2")
    said = words(page)
    assert "Which of" in said
    assert "South cut is" not in said
    assert page.content.decode().count(" checked") == 2
    assert 'value="2"' in page.content.decode()


@pytest.mark.parametrize(
    ("margin", "chosen", "sentence"),
    [
        ("0.5", 2, "Give a number from 1.01 to 20."),
        ("much", 2, "holds no number"),
        ("", 2, "This field is required"),
        ("1.5", 1, "Tick two zones or more."),
        ("1.5", 0, "Tick two zones or more."),
    ],
)
def test_nonsense_is_answered_beside_its_field(client_as, margin, chosen, sentence):
    zones = [make.make_zone() for _ in range(2)]
    for zone in zones:
        pan(make.make_lot(zone=zone), "2.0")
    response = compare_page(client_as("guest"), zone=[zone.pk for zone in zones[:chosen]], margin=margin)
    assert response.status_code == 200
    assert sentence in words(response)
    assert "verdict" not in response.content.decode()


def test_a_zone_that_is_not_there_is_refused(client_as):
    zones = [make.make_zone() for _ in range(2)]
    for zone in zones:
        make.make_lot(zone=zone)
    for odd in ("987654", "x", "-1", "9" * 30):
        response = compare_page(client_as("guest"), zone=[zones[0].pk, odd], margin="1.5")
        assert "Choose zones of the list." in words(response)


def test_the_comparison_costs_few_queries_once_written(client_as, django_assert_max_num_queries):
    for _ in range(2):
        zone = make.make_zone()
        for _ in range(4):
            pan(make.make_lot(zone=zone), "2.0")
    client = client_as("guest")
    compare_page(client)
    with django_assert_max_num_queries(18):
        compare_page(client)


def test_the_read_back_loads_no_statistics():
    import subprocess
    import sys

    script = (
        "import os, sys, django; os.environ['DJANGO_SETTINGS_MODULE'] = 'prospecting.settings'; django.setup(); "
        "import trials.views.zones, trials.views.zone_map; "
        "print([n for n in ('numpy', 'scipy', 'pandas') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == "[]", done.stderr
