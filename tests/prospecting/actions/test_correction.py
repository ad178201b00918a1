from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied
from django.db import connection
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase as HypothesisTestCase

from prospecting.actions import steps
from prospecting.actions.correction import Correction, Weight, correct_masses
from prospecting.actions.material import (
    DrawFrom,
    NewLot,
    StepDetails,
    blended_shares,
    recomputed_on_hand_g,
    record_step,
    void_step,
)
from prospecting.actions.products import keep_products
from prospecting.actions.refusal import Refused
from prospecting.models import Draw, JournalEntry, Lot, Origin, Step
from tests.make import DAY, make_lot, make_member, make_portions
from tests.prospecting.actions.test_material import all_at_once, while_it_waits

DETAILS = StepDetails(method="riffle", loss_reason="dust", target_size_um=Decimal(850))


def weight(mass_g) -> Weight:
    return Weight(mass_g=Decimal(mass_g), typed=f"{mass_g} g")


def correct(
    step: Step, member, *, draws: dict | None = None, makes: dict | None = None, **more
) -> Correction:
    masses = [{lot.pk: weight(mass_g) for lot, mass_g in (side or {}).items()} for side in (draws, makes)]
    more = {"reason": "read the wrong line"} | more
    return correct_masses(step=step, draws=masses[0], makes=masses[1], corrected_by=member, **more)


def act(
    kind: str, member, draws: list[tuple[Lot, str | None]], *made_g: str, loss_reason: str = "dust"
) -> Step:
    """One step; a draw without a mass takes all of its lot, unweighed."""
    lot_kind = {"cut": "portion", "assay": "assay_split", "blend": "blend"}.get(kind, "crushed")
    return record_step(
        kind=kind,
        draws=[
            DrawFrom(lot=lot, mass_g=Decimal(mass_g), typed=f"{mass_g} g")
            if mass_g
            else DrawFrom(lot=lot, mass_g=lot.on_hand_g, typed="all", takes_all=True)
            for lot, mass_g in draws
        ],
        makes=[NewLot(kind=lot_kind, mass_g=Decimal(mass_g), typed=f"{mass_g} g") for mass_g in made_g],
        recorded_by=member,
        done_on=DAY,
        details=StepDetails(method="riffle", loss_reason=loss_reason),
    )


def everything() -> list:
    """All that a refusal must leave as it is."""
    return [list(model.objects.order_by("pk").values()) for model in (Step, Draw, Lot, Origin, JournalEntry)]


def shares_of(lot: Lot) -> dict[int, Decimal]:
    return dict(lot.origins.values_list("dig_id", "share"))


def check_books(dug_g: Decimal) -> None:
    """Added up anew: masses close, nothing is overdrawn, and the shares are those the parents give."""
    standing = Step.objects.filter(voided_at__isnull=True)
    lost_g = sum(standing.values_list("loss_g", flat=True), Decimal(0))
    held_g = sum(Lot.objects.standing().values_list("on_hand_g", flat=True), Decimal(0))
    assert held_g + lost_g == dug_g
    for lot in Lot.objects.all():
        shares = shares_of(lot)
        assert sum(shares.values()) == 1
        assert 0 <= lot.on_hand_g <= lot.mass_g
        assert recomputed_on_hand_g(lot) == lot.on_hand_g
    for step in standing.exclude(kind="dig"):
        parts = [(each.mass_g, each.lot) for each in step.draws.select_related("lot")]
        made = list(step.made.all())
        assert step.loss_g == sum(mass_g for mass_g, _ in parts) - sum(lot.mass_g for lot in made)
        for lot in made:
            assert shares_of(lot) == blended_shares(parts)


