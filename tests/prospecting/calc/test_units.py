import re
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc import units
from prospecting.calc.number_words import COMMA, marked

POUND = Decimal("453.59237")
amounts = st.decimals(min_value="0.001", max_value="9999", places=3)


@pytest.mark.parametrize(
    ("text", "grams"),
    [
        ("22", 22 * POUND),
        ("22 lb", 22 * POUND),
        ("22lb", 22 * POUND),
        ("22 LBS.", 22 * POUND),
        (" 22\u00a0lb ", 22 * POUND),
        ("22 lb 4 oz", Decimal("22.25") * POUND),
        ("22 lb, 4 oz", Decimal("22.25") * POUND),
        ("1/2 lb", POUND / 2),
        ("1 1/2 lb", POUND * 3 / 2),
        ("½ lb", POUND / 2),
        ("1½ lb", POUND * 3 / 2),
        ("3,5 kg", 3500),
        ("1,200.5 g", Decimal("1200.5")),
        ("1.200,5 g", Decimal("1200.5")),
        ("1,234,567 g", 1234567),
        (".5 kg", 500),
        ("5. kg", 5000),
        ("٢٢ lb", 22 * POUND),
        ("٢٫٥ kg", 2500),
        ("२२ lb", 22 * POUND),
        ("２２ｌｂ", 22 * POUND),
        ("\u200e10 kg", 10000),
        ("10 kg 200 g", 10200),
        ("0.5 t", 500000),
        ("2 short tons", 4000 * POUND),
        ("1 long ton", 2240 * POUND),
        ("1 avoirdupois oz", POUND / 16),
    ],
)
def test_reads_a_mass_as_people_type_it(text, grams):
    quantity = units.parse_mass(text, "lb")
    assert quantity.canonical == grams
    assert quantity.typed == text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "Give a mass"),
        ("   ", "Give a mass"),
        ("heavy", "no number"),
        ("lb", "no number"),
        ("-3 lb", "cannot be negative"),
        ("−3 lb", "cannot be negative"),
        ("nan", "no number"),
        ("Infinity", "no number"),
        ("1e400", "powers of ten"),
        ("1e3 g", "powers of ten"),
        ("9" * 41, "too long"),
        ("9" * 40, "100 tonnes"),
        ("1,200 g", "1200 or 1.2"),
        ("0,454 kg", "0.454"),
        ("1,20,3 g", "not a number as written"),
        ("1.2.3 g", "not a number as written"),
        ("1 200 g", "more than one amount"),
        ("22 lb 4", "more than one amount"),
        ("22 lb 16 oz", "one lb or more"),
        ("22 lb 2 kg", "more than one amount"),
        ("3-4 lb", "range"),
        ("1/0 lb", "zero below the line"),
        ("1 4/3 lb", "two ways"),
        ("5² lb", "not a unit"),
        ("10 stone", "not a unit"),
        ("lb 22", "cannot be read"),
        ("4 oz", "avoirdupois"),
        ("2 tons", "Which ton"),
        ("5 gr", "grain"),
        ("5 mL", "is a volume"),
        ("5 g/t", "is a grade"),
        ("5 mm", "is a length"),
        ("0", "above zero"),
        ("0 lb 0 oz", "above zero"),
        ("100 t", "100 tonnes"),
    ],
)
def test_refuses_a_mass_with_a_sentence(text, says):
    with pytest.raises(ValueError, match=says) as refusal:
        units.parse_mass(text, "lb")
    assert str(refusal.value)[-1] in ".?)"


@given(st.text(max_size=60))
def test_any_text_is_read_or_refused_but_never_breaks(text):
    for read in (
        lambda: units.parse_mass(text, "lb"),
        lambda: units.parse_gold_mass(text),
        lambda: units.parse_volume(text, "L"),
        lambda: units.parse_length(text, "mm"),
        lambda: units.parse_grade(text, "g_per_t"),
        lambda: units.parse_dose(text),
        lambda: units.parse_number(text),
    ):
        try:
            read()
        except ValueError as refusal:
            assert str(refusal)


@given(st.text(alphabet="0123456789., /½²٣lbozkgtmLperin'\"-+e%", max_size=30))
def test_near_amounts_are_read_or_refused_but_never_break(text):
    test_any_text_is_read_or_refused_but_never_breaks.hypothesis.inner_test(text)


