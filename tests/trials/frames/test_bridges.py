import math
import statistics

import pytest

from tests import make
from tests.trials.make_trial import make_bridge, make_closed, make_closed_bridge
from trials.actions import planning
from trials.frames.bridges import across, bridge_between
from trials.models import Trial

pytestmark = pytest.mark.django_db

OLD = ["10.0", "11.0", "9.0", "10.5", "9.5", "10.2"]
HALF = ["5.2", "5.4", "4.6", "5.1", "4.9", "5.0"]


@pytest.fixture
def lots():
    return [make.make_lot("60000") for _ in range(3)]


def trial_on(lot, water: float, rinse: float, **fields) -> Trial:
    """Six blocks of plain water and rinse around these milligrams, every block a little off."""
    off = [0.96, 1.04, 1.0, 0.98, 1.03, 0.99]

    def gold(planned):
        middle = water if planned.treatment.is_control else rinse
        shift = off[planned.block.number - 1] if planned.treatment.is_control else off[-planned.block.number]
        return f"{middle * shift:.2f}"

    return make_closed(gold, lot=lot, blocks=6, **fields)


def test_the_bridge_is_new_over_old_with_its_interval(lots):
    old, new, _ = lots
    trial = make_closed_bridge(old, new, OLD, HALF)
    bridge = bridge_between(old, new)
    # Worked by hand: of blocks that all have both lots the ratio is that of the sums.
    assert bridge.ratio.ratio == pytest.approx(sum(map(float, HALF)) / sum(map(float, OLD)), rel=1e-6)
    low, high = bridge.ratio.interval()
    assert low < bridge.ratio.ratio < high
    assert bridge.ratio.df == pytest.approx(5)
    assert [link.trial for link in bridge.spans[0].links] == [trial]
    back = bridge_between(new, old)
    assert back.ratio.interval() == pytest.approx((1 / high, 1 / low))
    assert "0.502" in bridge.sentence


def test_the_same_lot_needs_no_bridge(lots):
    bridge = bridge_between(lots[0], lots[0])
    assert bridge.ratio.interval() == (1, 1)
    assert "no bridge is needed" in bridge.sentence


def test_a_chain_multiplies_and_its_errors_add(lots):
    make_closed_bridge(lots[0], lots[1], OLD, HALF)
    make_closed_bridge(lots[1], lots[2], HALF, OLD)
    stretches = [bridge_between(lots[0], lots[1]).ratio, bridge_between(lots[1], lots[2]).ratio]
    chain = bridge_between(lots[0], lots[2])
    assert chain.ratio.ratio == pytest.approx(math.prod(part.ratio for part in stretches))
    assert chain.ratio.se == pytest.approx(math.hypot(*(part.se for part in stretches)))
    assert f"{lots[0].code} over {lots[1].code}" in chain.sentence


def test_two_bridges_of_one_pair_are_pooled(lots):
    make_closed_bridge(lots[0], lots[1], OLD, HALF)
    one = bridge_between(lots[0], lots[1]).ratio
    # The other way round counts as well.
    make_closed_bridge(lots[1], lots[0], HALF, OLD)
    both = bridge_between(lots[0], lots[1]).ratio
    assert both.ratio == pytest.approx(one.ratio, rel=1e-6)
    assert both.se < one.se


def test_refuses_with_what_is_missing(lots):
    old, new, _ = lots
    assert "It takes bridging runs, judged by weight" in bridge_between(old, new).refusal
    draft = make_bridge(old, new)
    assert "is still being planned" in bridge_between(old, new).refusal
    planning.fix_plan(trial=draft, planned_by=draft.recorded_by)
    assert "has 0 of 6 runs in" in bridge_between(old, new).refusal
    assert bridge_between(old, new).plan_url.endswith(f"/bridge/?new={new.code}")


