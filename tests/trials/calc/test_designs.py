"""Plans: random, reproducible, each treatment once per block. Laws of the design, counted; sources beside the figures."""

import subprocess
import sys
from collections import Counter
from decimal import Decimal
from itertools import permutations

import pytest

from prospecting.calc.units import tub_amounts
from trials.calc.designs import (
    aliases,
    check_orders,
    check_square,
    completely_randomised,
    dose_ladder,
    draw_plan,
    draw_portions,
    error_df,
    guess_check,
    ladder_factor,
    latin_square,
    matching_check,
    orders_of,
    plan_summary,
    pourable_ladder,
    randomised_blocks,
    rows_of_square,
    stock_for,
    two_level_factorial,
    whole_drops,
    williams_square,
)

TREATMENTS = ["plain water", "rinse 0.1", "rinse 0.4"]


def test_runs_each_treatment_once_in_every_block():
    plan = randomised_blocks(TREATMENTS, 5, seed=3)
    assert plan_summary(plan).each_treatment_once_per_block
    assert [place.run_order for place in plan] == list(range(1, 16))
    assert [place.position for place in plan] == [1, 2, 3] * 5
    assert [place.block for place in plan] == [n for n in range(1, 6) for _ in range(3)]


def test_gives_the_same_plan_for_the_same_seed_and_another_for_another():
    assert randomised_blocks(TREATMENTS, 5, seed=3) == randomised_blocks(TREATMENTS, 5, seed=3)
    assert randomised_blocks(TREATMENTS, 5, seed=3) != randomised_blocks(TREATMENTS, 5, seed=4)


def test_draws_every_order_of_a_block_about_equally_often():
    # 6 orders, 420 blocks: 70 each; chi-squared with 5 df is under 20.5 in 999 of 1,000 fair draws (standard table).
    plan = randomised_blocks("ABC", 420, seed=11)
    orders = Counter(
        tuple(place.treatment for place in plan[start : start + 3]) for start in range(0, len(plan), 3)
    )
    assert set(orders) == set(permutations("ABC"))
    assert sum((count - 70) ** 2 / 70 for count in orders.values()) < 20.5


@pytest.mark.parametrize(("blocks", "signs"), [(5, 2), (33, 2), (34, 3), (80, 3)])
def test_gives_every_run_a_code_of_its_own(blocks, signs):
    codes = [place.blind_code for place in randomised_blocks(TREATMENTS, blocks, seed=3)]
    assert len(set(codes)) == len(codes) == 3 * blocks
    assert {len(code) for code in codes} <= {2, 3}
    assert max(len(code) for code in codes) <= max(signs, 3)
    assert not set("".join(codes)) & set("AEIOUL01")


def test_codes_say_nothing_of_order_or_treatment():
    plan = randomised_blocks(TREATMENTS, 30, seed=3)
    codes = [place.blind_code for place in plan]
    assert codes != sorted(codes)
    # The first letters of the control's codes are spread, not one of its own.
    assert len({place.blind_code[0] for place in plan if place.treatment == "plain water"}) > 8


@pytest.mark.parametrize(
    ("treatments", "blocks", "says"),
    [
        (["water"], 3, "at least 2"),
        (["water", "water"], 3, "named twice"),
        (["water", "rinse"], 0, "at least 1 block"),
    ],
)
def test_refuses_a_plan_that_compares_nothing(treatments, blocks, says):
    with pytest.raises(ValueError, match=says):
        randomised_blocks(treatments, blocks, seed=1)


def test_completely_randomised_mixes_all_runs():
    plan = completely_randomised(TREATMENTS, 4, seed=3)
    assert Counter(place.treatment for place in plan) == dict.fromkeys(TREATMENTS, 4)
    assert {place.block for place in plan} == {1}
    with pytest.raises(ValueError, match="at least 1 run"):
        completely_randomised(TREATMENTS, 0, seed=3)


def test_draws_portions_by_lot():
    plan = randomised_blocks(TREATMENTS, 4, seed=3)
    drawn = draw_portions(range(100, 115), plan, seed=3)
    assert set(drawn) == set(range(1, 13))
    assert len(set(drawn.values())) == 12
    assert list(drawn.values()) != sorted(drawn.values())
    with pytest.raises(ValueError, match="11 portions for 12 runs"):
        draw_portions(range(11), plan, seed=3)
    with pytest.raises(ValueError, match="named twice"):
        draw_portions([1] * 12, plan, seed=3)


