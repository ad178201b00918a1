"""Additives: what may change of them once trials stand on them."""

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from prospecting.actions.refusal import Refused
from prospecting.models import JournalEntry
from tests.make import make_member
from tests.trials.make_trial import make_additive, make_draft
from trials.actions.additives import add_additive, change_additive
from trials.models import Additive

pytestmark = pytest.mark.django_db


def test_a_change_is_kept_and_told_and_none_is_not():
    member, additive = make_member(), make_additive()
    before = JournalEntry.objects.count()
    change_additive(additive=additive, recorded_by=member, name=additive.name, kind=additive.kind)
    assert JournalEntry.objects.count() == before
    change_additive(additive=additive, recorded_by=member, name="Rinse, new can")
    additive.refresh_from_db()
    assert additive.name == "Rinse, new can"
    assert JournalEntry.objects.about(additive).first().changes["name"] == ["Rinse", "Rinse, new can"]


def test_the_kind_may_change_until_a_dose_was_planned():
    member, additive = make_member(), make_additive()
    change_additive(additive=additive, recorded_by=member, kind="flocculant")
    make_draft()
    additive.refresh_from_db()
    before = JournalEntry.objects.count()
    with pytest.raises(Refused) as refusal:
        change_additive(additive=additive, recorded_by=member, kind="wetting")
    assert (refusal.value.code, refusal.value.field) == ("used", "kind")
    assert Additive.objects.get().kind == "flocculant"
    assert JournalEntry.objects.count() == before
    # All else of it stays open, its kind said once more too.
    change_additive(additive=additive, recorded_by=member, kind="flocculant", note="half a can left")
    assert Additive.objects.get().note == "half a can left"


def test_refuses_nonsense_and_guests_and_keeps_nothing():
    additive, guest = make_additive(), make_member("guest")
    with pytest.raises(ValidationError):
        change_additive(additive=additive, recorded_by=make_member(), kind="brandy")
    with pytest.raises(PermissionDenied):
        change_additive(additive=additive, recorded_by=guest, name="x")
    with pytest.raises(PermissionDenied):
        add_additive(name="Other", kind="wetting", recorded_by=guest)
    assert list(Additive.objects.values_list("name", "kind")) == [("Rinse", "wetting")]


def test_a_dose_of_another_additive_keeps_no_kind():
    make_draft()
    other = make_additive("Soap")
    assert change_additive(additive=other, recorded_by=make_member(), kind="flocculant").kind == "flocculant"
