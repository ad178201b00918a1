from decimal import Decimal

import pytest

from prospecting.calc.guard import gold_alone_guard, gold_guard, grade_guard, mass_guard
from prospecting.calc.units import convert_mass

POUND_G = Decimal("453.59237")
LB_22 = 22 * POUND_G
LB_35 = 35 * POUND_G


def test_says_in_words_what_gold_from_ore_means():
    assert (
        gold_guard(Decimal(80), LB_22).sentence
        == "0.08 g from 22 lb is 8.0 g/t, 0.234 troy oz per short ton."
    )
    kg_first = gold_guard(Decimal(80), LB_22, grade_unit="ozt_per_short_ton", mass_unit="kg").sentence
    assert kg_first == "0.08 g from 9.98 kg is 0.234 troy oz per short ton, 8.0 g/t."


@pytest.mark.parametrize(
    ("gold_mg", "ounces"),
    # One troy ounce per short ton is 480 grains in 14 000 000 (NIST HB 44): 35 lb of it hold 8.4 grains, 544.3 mg.
    [("5.443", "0.01"), ("544.31", "1.0")],
)
def test_thirty_five_pounds_hold_what_the_tables_say(gold_mg, ounces):
    guard = gold_guard(Decimal(gold_mg), LB_35)
    assert f"{ounces} troy oz per short ton" in guard.sentence
    assert guard.ask is None


def test_a_tenth_of_an_ounce_per_ton_typed_as_an_ounce_is_asked_about():
    # 0.05 g in 35 lb is a tenth of an ounce per ton.
    right = gold_guard(Decimal(50), LB_35)
    assert right.ask is None
    assert "0.0919 troy oz per short ton" in right.sentence
    for ounces in ("0.05", "0.1", "1"):
        assert gold_guard(convert_mass(Decimal(ounces), "ozt", "mg"), LB_35).ask is not None
    assert grade_guard(Decimal("34.2857"), [Decimal("3.4"), Decimal("3.2"), Decimal("2.9")]).ask is not None


@pytest.mark.parametrize("typed", ["0.8", "80"])
def test_ten_times_off_the_lot_s_other_portions_is_asked_about(typed):
    others = [Decimal(6), Decimal(8), Decimal(12)]
    guard = gold_guard(Decimal(typed), LB_22, others_mg=others)
    assert "10 times" in guard.ask
    assert "8 mg" in guard.ask


@pytest.mark.parametrize("typed", ["2", "8", "30"])
def test_a_difference_that_chance_makes_is_not_asked_about(typed):
    # Equal portions of one lot differ several-fold by chance alone.
    assert gold_guard(Decimal(typed), LB_22, others_mg=[Decimal(6), Decimal(8), Decimal(12)]).ask is None


def test_a_value_inside_the_range_of_the_others_is_not_asked_about():
    assert gold_guard(Decimal(50), LB_22, others_mg=[Decimal(4), Decimal(5), Decimal(60)]).ask is None


def test_others_that_are_nothing_count_for_nothing():
    assert gold_guard(Decimal(8), LB_22, others_mg=[Decimal(0), None]).ask is None
    assert gold_guard(Decimal(0), LB_22, others_mg=[Decimal(8)]).ask is None


def test_gold_below_the_scale_s_step_is_asked_about():
    guard = gold_guard(Decimal(4), LB_22, scale_step_mg=Decimal(10))
    assert "step of 10 mg" in guard.ask
    assert gold_guard(Decimal(10), LB_22, scale_step_mg=Decimal(10)).ask is None
    assert gold_guard(Decimal(0), LB_22, scale_step_mg=Decimal(10)).ask is None


def test_grams_typed_into_a_field_of_milligrams_are_asked_about():
    assert "Was 0.08 g meant?" in gold_guard(Decimal("0.08"), LB_22).ask


def test_gold_that_outweighs_sense_is_asked_about():
    assert "one percent of the ore" in gold_guard(Decimal(5000), POUND_G).ask
    assert "very rich" in gold_guard(Decimal(1200), LB_22).ask