def test_counts_how_often_the_control_comes_first():
    # A lawful but unlucky plan: counted by hand.
    found = check_orders([["A", "B", "C"], ["A", "C", "B"], ["B", "A", "C"]], "ABC", control="A")
    assert found.blocks_with_control_first == 2
    assert found.position_counts["A"] == (2, 1, 0)
    assert found.error_df == 4


@pytest.mark.parametrize(("treatments", "blocks", "df"), [(2, 2, 1), (3, 5, 8), (4, 5, 12), (12, 10, 99)])
def test_error_df_is_t_minus_1_times_b_minus_1(treatments, blocks, df):
    assert error_df(treatments, blocks) == df


def test_sees_a_square_that_is_not_square():
    assert not check_square([["A", "B"], ["B", "A"], ["A", "B"]]).is_latin_square


@pytest.mark.parametrize("square", [[], [["A", "B"], ["B"]]])
def test_refuses_to_check_what_has_no_rows_of_one_length(square):
    with pytest.raises(ValueError, match="all of one length"):
        check_square(square)


@pytest.mark.parametrize("size", range(3, 13))
def test_a_latin_square_holds_each_treatment_once_in_row_and_column(size):
    treatments = [f"treatment {n}" for n in range(size)]
    plan = latin_square(treatments, seed=size)
    assert check_square(orders_of(plan)).is_latin_square
    assert len({place.blind_code for place in plan}) == size * size
    stack = orders_of(latin_square(treatments, seed=size, squares=2))
    assert check_square(stack[:size]).is_latin_square
    assert check_square(stack[size:]).is_latin_square
    assert stack[:size] != stack[size:]


def test_latin_squares_differ_by_seed_and_put_every_treatment_everywhere():
    squares = [orders_of(latin_square("ABC", seed=seed)) for seed in range(300)]
    # There are 12 Latin squares of 3 (published count, from memory); all are cyclic up to names, so all come out.
    assert len({str(square) for square in squares}) == 12
    first = Counter(square[0][0] for square in squares)
    assert min(first.values()) > 70


@pytest.mark.parametrize("size", range(2, 13))
def test_in_a_williams_square_each_treatment_follows_each_other_one_equally_often(size):
    treatments = [f"treatment {n}" for n in range(size)]
    orders = orders_of(williams_square(treatments, seed=size))
    found = check_square(orders)
    assert found.balanced_for_follow_on
    # Williams 1949: t rows where t is even, 2 t where it is odd; neighbours once and twice.
    assert len(orders) == (size if size % 2 == 0 else 2 * size)
    assert found.follow_on_counts_min == found.follow_on_counts_max == (1 if size % 2 == 0 else 2)
    assert found.is_latin_square == (size % 2 == 0)
    twice = check_square(orders_of(williams_square(treatments, seed=size, squares=2)))
    assert twice.balanced_for_follow_on
    assert twice.follow_on_counts_min == 2 * found.follow_on_counts_min


def test_of_three_treatments_the_williams_plan_is_all_orders():
    assert {tuple(order) for order in orders_of(williams_square("ABC", seed=5))} == set(permutations("ABC"))


def test_a_latin_square_need_not_be_balanced_for_follow_on():
    # The cyclic square: every treatment follows the same one in every row; counted by hand.
    found = check_square(["ABC", "BCA", "CAB"])
    assert found.is_latin_square
    assert not found.balanced_for_follow_on
    assert (found.follow_on_counts_min, found.follow_on_counts_max) == (0, 2)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: latin_square(["water", "rinse"], seed=1), "at least 3"),
        (lambda: latin_square("ABC", seed=1, squares=0), "at least 1"),
        (lambda: williams_square(["water"], seed=1), "at least 2"),
        (lambda: williams_square(["water", "water"], seed=1), "named twice"),
    ],
)
def test_refuses_a_square_that_tells_nothing(call, says):
    with pytest.raises(ValueError, match=says):
        call()


RINSE_SOAK_PAN = {
    "rinse": ("no rinse", "rinse"),
    "soak": ("no soak", "soak 10 min"),
    "pan": ("green pan", "dark pan"),
}


def test_a_factorial_holds_every_combination_in_standard_order():
    # Yates's standard order (from memory): (1), a, b, ab, c, ac, bc, abc.
    plan = two_level_factorial(RINSE_SOAK_PAN)
    assert [cell.at_second for cell in plan.cells[:4]] == [
        (False, False, False),
        (True, False, False),
        (False, True, False),
        (True, True, False),
    ]
    assert len({cell.name for cell in plan.cells}) == 8
    assert plan.cells[0].name == "no rinse, no soak, green pan"
    assert plan.effects[-1] == ("rinse", "soak", "pan")


