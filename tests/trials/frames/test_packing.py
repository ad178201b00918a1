"""What is proposed for a dispatch is what the page ticks."""

import pytest

from prospecting.frames.dispatches import parcel_of
from prospecting.models import Dispatch
from tests.make import make_assay_split, make_lot, make_material, make_member, make_parcel
from trials.frames.packing import check_proposal

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(("samples", "left_g"), [(24, "5000"), (24, "0"), (5, "0"), (40, "5000")])
def test_as_many_duplicates_are_ticked_as_are_proposed_or_said_to_follow(samples, left_g):
    member = make_member()
    make_material("reference", member=member)
    make_material("blank", member=member)
    mass_g = str(400 + int(left_g))
    splits = [
        make_assay_split(make_lot(mass_g, member=member), member=member, mass_g="400") for _ in range(samples)
    ]
    packed = make_parcel(member=member, lots=splits)
    parcel = parcel_of(Dispatch.objects.with_state().get(pk=packed.pk))
    proposal = check_proposal(parcel)
    ways = [way for way in ("field", "pulp", "coarse") if proposal.initial.get(way)]
    assert len(ways) + proposal.still_duplicates == proposal.proposed.duplicates
    assert ("field" in ways) == (left_g != "0")
