"""An old list taken in whole or not at all, and taken back while nothing was built on it."""

from dataclasses import replace
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied
from django.core.management import call_command
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prospecting.actions.material import (
    DrawFrom,
    NewDig,
    NewLot,
    StepDetails,
    recomputed_on_hand_g,
    record_digs,
    record_many,
    void_step,
    void_together,
)
from prospecting.actions.refusal import Refused
from prospecting.actions.steps import discard_from_lot, record_dig
from prospecting.frames.journal_chain import walked
from prospecting.models import Dig, Draw, JournalEntry, Lot, OldSheet, Origin, Step, Zone
from tests import make
from tests.trials.calc.test_old_sheets import line
from tests.trials.make_old_sheet import LINES, make_old_sheet, rules
from trials.actions.old_sheets import (
    NewZone,
    OldSheetFacts,
    done_since,
    take_back_old_sheet,
    take_in_old_sheet,
)
from trials.actions.running import (
    PannedAgain,
    PanOfLot,
    Portion,
    RunResult,
    log_tails,
    log_test_pan,
    log_test_pans,
    void_run,
)
from trials.calc.old_sheets import OldPan, OldPlan, plan_old_lines
from trials.models import ColourCount, Run

pytestmark = pytest.mark.django_db


def counts() -> tuple[int, ...]:
    return tuple(
        model.objects.count()
        for model in (OldSheet, Step, Dig, Lot, Draw, Run, ColourCount, JournalEntry, Zone)
    )


@pytest.fixture
def keeper():
    return make.make_member("keeper")


class TestTakingIn:
    def test_makes_digs_buckets_and_pans_that_name_their_line(self, keeper):
        sheet = make_old_sheet(member=keeper, note="of the shed")
        assert {step.kind: step.old_sheet_line for step in sheet.steps.all()} == {"dig": 2, "recover": 2}
        first, second = Lot.objects.order_by("pk")
        assert sheet.columns["buckets"] == {first.code: 2, second.code: 3}
        assert (first.title, first.mass_typed, first.on_hand_g) == ("A1", "20 kg", 17500)
        assert first.made_by == second.made_by
        run = Run.objects.get()
        assert (run.gold_mg, run.planned, run.panner) == (Decimal("1.5"), None, keeper)
        told = JournalEntry.objects.about(sheet).get()
        assert "buckets 2, digs 1, test pans 1, lines left out 0" in told.what and sheet.sha256 in told.why

    def test_adds_new_zones_with_stripes_of_their_own(self, keeper):
        claim = make.make_claim()
        make.make_zone(claim, stripe="a")
        make_old_sheet(member=keeper, zones={"here": NewZone(claim, "Gravel step")})
        assert Zone.objects.get(name="Gravel step").stripe == "b"

    def test_books_the_rest_as_discarded_where_nothing_is_left(self, keeper):
        make_old_sheet(member=keeper, nothing_left=True)
        assert not Lot.objects.in_stock().exists()
        step = Step.objects.get(kind=Step.Kind.DISCARD)
        assert (step.old_sheet_line, step.draws.count(), step.loss_g) == (2, 2, 35500)
        assert all(recomputed_on_hand_g(lot) == lot.on_hand_g for lot in Lot.objects.all())

    def test_keeps_a_pan_with_an_additive_as_one_that_does_not_count(self, keeper):
        make_old_sheet(member=keeper, lines=[line(2, "a", "20", "2", "1", additive="soap")])
        run = Run.objects.get()
        assert run.failed and "soap" in run.fail_reason and not Run.objects.standing().exists()

    @pytest.mark.parametrize("role", ["member", "guest"])
    def test_is_for_keepers(self, role, keeper):
        sheet = make_old_sheet(member=keeper)
        before = counts()
        with pytest.raises(PermissionDenied):
            make_old_sheet(member=make.make_member(role), sha256="a" * 64)
        with pytest.raises(PermissionDenied):
            take_back_old_sheet(sheet=sheet, reason="x", voided_by=make.make_member(role))
        assert before[:-2] == counts()[:-2]

    def test_takes_a_file_once_unless_it_was_taken_back(self, keeper):
        sheet = make_old_sheet(member=keeper)
        with pytest.raises(Refused) as refusal:
            make_old_sheet(member=keeper)
        assert (refusal.value.code, refusal.value.known) == ("old_sheet_known", sheet)
        take_back_old_sheet(sheet=sheet, reason="wrong", voided_by=keeper)
        assert make_old_sheet(member=keeper).pk != sheet.pk

    def test_refuses_a_list_of_which_nothing_is_left(self, keeper):
        with pytest.raises(Refused, match="No bucket is left"):
            make_old_sheet(member=keeper, lines=[line(2)])

    def test_leaves_nothing_behind_where_one_pan_is_refused(self, keeper):
        plan = plan_old_lines(LINES, rules(), {})
        bad = OldPan(line=3, bucket_line=3, panned_on=plan.pans[0].panned_on, portion_g=Decimal(19000), portion_typed="19 kg",
                     gold_mg=Decimal(1), gold_typed="1 mg")  # fmt: skip
        whole = OldPlan((plan.lines[0], replace(plan.lines[1], pan=bad)))
        facts = OldSheetFacts(
            file_name="x", sha256="c" * 64, columns={}, zones={"here": make.make_zone()}, sample_kind="bulk", done_by=keeper
        )  # fmt: skip
        before = counts()
        with pytest.raises(Refused), transaction.atomic():
            take_in_old_sheet(facts=facts, plan=whole, recorded_by=keeper)
        assert counts() == before


