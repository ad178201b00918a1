import math

import pytest

from trials.calc.next_trials import (
    FEWEST_BLOCKS,
    MOST_BLOCKS,
    USUAL_RATIO,
    USUAL_SPREAD,
    Arm,
    Idea,
    Tried,
    costs_gold,
    in_order,
    next_on_ladders,
    plan_of,
    same_dose,
    to_confirm,
    to_pair,
    to_repeat,
)


def arm(name="rinse", *doses, kind="not shown", more=4, technique=""):
    return Arm(name, doses, technique, kind, more)


def tried(number, *arms, **fields):
    return Tried(number, arms, **({"ratio": 1.25, "blocks": 5, "spread": 0.3, "df": 12} | fields))


LOW, HIGH = arm("low", (1, 0.1)), arm("high", (1, 0.4), kind="better", more=None)
SHOWN = arm("other", (2, 0.3), kind="better", more=None)


def test_repeats_what_was_not_shown_where_more_blocks_would_have_seen_it():
    [idea] = to_repeat([tried(7, LOW, HIGH)])
    assert (idea.base.trial, [each.name for each in idea.arms], idea.unsettled) == (7, ["low"], 1)
    # Within sight already (0), or beyond all blocks (None): a repeat would tell no more.
    assert to_repeat([tried(7, arm(more=0)), tried(6, arm("b", (3, 1.0), more=None))]) == []


@pytest.mark.parametrize(
    ("trials", "under_way"),
    [
        # Shown since, as the same dose counted out in drops.
        ([tried(8, arm("drops", (1, 0.102), kind="better")), tried(7, LOW)], []),
        ([tried(7, LOW)], [arm("being tried", (1, 0.1))]),
    ],
)
def test_does_not_repeat_what_is_settled_or_being_tried(trials, under_way):
    assert to_repeat(trials, under_way) == []


def test_repeats_the_newest_of_two_alike():
    assert [idea.base.trial for idea in to_repeat([tried(9, LOW), tried(7, LOW)])] == [9]


def test_a_technique_is_known_by_its_words_and_a_bare_name_by_its_name():
    twice = arm("x", technique="rinse  twice", kind="better")
    assert to_repeat([tried(9, twice), tried(7, arm("y", technique="Rinse twice"))]) == []
    assert len(to_repeat([tried(9, arm("deep pan")), tried(7, arm("flat pan"))])) == 2


def test_the_next_dose_lies_between_and_reruns_its_neighbours():
    [idea] = next_on_ladders([tried(7, LOW, HIGH)])
    assert idea.why == "between"
    assert idea.dose == (1, pytest.approx(0.2))
    assert [each.doses[0][1] for each in idea.arms] == [pytest.approx(0.2), 0.1, 0.4]
    # The dose shown once is run for as well; shown in two trials it is in it for company only.
    assert idea.unsettled == 3
    assert next_on_ladders([tried(7, LOW, HIGH), tried(6, HIGH)])[0].unsettled == 2


def test_a_harmful_top_dose_sends_the_ladder_down_and_one_dose_is_no_ladder():
    worse = arm("top", (1, 0.8), kind="worse")
    [idea] = next_on_ladders([tried(7, LOW, worse)])
    assert (idea.why, idea.dose) == ("down", (1, pytest.approx(0.05)))
    assert next_on_ladders([tried(7, HIGH)]) == []
    assert next_on_ladders([tried(7, LOW, HIGH)], [arm("", (1, 0.2))]) == []


def test_a_gain_shown_at_a_lower_dose_only_is_run_again_and_no_new_dose_named():
    [idea] = next_on_ladders([tried(7, arm("low", (1, 0.1), kind="better"), arm("high", (1, 0.4)))])
    assert (idea.why, idea.dose) == ("again", None)
    assert [each.name for each in idea.arms] == ["low", "high"]


def test_confirms_the_least_dose_shown_once():
    middle = arm("middle", (1, 0.2), kind="better")
    [idea] = to_confirm([tried(7, LOW, middle, HIGH, SHOWN)])
    assert [each.name for each in idea.arms] == ["middle", "other"]
    assert to_confirm([tried(7, SHOWN), tried(6, SHOWN)]) == []
    assert to_confirm([tried(7, SHOWN)], [SHOWN]) == []


def test_pairs_only_what_was_shown_alone_and_never_tried_together():
    [idea] = to_pair([tried(7, HIGH, SHOWN)])
    assert idea.arms[-1].doses == ((1, 0.4), (2, 0.3))
    assert idea.treatments == 4
    assert to_pair([tried(7, HIGH, SHOWN), tried(6, arm("both", (1, 0.4), (2, 0.3)))]) == []
    assert to_pair([tried(7, LOW, SHOWN)]) == []


