from collections import Counter
from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from prospecting.models import JournalEntry, Lot
from tests import make
from tests.trials.make_trial import log, make_additive, make_draft, make_running
from trials.actions import planning
from trials.calc.designs import check_square
from trials.models import Trial

pytestmark = pytest.mark.django_db


def refuses(code: str):
    return pytest.raises(ValidationError, check=lambda error: error.code == code)


def dose(ml_per_l: str, name: str = "Rinse") -> planning.DoseOf:
    return planning.DoseOf(additive=make_additive(name), ml_per_l=Decimal(ml_per_l), typed=f"{ml_per_l} mL/L")


def add(trial: Trial, name: str, **fields):
    fields = {"is_control": False, "technique": "", "doses": []} | fields
    return planning.add_treatment(trial=trial, name=name, recorded_by=trial.recorded_by, **fields)


def fix(trial: Trial) -> Trial:
    return planning.fix_plan(trial=trial, planned_by=trial.recorded_by)


def test_it_plans_every_treatment_once_in_every_block():
    trial = make_running(names=("plain water", "low", "high"), blocks=4)
    for block in trial.blocks.all():
        treatments = block.planned_runs.values_list("treatment__name", flat=True)
        assert sorted(treatments) == ["high", "low", "plain water"]
    assert list(trial.planned_runs.values_list("run_order", flat=True)) == list(range(1, 13))


def test_it_gives_each_run_a_blind_code_of_its_own():
    codes = make_running(blocks=10).planned_runs.values_list("blind_code", flat=True)
    assert len(set(codes)) == 20


def test_it_draws_cut_portions_by_lot_and_none_twice():
    lot = make.make_lot("40000")
    make.make_portions(lot, 8)
    trial = make_running(lot=lot, portions_from=Trial.PortionsFrom.CUT)
    portions = list(trial.planned_runs.values_list("portion__portion_number", flat=True))
    assert len(set(portions)) == 6
    assert set(portions) <= set(range(1, 9))


def test_it_refuses_a_plan_with_too_few_portions_and_stores_nothing():
    lot = make.make_lot("40000")
    make.make_portions(lot, 5)
    trial = make_draft(lot=lot, portions_from=Trial.PortionsFrom.CUT)
    with refuses("too_few_portions"):
        fix(trial)
    trial.refresh_from_db()
    assert (trial.state, trial.planned_runs.count(), trial.blocks.count()) == (Trial.State.DRAFT, 0, 0)


def test_it_does_not_take_portions_of_another_size():
    lot = make.make_lot("40000")
    make.make_portions(lot, 8, mass_g="500")
    assert make_draft(lot=lot, portions_from=Trial.PortionsFrom.CUT).portions_ready() == []


def test_it_refuses_a_lot_that_is_too_small():
    trial = make_draft(lot=make.make_lot("2000"))
    with refuses("lot_too_small"):
        fix(trial)


def test_it_refuses_a_trial_without_a_control():
    trial = make_draft(names=())
    add(trial, "low", doses=[dose("0.1")])
    add(trial, "high", doses=[dose("0.2")])
    with refuses("no_control"):
        fix(trial)


def test_it_refuses_a_second_control():
    with refuses("second_control"):
        add(make_draft(), "tap water", is_control=True)


def test_it_refuses_a_treatment_that_does_nothing():
    with refuses("nothing_done"):
        add(make_draft(), "mystery")


def test_it_refuses_the_same_treatment_under_two_names():
    trial = make_draft()
    add(trial, "rinse again", doses=[dose("0.1")])
    with refuses("same_treatment"):
        fix(trial)


def test_it_refuses_one_additive_twice_in_a_treatment():
    with refuses("additive_twice"):
        add(make_draft(), "double", doses=[dose("0.1"), dose("0.3")])


def test_it_refuses_one_block():
    trial = make_draft(blocks=1)
    with refuses("one_block"):
        fix(trial)


NAMES = ("plain water", "low", "high")