class TestTakingBack:
    def test_voids_everything_and_says_so_in_the_journal(self, keeper):
        sheet = make_old_sheet(member=keeper, nothing_left=True)
        take_back_old_sheet(sheet=sheet, reason="the wrong file", voided_by=keeper)
        sheet.refresh_from_db()
        assert sheet.is_void and not sheet.steps.filter(voided_at=None).exists()
        assert set(Lot.objects.values_list("is_void", "on_hand_g")) == {(True, 0)}
        step = sheet.steps.first()
        assert JournalEntry.objects.about(step).filter(what="voided", why__contains="the wrong file").exists()

    def test_refuses_while_something_else_was_done(self, keeper):
        sheet = make_old_sheet(member=keeper)
        first, second = Lot.objects.order_by("pk")
        blend = make.make_blend((first, "100"), (second, "100"), member=keeper)
        before = counts()
        with pytest.raises(Refused, match=f"{first.code}: Blend on .*Void that first"):
            take_back_old_sheet(sheet=sheet, reason="x", voided_by=keeper)
        assert counts() == before and len(done_since(sheet)) == 2
        void_step(step=blend.made_by, reason="x", voided_by=keeper)
        take_back_old_sheet(sheet=sheet, reason="x", voided_by=keeper)

    def test_does_not_void_what_somebody_panned_again_since(self, keeper):
        sheet = make_old_sheet(member=keeper)
        run = Run.objects.get()
        again = PannedAgain(panned_on=make.DAY, panner=keeper, colours=2)
        log_tails(run=run, tails=again, recorded_by=make.make_member("member"))
        with pytest.raises(Refused, match="panned again"):
            take_back_old_sheet(sheet=sheet, reason="x", voided_by=keeper)
        void_run(run=run, reason="first", voided_by=keeper)
        take_back_old_sheet(sheet=sheet, reason="x", voided_by=keeper)

    @pytest.mark.parametrize("reason", ["", "  "])
    def test_needs_a_reason_and_is_done_once(self, keeper, reason):
        sheet = make_old_sheet(member=keeper)
        with pytest.raises(Refused, match="Say why"):
            take_back_old_sheet(sheet=sheet, reason=reason, voided_by=keeper)
        take_back_old_sheet(sheet=sheet, reason="x", voided_by=keeper)
        with pytest.raises(Refused, match="already"):
            take_back_old_sheet(sheet=sheet, reason="x", voided_by=keeper)