@pytest.mark.django_db
class TestCorrection:
    def test_of_a_bucket_moves_every_share_and_loss_made_of_it(self):
        member = make_member()
        a, b = make_lot("3000", member=member), make_lot("1000", member=member)
        blend = act("blend", member, [(a, None), (b, "1000")], "3900").made.get()
        portions = list(act("cut", member, [(blend, "1800")], "900", "900").made.all())
        done = correct(a.made_by, member, makes={a: 4000})
        a.refresh_from_db()
        assert (a.mass_g, a.mass_typed, a.on_hand_g) == (4000, "4000 g", 0)
        draw = a.draws.get()
        assert (draw.mass_g, draw.mass_typed, draw.takes_all) == (4000, "all, 4000 g", True)
        # By hand: 4 of 5 kg are of A now, and 1.1 kg are missing of the 5 that went in.
        dig = a.origins.get().dig_id
        for lot in [blend, *portions]:
            assert shares_of(lot)[dig] == Decimal("0.8")
        step = Step.objects.get(pk=blend.made_by_id)
        assert (step.loss_g, step.loss_reason) == (1100, "dust")
        told = {change.what: (change.before, change.after) for change in done.changes}
        assert told[f"{a.code} when made"] == ("3 kg", "4 kg")
        share = told[f"{blend.code}: share of {a.made_by.dig}, and in 2 more of the same material"]
        assert share == ("75 %", "80 %")
        check_books(Decimal(5000))

    def test_is_in_the_journal_with_what_stood_there_before(self):
        member = make_member()
        a = make_lot("3000", member=member)
        crush = act("crush", member, [(a, None)], "2990")
        done = correct(a.made_by, member, makes={a: 3100})
        line = JournalEntry.objects.get(pk=done.entry.pk)
        assert (line.what, line.why, line.member) == ("corrected masses", "read the wrong line", member)
        assert line.changes[f"{a.code} when made"] == ["3 kg", "3.1 kg"]
        later = JournalEntry.objects.about(crush).first()
        assert later.what.startswith(f"reckoned anew after the masses of step {a.made_by_id}")

    def test_that_looks_the_same_rounded_is_told_in_exact_grams(self):
        member = make_member()
        a = make_lot("30000", member=member)
        done = correct(a.made_by, member, makes={a: "30000.5"})
        assert {(change.before, change.after) for change in done.changes} == {("30000 g", "30000.5 g")}

    def test_of_a_portion_moves_what_was_taken_for_the_cut(self):
        member = make_member()
        lot = make_lot("3000", member=member)
        first, second = make_portions(lot, 2, "900", member=member)
        correct(first.made_by, member, makes={first: 950})
        assert lot.draws.get().mass_g == 1850
        lot.refresh_from_db()
        assert lot.on_hand_g == 1150
        check_books(Decimal(3000))

    def test_of_a_split_for_assay_moves_what_was_taken_too(self):
        member = make_member()
        lot = make_lot("3000", member=member)
        split = act("assay", member, [(lot, "1000")], "1000").made.get()
        correct(split.made_by, member, makes={split: 1100})
        lot.refresh_from_db()
        assert (lot.on_hand_g, Step.objects.get(pk=split.made_by_id).loss_g) == (1900, 0)
        # And all of it sent away weighs what the lot weighed.
        rest = act("assay", member, [(lot, None)], "1900").made.get()
        correct(lot.made_by, member, makes={lot: 3100})
        rest.refresh_from_db()
        assert (rest.mass_g, rest.on_hand_g, rest.mass_typed) == (2000, 2000, "2 kg")
        check_books(Decimal(3100))

    def test_of_a_reweighed_lot_changes_what_was_missing_not_what_the_scale_said(self):
        member = make_member()
        lot = make_lot("3000", member=member)
        steps.reweigh_lot(
            lot=lot,
            weighed_g=Decimal(2800),
            typed="2.8 kg",
            recorded_by=member,
            done_on=DAY,
            details=StepDetails(loss_reason="dried"),
        )
        correct(lot.made_by, member, makes={lot: 3100})
        lot.refresh_from_db()
        draw = lot.draws.get()
        assert (lot.on_hand_g, draw.mass_g, draw.mass_typed, draw.step.loss_g) == (
            2800,
            300,
            "reweighed to 2.8 kg",
            300,
        )

    def test_of_a_draw_weighed_now_no_longer_follows(self):
        member = make_member()
        lot = make_lot("3000", member=member)
        crush = act("crush", member, [(lot, None)], "2900")
        correct(crush, member, draws={lot: 2950})
        lot.refresh_from_db()
        assert (lot.on_hand_g, lot.draws.get().takes_all, lot.draws.get().mass_typed) == (50, False, "2950 g")
        correct(lot.made_by, member, makes={lot: 3010})
        lot.refresh_from_db()
        assert (lot.on_hand_g, lot.draws.get().mass_g) == (60, 2950)

    def test_that_makes_a_large_loss_gives_it_the_reason(self):
        member = make_member()
        a = make_lot("3000", member=member)
        crush = act("crush", member, [(a, None)], "2990", loss_reason="")
        done = correct(a.made_by, member, makes={a: 4000})
        crush.refresh_from_db()
        assert crush.loss_reason == "after a correction: read the wrong line"
        assert any("more than such a step usually loses" in change.after for change in done.changes)

    def test_of_a_concentrate_kept_later_is_seen_by_what_was_drawn_of_it(self):
        member = make_member()
        lot = make_lot("3000", member=member)
        recover = act("recover", member, [(lot, None)])
        other = make_lot("100", member=member)
        (concentrate,) = keep_products(
            step=recover,
            products=[NewLot(kind="concentrate", mass_g=Decimal(50), typed="50 g")],
            recorded_by=member,
        )
        blend = act("blend", member, [(concentrate, None), (other, "50")], "100").made.get()
        correct(recover, member, makes={concentrate: 150})
        assert shares_of(blend)[lot.origins.get().dig_id] == Decimal("0.75")
        check_books(Decimal(3100))

    def test_leaves_voided_steps_as_they_were(self):
        member = make_member()
        a = make_lot("3000", member=member)
        crush = act("crush", member, [(a, None)], "2990")
        void_step(step=crush, reason="wrong lot", voided_by=member)
        correct(a.made_by, member, makes={a: 2000})
        assert (crush.draws.get().mass_g, Lot.objects.get(made_by=crush).mass_g) == (3000, 2990)
        check_books(Decimal(2000))

    def test_voiding_after_it_gives_back_the_corrected_mass(self):
        member = make_member()
        a = make_lot("3000", member=member)
        crush = act("crush", member, [(a, None)], "2990")
        correct(a.made_by, member, makes={a: 3500})
        void_step(step=crush, reason="wrong lot", voided_by=member)
        a.refresh_from_db()
        assert a.on_hand_g == 3500

    def test_cost_does_not_grow_with_the_number_of_portions(self, django_assert_max_num_queries):
        member = make_member()
        a, b = make_lot("30000", member=member), make_lot("30000", member=member)
        blend = act("blend", member, [(a, None), (b, None)], "59900").made.get()
        make_portions(blend, 60, "900", member=member)
        with django_assert_max_num_queries(30):
            correct(a.made_by, member, makes={a: 31000})


