"""The doses of one ladder together: what chance alone claims, second libraries, and where a curve must not be drawn."""

import math

import numpy as np
import pytest
from scipy import stats

from tests.trials.make_ladder import around
from trials.calc.comparison import BELOW_SCALE, compare_counts, compare_gold
from trials.calc.doses_together import (
    DoseShown,
    check_order,
    curve_of,
    evidence_of,
    extra_gold_mg,
    fall_by_ratio,
    fall_of_masses,
    kind_of,
    least_not_worse,
    monotone_ratios,
    plateau_of,
    shown_doses,
    trend_by_order,
)
from trials.calc.verdict import judge

WATER = [6.1, 7.4, 5.2, 8.3, 6.6, 7.0]
WOBBLE = [1.06, 0.95, 1.02, 0.97, 1.04, 0.98]
OTHER = [0.96, 1.05, 0.99, 1.03, 0.94, 1.04]


def table(**times: float) -> tuple[list[float], list[str], list[int]]:
    """Runs of plain water and of doses that give so many times as much, in six blocks."""
    rows = {"water": WATER}
    for number, (name, factor) in enumerate(times.items()):
        rows[name] = around(factor, WATER, (WOBBLE, OTHER)[number % 2])
    values = [value for row in rows.values() for value in row]
    names = [name for name, row in rows.items() for _ in row]
    return values, names, list(range(6)) * len(rows)


def comparer(columns):
    return lambda control: compare_gold(*columns, control, scale_step_mg=0.1)


def test_where_no_dose_does_anything_chance_alone_claims_one_in_at_most_five_trials_of_a_hundred():
    """Three doses and a control of known spread: 20,000 trials; the limits are the normal ones of 95 %."""
    rng = np.random.default_rng(20_260_601)
    runs = rng.standard_normal((20_000, 4))
    z = (runs[:, 1:] - runs[:, :1]) / math.sqrt(2)
    # Dunnett's two-sided 5 % point for three doses against one control, infinite df (2.35, Dunnett 1964; from memory).
    claimed = sum(
        bool(shown_doses([DoseShown(k + 1.0, row[k] > 1.96, row[k] > 2.35) for k in range(3)]).shown)
        for row in z
    )
    assert 0.02 < claimed / len(z) < 0.05


def test_the_order_from_the_top_ends_at_the_first_failure():
    found = shown_doses(
        [DoseShown(0.1, True, False), DoseShown(0.2, False, False), DoseShown(0.4, True, True)]
    )
    assert (found.shown, found.least, found.below) == ((0.4,), 0.4, 0.2)
    # What all doses judged together show stands beside it, wherever the order ended.
    found = shown_doses([DoseShown(0.1, True, True), DoseShown(0.2, False, False)])
    assert (found.least, found.by_order_alone) == (0.1, ())
    with pytest.raises(ValueError, match="No dose"):
        shown_doses([])


def test_of_two_treatments_with_one_dose_both_must_hold():
    assert shown_doses([DoseShown(0.2, True, True), DoseShown(0.2, False, False)]).shown == ()


def test_two_runs_show_nothing_however_far_apart():
    two = ([5.0, 15.0, 5.5, 16.0], ["water", "low"] * 2, [1, 1, 2, 2])
    found = compare_gold(*two, "water", scale_step_mg=0.1)
    assert evidence_of(found, "low", 0.1) == DoseShown(0.1, False, False)
    assert kind_of(found, "low", 1.25) == "not shown"
    assert extra_gold_mg(found, "low") is None


@pytest.mark.parametrize("factor", [0.4, 0.8, 1.0, 1.1, 1.6, 2.5])
def test_concludes_what_the_verdict_does(factor: float):
    found = compare_gold(*table(low=factor, high=1.0), "water", scale_step_mg=0.1)
    for name in ("low", "high"):
        for ratio in (1.1, 1.25, 2.0):
            assert kind_of(found, name, ratio) == judge(found, name, ratio).kind


def test_little_enough_is_the_one_sided_limit_against_the_best():
    columns = table(low=1.9, middle=2.0, high=2.02)
    found = least_not_worse(comparer(columns), "high", ["water", "low", "middle"], 1.25)
    assert (found.least, found.shown) == ("low", ("low", "middle"))
    # The same limit by hand: balanced blocks, so ratio of means; t(15) at 5 % one-sided 1.7531 (any t table).
    against = compare_gold(*columns, "high", scale_step_mg=0.1)
    entry = against.of("low")
    by_hand = math.exp(math.log(entry.ratio) - 1.7531 * entry.se_log)
    assert against.df == 15
    assert found.limits["low"] == pytest.approx(by_hand, rel=1e-4)
    # A tighter margin than the runs can tell: nothing below the best is shown, and that is no proof of a loss.
    assert least_not_worse(comparer(columns), "high", ["water", "low", "middle"], 1.01).least is None