def test_gold_from_no_ore_is_refused():
    with pytest.raises(ValueError, match="some mass"):
        gold_guard(Decimal(1), Decimal(0))


def test_says_a_mass_in_both_units():
    assert mass_guard(LB_22).sentence == "22 lb is 9.98 kg."
    assert mass_guard(Decimal(10000), mass_unit="kg").sentence == "10 kg is 22.05 lb."
    assert mass_guard(POUND_G / 16).sentence == "28.3 g is 1 oz (avoirdupois)."


@pytest.mark.parametrize(
    ("pounds", "asks"), [("0.9", True), ("1", False), ("69", False), ("120", False), ("121", True)]
)
def test_a_bucket_out_of_the_usual_is_asked_about(pounds, asks):
    assert (mass_guard(Decimal(pounds) * POUND_G, container="bucket").ask is not None) == asks
    assert mass_guard(Decimal(pounds) * POUND_G).ask is None


@pytest.mark.parametrize(("mass_g", "asks"), [(1000, True), (5000, False), (22000, False), (100000, True)])
def test_a_mass_ten_times_off_what_was_expected_is_asked_about(mass_g, asks):
    assert (mass_guard(Decimal(mass_g), expected_g=Decimal(10000)).ask is not None) == asks


def test_says_an_assay_in_other_units():
    assert grade_guard(Decimal("3.43")).sentence == "This is 3.4 g/t, 0.1 troy oz per short ton, 3430 ppb."
    assert grade_guard(Decimal("3.43")).ask is None


@pytest.mark.parametrize(
    ("g_per_t", "others", "says"),
    [
        ("3400", ["3.1", "2.8", "4.0"], "ppb"),
        ("0.0034", ["3.1", "2.8", "4.0"], "ppb"),
        ("0.1", ["3.1", "3.4", "4.0"], "troy oz per short ton mixed up"),
        ("31", ["3.1", "2.8", "4.0"], "10 times"),
        ("0.31", ["3.1", "2.8", "4.0"], "10 times less"),
        ("150", [], "very rich"),
    ],
)
def test_an_assay_out_of_line_is_asked_about(g_per_t, others, says):
    assert says in grade_guard(Decimal(g_per_t), [Decimal(other) for other in others]).ask


@pytest.mark.parametrize(
    ("g_per_t", "others"), [("9", ["3.1", "2.8"]), ("7", ["0.1", "0.2", "50"]), ("0", ["3"])]
)
def test_an_assay_within_reason_is_not_asked_about(g_per_t, others):
    assert grade_guard(Decimal(g_per_t), [Decimal(other) for other in others]).ask is None


@pytest.mark.parametrize(("typed", "asks"), [("999.9", False), ("1000", False), ("1000.1", True)])
def test_more_than_a_gram_of_gold_alone_is_asked_about(typed, asks):
    # A gram is 1,000 mg; that mud of a tub holds less is common practice, no source.
    guard = gold_alone_guard(Decimal(typed))
    assert bool(guard.ask and "more than a gram" in guard.ask) is asks


def test_gold_of_which_no_ore_is_known_is_held_against_its_like():
    assert gold_alone_guard(Decimal(40), others_mg=[Decimal(4), Decimal(5), Decimal(4)]).ask
    assert gold_alone_guard(Decimal(5), others_mg=[Decimal(4), Decimal(5), Decimal(4)]).ask is None


@pytest.mark.parametrize(
    ("gold_mg", "step_mg", "says"),
    [
        # A scale of a milligram cannot have shown less than that; without a scale, field scales weigh a tenth (common practice).
        ("1", "1", None),
        ("0.99", "1", "less than the scale's step"),
        ("0.1", None, None),
        ("0.099", None, "less than field scales can weigh"),
        ("0", "1", None),
        ("0", None, None),
    ],
)
def test_gold_that_no_scale_shows_is_asked_about(gold_mg, step_mg, says):
    guard = gold_guard(Decimal(gold_mg), LB_22, scale_step_mg=step_mg and Decimal(step_mg))
    assert guard.ask is None if says is None else says in guard.ask


