import html
import json
import re
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from prospecting.models import JournalEntry
from tests import make

pytestmark = pytest.mark.django_db

HERE = (Decimal("12.345600"), Decimal("-98.764000"))


def words(response) -> str:
    return html.unescape(" ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split()))


def points(**places) -> bytes:
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [float(longitude), float(latitude)]},
            "properties": {"name": name},
        }
        for name, (latitude, longitude) in places.items()
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}).encode()


def identity(response) -> str:
    return re.search(r'name="identity" value="([^"]+)"', response.content.decode())[1]


def upload(client, claim, data: bytes, name: str = "p.geojson"):
    url = reverse("positions-read", args=[claim.pk])
    sent = {"identity": identity(client.get(url)), "upload": SimpleUploadedFile(name, data)}
    return client.post(url, sent)


def test_guests_get_no_position_by_any_door(client, client_as):
    zone = make.make_zone()
    dig = make.make_lot(zone=zone).made_by.dig
    dig.latitude, dig.longitude = HERE
    dig.save()
    guest = client_as("guest")
    for name in ("positions-read", "claim-map"):
        url = reverse(name, args=[zone.claim_id])
        assert client.get(url).status_code == 302
        assert guest.get(url).status_code == 403
        assert client_as("member").get(url).status_code == 200
    for name in ("positions-geojson", "positions-gpx"):
        url = reverse(name, args=[zone.claim_id])
        assert client.post(url).status_code == 302
        assert guest.post(url).status_code == 403
        assert client_as("member").post(url).status_code == 200
        assert client_as("member").get(url).status_code == 405
    for page in (zone, zone.claim, dig):
        assert "98.764" not in guest.get(page.get_absolute_url()).content.decode()
    assert "98.764" not in guest.get(reverse("zone-compare")).content.decode()


def test_files_are_saved_and_kept_by_no_cache(client_as):
    zone = make.make_zone()
    for name, kind in (
        ("positions-geojson", "application/geo+json"),
        ("positions-gpx", "application/gpx+xml"),
    ):
        member = client_as("member")
        response = member.post(reverse(name, args=[zone.claim_id]))
        assert response["Content-Type"] == kind
        assert response["Content-Disposition"].startswith("attachment")
        assert "no-store" in response["Cache-Control"]
        told = JournalEntry.objects.get(subject_kind="export", member=member.member)
        assert told.subject_label == str(zone.claim)
        assert "saved the positions" in told.what


def test_a_file_is_shown_first_and_recorded_whole(client_as):
    zone = make.make_zone()
    dig = make.make_lot(zone=zone, station="S1").made_by.dig
    client = client_as("member")
    shown = client.get(upload(client, zone.claim, points(S1=HERE, camp=HERE)).url)
    assert "Nothing is recorded yet" in words(shown)
    assert "1 gets a position" in words(shown)
    assert "Not used, since no dig of this claim is at a station called so: camp" in words(shown)
    dig.refresh_from_db()
    assert dig.latitude is None
    done = client.post(
        shown.request["PATH_INFO"] + "?" + shown.request["QUERY_STRING"], {"identity": identity(shown)}
    )
    assert done.url == reverse("claim-map", args=[zone.claim_id])
    dig.refresh_from_db()
    assert (dig.latitude, dig.longitude) == HERE


def test_a_move_takes_a_tick_and_a_refusal_changes_nothing(client_as):
    zone = make.make_zone()
    dig = make.make_lot(zone=zone, station="S1").made_by.dig
    dig.latitude, dig.longitude = HERE[0] + Decimal("0.001"), HERE[1]
    dig.save()
    client = client_as("member")
    shown = client.get(upload(client, zone.claim, points(S1=HERE)).url)
    assert "moves by 110 m" in words(shown)
    address = shown.request["PATH_INFO"] + "?" + shown.request["QUERY_STRING"]
    refused = client.post(address, {"identity": identity(shown)})
    assert "S1 would move" in words(refused)
    dig.refresh_from_db()
    assert dig.latitude == HERE[0] + Decimal("0.001")
    assert client.post(address, {"identity": identity(refused), "may_move": "on"}).status_code == 302
    dig.refresh_from_db()
    assert dig.latitude == HERE[0]


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"not a map", "neither GeoJSON"),
        (b'<!DOCTYPE gpx [<!ENTITY a "b">]><gpx/>', "document type or entities"),
        (points(S1=(95, 5)), "lies beyond 90"),
        (points(camp=HERE), "No name in the file"),
    ],
)
def test_a_bad_file_is_answered_with_a_sentence(client_as, data, sentence):
    zone = make.make_zone()
    make.make_lot(zone=zone, station="S1")
    client = client_as("member")
    shown = client.get(upload(client, zone.claim, data).url)
    assert shown.status_code == 200
    assert sentence in words(shown)
    assert "Nothing was recorded" in words(shown)


def test_no_file_an_empty_one_and_a_large_one_are_refused(client_as):
    claim = make.make_claim()
    client = client_as("member")
    url = reverse("positions-read", args=[claim.pk])
    assert "Choose the file" in words(client.post(url, {"identity": identity(client.get(url))}))
    assert "The file is empty" in words(upload(client, claim, b""))
    assert "at most 2 MB" in words(upload(client, claim, b"{" + b" " * 2_100_000))


def test_a_forgotten_file_leads_back_to_the_beginning(client_as):
    url = reverse("positions-read", args=[make.make_claim().pk])
    assert client_as("member").get(f"{url}?file={'0' * 64}").url == url
    assert client_as("member").get(f"{url}?file=..%2F..%2Fx").url == url
    assert client_as("member").get(reverse("positions-read", args=[987654])).status_code == 404
