"""What outcomes looked at afterwards point to: by the rule of a verdict, and never louder than one."""

import random

import pytest

from trials.calc.comparison import (
    BELOW_SCALE,
    compare_counts,
    compare_gold,
    compare_masses,
    compare_with_control,
)
from trials.calc.outcomes import (
    disagrees,
    found_gold,
    found_together,
    gold_per_hour,
    luck_of,
    point_to,
    scatters_more,
    share_left,
)
from trials.calc.verdict import judge

NAMES, BLOCKS = ["water", "rinse"] * 6, [number for number in range(6) for _ in range(2)]


def pointed(values, names=NAMES, blocks=BLOCKS):
    return point_to(
        compare_masses(values, names, blocks, "water"), "rinse", "gives more than", "gives less than"
    )


def test_points_where_a_verdict_would_be_shown_and_nowhere_else():
    # Same interval, same rule: over many simulated trials, with and without an effect, the two never part.
    rng = random.Random(5)
    for effect in [1.0] * 30 + [1.3, 1.6, 0.6] * 10:
        values = [
            round(8 * (effect if name == "rinse" else 1) * rng.lognormvariate(0, 0.25), 1) for name in NAMES
        ]
        verdict = judge(compare_masses(values, NAMES, BLOCKS, "water"), "rinse", 50.0)
        expected = {"better": "more", "worse": "less"}.get(verdict.kind, "not told")
        assert pointed(values).direction == expected


def test_two_runs_of_each_tell_nothing():
    few = pointed([4.0, 9.0, 4.1, 9.2], NAMES[:4], BLOCKS[:4])
    assert few.direction == "not told"
    assert "cannot tell chance from an effect" in few.sentence


def test_runs_below_the_scale_give_a_direction_by_places_and_no_ratio():
    values = [
        BELOW_SCALE if name == "water" else 3.0 + block for name, block in zip(NAMES, BLOCKS, strict=True)
    ]
    found = compare_gold(values, NAMES, BLOCKS, "water", scale_step_mg=0.1)
    told = point_to(found, "rinse", "recovers more than", "recovers less than")
    assert told.direction == "more" and "no ratio" in told.sentence


def test_equal_minutes_leave_gold_an_hour_as_the_gold_itself():
    values = [5.0, 6.1, 4.2, 7.7, 5.5, 5.9, 6.4, 8.0, 3.9, 5.2, 5.1, 6.6]
    mass = compare_masses(values, NAMES, BLOCKS, "water").of("rinse")
    hour = compare_masses([gold_per_hour(mg, 12) for mg in values], NAMES, BLOCKS, "water").of("rinse")
    assert (hour.ratio, hour.lower, hour.upper) == pytest.approx((mass.ratio, mass.lower, mass.upper))


def test_bounds_hold_whatever_lay_below_the_scale():
    rng = random.Random(3)
    for _ in range(200):
        golds, tails = ([rng.uniform(0.01, 3) for _ in range(4)] for _ in range(2))
        runs = [
            (gold if gold >= 0.5 else None, left if left >= 1 else None)
            for gold, left in zip(golds, tails, strict=True)
        ]
        found = found_together(runs, gold_step_mg=0.5, tails_step_mg=1.0)
        true = sum(golds) / (sum(golds) + sum(tails))
        assert found.low is None or found.low - 1e-12 <= true <= found.high + 1e-12
        assert found.head_low_mg - 1e-9 <= sum(golds) + sum(tails) <= found.head_high_mg + 1e-9


def test_nothing_weighed_in_either_bounds_no_share():
    assert found_gold(None, None, gold_step_mg=0.1, tails_step_mg=0.1).low is None


def test_share_left_is_what_was_not_caught():
    assert share_left(9.0, 1.0) == pytest.approx(1 - found_gold(9.0, 1.0).low)


@pytest.mark.parametrize(
    ("verdict", "direction", "more_is_better", "expected"),
    [
        ("better", "less", True, "opposite"),
        ("better", "more", True, ""),
        ("better", "more", False, "opposite"),
        ("worse", "more", True, "opposite"),
        ("not shown", "more", True, "beyond"),
        ("equivalent", "less", True, "beyond"),
        ("not shown", "not told", True, ""),
        ("better", "not told", True, ""),
    ],
)
def test_disagrees_only_where_the_runs_point_elsewhere(verdict, direction, more_is_better, expected):
    assert disagrees(verdict, direction, more_is_better=more_is_better) == expected


