from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from prospecting.actions.material import recomputed_on_hand_g
from prospecting.actions.refusal import Refused
from prospecting.models import JournalEntry, Step
from tests import make
from tests.trials.make_trial import PORTION, log, make_bridge, make_closed, make_result, make_running
from trials.actions import planning, running
from trials.models import Run, Trial

pytestmark = pytest.mark.django_db


def refuses(code: str):
    return pytest.raises(ValidationError, check=lambda error: error.code == code)


def pan(lot, member, gold: str | None = "8.0", **fields) -> Run:
    return running.log_test_pan(
        lot=lot, portion=PORTION, result=make_result(member, gold, **fields), recorded_by=member
    )


def test_a_run_draws_its_portion_from_the_feed_lot():
    trial = make_running()
    run = log(trial.planned_runs.first(), make.make_member())
    trial.feed_lot.refresh_from_db()
    assert trial.feed_lot.on_hand_g == Decimal("39546") == recomputed_on_hand_g(trial.feed_lot)
    assert run.step.kind == Step.Kind.RECOVER


def test_a_cut_portion_is_used_up():
    lot = make.make_lot("40000")
    make.make_portions(lot, 6)
    trial = make_running(lot=lot, portions_from=Trial.PortionsFrom.CUT)
    planned = trial.planned_runs.first()
    run = log(planned, make.make_member())
    planned.portion.refresh_from_db()
    assert (planned.portion.on_hand_g, run.portion_mass_g, run.lot) == (0, Decimal("454"), planned.portion)


def test_a_planned_run_is_logged_once():
    trial = make_running()
    member = make.make_member()
    log(trial.planned_runs.first(), member)
    with refuses("logged_already"):
        log(trial.planned_runs.first(), member)
    assert Run.objects.count() == 1


def test_a_failed_run_stays_with_its_reason_and_still_uses_its_portion():
    trial = make_running()
    member = make.make_member()
    with refuses("reason_missing"):
        log(trial.planned_runs.first(), member, None, failed=True)
    run = log(trial.planned_runs.first(), member, None, failed=True, fail_reason="spilled")
    trial.feed_lot.refresh_from_db()
    assert (run.failed, trial.feed_lot.on_hand_g) == (True, Decimal("39546"))
    assert not Run.objects.standing().exists()


def test_nothing_on_the_scale_is_not_zero():
    run = pan(make.make_lot(), make.make_member(), None, below_scale=True)
    assert (run.gold_mg, run.below_scale, run.scale_step_mg) == (None, True, Decimal("0.1"))


@pytest.mark.parametrize(
    ("code", "gold", "fields"),
    [
        ("nothing_seen", None, {}),
        ("step_missing", None, {"below_scale": True, "scale_step_mg": None}),
        ("weighed_and_below", "3", {"below_scale": True}),
        ("below_step", "0.05", {}),
    ],
)
def test_it_refuses_a_result_that_says_nothing_or_two_things(code: str, gold: str | None, fields: dict):
    lot = make.make_lot()
    with refuses(code):
        pan(lot, make.make_member(), gold, **fields)
    lot.refresh_from_db()
    assert (lot.on_hand_g, Run.objects.count(), lot.draws.count()) == (Decimal("10000"), 0, 0)


def test_a_trial_by_weight_wants_a_weight():
    trial = make_running()
    with refuses("outcome_missing"):
        log(trial.planned_runs.first(), make.make_member(), None, colours={"flour": 12})


def test_a_trial_by_colours_wants_a_count_and_none_seen_is_one():
    trial = make_running(outcome=Trial.Outcome.COLOURS)
    member = make.make_member()
    with refuses("outcome_missing"):
        log(trial.planned_runs.first(), member, "8.0")
    run = log(trial.planned_runs.first(), member, None, colours={"flour": 0})
    assert run.colours_total == 0


def test_it_refuses_more_than_the_lot_holds():
    lot = make.make_lot("300")
    with refuses("too_little_on_hand"):
        pan(lot, make.make_member())
    assert not Run.objects.exists()


def test_a_block_closes_only_when_all_its_runs_are_in():
    trial = make_running()
    member = make.make_member()
    block = trial.blocks.first()
    first, second = block.planned_runs.all()
    log(first, member)
    with refuses("runs_missing"):
        running.close_block(block=block, closed_by=member)
    log(second, member, None, failed=True, fail_reason="spilled")
    assert running.close_block(block=block, closed_by=member).closed_at is not None


def test_the_last_block_closes_the_trial():
    trial = make_running(blocks=2)
    member = make.make_member()
    for planned in trial.planned_runs.all():
        log(planned, member)
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=member)
    trial.refresh_from_db()
    assert trial.state == Trial.State.CLOSED
    assert trial.close_reason == ""


def test_open_runs_are_not_among_the_untreated():
    """The mean of the control runs of an open block would tell which codes are the control."""
    trial = make_running(blocks=2)
    member = make.make_member()
    for planned in trial.planned_runs.all():
        log(planned, member)
    assert not Run.objects.untreated().exists()
    running.close_block(block=trial.blocks.first(), closed_by=member)
    assert Run.objects.untreated().get().planned.treatment.is_control


