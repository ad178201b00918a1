import datetime
import threading
import time
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection, transaction
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase as HypothesisTestCase

from prospecting.actions import material, steps
from prospecting.actions.material import (
    DrawFrom,
    NewLot,
    StepDetails,
    blended_shares,
    new_codes,
    recomputed_on_hand_g,
    record_step,
    void_step,
    void_together,
)
from prospecting.actions.refusal import Refused
from prospecting.calc import codes
from prospecting.models import Draw, JournalEntry, Lot, Origin, Step
from tests.make import DAY, make_blend, make_lot, make_member, make_portions, make_zone
from tests.prospecting.actions.test_dispatching import AlwaysTheSame

RIFFLED = StepDetails(method="riffle")


def counts() -> tuple[int, ...]:
    return tuple(model.objects.count() for model in (Step, Draw, Lot, Origin, JournalEntry))


def draw(lot: Lot, mass_g: str, field: str = "mass") -> DrawFrom:
    return DrawFrom(lot=lot, mass_g=Decimal(mass_g), typed=f"{mass_g} g", field=field)


def made(mass_g: str, kind: str = Lot.Kind.SPLIT) -> NewLot:
    return NewLot(kind=kind, mass_g=Decimal(mass_g), typed=f"{mass_g} g")


def on_hand(lot: Lot) -> Decimal:
    return Lot.objects.get(pk=lot.pk).on_hand_g


def discard(lot: Lot, mass_g: str, member) -> Step:
    return steps.discard_from_lot(
        draw=draw(lot, mass_g), recorded_by=member, done_on=DAY, details=StepDetails(loss_reason="spilled")
    )


# Each move is (what, which lots, tenths of what is on hand); which lots and how much wrap around what there is.
MOVES = st.lists(
    st.tuples(
        st.sampled_from(["split", "blend", "crush", "cut", "discard", "void"]),
        st.integers(0, 50),
        st.integers(0, 50),
        st.integers(1, 10),
        st.integers(0, 300),
    ),
    min_size=1,
    max_size=9,
)


def play(move: tuple, member) -> None:
    """One random move on the lots in stock; a void that is refused because something uses the lots changes nothing."""
    what, one, other, tenths, loss_mg = move
    stock = list(Lot.objects.in_stock().order_by("pk"))
    if what == "void":
        candidates = list(Step.objects.filter(voided_at__isnull=True).exclude(kind="dig").order_by("pk"))
        if candidates:
            try:
                void_step(step=candidates[one % len(candidates)], reason="played", voided_by=member)
            except Refused as refusal:
                assert refusal.code == "used_downstream"
        return
    lot = stock[one % len(stock)]
    mass_g = (lot.on_hand_g * tenths / 10).quantize(Decimal("0.00001"))
    loss_g = min(Decimal(loss_mg) / 1000, mass_g / 4).quantize(Decimal("0.00001"))
    if mass_g < Decimal("0.1"):
        return
    common = {"recorded_by": member, "done_on": DAY}
    details = StepDetails(method="riffle", loss_reason="dust", target_size_um=Decimal(850))
    taken, out_g = draw(lot, str(mass_g)), mass_g - loss_g
    third_g = (out_g / 3).quantize(Decimal("0.00001"))
    if what == "split":
        pieces = [made(str(third_g)), made(str(out_g - third_g))]
        steps.split_lot(draw=taken, pieces=pieces, details=details, **common)
    elif what == "crush":
        steps.crush_lot(draw=taken, crushed=made(str(out_g)), details=details, **common)
    elif what == "cut":
        steps.cut_portions(
            draw=taken,
            portions=[made(str(third_g))] * 3 if third_g * 3 <= mass_g else [made(str(third_g))] * 2,
            details=details,
            **common,
        )
    elif what == "discard":
        steps.discard_from_lot(draw=taken, details=details, **common)
    elif len(stock) > 1:
        second = stock[(one + 1 + other % (len(stock) - 1)) % len(stock)]
        both_g = mass_g + second.on_hand_g - loss_g
        steps.blend_lots(
            draws=[taken, draw(second, str(second.on_hand_g))],
            blend=made(str(both_g)),
            details=details,
            **common,
        )