def test_zero_is_read_only_where_it_is_allowed():
    assert units.parse_mass("0 g", "lb", allow_zero=True).canonical == 0
    assert units.parse_number("0") == 0
    with pytest.raises(ValueError, match="above zero"):
        units.parse_number("0", allow_zero=False)


def test_a_plain_number_may_be_negative_only_where_it_is_allowed():
    assert units.parse_number("−1,5", allow_negative=True) == Decimal("-1.5")
    with pytest.raises(ValueError, match="negative"):
        units.parse_number("-1.5")
    with pytest.raises(ValueError, match="not a plain number"):
        units.parse_number("12 lb")


@pytest.mark.parametrize(
    ("text", "mg"),
    [
        ("5.4", Decimal("5.4")),
        ("0.08 g", 80),
        # NIST SP 811: the grain is 64.79891 mg, the troy ounce 480 grains, the pennyweight 24.
        ("2 gr", Decimal("129.59782")),
        ("1 dwt", Decimal("1555.17384")),
        ("1 troy oz", Decimal("31103.4768")),
        ("1 ozt 2 dwt 20.8 gr", Decimal("35561.641808")),
        ("12 µg", Decimal("0.012")),
    ],
)
def test_reads_gold_in_milligrams(text, mg):
    assert units.parse_gold_mass(text).canonical == mg


@pytest.mark.parametrize("text", ["1 oz", "0.05 ounces"])
def test_asks_which_ounce_of_gold(text):
    with pytest.raises(ValueError, match="Troy oz or avoirdupois oz"):
        units.parse_gold_mass(text)


@pytest.mark.parametrize(
    ("text", "ml"),
    [
        ("9 L", 9000),
        ("9", 9000),
        ("2 gallons", Decimal("7570.823568")),
        ("1 imp gal", Decimal("4546.09")),
        ("12 drops", Decimal("0.6")),
        ("1 US cup", Decimal("236.5882365")),
        ("1 fl oz", Decimal("29.5735295625")),
    ],
)
def test_reads_a_volume(text, ml):
    assert units.parse_volume(text, "L").canonical == ml


@pytest.mark.parametrize(("text", "says"), [("3 oz", "Fluid"), ("3 lb", "is a mass")])
def test_refuses_a_volume_that_is_none(text, says):
    with pytest.raises(ValueError, match=says):
        units.parse_volume(text, "L")


@pytest.mark.parametrize(
    ("text", "um"),
    [
        ("850 µm", 850),
        ("850 um", 850),
        ("0,85 mm", 850),
        ('1/2"', 12700),
        ("5 ft 6 in", 1676400),
        ("3", 30000),
    ],
)
def test_reads_a_length(text, um):
    if text == "0,85 mm":
        assert units.parse_length(text, "cm").value == Decimal("0.85")
    assert units.parse_length(text, "cm").canonical == um


def test_does_not_take_a_mesh_for_a_length():
    with pytest.raises(ValueError, match="sieve number"):
        units.parse_length("20 mesh", "mm")


@pytest.mark.parametrize(
    ("text", "g_per_t"),
    [
        ("8", 8),
        ("8 g/t", 8),
        ("8 g per t", 8),
        ("8 grams per tonne", 8),
        ("8 ppm", 8),
        ("8 mg/kg", 8),
        ("300 ppb", Decimal("0.3")),
        ("1 %", 10000),
        ("7 troy oz per short ton", 240),
        ("49 ozt/long ton", 1500),
    ],
)
def test_reads_a_grade(text, g_per_t):
    assert units.parse_grade(text, "g_per_t").canonical == g_per_t


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("0.2 oz/ton", "Which ounce"),
        ("0.2 opt", "Which ounce"),
        ("0.2 troy oz/ton", "Which ton"),
        ("0.2 oz/short ton", "Troy oz or avoirdupois"),
        ("5 g", "is a mass"),
        ("5 lb/t", "unit of grade"),
        ("5 furlongs", "unit of grade"),
        ("1000001", "nothing but gold"),
    ],
)
def test_refuses_a_grade_that_could_mean_another(text, says):
    with pytest.raises(ValueError, match=says):
        units.parse_grade(text, "g_per_t")


