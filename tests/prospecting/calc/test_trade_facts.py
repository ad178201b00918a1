"""Facts of the trade as check values. Each is marked: "common practice, no source", "computed" (here, from exact factors), or
with the source it was read in. Facts with a test elsewhere (35 lb of ore in test_guard.py, half a teaspoon in two gallons as
it is typed in test_units.py) are not repeated.
"""

from decimal import Decimal
from fractions import Fraction

import pytest

from prospecting.calc import colours, grade, guard, sampling, units
from trials.calc.designs import dose_ladder

POUND_G = units.MASS_G["lb"]


def g_per_t(ounces_per_short_ton) -> Decimal:
    return units.convert_grade(Decimal(ounces_per_short_ton), "ozt_per_short_ton", "g_per_t")


class TestDoses:
    def test_half_a_teaspoon_in_two_gallons_is_poured_as_a_quarter_into_one(self):
        # Common practice, no source.
        dose = units.parse_dose("1/2 tsp in 2 gal").ml_per_l
        assert units.convert_dose(dose, "ml_per_l", "tsp_per_us_gal") == Decimal("0.25")
        assert units.tub_amounts(dose, units.convert_volume(1, "gal", "mL")).teaspoons == pytest.approx(
            Decimal("0.25")
        )

    def test_a_detergent_ladder_halved_from_a_half_to_a_thirty_second(self):
        # Common practice, no source; the figures computed: 1000/768 mL/L to the teaspoon per gallon.
        lowest = units.parse_dose("1/32 tsp per gal").ml_per_l
        ladder = dose_ladder(lowest, 5, units.convert_volume(1, "gal", "mL"))
        rising = [rung for rung in ladder if rung.kind == "ladder"]
        assert [f"{rung.ml_per_l:.2g}" for rung in rising] == ["0.041", "0.081", "0.16", "0.33", "0.65"]
        assert [float(rung.tub.teaspoons) for rung in rising] == pytest.approx(
            [1 / 32, 1 / 16, 1 / 8, 1 / 4, 1 / 2]
        )

    def test_a_drop_and_a_teaspoon_per_gallon_differ_a_hundredfold(self):
        # Computed, a drop taken as 0.05 mL (common practice, no source): about 13 ppm, 1,300 ppm and 99 drops.
        drop = units.convert_dose(units.parse_dose("1 drop per gal").ml_per_l, "ml_per_l", "ppm")
        spoon = units.convert_dose(units.parse_dose("1 tsp per gal").ml_per_l, "ml_per_l", "ppm")
        assert drop == pytest.approx(Decimal("13.2"), abs=Decimal("0.05"))
        assert spoon == pytest.approx(Decimal("1302"), abs=1)
        assert units.convert_volume(1, "tsp", "drop") == pytest.approx(Decimal("98.6"), abs=Decimal("0.1"))

    @pytest.mark.parametrize(("ppm", "drops"), [(15, 1), (40, 3)])
    def test_the_best_flocculant_doses_are_a_few_drops_per_gallon(self, ppm, drops):
        # 15 and 40 ppm: Y.-H. Shen, Flocculants and placer effluent turbidity, Univ. of Alaska, 1987 (excerpt); drops computed.
        tub = units.tub_amounts(units.parse_dose(f"{ppm} ppm").ml_per_l, units.convert_volume(1, "gal", "mL"))
        assert round(tub.drops) == drops


class TestGoldInOre:
    @pytest.mark.parametrize(("ounces", "mg"), [("1", "15.55"), ("0.1", "1.555")])
    def test_gold_of_one_pound(self, ounces, mg):
        # Computed: 480 grains in 14,000,000 to the ounce per short ton.
        gold = grade.gold_mg(g_per_t(ounces), Decimal("453.59237"))
        assert gold == pytest.approx(Decimal(mg), rel=Decimal("0.001"))

    def test_ten_pounds_at_half_an_ounce_hold_more_than_a_grain(self):
        # Computed: 10 lb x 0.5 oz/ton = 2.5/1000 troy oz = 1.2 grains, "about one grain" (common practice, no source).
        gold = grade.gold_mg(g_per_t("0.5"), 10 * Decimal("453.59237"))
        assert units.convert_mass(gold, "mg", "grain") == pytest.approx(Decimal("1.2"))

    def test_a_twentieth_of_a_gram_called_an_ounce_per_ton_is_told_apart(self):
        # Computed: 35 lb hold 0.544 g at an ounce per short ton; 0.05 g is a tenth of that, and the guard says so in words.
        ore = 35 * Decimal("453.59237")
        claimed, seen = grade.gold_mg(g_per_t(1), ore), Decimal(50)
        assert claimed == pytest.approx(Decimal("544.3"), abs=Decimal("0.1"))
        assert grade.gold_mg(g_per_t("0.01"), ore) == pytest.approx(Decimal("5.44"), abs=Decimal("0.01"))
        told = guard.gold_guard(seen, ore, grade_unit="ozt_per_short_ton").sentence
        assert told.startswith("0.05 g from 35 lb is 0.0919 troy oz per short ton")
        # Where the other portions of the lot are known to run an ounce per ton, it asks.
        assert "times less" in guard.gold_guard(seen, ore, others_mg=[claimed]).ask
        assert guard.grade_guard(g_per_t(1), [grade.grade_g_per_t(seen, ore)]).ask is not None

    def test_one_grain_in_an_assay_ton_reads_a_quarter_ounce(self):
        # Wells, Placer Examination, BLM Technical Bulletin 4, 1969: a quarter-milligram grain reads 1/4 oz/ton by itself.
        in_charge = grade.grade_g_per_t(
            Decimal("0.25"), units.SHORT_ASSAY_TON_G.numerator / Decimal(units.SHORT_ASSAY_TON_G.denominator)
        )
        assert units.convert_grade(in_charge, "g_per_t", "ozt_per_short_ton") == pytest.approx(
            Decimal("0.25")
        )

    def test_an_ounce_vein_mined_wide_is_diluted(self):
        # 5 oz/ton in a 12-inch vein mined 8 ft wide is 0.625 (How to interpret an assay, web article, n.d.).
        assert grade.blend_grade([Decimal(5), Decimal(0)], [Decimal(1), Decimal(7)]) == Decimal("0.625")

    def test_ten_percent_of_water_makes_a_grade_on_wet_mass_ten_percent_low(self):
        # Computed.
        dry = grade.dry_mass_g(Decimal(1000), Decimal("0.10"), basis="wet")
        on_dry = grade.grade_g_per_t(Decimal(8), dry)
        assert grade.grade_g_per_t(Decimal(8), Decimal(1000)) / on_dry == Decimal("0.9")