class EveryTreeOfSteps(HypothesisTestCase):
    @settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
    @given(MOVES)
    def test_keeps_every_gram_and_its_origin(self, moves):
        member, dug_g = make_member(), Decimal(0)
        for mass_g in ("10000", "7333.33333", "0.5"):
            make_lot(mass_g, member=member)
            dug_g += Decimal(mass_g)
        for move in moves:
            play(move, member)

        standing = Step.objects.filter(voided_at__isnull=True)
        lost_g = sum(standing.values_list("loss_g", flat=True), Decimal(0))
        held_g = sum(Lot.objects.standing().values_list("on_hand_g", flat=True), Decimal(0))
        assert held_g + lost_g == dug_g
        by_dig: dict[int, Decimal] = {}
        for lot in Lot.objects.all():
            shares = dict(lot.origins.values_list("dig_id", "share"))
            assert sum(shares.values()) == 1
            assert 0 <= lot.on_hand_g <= lot.mass_g
            assert recomputed_on_hand_g(lot) == lot.on_hand_g
            for dig_id, share in shares.items():
                by_dig[dig_id] = by_dig.get(dig_id, Decimal(0)) + share * lot.on_hand_g
        for step in standing.exclude(kind="dig"):
            went_in = [(each.mass_g, each.lot) for each in step.draws.select_related("lot")]
            for dig_id, share in blended_shares(went_in).items():
                by_dig[dig_id] += share * step.loss_g
        # What each dig gave is still all there, in lots or among the losses; shares are kept to twelve decimals.
        for bucket in Lot.objects.of_kind(Lot.Kind.BUCKET):
            assert abs(by_dig[bucket.origins.get().dig_id] - bucket.mass_g) < Decimal("0.000001")


@pytest.mark.django_db
def test_blend_of_blends_has_the_shares_worked_out_by_hand():
    # 3 kg of A with 1 kg of B is 3/4 A; 2 kg of that with 2 kg of C is 3/8 A, 1/8 B, 1/2 C.
    a, b, c = make_lot(), make_lot(), make_lot()
    first = make_blend((a, "3000"), (b, "1000"))
    second = make_blend((first, "2000"), (c, "2000"))
    shares = {origin.dig_id: origin.share for origin in second.origins.all()}
    assert [shares[lot.origins.get().dig_id] for lot in (a, b, c)] == [
        Decimal("0.375"),
        Decimal("0.125"),
        Decimal("0.5"),
    ]


@pytest.mark.django_db
def test_stripe_is_the_zones_own_until_zones_are_mixed():
    north, creek = make_zone(stripe="b"), make_zone(stripe="d")
    same = make_blend((make_lot(zone=north), "100"), (make_lot(zone=north), "100"))
    mixed = make_blend((same, "50"), (make_lot(zone=creek), "50"))
    assert (same.stripe, mixed.stripe) == ("b", "mixed")


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("mass_g", "code"),
    [("1000.00001", "too_little_on_hand"), ("0", "too_little_on_hand"), ("-1", "too_little_on_hand")],
)
def test_refuses_a_draw_the_lot_cannot_give_beside_its_field(mass_g, code):
    member, lot = make_member(), make_lot("1000")
    before = counts()
    with pytest.raises(Refused) as refusal:
        steps.take_for_assay(
            draw=draw(lot, mass_g, field="mass_7"), recorded_by=member, done_on=DAY, details=RIFFLED
        )
    assert (refusal.value.code, refusal.value.field) == (code, "mass_7")
    assert lot.code in refusal.value.messages[0]
    assert counts() == before
    assert on_hand(lot) == 1000


@pytest.mark.django_db
def test_refuses_a_used_up_lot_and_a_void_one():
    member = make_member()
    lot = make_lot("1000", member=member)
    step = discard(lot, "1000", member)
    with pytest.raises(Refused) as used_up:
        discard(lot, "1", member)
    void_step(step=step, reason="wrong lot", voided_by=member)
    void_step(step=lot.made_by, reason="never dug", voided_by=member)
    with pytest.raises(Refused) as void:
        discard(lot, "1", member)
    assert (used_up.value.code, void.value.code) == ("lot_used_up", "lot_void")