def test_pure_gold_is_a_grade():
    assert units.parse_grade("100 %", "g_per_t").canonical == 10**6


@pytest.mark.parametrize(
    ("text", "ml_per_l"),
    [
        ("0.4", "0.4"),
        ("0,4 mL/L", "0.4"),
        ("2 mL in 5 L", "0.4"),
        ("13 ppm", "0.013"),
        ("0.1 %", "1"),
        # One US teaspoon per US gallon is exactly 1000/768 mL/L (NIST HB 44: 768 teaspoons to the gallon).
        ("1 tsp/gal", Fraction(1000, 768)),
        ("1/4 tsp per gal", Fraction(1000, 768) / 4),
        ("¼ tsp per gal (US)", Fraction(1000, 768) / 4),
        ("1/2 teaspoon in 2 gallons", Fraction(1000, 768) / 4),
        ("12 drops in 9 L", Fraction(6, 90)),
        ("12 drops into 9 litres", Fraction(6, 90)),
    ],
)
def test_reads_a_dose(text, ml_per_l):
    assert units.parse_dose(text).ml_per_l == pytest.approx(
        Decimal(str(float(Fraction(ml_per_l)))), rel=Decimal("1e-15")
    )


def test_a_dose_keeps_amount_water_and_what_was_typed():
    dose = units.parse_dose("12 drops in 2 gal")
    assert (dose.amount_ml, dose.water_ml, dose.typed) == (
        Decimal("0.6"),
        Decimal("7570.823568"),
        "12 drops in 2 gal",
    )
    assert "US gallon" in dose.sentence
    assert "0.05 mL" in dose.sentence


def test_an_imperial_gallon_is_a_fifth_larger():
    ratio = units.parse_dose("1 tsp/gal").ml_per_l / units.parse_dose("1 tsp/imp gal").ml_per_l
    assert ratio == pytest.approx(Decimal("1.20095"), rel=Decimal("1e-5"))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "Give a dose"),
        ("12 drops", "how much water"),
        ("12 drops in 9", "9 of what"),
        ("5 in 9 L", "5 of what"),
        ("in 9 L", "not a dose"),
        ("12 drops in", "not a dose"),
        ("2 g/L", "is a mass"),
        ("1 mL in 0 L", "Give the water"),
        ("5 L in 1 mL", "more additive than water"),
        ("0 mL/L", "control"),
        ("1 mL per L per day", "not a dose"),
        ("a drop in a bucket", "no number"),
        ("5 mL /", "The amount of water is missing"),
        ("5 mL in 1000000 L", "a million litres or more"),
    ],
)
def test_refuses_a_dose_with_a_sentence(text, says):
    with pytest.raises(ValueError, match=says):
        units.parse_dose(text)


@given(amounts, st.sampled_from(sorted(units.MASS_G)), st.sampled_from(sorted(units.MASS_G)))
def test_a_mass_converted_there_and_back_is_the_same(value, unit, other):
    back = units.convert_mass(units.convert_mass(value, unit, other), other, unit)
    assert back == pytest.approx(value, rel=Decimal("1e-25"))


@given(amounts, st.sampled_from(sorted(units.GRADE_G_PER_T)))
def test_a_grade_typed_with_its_unit_comes_back(value, unit):
    named = units.UNIT_NAMES.get(unit, unit)
    if units.GRADE_G_PER_T[unit] * Fraction(value) > 10**6:
        value = value / 100
    quantity = units.parse_grade(f"{value} {named}", "g_per_t")
    assert (quantity.unit, quantity.value) == (unit, pytest.approx(value, rel=Decimal("1e-25")))


@given(amounts, st.sampled_from(sorted(set(units.VOLUME_ML) - {"drop"})))
def test_a_volume_typed_with_its_unit_comes_back(value, unit):
    quantity = units.parse_volume(f"{value} {units.UNIT_NAMES.get(unit, unit)}", "mL")
    assert (quantity.unit, quantity.value) == (unit, pytest.approx(value, rel=Decimal("1e-25")))


