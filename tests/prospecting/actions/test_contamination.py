import datetime

import pytest
from django.core.exceptions import PermissionDenied
from django.db import connection

from prospecting.actions.contamination import lift_mark, mark_lot
from prospecting.actions.material import void_step
from prospecting.actions.refusal import Refused
from prospecting.models import Contamination, JournalEntry, Lot
from prospecting.models.contamination import lots_carrying_a_mark
from tests.make import DAY, make_blend, make_lot, make_member, make_portions
from tests.prospecting.actions.test_material import all_at_once, while_it_waits

EARLIER, LATER = DAY - datetime.timedelta(days=1), DAY + datetime.timedelta(days=1)


def mark(lot: Lot, *, since=None, member=None) -> Contamination:
    return mark_lot(
        lot=lot,
        kind=Contamination.Kind.SPILL,
        what="Fell off the tailgate",
        since=since,
        recorded_by=member or make_member(),
    )


def flagged() -> set[Lot]:
    """Lots with the flag; the flags always say what the marks say."""
    found = set(Lot.objects.filter(is_marked=True))
    assert found == set(Lot.objects.filter(pk__in=lots_carrying_a_mark()))
    return found


def marks_on(lot: Lot, day=None) -> list[Contamination]:
    return list(Contamination.objects.reaching([(lot.pk, day)]))


@pytest.mark.django_db
class TestMark:
    def test_flags_everything_made_from_the_lot_and_nothing_else(self):
        a, b, other = make_lot(), make_lot(), make_lot()
        blend = make_blend((a, "500"), (b, "500"))
        portions = make_portions(blend, 3, "100")
        done = mark(a)
        assert flagged() == {a, blend, *portions}
        assert marks_on(portions[0]) == marks_on(a) == [done]
        assert marks_on(b) == marks_on(other) == []
        assert (
            JournalEntry.objects.about(a).first().what
            == "marked: Spilled and swept up: Fell off the tailgate"
        )

    def test_spares_what_was_drawn_on_an_earlier_day(self):
        a, b = make_lot(), make_lot()
        before = make_blend((a, "500"), (b, "500"), day=EARLIER)
        same_day = make_blend((a, "500"), (b, "500"), day=DAY)
        # Made of the clean blend after the mark's day: still clean.
        clean = make_portions(before, 2, "100", day=LATER)
        # Once in, the day no longer matters.
        dirty = make_portions(same_day, 2, "100", day=EARLIER)
        mark(a, since=DAY)
        assert flagged() == {a, same_day, *dirty}
        assert marks_on(clean[0]) == []

    def test_reaches_new_lots_only_from_its_day_on(self, django_assert_num_queries):
        a, b, member = make_lot(), make_lot(), make_member()
        mark(a, since=DAY)
        before = make_blend((a, "500"), (b, "500"), day=EARLIER)
        after = make_blend((a, "500"), (b, "500"), day=LATER)
        assert flagged() == {a, after}
        # A lot that inherited hands on whatever the day.
        (portion, *_) = make_portions(after, 2, "100", day=EARLIER)
        (clean, *_) = make_portions(before, 2, "100", day=LATER)
        assert flagged() >= {portion}
        assert clean not in flagged()
        assert marks_on(b) == []
        with django_assert_num_queries(1):
            assert [(m.lot, m.recorded_by) for m in Contamination.objects.reaching([(portion.pk, None)])]
        assert member

    def test_costs_nothing_while_no_parent_is_marked(self, django_assert_num_queries):
        with django_assert_num_queries(0):
            assert not Contamination.objects.reaching([]).exists()

    def test_tells_many_users_apart_in_two_queries(self, django_assert_num_queries):
        a, b = make_lot(), make_lot()
        (portion, *_) = make_portions(a, 2, "100")
        done, later = mark(a), mark(b, since=LATER)
        uses = [(1, portion.pk, DAY), (2, b.pk, DAY), (3, b.pk, LATER), (3, a.pk, None)]
        with django_assert_num_queries(2):
            found = Contamination.objects.reaching_each(uses)
        assert found == {1: [done], 3: [done, later]}
        # As many as a season's trials bring, each with its portions.
        many = [(user, portion.pk, DAY - datetime.timedelta(days=user)) for user in range(2000)]
        with django_assert_num_queries(2):
            assert set(Contamination.objects.reaching_each(many)) == set(range(2000))
        with django_assert_num_queries(0):
            assert Contamination.objects.reaching_each([]) == {}

    def test_leaves_voided_steps_out_and_voiding_stays_possible(self):
        member = make_member()
        a, b = make_lot(), make_lot()
        void = make_blend((a, "500"), (b, "500"), member=member)
        void_step(step=void.made_by, reason="never done", voided_by=member)
        mark(a)
        kept = make_blend((a, "500"), (b, "500"), member=member)
        mark(kept)
        assert flagged() == {a, kept}
        void_step(step=kept.made_by, reason="not done either", voided_by=member)
        b.refresh_from_db()
        assert (b.on_hand_g, b.is_marked) == (10000, False)

    @pytest.mark.parametrize(
        ("wanted", "code"),
        [
            ({"what": "  "}, "what_missing"),
            ({"since": datetime.date(2999, 1, 1)}, "day_in_future"),
            ({"since": datetime.date(1899, 1, 1)}, "day_too_early"),
        ],
    )
    def test_refuses_nonsense_and_leaves_nothing(self, wanted, code):
        lot = make_lot()
        fields = {"kind": "spill", "what": "spilled", "recorded_by": make_member()} | wanted
        with pytest.raises(Refused) as refusal:
            mark_lot(lot=lot, **fields)
        assert refusal.value.code == code
        with pytest.raises(Exception, match="kind"):
            mark_lot(lot=lot, kind="cursed", what="x", recorded_by=make_member())
        assert (flagged(), Contamination.objects.count()) == (set(), 0)

    def test_is_for_members_and_standing_lots(self):
        member, lot = make_member(), make_lot()
        with pytest.raises(PermissionDenied):
            mark(lot, member=make_member("guest"))
        void_step(step=lot.made_by, reason="no such dig", voided_by=make_member("keeper"))
        with pytest.raises(Refused) as refusal:
            mark(lot, member=member)
        assert refusal.value.code == "lot_void"


