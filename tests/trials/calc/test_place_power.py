"""What places can show, against full enumeration, the sign test and the exact distribution of a rank-sum difference."""

from itertools import permutations, product
from math import prod

import pytest
from scipy.stats import binom, binomtest

from trials.calc import place_power
from trials.calc.place_power import (
    blocks_for_places,
    by_chance,
    chance_shown,
    least_winning_chance,
    place_outlook,
    smallest_p,
)
from trials.calc.places import compare_places
from trials.calc.ranks import against_control

ALPHA = 0.05


def every_trial(treatments: int, blocks: int):
    """All ways the rows can fall; each row holds the place of the control, then of the others."""
    return product(permutations(range(1, treatments + 1)), repeat=blocks)


def compared(rows):
    names = ["control", *(f"rinse {number}" for number in range(1, len(rows[0])))]
    return compare_places(
        [place for row in rows for place in row],
        names * len(rows),
        [number for number, row in enumerate(rows) for _ in row],
        "control",
    )


@pytest.mark.parametrize(("treatments", "blocks"), [(2, 3), (2, 6), (3, 2), (3, 3), (4, 2)])
def test_no_trial_at_all_gives_a_smaller_level_and_just_so_many_give_it(treatments, blocks):
    levels = [
        min(entry.p_adjusted for entry in compared(rows).treatments)
        for rows in every_trial(treatments, blocks)
    ]
    least = smallest_p(treatments, blocks)
    assert min(levels) == pytest.approx(least)
    assert sum(level < least + 1e-9 for level in levels) / len(levels) == pytest.approx(least)


@pytest.mark.parametrize("blocks", [1, 3, 5, 6, 12])
def test_two_pans_are_the_sign_test(blocks):
    assert smallest_p(2, blocks) == pytest.approx(binomtest(blocks, blocks).pvalue)


def sign_test_power(blocks: int, beats: float) -> float:
    won = [wins for wins in range(blocks // 2, blocks + 1) if binomtest(wins, blocks).pvalue < ALPHA]
    return float(sum(binom.pmf(wins, blocks, beats) for wins in won if wins > blocks / 2))


@pytest.mark.parametrize("beats", [0.5, 0.75, 0.9, 1.0])
@pytest.mark.parametrize("blocks", [5, 6, 9, 20, 30])
def test_two_pans_are_shown_as_often_as_the_sign_test_shows_them(blocks, beats):
    assert chance_shown(2, blocks, beats) == pytest.approx(sign_test_power(blocks, beats), abs=1e-12)


def chance_of_row(row, beats: float) -> float:
    """Plackett: the second name is the better treatment, the others alike; places dealt from the first down."""
    weights = [1.0] * len(row)
    weights[1] = beats / (1 - beats)
    in_order = sorted(range(len(row)), key=row.__getitem__)
    return prod(
        weights[name] / sum(weights[later] for later in in_order[at:]) for at, name in enumerate(in_order)
    )


@pytest.mark.parametrize(("treatments", "blocks", "beats"), [(3, 3, 0.9), (3, 4, 0.8), (4, 3, 0.9)])
def test_the_chance_of_being_shown_is_that_of_counting_every_trial(treatments, blocks, beats):
    names = ["control", *range(1, treatments)]
    shown, known = 0.0, {}
    row_chances = {row: chance_of_row(row, beats) for row in permutations(range(1, treatments + 1))}
    for rows in every_trial(treatments, blocks):
        difference = sum(row[0] - row[1] for row in rows)
        if difference not in known:
            first = next(pair for pair in against_control(rows, names, "control") if pair.second == 1)
            known[difference] = first.p_bonferroni
        if difference > 0 and known[difference] < ALPHA:
            shown += prod(row_chances[row] for row in rows)
    assert chance_shown(treatments, blocks, beats) == pytest.approx(shown, abs=1e-9)


def test_what_it_calls_shown_the_verdicts_own_level_shows_too():
    for rows in every_trial(3, 3):
        bonferroni = against_control(rows, ["control", 1, 2], "control")
        for pair, entry in zip(bonferroni, compared(rows).treatments, strict=True):
            assert entry.p_adjusted <= pair.p_bonferroni + 1e-9


def test_more_wins_and_no_effect_do_as_they_must():
    chances = [chance_shown(4, 10, beats) for beats in (0.5, 0.6, 0.7, 0.8, 0.9, 1.0)]
    assert chances == sorted(chances)
    assert chances[0] < ALPHA / 2


@pytest.mark.parametrize("treatments", [2, 3, 4, 6])
def test_the_least_share_and_the_fewest_blocks_are_just_enough(treatments):
    least = least_winning_chance(treatments, 14)
    assert chance_shown(treatments, 14, least) >= 0.8 > chance_shown(treatments, 14, least - 0.001)
    fewest = blocks_for_places(treatments, 0.9)
    assert chance_shown(treatments, fewest, 0.9) >= 0.8 > chance_shown(treatments, fewest - 1, 0.9)


def test_five_blocks_of_two_pans_show_nothing_and_say_so():
    outlook = place_outlook(2, 5)
    assert (outlook.fewest, outlook.seen) == (6, None)
    assert "6 blocks at the least" in outlook.sentences[0]
    # Fewer than 3 pans of a treatment show nothing, whatever the count says.
    assert place_outlook(4, 2).fewest == place_power.FEWEST_BLOCKS
    assert chance_shown(4, 2, 1.0) == 0


def test_what_a_plan_could_see_is_told_in_sentences():
    first, second = place_outlook(3, 10).sentences
    assert "not how much more" in first and "comes by chance once in" in first
    assert "Shown 8 times in 10" in second and "3 blocks of 4 takes 33 blocks" in second
    assert "more than 200 blocks" not in second
    assert "1 trial of 9" in by_chance(3, 3)


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: smallest_p(1, 3), "2 treatments"),
        (lambda: chance_shown(3, 0, 0.9), "1 block"),
        (lambda: chance_shown(3, 4, 0.4), "between 0.5 and 1"),
        (lambda: chance_shown(3, 4, float("nan")), "between 0.5 and 1"),
        (lambda: blocks_for_places(3, 0.9, power=80), "between 0 and 1"),
        (lambda: least_winning_chance(3, 5, alpha=5), "between 0 and 1"),
    ],
)
def test_nonsense_is_refused_with_a_sentence(call, word):
    with pytest.raises(ValueError, match=word):
        call()


def test_what_takes_too_many_blocks_is_said_without_a_number():
    # By chance once in 10^11 at most: 3 blocks of 4 won would not do within the most that are reckoned.
    outlook = place_outlook(2, 60, alpha=1e-11)
    assert outlook.worthwhile is None
    assert blocks_for_places(2, 0.75, alpha=1e-11) is None
    assert outlook.always_first is not None
    assert outlook.sentences[1].endswith("takes more than 200 blocks.")


@pytest.mark.parametrize(
    ("blocks", "says"), [(5, "that takes 6 blocks at the least"), (6, "once in 32 trials")]
)
def test_the_fewest_blocks_in_which_anything_shows_are_enough(blocks, says):
    # Two pans by hand: first in all of six blocks comes by chance in 2/64, in all of five in 2/32, over 5 %.
    assert says in place_outlook(2, blocks).sentences[0]
