from decimal import Decimal

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from prospecting.models import Lot
from tests import make
from tests.trials.make_trial import PORTION, log, make_bridge, make_draft, make_result
from trials.actions import planning, running
from trials.actions.renewal import plan_bridge
from trials.models import Trial

pytestmark = pytest.mark.django_db


def two_lots(old_g: str = "10000", new_g: str = "10000") -> tuple[Lot, Lot]:
    return make.make_lot(old_g), make.make_lot(new_g)


def test_a_bridge_has_the_two_lots_as_its_treatments_and_the_old_one_as_control():
    old, new = two_lots()
    trial = make_bridge(old, new)
    names = {treatment.name: trial.lot_of(treatment) for treatment in trial.treatments.all()}
    assert names == {f"{old.code}, old lot": old, f"{new.code}, new lot": new}
    assert trial.treatments.get(is_control=True).name.startswith(old.code)


def test_measured_portions_come_out_of_either_lot_and_balance():
    old, new = two_lots("4000", "5000")
    trial = planning.fix_plan(trial=make_bridge(old, new, blocks=4), planned_by=make.make_member())
    panner = make.make_member()
    for planned in trial.planned_runs.all():
        run = log(planned, panner)
        assert run.lot == (old if planned.treatment.is_control else new)
    for lot in (old, new):
        lot.refresh_from_db()
    assert (old.on_hand_g, new.on_hand_g) == (4000 - 4 * 454, 5000 - 4 * 454)


def test_cut_portions_are_drawn_by_lot_from_their_own_lot_and_those_held_back_stay():
    old, new = two_lots()
    held = make.make_portions(old, 6)[0]
    Lot.objects.filter(pk=held.pk).update(reserve_reason="kept for later")
    make.make_portions(new, 5)
    trial = make_bridge(old, new, blocks=5, portions_from=Trial.PortionsFrom.CUT)
    planning.fix_plan(trial=trial, planned_by=make.make_member())
    for planned in trial.planned_runs.select_related("treatment", "portion__made_by"):
        parent = planned.portion.made_by.draws.get().lot
        assert parent == trial.lot_of(planned.treatment)
        assert planned.portion != held
        log(planned, make.make_member())
    assert not Lot.objects.filter(planned_run__trial=trial, on_hand_g__gt=0).exists()


@pytest.mark.parametrize(("old_g", "new_g", "short"), [("1300", "9000", 0), ("9000", "1300", 1)])
def test_refuses_the_plan_while_either_lot_gives_too_few(old_g, new_g, short):
    lots = two_lots(old_g, new_g)
    trial = make_bridge(*lots, blocks=3)
    with pytest.raises(ValidationError, match=f"3 portions of 454 g are more than {lots[short].code} holds"):
        planning.fix_plan(trial=trial, planned_by=make.make_member())
    trial.refresh_from_db()
    assert trial.state == Trial.State.DRAFT
    assert not trial.planned_runs.exists()


def test_refuses_the_plan_while_too_few_portions_of_the_new_lot_are_cut():
    old, new = two_lots()
    make.make_portions(old, 6)
    make.make_portions(new, 2)
    trial = make_bridge(old, new, blocks=3, portions_from=Trial.PortionsFrom.CUT)
    with pytest.raises(ValidationError, match=f"cut from {new.code}. Cut 1 more"):
        planning.fix_plan(trial=trial, planned_by=make.make_member())


def test_refuses_a_lot_held_back_in_the_plan_of_measured_portions():
    old, new = two_lots()
    trial = make_bridge(old, new)
    Lot.objects.filter(pk=new.pk).update(reserve_reason="for the assay")
    with pytest.raises(ValidationError, match=f"{new.code} is held back"):
        planning.fix_plan(trial=trial, planned_by=make.make_member())


def test_refuses_the_same_lot_twice_a_portion_and_a_void_lot():
    old, new = two_lots()
    portion = make.make_portions(new, 1)[0]
    with pytest.raises(ValidationError, match="either end"):
        make_bridge(old, old)
    with pytest.raises(ValidationError, match="no test lot"):
        make_bridge(old, portion)
    Lot.objects.filter(pk=new.pk).update(is_void=True, on_hand_g=0)
    with pytest.raises(ValidationError, match="void"):
        make_bridge(old, new)
    assert not Trial.objects.exists()


def test_a_guest_plans_no_bridge():
    old, new = two_lots()
    with pytest.raises(PermissionDenied):
        make_bridge(old, new, member=make.make_member("guest"))


def test_a_bridge_takes_no_other_treatment_and_loses_none():
    trial = make_bridge(*two_lots())
    member = make.make_member()
    treatment = trial.treatments.last()
    words = {"name": "rinse", "is_control": False, "technique": "stirred", "doses": [], "recorded_by": member}
    for act in (
        lambda: planning.add_treatment(trial=trial, **words),
        lambda: planning.change_treatment(treatment=treatment, **words),
        lambda: planning.remove_treatment(treatment=treatment, recorded_by=member),
    ):
        with pytest.raises(ValidationError, match="no other treatment"):
            act()
    assert trial.treatments.count() == 2


def test_a_lot_a_bridge_uses_is_not_voided_with_its_step():
    from prospecting.actions.material import void_step

    old, new = two_lots()
    make_bridge(old, new)
    with pytest.raises(ValidationError, match=f"{new.code}, made by this step, is used by a trial"):
        void_step(step=new.made_by, reason="mistake", voided_by=make.make_member("keeper"))


def test_a_run_of_a_lot_that_ran_dry_meanwhile_is_refused_and_nothing_is_drawn_from_the_other():
    old, new = two_lots("1362", "9000")
    trial = planning.fix_plan(trial=make_bridge(old, new, blocks=3), planned_by=make.make_member())
    member = make.make_member()
    running.log_test_pan(lot=old, portion=PORTION, result=make_result(member), recorded_by=member)
    of_old = list(trial.planned_runs.filter(treatment__is_control=True))
    for planned in of_old[:2]:
        log(planned, member)
    with pytest.raises(ValidationError, match="can't give this portion"):
        log(of_old[2], member)
    new.refresh_from_db()
    assert new.on_hand_g == Decimal(9000)


def test_other_trials_draw_from_their_one_lot_as_before():
    trial = make_draft()
    assert trial.feeds == [trial.feed_lot]
    assert {trial.lot_of(treatment) for treatment in trial.treatments.all()} == {trial.feed_lot}
    assert trial.runs_on_each(7) == 7


def test_plan_bridge_is_the_only_way_to_a_draft_with_two_lots():
    old, new = two_lots()
    trial = plan_bridge(
        old_lot=old,
        new_lot=new,
        recorded_by=make.make_member(),
        outcome=Trial.Outcome.COLOURS,
        blocks_planned=4,
        smallest_ratio=Decimal("1.5"),
        portion_mass_g=Decimal(500),
        portion_typed="500 g",
        portions_from=Trial.PortionsFrom.MEASURED,
        water_ml=Decimal(9000),
        water_typed="9 L",
        mixer=make.make_member(),
    )
    assert trial.is_bridge
    assert (trial.feed_lot, trial.new_lot) == (old, new)
    assert trial.question == f"Bridge: what does {new.code} give beside {old.code}?"
