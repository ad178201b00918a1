import math
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from prospecting.calc import colours, sampling

GOLD, QUARTZ = 19_300.0, 2650.0
diameters = st.floats(1, 2000)
densities = st.floats(1500, 19_300)


def test_classes_are_those_of_the_bureau():
    # Wells, Technical Bulletin 4 (1969): No. 1 above 4 mg, No. 2 from 1 to 4 mg, No. 3 below. On a limit: our choice, said so.
    assert [colours.colour_class(mass) for mass in (0.01, 0.999, 1, 4, 4.001, 100)] == [3, 3, 2, 2, 1, 1]


@given(st.floats(0.001, 50), st.floats(0.001, 50))
def test_a_heavier_colour_never_has_a_finer_class(one, other):
    light, heavy = sorted((one, other))
    assert colours.colour_class(heavy) <= colours.colour_class(light)
    names = colours.SIZE_NAMES
    assert names.index(colours.size_class(heavy)) <= names.index(colours.size_class(light))


@given(st.floats(0.001, 1000))
def test_colours_to_the_ounce_and_back(mass):
    assert colours.mean_colour_mg(colours.colours_per_ozt(mass)) == pytest.approx(mass, rel=1e-12)


def test_the_thumb_rule_of_colours_to_the_pound_implies_its_colour():
    # Lode miners: 90 to 100 tiny colours to the pound make about an ounce to the ton (common practice, no source), which is
    # 31.1 g in 2000 lb, so 0.16 to 0.17 mg each.
    mass_per_pound_mg = 31103.4768 / 2000
    assert [round(mass_per_pound_mg / count, 2) for count in (100, 90)] == [0.16, 0.17]
    gold = colours.gold_of_colours([95], [0.164]).gold_mg
    assert gold == pytest.approx(mass_per_pound_mg, rel=0.03)


def test_three_kinds_of_fine_gold_by_count_to_the_ounce():
    # 12,000, 40,000 and 300,000 colours to the ounce for fine, very fine and flour gold (state bulletin on gold sizes).
    found = [round(colours.mean_colour_mg(count), 2) for count in (12_000, 40_000, 300_000)]
    assert found == [2.59, 0.78, 0.10]


@given(st.floats(0.01, 5), st.floats(0.01, 1), st.floats(0.01, 1), st.floats(10, 19.3))
def test_an_ellipsoid_weighs_what_the_ball_of_its_nominal_diameter_weighs(length, flat, thin, density):
    breadth = length * flat
    found = colours.grain_shape(length, breadth, breadth * thin, density)
    assert found.mass_mg == pytest.approx(
        sampling.grain_mass_mg(1000 * found.nominal_diameter_mm, density), rel=1e-9
    )
    assert 0 < found.corey_factor <= 1 + 1e-12
    assert found.flatness >= 1 - 1e-12


def test_a_ball_is_not_flat():
    found = colours.grain_shape(0.3, 0.3, 0.3)
    assert found.corey_factor == pytest.approx(1) and found.flatness == pytest.approx(1)


@given(st.floats(0.5, 5), densities)
def test_the_three_laws_agree_on_the_smallest_grains(diameter, density):
    stokes = colours.stokes_fall(diameter, density).velocity_m_per_s
    assert colours.schiller_naumann_fall(diameter, density).velocity_m_per_s == pytest.approx(
        stokes, rel=0.02
    )
    assert colours.ferguson_church_velocity(diameter, density, c2=0.4) == pytest.approx(stokes, rel=0.03)


@given(diameters, densities)
def test_beyond_stokes_everything_falls_slower_than_he_says(diameter, density):
    stokes = colours.stokes_fall(diameter, density, beyond_limit="tell")
    assert colours.ferguson_church_velocity(diameter, density) < stokes.velocity_m_per_s
    if stokes.reynolds < 10_000:
        assert colours.schiller_naumann_fall(diameter, density).velocity_m_per_s < stokes.velocity_m_per_s


@given(st.floats(5, 700), densities)
def test_weight_and_drag_balance_in_steady_fall(diameter, density):
    # Referee: scipy's root of the balance itself, (rho_s - rho_w) g pi/6 d^3 = Cd (rho_w/2) v^2 pi/4 d^2.
    d, water = diameter * 1e-6, colours.STILL_WATER

    def excess(velocity):
        re = velocity * d * water.density_kg_per_m3 / water.viscosity_pa_s
        drag = 24 / re * (1 + 0.15 * re**0.687)
        weight = 4 * d * water.gravity_m_per_s2 * (density - water.density_kg_per_m3) / 3
        return drag * water.density_kg_per_m3 * velocity**2 - weight

    found = colours.schiller_naumann_fall(diameter, density)
    assert found.velocity_m_per_s == pytest.approx(brentq(excess, 1e-9, 10, xtol=1e-15), rel=1e-8)