@pytest.mark.django_db
class TestLift:
    def test_clears_what_no_other_mark_reaches(self):
        member = make_member()
        a, b = make_lot(), make_lot()
        blend = make_blend((a, "500"), (b, "500"))
        only_a = make_portions(a, 2, "100")
        on_a, on_b = mark(a, member=member), mark(b, member=member)
        lift_mark(mark=on_a, reason="it was the other bucket", lifted_by=member)
        assert flagged() == {b, blend}
        assert marks_on(blend) == [on_b]
        assert marks_on(only_a[0]) == []
        lift_mark(mark=on_b, reason="washed and checked", lifted_by=member)
        assert flagged() == set()
        assert JournalEntry.objects.about(b).first().why == "washed and checked"

    def test_needs_a_reason_and_the_right_and_happens_once(self):
        member, lot = make_member(), make_lot()
        done = mark(lot, member=member)
        for reason, who, code in [
            ("  ", member, "reason_missing"),
            ("mine", make_member(), "not_yours"),
        ]:
            with pytest.raises(Refused) as refusal:
                lift_mark(mark=done, reason=reason, lifted_by=who)
            assert refusal.value.code == code
            assert flagged() == {lot}
        with pytest.raises(PermissionDenied):
            lift_mark(mark=done, reason="please", lifted_by=make_member("guest"))
        lift_mark(mark=done, reason="checked", lifted_by=make_member("keeper"))
        with pytest.raises(Refused) as refusal:
            lift_mark(mark=done, reason="checked", lifted_by=member)
        assert refusal.value.code == "lifted_already"


@pytest.mark.django_db(transaction=True)
def test_what_is_made_while_a_mark_is_set_carries_it():
    member = make_member()
    a, b = make_lot(), make_lot()
    blend = make_blend((a, "2000"), (b, "2000"), member=member)
    done, raised = all_at_once(
        lambda: mark(a, member=member),
        *[lambda: make_portions(blend, 2, "100", member=member)] * 4,
    )
    assert {getattr(error, "code", error) for error in raised} <= {"books_moved"}
    marked = flagged()
    if any(isinstance(each, Contamination) for each in done):
        assert marked == {a, blend, *Lot.objects.of_kind(Lot.Kind.PORTION)}


@pytest.mark.skipif(connection.vendor != "postgresql", reason="only there one begins while another writes")
@pytest.mark.django_db(transaction=True)
def test_what_was_made_of_the_lot_while_the_mark_waited_is_not_left_unmarked():
    member, lot = make_member(), make_lot()
    error = while_it_waits(
        lot, lambda: mark(lot, member=member), lambda: make_portions(lot, 2, "100", member=member)
    )
    assert error.code == "books_moved"
    assert not Contamination.objects.exists() and flagged() == set()
    mark(lot, member=member)
    assert flagged() == {lot, *Lot.objects.of_kind(Lot.Kind.PORTION)}
