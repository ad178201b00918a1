"""Treatments against the control by place: the comparison and the verdict."""

import math

import pytest

from trials.calc.places import compare_places, judge_places, not_placed, sight_of
from trials.calc.ranks import against_control


def compared(rows, names=("water", "rinse", "soap")):
    names = list(names)[: len(rows[0])]
    return compare_places(
        [place for row in rows for place in row],
        names * len(rows),
        [number for number, row in enumerate(rows) for _ in row],
        "water",
    )


def test_with_two_pans_it_is_the_exact_rank_sum_difference():
    rows = [[2, 1]] * 7 + [[1, 2]]
    [exact] = against_control(rows, ["water", "rinse"], "water")
    assert compared(rows).of("rinse").p_adjusted == pytest.approx(exact.p_unadjusted)


def test_place_one_is_most_gold():
    found = compared([[3, 1, 2]] * 5)
    assert (found.of("rinse").blocks_higher, found.of("rinse").blocks_lower) == (5, 0)
    assert (found.of("rinse").mean, found.control_mean) == (1, 3)
    turned = compared([[1, 3, 2]] * 5)
    assert (turned.of("rinse").blocks_higher, turned.of("rinse").blocks_lower) == (0, 5)
    assert turned.of("rinse").p_adjusted == pytest.approx(found.of("rinse").p_adjusted)


def test_the_more_gold_is_called_better_and_the_less_worse():
    found = compared([[2, 1, 3]] * 5)
    assert judge_places(found, "rinse").kind == "not shown"
    found = compared([[3, 1, 2]] * 4 + [[2, 1, 3]])
    verdict = judge_places(found, "rinse")
    assert (verdict.kind, verdict.headline) == ("better", "rinse shows more gold than water.")
    assert "Before water in 5 of 5 blocks" in verdict.explanation
    assert "no ratio" in verdict.explanation
    assert judge_places(compared([[1, 3, 2]] * 5), "rinse").kind == "worse"


def test_nothing_is_ever_equivalent_by_place():
    found = compared([[1.5, 1.5]] * 60)
    verdict = judge_places(found, "rinse")
    assert verdict.kind == "not shown"
    assert "Nor does this show that the two do alike." in verdict.explanation
    assert any("no number of blocks shows two alike" in sentence for sentence in found.assumptions)
    assert found.of("rinse").p_adjusted == 1


def test_several_judges_never_count_as_more_blocks():
    # Two judges of the same 5 rows: mean places, one look a row.
    assert compared([[2, 1]] * 5).of("rinse").p_adjusted == pytest.approx(0.0625)
    assert compared([[2.0, 1.0]] * 5).blocks == 5


def test_a_failed_pan_closes_its_gap_and_a_block_without_the_control_says_nothing_of_it():
    rows = [[3, 1, 2]] * 4 + [[None, 1, 2], [2, 1, None]]
    found = compared(rows)
    rinse, soap = found.of("rinse"), found.of("soap")
    assert (rinse.blocks_compared, rinse.blocks_higher, rinse.runs) == (5, 5, 6)
    assert (soap.blocks_compared, soap.runs) == (4, 5)
    assert found.runs_left_out == 2
    assert judge_places(found, "rinse").kind == "better"


def test_the_scale_has_no_part_in_it():
    found = compared([[3, 1, 2]] * 5)
    told = " ".join(found.assumptions) + " ".join(f"{row.label} {row.formula}" for row in found.working.rows)
    assert "below the scale" not in told and "mg" not in told
    assert (found.route, found.sd_log, found.df) == ("places", None, None)


def test_too_few_pans_show_nothing():
    verdict = judge_places(compared([[2, 1]] * 2), "rinse")
    assert verdict.kind == "not shown"
    assert "2 pans of" in verdict.explanation and "6 blocks at the least" in verdict.explanation


def test_not_shown_says_what_could_have_been_seen_and_what_more_takes():
    sight = sight_of(compared([[1, 2], [2, 1]] * 5), "rinse")
    assert "8 times in 10, a treatment whose pan beats the control's in" in sight.could
    # 30 blocks by the sign test (tests of place_power), 10 are in.
    assert "20 more blocks" in sight.takes and sight.more_blocks == 20
    assert "was within its sight" in sight_of(compared([[1, 2], [2, 1]] * 20), "rinse").takes


def test_a_treatment_without_a_pan_is_not_compared():
    found = compared([[2, 1, None]] * 6)
    verdict = judge_places(found, "soap")
    assert verdict.kind == "not shown" and "No run of soap counts" in verdict.explanation
    assert judge_places(found, "rinse").kind == "better"


def test_where_nothing_was_placed_it_says_why():
    with pytest.raises(ValueError, match="control has no run"):
        compared([[None, 1]] * 3)
    verdict = not_placed("rinse", "Nobody judged", 0)
    assert verdict.explanation.startswith("Nobody judged. 3 more judged blocks")


@pytest.mark.parametrize("place", [0, -1, 0.5, math.nan, math.inf])
def test_a_place_that_is_none_is_refused(place):
    with pytest.raises(ValueError, match="places start at 1"):
        compared([[1, 2], [place, 1]])


def test_several_pans_of_one_treatment_in_a_row_are_not_reckoned_in_advance():
    found = compare_places(
        [3.0, 1.0, 2.0] * 4, ["water", "rinse", "rinse"] * 4, [n // 3 for n in range(12)], "water"
    )
    seen = sight_of(found, "rinse")
    assert "several pans of one treatment" in seen.could
    assert (seen.takes, seen.more_blocks) == ("", None)


def test_where_no_sensible_number_of_blocks_would_do_none_is_named():
    rows = [(3.0, 1.0) if number % 4 else (1.0, 3.0) for number in range(40)]
    found = compare_places(
        [value for row in rows for value in row],
        ["water", "rinse"] * 40,
        [number // 2 for number in range(80)],
        "water",
        confidence=1 - 1e-12,
    )
    seen = sight_of(found, "rinse")
    assert seen.more_blocks is None
    assert "takes more than 200 blocks" in seen.takes


@pytest.mark.parametrize(("blocks", "too_few"), [(2, True), (3, False)])
def test_three_pans_of_either_are_looked_at(blocks, too_few):
    verdict = judge_places(compared([[2, 1]] * blocks), "rinse")
    assert verdict.kind == "not shown"
    assert (f"{blocks} pans of" in verdict.explanation) is too_few


@pytest.mark.parametrize(("blocks", "kind"), [(5, "not shown"), (6, "better")])
def test_six_blocks_are_the_fewest_in_which_coming_first_shows(blocks, kind):
    # By hand: first in all of five blocks has a chance of 2/32 either way, over 5 %; in all of six 2/64.
    assert judge_places(compared([[2, 1]] * blocks), "rinse").kind == kind
    assert (
        "not even a treatment that came first" in sight_of(compared([[2, 1]] * blocks), "rinse").could
    ) is (blocks == 5)


@pytest.mark.parametrize(("blocks", "more"), [(0, 3), (2, 1), (3, 1), (9, 1)])
def test_where_nothing_was_placed_three_blocks_are_asked_for_and_one_at_least(blocks, more):
    assert not_placed("rinse", "The control has no run.", blocks).more_blocks == more