@pytest.mark.parametrize("design", Trial.Design.values)
def test_the_stored_plan_is_what_its_seed_draws(design):
    """Drawn again from the seed, each design gives the plan that is stored as a list."""
    trial = make_running(names=NAMES, blocks=6, design=design)
    treatments = list(trial.treatments.all())
    drawn = planning.draw_places(trial, treatments, trial.seed)
    stored = trial.planned_runs.values_list(
        "run_order", "block__number", "position", "treatment", "blind_code"
    )
    assert list(stored) == [
        (place.run_order, place.block, place.position, place.treatment, place.blind_code) for place in drawn
    ]
    assert len(drawn) == 18


@pytest.mark.parametrize(("design", "blocks"), [("latin", 6), ("williams", 6)])
def test_a_square_puts_every_treatment_at_every_place_equally_often(design, blocks):
    trial = make_running(names=NAMES, blocks=blocks, design=design)
    rows = [
        list(block.planned_runs.order_by("position").values_list("treatment", flat=True))
        for block in trial.blocks.all()
    ]
    for column in zip(*rows, strict=True):
        assert sorted(column.count(name) for name in set(column)) == [2, 2, 2]
    if design == "williams":
        # Each of the six neighbours one after the other, in six rows of two steps: twice.
        assert check_square(rows).balanced_for_follow_on


@pytest.mark.parametrize(
    ("design", "blocks", "fits"),
    [("latin", 5, "3, 6, 9 rows"), ("latin", 2, "3, 6, 9"), ("williams", 3, "6, 12, 18")],
)
def test_refuses_rows_that_make_no_square(design, blocks, fits):
    trial = make_draft(names=NAMES, blocks=blocks, design=design)
    with refuses("no_square") as refused:
        fix(trial)
    assert fits in refused.value.messages[0]
    trial.refresh_from_db()
    assert (trial.state, trial.seed, trial.blocks.count()) == (Trial.State.DRAFT, None, 0)


def test_a_latin_square_of_two_is_refused():
    with refuses("no_square"):
        fix(make_draft(blocks=4, design="latin"))


def test_completely_randomised_runs_are_one_block():
    trial = make_running(names=NAMES, blocks=4, design="random")
    block = trial.blocks.get()
    counts = Counter(block.planned_runs.values_list("treatment__name", flat=True))
    assert counts == {"plain water": 4, "low": 4, "high": 4}
    assert "12 runs in one order" in JournalEntry.objects.about(trial).latest("pk").what


def test_pans_side_by_side_need_blocks():
    with refuses("row_is_a_block"):
        make_draft(outcome="places", design="random")


def test_refuses_one_run_of_each():
    with refuses("one_block"):
        fix(make_draft(blocks=1, design="random"))


def test_a_plan_that_cannot_answer_takes_a_reason_and_keeps_it():
    trial = make_draft()
    said = "This plan can't answer your question."
    with refuses("wishful"):
        planning.fix_plan(trial=trial, planned_by=trial.recorded_by, cannot=said, reason="  ")
    trial.refresh_from_db()
    assert trial.state == Trial.State.DRAFT
    fixed = planning.fix_plan(
        trial=trial, planned_by=trial.recorded_by, cannot=said, reason="to learn the spread"
    )
    assert fixed.wishful_reason == "to learn the spread"
    entry = JournalEntry.objects.about(fixed).latest("pk")
    assert said in entry.what
    assert entry.why == "to learn the spread"


def test_a_plan_that_can_answer_keeps_no_reason():
    trial = make_draft()
    fixed = planning.fix_plan(trial=trial, planned_by=trial.recorded_by, reason="just so")
    assert fixed.wishful_reason == ""
    assert JournalEntry.objects.about(fixed).latest("pk").why == ""