def test_a_fall_at_the_top_is_followed_down_to_its_onset():
    columns = table(low=1.4, best=2.2, much=1.1, most=0.9)
    order = ["water", "low", "best", "much", "most"]
    found = fall_of_masses(*columns, order)
    assert (found.top, found.onset, found.best) == ("most", "much", "best")
    assert found.ratio == pytest.approx(0.9 / 2.2, rel=0.05)
    other = fall_by_ratio(comparer(columns), order[1:])
    assert (other.top, other.onset, other.best) == ("most", "much", "best")
    rising = table(low=1.2, best=1.6, much=2.0)
    assert fall_of_masses(*rising, ["water", "low", "best", "much"]) is None
    assert fall_by_ratio(comparer(rising), ["low", "best", "much"]) is None


def test_a_fall_of_colours_is_seen_too():
    counts = [20, 22, 41, 44, 6, 5] * 4
    names, blocks = (
        ["water", "water", "low", "low", "high", "high"] * 4,
        [b for b in range(4) for _ in range(6)],
    )
    found = fall_by_ratio(lambda control: compare_counts(counts, names, blocks, control), ["low", "high"])
    assert (found.onset, found.best) == ("high", "low")


def test_williams_is_not_made_where_the_top_fell():
    columns, order = table(low=1.5, high=2.0), ["water", "low", "high"]
    rising = check_order(*columns, order, falls=False)
    assert (rising.step_down_least, rising.williams_least) == ("low", "low")
    fell = check_order(*columns, order, falls=True)
    assert fell.williams_least is None
    assert "not made" in fell.why_no_williams
    values, names, blocks = (list(column)[1:] for column in columns)
    assert "step-down" in check_order(values, names, blocks, order, falls=False).why_no_williams


def test_the_trend_of_places_is_pages_test():
    rows = [[1, 2, 3, 4], [1, 3, 2, 4], [2, 1, 3, 4], [1, 2, 4, 3], [2, 1, 4, 3]]
    order = ["0", "a", "b", "c"]
    values = [value for row in rows for value in row]
    blocks = [block for block in range(5) for _ in range(4)]
    found = trend_by_order(values, order * 5, blocks, order, in_blocks=True)
    assert found.p == pytest.approx(stats.page_trend_test(rows, method="exact").pvalue, rel=1e-9)
    # A block with a pan missing is left out and said so.
    cut = trend_by_order(values[:-1], (order * 5)[:-1], blocks[:-1], order, in_blocks=True)
    assert (cut.rows, cut.rows_left_out) == (4, 1)
    with pytest.raises(ValueError, match="alike"):
        trend_by_order([BELOW_SCALE] * 8, order * 2, [1] * 4 + [2] * 4, order, in_blocks=True)


def test_a_run_below_the_scale_is_lower_than_every_weighed_one():
    order = ["0", "a"]
    found = trend_by_order(
        [BELOW_SCALE, 0.1, 0.2, 0.3] * 2, ["0", "0", "a", "a"] * 2, [1] * 8, order, in_blocks=False
    )
    assert found.test == "Jonckheere and Terpstra"
    assert found.p == pytest.approx(1 / 70)  # all of 4 above all of 4: 1 of C(8, 4) ways


def test_steps_pool_neighbours_by_their_runs():
    # By hand: what falls is pooled with what it fell below, on logarithms, weighted by runs.
    first = math.exp((5 * math.log(1.8) + 4 * math.log(1.2)) / 9)
    last = math.exp((5 * math.log(2.5) + 3 * math.log(2.4)) / 8)
    found = monotone_ratios([1.0, 1.8, 1.2, 2.5, 2.4], [5, 5, 4, 5, 3])
    assert found == pytest.approx([1.0, first, first, last, last])
    with pytest.raises(ValueError, match="logarithm"):
        monotone_ratios([1.0, 0.0], [5, 5])


def doses_and_runs(*times: float) -> tuple[list[float], list[float]]:
    doses = [0.0, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6][: len(times)]
    values = [around(factor, WATER, WOBBLE) for factor in times]
    return [dose for dose in doses for _ in WATER], [value for row in values for value in row]