def test_refuses_a_bridge_whose_runs_came_out_below_the_scale_or_are_too_few(lots):
    old, new, other = lots
    trial = make_closed_bridge(old, new, OLD, HALF)
    trial.planned_runs.first().run.__class__.objects.filter(
        planned__trial=trial, planned__run_order=1
    ).update(gold_mg=None, below_scale=True)
    assert "below the scale" in bridge_between(old, new).refusal
    make_closed_bridge(old, other, OLD[:2], HALF[:2])
    assert "too few of its runs count" in bridge_between(old, other).refusal


def test_a_bridge_by_weight_does_not_carry_colours(lots):
    make_closed_bridge(lots[0], lots[1], OLD, HALF)
    assert "judged by colours" in bridge_between(lots[0], lots[1], Trial.Outcome.COLOURS).refusal


def test_trials_on_two_lots_are_refused_without_a_bridge_but_show_their_own_ratios(lots):
    first, second = trial_on(lots[0], 10, 12), trial_on(lots[1], 5, 6)
    found = across(first, second, make.make_member())
    assert "No bridge leads" in found.refusal
    assert [row.footing for row in found.rows] == [""] * 4
    assert [row.to_own_control[:3] for row in found.rows if not row.treatment.is_control] == ["1.2", "1.2"]
    assert not found.picture


def test_a_treatment_is_set_on_the_footing_of_the_first_lot(lots):
    make_closed_bridge(lots[0], lots[1], OLD, HALF)
    first, second = trial_on(lots[0], 10, 12), trial_on(lots[1], 5, 6.5)
    found = across(first, second, make.make_member(grade_unit="g_per_t"))
    assert found.refusal == ""
    rinse = found.rows[3]
    # 6.5 mg from 454 g is 14.3 g/t; over the bridge of 0.502 that is 28.5; the first control gave 22.
    assert rinse.own.startswith("14.3")
    assert rinse.footing.startswith("28.5")
    assert rinse.to_first_control.startswith("1.3 (")
    assert not found.controls_differ
    bridged = [row for row in found.picture if str(lots[1].code) in row["label"]]
    assert statistics.fmean(bridged[1]["values"]) == pytest.approx(1.296, abs=0.01)
    low, high = bridged[1]["lower"], bridged[1]["upper"]
    assert low < 1.296 < high


def test_the_interval_is_wider_than_without_the_bridge_s_error(lots):
    make_closed_bridge(lots[0], lots[1], OLD, OLD[::-1])
    first, second = trial_on(lots[0], 10, 12), trial_on(lots[1], 10, 12)
    over = across(first, second, make.make_member()).picture[3]
    same = across(first, trial_on(lots[0], 10, 12), make.make_member()).picture[3]
    assert over["upper"] / over["lower"] > same["upper"] / same["lower"]
    assert "no bridge is needed" in across(first, trial_on(lots[0], 9, 9), make.make_member()).bridge.sentence


def test_controls_that_differ_on_one_footing_raise_the_alarm(lots):
    first, second = trial_on(lots[0], 10, 12), trial_on(lots[0], 20, 22)
    found = across(first, second, make.make_member())
    assert found.controls_differ
    assert "not to be compared across" in found.controls


def test_refuses_a_bridging_trial_itself_and_different_outcomes(lots):
    bridge = make_closed_bridge(lots[0], lots[1], OLD, HALF)
    first = trial_on(lots[0], 10, 12)
    assert "bridge itself" in across(first, bridge, make.make_member()).refusal
    by_colours = trial_on(lots[0], 10, 12)
    Trial.objects.filter(pk=by_colours.pk).update(outcome="colours")
    by_colours.refresh_from_db()
    assert "no common measure" in across(first, by_colours, make.make_member()).refusal


def test_a_treatment_with_a_run_below_the_scale_has_no_level(lots):
    make_closed_bridge(lots[0], lots[1], OLD, HALF)
    first, second = trial_on(lots[0], 10, 12), trial_on(lots[1], 5, 6)
    run = second.planned_runs.filter(treatment__is_control=False).first().run
    run.gold_mg, run.gold_typed, run.below_scale = None, "", True
    run.save()
    rows = across(first, second, make.make_member()).rows
    assert rows[3].footing == ""
    assert rows[2].footing != ""
