import pytest
from django.core.exceptions import PermissionDenied

from prospecting.actions.refusal import Refused
from prospecting.models import JournalEntry
from tests import make
from tests.trials.make_judging import all_alike, close, in_order, judge, make_look, make_rows
from tests.trials.make_trial import log, make_draft, make_running
from trials.actions import judging, planning, running
from trials.actions.judging import Look, why_unjudged
from trials.models import Judging, PanPlace, Trial

pytestmark = pytest.mark.django_db

NAMES = ("plain water", "rinse", "soap")


@pytest.fixture
def trial() -> Trial:
    return make_rows(names=NAMES, blocks=2)


@pytest.fixture
def block(trial):
    return trial.blocks.first()


def places(judging: Judging) -> dict[str, int]:
    return {pan.planned.treatment.name: pan.place for pan in judging.places.all()}


def test_a_row_is_kept_with_its_judge_and_who_typed_it(block):
    judge_of_it, typist = make.make_member(), make.make_member()
    kept = judge(block, in_order("rinse", "plain water", "soap"), member=judge_of_it, by=typist, light="sun")
    assert places(kept) == {"rinse": 1, "plain water": 2, "soap": 3}
    assert (kept.judge, kept.recorded_by, kept.light) == (judge_of_it, typist, "sun")


def test_pans_alike_share_a_place_and_places_have_no_gaps(block):
    eye = {"soap": 1, "rinse": 2, "plain water": 2}
    assert places(judge(block, lambda row: {each: eye[each.treatment.name] for each in row})) == eye
    far = {"soap": 3, "rinse": 1, "plain water": 1}
    kept = judge(block, lambda row: {each: far[each.treatment.name] for each in row})
    assert places(kept) == {"soap": 2, "rinse": 1, "plain water": 1}
    assert set(places(judge(block, all_alike)).values()) == {1}


def test_the_journal_says_that_a_row_was_judged_but_not_how(block):
    kept = judge(block, in_order(*NAMES))
    entry = JournalEntry.objects.about(kept).get()
    assert "judging of block 1" in entry.what
    assert not entry.changes and not any(pan.planned.blind_code in entry.what for pan in kept.places.all())


def test_each_member_judges_a_row_once_and_two_members_may(block):
    member = make.make_member()
    judge(block, in_order(*NAMES), member=member)
    with pytest.raises(Refused, match="has judged block 1 already"):
        judge(block, in_order(*NAMES), member=member)
    judge(block, in_order(*NAMES[::-1]))
    assert Judging.objects.count() == 2


def test_it_waits_until_every_run_of_the_row_is_in():
    trial = make_running(names=NAMES, outcome=Trial.Outcome.PLACES)
    block = trial.blocks.first()
    first, *others = block.planned_runs.all()
    log(first, make.make_member(), None)
    with pytest.raises(Refused, match="Not in yet") as refusal:
        judge(block, in_order(*NAMES))
    assert all(other.blind_code in refusal.value.message for other in others)
    assert not Judging.objects.exists()


def test_failed_pans_do_not_stand_in_the_row():
    trial = make_rows(names=NAMES, failed=lambda planned: planned.treatment.name == "soap")
    block = trial.blocks.first()
    assert places(judge(block, in_order(*NAMES))) == {"plain water": 1, "rinse": 2}
    gone = block.planned_runs.get(treatment__name="soap").blind_code
    look = make_look(block, in_order(*NAMES))
    member = make.make_member()
    with pytest.raises(Refused, match=f"{gone} does not stand in this row"):
        judging.keep_judging(
            block=block, judge=member, look=Look({**look.places, gone: 3}, make.DAY), recorded_by=member
        )


def test_a_pan_without_a_place_and_a_place_that_is_none_are_refused(block):
    member = make.make_member()
    look = make_look(block, in_order(*NAMES))
    code = next(iter(look.places))
    missing = {other: place for other, place in look.places.items() if other != code}
    for wrong, why in (
        (missing, f"No place yet: {code}"),
        ({**look.places, code: 0}, "from 1 to 3"),
        ({**look.places, code: 4}, "from 1 to 3"),
        ({**look.places, "ZZ": 1}, "ZZ does not stand in this row"),
    ):
        with pytest.raises(Refused, match=why):
            judging.keep_judging(block=block, judge=member, look=Look(wrong, make.DAY), recorded_by=member)
    assert not Judging.objects.exists() and not PanPlace.objects.exists()


def test_a_guest_neither_judges_nor_records(block):
    guest, member = make.make_member("guest"), make.make_member()
    with pytest.raises(Refused, match="can't be a judge"):
        judge(block, in_order(*NAMES), member=guest, by=member)
    with pytest.raises(PermissionDenied):
        judge(block, in_order(*NAMES), member=member, by=guest)


def test_trials_judged_otherwise_have_no_rows():
    trial = make_running(names=NAMES)
    with pytest.raises(Refused, match="not judged by place"):
        judge(trial.blocks.first(), in_order(*NAMES))