@pytest.mark.django_db
class TestRefusal:
    """Each says what to do, and leaves everything as it was."""

    def refused(self, code: str, *words: str, step: Step, member, **wanted) -> None:
        before = everything()
        with pytest.raises(Refused) as refusal:
            correct(step, member, **wanted)
        assert refusal.value.code == code
        for word in words:
            assert word in refusal.value.messages[0]
        assert everything() == before

    def test_of_less_than_was_taken_names_the_lot_and_the_draws(self):
        member = make_member()
        lot = make_lot("3000", member=member)
        act("crush", member, [(lot, "2000")], "1990")
        self.refused(
            "overdrawn", lot.code, "2 kg of it was taken", step=lot.made_by, member=member, makes={lot: 1900}
        )

    def test_of_a_gain_further_down_names_the_lot_to_correct_first(self):
        member = make_member()
        lot = make_lot("3000", member=member)
        crushed = act("crush", member, [(lot, None)], "2990").made.get()
        self.refused(
            "gain_later", f"correct {crushed.code} first", step=lot.made_by, member=member, makes={lot: 2900}
        )
        # And so it goes: first the one, then the other.
        correct(crushed.made_by, member, makes={crushed: 2890})
        correct(lot.made_by, member, makes={lot: 2900})
        check_books(Decimal(2900))

    def test_of_a_gain_in_the_step_itself(self):
        member = make_member()
        lot = make_lot("3000", member=member)
        crushed = act("crush", member, [(lot, None)], "2990").made.get()
        self.refused(
            "gain", "material doesn't grow", step=crushed.made_by, member=member, makes={crushed: 3001}
        )

    def test_of_a_reweighing_that_would_find_nothing_missing(self):
        member = make_member()
        lot = make_lot("3000", member=member)
        steps.reweigh_lot(
            lot=lot,
            weighed_g=Decimal(2800),
            typed="2.8 kg",
            recorded_by=member,
            done_on=DAY,
            details=StepDetails(loss_reason="dried"),
        )
        self.refused(
            "nothing_left", lot.code, "void it first", step=lot.made_by, member=member, makes={lot: 2800}
        )

    def test_of_no_reason_no_change_no_mass_a_strange_lot_a_void_step(self):
        member = make_member()
        lot, other = make_lot("3000", member=member), make_lot("3000", member=member)
        step = lot.made_by
        self.refused("reason_missing", step=step, member=member, makes={lot: 2000}, reason="  ")
        self.refused("no_change", step=step, member=member, makes={lot: 3000})
        self.refused("no_change", step=step, member=member)
        self.refused("mass_not_positive", step=step, member=member, makes={lot: 0})
        self.refused("not_of_step", step=step, member=member, makes={other: 2000})
        self.refused("not_of_step", step=step, member=member, draws={lot: 2000})
        void_step(step=step, reason="no such dig", voided_by=member)
        self.refused("step_void", step=step, member=member, makes={lot: 2000})

    def test_of_someone_elses_step_but_for_a_keeper(self):
        lot = make_lot("3000", member=make_member())
        self.refused("not_yours", step=lot.made_by, member=make_member(), makes={lot: 2000})
        correct(lot.made_by, make_member("keeper"), makes={lot: 2000})
        before = everything()
        with pytest.raises(PermissionDenied):
            correct(lot.made_by, make_member("guest"), makes={lot: 1000})
        assert everything() == before

    def test_of_a_mass_no_column_holds(self):
        member = make_member()
        lot = make_lot("3000", member=member)
        before = everything()
        with pytest.raises(Exception, match="digits"):
            correct(lot.made_by, member, makes={lot: "99999999999.5"})
        assert everything() == before

    def test_of_another_outcome_than_was_agreed_to(self):
        member = make_member()
        lot = make_lot("3000", member=member)
        agreed = correct(lot.made_by, member, makes={lot: 3500}).fingerprint
        self.refused("outcome_changed", step=lot.made_by, member=member, makes={lot: 3000}, agreed=agreed)
        assert correct(lot.made_by, member, makes={lot: 3000}).fingerprint != agreed
        again = correct(lot.made_by, member, makes={lot: 3500}, agreed=agreed)
        assert again.fingerprint == agreed


