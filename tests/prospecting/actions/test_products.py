from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied

from prospecting.actions import steps
from prospecting.actions.material import DrawFrom, NewLot, void_step
from prospecting.actions.products import keep_products
from prospecting.actions.refusal import Refused
from prospecting.models import JournalEntry, Lot, Step
from tests.make import DAY, make_blend, make_lot, make_member

pytestmark = pytest.mark.django_db


def recover(lot: Lot, mass_g: str = "500", member=None) -> Step:
    return steps.recover_gold(
        draw=DrawFrom(lot=lot, mass_g=Decimal(mass_g), typed=f"{mass_g} g"),
        recorded_by=member or make_member(),
        done_on=DAY,
    )


def product(kind: str, mass_g: str) -> NewLot:
    return NewLot(kind=kind, mass_g=Decimal(mass_g), typed=f"{mass_g} g", field=kind)


def test_concentrate_and_tails_become_lots_with_the_origin_of_what_was_panned():
    blend = make_blend((make_lot(), "300"), (make_lot(), "700"))
    step = recover(blend)
    concentrate, tails = keep_products(
        step=step,
        products=[product("concentrate", "5"), product("tails", "480")],
        recorded_by=make_member(),
    )
    step.refresh_from_db()
    assert step.loss_g == 15
    for lot in (concentrate, tails):
        assert dict(lot.origins.values_list("dig_id", "share")) == dict(
            blend.origins.values_list("dig_id", "share")
        )
    assert JournalEntry.objects.about(step).count() == 3


def test_may_be_kept_one_after_the_other_but_each_only_once():
    step, member = recover(make_lot()), make_member()
    keep_products(step=step, products=[product("concentrate", "5")], recorded_by=member)
    keep_products(step=step, products=[product("tails", "480")], recorded_by=member)
    with pytest.raises(Refused) as refusal:
        keep_products(step=step, products=[product("tails", "1")], recorded_by=member)
    assert (refusal.value.code, refusal.value.field) == ("kept_already", "tails")
    step.refresh_from_db()
    assert (step.loss_g, step.made.count()) == (15, 2)


@pytest.mark.parametrize("products", [[("concentrate", "500.1")], [("concentrate", "20"), ("tails", "481")]])
def test_refuses_more_than_was_panned(products):
    step = recover(make_lot())
    with pytest.raises(Refused) as refusal:
        keep_products(step=step, products=[product(*each) for each in products], recorded_by=make_member())
    step.refresh_from_db()
    assert (refusal.value.code, step.loss_g, step.made.count()) == ("gain", 500, 0)


@pytest.mark.parametrize("mass_g", ["0", "-1"])
def test_refuses_a_product_without_mass(mass_g):
    step = recover(make_lot())
    with pytest.raises(Refused) as refusal:
        keep_products(step=step, products=[product("tails", mass_g)], recorded_by=make_member())
    assert refusal.value.field == "tails"
    assert not step.made.exists()


def test_refuses_nothing_weighed_and_a_void_step_and_a_guest():
    member = make_member()
    step = recover(make_lot(), member=member)
    with pytest.raises(Refused) as nothing:
        keep_products(step=step, products=[], recorded_by=member)
    with pytest.raises(PermissionDenied):
        keep_products(step=step, products=[product("tails", "1")], recorded_by=make_member("guest"))
    void_step(step=step, reason="spilled", voided_by=member)
    with pytest.raises(Refused) as void:
        keep_products(step=step, products=[product("tails", "1")], recorded_by=member)
    assert (nothing.value.code, void.value.code) == ("nothing_weighed", "step_void")


def test_only_a_recovery_has_products():
    lot, member = make_lot(), make_member()
    with pytest.raises(Refused) as refusal:
        keep_products(step=lot.made_by, products=[product("tails", "1")], recorded_by=member)
    assert refusal.value.code == "no_recovery"
