from decimal import Decimal

import pytest

from tests import make
from tests.trials.make_trial import PORTION, make_result
from trials.actions import running
from trials.frames.runs import left_in_tails_of, working_of
from trials.models import Run

pytestmark = pytest.mark.django_db


def pan(gold: str | None, tails: dict, **fields) -> Run:
    member = make.make_member()
    run = running.log_test_pan(
        lot=make.make_lot(), portion=PORTION, result=make_result(member, gold, **fields), recorded_by=member
    )
    tails = {"panner": member, "panned_on": make.DAY, "scale_step_mg": Decimal("0.1")} | tails
    running.log_tails(run=run, tails=running.PannedAgain(**tails), recorded_by=member)
    return Run.objects.for_detail().get(pk=run.pk)


@pytest.mark.parametrize(
    ("gold", "fields", "tails", "said"),
    [
        ("9.0", {}, {"gold_mg": Decimal("1"), "gold_typed": "1 mg"}, "10 %"),
        ("9.0", {}, {"below_scale": True}, "less than 1.1 %"),
        (None, {"below_scale": True}, {"gold_mg": Decimal("1"), "gold_typed": "1 mg"}, "at least 90.9 %"),
        ("9.0", {}, {"colours": 3}, "None"),
        (None, {"colours": {"fine": 3}}, {"gold_mg": Decimal("1"), "gold_typed": "1 mg"}, "None"),
        ("9.0", {"failed": True, "fail_reason": "spilled"}, {"gold_mg": Decimal("1")}, "None"),
    ],
)
def test_what_the_tails_kept_is_said_only_of_what_was_weighed(gold, fields, tails, said):
    assert str(left_in_tails_of(pan(gold, tails, **fields))) == said


def test_the_working_names_every_weighing_and_its_dish():
    readings = [running.Reading(mg=Decimal(text), typed=f"{text} mg") for text in ("15.4", "15.6", "15.5")]
    dish = {"tare_mg": Decimal("3.1"), "tare_typed": "3.1 mg"}
    run = pan("12.4", {"gold_mg": Decimal("1"), "gold_typed": "1 mg"}, weighings=readings, **dish)
    gold, grade, tails = working_of(run, run.panner).rows
    assert [value for _, value, *_ in gold.inputs] == ["15.4 mg", "15.6 mg", "15.5 mg", "3.1 mg"]
    assert (gold.value, gold.unit) == ("12.4", "mg")
    # 12.4 mg from 454 g is 27.3 g/t, 0.797 troy oz per short ton (240/7 g/t each); 1 of 13.4 mg is 7.5 %.
    assert grade.value in ("27.3 g/t", "0.797 troy oz per short ton")
    assert tails.value == "7.5 %"


def test_an_old_run_shows_its_one_mass():
    run = pan("9.0", {"colours": 0})
    assert working_of(run, run.panner).rows[0].inputs == (("as logged, in one figure", "9.0 mg", "", ""),)
