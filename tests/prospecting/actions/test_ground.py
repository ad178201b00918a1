import datetime
from decimal import Decimal
from io import BytesIO

import pytest
from django.conf import settings
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from prospecting.actions import ground
from prospecting.actions.material import NewLot, void_step
from prospecting.models import Claim, Dig, JournalEntry, Lot, Photo, Zone
from tests.make import DAY, make_claim, make_lot, make_member, make_zone

CLAIM = {
    "name": "Lantern",
    "kind": "lode",
    "serial_number": "",
    "holder": "",
    "permission": "",
    "located_on": None,
    "acreage": "",
    "legal_description": "",
    "county_record": "",
    "note": "",
}


def picture() -> SimpleUploadedFile:
    buffer = BytesIO()
    Image.new("RGB", (40, 30), "brown").save(buffer, "PNG")
    return SimpleUploadedFile("hole.png", buffer.getvalue())


def photo_files() -> set:
    return set(settings.MEDIA_ROOT.rglob("*.jpg"))


def dig(member, **facts) -> Dig:
    facts = {
        "zone": facts.pop("zone", None) or make_zone(),
        "station": "S1",
        "dug_on": DAY,
        "digger": "A. Digger",
        "sample_kind": "chip",
        "buckets": [NewLot(kind=Lot.Kind.BUCKET, mass_g=Decimal(9000), typed="9 kg", field="mass_1")],
        "recorded_by": member,
    } | facts
    return ground.dig_at_station(**facts)


@pytest.mark.django_db
def test_a_keeper_adds_and_changes_a_claim():
    keeper = make_member("keeper")
    claim = ground.add_claim(recorded_by=keeper, **CLAIM)
    ground.change_claim(claim=claim, recorded_by=keeper, **CLAIM | {"kind": "placer"})
    claim.refresh_from_db()
    assert claim.kind == "placer"
    assert JournalEntry.objects.about(claim).first().changes == {"kind": ["lode", "placer"]}


@pytest.mark.django_db
def test_a_change_that_changes_nothing_leaves_no_line():
    keeper = make_member("keeper")
    claim = ground.add_claim(recorded_by=keeper, **CLAIM)
    ground.change_claim(claim=claim, recorded_by=keeper, **CLAIM)
    assert JournalEntry.objects.about(claim).count() == 1


@pytest.mark.django_db
def test_claims_are_for_keepers_and_zones_for_members():
    member, guest, claim = make_member(), make_member("guest"), make_claim()
    with pytest.raises(PermissionDenied):
        ground.add_claim(recorded_by=member, **CLAIM)
    with pytest.raises(PermissionDenied):
        ground.change_claim(claim=claim, recorded_by=member, **CLAIM)
    with pytest.raises(PermissionDenied):
        ground.add_zone(claim=claim, name="North", stripe="a", recorded_by=guest)
    assert ground.add_zone(claim=claim, name="North", stripe="a", recorded_by=member).claim == claim
    assert Claim.objects.get() == claim


@pytest.mark.django_db
def test_refuses_a_name_twice():
    keeper = make_member("keeper")
    ground.add_claim(recorded_by=keeper, **CLAIM)
    with pytest.raises(ValidationError) as refused:
        ground.add_claim(recorded_by=keeper, **CLAIM | {"name": "LANTERN"})
    assert refused.value.field == "name"
    assert Claim.objects.count() == 1


@pytest.mark.django_db
def test_a_zone_name_stands_once_in_its_claim_but_in_any_claim():
    member, zone = make_member(), make_zone(name="North")
    with pytest.raises(ValidationError):
        ground.add_zone(claim=zone.claim, name="north", stripe="b", recorded_by=member)
    ground.add_zone(claim=make_claim(), name="north", stripe="b", recorded_by=member)
    assert Zone.objects.count() == 2


@pytest.mark.django_db
def test_the_stripe_stays_once_tags_hang_on_buckets():
    member, zone = make_member(), make_zone(stripe="a")
    change = {"zone": zone, "name": "Renamed", "recorded_by": member}
    lot = make_lot(zone=zone, member=member)
    with pytest.raises(ValidationError) as refused:
        ground.change_zone(stripe="b", **change)
    assert refused.value.field == "stripe"
    assert ground.change_zone(stripe="a", **change).name == "Renamed"
    void_step(step=lot.made_by, reason="another zone", voided_by=member)
    assert ground.change_zone(stripe="b", **change).stripe == "b"


@pytest.mark.django_db
def test_a_dig_keeps_its_picture():
    made = dig(make_member(), upload=picture())
    made.refresh_from_db()
    assert made.photo.file.storage.exists(made.photo.file.name)
    assert made.step.made.get().origins.get().dig == made


@pytest.mark.django_db
@pytest.mark.parametrize(
    "facts",
    [
        {"station": ""},
        {"dug_on": datetime.date(2200, 1, 1)},
        {"latitude": Decimal(41)},
        {"latitude": Decimal(91), "longitude": Decimal(0)},
        {"buckets": []},
        {"sample_kind": "guess"},
        {"upload": SimpleUploadedFile("hole.jpg", b"no picture")},
    ],
)
def test_a_refused_dig_leaves_nothing_behind(facts):
    before = photo_files()
    with pytest.raises(ValidationError):
        dig(make_member(), **{"upload": picture()} | facts)
    assert not Dig.objects.exists()
    assert not Lot.objects.exists()
    assert not Photo.objects.exists()
    assert not JournalEntry.objects.exists()
    assert photo_files() == before


@pytest.mark.django_db
def test_a_guest_digs_nothing():
    with pytest.raises(PermissionDenied):
        dig(make_member("guest"))
    assert not Dig.objects.exists()


@pytest.mark.django_db
def test_a_change_of_a_zone_that_changes_nothing_leaves_no_line():
    member, zone = make_member(), make_zone(note="wet in spring")
    before = JournalEntry.objects.count()
    same = {"name": zone.name, "stripe": zone.stripe, "note": zone.note}
    ground.change_zone(zone=zone, recorded_by=member, **same)
    assert JournalEntry.objects.count() == before
    ground.change_zone(zone=zone, recorded_by=member, **(same | {"note": "dry"}))
    assert JournalEntry.objects.count() == before + 1


@pytest.mark.django_db
def test_a_dig_needs_no_picture():
    found = dig(make_member())
    assert found.photo is None
    assert not Photo.objects.exists()
