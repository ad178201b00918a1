"""What a full measure weighs, from one weighing; figures from Wells 1969 and a worked example of the definition."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc import units
from prospecting.calc.bulk_density import bulk_density_g_per_ml, measured_mass_g, question_about


def test_is_mass_over_volume():
    # A published laboratory example: 575 g of sand in 400 cm3 is 1.44 g/cm3 (definition as in ASTM C29).
    assert bulk_density_g_per_ml(Decimal(575), Decimal(400)).quantize(Decimal("0.01")) == Decimal("1.44")


def test_of_a_full_pan_of_gravel_is_as_a_handbook_weighed_it():
    # Wells, Placer Examination, BLM Technical Bulletin 4, 1969: 20 lb in a pan of 336 cubic inches. 1 in is 25.4 mm.
    mass_g = units.convert_mass(20, "lb", "g")
    volume_ml = 336 * Decimal("2.54") ** 3
    density = bulk_density_g_per_ml(mass_g, volume_ml)
    assert density.quantize(Decimal("0.01")) == Decimal("1.65")
    assert question_about(density) is None


@pytest.mark.parametrize(
    ("density", "word"),
    [("0.89", "lighter than water"), ("2.66", "solid quartz"), ("10", "solid quartz"), ("0.15", "lighter")],
)
def test_asks_about_what_loose_ore_hardly_is(density, word):
    assert word in question_about(Decimal(density))


@pytest.mark.parametrize("density", ["0.9", "1.3", "1.65", "2.65"])
def test_says_nothing_about_what_loose_ore_may_be(density):
    assert question_about(Decimal(density)) is None


@pytest.mark.parametrize(
    ("mass_g", "volume_ml"), [("0", "100"), ("100", "0"), ("-1", "100"), ("9", "100"), ("1940", "100")]
)
def test_refuses_what_no_ore_can_be(mass_g, volume_ml):
    with pytest.raises(ValueError, match="bulk density|no ore is"):
        bulk_density_g_per_ml(Decimal(mass_g), Decimal(volume_ml))


@pytest.mark.parametrize(("measure_ml", "density"), [("0", "1.6"), ("250", "0"), ("-250", "1.6")])
def test_a_measure_of_nothing_weighs_nothing_that_could_be_booked(measure_ml, density):
    with pytest.raises(ValueError, match="more than nothing"):
        measured_mass_g(Decimal(measure_ml), Decimal(density))


@given(st.integers(100, 10_000), st.integers(100, 5_000))
def test_the_weighed_volume_weighs_what_it_weighed(mass_g, volume_ml):
    if not 0.1 <= mass_g / volume_ml <= 19.3:
        return
    density = bulk_density_g_per_ml(Decimal(mass_g), Decimal(volume_ml))
    # Four decimals of g/mL: off by at most half of the last for each mL.
    off_g = abs(measured_mass_g(Decimal(volume_ml), density) - mass_g)
    assert off_g <= Decimal("0.00005") * volume_ml


@pytest.mark.parametrize(
    ("mass_g", "taken"), [("9.99", False), ("10", True), ("1930", True), ("1930.01", False)]
)
def test_takes_what_lies_on_a_limit_itself(mass_g, taken):
    # 100 mL: from 0.1 g/mL up to solid gold, 19.3 g/mL (handbook value, from memory). Halves of a last place round to even.
    if taken:
        assert bulk_density_g_per_ml(Decimal(mass_g), Decimal(100)) == Decimal(mass_g) / 100
    else:
        with pytest.raises(ValueError, match="which no ore is"):
            bulk_density_g_per_ml(Decimal(mass_g), Decimal(100))


@pytest.mark.parametrize(("mass_g", "volume_ml"), [("-160", "-100"), ("0.5", "0.3"), ("0.5", "0")])
def test_little_is_more_than_nothing_and_two_negatives_are_not(mass_g, volume_ml):
    if Decimal(volume_ml) > 0:
        assert bulk_density_g_per_ml(Decimal(mass_g), Decimal(volume_ml)) == Decimal("1.6667")
        assert measured_mass_g(Decimal(volume_ml), Decimal(mass_g)) == Decimal("0.15")
    else:
        with pytest.raises(ValueError, match="more than nothing"):
            bulk_density_g_per_ml(Decimal(mass_g), Decimal(volume_ml))