def test_a_block_is_not_closed_before_it_is_judged(trial, block):
    with pytest.raises(Refused, match="Block 1 has not been judged"):
        running.close_block(block=block, closed_by=make.make_member())
    block.refresh_from_db()
    assert block.closed_at is None
    judge(block, in_order(*NAMES))
    assert running.close_block(block=block, closed_by=make.make_member()).closed_at


def test_a_run_mended_after_the_judging_has_to_be_placed_before_the_key_opens():
    trial = make_rows(names=NAMES, failed=lambda planned: planned.treatment.name == "soap")
    block = trial.blocks.first()
    kept = judge(block, in_order(*NAMES))
    run = block.planned_runs.get(treatment__name="soap").run
    result = running.RunResult(panned_on=make.DAY, panner=run.panner)
    running.correct_run(run=run, result=result, reason="it was another tub", recorded_by=run.recorded_by)
    with pytest.raises(Refused, match=f"has not placed {run.planned.blind_code}"):
        running.close_block(block=block, closed_by=kept.judge)
    judging.correct_judging(
        judging=kept, look=make_look(block, in_order(*NAMES)), reason="a pan more", recorded_by=kept.judge
    )
    running.close_block(block=block, closed_by=kept.judge)


def test_a_row_of_one_pan_needs_no_judge():
    trial = make_rows(failed=lambda planned: planned.treatment.name == "rinse")
    with pytest.raises(Refused, match="Fewer than two pans"):
        judge(trial.blocks.first(), all_alike)
    assert close(trial).state == Trial.State.CLOSED


def test_nobody_judges_once_the_key_is_open(trial, block):
    kept = judge(block, in_order(*NAMES))
    look = make_look(block, in_order(*NAMES[::-1]))
    running.close_block(block=block, closed_by=kept.judge)
    with pytest.raises(Refused, match="key of block 1 is open"):
        judge(block, in_order(*NAMES))
    for member in (kept.judge, make.make_member("keeper")):
        with pytest.raises(Refused, match="key of block 1 is open"):
            judging.correct_judging(judging=kept, look=look, reason="second thoughts", recorded_by=member)
    assert places(kept) == {"plain water": 1, "rinse": 2, "soap": 3}


def test_a_slip_is_corrected_by_the_judge_with_a_reason_and_stays_in_the_journal(block):
    kept = judge(block, in_order(*NAMES), note="wind")
    look = make_look(block, in_order("rinse", "plain water", "soap"))
    with pytest.raises(Refused, match="Say why"):
        judging.correct_judging(judging=kept, look=look, reason=" ", recorded_by=kept.judge)
    judging.correct_judging(judging=kept, look=look, reason="tapped the wrong pan", recorded_by=kept.judge)
    kept.refresh_from_db()
    assert places(kept) == {"rinse": 1, "plain water": 2, "soap": 3} and kept.note == ""
    entry = JournalEntry.objects.about(kept).get(why="tapped the wrong pan")
    code = block.planned_runs.get(treatment__name="rinse").blind_code
    assert entry.changes[code] == ["2", "1"] and entry.changes["note"] == ["wind", ""]
    assert block.planned_runs.get(treatment__name="soap").blind_code not in entry.changes


def test_only_the_judge_or_who_typed_it_corrects(block):
    typist = make.make_member()
    kept = judge(block, in_order(*NAMES), by=typist)
    look = make_look(block, in_order(*NAMES[::-1]))
    for stranger in (make.make_member(), make.make_member("keeper")):
        with pytest.raises(Refused, match="Only the judge"):
            judging.correct_judging(judging=kept, look=look, reason="I saw it too", recorded_by=stranger)
    judging.correct_judging(judging=kept, look=look, reason="misheard", recorded_by=typist)
    assert places(kept)["soap"] == 1


def test_a_trial_with_rows_never_judged_ends_only_with_a_reason(trial):
    judge(trial.blocks.first(), in_order(*NAMES))
    with pytest.raises(Refused, match="Block 2 has not been judged: .* Say why the trial ends early"):
        planning.close_trial(trial=trial, closed_by=trial.recorded_by)
    ended = planning.close_trial(trial=trial, closed_by=trial.recorded_by, reason="the pans were emptied")
    assert (ended.state, ended.close_reason) == (Trial.State.CLOSED, "the pans were emptied")


def test_a_bridge_is_not_judged_by_place():
    from tests.trials.make_trial import make_bridge

    old, new = make.make_lot("9000"), make.make_lot("9000")
    with pytest.raises(Refused, match="nothing could be carried over"):
        make_bridge(old, new, outcome=Trial.Outcome.PLACES)
    assert make_draft(outcome=Trial.Outcome.PLACES).outcome == Trial.Outcome.PLACES


def test_nothing_is_left_undone_once_every_row_is_judged_or_where_nothing_is_judged_by_place(trial):
    for block in trial.blocks.all():
        assert why_unjudged(trial)
        judge(block, all_alike)
    assert why_unjudged(trial) == ""
    assert why_unjudged(make_running()) == ""
