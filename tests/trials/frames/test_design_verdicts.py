"""From the plan of each design to a verdict, its figures beside those of another library."""

import math
from collections import defaultdict

import numpy as np
import pytest
import statsmodels.api as sm

from tests import make
from tests.trials.make_trial import log, make_closed, make_draft, make_running
from trials.actions import planning, running
from trials.frames.books import faults_of_plans
from trials.frames.trial_lines import TrialLines
from trials.frames.verdicts import verdict_of
from trials.models import Trial

pytestmark = pytest.mark.django_db

NAMES = ("plain water", "rinse")
GOLDS = {
    "plain water": ["4.1", "5.0", "4.6", "3.8", "5.3", "4.4"],
    "rinse": ["8.9", "10.2", "9.6", "8.1", "10.9", "9.3"],
}


def closed(design: str, golds: dict[str, list], blocks: int = 6, **fields) -> Trial:
    """A closed trial whose runs of each treatment give these in their order."""
    left = {name: list(values) for name, values in golds.items()}
    return make_closed(
        lambda planned: left[planned.treatment.name].pop(0),
        names=tuple(golds),
        blocks=blocks,
        design=design,
        **fields,
    )


@pytest.mark.parametrize("design", Trial.Design.values)
def test_each_design_is_run_to_a_verdict(design):
    trial = closed(design, GOLDS | {"soap": ["4.0", "5.1", "4.5", "3.9", "5.2", "4.5"]})
    assert trial.state == Trial.State.CLOSED
    found = verdict_of(trial, make.make_member())
    assert [(verdict.kind) for verdict in found.verdicts][0] == "better"
    assert found.route == "mass"
    assert list(faults_of_plans()) == []


def test_a_completely_randomised_trial_is_compared_without_blocks():
    """statsmodels, generalised linear model with log link, Poisson variance and Pearson's dispersion."""
    trial = closed("random", GOLDS)
    assert trial.blocks.count() == 1
    found = verdict_of(trial, make.make_member())
    values = [float(each) for name in NAMES for each in GOLDS[name]]
    treated = [0.0] * 6 + [1.0] * 6
    model = sm.GLM(np.array(values), sm.add_constant(np.array(treated)), family=sm.families.Poisson())
    fitted = model.fit(scale="X2")
    [verdict] = found.verdicts
    assert verdict.ratio == pytest.approx(math.exp(fitted.params[1]), rel=1e-6)
    # Student's t for 95 % and 10 degrees of freedom: 2.228 (tables).
    reach = 2.228 * fitted.bse[1]
    assert verdict.lower == pytest.approx(math.exp(fitted.params[1] - reach), rel=1e-3)
    assert verdict.upper == pytest.approx(math.exp(fitted.params[1] + reach), rel=1e-3)


def said(trial: Trial) -> str:
    found = verdict_of(trial, make.make_member())
    sights = " ".join(f"{line.seen} {line.more}" for line in found.sight)
    steps = [*(found.working or ()), *(row for line in found.table for row in line.working)]
    working = " ".join(row.value for row in steps)
    return " ".join(
        [*(v.explanation for v in found.verdicts), sights, working, *found.chance, *found.warnings]
    )


def test_without_blocks_more_is_told_in_runs():
    alike = {
        "plain water": ["2.1", "7.0", "4.6", "3.8", "6.3", "4.4"],
        "rinse": ["3.4", "6.9", "2.2", "5.1", "7.4", "4.8"],
    }
    told = said(closed("random", alike))
    assert "more runs of each treatment would see 1.25 times" in told
    assert "without blocks nothing takes it out" in told
    assert "block would" not in told and "blocks would" not in told


def test_without_blocks_runs_below_the_scale_are_compared_by_places():
    golds = {"plain water": [None] * 4 + ["0.3", "0.2"], "rinse": ["1.1", "0.9", "1.4", "1.2", "1.0", "1.3"]}
    left = {name: list(values) for name, values in golds.items()}
    trial = make_running(names=NAMES, blocks=6, design="random")
    panner = make.make_member()
    for planned in trial.planned_runs.select_related("treatment"):
        gold = left[planned.treatment.name].pop(0)
        log(planned, panner, gold, **({} if gold else {"below_scale": True}))
    running.close_block(block=trial.blocks.get(), closed_by=panner)
    trial.refresh_from_db()
    found = verdict_of(trial, make.make_member())
    [verdict] = found.verdicts
    # Complete separation of 6 and 6: 2 of the 924 orders.
    assert verdict.kind == "better"
    assert "in the one order of all runs" in verdict.explanation
    assert found.table[1].wins == "no blocks"


def test_one_run_of_each_in_one_order_shows_nothing():
    left = defaultdict(lambda: ["4.0", "5.0"])
    trial = make_closed(
        lambda planned: left[planned.treatment.name].pop(0), names=NAMES, blocks=2, design="random"
    )
    [verdict] = verdict_of(trial, make.make_member()).verdicts
    assert verdict.kind == "not shown"


def test_a_square_takes_out_what_differs_from_place_to_place():
    """Rows and columns are both in the model, so a drift along the order neither shows as a gain nor widens the interval."""
    names = ("plain water", "rinse", "soap")
    # Each place gives three milligrams more than the one before; treatments do nothing.
    trial = make_closed(
        lambda planned: f"{2 + 3 * planned.position + 0.1 * (planned.run_order % 3):.1f}",
        names=names,
        blocks=6,
        design="latin",
    )
    found = verdict_of(trial, make.make_member())
    # Every treatment stood at every place twice, so none has an advantage to a few percent.
    assert all(0.97 < verdict.ratio < 1.03 for verdict in found.verdicts)
    # 17 degrees of freedom less 2 for treatments, 5 for rows and 2 for places.
    comparison, _ = TrialLines(trial).compare()
    assert comparison.df == 8
    assert [verdict.kind for verdict in found.verdicts] == ["equivalent", "equivalent"]


def test_the_verdict_of_a_wishful_plan_says_so():
    trial = make_draft(names=NAMES, blocks=3)
    trial = planning.fix_plan(
        trial=trial, planned_by=trial.recorded_by, cannot="It can't.", reason="to learn the spread"
    )
    panner = make.make_member()
    for planned in trial.planned_runs.all():
        log(planned, panner, "4.0")
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=panner)
    trial.refresh_from_db()
    alarms = verdict_of(trial, make.make_member()).alarms
    assert "can't answer its question: to learn the spread." in alarms[0]