@given(amounts, st.sampled_from(sorted(units.LENGTH_UM)))
def test_a_length_typed_with_its_unit_comes_back(value, unit):
    value = value / 1000
    quantity = units.parse_length(f"{value:f} {units.UNIT_NAMES.get(unit, unit)}", "mm")
    assert (quantity.unit, quantity.value) == (unit, pytest.approx(value, rel=Decimal("1e-25")))


@given(st.decimals(min_value=0, max_value=9999, places=3), st.sampled_from("٠०０"))
def test_digits_of_any_script_mean_the_same(value, zero):
    text = "".join(chr(ord(zero) + int(sign)) if sign.isdigit() else sign for sign in f"{value:f}")
    assert units.parse_number(text) == value


@pytest.mark.parametrize(
    ("mass_g", "unit", "text"),
    [
        (10160, "lb", "22.4 lb"),
        (Decimal("453.59237"), "lb", "1 lb"),
        (Decimal("453.59237"), "kg", "0.454 kg"),
        (Decimal("453.59237"), "g", "454 g"),
        (Decimal("10092.4302325"), "lb", "22.25 lb"),
        (10206.0, "kg", "10.21 kg"),
        (99, "kg", "99 g"),
        (30, "lb", "30 g"),
        (Decimal("0.0123"), "kg", "0.0123 g"),
        (0, "kg", "0 kg"),
        (123456789, "kg", "123457 kg"),
        (None, "kg", ""),
        (float("nan"), "kg", ""),
    ],
)
def test_shows_a_mass(mass_g, unit, text):
    assert units.format_mass(mass_g, unit) == text


@pytest.mark.parametrize(
    ("g_per_t", "unit", "text"),
    [
        (8, "g_per_t", "8.0 g/t"),
        (Decimal("8.0167"), "g_per_t", "8.02 g/t"),
        (Decimal("7.8857142857"), "ozt_per_short_ton", "0.23 troy oz per short ton"),
        (Decimal("0.0000001"), "g_per_t", "0.0000001 g/t"),
        (1e-9, "ozt_per_short_ton", "0.0000000000292 troy oz per short ton"),
        (1234567, "g_per_t", "1234567 g/t"),
        (0, "g_per_t", "0 g/t"),
        (None, "g_per_t", ""),
        ("", "g_per_t", ""),
    ],
)
def test_shows_a_grade_without_powers_of_ten(g_per_t, unit, text):
    assert units.format_grade(g_per_t, unit) == text


def test_shows_gold_and_doses():
    assert units.format_gold_mg(Decimal("5.4430")) == "5.44 mg"
    assert units.format_gold_mg(0) == "0 mg"
    assert units.format_gold_mg(None) == ""
    assert units.format_dose(Decimal("0.4"), "ml_per_l") == "0.4 mL/L"
    assert units.format_dose(Decimal(1000) / 768, "tsp_per_us_gal") == "1 tsp per US gal"
    assert units.format_dose(None, "ml_per_l") == ""


@pytest.mark.parametrize(
    ("fraction", "text"),
    [
        (0, "0 %"),
        (1, "100 %"),
        (Decimal("0.3333"), "33.3 %"),
        (Decimal("0.99999"), "over 99.9 %"),
        (Decimal("0.00001"), "under 0.01 %"),
        (0.005, "0.5 %"),
        (1.25, "125 %"),
        (None, ""),
    ],
)
def test_shows_a_share_that_never_claims_all_or_nothing(fraction, text):
    assert units.format_share(fraction) == text


@pytest.mark.parametrize(
    ("ml_per_l", "water_ml", "poured"),
    [
        # 12 drops of 0.05 mL are 0.6 mL, the dose of 1/15 mL/L in 9 L.
        (Decimal("0.0666666667"), 9000, "12 drops"),
        (Decimal("0.4"), 9000, "3.6 mL (0.73 tsp)"),
        (Decimal("0.4"), 300, "2 drops (17 % less than the dose)"),
        (Decimal("0.4"), 100, "1 drop (25 % more than the dose)"),
        (0, 9000, "none"),
    ],
)
def test_says_what_to_pour_into_a_tub(ml_per_l, water_ml, poured):
    assert units.tub_amounts(ml_per_l, water_ml).as_poured() == poured


def test_says_when_a_dose_is_less_than_a_drop():
    amounts_ = units.tub_amounts(Decimal("0.4"), 50)
    assert amounts_.ml == Decimal("0.02")
    assert "less than one drop" in amounts_.as_poured()
    with pytest.raises(ValueError, match="negative"):
        units.tub_amounts(-1, 9000)