@given(st.floats(1, 1000), st.floats(0.1, 2))
def test_a_grain_of_equal_fall_falls_as_fast(diameter, c2):
    other = colours.equal_settling_diameter_um(diameter, GOLD, QUARTZ, c2=c2)
    assert colours.ferguson_church_velocity(other, QUARTZ, c2=c2) == pytest.approx(
        colours.ferguson_church_velocity(diameter, GOLD, c2=c2), rel=1e-9
    )
    assert colours.equal_settling_diameter_um(other, QUARTZ, GOLD, c2=c2) == pytest.approx(diameter, rel=1e-9)


def test_equal_fall_goes_from_stokes_to_newton_with_size():
    ends = [
        colours.equal_settling_ratio(GOLD, QUARTZ, colours.WATER_DENSITY_KG_PER_M3, exponent=exponent)
        for exponent in (colours.STOKES_EXPONENT, colours.NEWTON_EXPONENT)
    ]
    ratios = [
        colours.equal_settling_diameter_um(um, GOLD, QUARTZ) / um for um in (0.1, 10, 100, 1000, 1e5, 1e7)
    ]
    assert ratios == sorted(ratios)
    assert ratios[0] == pytest.approx(ends[0], rel=1e-3)
    assert ratios[-1] == pytest.approx(ends[1], rel=1e-3)


def test_magnetite_follows_gold_more_closely_than_quartz_does():
    # Densities 5.2 and 2.65 (handbook values, from memory): black sand of nearly the gold's size stays in the pan.
    quartz, magnetite = (colours.equal_settling_diameter_um(150, GOLD, rho) for rho in (2650, 5200))
    assert 150 < magnetite < quartz


@given(st.lists(st.tuples(st.integers(0, 200), st.floats(0.01, 20)), min_size=1, max_size=5))
def test_counting_spread_of_one_class_is_the_root_of_its_count(classes):
    counts, masses = zip(*classes, strict=True)
    found = colours.gold_of_colours(counts, masses)
    assert found.gold_mg == pytest.approx(sum(n * m for n, m in classes))
    if sum(counts):
        alone = colours.gold_of_colours([counts[0]], [masses[0]])
        assert counts[0] == 0 or alone.relative_sd == pytest.approx(counts[0] ** -0.5)
        # A few heavy colours make the whole as unsure as few colours are.
        assert found.relative_sd >= sum(counts) ** -0.5 - 1e-12
    else:
        assert found.relative_sd == math.inf
    interval = colours.gold_interval_mg(counts, masses)
    assert interval.low <= found.gold_mg <= interval.high
    wider = colours.gold_interval_mg(counts, masses, 0.99)
    assert wider.low <= interval.low and interval.high <= wider.high


@pytest.mark.parametrize("count", [0, 1, 7, 150])
def test_the_interval_of_one_class_is_the_exact_one_of_a_count(count):
    found, exact = colours.gold_interval_mg([count], [0.3]), sampling.count_interval(count)
    assert found.low == pytest.approx(0.3 * exact.low, rel=1e-9, abs=1e-12)
    assert found.high == pytest.approx(0.3 * exact.high, rel=1e-9)


def test_the_interval_holds_the_true_gold_as_often_as_it_says():
    # Grain by grain: Poisson counts of three classes of known mean.
    rng = np.random.default_rng(7)
    expected, masses = np.array([0.7, 3.0, 12.0]), [5.0, 2.0, 0.3]
    truth = float(expected @ masses)
    held = 0
    for counts in rng.poisson(expected, size=(1500, 3)).tolist():
        interval = colours.gold_interval_mg(counts, masses)
        held += interval.low <= truth <= interval.high
    assert held / 1500 >= 0.945


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: colours.colour_class(0), "mass_mg"),
        (lambda: colours.colour_class(math.nan), "mass_mg"),
        (lambda: colours.size_class(1, (0.3, 0.7, 0.1)), "falling limits"),
        (lambda: colours.mean_colour_mg(0), "colours_per_ozt"),
        (lambda: colours.grain_shape(1, 2, 0.5), "do not rise"),
        (lambda: colours.stokes_fall(200, GOLD), "Reynolds number of 0.5; 200 um"),
        (lambda: colours.stokes_fall(20, 900), "does not sink"),
        (lambda: colours.stokes_fall(20, GOLD, beyond_limit="hide"), "hide"),
        (lambda: colours.stokes_fall(20, GOLD, colours.Water(viscosity_pa_s=0)), "viscosity_pa_s"),
        (lambda: colours.schiller_naumann_fall(3000, GOLD), "Reynolds number of 1000"),
        (lambda: colours.ferguson_church_velocity(20, GOLD, c2=0), "c2"),
        (lambda: colours.equal_settling_ratio(19.3, 2.65, exponent=0.3), "between 0.5"),
        (lambda: colours.concentration_criterion(19.3, 0.9), "do not rise"),
        (lambda: colours.equal_settling_diameter_um(100, GOLD, 990), "does not sink"),
        (lambda: colours.gold_of_colours([1], [1.0, 2.0]), "as many class masses"),
        (lambda: colours.gold_of_colours([-1], [1.0]), "whole number"),
        (lambda: colours.gold_of_colours([math.nan], [1.0]), "whole number"),
        (lambda: colours.gold_of_colours([1], [0.0]), "mean_mg"),
        (lambda: colours.gold_interval_mg([1], [1.0], 95), "confidence level"),
    ],
)
def test_refuses_grains_that_cannot_be(make, says):
    with pytest.raises(ValueError, match=says):
        make()


