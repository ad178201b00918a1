"""Spread of control runs beside chance: laws of counting, simulation, words."""

import math

import numpy as np
import pytest

from trials.calc.chance import (
    GRAIN_MG,
    colours_per_run,
    explained,
    share_in_words,
    spread_of_counts,
    spread_of_masses,
)


def test_grain_masses_follow_the_miners_rule():
    # 12,000, 40,000 and 300,000 colours per troy ounce of 31.1034768 g: 2.6, 0.78 and 0.10 mg (placer handbook).
    assert [round(GRAIN_MG[name], 2) for name in ("fine", "very_fine", "flour")] == [2.59, 0.78, 0.10]


def test_chance_of_masses_agrees_with_grains_thrown_by_the_computer():
    dice = np.random.default_rng(3)
    colours = {"fine": 1.5, "very_fine": 6.0, "flour": 40.0}
    mass = sum(GRAIN_MG[name] * dice.poisson(mean, 200_000) for name, mean in colours.items())
    found = spread_of_masses([4.0, 9.0, 13.0], colours=colours)
    assert found.cv_chance == pytest.approx(mass.std() / mass.mean(), rel=0.01)


def test_one_class_needs_only_its_grain():
    found = spread_of_masses([2.0, 4.0, 6.0], size_class="very_fine")
    assert found.cv_chance == pytest.approx(math.sqrt(GRAIN_MG["very_fine"] / 4))
    assert found.cv_seen == pytest.approx(0.5)
    assert found.share_by_chance == pytest.approx(GRAIN_MG["very_fine"] / 4 / 0.25)


def test_the_share_is_capped_where_chance_alone_would_give_more():
    found = spread_of_counts([5, 5, 6, 5])
    assert found.share_by_chance == 1
    assert "chance is enough to explain" in found.sentence


def test_says_when_the_spread_comes_from_elsewhere():
    found = spread_of_counts([20, 200, 90, 400])
    assert found.share_by_chance < 0.1
    assert "comes from elsewhere" in found.sentence


def test_few_runs_know_their_own_spread_only_roughly():
    found = spread_of_masses([5.0, 9.0, 6.0, 8.0])
    # Limits of a standard deviation with 3 df: 0.566 and 3.729 times (chi-squared tables, 9.348 and 0.216).
    assert found.seen_lower / found.cv_seen == pytest.approx(0.566, abs=0.001)
    assert found.seen_upper / found.cv_seen == pytest.approx(3.729, abs=0.002)
    assert "95 % interval" in found.sentence
    assert "Count colours by size class" in found.sentence


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: spread_of_masses([]), "No control run"),
        (lambda: spread_of_masses([0.0]), "0.0 mg"),
        (lambda: spread_of_masses([1.0], size_class="gravel"), "gravel"),
        (lambda: spread_of_masses([1.0], grain_mg=0.0), "above 0"),
        (lambda: spread_of_counts([-1]), "whole number"),
    ],
)
def test_refuses_what_has_no_spread(call, says):
    with pytest.raises(ValueError, match=says):
        call()


@pytest.mark.parametrize(
    "found", [spread_of_masses([3.0]), spread_of_counts([0, 0]), spread_of_masses([3.0, 3.0], grain_mg=0.5)]
)
def test_odd_runs_still_give_a_sentence(found):
    assert found.sentence.endswith(".")
    assert not {"nan", "inf", "None"} & set(found.sentence.split())


def test_runs_are_called_few_only_where_they_are():
    assert "from so few runs, anything from" in spread_of_counts([3, 9, 5, 4]).sentence
    many = spread_of_counts([3, 9, 5, 4] * 4).sentence
    assert "few" not in many
    assert "(anything from" in many


def test_colours_per_run_count_every_run_even_where_a_class_is_missing():
    assert colours_per_run([{"fine": 3, "flour": 1}, {"fine": 2}, {}, {}]) == {"fine": 1.25, "flour": 0.25}
    assert colours_per_run([{"fine": 0}]) is None
    assert colours_per_run([]) is None


