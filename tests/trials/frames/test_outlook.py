from decimal import Decimal

import pytest

from tests import make
from tests.trials.make_trial import PORTION, make_draft, make_result
from trials.actions import running
from trials.frames.outlook import plan_outlook

pytestmark = pytest.mark.django_db


def draft_on_lot_giving(gold_mg: str, **fields):
    lot, member = make.make_lot("40000"), make.make_member()
    running.log_test_pan(lot=lot, portion=PORTION, result=make_result(member, gold_mg), recorded_by=member)
    return make_draft(lot=lot, **fields)


def test_warns_of_a_scale_too_coarse_for_the_lot():
    trial = draft_on_lot_giving("1.2", scale_step_mg=Decimal("0.5"))
    said = plan_outlook(trial, 2).coarse_scale
    assert "gives about 1.2 mg" in said
    assert "steps of 0.5 mg" in said
    # Twice the portion holds twice the gold, and the scale is fine enough for that.
    trial.portion_mass_g *= 2
    assert plan_outlook(trial, 2).coarse_scale == ""


def test_says_nothing_of_the_scale_where_it_is_fine_or_not_used():
    assert plan_outlook(draft_on_lot_giving("8.0"), 2).coarse_scale == ""
    counted = draft_on_lot_giving("1.2", scale_step_mg=Decimal("0.5"), outcome="colours")
    assert plan_outlook(counted, 2).coarse_scale == ""
    assert plan_outlook(make_draft(), 2).coarse_scale == ""