def test_a_flocculant_once_panned_for_gold_at_its_dose_is_asked_no_more():
    assert [idea.dose for idea in costs_gold([(3, 0.2), (3, 0.201), (3, 0.6)], [])] == [(3, 0.2), (3, 0.6)]
    assert costs_gold([(3, 0.2)], [tried(7, arm("floc", (3, 0.2), kind="not shown"))]) == []
    assert costs_gold([(3, 0.2)], [], [arm("floc", (3, 0.2))]) == []


def test_the_chance_agrees_with_a_second_library():
    """Two treatments in blocks are pairs: statsmodels' paired t test has the same power."""
    from statsmodels.stats.power import TTestPower

    idea = Idea("confirm", tried(7, SHOWN, spread=0.3), (SHOWN,), 1)
    plan = plan_of(idea, run_min=30)
    effect = math.log(1.25) / (0.3 * math.sqrt(2))
    assert plan.power == pytest.approx(TTestPower().power(effect, plan.blocks, 0.05), abs=1e-3)
    # 20 blocks are the most; the second library too says that the wanted ones are enough, and one fewer is not.
    assert plan.blocks == MOST_BLOCKS
    assert TTestPower().power(effect, plan.blocks_wanted, 0.05) >= 0.8
    assert TTestPower().power(effect, plan.blocks_wanted - 1, 0.05) < 0.8


def test_hours_and_order_follow_the_minutes_of_a_run():
    idea = Idea("repeat", tried(7, LOW, spread=0.1), (LOW,), 1)
    plan = plan_of(idea, run_min=30)
    assert FEWEST_BLOCKS <= plan.blocks < MOST_BLOCKS
    assert plan.runs == 2 * plan.blocks
    assert plan.hours == pytest.approx(plan.runs / 2)
    assert plan.settled == pytest.approx(plan.power)
    assert plan.hours_each == pytest.approx(plan.hours / plan.power)
    quick, wide = plan_of(idea, run_min=10), plan_of(Idea("repeat", tried(7, LOW), (LOW,), 1), run_min=30)
    assert in_order([wide, plan, quick]) == [2, 1, 0]
    with pytest.raises(ValueError, match="above 0"):
        plan_of(idea, run_min=0)


def test_says_when_spread_and_ratio_are_assumed_or_thin():
    nothing = plan_of(Idea("open", None, (arm(),), 1), run_min=30)
    assert (nothing.spread, nothing.ratio, nothing.spread_assumed) == (USUAL_SPREAD, USUAL_RATIO, True)
    thin = plan_of(Idea("repeat", tried(7, LOW, df=4), (LOW,), 1), run_min=30)
    assert (thin.spread_assumed, thin.spread_thin) == (False, True)
    assert not plan_of(Idea("repeat", tried(7, LOW, df=12), (LOW,), 1), run_min=30).spread_thin


def test_by_places_the_blocks_are_those_its_verdict_named():
    plan = plan_of(Idea("repeat", tried(7, LOW, by_places=True, spread=None), (LOW,), 1), run_min=30)
    assert (plan.blocks, plan.power) == (9, 0.8)


def test_colours_are_reckoned_with_their_chance_and_no_spread_is_never_nan():
    colours = tried(7, LOW, spread=0.2, chance_share=1.0, dispersion=0.8)
    assert 0 < plan_of(Idea("repeat", colours, (LOW,), 1), run_min=30).power < 1
    assert plan_of(Idea("repeat", tried(7, LOW, spread=0.0), (LOW,), 1), run_min=30).spread_assumed


@pytest.mark.parametrize(("first", "second", "same"), [(0.1, 0.105, True), (0.1, 0.106, False), (2, 2, True)])
def test_doses_within_a_twentieth_are_one(first, second, same):
    assert same_dose(first, second) is same


def test_a_ladder_is_read_past_other_additives_and_mixtures():
    mixed = arm("both", (1, 0.2), (2, 0.3), kind="better")
    [plain] = next_on_ladders([tried(7, LOW, HIGH)])
    [beside] = next_on_ladders([tried(7, LOW, mixed, HIGH, SHOWN, arm("shake", technique="shake twice"))])
    assert beside.dose == plain.dose
    assert [each.doses for each in beside.arms] == [each.doses for each in plain.arms]


def test_a_pair_is_made_of_the_least_dose_shown_of_either():
    least, more = (arm(name, (1, dose), kind="better") for name, dose in (("a", 0.1), ("b", 0.4)))
    for order in ([tried(7, least), tried(8, more, SHOWN)], [tried(7, more), tried(8, least, SHOWN)]):
        [idea] = to_pair(order)
        assert idea.arms[-1].doses == ((1, 0.1), (2, 0.3))
