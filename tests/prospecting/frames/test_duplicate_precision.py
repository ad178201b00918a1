"""The published pairs of case f03 through the page's own code, and what is said where there are too few or they tell nothing."""

import json
from decimal import Decimal
from pathlib import Path

import pytest

from prospecting.calc.value_in_use import Figure
from prospecting.frames.duplicate_precision import precision_by_grade
from prospecting.frames.laboratories import StageHistory
from prospecting.models import Sample
from prospecting.models.check_evidence import CheckRow

CASES = {
    case["id"]: case
    for case in json.loads(
        (Path(__file__).parents[3] / "fixtures/reference/grade_sampling_assay.json").read_text()
    )
}


def stage_of(first, second, printed=()) -> StageHistory:
    rows = [
        CheckRow(
            sample=Sample(tag=f"B{n}", duplicate_of=Sample(tag=f"A{n}")),
            assay_return=None,
            figure=Figure("value", Decimal(str(b))),
            partner=Figure("value", Decimal(str(a))),
        )
        for n, (a, b) in enumerate(zip(first, second, strict=True))
    ]
    return StageHistory("pulp", "Pulp duplicates", len(rows), None, "", "", rows, printed)


def found_of(first, second, *, unit="g_per_t", printed=()):
    (found,) = precision_by_grade([stage_of(first, second, printed)], grade_unit=unit)
    return found


class TestPublishedPairs:
    """Case f03: published pairs, line computed with numpy and scipy; M. Thompson and R. J. Howarth, Analyst 101 (1976) 690."""

    inputs, expected = CASES["f03"]["inputs"], CASES["f03"]["expected"]

    def test_line_and_groups(self):
        found = found_of(self.inputs["first"], self.inputs["second"])
        assert [each.mean for each in found.groups] == pytest.approx(self.expected["group_mean"])
        assert [each.median for each in found.groups] == pytest.approx(
            self.expected["group_median_abs_difference"]
        )
        # 2 x 0.66267 / (1 - 2 x 0.05103) = 1.47598, reckoned by hand from the expected figures of the case.
        assert found.limit_words.startswith("Estimate of the detection limit: 1.48 g/t")
        assert "No group of pairs lies that low" in found.limit_words
        # 0.66267 + 0.05103 x 9.9545 = 1.1707; at 471.15 it is 24.706.
        assert "about 1.17 g/t at 9.95 g/t and 24.7 g/t at 471 g/t" in found.sentence
        # 2 x 1.1707 / 9.9545 = 0.2352.
        assert found.groups[0].share_words == "23.5 %"
        assert len(found.pairs) == 58
        assert any("3 of the richest pairs fill no group" in each for each in found.working.assumptions)

    def test_in_ounces(self):
        found = found_of(
            self.inputs["first"], self.inputs["second"], unit="ozt_per_short_ton", printed=[0.01]
        )
        assert "g/t" not in found.sentence + found.limit_words
        # 1.47598 g/t over 34.2857 g/t to the troy ounce per short ton (NIST Handbook 44, appendix C).
        assert "0.043 troy" in found.limit_words
        assert "The certificates print 0.000292" in found.limit_words


class TestTooLittle:
    def test_counts_what_is_missing(self):
        assert (
            found_of([1.0], [1.1]).missing
            == "1 pair with two figures is there; the line is drawn from 50 on."
        )
        found = found_of([1.0 + n for n in range(49)], [1.1 + n for n in range(49)])
        assert found.missing.startswith("49 pairs with two figures are there")
        assert (found.line, found.groups) == (None, ())

    def test_all_of_one_grade_draw_no_line(self):
        assert "no line can be drawn" in found_of([1.0] * 55, [1.2] * 55).missing

    def test_nothing_at_all_is_left_out(self):
        assert precision_by_grade([stage_of([], [])], grade_unit="g_per_t") == []

    def test_a_line_below_nothing_tells_no_limit_and_says_so_at_its_group(self):
        grades = [1.0 + n for n in range(55)]
        # |d| = 0.4 x grade - 3, no smaller than a tenth: a hook that pulls the line below nothing at the poor end.
        found = found_of(grades, [g + max(0.1, 0.4 * g - 3) for g in grades])
        assert found.line.sd_intercept < 0
        assert found.limit_words.startswith(
            "They tell no detection limit: the line passes through nothing, or below"
        )
        # The poorest eleven: grades 1 to 11, middle difference 0.1, so 1.0484 x 0.1, over a mean of about 6.2.
        assert (
            "has a standard deviation of about 0.105 g/t by itself; two of these are 3." in found.limit_words
        )
        assert found.groups[0].sd_words == "the line is below nothing here"
        assert "passes below nothing" in found.sentence

    def test_too_wild_at_any_grade(self):
        grades = [1.0 + n for n in range(55)]
        found = found_of(grades, [2.5 * g + 1 for g in grades])
        assert "exceed the grade itself at any grade" in found.limit_words

    def test_no_growth_is_said(self):
        grades = [1.0 + n for n in range(55)]
        found = found_of(grades, [g + 1 for g in grades])
        assert found.sentence.startswith("No growth with the grade is seen from 6.5 g/t")
