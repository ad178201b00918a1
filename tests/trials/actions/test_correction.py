from decimal import Decimal

import pytest

from prospecting.actions.correction import Weight
from prospecting.actions.refusal import Refused
from prospecting.models import JournalEntry, Lot, Step
from tests.make import make_lot, make_member, make_portions
from tests.trials.make_trial import PORTION, log, make_closed, make_result, make_running
from trials.actions.correction import correct_step, preview_correction
from trials.actions.running import log_test_pan
from trials.models import Run, Trial

pytestmark = pytest.mark.django_db


def weigh(lot: Lot, mass_g: int, member, **more):
    masses = {"draws": {}, "makes": {lot.pk: Weight(Decimal(mass_g), f"{mass_g} g")}}
    return correct_step(
        step=lot.made_by, reason="the bag was on the scale", corrected_by=member, **(masses | more)
    )


def cut_trial(member, **fields) -> Trial:
    lot = make_lot("40000", member=member)
    make_portions(lot, 6, "454", member=member)
    return make_running(lot=lot, portions_from=Trial.PortionsFrom.CUT, member=member, **fields)


def test_a_cut_portion_used_whole_carries_its_run_along():
    member = make_member()
    planned = cut_trial(member).planned_runs.first()
    run = log(planned, member)
    assert run.step.draws.get().takes_all
    done = weigh(planned.portion, 450, member)
    run.refresh_from_db()
    assert (run.portion_mass_g, run.portion_typed) == (450, "450 g")
    told = {change.what: (change.before, change.after) for change in done.changes}
    assert told[f"Run {run.pk}: portion"] == ("454 g", "450 g")
    # The key of its block is closed: what the run gave is not told.
    assert f"Run {run.pk}: recovered grade" not in told
    line = JournalEntry.objects.about(run).first()
    assert (line.what, line.why) == ("portion corrected", "the bag was on the scale")


def test_a_test_pans_grade_follows_and_its_gold_stays():
    member, lot = make_member(grade_unit="g_per_t"), make_lot("5000")
    run = log_test_pan(lot=lot, portion=PORTION, result=make_result(member), recorded_by=member)
    done = correct_step(
        step=run.step,
        draws={lot.pk: Weight(Decimal(1000), "1 kg")},
        makes={},
        reason="read in pounds",
        corrected_by=member,
    )
    run.refresh_from_db()
    assert (run.portion_mass_g, run.portion_typed, run.gold_mg) == (1000, "1 kg", 8)
    told = {change.what: (change.before, change.after) for change in done.changes}
    # 8 mg from 454 g is 17.6 g/t, from 1 kg 8.0 g/t: mg over kg is g/t.
    assert told[f"Run {run.pk}: recovered grade"] == ("17.6 g/t", "8.0 g/t")


def test_a_run_below_the_scale_tells_its_limit():
    member, lot = make_member(grade_unit="g_per_t"), make_lot("5000")
    result = make_result(member, None, below_scale=True)
    run = log_test_pan(lot=lot, portion=PORTION, result=result, recorded_by=member)
    done = correct_step(
        step=run.step,
        draws={lot.pk: Weight(Decimal(200), "200 g")},
        makes={},
        reason="read in pounds",
        corrected_by=member,
    )
    told = {change.what: change.after for change in done.changes}
    # One step of 0.1 mg in 200 g is 0.5 g/t.
    assert told[f"Run {run.pk}: recovered grade"].startswith("under 0.5")


def test_once_the_key_is_open_only_a_keeper_corrects_a_portion():
    member = make_member()
    lot = make_lot("40000", member=member)
    make_portions(lot, 6, "454", member=member)
    trial = make_closed(
        lambda planned: "8.0", lot=lot, portions_from=Trial.PortionsFrom.CUT, member=member, panner=member
    )
    portion = trial.planned_runs.first().portion
    with pytest.raises(Refused) as refusal:
        weigh(portion, 450, member)
    assert refusal.value.code == "key_open"
    portion.refresh_from_db()
    assert (portion.mass_g, Run.objects.exclude(portion_mass_g=454).count()) == (454, 0)
    weigh(portion, 450, make_member("keeper"))
    assert Run.objects.get(lot=portion).portion_mass_g == 450


def test_a_preview_says_the_same_and_stores_nothing():
    member = make_member()
    planned = cut_trial(member).planned_runs.first()
    log(planned, member)
    before = list(Run.objects.values()), list(Lot.objects.values()), list(Step.objects.values())
    lines = JournalEntry.objects.count()
    wanted = {"draws": {}, "makes": {planned.portion_id: Weight(Decimal(450), "450 g")}, "reason": "bag"}
    shown = preview_correction(step=planned.portion.made_by, corrected_by=member, **wanted)
    assert (list(Run.objects.values()), list(Lot.objects.values()), list(Step.objects.values())) == before
    assert JournalEntry.objects.count() == lines
    done = correct_step(step=planned.portion.made_by, corrected_by=member, agreed=shown.fingerprint, **wanted)
    assert done.changes == shown.changes
