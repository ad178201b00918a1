from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied

from prospecting.actions.refusal import Refused
from prospecting.models import JournalEntry
from tests import make
from tests.trials.actions.test_clearing import make_test
from tests.trials.make_trial import PORTION, log, make_result, make_running
from trials.actions import mud, running
from trials.actions.running import PannedAgain
from trials.models import SettledMud

pytestmark = pytest.mark.django_db


def found(member, gold: str | None = "0.4", **fields) -> PannedAgain:
    weight = {"gold_mg": Decimal(gold), "gold_typed": f"{gold} mg"} if gold else {}
    fields = {"panned_on": make.DAY, "scale_step_mg": Decimal("0.1")} | weight | fields
    return PannedAgain(panner=member, **fields)


def refused(act) -> Refused:
    with pytest.raises(Refused) as refusal:
        act()
    return refusal.value


def test_mud_of_a_run_is_kept_once_beside_its_gold_and_changes_nothing_of_it():
    member = make.make_member()
    run = log(make_running().planned_runs.first(), member, "8.0")
    kept = mud.log_run_mud(run=run, mud=found(member), recorded_by=member)
    assert (kept.run, kept.tub, kept.gold_mg) == (run, None, Decimal("0.4"))
    run.refresh_from_db()
    assert run.gold_mg == Decimal("8.0")
    assert JournalEntry.objects.about(run).filter(what="panned the mud of its tub").exists()
    assert (
        refused(lambda: mud.log_run_mud(run=run, mud=found(member), recorded_by=member)).code == "mud_already"
    )
    assert SettledMud.objects.count() == 1


def test_mud_of_a_tub_is_kept_once_and_told_in_the_tests_journal():
    member, test = make.make_member(), make_test()
    tub = test.tubs.last()
    kept = mud.log_tub_mud(tub=tub, mud=found(member, None, below_scale=True), recorded_by=member)
    assert (kept.tub, kept.run, kept.gold_mg, kept.below_scale) == (tub, None, None, True)
    assert JournalEntry.objects.about(test).filter(what="panned the mud of Tub 2").exists()
    assert (
        refused(lambda: mud.log_tub_mud(tub=tub, mud=found(member), recorded_by=member)).code == "mud_already"
    )


@pytest.mark.parametrize(
    ("gold", "fields", "code"),
    [
        (None, {}, "nothing_seen"),
        ("0.4", {"below_scale": True}, "weighed_and_below"),
        (None, {"below_scale": True, "scale_step_mg": None}, "step_missing"),
        ("0.05", {}, "below_step"),
    ],
)
def test_refuses_what_says_nothing_or_two_things_and_keeps_nothing(gold, fields, code):
    member, test = make.make_member(), make_test()
    error = refused(
        lambda: mud.log_tub_mud(tub=test.tubs.first(), mud=found(member, gold, **fields), recorded_by=member)
    )
    assert error.code == code
    assert not SettledMud.objects.exists()


def test_mud_of_a_run_is_corrected_under_the_runs_own_rule():
    member, keeper = make.make_member(), make.make_member("keeper")
    trial = make_running(blocks=2)
    runs = [log(planned, member) for planned in trial.planned_runs.filter(block__number=1)]
    kept = mud.log_run_mud(run=runs[0], mud=found(member), recorded_by=member)

    def correct(by, gold="0.6", reason="read wrongly"):
        return mud.correct_mud(kept=kept, mud=found(member, gold), reason=reason, recorded_by=by)

    assert refused(lambda: correct(make.make_member())).code == "not_yours"
    assert refused(lambda: correct(member, reason=" ")).code == "reason_missing"
    assert correct(member).gold_mg == Decimal("0.6")
    entry = JournalEntry.objects.about(runs[0]).get(what="corrected the mud of its tub")
    assert entry.why == "read wrongly"
    assert entry.changes["gold_typed"] == ["0.4 mg", "0.6 mg"]
    running.close_block(block=trial.blocks.get(number=1), closed_by=member)
    assert refused(lambda: correct(member)).code == "key_open"
    assert correct(keeper, "0.7").gold_mg == Decimal("0.7")


def test_mud_of_a_tub_is_corrected_by_who_logged_it_or_a_keeper():
    member, test = make.make_member(), make_test()
    kept = mud.log_tub_mud(tub=test.tubs.first(), mud=found(member), recorded_by=member)

    def correct(by, reason="read wrongly"):
        return mud.correct_mud(kept=kept, mud=found(member, "0.6"), reason=reason, recorded_by=by)

    assert refused(lambda: correct(make.make_member())).code == "not_yours"
    assert refused(lambda: correct(member, reason="")).code == "reason_missing"
    assert correct(make.make_member("keeper")).gold_mg == Decimal("0.6")
    assert JournalEntry.objects.about(test).filter(what="corrected the mud of Tub 1").exists()


def test_a_guest_and_a_void_run_keep_no_mud():
    member, guest = make.make_member(), make.make_member("guest")
    lot = make.make_lot("5000")
    run = running.log_test_pan(lot=lot, portion=PORTION, result=make_result(member), recorded_by=member)
    with pytest.raises(PermissionDenied):
        mud.log_run_mud(run=run, mud=found(member), recorded_by=guest)
    kept = mud.log_run_mud(run=run, mud=found(member), recorded_by=member)
    with pytest.raises(PermissionDenied):
        mud.correct_mud(kept=kept, mud=found(member), reason="x", recorded_by=guest)
    running.void_run(run=run, reason="wrong lot", voided_by=member)
    error = refused(lambda: mud.correct_mud(kept=kept, mud=found(member), reason="x", recorded_by=member))
    assert error.code == "run_void"


def test_a_run_that_was_voided_keeps_no_mud():
    member = make.make_member()
    run = running.log_test_pan(
        lot=make.make_lot("5000"), portion=PORTION, result=make_result(member), recorded_by=member
    )
    running.void_run(run=run, reason="wrong lot", voided_by=member)
    before = JournalEntry.objects.count()
    error = refused(lambda: mud.log_run_mud(run=run, mud=found(member), recorded_by=member))
    assert error.code == "run_void"
    assert (SettledMud.objects.count(), JournalEntry.objects.count()) == (0, before)