@pytest.mark.parametrize("count", [2, 3, 4, 5])
def test_a_whole_factorial_mixes_up_no_effects(count):
    plan = two_level_factorial({f"f{n}": (f"no {n}", f"with {n}") for n in range(count)})
    assert len(plan.cells) == 2**count
    assert len(plan.effects) == 2**count - 1
    assert aliases(plan) == []
    signs = [plan.signs(effect) for effect in plan.effects]
    assert all(sum(row) == 0 for row in signs)
    for i, one in enumerate(signs):
        for other in signs[:i]:
            assert sum(a * b for a, b in zip(one, other, strict=True)) == 0


def test_half_a_factorial_mixes_up_each_factor_with_a_pair():
    # The half fraction with I = ABC: A = BC, B = AC, C = AB (Box, Hunter and Hunter, Statistics for Experimenters; from memory).
    plan = two_level_factorial({"a": ("-", "a"), "b": ("0", "b"), "c": ("1", "c")})
    half = [
        cell.name for cell, sign in zip(plan.cells, plan.signs(("a", "b", "c")), strict=True) if sign == 1
    ]
    assert aliases(plan, half) == [
        ("mean", "a x b x c"),
        ("a", "b x c"),
        ("b", "a x c"),
        ("c", "a x b"),
    ]


def test_the_signs_of_a_pair_give_its_interaction():
    plan = two_level_factorial({"a": ("-", "a"), "b": ("0", "b")})
    values = [1.0, 1.5, 1.4, 2.6]
    interaction = sum(s * v for s, v in zip(plan.signs(("a", "b")), values, strict=True)) / 2
    # Half of (both - a - b + neither).
    assert interaction == pytest.approx((2.6 - 1.5 - 1.4 + 1.0) / 2)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: two_level_factorial({"a": ("no", "yes")}), "1 factors"),
        (lambda: two_level_factorial({str(n): ("no", "yes") for n in range(6)}), "6 factors"),
        (lambda: two_level_factorial({"a": ("no", "no"), "b": ("x", "y")}), "two levels that differ"),
        (lambda: two_level_factorial({"a": ("no", " "), "b": ("x", "y")}), "no name"),
        (lambda: aliases(two_level_factorial(RINSE_SOAK_PAN), ["rinse"]), "rinse is no combination"),
    ],
)
def test_refuses_a_factorial_that_is_none(call, says):
    with pytest.raises(ValueError, match=says):
        call()


def test_a_ladder_has_zero_even_steps_and_a_deliberate_overdose():
    ladder = dose_ladder(Decimal("0.0125"), 5, Decimal(9000), overdose_factor=Decimal(8))
    assert [rung.kind for rung in ladder] == ["zero", *["ladder"] * 5, "overdose"]
    doses = [rung.ml_per_l for rung in ladder]
    assert doses[0] == 0
    assert [after / before for before, after in zip(doses[1:-1], doses[2:-1], strict=False)] == [2] * 4
    assert doses[-1] == 8 * doses[-2]
    # 0.0125 mL/L in 9 L is 0.1125 mL, 2.25 nominal drops of 0.05 mL (computed).
    assert ladder[1].tub.ml == Decimal("0.1125")
    assert ladder[0].poured == "none"
    assert ladder[1].poured == "2 drops (11 % less than the dose)"


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"doses": 1}, "1 doses"),
        ({"doses": 13}, "13 doses"),
        ({"lowest_ml_per_l": Decimal(0)}, "lowest dose 0"),
        ({"lowest_ml_per_l": Decimal("nan")}, "lowest dose NaN"),
        ({"water_ml": Decimal(-1)}, "water -1"),
        ({"factor": Decimal(1)}, "factor 1"),
        ({"overdose_factor": Decimal("0.5")}, "overdose factor 0.5"),
        ({"lowest_ml_per_l": Decimal(50)}, "more additive than water"),
    ],
)
def test_refuses_a_ladder_that_does_not_rise(changed, says):
    whole = {"lowest_ml_per_l": Decimal("0.05"), "doses": 4, "water_ml": Decimal(9000)}
    with pytest.raises(ValueError, match=says):
        dose_ladder(**whole | changed)


