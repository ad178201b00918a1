from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied

from prospecting.actions.lots import (
    hand_over_lots,
    move_lots,
    release_lot,
    release_lots,
    reserve_lot,
    reserve_lots,
)
from prospecting.actions.material import DrawFrom, StepDetails, void_step
from prospecting.actions.refusal import Refused
from prospecting.actions.steps import discard_from_lot
from prospecting.frames.custody import held_lots
from prospecting.models import JournalEntry, Lot
from tests.make import DAY, make_lot, make_member, make_portions

pytestmark = pytest.mark.django_db

# Each act on several lots: what it is told, and what stands on the lot afterwards.
ACTS = {
    move_lots: ({"place": "shed, shelf 2"}, {"place": "shed, shelf 2"}),
    hand_over_lots: ({"holder": "Ada Stone"}, {"holder": "Ada Stone"}),
    reserve_lots: ({"reason": "second assay"}, {"reserve_reason": "second assay"}),
}


@pytest.fixture(params=ACTS, ids=lambda act: act.__name__)
def act(request):
    return request.param


def stands(lots: list[Lot], names) -> list[dict]:
    return [
        {name: getattr(lot, name) for name in names}
        for lot in Lot.objects.filter(pk__in=[lot.pk for lot in lots]).order_by("pk")
    ]


class TestEveryAct:
    def test_sets_all_of_a_shelf_and_journals_each(self, act):
        portions, member = make_portions(make_lot("12000"), 24), make_member()
        told, after = ACTS[act]
        done = act(lots=portions[::-1], recorded_by=member, **told)
        assert [lot.pk for lot in done] == [lot.pk for lot in portions[::-1]]
        assert stands(portions, after) == [after] * 24
        (name, value), *_ = after.items()
        for lot in portions:
            entry = JournalEntry.objects.about(lot).get()
            assert (entry.member, entry.changes) == (member, {name: ["", value]})

    def test_writes_nothing_where_nothing_changes(self, act):
        lot, told = make_lot(), ACTS[act][0]
        act(lots=[lot], recorded_by=make_member(), **told)
        act(lots=[lot], recorded_by=make_member(), **told)
        assert JournalEntry.objects.about(lot).count() == 1

    def test_one_that_cannot_stops_all(self, act):
        member = make_member()
        good, used, void = make_lot(), make_lot(), make_lot(member=member)
        discard_from_lot(
            draw=DrawFrom(lot=used, mass_g=used.on_hand_g),
            recorded_by=member,
            done_on=DAY,
            details=StepDetails(loss_reason="barren"),
        )
        void_step(step=void.made_by, reason="never dug", voided_by=member)
        told, after = ACTS[act]
        for bad, code in ((used, "lot_used_up"), (void, "lot_void")):
            with pytest.raises(Refused) as refusal:
                act(lots=[good, bad], recorded_by=member, **told)
            assert (refusal.value.code, bad.code in refusal.value.messages[0]) == (code, True)
        assert stands([good], after) == [dict.fromkeys(after, "")]
        assert not JournalEntry.objects.about(good).exists()

    def test_is_not_for_guests_nor_for_no_lot(self, act):
        lot, (told, after) = make_lot(), ACTS[act]
        with pytest.raises(PermissionDenied):
            act(lots=[lot], recorded_by=make_member("guest"), **told)
        with pytest.raises(Refused) as refusal:
            act(lots=[], recorded_by=make_member(), **told)
        assert refusal.value.code == "no_lot"
        assert stands([lot], after) == [dict.fromkeys(after, "")]


@pytest.mark.parametrize(
    ("act", "told", "field"),
    [
        (move_lots, {"place": "  "}, "place"),
        (reserve_lots, {"reason": " "}, "reason"),
        (release_lots, {"reason": ""}, "reason"),
    ],
)
def test_needs_its_words(act, told, field):
    with pytest.raises(Refused) as refusal:
        act(lots=[make_lot()], recorded_by=make_member(), **told)
    assert refusal.value.field == field


class TestReserve:
    def take(self, lot: Lot):
        return discard_from_lot(
            draw=DrawFrom(lot=lot, mass_g=Decimal(10), field="mass"),
            recorded_by=make_member(),
            done_on=DAY,
            details=StepDetails(loss_reason="spilled"),
        )

    def test_nothing_is_taken_until_it_is_released(self):
        lot = make_lot()
        reserve_lot(lot=lot, reason="next year", recorded_by=make_member())
        with pytest.raises(Refused) as refusal:
            self.take(lot)
        assert (refusal.value.code, "next year" in refusal.value.messages[0]) == ("held_back", True)
        release_lot(lot=lot, reason="the trial needs it", recorded_by=make_member())
        self.take(lot)
        lot.refresh_from_db()
        assert (lot.on_hand_g, lot.reserve_reason) == (9990, "")
        whys = list(JournalEntry.objects.about(lot).order_by("pk").values_list("what", "why"))
        assert whys == [("held back", "next year"), ("released", "the trial needs it")]

    def test_one_not_held_back_stops_the_release_of_all(self):
        held, free = make_lot(), make_lot()
        reserve_lot(lot=held, reason="next year", recorded_by=make_member())
        with pytest.raises(Refused) as refusal:
            release_lots(lots=[held, free], reason="needed", recorded_by=make_member())
        assert refusal.value.code == "not_held_back"
        held.refresh_from_db()
        assert held.reserve_reason == "next year"

    def test_a_lot_held_back_is_still_moved_and_handed_over(self):
        lot = reserve_lot(lot=make_lot(), reason="next year", recorded_by=make_member())
        move_lots(lots=[lot], place="loft", recorded_by=make_member())
        hand_over_lots(lots=[lot], holder="Ada", recorded_by=make_member())
        lot.refresh_from_db()
        assert (lot.place, lot.holder, lot.reserve_reason) == ("loft", "Ada", "next year")


class TestHolder:
    def test_since_when_comes_from_the_last_hand_over(self, django_assert_num_queries):
        lot, other = make_lot(), make_lot()
        for holder in ("Ada", "Ben"):
            hand_over_lots(lots=[lot], holder=holder, recorded_by=make_member())
        move_lots(lots=[lot], place="loft", recorded_by=make_member())
        lot.refresh_from_db()
        last = JournalEntry.objects.about(lot).get(what="handed over to Ben")
        with django_assert_num_queries(1):
            (held,) = held_lots([lot, other])
        assert (held.lot, held.since) == (lot, last.at)

    def test_handed_back_is_with_nobody(self):
        lot = hand_over_lots(lots=[make_lot()], holder="Ada", recorded_by=make_member())[0]
        hand_over_lots(lots=[lot], holder=" ", recorded_by=make_member())
        lot.refresh_from_db()
        assert (lot.holder, held_lots([lot])) == ("", [])
        assert JournalEntry.objects.about(lot).first().what == "handed back"
