import random
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc import grade

positive = st.floats(min_value=0.01, max_value=10_000)


def test_grade_is_milligrams_per_kilogram_and_exact_in_decimals():
    assert grade.grade_g_per_t(Decimal("12.5"), Decimal(2000)) == Decimal("6.25")
    assert grade.grade_g_per_t(Decimal("12.5"), 2000.0) == Decimal("6.25")
    assert isinstance(grade.grade_g_per_t(12.5, 2000), float)


@given(positive, positive)
def test_gold_and_grade_are_each_other_s_inverse(g_per_t, ore_g):
    assert grade.grade_g_per_t(grade.gold_mg(g_per_t, ore_g), ore_g) == pytest.approx(g_per_t)


def test_below_the_scale_is_a_grade_and_not_zero():
    # trade_practice: a 0.01 g scale on one pound steps by 22 g/t.
    assert grade.below_scale_grade(Decimal(10), Decimal("453.59237")) == pytest.approx(
        Decimal("22.046"), abs=Decimal("0.001")
    )


@given(positive, st.floats(min_value=0, max_value=0.9))
def test_both_moisture_bases_lead_to_the_same_dry_mass(dry_g, wet_basis):
    wet_g = dry_g / (1 - wet_basis)
    on_wet, on_dry = grade.moisture_wet_basis(wet_g, dry_g), grade.moisture_dry_basis(wet_g, dry_g)
    assert grade.dry_mass_g(wet_g, on_wet, basis="wet") == pytest.approx(dry_g)
    assert grade.dry_mass_g(wet_g, on_dry, basis="dry") == pytest.approx(dry_g)
    assert on_dry >= on_wet


@given(st.floats(0.01, 100), st.floats(1.01, 500), st.floats(0, 0.99))
def test_two_products_balance_mass_and_gold(feed, enrichment, tail_share):
    concentrate, tails = feed * enrichment, feed * tail_share
    found = grade.two_product(feed, concentrate, tails)
    y = found.mass_yield
    assert y * concentrate + (1 - y) * tails == pytest.approx(feed)
    assert found.recovery == pytest.approx(y * concentrate / feed)
    assert 0 <= found.recovery <= 1 + 1e-12
    weighed = grade.weighed_products(1000 * y, concentrate, 1000 * (1 - y), tails)
    assert weighed.recovery == pytest.approx(found.recovery)
    assert weighed.calculated_head_g_per_t == pytest.approx(feed)


@pytest.mark.parametrize(
    ("grades", "says"),
    [
        ((2, 1.5, 1), "not richer"),
        ((2, 50, 2.4), "not poorer"),
        ((0, 10, 0), "without gold"),
        ((3, 3, 3), "not richer"),
        ((3, 10, -1), "negative"),
    ],
)
def test_refuses_grades_that_contradict_each_other(grades, says):
    with pytest.raises(ValueError, match=says):
        grade.two_product(*grades)


def test_tails_near_feed_show_in_the_simulated_spread():
    # Case b10 of fixtures/reference: R is about 15 %, and its sd of 3.7 points makes an interval of 13 points and more.
    sds = {"sd_feed": 0.06, "sd_concentrate": 1.8, "sd_tails": 0.05}
    spread = grade.simulated_recovery(2.0, 60.0, 1.7, **sds, rng=random.Random(1))
    assert spread.low < 0.085 < 0.215 < spread.high
    worse = grade.simulated_recovery(2.0, 60.0, 1.95, **sds, rng=random.Random(1))
    assert worse.impossible > 0.1
    assert worse.low < 0


def test_a_simulated_spread_is_reproducible_and_needs_draws():
    sds = {"sd_feed": 0.4, "sd_concentrate": 13.5, "sd_tails": 0.1}
    first, second = (
        grade.simulated_recovery(10, 450, 1.2, **sds, rng=random.Random(5), draws=1000) for _ in range(2)
    )
    assert first == second
    with pytest.raises(ValueError, match="1000 draws"):
        grade.simulated_recovery(10, 450, 1.2, **sds, rng=random.Random(5), draws=10)