def test_the_share_that_chance_explains_is_said_in_words_with_how_well_it_is_known():
    # A mean of 16 has a variance of 16 by chance alone; seen are 348/19.
    spread = spread_of_counts([16 + off for off in (-6, -5, -4, -3, -1, 1, 3, 4, 5, 6)] * 2)
    assert spread.share_by_chance == pytest.approx(16 / (348 / 19), rel=1e-6)
    assert (
        "counting chance explains nearly all (from 20 runs, 95 % sure: anything from a third to all)"
        in explained(spread)
    )
    # Chi-squared with 19 degrees of freedom: 8.907 and 32.852 at 2.5 and 97.5 % (tables).
    assert spread.share_lower == pytest.approx(spread.share_by_chance * 8.907 / 19, rel=1e-3)
    assert spread.share_upper == 1


def test_without_colours_the_share_lies_between_guesses_and_without_a_spread_nothing_is_said():
    gold = [5.0, 9.0, 6.0, 8.0]
    guesses = [spread_of_masses(gold, size_class=name) for name in ("flour", "fine")]
    said = explained(spread_of_masses(gold), guesses)
    # 0.10 mg and 2.6 mg a grain: 0.015 and 0.37 of the mean squared, of the 0.068 seen.
    assert "explains anything from a fifth to all: no colours were counted" in said
    assert explained(spread_of_masses(gold)) == ""
    assert explained(spread_of_masses([3.0])) == ""


@pytest.mark.parametrize("share", [-0.1, 1.1, math.nan])
def test_a_share_in_words_lies_between_nothing_and_all(share: float):
    with pytest.raises(ValueError, match="between 0 and 1"):
        share_in_words(share)


@pytest.mark.parametrize(
    ("share", "words"),
    # Each word reaches to about halfway to the next: 1/10 and 1/5, 1/4 and 1/3, 1/2 and 2/3, 2/3 and 3/4.
    [
        (0.0, "next to nothing"),
        (0.0499, "next to nothing"),
        (0.05, "a tenth"),
        (0.15, "a fifth"),
        (0.225, "a quarter"),
        (0.29, "a third"),
        (0.415, "half"),
        (0.58, "two thirds"),
        (0.71, "three quarters"),
        (0.85, "nearly all"),
        (0.9699, "nearly all"),
        (0.97, "all"),
        (1.0, "all"),
    ],
)
def test_a_share_is_said_by_the_nearest_word(share, words):
    assert share_in_words(share) == words


def test_two_runs_show_a_spread_and_one_shows_none():
    # By hand: 4 and 6 have a mean of 5 and a standard deviation of sqrt(2).
    assert spread_of_masses([4.0, 6.0]).cv_seen == pytest.approx(math.sqrt(2) / 5)
    one = spread_of_masses([4.0])
    assert one.cv_seen is None
    assert "One control run shows no spread" in one.sentence


@pytest.mark.parametrize(("runs", "few"), [(9, True), (10, False)])
def test_fewer_than_ten_runs_are_few(runs, few):
    assert ("from so few runs" in spread_of_counts([3, 9, 5, 4, 6, 2, 7, 8, 5, 6][:runs]).sentence) is few


def test_no_colours_counted_tell_no_grains():
    found = spread_of_masses([4.0, 6.0], colours={"fine": 0.0})
    assert (found.cv_chance, found.grains_per_run) == (None, None)


def test_chance_that_explains_half_the_variance_is_most_of_the_spread():
    # By hand: 6 and 14 have a mean of 10 and a variance of 32; counts of 10 vary by 10, under a third. 7 and 13: 18, over half.
    assert "comes from elsewhere" in spread_of_counts([6, 14]).sentence
    assert "most of the spread is chance" in spread_of_counts([7, 13]).sentence