@pytest.mark.parametrize(
    ("gold_mg", "says"), [("10000", "very rich ore"), ("10000.1", "more than one percent")]
)
def test_gold_of_more_than_a_hundredth_of_its_ore_is_asked_about(gold_mg, says):
    # By hand: a hundredth of 1 kg is 10 g, 10,000 mg.
    assert says in gold_guard(Decimal(gold_mg), Decimal(1000)).ask


@pytest.mark.parametrize(("g_per_t", "asks"), [("60", False), ("60.1", True)])
def test_very_rich_ore_is_asked_about(g_per_t, asks):
    # Common practice, no source.
    assert bool(grade_guard(Decimal(g_per_t)).ask) is asks


@pytest.mark.parametrize(
    ("g_per_t", "asks"), [("12", True), ("11.99", False), ("0.333", True), ("0.334", False)]
)
def test_an_assay_is_out_of_line_from_six_times_the_middle_of_the_others(g_per_t, asks):
    # Six times is our own limit: 2 g/t times six is 12, and a sixth of it is 0.3333.
    assert bool(grade_guard(Decimal(g_per_t), [Decimal(1), Decimal(2), Decimal(4)]).ask) is asks


@pytest.mark.parametrize(
    ("g_per_t", "says"),
    [
        # Our own limits: 300 to 3000 times for a thousand; one ounce per ton is 240/7 g/t, and half as much again either way.
        ("0.00333", "about a thousand"),
        ("0.00334", "299 times less"),
        ("299", "299 times the other"),
        ("300", "about a thousand"),
        ("3000", "about a thousand"),
        ("3001", "3001 times the other"),
        ("51.4", "about 34 times"),
        ("51.5", "52 times the other"),
        ("22.9", "about 34 times"),
        ("22.8", "23 times the other"),
    ],
)
def test_a_mixed_up_unit_is_named_within_its_limits(g_per_t, says):
    assert says in grade_guard(Decimal(g_per_t), [Decimal(1)]).ask


@pytest.mark.parametrize(
    ("pounds", "says"), [("120", None), ("120.1", "heavier"), ("1", None), ("0.99", "very little")]
)
def test_a_bucket_weighs_from_one_pound_to_what_one_can_carry(pounds, says):
    ask = mass_guard(Decimal(pounds) * POUND_G, container="bucket").ask
    assert ask is None if says is None else says in ask


@pytest.mark.parametrize(("gold_mg", "starts"), [("9.99", "9.99 mg from"), ("10", "0.01 g from")])
def test_gold_is_written_in_grams_from_a_hundredth_of_one(gold_mg, starts):
    assert gold_guard(Decimal(gold_mg), LB_22).sentence.startswith(starts)


@pytest.mark.parametrize("g_per_t", ["1", "300"])
@pytest.mark.parametrize("middle", ["1", "300"])
def test_the_least_and_the_most_of_the_others_are_not_out_of_line(g_per_t, middle):
    # An assay as large as one that was seen before is no slip, however far from the middle it lies.
    ask = grade_guard(Decimal(g_per_t), [Decimal(1), Decimal(middle), Decimal(300)]).ask
    assert ask is None or "very rich" in ask


@pytest.mark.parametrize(("g_per_t", "asks"), [("0.5", True), ("0.51", False)])
def test_an_assay_of_a_sixth_of_the_middle_is_asked_about(g_per_t, asks):
    assert bool(grade_guard(Decimal(g_per_t), [Decimal(1), Decimal(3), Decimal(4)]).ask) is asks


def test_others_of_nothing_are_no_measure():
    assert grade_guard(Decimal(5), [Decimal(0), Decimal(0), Decimal(2)]).ask is None


@pytest.mark.parametrize(
    ("g_per_t", "shown"), [("0.99", "0.99 g/t"), ("1", "1.0 g/t"), ("99.9", "99.9 g/t"), ("100", "100 g/t")]
)
def test_a_grade_is_said_with_one_decimal_below_a_hundred(g_per_t, shown):
    assert grade_guard(Decimal(g_per_t)).sentence.startswith(f"This is {shown}, ")
