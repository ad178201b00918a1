import re
from decimal import Decimal

import pytest
from django.urls import reverse

from tests import make
from tests.trials.frames.test_results import assay, pan

pytestmark = pytest.mark.django_db


def words(response) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def dig_at(zone, latitude: str, longitude: str, station: str = "S1"):
    lot = make.make_lot("20000", zone=zone, station=station)
    dig = lot.made_by.dig
    dig.latitude, dig.longitude = Decimal(latitude), Decimal(longitude)
    dig.save()
    return lot


def sketch(client, claim, query: str = ""):
    return client.get(reverse("claim-map", args=[claim.pk]) + query)


def test_an_empty_claim_and_one_without_positions_say_what_to_do(client_as):
    claim = make.make_claim()
    client = client_as("member")
    assert "Nothing has been dug on this claim yet" in words(sketch(client, claim))
    make.make_lot(zone=make.make_zone(claim))
    assert "No dig of this claim has a position yet" in words(sketch(client, claim))
    assert client.get(reverse("claim-map", args=[987654])).status_code == 404
    assert client.post(reverse("claim-map", args=[claim.pk])).status_code == 405


def test_the_sketch_and_the_list_hold_the_same_digs(client_as):
    claim = make.make_claim()
    north, south = make.make_zone(claim, name="North"), make.make_zone(claim, name="South", stripe="b")
    rich, poor = dig_at(north, "12.3470", "-98.7640", "N1"), dig_at(south, "12.3440", "-98.7640", "S1")
    dig_at(south, "12.3441", "-98.7650", "S2")
    make.make_lot(zone=south, station="S3")
    pan(rich, "8"), pan(poor, "2")
    response = sketch(client_as("member", grade_unit="g_per_t"), claim)
    page, said = response.content.decode(), words(response)
    svg = page[page.index('<svg class="claim-map"') : page.index("</figure>")]
    assert svg.count("<circle") == 3
    assert "N1, North: 16.0 g/t" in svg
    assert "no result of its own" in svg
    sizes = {title: float(size) for title, size in re.findall(r"<title>(\w+), .*?r=\"([\d.]+)\"", svg)}
    assert sizes["N1"] > sizes["S1"] > sizes["S2"]
    assert "12.347000, -98.764000" in said
    assert "1 more dig here has no position" in said
    assert "stroke-b" in svg
    assert re.search(r"\d+ m</text>", svg)
    assert "north" in svg
    # 0.003 degrees of latitude are 331.8 m (110.6 km to the degree), 0.001 of longitude 108.7 m.
    assert "110 m wide and 330 m high" in said


def test_of_many_digs_the_sketch_shows_all_and_the_list_a_page(client_as, monkeypatch):
    monkeypatch.setattr("trials.views.zone_map.MOST_LISTED", 2)
    zone = make.make_zone()
    for number in range(3):
        dig_at(zone, f"12.347{number}", "-98.7640", f"N{number}")
    client = client_as("member")
    first, last = sketch(client, zone.claim, "?show=assay"), sketch(client, zone.claim, "?show=assay&page=2")
    for answer in (first, last):
        _, _, svg = answer.content.decode().partition('<svg class="claim-map"')
        assert svg.partition("</figure>")[0].count("<circle") == 3
    assert "page 1 of 2, 3 in all" in words(first)
    assert "?show=assay&amp;page=2" in first.content.decode()
    listed = [
        re.findall(r'data-label="Station"><a [^>]*>(\w+)<', answer.content.decode())
        for answer in (first, last)
    ]
    assert listed == [["N0", "N1"], ["N2"]]
    assert sketch(client, zone.claim, "?page=nonsense").status_code == 200


def test_north_is_up_and_east_is_right(client_as):
    zone = make.make_zone()
    dig_at(zone, "12.3470", "-98.7640", "NW")
    dig_at(zone, "12.3440", "-98.7600", "SE")
    page = sketch(client_as("member"), zone.claim).content.decode()
    place = {
        name: (float(x), float(y))
        for name, x, y in re.findall(r"<title>(\w+), .*?cx=\"([\d.]+)\" cy=\"([\d.]+)\"", page)
    }
    assert place["NW"][0] < place["SE"][0]
    assert place["NW"][1] < place["SE"][1]


def test_assays_and_one_zone_alone_can_be_asked_for(client_as):
    claim = make.make_claim()
    one, other = make.make_zone(claim), make.make_zone(claim)
    assay(dig_at(one, "12.3470", "-98.7640", "A1"), ["<0.5"])
    dig_at(other, "12.3471", "-98.7641", "B1")
    client = client_as("member", grade_unit="g_per_t")
    said = words(sketch(client, claim, f"?show=assay&zone={one.pk}"))
    assert "below 0.5 g/t" in said
    assert "B1" not in said
    for nonsense in ("?show=gold", "?zone=x", "?zone=99999999999999999999", "?zone=%00"):
        assert sketch(client, claim, nonsense).status_code == 200


def test_feet_for_who_weighs_in_pounds(client_as):
    zone = make.make_zone()
    dig_at(zone, "12.3470", "-98.7640")
    dig_at(zone, "12.3440", "-98.7640", "S2")
    response = sketch(client_as("member", mass_unit="lb"), zone.claim)
    assert re.search(r">\d+ ft</text>", response.content.decode())


def test_a_slip_in_a_position_is_told(client_as):
    zone = make.make_zone()
    dig_at(zone, "12.3470", "-98.7640")
    dig_at(zone, "12.3470", "98.7640", "S2")
    response = sketch(client_as("member"), zone.claim)
    assert response.status_code == 200
    assert "over 100 km apart" in words(response)


def test_it_costs_few_queries(client_as, django_assert_max_num_queries):
    claim = make.make_claim()
    zones = [make.make_zone(claim) for _ in range(2)]
    for number in range(8):
        pan(dig_at(zones[number % 2], f"12.34{number}", "-98.764", f"S{number}"), "2")
    client = client_as("member")
    with django_assert_max_num_queries(20):
        assert sketch(client, claim).status_code == 200