# Each move: what, which lot or step, which other, tenths taken (10: all, unweighed), what out of a hundred is kept of it.
MOVES = st.lists(
    st.tuples(
        st.sampled_from(["blend", "crush", "cut", "assay", "void", "reweigh", "draws", "makes", "makes"]),
        st.integers(0, 30),
        st.integers(0, 30),
        st.integers(1, 10),
        st.integers(80, 125),
    ),
    min_size=4,
    max_size=14,
)
NO_SUCH_WAY = {"gain", "gain_later", "overdrawn", "nothing_left", "no_change", "used_downstream"}


def play(move: tuple, member) -> None:
    """One random move; where it is refused, nothing has changed."""
    what, one, other, tenths, percent = move
    before = everything()
    try:
        if what in ("draws", "makes", "void"):
            _set_right_or_void(what, one, other, percent, member)
        else:
            _step(what, one, other, tenths, percent, member)
    except Refused as refusal:
        assert refusal.code in NO_SUCH_WAY
        assert everything() == before


def _set_right_or_void(what: str, one: int, other: int, percent: int, member) -> None:
    standing = list(Step.objects.filter(voided_at__isnull=True).order_by("pk"))
    step = standing[one % len(standing)]
    if what == "void":
        if step.kind != "dig":
            void_step(step=step, reason="played", voided_by=member)
        return
    rows = list(step.draws.order_by("pk") if what == "draws" else step.made.order_by("pk"))
    if rows:
        row = rows[other % len(rows)]
        mass_g = (row.mass_g * percent / 100).quantize(Decimal("0.00001"))
        correct(step, member, **{what: {row.lot if what == "draws" else row: mass_g}})