def test_first_order_errors_match_central_differences():
    feed, concentrate, tails, h = 10.0, 450.0, 1.2, 1e-5
    found = grade.two_product_error(feed, concentrate, tails, sd_feed=0.4, sd_concentrate=13.5, sd_tails=0.1)

    def slope(up, down):
        return (grade.two_product_formula(*up) - grade.two_product_formula(*down)) / (2 * h)

    assert found.d_feed == pytest.approx(
        slope((feed + h, concentrate, tails), (feed - h, concentrate, tails)), rel=1e-6
    )
    assert found.d_tails == pytest.approx(
        slope((feed, concentrate, tails + h), (feed, concentrate, tails - h)), rel=1e-6
    )
    wide = (feed, concentrate + h, tails), (feed, concentrate - h, tails)
    assert found.d_concentrate == pytest.approx(slope(*wide), rel=1e-4)


@given(st.lists(st.tuples(positive, positive), min_size=1, max_size=6), st.randoms(use_true_random=False))
def test_blend_grade_lies_between_and_forgets_the_order(lots, rng):
    masses, grades = zip(*lots, strict=True)
    blended = grade.blend_grade(grades, masses)
    assert min(grades) * (1 - 1e-9) <= blended <= max(grades) * (1 + 1e-9)
    rng.shuffle(lots)
    masses, grades = zip(*lots, strict=True)
    assert grade.blend_grade(grades, masses) == pytest.approx(blended)


@given(positive, positive, positive, st.floats(0.01, 0.99))
def test_adding_the_named_mass_reaches_the_target(mass, one, other, between):
    if abs(one - other) < 0.01:
        return
    target = other + between * (one - other)
    added = grade.mass_to_add(mass, one, other, target)
    assert grade.blend_grade([one, other], [mass, added]) == pytest.approx(target)


@pytest.mark.parametrize("target", [0.5, 1.2, 10])
def test_refuses_a_target_outside_both_grades(target):
    with pytest.raises(ValueError, match="between"):
        grade.mass_to_add(20, 9, 1.2, target)


def test_minus_assays_of_unequal_portions_count_by_their_mass():
    alike = grade.screen_fire_assay(25.0, 2.0, 975.0, [3.0, 6.0])
    weighed = grade.screen_fire_assay(25.0, 2.0, 975.0, [3.0, 6.0], [50.0, 25.0])
    assert (alike.minus_grade_g_per_t, weighed.minus_grade_g_per_t) == (4.5, 4.0)


def test_screen_assay_takes_decimals_beside_floats():
    found = grade.screen_fire_assay(Decimal(25), Decimal(2), Decimal(975), [3.0, Decimal(6)])
    assert found.grade_g_per_t == (2 + Decimal("4.5") * Decimal("0.975")) / Decimal(1)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: grade.grade_g_per_t(1, 0), "some mass"),
        (lambda: grade.grade_g_per_t(-1, 5), "less than nothing"),
        (lambda: grade.gold_mg(-1, 5), "negative"),
        (lambda: grade.below_scale_grade(0, 5), "above zero"),
        (lambda: grade.moisture_wet_basis(5, 6), "at least what dry"),
        (lambda: grade.dry_mass_g(5, 1, basis="wet"), "between 0 and 1"),
        (lambda: grade.dry_mass_g(5, -1, basis="dry"), "negative"),
        (lambda: grade.dry_mass_g(5, 0.1, basis="damp"), "damp"),
        (lambda: grade.fineness_of_karat(25), "24"),
        (lambda: grade.fine_gold(5, 840), "fraction"),
        (lambda: grade.recovery_of_products(0, 0), "no recovery"),
        (lambda: grade.accountability(1, 0), "above zero"),
        (lambda: grade.apparent_recovery(1, 0), "above zero"),
        (lambda: grade.blend_grade_sd([1], [1, 2]), "as many"),
        (lambda: grade.screen_fire_assay(1, 1, 1, []), "at least one"),
    ],
)
def test_refuses_what_cannot_be_weighed(make, says):
    with pytest.raises(ValueError, match=says):
        make()


