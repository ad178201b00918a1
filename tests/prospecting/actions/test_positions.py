from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied

from prospecting.actions.positions import place_digs
from prospecting.actions.refusal import Refused
from prospecting.models import JournalEntry
from tests import make

pytestmark = pytest.mark.django_db

HERE = (Decimal("12.345600"), Decimal("-98.764000"))
THERE = (Decimal("12.346600"), Decimal("-98.764000"))


def dig_in(zone):
    return make.make_lot(zone=zone).made_by.dig


def test_it_places_digs_and_writes_it_down():
    zone = make.make_zone()
    dig = dig_in(zone)
    place_digs(claim=zone.claim, positions={dig.pk: HERE}, may_move=False, recorded_by=make.make_member())
    dig.refresh_from_db()
    assert (dig.latitude, dig.longitude) == HERE
    entry = JournalEntry.objects.about(dig.step).get(what="position from a file")
    assert entry.changes["latitude"] == ["", "12.345600"]


def test_what_would_move_is_refused_and_leaves_nothing_behind():
    zone = make.make_zone()
    first, second = dig_in(zone), dig_in(zone)
    member = make.make_member()
    place_digs(claim=zone.claim, positions={second.pk: HERE}, may_move=False, recorded_by=member)
    before = JournalEntry.objects.count()
    with pytest.raises(Refused, match="would move") as refusal:
        place_digs(
            claim=zone.claim, positions={first.pk: HERE, second.pk: THERE}, may_move=False, recorded_by=member
        )
    assert refusal.value.code == "would_move"
    first.refresh_from_db()
    assert first.latitude is None
    assert JournalEntry.objects.count() == before
    place_digs(claim=zone.claim, positions={second.pk: THERE}, may_move=True, recorded_by=member)
    second.refresh_from_db()
    assert (second.latitude, second.longitude) == THERE


def test_the_same_again_writes_nothing():
    zone = make.make_zone()
    dig, member = dig_in(zone), make.make_member()
    for _ in range(2):
        place_digs(claim=zone.claim, positions={dig.pk: HERE}, may_move=False, recorded_by=member)
    assert JournalEntry.objects.filter(what="position from a file").count() == 1


def test_digs_of_another_claim_a_guest_and_nothing_are_refused():
    zone, other = make.make_zone(), make.make_zone()
    dig = dig_in(other)
    with pytest.raises(Refused, match="voided meanwhile"):
        place_digs(claim=zone.claim, positions={dig.pk: HERE}, may_move=True, recorded_by=make.make_member())
    with pytest.raises(Refused, match="no position"):
        place_digs(claim=zone.claim, positions={}, may_move=True, recorded_by=make.make_member())
    with pytest.raises((PermissionDenied, Refused)):
        place_digs(
            claim=other.claim, positions={dig.pk: HERE}, may_move=True, recorded_by=make.make_member("guest")
        )