def test_a_correction_keeps_what_stood_there():
    member = make.make_member()
    run = pan(make.make_lot(), member, "80")
    running.correct_run(
        run=run, result=make_result(member, "8.0"), reason="slipped a digit", recorded_by=member
    )
    run.refresh_from_db()
    assert run.gold_mg == Decimal("8")
    entry = JournalEntry.objects.about(run).get(what="corrected")
    assert entry.why == "slipped a digit"
    assert Decimal(entry.changes["gold_mg"][0]) == 80


def test_once_the_key_is_open_only_a_keeper_corrects():
    trial = make_running(blocks=2)
    member = make.make_member()
    for planned in trial.blocks.first().planned_runs.all():
        run = log(planned, member)
    running.close_block(block=trial.blocks.first(), closed_by=member)
    with refuses("key_open"):
        running.correct_run(run=run, result=make_result(member, "20"), reason="looks low", recorded_by=member)
    keeper = make.make_member("keeper")
    running.correct_run(run=run, result=make_result(member, "9"), reason="misread slip", recorded_by=keeper)
    run.refresh_from_db()
    assert run.gold_mg == Decimal("9")


def test_a_voided_test_pan_gives_its_portion_back():
    member = make.make_member()
    lot = make.make_lot()
    run = running.void_run(run=pan(lot, member), reason="never happened", voided_by=member)
    lot.refresh_from_db()
    assert (lot.on_hand_g, run.is_void) == (Decimal("10000"), True)
    assert not Run.objects.standing().exists()


def test_a_run_of_a_trial_is_never_voided():
    trial = make_running()
    member = make.make_member()
    run = log(trial.planned_runs.first(), member)
    with refuses("planned_run"):
        running.void_run(run=run, reason="don't like it", voided_by=member)


def test_a_guest_logs_nothing():
    with pytest.raises(PermissionDenied):
        pan(make.make_lot(), make.make_member("guest"))


READINGS = [running.Reading(mg=Decimal(text), typed=f"{text} mg") for text in ("15.4", "15.6", "15.5")]


def test_weighings_are_kept_and_corrected_with_the_run():
    member = make.make_member()
    weighed = {"weighings": READINGS, "tare_mg": Decimal("3.1"), "tare_typed": "3.1 mg"}
    run = pan(make.make_lot(), member, "12.4", **weighed)
    assert [each.reading_mg for each in run.weighings.all()] == [each.mg for each in READINGS]
    running.correct_run(
        run=run,
        result=make_result(member, "12.3", **weighed | {"weighings": READINGS[:1]}),
        reason="two were of another pan",
        recorded_by=member,
    )
    run.refresh_from_db()
    assert (run.gold_mg, run.weighings.count()) == (Decimal("12.3"), 1)
    changes = JournalEntry.objects.about(run).first().changes
    assert changes["weighings"] == ["15.4 mg, 15.6 mg, 15.5 mg", "15.4 mg"]


@pytest.mark.parametrize(
    ("code", "gold", "tare_mg"), [("weighings_differ", "12.5", "3.1"), ("not_above_dish", "12.4", "15.5")]
)
def test_it_refuses_weighings_that_do_not_make_the_gold(code: str, gold: str, tare_mg: str):
    lot = make.make_lot()
    with refuses(code):
        pan(lot, make.make_member(), gold, weighings=READINGS, tare_mg=Decimal(tare_mg))
    assert not Run.objects.exists()
    lot.refresh_from_db()
    assert lot.on_hand_g == Decimal("10000")


def test_a_guess_names_a_treatment_of_the_same_trial():
    trial, other = make_running(), make_running()
    with refuses("other_trial"):
        log(trial.planned_runs.first(), make.make_member(), guess_treatment=other.treatments.first())


def test_a_run_judged_side_by_side_needs_no_figure_but_a_test_pan_does():
    trial = make_running(outcome=Trial.Outcome.PLACES)
    run = log(trial.planned_runs.first(), make.make_member(), None)
    assert (run.gold_mg, run.below_scale, run.failed) == (None, False, False)
    running.correct_run(
        run=run,
        result=make_result(run.panner, None, soak_min=Decimal(8)),
        reason="soak",
        recorded_by=run.panner,
    )
    with refuses("nothing_seen"):
        pan(make.make_lot(), make.make_member(), None)


def tails_of(member, gold: str | None = "1.0", **fields) -> running.PannedAgain:
    fields = {"scale_step_mg": Decimal("0.1"), "panned_on": make.DAY} | fields
    weight = {"gold_mg": Decimal(gold), "gold_typed": f"{gold} mg"} if gold else {}
    return running.PannedAgain(panner=member, **weight, **fields)