@pytest.mark.parametrize("kind", ["blocks", "latin", "williams", "random"])
def test_draws_every_kind_of_plan_again_from_its_seed(kind):
    plan = draw_plan(kind, TREATMENTS, 6, seed=11)
    assert plan == draw_plan(kind, TREATMENTS, 6, seed=11)
    assert plan != draw_plan(kind, TREATMENTS, 6, seed=12)
    assert Counter(place.treatment for place in plan) == dict.fromkeys(TREATMENTS, 6)
    assert {place.block for place in plan} == ({1} if kind == "random" else set(range(1, 7)))


@pytest.mark.parametrize(
    ("kind", "treatments", "each"),
    # Williams 1949: an odd number of treatments takes two squares.
    [
        ("latin", 3, 3),
        ("latin", 4, 4),
        ("williams", 4, 4),
        ("williams", 5, 10),
        ("blocks", 7, 1),
        ("random", 7, 1),
    ],
)
def test_rows_come_in_whole_squares(kind, treatments, each):
    assert rows_of_square(kind, treatments) == each
    names = list(range(treatments))
    assert len(draw_plan(kind, names, 2 * each, seed=1)) == 2 * each * treatments
    if each > 1:
        for rows in (each - 1, each + 1, 1):
            with pytest.raises(ValueError, match="whole square"):
                draw_plan(kind, names, rows, seed=1)


def test_a_ladder_between_two_doses_ends_at_both():
    factor = ladder_factor(Decimal("0.1"), Decimal("2.7"), 4)
    # 0.1, 0.3, 0.9, 2.7.
    assert factor == 3
    doses = [rung.ml_per_l for rung in dose_ladder(Decimal("0.1"), 4, Decimal(9000), factor=factor)]
    assert doses[1:5] == [Decimal("0.1"), Decimal("0.3"), Decimal("0.9"), Decimal("2.7")]


@pytest.mark.parametrize(
    ("lowest", "highest", "doses"), [("0.2", "0.2", 3), ("0.3", "0.2", 3), ("0", "1", 3), ("0.1", "0.2", 1)]
)
def test_refuses_a_ladder_between_no_two_doses(lowest, highest, doses):
    with pytest.raises(ValueError, match="dose"):
        ladder_factor(Decimal(lowest), Decimal(highest), doses)


def test_a_pourable_ladder_counts_whole_drops_in_the_tub():
    water = Decimal(9000)
    rungs = pourable_ladder(dose_ladder(Decimal("0.01"), 5, water, factor=Decimal("1.9")), water)
    assert [whole_drops(rung.tub) for rung in rungs] == [0, 2, 3, 6, 12, 23, None]
    # A drop is 0.05 mL: n of them in 9 L are n x 0.05 / 9 mL/L.
    assert rungs[2].ml_per_l == (3 * Decimal("0.05") / 9).quantize(Decimal("0.000001"))
    with pytest.raises(ValueError, match="same 1 drop"):
        pourable_ladder(dose_ladder(Decimal("0.005"), 4, water, factor=Decimal("1.1")), water)


def test_thins_until_there_is_a_millilitre_to_pour():
    for ml in ("0.02", "0.0005"):
        stock = stock_for(tub_amounts(Decimal(ml), Decimal(1000)))
        # What is poured of the thinned additive holds what was wanted of it.
        assert stock.pour.ml / stock.parts == Decimal(ml)
        assert 1 <= stock.pour.ml < 10
    assert stock_for(tub_amounts(Decimal(0), Decimal(1000))) is None
    assert stock_for(tub_amounts(Decimal("0.1"), Decimal(1000))) is None


def test_luck_of_guesses():
    assert guess_check(3, 0, 3).chance_of_this_many_or_more == pytest.approx(1)
    # All namings of 3 pans, counted: 1 of 6 all right, none exactly two, 3 exactly one.
    assert matching_check(3, 1).chance_of_this_many_or_more == pytest.approx(4 / 6)
    with pytest.raises(ValueError, match="no more right than guesses"):
        guess_check(3, 4, 2)
    with pytest.raises(ValueError, match="no more right than pans"):
        matching_check(3, 4)


def test_is_plain_python():
    """Ordinary pages use plans and costs; they must not load numpy or scipy."""
    code = "import sys, trials.calc.designs, trials.calc.cost; print([m for m in ('numpy', 'scipy') if m in sys.modules])"
    seen = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert seen.stdout.strip() == "[]"
