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


def test_no_heavy_library_is_needed():
    import subprocess
    import sys

    script = "import sys, trials.frames.results, trials.charts.grade; print([n for n in ('numpy', 'pandas') if n in sys.modules])"
    start = (
        "import os, django; os.environ['DJANGO_SETTINGS_MODULE'] = 'prospecting.settings'; django.setup(); "
    )
    done = subprocess.run([sys.executable, "-c", start + script], capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == "[]", done.stderr
