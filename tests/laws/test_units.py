"""Whatever the number: a measure comes back from every unit, and a dose or a grade shown is read back as it was shown."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc import units

amounts = st.decimals(min_value="0.001", max_value="99999", places=3)
doses = st.decimals(min_value="0.001", max_value="500", places=4)
KINDS = {
    "volume": (units.convert_volume, sorted(units.VOLUME_ML)),
    "length": (units.convert_length, sorted(units.LENGTH_UM)),
    "grade": (units.convert_grade, sorted(units.GRADE_G_PER_T)),
    "dose": (units.convert_dose, sorted(units.DOSE_ML_PER_L)),
}
MASSES = sorted(units.MASS_G)


@pytest.mark.parametrize("kind", KINDS)
@given(value=amounts, data=st.data())
def test_a_measure_comes_back_from_any_unit(kind, value, data):
    convert, known = KINDS[kind]
    unit, other = (data.draw(st.sampled_from(known)) for _ in range(2))
    assert convert(convert(value, unit, other), other, unit) == pytest.approx(value, rel=Decimal("1e-25"))


@given(amounts, st.sampled_from(MASSES), st.sampled_from(MASSES), st.sampled_from(MASSES))
def test_the_way_round_by_a_third_unit_is_no_other_way(value, unit, by, other):
    straight = units.convert_mass(value, unit, other)
    assert units.convert_mass(units.convert_mass(value, unit, by), by, other) == pytest.approx(
        straight, rel=Decimal("1e-25")
    )


@given(amounts, amounts, st.sampled_from(MASSES), st.sampled_from(MASSES))
def test_converting_keeps_order_and_sums(one, more, unit, other):
    together = units.convert_mass(one + more, unit, other)
    apart = units.convert_mass(one, unit, other) + units.convert_mass(more, unit, other)
    assert together == pytest.approx(apart, rel=Decimal("1e-25"))
    assert units.convert_mass(one, unit, other) < together


@given(doses, st.sampled_from(["ml_per_l", "tsp_per_us_gal"]))
def test_a_dose_as_shown_is_read_back_as_shown(ml_per_l, unit):
    shown = units.format_dose(ml_per_l, unit)
    read = units.parse_dose(shown)
    assert units.format_dose(read.ml_per_l, unit) == shown
    # Three digits that count: half a percent at most is lost.
    assert read.ml_per_l == pytest.approx(ml_per_l, rel=Decimal("0.005"))


@given(
    st.integers(1, 400),
    st.integers(1, 50),
    st.sampled_from(["drops", "mL", "tsp"]),
    st.sampled_from(["L", "gal"]),
)
def test_a_dose_is_its_amount_over_its_water(amount, water, measure, vessel):
    keys = {"drops": "drop", "mL": "mL", "tsp": "tsp", "L": "L", "gal": "gal"}
    amount_ml, water_ml = amount * units.VOLUME_ML[keys[measure]], water * units.VOLUME_ML[keys[vessel]]
    text = f"{amount} {measure} in {water} {vessel}"
    if amount_ml > water_ml:
        with pytest.raises(ValueError, match="more additive than water"):
            units.parse_dose(text)
        return
    dose = units.parse_dose(text)
    exact = 1000 * amount_ml / water_ml
    assert abs(Fraction(dose.ml_per_l) / exact - 1) < Fraction(1, 10**25)
    # Poured back into the same water it is the amount that was typed.
    assert units.tub_amounts(dose.ml_per_l, dose.water_ml).ml == pytest.approx(
        dose.amount_ml, rel=Decimal("1e-25")
    )


@given(
    st.decimals(min_value="0.001", max_value="99999", places=3),
    st.sampled_from(["g_per_t", "ozt_per_short_ton"]),
)
def test_a_grade_as_shown_is_read_back_as_shown(g_per_t, unit):
    shown = units.format_grade(g_per_t, unit)
    assert units.format_grade(units.parse_grade(shown, "ppb").canonical, unit) == shown


@given(amounts, st.sampled_from(["lb", "kg", "g"]))
def test_a_mass_as_shown_is_read_back_as_shown(mass_g, unit):
    shown = units.format_mass(mass_g, unit)
    assert units.format_mass(units.parse_mass(shown, "t").canonical, unit) == shown


@given(st.decimals(min_value="0.001", max_value="9999", places=3))
def test_gold_as_shown_is_read_back_as_shown(mg):
    shown = units.format_gold_mg(mg)
    assert units.format_gold_mg(units.parse_gold_mass(shown, "g").canonical) == shown