def test_luck_of_several_outcomes_is_no_more_than_their_sum():
    # Simulated: three outcomes of nothing at all, judged by the same rule, point somewhere less often than said.
    rng = random.Random(11)
    trials, struck = 60, 0
    for _ in range(trials):
        sets = [[rng.lognormvariate(2, 0.3) for _ in NAMES] for _ in range(3)]
        pointers = [
            point_to(compare_with_control(each, NAMES, BLOCKS, "water"), "rinse", "more than", "less than")
            for each in sets
        ]
        struck += any(pointer.direction != "not told" for pointer in pointers)
    # 15 % of 60 are 9; 17 is what 60 such draws pass in 3 of 1,000.
    assert luck_of(3) == pytest.approx(0.15) and struck <= 17


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: gold_per_hour(3.0, 0.0), "longer than nothing"),
        (lambda: gold_per_hour(3.0, float("inf")), "longer than nothing"),
        (lambda: share_left(0.0, 1.0), "both are above 0"),
        (lambda: share_left(1.0, 0.0), "both are above 0"),
        (lambda: luck_of(0), "at least one"),
        (lambda: found_gold(None, 2.0, tails_step_mg=0.1), "needs that scale's step"),
        (lambda: found_gold(2.0, None, gold_step_mg=0.1), "needs that scale's step"),
    ],
)
def test_refuses_outcomes_that_cannot_be(call, said):
    with pytest.raises(ValueError, match=said):
        call()


@pytest.mark.parametrize(
    ("of_water", "of_rinse", "direction", "said"),
    [(0, 7, "more", "at least "), (7, 0, "less", "at most ")],
)
def test_where_one_side_shows_no_colour_the_other_has_only_one_limit(of_water, of_rinse, direction, said):
    counts = [of_water if name == "water" else of_rinse for name in NAMES]
    told = point_to(
        compare_counts(counts, NAMES, BLOCKS, "water"), "rinse", "shows more than", "shows fewer than"
    )
    assert told.direction == direction
    assert said in told.sentence


def test_what_never_ran_beside_the_control_points_nowhere_and_says_why():
    values = [4.0, 5.0, 4.5, 6.0, 5.0, 6.5, 3.0, 4.0, 3.3, 4.1, 2.9, 4.4]
    names = ["water", "rinse"] * 3 + ["soap", "salt"] * 3
    told = (
        pointed(values, names, BLOCKS),
        point_to(
            compare_masses(values, names, BLOCKS, "water"), "soap", "gives more than", "gives less than"
        ),
    )
    assert told[0].direction == "more"
    assert told[1].direction == "not told"
    assert told[1].sentence.startswith("soap: ") and told[1].sentence.endswith(".")


def test_by_places_that_go_either_way_nothing_is_pointed_to():
    values = [
        BELOW_SCALE if (name == "water") == (block % 2 == 0) else 3.0
        for name, block in zip(NAMES, BLOCKS, strict=True)
    ]
    found = compare_gold(values, NAMES, BLOCKS, "water", scale_step_mg=0.1)
    told = point_to(found, "rinse", "recovers more than", "recovers less than")
    assert told.direction == "not told"
    assert "by places" in told.sentence


@pytest.mark.parametrize(("dispersion", "more"), [(1.5, False), (1.51, True)])
def test_counts_scatter_clearly_more_beyond_half_as_much_again(dispersion, more):
    # Our own limit.
    assert scatters_more(dispersion) is more


@pytest.mark.parametrize(("outcomes", "luck"), [(1, 0.05), (3, 0.15), (20, 1.0), (30, 1.0)])
def test_luck_adds_up_to_certainty_at_the_most(outcomes, luck):
    # Bonferroni: 1 in 20 for each.
    assert luck_of(outcomes) == pytest.approx(luck)


def test_three_runs_of_each_and_two_degrees_of_freedom_may_point_somewhere():
    few = pointed([4.0, 9.0, 4.1, 9.2, 4.05, 9.3], NAMES[:6], BLOCKS[:6])
    assert few.direction == "more"
    # Two and two name the treatment first.
    assert "2 runs of rinse" in pointed([4.0, 9.0, 4.1, 9.2], NAMES[:4], BLOCKS[:4]).sentence