@given(st.decimals(min_value="0.001", max_value=5, places=3), st.integers(min_value=100, max_value=50000))
def test_a_tub_holds_the_same_amount_in_every_measure(ml_per_l, water_ml):
    tub = units.tub_amounts(ml_per_l, water_ml)
    assert tub.ml == pytest.approx(ml_per_l * water_ml / 1000, rel=Decimal("1e-25"))
    assert units.convert_volume(tub.drops, "drop", "mL") == pytest.approx(tub.ml, rel=Decimal("1e-25"))
    assert units.convert_volume(tub.teaspoons, "tsp", "mL") == pytest.approx(tub.ml, rel=Decimal("1e-25"))


def test_one_tyler_number_opens_otherwise_than_the_e11_number():
    # ASTM E11 and the Tyler scale (from memory): No. 10 is 2.00 mm, 10 mesh 1.651 mm.
    assert units.sieve_opening_um("astm_e11", 10) == 2000
    assert units.sieve_opening_um("tyler", 10) == 1651
    with pytest.raises(ValueError, match="no Tyler number 11"):
        units.sieve_opening_um("tyler", 11)
    with pytest.raises(ValueError, match="not a sieve series"):
        units.sieve_opening_um("window screen", 16)


@pytest.mark.parametrize("openings", [units.ASTM_E11_UM, units.TYLER_UM])
def test_sieve_openings_step_by_the_fourth_root_of_two(openings):
    # Both scales step so (ASTM E11; Tyler with its intermediate sieves); nominal openings are rounded to a few percent.
    sizes = list(openings.values())
    for wider, finer in zip(sizes, sizes[1:], strict=False):
        assert float(wider / finer) == pytest.approx(2**0.25, rel=0.05)


def test_percent_and_fraction_are_one_share():
    assert units.share_of_percent(Decimal("0.5")) == 0.005
    assert units.format_share(units.share_of_percent(Decimal("12.5"))) == "12.5 %"


@pytest.mark.parametrize(
    ("read", "is_alike"), [("10000.9", True), ("9999.1", True), ("10001", False), ("9999", False)]
)
def test_a_text_reads_alike_within_a_part_in_ten_thousand(read, is_alike):
    assert units.reads_alike(Decimal(read), Decimal(10_000)) is is_alike


def test_nothing_meant_has_nothing_to_read_alike():
    with pytest.raises(ValueError, match="no rounding"):
        units.reads_alike(Decimal(1), Decimal(0))


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (0, "fewer than 1 in 1000"),
        (0.001, "about 1 in 1000"),
        (0.0486, "about 1 in 21"),
        (0.4, "about 1 in 2"),
        (0.41, "about 4 in 10"),
        (0.94, "about 9 in 10"),
        (0.96, "more than 9 in 10"),
        (1, "nearly all"),
    ],
)
def test_tells_odds_as_one_says_them(chance, words):
    assert units.format_odds(chance) == words


@pytest.mark.parametrize("chance", [-0.1, 1.1, float("nan")])
def test_refuses_odds_of_what_is_no_chance(chance):
    with pytest.raises(ValueError, match="between 0 and 1"):
        units.format_odds(chance)


@pytest.mark.parametrize(
    ("text", "mg_per_l"),
    [
        ("120", "120"),
        ("120 ppm", "120"),
        ("0", "0"),
        # Water suppliers' tables give 17.1 mg/L for a grain per US gallon; exactly 64.79891 mg / 3.785411784 L.
        ("1 gpg", "17.118"),
        ("7 grains per gallon", "119.826"),
        # Aquarists' and waterworks' tables: one German degree is 17.848 mg/L as calcium carbonate.
        ("1 °dH", "17.848"),
        ("6,7 dH", "119.580"),
    ],
)
def test_reads_a_hardness_strip(text, mg_per_l):
    read = units.parse_hardness(text)
    assert round(read.canonical, 3) == Decimal(mg_per_l)
    assert read.typed == text


@pytest.mark.parametrize("text", ["", "hard", "-3", "5 mg", "20000", "1e3", "7 gpg 3"])
def test_refuses_what_is_no_hardness(text):
    with pytest.raises(ValueError, match=r"[.?]$"):
        units.parse_hardness(text)