@pytest.mark.django_db
def test_refuses_the_same_lot_twice_in_one_blend_even_where_each_mass_fits():
    member, lot = make_member(), make_lot("1000")
    before = counts()
    with pytest.raises(Refused) as refusal:
        steps.blend_lots(
            draws=[draw(lot, "600", "first"), draw(lot, "600", "second")],
            blend=made("1200"),
            recorded_by=member,
            done_on=DAY,
            details=StepDetails(method="rolled"),
        )
    assert (refusal.value.code, refusal.value.field) == ("lot_twice", "second")
    assert counts() == before


@pytest.mark.django_db
def test_refuses_a_gain_in_the_members_unit():
    lot = make_lot("4535.9237")
    member = make_member(mass_unit="lb")
    with pytest.raises(Refused) as refusal:
        steps.crush_lot(
            draw=draw(lot, "4535.9237"),
            crushed=made("4989.51607"),
            recorded_by=member,
            done_on=DAY,
            details=StepDetails(target_size_um=Decimal(850)),
        )
    assert refusal.value.code == "gain"
    # 1 lb is 453.59237 g by definition (NIST Handbook 44, appendix C): 4535.9237 g is 10 lb, 4989.51607 g is 11 lb.
    assert "11 lb came out of 10 lb put in: 1 lb too much" in refusal.value.messages[0]
    assert on_hand(lot) == Decimal("4535.9237")


@pytest.mark.django_db
def test_asks_for_a_reason_over_the_tolerance_and_takes_it():
    member, lot = make_member(), make_lot("1000")
    facts = {
        "draw": draw(lot, "1000"),
        "pieces": [made("500"), made("480")],
        "recorded_by": member,
        "done_on": DAY,
    }
    with pytest.raises(Refused) as refusal:
        steps.split_lot(details=RIFFLED, **facts)
    assert (refusal.value.code, refusal.value.field) == ("loss_without_reason", "loss_reason")
    step = steps.split_lot(details=StepDetails(method="riffle", loss_reason="dust"), **facts)
    assert step.loss_g == 20


@pytest.mark.django_db
def test_nothing_is_stored_when_a_text_is_longer_than_its_column():
    member, lot = make_member(), make_lot("1000")
    before = counts()
    for details, piece in (
        (StepDetails(method="riffle", machine="x" * 81), made("500")),
        (StepDetails(method="stirred"), made("500")),
        (RIFFLED, NewLot(kind=Lot.Kind.SPLIT, mass_g=Decimal(500), typed="9" * 41)),
        (RIFFLED, NewLot(kind=Lot.Kind.SPLIT, mass_g=Decimal(500), title="x" * 121)),
    ):
        with pytest.raises(ValidationError):
            steps.split_lot(
                draw=draw(lot, "1000"),
                pieces=[piece, made("500")],
                recorded_by=member,
                done_on=DAY,
                details=details,
            )
    with pytest.raises(ValidationError):
        steps.split_lot(
            draw=DrawFrom(lot=lot, mass_g=Decimal(1000), typed="9" * 41),
            pieces=[made("500"), made("500")],
            recorded_by=member,
            done_on=DAY,
            details=RIFFLED,
        )
    assert counts() == before
    assert on_hand(lot) == 1000


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("day", "code"),
    [
        (timezone.localdate() + datetime.timedelta(days=2), "day_in_future"),
        (datetime.date(1899, 12, 31), "day_too_early"),
    ],
)
def test_refuses_a_day_that_cannot_be(day, code):
    lot = make_lot()
    with pytest.raises(Refused) as refusal:
        steps.take_for_assay(draw=draw(lot, "10"), recorded_by=make_member(), done_on=day, details=RIFFLED)
    assert (refusal.value.code, refusal.value.field) == (code, "done_on")


@pytest.mark.django_db
def test_a_guest_moves_nothing():
    lot, guest = make_lot(), make_member("guest")
    before = counts()
    with pytest.raises(PermissionDenied):
        discard(lot, "1", guest)
    with pytest.raises(PermissionDenied):
        void_step(step=lot.made_by, reason="because", voided_by=guest)
    assert counts() == before


