"""What a plan could see: against statsmodels, a printed table, the functions behind verdicts, and laws."""

import math
from decimal import Decimal

import pytest
from statsmodels.stats.power import TTestIndPower, TTestPower

from prospecting.calc.sampling import Stage
from trials.calc import power
from trials.calc.plan_sight import (
    Plan,
    Spread,
    crushed_finer,
    plan_hours,
    portion_for,
    rounded_up_mass,
    rows_allowed,
    rows_needed,
    sight,
    spread_of_colours,
    widest_spread,
    worth_naming,
)


@pytest.mark.parametrize("runs", [3, 5, 12, 40])
def test_of_two_treatments_without_blocks_the_t_test_of_statsmodels_has_this_power(runs):
    """statsmodels, power of Student's t test of two groups, 2n - 2 degrees of freedom."""
    found = sight(Spread(0.4), Plan(2, runs, in_blocks=False))
    # The variance of a run falls as its gold grows, so the treated group's is a share of the control's.
    sd = 0.4 * math.sqrt((1 + 1 / found.gain) / 2)
    seen = TTestIndPower().power(math.log(found.gain) / sd, nobs1=runs, alpha=0.05)
    assert seen == pytest.approx(0.8, abs=2e-4)
    assert found.df == 2 * runs - 2


@pytest.mark.parametrize("blocks", [4, 7, 20])
def test_of_two_treatments_in_blocks_the_paired_t_test_of_statsmodels_has_this_power(blocks):
    """statsmodels, power of Student's t test of pairs: in a block of two the difference is one pair's."""
    found = sight(Spread(0.4), Plan(2, blocks))
    sd = 0.4 * math.sqrt(1 + 1 / found.gain)
    assert TTestPower().power(math.log(found.gain) / sd, nobs=blocks, alpha=0.05) == pytest.approx(
        0.8, abs=2e-4
    )


@pytest.mark.parametrize(("treatments", "df", "printed"), [(3, 8, 2.67), (4, 12, 2.68), (5, 16, 2.71)])
def test_the_reach_of_the_interval_is_dunnetts(treatments, df, printed):
    """Dunnett 1964, Biometrics 20, 482-491, two-sided 5 %: 2.67, 2.68 and 2.71 (from memory)."""
    found = sight(Spread(0.3), Plan(treatments, 5))
    assert found.df == df
    assert found.critical_t == pytest.approx(printed, abs=0.02)


@pytest.mark.parametrize("spread", [Spread(0.3), Spread(0.3, grains=20)])
def test_sees_what_the_verdict_says_it_could_have_seen(spread):
    """The same trial reckoned by `power`, which verdicts use: mass, and colours that scatter 1.8 times as much as by chance."""
    dispersion = spread.dispersion
    expected = power.detectable_ratio(0.3, 6, 4, chance_share=1.0, dispersion=dispersion)
    assert sight(spread, Plan(4, 6)).gain == pytest.approx(expected)
    needed = power.blocks_needed(0.3, 1.4, 4, chance_share=1.0, dispersion=dispersion)
    assert rows_needed(spread, Plan(4, 6), 1.4) == needed


@pytest.mark.parametrize("plan", [Plan(4, 5), Plan(3, 6, in_blocks=False)])
def test_one_row_fewer_than_needed_is_not_enough(plan):
    from dataclasses import replace

    needed = rows_needed(Spread(0.35), plan, 1.5)
    assert sight(Spread(0.35), replace(plan, rows=needed)).gain <= 1.5
    assert sight(Spread(0.35), replace(plan, rows=needed - 1)).gain > 1.5


def test_whole_squares_only():
    assert rows_needed(Spread(0.35), Plan(4, 4), 1.5, each=4) % 4 == 0
    assert rows_needed(Spread(3.0), Plan(4, 4), 1.01) is None


def test_the_widest_spread_is_just_wide_enough():
    cv = widest_spread(Plan(4, 8), 1.4)
    assert sight(Spread(cv), Plan(4, 8)).gain == pytest.approx(1.4, rel=1e-6)


def test_by_chance_four_times_the_portion_halves_the_spread():
    """Independent grains: the relative spread of a sum falls with the root of their number."""
    assert Spread(0.4).in_portions(4).cv == pytest.approx(0.2)
    assert Spread(0.4, grains=8).in_portions(4).grains == 32
    # What does not come by chance stays, whatever the portion.
    assert Spread(0.4, by_chance=0.0).in_portions(100).cv == pytest.approx(0.4)
    both = Spread(0.4, by_chance=0.5).in_portions(2)
    assert both.in_portions(0.5).cv == pytest.approx(0.4)
    assert both.in_portions(0.5).by_chance == pytest.approx(0.5)


def test_the_portion_proposed_is_the_least_that_is_enough():
    plan = Plan(4, 8)
    found = portion_for(Spread(0.5), plan, 1.4, Decimal(500))
    times = float(found / 500)
    assert sight(Spread(0.5).in_portions(times), plan).gain == pytest.approx(1.4, rel=1e-6)
    assert portion_for(Spread(0.5, by_chance=0.1), plan, 1.4, Decimal(500)) is None
    assert portion_for(Spread(0.05), plan, 1.4, Decimal(500)) == 500