def test_a_plateau_is_drawn_only_with_two_doses_beyond_the_break():
    found = plateau_of(*doses_and_runs(1.0, 1.25, 1.6, 2.0, 2.0, 2.0))
    assert found.fit.doses_beyond >= 2
    assert found.fit.breakpoint_lower < found.fit.breakpoint < found.fit.breakpoint_upper
    # From its own level at no dose on, and flat at the end.
    assert found.points[-1][1] == pytest.approx(found.points[-10][1])
    with pytest.raises(ValueError, match="Only one dose lies beyond"):
        plateau_of(*doses_and_runs(1.0, 1.25, 1.6, 2.0)[:2])
    with pytest.raises(ValueError, match="not rise"):
        plateau_of(*doses_and_runs(1.0, 0.6, 0.45, 0.45, 0.45, 0.45))


def test_a_log_logistic_curve_needs_five_doses_and_a_rise():
    found = curve_of(*doses_and_runs(1.0, 1.1, 1.3, 1.7, 1.95, 2.0, 2.0))
    assert 0.05 < found.fit.ed50.dose < 0.4
    assert found.points[0][1] < found.points[-1][1]
    with pytest.raises(ValueError, match="needs at least 5"):
        curve_of(*doses_and_runs(1.0, 1.2, 1.6, 2.0))
    with pytest.raises(ValueError, match="falls"):
        curve_of(*doses_and_runs(1.0, 0.9, 0.75, 0.55, 0.5, 0.5, 0.5))


def test_extra_gold_has_the_limits_of_the_ratio():
    found = compare_gold(*table(low=1.5, high=2.0), "water", scale_step_mg=0.1)
    gain, least, most = extra_gold_mg(found, "high")
    mean = math.fsum(WATER) / 6
    assert gain == pytest.approx(mean, rel=0.02)
    entry = found.of("high")
    assert (least, most) == pytest.approx((mean * (entry.lower - 1), mean * (entry.upper - 1)), rel=0.02)


@pytest.mark.parametrize("ratio", [1.0, 0.8])
def test_a_margin_of_nothing_is_refused(ratio):
    with pytest.raises(ValueError, match="must be above 1"):
        least_not_worse(lambda name: None, "c", ["a", "b"], ratio)


def test_where_even_plain_water_loses_less_than_the_margin_it_is_the_least():
    values, names, blocks = table(a=1.0, b=1.01)
    found = least_not_worse(
        lambda control: compare_gold(values, names, blocks, control), "b", ["water", "a"], 2.0
    )
    assert (found.least, found.shown) == ("water", ("water", "a"))
    assert all(limit > 0.5 for limit in found.limits.values())


def test_what_is_no_step_of_the_ladder_is_left_out_of_its_order():
    rows = [1, 2, 3, 9, 1, 2, 4, 0]
    found = trend_by_order(rows, ["0", "a", "b", "soap"] * 2, [1] * 4 + [2] * 4, ["0", "a", "b"], True)
    without = trend_by_order(
        [1, 2, 3, 1, 2, 4], ["0", "a", "b"] * 2, [1] * 3 + [2] * 3, ["0", "a", "b"], True
    )
    assert found == without


def test_a_curve_that_strays_more_than_equal_runs_do_is_not_drawn():
    # Up in two steps, with repeats that agree to a percent: no smooth curve goes through their middles.
    doses = [0, 0, 1, 1, 2, 2, 4, 4, 8, 8, 16, 16]
    golds = [1.0, 1.01, 1.6, 1.61, 1.7, 1.71, 3.2, 3.22, 3.4, 3.42, 5.0, 5.03]
    with pytest.raises(ValueError, match="strays from the doses' middles"):
        curve_of(doses, golds)


@pytest.mark.parametrize(
    ("low", "high"),
    [
        # Of eight blocks all or none is once in 128 by chance (sign test); five of eight is no news.
        ([3.0] * 8, "better"),
        ([BELOW_SCALE] * 8, "worse"),
        ([3.0, BELOW_SCALE] * 4, "not shown"),
    ],
)
def test_by_places_a_dose_is_what_the_verdict_calls_it(low, high):
    # The control is below its scale in the blocks where the dose is not, and the other way round.
    water = [BELOW_SCALE if dose == 3.0 else 2.0 for dose in low]
    found = compare_gold(
        [*water, *low], ["water"] * 8 + ["dose"] * 8, [*range(8)] * 2, "water", scale_step_mg=0.1
    )
    assert found.route == "ranks"
    assert kind_of(found, "dose", 1.25) == judge(found, "dose", 1.25).kind == high