class TestScale:
    @pytest.mark.parametrize(
        ("step_mg", "pounds", "shown"), [(10, 1, 22), (10, "0.5", 44), (10, 5, "4.4"), (1, 1, "2.2")]
    )
    def test_a_step_of_the_scale_as_a_grade(self, step_mg, pounds, shown):
        # Computed; a pocket scale of 0.01 g and a fine one of 1 mg are common practice, no source.
        step = grade.below_scale_grade(Decimal(step_mg), Decimal(pounds) * Decimal("453.59237"))
        assert step == pytest.approx(Decimal(shown), rel=Decimal("0.01"))


class TestSlips:
    @pytest.mark.parametrize(
        ("larger", "smaller", "factor"),
        # Computed from the definitions (NIST SP 811, NIST HB 44).
        [
            ("ozt", "oz", 1.097),
            ("t", "short_ton", 1.102),
            ("long_ton", "short_ton", 1.12),
            ("g", "grain", 15.43),
            ("short_ton", "lb", 2000),
            ("t", "lb", 2204.6),
            ("grain", "mg", 64.8),
        ],
    )
    def test_factors_behind_the_usual_slips(self, larger, smaller, factor):
        assert float(units.MASS_G[larger] / units.MASS_G[smaller]) == pytest.approx(factor, rel=5e-4)

    def test_dividing_by_the_ounce_forgets_the_ton(self):
        # Computed: the right factor is 34.2857; 31.1 is grams in a troy ounce.
        assert units.GRADE_G_PER_T["ozt_per_short_ton"] == Fraction(240, 7)
        assert float(units.GRADE_G_PER_T["ozt_per_short_ton"] / units.MASS_G["ozt"]) == pytest.approx(
            1.102, abs=5e-4
        )


class TestColours:
    @pytest.mark.parametrize(
        ("per_ounce", "mg", "ounces_per_ton"), [(12_000, 2.6, 17), (40_000, 0.78, 5), (300_000, 0.10, 0.7)]
    )
    def test_a_hundred_colours_in_a_pound_are_anything_by_size(self, per_ounce, mg, ounces_per_ton):
        # Colours per troy ounce: Size of gold particles, web page, n.d.; the rest computed.
        each = colours.mean_colour_mg(per_ounce)
        assert each == pytest.approx(mg, rel=0.04)
        in_ounces = float(
            units.convert_grade(
                sampling.grade_for_grains(100, each, float(POUND_G)), "g_per_t", "ozt_per_short_ton"
            )
        )
        assert in_ounces == pytest.approx(ounces_per_ton, rel=0.05)

    @pytest.mark.parametrize(("seen", "ounces"), [(100, 1), (90, 1), (25, 0.25)])
    def test_the_lode_miners_rule_means_one_kind_of_gold(self, seen, ounces):
        # 90-100 tiny colours per lb for an ounce per ton, 25-30 for a quarter: K. Jackson, Field Testing Gold Ore; mass computed.
        assert float(grade.gold_mg(g_per_t(str(ounces)), Decimal("453.59237"))) / seen == pytest.approx(
            0.165, abs=0.011
        )


class TestChance:
    @pytest.mark.parametrize(("grains", "percent"), [(5, 88), (20, 44), (50, 28), (100, 20), (400, 10)])
    def test_chance_error_by_grains_counted(self, grains, percent):
        # Computed: 1.96 / sqrt(n).
        assert 196 * sampling.counting_spread(grains) == pytest.approx(percent, abs=0.5)

    @pytest.mark.parametrize(
        ("grain_um", "charge_g", "grains", "percent"),
        [(100, 30, 15, 26), (100, 50, 25, 20), (300, 30, 0.55, None), (300, 1000, 18, 23)],
    )
    def test_small_charges_hold_few_grains(self, grain_um, charge_g, grains, percent):
        # Computed: round grains of fine gold at 5 g/t.
        held = sampling.expected_grains(5, charge_g, sampling.grain_mass_mg(grain_um))
        assert held == pytest.approx(grains, rel=0.03)
        if percent is None:
            assert sampling.chance_of_none(held) == pytest.approx(0.58, abs=0.01)
        else:
            assert 100 * sampling.counting_spread(held) == pytest.approx(percent, abs=0.8)

    def test_the_printed_quarters_of_320_grains_scatter_no_more_than_chance(self):
        # Wells 1969 splits 60 lb with 320 grains: quarters of 87, 66, 73 and 94 grains are printed. chi2 = 490/80 with 3 df; the
        # 5 % point is 7.81 (standard table).
        found = sampling.dispersion_test([87, 66, 73, 94])
        assert found.chi2 == pytest.approx(6.125)
        assert 0.05 < found.p_upper < 0.2