def test_the_books_add_up_and_the_journal_is_sealed(
    keeper, django_capture_on_commit_callbacks, settings, tmp_path
):
    # Without the pictures that other tests of this process left behind.
    settings.MEDIA_ROOT = tmp_path
    with django_capture_on_commit_callbacks(execute=True):
        make_old_sheet(member=keeper, nothing_left=True)
        take_back_old_sheet(
            sheet=make_old_sheet(member=keeper, sha256="a" * 64), reason="x", voided_by=keeper
        )
    call_command("check_books")
    found = walked()
    assert found.broken is None and found.count == JournalEntry.objects.count()


def test_the_next_form_knows_nothing_of_pans_of_years_ago(keeper):
    make_old_sheet(member=keeper, the_rules=rules(step_mg=Decimal(1)))
    assert Run.objects.habits_of(keeper) == {}


class TestTogether:
    """Rows written together are the rows written one after the other."""

    def test_many_digs_are_as_one_after_the_other(self, keeper):
        zone = make.make_zone()
        place = {"zone": zone, "station": "face", "digger": "Bea", "sample_kind": "bulk"}
        bucket = NewLot(kind=Lot.Kind.BUCKET, mass_g=Decimal(20000), typed="20 kg", title="a", note="n")
        for _ in range(2):
            record_dig(**place, dug_on=make.DAY, buckets=[bucket, bucket], recorded_by=keeper)
        singly = list(Step.objects.order_by("pk"))
        dig = NewDig(
            dug_on=make.DAY, fields=place, buckets=[bucket, bucket], details=StepDetails(people="Bea")
        )
        made = record_digs(digs=[dig, dig], recorded_by=keeper)
        together = [lots[0].made_by for lots in made]
        own = ("id", "_state", "code", "step_id", "made_by_id", "lot_id", "dig_id", "recorded_at")
        rows = [
            [
                {name: value for name, value in vars(record).items() if name not in own}
                for model, path in ((Step, "pk"), (Dig, "step"), (Lot, "made_by"), (Origin, "lot__made_by"))
                for record in model.objects.filter(**{f"{path}__in": [step.pk for step in steps]}).order_by(
                    "pk"
                )
            ]
            for steps in (singly, together)
        ]
        assert rows[0] == rows[1] and len(rows[0]) == 12
        for steps in (singly, together):
            told = JournalEntry.objects.about(steps[0]).get()
            codes = ", ".join(steps[0].made.order_by("pk").values_list("code", flat=True))
            assert told.what == f"Dig; made {codes}"

    def test_many_pans_are_as_one_after_the_other(self, keeper):
        lots = [make.make_lot(member=keeper) for _ in range(2)]
        result = RunResult(
            panned_on=make.DAY, panner=keeper, gold_mg=Decimal(2), gold_typed="2 mg", colours={"fine": 3}
        )
        portion = Portion(mass_g=Decimal(900), typed="900 g")
        for _ in range(2):
            log_test_pan(lot=lots[0], portion=portion, result=result, recorded_by=keeper)
        log_test_pans(pans=[PanOfLot(lots[1], portion, result)] * 2, recorded_by=keeper)
        own = ("id", "_state", "lot_id", "step_id", "run_id", "recorded_at")
        rows = [
            [
                {name: value for name, value in vars(record).items() if name not in own}
                for records in (
                    Run.objects.filter(lot=lot),
                    Step.objects.filter(run__lot=lot),
                    Draw.objects.filter(lot=lot),
                    ColourCount.objects.filter(run__lot=lot),
                )
                for record in records.order_by("pk")
            ]
            for lot in lots
        ]
        assert rows[0] == rows[1] and len(rows[0]) == 8
        told = [
            [text.replace(lot.code, "") for run in Run.objects.filter(lot=lot) for about in (run, run.step)
             for text in JournalEntry.objects.about(about).values_list("what", flat=True)]
            for lot in lots
        ]  # fmt: skip
        assert told[0] == told[1]
        on_hand = {Lot.objects.get(pk=lot.pk).on_hand_g for lot in lots}
        assert on_hand == {Decimal(8200)}

    def test_draws_together_are_refused_as_one_by_one(self, keeper):
        lot = make.make_lot("1000", member=keeper)
        step = ([DrawFrom(lot=lot, mass_g=Decimal(600), typed="600 g")], make.DAY, StepDetails())
        before = counts()
        with pytest.raises(Refused) as refusal, transaction.atomic():
            record_many(kind=Step.Kind.RECOVER, steps=[step, step], recorded_by=keeper)
        assert refusal.value.code == "too_little_on_hand" and counts() == before

    def test_steps_that_drew_elsewhere_are_not_voided_together(self, keeper):
        lot = make.make_lot(member=keeper)
        step = discard_from_lot(
            draw=DrawFrom(lot=lot, mass_g=Decimal(1)), recorded_by=keeper, done_on=make.DAY, details=StepDetails(loss_reason="x")
        )  # fmt: skip
        with pytest.raises(Refused, match="drew on other material"):
            void_together(steps=[step], reason="x", voided_by=keeper)