@pytest.mark.django_db
def test_new_codes_are_sound_and_all_different():
    fresh = new_codes(60)
    assert len(set(fresh)) == 60
    assert [codes.read_code(code) for code in fresh] == fresh


@pytest.mark.django_db
def test_sixty_portions_cost_no_more_queries_than_six(django_assert_max_num_queries):
    member, lot = make_member(), make_lot("60000")
    with django_assert_max_num_queries(20):
        make_portions(lot, 60, "900", member=member)
    assert Lot.objects.of_kind(Lot.Kind.PORTION).count() == 60


@pytest.mark.django_db
def test_step_is_journaled_with_what_it_took_and_made():
    lot = make_lot("1000")
    step = make_blend((lot, "500"), (make_lot(), "500")).made_by
    line = JournalEntry.objects.about(step).get()
    assert f"500 g of {lot.code}" in line.what
    assert step.made.get().code in line.what


@pytest.mark.django_db
class TestVoid:
    def test_gives_the_mass_back_and_voids_what_was_made(self):
        member, lot = make_member(), make_lot("1000")
        portions = make_portions(lot, 2, "400", member=member)
        step = void_step(step=portions[0].made_by, reason="cut from the wrong lot", voided_by=member)
        assert on_hand(lot) == 1000
        for portion in Lot.objects.filter(made_by=step):
            assert (portion.is_void, portion.on_hand_g, recomputed_on_hand_g(portion)) == (True, 0, 0)
        assert (step.is_void, step.voided_by, step.void_reason) == (True, member, "cut from the wrong lot")
        assert JournalEntry.objects.about(step).first().why == "cut from the wrong lot"

    def test_is_refused_while_anything_was_taken_from_what_was_made(self):
        member, lot = make_member(), make_lot("1000")
        blend = make_blend((lot, "500"), (make_lot(), "500"), member=member)
        later = discard(blend, "1", member)
        with pytest.raises(Refused) as refusal:
            void_step(step=blend.made_by, reason="oops", voided_by=member)
        assert refusal.value.code == "used_downstream"
        assert blend.code in refusal.value.messages[0]
        assert on_hand(lot) == 500
        void_step(step=later, reason="not spilled", voided_by=member)
        void_step(step=blend.made_by, reason="oops", voided_by=member)
        assert on_hand(lot) == 1000

    def test_takes_the_dig_step_back_with_its_bucket(self):
        member = make_member()
        lot = make_lot(member=member)
        void_step(step=lot.made_by, reason="another bucket", voided_by=member)
        lot.refresh_from_db()
        assert lot.is_void
        assert not Lot.objects.standing().filter(pk=lot.pk).exists()

    def test_of_someone_elses_step_is_for_a_keeper(self):
        step = make_lot(member=make_member()).made_by
        with pytest.raises(Refused) as refusal:
            void_step(step=step, reason="mine", voided_by=make_member())
        assert refusal.value.code == "not_yours"
        assert void_step(step=step, reason="asked by the digger", voided_by=make_member("keeper")).is_void

    @pytest.mark.parametrize("reason", ["", "   "])
    def test_needs_a_reason(self, reason):
        member = make_member()
        step = make_lot(member=member).made_by
        with pytest.raises(Refused) as refusal:
            void_step(step=step, reason=reason, voided_by=member)
        assert (refusal.value.code, refusal.value.field) == ("reason_missing", "reason")

    def test_happens_once(self):
        member, lot = make_member(), make_lot("1000")
        step = discard(lot, "300", member)
        void_step(step=step, reason="not spilled", voided_by=member)
        with pytest.raises(Refused) as refusal:
            void_step(step=step, reason="again", voided_by=member)
        assert refusal.value.code == "void_already"
        assert on_hand(lot) == 1000


def all_at_once(*jobs) -> tuple[list, list[Exception]]:
    """Run the jobs in threads that start at one barrier; what they gave and what they raised."""
    barrier, given, raised = threading.Barrier(len(jobs)), [], []

    def run(job):
        try:
            barrier.wait(timeout=20)
            given.append(job())
        except Exception as error:
            raised.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(job,)) for job in jobs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    return given, raised