def test_mean_colour_of_pans_counts_all_gold_over_all_colours():
    # Not the mean of the pans' own means, which would be 0.55.
    assert colours.mean_colour_of_pans_mg([Decimal("0.1"), Decimal(9)], [1, 9]) == pytest.approx(0.91)


@pytest.mark.parametrize(
    ("golds", "counts", "says"), [([Decimal(1)], [], "each needs both"), ([], [], "No colour")]
)
def test_refuses_pans_without_colours(golds, counts, says):
    with pytest.raises(ValueError, match=says):
        colours.mean_colour_of_pans_mg(golds, counts)


@pytest.mark.parametrize(
    ("diameter_mm", "name"),
    # 0.06, 0.03 and 0.015 inch of 25.4 mm are 1.524, 0.762 and 0.381 mm; a diameter on a limit takes the finer name.
    [
        (1.525, "coarse"),
        (1.524, "medium"),
        (0.763, "medium"),
        (0.762, "fine"),
        (0.382, "fine"),
        (0.381, "very fine"),
    ],
)
def test_a_size_on_a_limit_takes_the_finer_name(diameter_mm, name):
    assert colours.size_class(diameter_mm) == name


@pytest.mark.parametrize("limits_mm", [(1.0, 1.0, 0.5), (1.0, 0.5, 0.5), (1.0, 0.5, 0.0), (1.0, 0.5)])
def test_limits_of_sizes_fall_and_end_above_nothing(limits_mm):
    with pytest.raises(ValueError, match="falling limits"):
        colours.size_class(0.7, limits_mm)


@pytest.mark.parametrize("level", [0.0, 1.0])
def test_no_limits_are_sure_or_without_any_confidence(level):
    with pytest.raises(ValueError, match="confidence level"):
        colours.gold_interval_mg([3], [1.0], level)


def test_a_grain_as_dense_as_the_water_does_not_sink():
    with pytest.raises(ValueError, match="does not sink"):
        colours.stokes_fall(20, 1000, colours.Water(density_kg_per_m3=1000))
    with pytest.raises(ValueError, match="do not rise"):
        colours.concentration_criterion(2.65, 1.0)
    # Two minerals of one density cannot be told apart by it: the criterion is 1.
    assert colours.concentration_criterion(2.65, 2.65) == 1.0


@pytest.mark.parametrize(("times", "is_valid"), [(0.999, True), (1.001, False)])
def test_stokes_holds_up_to_a_reynolds_number_of_a_half(times, is_valid):
    """By hand: Re = (rho_s - rho_w) rho_w g d^3 / (18 mu^2), so 0.5 is reached at d^3 = 9 mu^2 / ((rho_s - rho_w) rho_w g)."""
    water = colours.Water()
    cube = (
        9
        * water.viscosity_pa_s**2
        / ((GOLD - water.density_kg_per_m3) * water.density_kg_per_m3 * water.gravity_m_per_s2)
    )
    fall = colours.stokes_fall(1e6 * times * cube ** (1 / 3), GOLD, water, beyond_limit="tell")
    assert fall.reynolds == pytest.approx(0.5 * times**3)
    assert fall.is_valid is is_valid


@pytest.mark.parametrize("diameter_um", [1.0, 30.0, 400.0])
@pytest.mark.parametrize("density", [1001.0, 2650.0, GOLD])
def test_the_search_for_a_fall_ends_at_the_root_wherever_it_begins(diameter_um, density):
    fall = colours.schiller_naumann_fall(diameter_um, density)
    slow = colours.stokes_fall(diameter_um, density, beyond_limit="tell")
    assert fall.reynolds * (1 + 0.15 * fall.reynolds**0.687) == pytest.approx(slow.reynolds, rel=1e-12)