def test_tails_are_logged_once_and_leave_the_runs_gold_alone():
    member = make.make_member()
    run = pan(make.make_lot(), member, "9.0")
    running.log_tails(run=run, tails=tails_of(member), recorded_by=member)
    with refuses("tails_already"):
        running.log_tails(run=run, tails=tails_of(member, "2.0"), recorded_by=member)
    run.refresh_from_db()
    assert (run.gold_mg, run.tails_pan.gold_mg) == (Decimal("9"), Decimal("1"))


@pytest.mark.parametrize(
    ("code", "gold", "fields"),
    [
        ("nothing_seen", None, {}),
        ("step_missing", None, {"below_scale": True, "scale_step_mg": None}),
        ("weighed_and_below", "1.0", {"below_scale": True}),
        ("below_step", "0.05", {}),
    ],
)
def test_it_refuses_tails_that_say_nothing_or_two_things(code: str, gold: str | None, fields: dict):
    member = make.make_member()
    run = pan(make.make_lot(), member)
    with refuses(code):
        running.log_tails(run=run, tails=tails_of(member, gold, **fields), recorded_by=member)
    assert not hasattr(run, "tails_pan")


def test_tails_are_corrected_under_the_runs_own_rule():
    member, other, keeper = make.make_member(), make.make_member(), make.make_member("keeper")
    trial = make_running()
    for planned in trial.blocks.first().planned_runs.all():
        run = log(planned, member)
    running.log_tails(run=run, tails=tails_of(member), recorded_by=member)
    correct = {"run": run, "tails": tails_of(member, "1.2"), "reason": "misread"}
    with refuses("not_yours"):
        running.correct_tails(**correct, recorded_by=other)
    running.correct_tails(**correct, recorded_by=member)
    running.close_block(block=trial.blocks.first(), closed_by=member)
    with refuses("key_open"):
        running.correct_tails(**correct | {"tails": tails_of(member, "2.0")}, recorded_by=member)
    with refuses("reason_missing"):
        running.correct_tails(**correct | {"reason": " "}, recorded_by=keeper)
    running.correct_tails(**correct | {"tails": tails_of(member, "1.1")}, recorded_by=keeper)
    run.tails_pan.refresh_from_db()
    assert run.tails_pan.gold_mg == Decimal("1.1")


def test_a_void_run_has_no_tails_and_a_guest_logs_none():
    member = make.make_member()
    run = pan(make.make_lot(), member)
    with pytest.raises(PermissionDenied):
        running.log_tails(run=run, tails=tails_of(member), recorded_by=make.make_member("guest"))
    running.void_run(run=run, reason="never happened", voided_by=member)
    with refuses("run_void"):
        running.log_tails(run=run, tails=tails_of(member), recorded_by=member)


def test_a_bridge_s_refusal_does_not_name_the_lot_that_is_its_key():
    old, new = make.make_lot("9000"), make.make_lot("9000")
    trial = make_bridge(old, new)
    planning.fix_plan(trial=trial, planned_by=trial.recorded_by)
    member = make.make_member()
    planned = trial.planned_runs.first()
    with pytest.raises(Refused) as caught:
        running.log_run(
            planned=planned,
            result=make_result(member),
            recorded_by=member,
            portion=running.Portion(mass_g=Decimal("99000"), typed="99 kg"),
        )
    assert caught.value.code == "too_little_on_hand"
    sentence = " ".join(caught.value.messages)
    assert planned.blind_code in sentence
    assert old.code not in sentence and new.code not in sentence


def test_nothing_is_logged_in_a_trial_that_is_closed():
    member = make.make_member()
    trial = make_running()
    planned = trial.planned_runs.first()
    planning.close_trial(trial=trial, closed_by=trial.recorded_by, reason="the creek ran dry")
    with refuses("trial_closed"):
        log(planned, member)
    assert not Run.objects.exists()


def test_a_measured_portion_is_weighed_before_its_run_is_logged():
    member = make.make_member()
    planned = make_running().planned_runs.first()
    before = JournalEntry.objects.count()
    with refuses("portion_missing"):
        running.log_run(planned=planned, result=make_result(member), recorded_by=member)
    assert (Run.objects.count(), JournalEntry.objects.count()) == (0, before)


def test_a_portion_the_lot_no_longer_holds_is_refused_in_the_lot_s_own_words():
    # Three blocks of two want 2724 g of 2800; half a kilo was taken elsewhere since.
    member = make.make_member()
    lot = make.make_lot("2800", member=member)
    trial = make_running(lot=lot)
    first, *others = trial.planned_runs.all()
    for planned in others:
        log(planned, member)
    pan(lot, member)
    with pytest.raises(Refused) as refusal:
        log(first, member)
    assert refusal.value.code == "too_little_on_hand"
    assert lot.code in refusal.value.messages[0]


def test_a_block_is_closed_once():
    member = make.make_member()
    block = make_closed(lambda planned: "8.0").blocks.first()
    before = JournalEntry.objects.count()
    with refuses("closed_already"):
        running.close_block(block=block, closed_by=member)
    assert JournalEntry.objects.count() == before
