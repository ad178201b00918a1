"""Plans: random, reproducible, each treatment once per block. Laws of the design, counted; sources beside the figures."""

import subprocess
import sys
from collections import Counter
from itertools import permutations

import pytest

from trials.calc.designs import (
    check_orders,
    check_square,
    completely_randomised,
    draw_portions,
    error_df,
    guess_check,
    matching_check,
    plan_summary,
    randomised_blocks,
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