@pytest.mark.parametrize(
    ("text", "default", "celsius"),
    # Freezing, boiling and body heat on both scales (NIST SP 811, B.9: t/°C = (t/°F - 32) / 1.8).
    [
        ("32", "°F", "0"),
        ("212 F", "°C", "100"),
        ("98.6 °F", "°C", "37"),
        ("15", "°C", "15"),
        ("15 C", "°F", "15"),
        ("12,5 °C", "°F", "12.5"),
        ("٢٠", "°C", "20"),
        ("59 fahrenheit", "°C", "15"),
    ],
)
def test_reads_a_water_temperature(text, default, celsius):
    assert units.parse_temperature(text, default).canonical == Decimal(celsius)


@pytest.mark.parametrize(
    ("text", "default", "says"),
    [
        ("15", "°F", "Was °C meant?"),
        ("150 °C", "°C", "Was °F meant?"),
        ("-3", "°C", "cannot be negative"),
        ("warm", "°C", "holds no number"),
        ("15 K", "°C", "not a temperature"),
        ("1,200", "°C", "two ways"),
    ],
)
def test_refuses_what_is_no_water_temperature(text, default, says):
    with pytest.raises(ValueError, match=re.escape(says)):
        units.parse_temperature(text, default)


def test_shows_water_in_both_scales():
    assert units.format_temperature(Decimal("15.0")) == "15 °C (59 °F)"
    assert units.format_hardness(Decimal("119.8")) == "120 mg/L (7 grains per US gal) as calcium carbonate"
    assert units.format_temperature(None) == units.format_hardness(None) == ""


# ---- For who reads and types with the comma.


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("1,234", "1.234"),
        ("0,125", "0.125"),
        (",125", "0.125"),
        ("1,5", "1.5"),
        ("1.234", "1.234"),
        ("1 234,5", "1234.5"),
        ("1\u202f234,5", "1234.5"),
        ("12 345 678", "12345678"),
        ("1.234,5", "1234.5"),
        ("1,234.5", "1234.5"),
        ("22 1/2", "22.5"),
    ],
)
def test_a_comma_reader_means_decimals_by_it(text, number):
    with marked(COMMA):
        assert units.parse_number(text) == Decimal(number)


@pytest.mark.parametrize("text", ["1 250/3", "1 23,5", "1,2,3", "12 34"])
def test_other_gaps_are_refused_for_a_comma_reader_too(text):
    with marked(COMMA), pytest.raises(ValueError, match="“"):
        units.parse_number(text)


@pytest.mark.parametrize("text", ["1,234 kg", "0,125"])
def test_others_are_asked_about_a_comma_before_three_digits(text):
    with pytest.raises(ValueError, match="can be read two ways|comma before three digits"):
        units.parse_mass(text, "kg")


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("1,234 kg", "1,2340 kg"),
        ("0,125", "0,1250"),
        ("1,5 kg", "1,5 kg"),
        ("1.234 kg", "1.234 kg"),
        ("1 234,5 kg", "1234,5 kg"),
        ("1\u00a0234,125 kg", "1234,1250 kg"),
        ("1 1/2 lb", "1 1/2 lb"),
        ("22 lb 4 oz", "22 lb 4 oz"),
    ],
)
def test_what_a_comma_reader_typed_is_kept_so_that_all_read_it_alike(text, kept):
    with marked(COMMA):
        typed = units.parse_mass(text, "kg")
    assert typed.typed == kept
    assert units.parse_mass(kept, "kg").canonical == typed.canonical


@given(amounts, st.sampled_from(["lb", "kg", "g"]))
def test_a_mass_shown_with_the_comma_reads_back_as_the_one_with_the_point(mass_g, unit):
    with_point = units.parse_mass(units.format_mass(mass_g, unit), unit).canonical
    with marked(COMMA):
        assert units.parse_mass(units.format_mass(mass_g, unit), unit).canonical == with_point


