import re
from decimal import Decimal

import pytest
from django.urls import reverse

from prospecting.actions import steps
from prospecting.actions.material import NewLot, void_step
from prospecting.models import Lot
from tests import make
from tests.trials.make_trial import log, make_running

pytestmark = pytest.mark.django_db

MOST_QUERIES = 16


def lineage_of(client, lot: Lot, query: str = "") -> str:
    response = client.get(reverse("lot-lineage", args=[lot.code]) + query)
    assert response.status_code == 200
    return response.content.decode()


def words(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def blend() -> tuple[Lot, Lot, Lot]:
    left, right = make.make_lot("6000"), make.make_lot("4000")
    return make.make_blend((left, "5000"), (right, "3000"), mass_g="7970"), left, right


def test_who_may_open_them(client, client_as):
    lot = make.make_lot()
    dig = lot.made_by.dig
    urls = [
        reverse("lot-lineage", args=[lot.code]),
        reverse("dig-lots", args=[dig.pk]),
        reverse("zone-lots", args=[dig.zone_id]),
    ]
    for url in urls:
        assert client.get(url).status_code == 302
        assert client_as("guest").get(url).status_code == 200
        assert client_as("keeper").post(url).status_code == 405
    for name, missing in (
        ("lot-lineage", "NO-SUCH"),
        ("dig-lots", dig.pk + 1),
        ("zone-lots", dig.zone_id + 1),
    ):
        assert client_as("member").get(reverse(name, args=[missing])).status_code == 404


def test_the_picture_leads_from_the_digs_to_the_portions(client_as):
    lot, left, right = blend()
    make.make_portions(lot, 4)
    page = lineage_of(client_as("guest", mass_unit="kg"), lot)
    drawing = page[page.index("<svg") : page.rindex("</svg>")]
    for bucket in (left, right):
        assert bucket.get_absolute_url() in drawing
        assert bucket.made_by.dig.get_absolute_url() in drawing
    said = words(drawing)
    assert "This lot" in said
    assert "4 portions" in said
    assert "5 kg" in said
    assert "3 kg" in said
    assert "−30 g lost" in said
    assert "style=" not in page
    assert "2 digs" in words(page)


def test_the_table_holds_the_same_numbers(client_as):
    lot, left, _ = blend()
    make.make_portions(lot, 2)
    page = lineage_of(client_as("guest", mass_unit="kg"), lot)
    rows = [words(row) for row in page.split("<tr")]
    assert any(left.code in row and "1 step back" in row and "5 kg" in row and "30 g" in row for row in rows)
    assert any("2 portions, 0.908 kg in all" in row and "1 step on" in row for row in rows)
    assert any(f"Dig {left.made_by.dig.pk}" in row and "from the ground" in row for row in rows)


def test_one_way_at_a_time(client_as):
    lot, left, _ = blend()
    make.make_portions(lot, 2)
    client = client_as("guest")
    back, onward = (lineage_of(client, lot, f"?way={way}") for way in ("back", "on"))
    assert ">1 step back<" in back
    assert ">1 step on<" not in back
    assert ">1 step back<" not in onward
    assert ">1 step on<" in onward


@pytest.mark.parametrize("query", ["?page=99", "?page=x", "?way=sideways&page=-1", "?way=%00", "?page=²"])
def test_nonsense_in_the_address_shows_a_page(client_as, query):
    lot, *_ = blend()
    assert "1 step back" in words(lineage_of(client_as("guest"), lot, query))


def test_a_long_table_comes_in_pages(client_as):
    lot = make.make_lot("99000")
    for portion in make.make_portions(lot, 40):
        make.make_portions(portion, 2, "100")
    client = client_as("guest")
    first, second = lineage_of(client, lot), lineage_of(client, lot, "?page=2")
    assert "page 1 of 2, 42 in all" in words(first)
    assert "page 2 of 2" in words(second)


def test_as_many_queries_for_sixty_generations_as_for_three(client_as, django_assert_max_num_queries):
    client = client_as("guest")
    asked = []
    for generations in (3, 60):
        lot, other = make.make_lot("90000"), make.make_lot("90000")
        for _ in range(generations):
            lot = make.make_blend((lot, "900"), (other, "900"))
        with django_assert_max_num_queries(MOST_QUERIES) as queries:
            page = lineage_of(client, lot)
        asked.append(len(queries))
    # Sixty generations back there is no dig on the first page of the table and none in the picture.
    assert asked[1] <= asked[0]
    assert "more lots further back are not drawn" in words(page)


def test_as_many_queries_for_the_lot_page_too(client_as, django_assert_max_num_queries):
    client = client_as("guest")
    asked = []
    for generations in (3, 60):
        lot, other = make.make_lot("90000"), make.make_lot("90000")
        for _ in range(generations):
            lot = make.make_blend((lot, "900"), (other, "900"))
        with django_assert_max_num_queries(19) as queries:
            assert client.get(lot.get_absolute_url()).status_code == 200
        asked.append(len(queries))
    assert asked[0] == asked[1]


def test_an_open_block_tells_no_treatment_and_no_gold(client_as):
    lot = make.make_lot("40000")
    make.make_portions(lot, 6)
    trial = make_running(lot=lot, portions_from="cut", names=("plain water", "a secret rinse"))
    for planned in trial.planned_runs.all()[:2]:
        log(planned, make.make_member(), "7.77")
    page = lineage_of(client_as("keeper"), lot)
    assert "secret" not in page
    assert "7.77" not in page
    assert "gold told when the block is closed" in words(page)


def test_no_position_leaves_it(client_as):
    lot = steps.record_dig(
        zone=make.make_zone(),
        station="S1",
        dug_on=make.DAY,
        digger="A. Digger",
        sample_kind="bulk",
        latitude=Decimal("45.678912"),
        longitude=Decimal("-101.234567"),
        buckets=[NewLot(kind=Lot.Kind.BUCKET, mass_g=Decimal(9000))],
        recorded_by=make.make_member(),
    ).made.get()
    for url in (reverse("lot-lineage", args=[lot.code]), reverse("dig-lots", args=[lot.made_by.dig.pk])):
        for role in ("guest", "member"):
            page = client_as(role).get(url).content.decode()
            assert "45.67" not in page
            assert "101.23" not in page


def test_a_voided_lot_still_has_its_way(client_as):
    lot, *_ = blend()
    void_step(step=lot.made_by, reason="weighed twice", voided_by=make.make_member("keeper"))
    page = lineage_of(client_as("guest"), lot)
    assert "weighed twice" in page
    assert 'class="lot root void"' in page


def test_a_name_cannot_break_the_picture(client_as):
    zone = make.make_zone(name='<b>"&amp; seam')
    page = lineage_of(client_as("guest"), make.make_lot(zone=zone, station="<i>x</i>"))
    assert "<i>x" not in page
    assert "<b>&quot;" not in page


def test_everything_that_ever_held_a_dig(client_as, django_assert_max_num_queries):
    lot, left, right = blend()
    client = client_as("guest", mass_unit="kg")
    url = reverse("dig-lots", args=[left.made_by.dig.pk])
    with django_assert_max_num_queries(6):
        page = client.get(url).content.decode()
    said = words(page)
    assert "2 lots" in said
    # 5000 g of 8000 g: 62.5 %, and of 7970 g that is 4.98125 kg.
    assert "62.5 %" in said
    assert "4.98 kg" in said
    assert right.code not in page
    kept = client.get(url + "?kind=bucket").content.decode()
    assert left.code in kept
    assert lot.code not in kept
    # The left bucket has 1 kg left.
    assert left.code in client.get(url + "?on_hand=on").content.decode()
    for nonsense in ("?kind=%00", "?page=x", "?per_page=-5", "?sort=share", "?on_hand=2"):
        assert client.get(url + nonsense).status_code == 200


def test_everything_that_ever_held_a_zone(client_as):
    zone = make.make_zone()
    one, other = make.make_lot(zone=zone), make.make_lot(zone=zone)
    lot = make.make_blend((one, "1000"), (other, "1000"), (make.make_lot(), "2000"))
    said = words(client_as("guest").get(reverse("zone-lots", args=[zone.pk])).content.decode())
    assert "3 lots" in said
    assert f"{lot.code}" in said
    assert "50 %" in said