def test_apparent_recovery_is_a_plain_ratio_that_may_pass_one():
    assert grade.apparent_recovery(Decimal(6), Decimal(8)) == Decimal("0.75")
    assert grade.apparent_recovery(9.0, 6.0) == 1.5


def test_pans_taken_as_one_are_the_mean_weighted_by_their_ore():
    golds, ores = [Decimal(8), Decimal(2), Decimal(0)], [Decimal(1000), Decimal(1500), Decimal(500)]
    each = [grade.grade_g_per_t(gold, ore) for gold, ore in zip(golds, ores, strict=True)]
    assert grade.pooled_grade_g_per_t(golds, ores) == pytest.approx(grade.blend_grade(each, ores))


def test_refuses_pans_without_their_ore():
    with pytest.raises(ValueError, match="each needs both"):
        grade.pooled_grade_g_per_t([Decimal(8)], [])
    with pytest.raises(ValueError, match="ore of some mass"):
        grade.pooled_grade_g_per_t([], [])


def test_all_and_nothing_are_fractions_too():
    # 24 karat is pure gold by definition, none holds none.
    assert grade.fineness_of_karat(Decimal(24)) == 1
    assert grade.fineness_of_karat(Decimal(0)) == 0
    assert grade.fine_gold(Decimal(5), Decimal(1)) == 5
    assert grade.fine_gold(Decimal(5), Decimal(0)) == 0
    assert grade.gold_mg(Decimal(0), Decimal(5)) == grade.gold_mg(Decimal(5), Decimal(0)) == 0
    # Dry ore has no water, on either basis.
    assert (
        grade.moisture_wet_basis(Decimal(5), Decimal(5))
        == grade.moisture_dry_basis(Decimal(5), Decimal(5))
        == 0
    )


@pytest.mark.parametrize(
    ("target", "added"),
    # By hand, 20 kg of 9 g/t and a lot of 1 g/t: none keeps 9, and 20 (9 - 5) / (5 - 1) = 20 brings 5; 1 is never reached.
    [("9", 0), ("5", 20), ("1", None), ("9.01", None)],
)
def test_a_target_is_reached_from_the_lot_itself_down_to_just_above_what_is_added(target, added):
    call = (Decimal(20), Decimal(9), Decimal(1), Decimal(target))
    if added is None:
        with pytest.raises(ValueError, match="does not lie between"):
            grade.mass_to_add(*call)
    else:
        assert grade.mass_to_add(*call) == added


@pytest.mark.parametrize(("target", "added"), [("1", 0), ("5", 20), ("9", None), ("0.99", None)])
def test_a_richer_lot_is_added_up_to_just_below_its_grade(target, added):
    call = (Decimal(20), Decimal(1), Decimal(9), Decimal(target))
    if added is None:
        with pytest.raises(ValueError, match="does not lie between"):
            grade.mass_to_add(*call)
    else:
        assert grade.mass_to_add(*call) == added


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: grade.moisture_wet_basis(5, 0), "dry more than nothing"),
        (lambda: grade.moisture_wet_basis(5, 5.01), "dry more than nothing"),
        (lambda: grade.blend_grade_sd([0.1, 0.2], [0, 0]), "sum to nothing"),
        (lambda: grade.screen_fire_assay(25, 0, 975, [0.0]), "Without any gold"),
        (lambda: grade.two_product(2, 50, 2), "not poorer"),
        (lambda: grade.fineness_of_karat(24.01), "between 0 and 24"),
        (lambda: grade.fine_gold(5, 1.01), "between 0 and 1"),
        (lambda: grade.dry_mass_g(5, 1, basis="wet"), "between 0 and 1"),
        (lambda: grade.recovery_of_products(0, 0), "no recovery"),
    ],
)
def test_what_lies_just_beyond_what_can_be_is_refused(call, says):
    with pytest.raises(ValueError, match=says):
        call()