@pytest.mark.parametrize("change", ["edit", "add", "remove", "fix again"])
def test_a_fixed_plan_no_longer_changes(change: str):
    trial = make_running()
    treatment = trial.treatments.last()
    with refuses("plan_stands"):
        match change:
            case "edit":
                planning.change_trial(trial=trial, blocks_planned=9, recorded_by=trial.recorded_by)
            case "add":
                add(trial, "late", technique="late idea")
            case "remove":
                planning.remove_treatment(treatment=treatment, recorded_by=trial.recorded_by)
            case "fix again":
                fix(trial)
    trial.refresh_from_db()
    assert (trial.blocks_planned, trial.treatments.count(), trial.planned_runs.count()) == (3, 2, 6)


def test_a_guest_plans_nothing():
    with pytest.raises(PermissionDenied):
        make_draft(member=make.make_member("guest"))
    assert not Trial.objects.exists()


def test_the_mixer_opens_the_key_and_it_is_on_record():
    trial = make_running()
    planning.open_key(trial=trial, member=trial.mixer)
    assert trial.key_openings.get().member == trial.mixer
    assert JournalEntry.objects.about(trial).filter(what="opened the mixing sheet").exists()


def test_another_member_does_not_get_the_key():
    trial = make_running()
    with refuses("not_mixer"):
        planning.open_key(trial=trial, member=make.make_member())
    assert not trial.key_openings.exists()


def test_a_keeper_looks_only_with_a_reason():
    trial = make_running()
    keeper = make.make_member("keeper")
    with refuses("reason_missing"):
        planning.open_key(trial=trial, member=keeper, reason="  ")
    planning.open_key(trial=trial, member=keeper, reason="two tubs look alike")
    assert trial.key_openings.get().reason == "two tubs look alike"


def test_ending_early_needs_a_reason_and_opens_the_key():
    trial = make_running()
    log(trial.planned_runs.first(), make.make_member())
    with refuses("reason_missing"):
        planning.close_trial(trial=trial, closed_by=trial.planned_by)
    with refuses("not_yours"):
        planning.close_trial(trial=trial, closed_by=make.make_member(), reason="enough")
    closed = planning.close_trial(trial=trial, closed_by=trial.planned_by, reason="the tub cracked")
    assert closed.state == Trial.State.CLOSED
    assert closed.close_reason == "the tub cracked"
    assert not closed.blocks.filter(closed_at__isnull=True).exists()


def test_a_draft_on_a_void_lot_is_refused():
    lot = make.make_lot()
    Lot.objects.filter(pk=lot.pk).update(is_void=True)
    lot.refresh_from_db()
    with refuses("lot_void"):
        make_draft(lot=lot)


def test_a_change_of_a_draft_that_changes_nothing_leaves_no_line():
    trial = make_draft()
    before = JournalEntry.objects.count()
    planning.change_trial(trial=trial, recorded_by=trial.recorded_by, question=trial.question)
    assert JournalEntry.objects.count() == before
    planning.change_trial(trial=trial, recorded_by=trial.recorded_by, question="Does it help much?")
    assert JournalEntry.objects.about(trial).first().changes["question"] == [
        "Does it help?",
        "Does it help much?",
    ]


def test_a_draft_has_no_key_and_no_end():
    trial = make_draft()
    with refuses("no_plan"):
        planning.open_key(trial=trial, member=trial.mixer)
    with refuses("not_running"):
        planning.close_trial(trial=trial, closed_by=trial.recorded_by, reason="no time")
    assert Trial.objects.get().state == Trial.State.DRAFT


def test_whoever_cannot_record_is_no_mixer():
    trial = make_draft()
    with refuses("mixer"):
        planning.change_trial(trial=trial, recorded_by=trial.recorded_by, mixer=make.make_member("guest"))
    with refuses("mixer"):
        make_draft(mixer=make.make_member("guest"))
    assert Trial.objects.get().mixer == trial.mixer


def test_one_treatment_alone_is_no_trial():
    trial = make_draft(names=("plain water",))
    with refuses("too_few_treatments"):
        fix(trial)