def test_everything_shown_has_the_readers_mark():
    with marked(COMMA):
        assert units.format_mass(Decimal(1234), "kg") == "1,23 kg"
        assert units.format_grade(Decimal(8), "g_per_t") == "8,0 g/t"
        assert units.format_grade(Decimal("8.25"), "g_per_t") == "8,25 g/t"
        assert units.format_gold_mg(Decimal("0.4")) == "0,4 mg"
        assert units.format_dose(Decimal("0.25"), "ml_per_l") == "0,25 mL/L"
        assert units.format_share(Decimal("0.9999")) == "over 99,9 %"
        assert units.format_share(Decimal("0.00001")) == "under 0,01 %"
        assert units.format_temperature(Decimal("15.3")) == "15,3 °C (59,5 °F)"
        assert units.format_number(Decimal("1.6500"), 4) == "1,65"
        assert units.format_number(None, 1) == ""


@pytest.mark.parametrize(
    ("mass_g", "unit", "text"),
    # Our own limits: below a tenth of a pound or of a kilogram grams are read more easily.
    [("44.9", "lb", "44.9 g"), ("45", "lb", "0.099 lb"), ("99.9", "kg", "99.9 g"), ("100", "kg", "0.1 kg")],
)
def test_a_mass_is_shown_in_its_unit_from_a_tenth_of_it(mass_g, unit, text):
    assert units.format_mass(Decimal(mass_g), unit) == text


@pytest.mark.parametrize(
    ("ml_per_l", "poured"),
    # By hand, into 10 L: 2.5 mL and 2.49 mL, which is 49.8 drops of 0.05 mL.
    [("0.25", "2.5 mL (0.51 tsp)"), ("0.249", "50 drops"), ("0", "none")],
)
def test_drops_are_counted_under_two_and_a_half_millilitres(ml_per_l, poured):
    assert units.tub_amounts(Decimal(ml_per_l), 10_000).as_poured() == poured


def test_a_tub_without_water_takes_none_and_one_of_less_is_none():
    assert units.tub_amounts(Decimal("0.4"), 0).as_poured() == "none"
    for dose, water in ((Decimal("-0.1"), 9000), (Decimal("0.4"), -1)):
        with pytest.raises(ValueError, match="cannot be negative"):
            units.tub_amounts(dose, water)


def test_as_much_additive_as_water_is_the_most():
    assert units.parse_dose("1 L in 1 L").ml_per_l == 1000
    with pytest.raises(ValueError, match="more additive than water"):
        units.parse_dose("1.001 L in 1 L")


@pytest.mark.parametrize(
    ("text", "reads"),
    [("100 °C", True), ("100.1 °C", False), ("212 °F", True), ("212.2 °F", False), ("31.9 °F", False)],
)
def test_water_is_liquid_up_to_its_boiling_point(text, reads):
    if reads:
        assert units.parse_temperature(text, "°C").canonical == 100
    else:
        with pytest.raises(ValueError, match="ice or steam"):
            units.parse_temperature(text, "°C")


@pytest.mark.parametrize(
    ("g_per_t", "text"), [("9.999", "10.0 g/t"), ("99", "99.0 g/t"), ("100", "100 g/t"), ("0", "0 g/t")]
)
def test_a_grade_of_three_figures_needs_no_decimal(g_per_t, text):
    assert units.format_grade(Decimal(g_per_t), "g_per_t") == text


@pytest.mark.parametrize(
    ("fraction", "text"),
    [
        ("0.99949", "99.9 %"),
        ("0.9995", "over 99.9 %"),
        ("0.99951", "over 99.9 %"),
        ("0.0001", "0.01 %"),
        ("0.000099", "under 0.01 %"),
    ],
)
def test_a_share_near_all_or_nothing_is_said_by_its_limit(fraction, text):
    assert units.format_share(Decimal(fraction)) == text


@pytest.mark.parametrize(
    ("text", "grams"), [("1 2/3 lb", "755.98728"), ("1 3/3 lb", None), ("1 4/3 lb", None)]
)
def test_a_whole_and_a_fraction_of_a_whole_or_more_reads_two_ways(text, grams):
    # By hand: 5/3 of 453.59237 g; one and four thirds may be 7/3 or a slip of 1 1/4.
    if grams:
        assert round(units.parse_mass(text, "lb").canonical, 5) == Decimal(grams)
    else:
        with pytest.raises(ValueError, match="two ways"):
            units.parse_mass(text, "lb")