def test_crushing_takes_only_what_theory_lays_to_the_pieces():
    """Gy: the variance goes with d^3 l, l = (gold / d)^b; of b = 0.5 and 1.5 the less hopeful, d^1.5, counts."""
    ore = {"grade_g_per_t": 5.0, "liberation_um": 100.0}
    now, finer = Stage(2000, 500, 20_000), Stage(1000, 500, 20_000)
    from prospecting.calc.sampling import fundamental_errors

    least = min(error.relative_sd for error in fundamental_errors(stage=now, **ore))
    # All of the spread from the pieces: the variance falls by 2^1.5.
    assert crushed_finer(Spread(least), ore, now, finer).cv == pytest.approx(least / 2**0.75)
    # Twice that spread: only a quarter of the variance falls.
    expected = 2 * least * math.sqrt(0.75 + 0.25 / 2**1.5)
    assert crushed_finer(Spread(2 * least), ore, now, finer).cv == pytest.approx(expected)


def test_colours_that_scatter_by_chance_spread_as_one_over_root_n():
    even = spread_of_colours([9, 9, 9, 9], [Decimal(500)] * 4, Decimal(500))
    assert (even.cv, even.dispersion, even.by_chance) == (pytest.approx(1 / 3), 1.0, 1.0)
    wild = spread_of_colours([1, 17, 2, 16], [Decimal(500)] * 4, Decimal(500))
    # Mean 9, variance (64 + 64 + 49 + 49) / 3.
    assert wild.dispersion == pytest.approx(226 / 3 / 9)
    # Too few say nothing of their scatter.
    assert spread_of_colours([1, 17], [Decimal(500)] * 2, Decimal(500)).dispersion == 1.0


def test_what_the_lot_and_one_plan_allow():
    assert rows_allowed(Decimal(20_000), Decimal(500), 4) == 10
    assert rows_allowed(Decimal(10**9), Decimal(500), 4) == 60
    assert rows_allowed(Decimal(10**9), Decimal(500), 12) == 20
    assert rows_allowed(Decimal(100), Decimal(500), 4) == 0


def test_hours_and_masses():
    hours = plan_hours(Plan(3, 4), run_min=20, soak_min=15)
    assert (hours.panning, hours.soaking_together, hours.soaking_apart) == (4.0, 1.0, 3.0)
    assert rounded_up_mass(Decimal("500"), "g") == 500
    assert rounded_up_mass(Decimal("501"), "g") == 510
    assert not worth_naming(1.5, 1.49)
    assert worth_naming(math.inf, 3.0)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: Spread(0.0), "spread 0.0"),
        (lambda: Spread(math.nan), "spread nan"),
        (lambda: Spread(0.3, by_chance=1.2), "by chance 1.2"),
        (lambda: Spread(0.3).in_portions(0), "0 times as large"),
        (lambda: sight(Spread(0.3), Plan(1, 5)), "5 rows of 1 treatments"),
        (lambda: sight(Spread(0.3), Plan(3, 1)), "1 rows of 3 treatments"),
        (lambda: rows_needed(Spread(0.3), Plan(3, 5), 1.0), "ratio 1.0"),
        (lambda: spread_of_colours([0, 0], [Decimal(500)] * 2, Decimal(500)), "No colour"),
    ],
)
def test_refuses_what_is_no_plan(call, says):
    with pytest.raises(ValueError, match=says):
        call()


@pytest.mark.parametrize("plan", [Plan(2, 2, is_square=True), Plan(4, 2, is_square=True)])
def test_a_plan_that_leaves_no_run_to_show_the_spread_sees_nothing(plan):
    # A square of two rows: (t - 1)(2 - 2) degrees of freedom for the error.
    found = sight(Spread(0.3), plan)
    assert found.df == 0
    assert math.isinf(found.gain) and math.isinf(found.critical_t)
    assert found.standard_error == pytest.approx(0.3)


def test_one_degree_of_freedom_already_sees_something():
    # Two treatments in two blocks: Student's two-sided 5 % point of one degree of freedom is 12.706 (printed tables).
    found = sight(Spread(0.02), Plan(2, 2))
    assert found.df == 1
    assert found.critical_t == pytest.approx(12.706, abs=1e-3)
    assert 1 < found.gain < math.inf


@pytest.mark.parametrize(("treatments", "rows"), [(1, 2), (2, 1)])
def test_a_plan_has_two_treatments_and_two_rows(treatments, rows):
    with pytest.raises(ValueError, match="2 of each or more"):
        sight(Spread(0.3), Plan(treatments, rows))


def test_a_portion_that_is_enough_already_is_the_one_proposed():
    enough = sight(Spread(0.3, 1.0), Plan(2, 8)).gain
    assert portion_for(Spread(0.3, 1.0), Plan(2, 8), enough * 1.01, Decimal(500)) == Decimal(500)
    assert portion_for(Spread(0.3, 1.0), Plan(2, 8), enough * 0.99, Decimal(500)) > Decimal(500)


def test_a_portion_as_large_as_any_may_be_enough():
    """10 kg is the largest portion: where it is the trial's own, it is still an answer."""
    largest = Decimal(10_000)
    enough = sight(Spread(0.3, 1.0), Plan(2, 8)).gain
    assert portion_for(Spread(0.3, 1.0), Plan(2, 8), enough * 1.01, largest) == largest
    assert portion_for(Spread(0.3, 1.0), Plan(2, 8), enough * 0.99, largest) is None