amounts = st.none() | st.decimals("0.1", "60", places=1)
some_lines = st.lists(
    st.tuples(st.sampled_from(["", "a", "b"]), amounts, amounts, amounts, st.booleans()),
    min_size=1,
    max_size=7,
)


@settings(
    max_examples=8,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    deadline=None,
)
@given(rows=some_lines, nothing_left=st.booleans())
def test_masses_close_whatever_the_list(keeper, rows, nothing_left):
    lines = [
        line(
            number,
            bucket,
            *(str(each) if each else "" for each in (kg, pan, mg)),
            additive="soap" if soaped else "",
        )
        for number, (bucket, kg, pan, mg, soaped) in enumerate(rows, start=2)
    ]
    plan = plan_old_lines(lines, rules(), {})
    with transaction.atomic():
        try:
            sheet = make_old_sheet(member=keeper, lines=lines, nothing_left=nothing_left)
        except Refused as refusal:
            assert refusal.code == "no_bucket" and not plan.buckets
        else:
            lots = list(Lot.objects.filter(made_by__old_sheet=sheet))
            assert sum(lot.mass_g for lot in lots) == plan.bucket_mass_g
            assert all(recomputed_on_hand_g(lot) == lot.on_hand_g for lot in lots)
            left_g = sum(lot.on_hand_g for lot in lots)
            assert left_g == (0 if nothing_left else plan.bucket_mass_g - plan.portion_mass_g)
            assert Run.objects.filter(step__old_sheet=sheet).count() == len(plan.pans)
            take_back_old_sheet(sheet=sheet, reason="again", voided_by=keeper)
            assert not Lot.objects.standing().filter(made_by__old_sheet=sheet).exists()
        transaction.set_rollback(True)


@pytest.mark.django_db
def test_a_bucket_panned_to_its_end_leaves_nothing_to_discard(keeper):
    lines = [line(2, "a", "4", "2", "1"), line(3, "a", "", "2", "1.5"), line(4, "b", "5", "2", "1")]
    make_old_sheet(member=keeper, lines=lines, nothing_left=True)
    discards = Step.objects.filter(kind=Step.Kind.DISCARD)
    # Of 4 kg two pans took all; of 5 kg one took 2.
    assert [draw.mass_g for step in discards for draw in step.draws.all()] == [3000]
    assert not Lot.objects.filter(kind=Lot.Kind.BUCKET, on_hand_g__gt=0).exists()