def while_it_waits(lot: Lot, job, meanwhile) -> Exception | None:
    """What `job` raises when it began first, had to wait for this lot's row, and `meanwhile` was recorded before its turn.

    Only PostgreSQL lets it begin: SQLite's writers wait before they read anything.
    """
    raised: list[Exception | None] = [None]

    def run() -> None:
        try:
            job()
        except Exception as error:
            raised[0] = error
        finally:
            connection.close()

    thread = threading.Thread(target=run)
    with transaction.atomic():
        Lot.objects.select_for_update().get(pk=lot.pk)
        thread.start()
        with connection.cursor() as cursor:
            for _ in range(200):
                cursor.execute(
                    "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"
                )
                if cursor.fetchone()[0]:
                    break
                time.sleep(0.05)
        meanwhile()
    thread.join(timeout=60)
    return raised[0]


@pytest.mark.django_db(transaction=True)
class TestAtOnce:
    def test_of_many_who_draw_more_than_half_exactly_one_gets_it(self):
        member, lot = make_member(), make_lot("10000")
        given, raised = all_at_once(*[lambda: discard(lot, "6000", member)] * 6)
        assert len(given) == 1
        assert [type(error) for error in raised] == [Refused] * 5
        assert {error.code for error in raised} == {"too_little_on_hand"}
        assert on_hand(lot) == 4000
        assert Step.objects.filter(kind="discard").count() == 1

    def test_two_blends_of_the_same_lots_in_opposite_order_do_not_wait_for_each_other(self):
        member, a, b = make_member(), make_lot("1000"), make_lot("1000")

        def blend(first, second):
            return record_step(
                kind=Step.Kind.BLEND,
                draws=[draw(first, "400"), draw(second, "400")],
                makes=[made("800", Lot.Kind.BLEND)],
                recorded_by=member,
                done_on=DAY,
                details=StepDetails(method="rolled"),
            )

        given, raised = all_at_once(lambda: blend(a, b), lambda: blend(b, a))
        assert (len(given), raised) == (2, [])
        assert (on_hand(a), on_hand(b)) == (200, 200)

    def test_a_step_is_voided_once_however_many_try(self):
        member, lot = make_member(), make_lot("1000")
        step = discard(lot, "700", member)
        given, raised = all_at_once(
            *[lambda: void_step(step=step, reason="not spilled", voided_by=member)] * 4
        )
        assert len(given) == 1
        assert {error.code for error in raised} == {"void_already"}
        assert on_hand(lot) == 1000

    def test_a_reweighing_does_not_count_as_missing_what_was_drawn_meanwhile(self):
        member, lot = make_member(), make_lot("1000")
        stale = Lot.objects.get(pk=lot.pk)
        discard(lot, "600", member)
        with pytest.raises(Refused) as refusal:
            steps.reweigh_lot(
                lot=stale,
                weighed_g=Decimal(900),
                typed="900 g",
                recorded_by=member,
                done_on=DAY,
                details=StepDetails(loss_reason="dried out"),
            )
        assert refusal.value.code == "gain"
        assert on_hand(lot) == 400


@pytest.mark.django_db
def test_codes_grow_by_a_digit_where_two_no_longer_suffice_and_are_not_drawn_for_ever(monkeypatch):
    monkeypatch.setattr(material, "_rng", AlwaysTheSame())
    short, long = make_lot(), make_lot()
    assert len(long.code) == len(short.code) + 1
    before = counts()
    with pytest.raises(Refused) as refusal:
        new_codes(1)
    assert refusal.value.code == "no_free_code"
    assert counts() == before


@pytest.mark.django_db
def test_digs_are_not_voided_together_while_something_was_taken_of_their_buckets():
    keeper = make_member("keeper")
    lots = [make_lot(member=keeper) for _ in range(2)]
    discard(lots[1], "1", keeper)
    digs = [lot.made_by for lot in lots]
    before = counts()
    with pytest.raises(Refused) as refusal:
        void_together(steps=digs, reason="wrong zone", voided_by=keeper)
    assert refusal.value.code == "used_downstream"
    assert lots[1].code in refusal.value.messages[0]
    assert counts() == before and on_hand(lots[0]) == 10000