def _step(what: str, one: int, other: int, tenths: int, percent: int, member) -> None:
    stock = list(Lot.objects.in_stock().order_by("pk"))
    lot = stock[one % len(stock)]
    taken_g = (lot.on_hand_g * tenths / 10).quantize(Decimal("0.00001"))
    kept_g = (taken_g * min(percent, 100) / 100).quantize(Decimal("0.00001"))
    if kept_g < Decimal("0.1"):
        return
    taken = (lot, None if tenths == 10 else str(taken_g))
    if what == "crush":
        act("crush", member, [taken], str(kept_g))
    elif what == "assay":
        act("assay", member, [taken], str(taken_g))
    elif what == "cut":
        half_g = (taken_g / 2).quantize(Decimal("0.00001"), rounding="ROUND_DOWN")
        act("cut", member, [(lot, str(half_g * 2))], str(half_g), str(half_g))
    elif what == "reweigh":
        act("reweigh", member, [(lot, str(taken_g))])
    elif len(stock) > 1:
        second = stock[(one + 1 + other % (len(stock) - 1)) % len(stock)]
        act("blend", member, [taken, (second, None)], str(kept_g + second.on_hand_g))


class EveryStoryWithCorrections(HypothesisTestCase):
    @settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
    @given(MOVES)
    def test_keeps_the_books_as_if_written_right_at_once(self, moves):
        member = make_member()
        for mass_g in ("10000", "7333.33333", "500"):
            make_lot(mass_g, member=member)
        for move in moves:
            play(move, member)
        buckets = Lot.objects.of_kind(Lot.Kind.BUCKET).values_list("mass_g", flat=True)
        check_books(sum(buckets, Decimal(0)))


@pytest.mark.django_db(transaction=True)
class TestAtOnce:
    def test_two_corrections_leave_the_books_closed(self):
        member = make_member()
        a, b = make_lot("3000", member=member), make_lot("1000", member=member)
        blend = act("blend", member, [(a, None), (b, None)], "3500").made.get()
        act("cut", member, [(blend, "1800")], "900", "900")
        given_back, raised = all_at_once(
            lambda: correct(a.made_by, member, makes={a: 4000}),
            lambda: correct(b.made_by, member, makes={b: 2000}),
            lambda: correct(blend.made_by, member, makes={blend: 3400}),
        )
        assert (len(given_back), raised) == (3, [])
        check_books(Decimal(6000))
        assert shares_of(blend)[a.origins.get().dig_id] == Decimal("0.666666666667")

    def test_a_correction_and_draws_of_the_same_lot(self):
        member = make_member()
        lot = make_lot("10000", member=member)
        _, raised = all_at_once(
            *[lambda: act("discard", member, [(lot, "3000")])] * 3,
            lambda: correct(lot.made_by, member, makes={lot: 6500}),
        )
        assert {error.code for error in raised} <= {"overdrawn", "too_little_on_hand", "books_moved"}
        lot.refresh_from_db()
        check_books(lot.mass_g)


@pytest.mark.django_db
def test_a_share_that_stays_the_same_is_not_told():
    # 100 g more of the first and 100 g less of the second: the third is still half of the blend.
    member = make_member()
    first, second, third = (make_lot("3000", member=member) for _ in range(3))
    step = act("blend", member, [(first, "500"), (second, "500"), (third, "1000")], "2000")
    blend = step.made.get()
    before = shares_of(blend)
    correct(step, member, draws={first: 600, second: 400})
    told = JournalEntry.objects.about(step).first().changes
    assert sorted(shares_of(blend).values()) == [Decimal("0.2"), Decimal("0.3"), Decimal("0.5")]
    (kept,) = [dig for dig, share in shares_of(blend).items() if share == before[dig]]
    assert shares_of(third) == {kept: 1}
    assert sum("share of" in what for what in told) == 2


@pytest.mark.skipif(connection.vendor != "postgresql", reason="only there one begins while another writes")
@pytest.mark.django_db(transaction=True)
def test_a_correction_that_waited_while_its_lot_was_drawn_on_changes_nothing():
    member = make_member()
    lot = make_lot("3000", member=member)
    error = while_it_waits(
        lot,
        lambda: correct(lot.made_by, member, makes={lot: 2000}),
        lambda: act("blend", member, [(lot, None)], "3000"),
    )
    assert error.code == "books_moved"
    lot.refresh_from_db()
    assert lot.mass_g == 3000
    check_books(Decimal(3000))
