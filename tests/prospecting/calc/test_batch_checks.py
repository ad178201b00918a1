"""Checked against the worked cases f01-f10 of fixtures/reference, scipy as a referee, and the laws of a rule set."""

import json
import math
from decimal import Decimal
from pathlib import Path

import pytest
from scipy import stats

from prospecting.calc import batch_checks
from prospecting.calc.batch_checks import Certified, Finding, Pair
from prospecting.calc.value_in_use import Figure

CASES = {
    case["id"]: case
    for case in json.loads(
        (Path(__file__).parents[3] / "fixtures/reference/grade_sampling_assay.json").read_text()
    )
}


def value(grade) -> Figure:
    return Figure("value", grade=Decimal(str(grade)))


def below(limit) -> Figure:
    return Figure("below", limit=Decimal(str(limit)))


def above(limit) -> Figure:
    return Figure("above", limit=Decimal(str(limit)))


def pairs(*both) -> list[Pair]:
    return [Pair(value(a), value(b)) for a, b in both]


def test_f10_flags_the_blanks_above_five_limits():
    given = CASES["f10"]["inputs"]
    found = [
        batch_checks.judge_blank(value(read), given["method_detection_limit_g_per_t"]).outcome == "failed"
        for read in given["field_blanks_g_per_t"]
    ]
    assert found == CASES["f10"]["expected"]["flags_above_5_dl"]


def test_f08_gives_the_z_of_iso_13528():
    given = CASES["f08"]["inputs"]
    certified = Certified(given["certified"], sd=given["sd_for_assessment"])
    found = batch_checks.judge_reference(value(given["result"]), certified)
    assert (found.outcome, found.why) == ("passed", "acceptable")
    assert found.z == pytest.approx(CASES["f08"]["expected"]["z"])


@pytest.mark.parametrize(
    ("z", "outcome", "why"),
    # ISO 13528:2015 section 9 (from memory): up to 2 acceptable, between 2 and 3 a warning, 3 and beyond an action signal.
    [
        (2.0, "passed", "acceptable"),
        (2.01, "look", "warning"),
        (-2.99, "look", "warning"),
        (3.0, "failed", "action"),
    ],
)
def test_z_scores_have_the_names_of_iso_13528(z, outcome, why):
    # Quarters, so that the score is exact.
    found = batch_checks.judge_reference(value(Decimal("8") + Decimal(str(z)) / 4), Certified(8, sd=0.25))
    assert (found.outcome, found.why) == (outcome, why)


def test_f05_signals_where_western_electric_does():
    z, expected = CASES["f05"]["inputs"]["z"], CASES["f05"]["expected"]
    found = batch_checks.signals(z)
    assert {name: [at for at, names in found.items() if name in names] for name in expected} == expected


def test_two_of_three_takes_the_side_into_account():
    certified = Certified(10, sd=1)
    assert batch_checks.judge_reference(value("12.5"), certified, [2.4, 0.1]).why == "two_of_three"
    assert batch_checks.judge_reference(value("12.5"), certified, [-2.4, 0.1]).why == "warning"
    assert batch_checks.judge_reference(value("12.5"), certified, [2.4, 0.1, 0.2]).why == "warning"


class TestDuplicates:
    def test_f02_gives_the_hard_of_each_pair(self):
        given, expected = CASES["f02"]["inputs"], CASES["f02"]["expected"]
        found = pairs(*zip(given["first_g_per_t"], given["second_g_per_t"], strict=True))
        assert [100 * pair.hard for pair in found] == pytest.approx(expected["hard_percent"])
        told = batch_checks.precision_of(found, "pulp")
        assert 100 * told.cv == pytest.approx(expected["cv_log_method_percent"])
        assert 100 * told.share_within == pytest.approx(expected["percent_of_pairs_at_or_below_10"])

    @pytest.mark.parametrize("number", [1, 2])
    @pytest.mark.parametrize("stage", ["pulp", "coarse"])
    def test_one_or_two_pairs_fail_and_pass_nobody(self, stage, number):
        wide = batch_checks.judge_duplicates(stage, pairs(*[(1, 9)] * number), 0.005).finding
        close = batch_checks.judge_duplicates(stage, pairs(*[(1, 1)] * number), 0.005).finding
        assert (wide.outcome, close.outcome) == ("look", "not judged")
        assert batch_checks.state_of([wide]) == batch_checks.state_of([close]) == "none"

    @pytest.mark.parametrize(
        ("outside", "number", "outcome"),
        [
            (0, 3, "passed"),
            (1, 3, "look"),
            (2, 3, "failed"),
            (2, 10, "look"),
            (4, 10, "failed"),
            (3, 10, "look"),
        ],
    )
    def test_fails_where_so_many_outside_are_rare(self, outside, number, outcome):
        both = [(1, 3)] * outside + [(2, "2.1")] * (number - outside)
        found = batch_checks.judge_duplicates("pulp", pairs(*both), 0.005)
        chance = stats.binom.sf(outside - 1, number, 0.1)
        assert batch_checks.chance_of_so_many(outside, number, 0.1) == pytest.approx(chance)
        assert (found.finding.outcome, found.finding.outcome == "failed") == (outcome, chance < 0.05)

    @pytest.mark.parametrize(("outside", "number"), [(0, 4500), (450, 4500), (520, 4500), (4500, 4500)])
    def test_the_chance_holds_for_thousands_of_pairs(self, outside, number):
        found = batch_checks.chance_of_so_many(outside, number, 0.1)
        assert found == pytest.approx(stats.binom.sf(outside - 1, number, 0.1), rel=1e-6)

    def test_field_pairs_never_fail_a_laboratory(self):
        assert batch_checks.judge_duplicates("field", pairs(*[(1, 30)] * 20), 0.005).finding.outcome == "look"

    def test_pairs_near_the_limit_are_left_out(self):
        found = batch_checks.judge_duplicates("pulp", pairs(("0.006", "0.02"), (2, 2)), 0.005)
        assert (found.judged, found.near_limit) == (1, 1)

    def test_pairs_of_which_one_side_is_only_a_bound_are_counted_apart(self):
        both = [Pair(above(10), value(12)), *pairs(("0.006", "0.02"), (2, 2))]
        found = batch_checks.judge_duplicates("pulp", both, 0.005)
        assert (found.judged, found.near_limit, found.bounds) == (1, 1, 1)

    @pytest.mark.parametrize(
        ("first", "second", "least"),
        [
            (below("0.5"), value(1), 1 / 3),
            (value(1), below("0.5"), 1 / 3),
            (below(1), value("0.5"), 0),
            (below("0.5"), below(1), 0),
            (above(10), value(5), 1 / 3),
            (value(12), above(10), 0),
            (above(10), below("0.5"), 9.5 / 10.5),
            (above(10), above(20), 0),
        ],
    )
    def test_a_bound_lies_outside_only_where_it_must(self, first, second, least):
        assert Pair(first, second).least_hard == pytest.approx(least)

    def test_a_pair_of_nothing_has_no_relative_difference(self):
        assert Pair(value(0), value(0)).hard is None


class TestReferenceWithoutSd:
    @pytest.mark.parametrize(
        ("read", "plus_minus", "outcome"),
        [
            ("5.1", 0.2, "passed"),
            ("5.5", 0.2, "not judged"),
            ("6.1", 0.2, "failed"),
            ("5.1", None, "not judged"),
            ("3.9", None, "failed"),
        ],
    )
    def test_is_judged_by_its_plus_or_minus_only(self, read, plus_minus, outcome):
        found = batch_checks.judge_reference(value(read), Certified(5, plus_minus=plus_minus))
        assert (found.rule, found.outcome) == ("reference_without_sd", outcome)

    @pytest.mark.parametrize(
        ("figure", "outcome"),
        [
            (below("0.005"), "failed"),
            (below(5), "not judged"),
            (above(4), "not judged"),
            (above(10), "failed"),
        ],
    )
    def test_a_bound_fails_only_where_it_cannot_be_right(self, figure, outcome):
        for certified in (Certified(5, sd=0.2), Certified(5)):
            assert batch_checks.judge_reference(figure, certified).outcome == outcome


class TestBias:
    def test_f09_against_the_expanded_uncertainty_of_the_difference(self):
        given, expected = CASES["f09"]["inputs"], CASES["f09"]["expected"]
        found = batch_checks.bias_of(given["results"], given["certified"], given["u_certified"])
        assert found.difference == pytest.approx(expected["difference"])
        assert found.expanded_uncertainty == pytest.approx(expected["expanded_uncertainty_of_difference"])
        assert found.is_significant is expected["significant"]

    def test_is_not_told_from_few_or_equal_results(self):
        assert batch_checks.bias_of([1, 2, 3, 4, 5], 3, None) is None
        assert batch_checks.bias_of([3] * 9, 3, None) is None

    @pytest.mark.parametrize(
        ("kind", "expected"),
        [("confidence_95", 0.1), ("expanded", 0.1), ("one_sd", None), ("two_sd", None), ("unsaid", None)],
    )
    def test_only_some_kinds_of_plus_or_minus_tell_how_well_a_mean_is_known(self, kind, expected):
        assert batch_checks.certified_uncertainty(0.2, kind) == expected


@pytest.mark.parametrize("number", [5, 8, 20, 100])
def test_the_interval_of_a_precision_is_that_of_chi_square(number):
    found = batch_checks.precision_of(pairs(*[(10, "10.8")] * number), "pulp")
    log_sd = math.log1p(found.cv)
    low, high = (
        math.expm1(log_sd * math.sqrt(number / stats.chi2.ppf(point, number))) for point in (0.975, 0.025)
    )
    assert (found.low, found.high) == pytest.approx((low, high), rel=0.025)
    assert found.low < found.cv < found.high


def test_a_precision_needs_five_pairs_with_figures():
    assert batch_checks.precision_of(pairs(*[(1, 2)] * 4) + [Pair(value(1), below(2))], "pulp") is None


@pytest.mark.parametrize(
    ("outcomes", "state"),
    [
        ([], "none"),
        ([("not judged", "no_limit")], "none"),
        ([("look", "few")], "none"),
        ([("look", "field"), ("not judged", "between")], "none"),
        ([("look", "warning")], "passed"),
        ([("passed", "below"), ("not judged", "few")], "passed"),
        ([("passed", "below"), ("failed", "action")], "failed"),
    ],
)
def test_the_state_of_a_return(outcomes, state):
    assert batch_checks.state_of([Finding("x", outcome, why) for outcome, why in outcomes]) == state


def test_every_rule_names_its_source():
    assert all(rule.source and rule.sentence for rule in batch_checks.RULES)


def test_days_taken():
    found = batch_checks.turnaround([12, 20, 31, 14], [-3, 4, None, 0])
    assert (found.median, found.shortest, found.longest, found.late, found.with_day) == (17, 12, 31, 1, 3)
    assert batch_checks.turnaround([], []) is None


@pytest.mark.parametrize(("first", "second"), [(below("0.1"), value(2)), (value(2), above(10))])
def test_a_bound_has_no_mean_and_no_difference(first, second):
    assert Pair(first, second).mean is None
    assert Pair(first, second).difference is None
    assert Pair(value(2), value(4)).mean == 3
    assert Pair(value(2), value(4)).difference == 2


def test_no_score_without_a_standard_deviation_between_laboratories():
    with pytest.raises(ValueError, match="no standard deviation"):
        batch_checks.z_scores([5.1], Certified(5, plus_minus=0.2))


@pytest.mark.parametrize(
    ("grade", "outcome", "why"),
    # Common practice, no source: looked at above the detection limit, failed above five times that. Halves are exact in binary.
    [
        ("0.5", "passed", "within"),
        ("0.51", "look", "over_limit"),
        ("2.5", "look", "over_limit"),
        ("2.51", "failed", "over_factor"),
    ],
)
def test_a_blank_on_a_limit_is_not_above_it(grade, outcome, why):
    found = batch_checks.judge_blank(value(grade), 0.5)
    assert (found.outcome, found.why) == (outcome, why)


@pytest.mark.parametrize(
    ("grade", "outcome"),
    # ISO 13528:2015 section 9 (from memory): |z| up to 2 acceptable, 3 and beyond an action signal, on either side. An sd of 1/4.
    [
        ("7.5", "passed"),
        ("7.49", "look"),
        ("7.25", "failed"),
        ("7.26", "look"),
        ("8.75", "failed"),
        ("8.74", "look"),
    ],
)
def test_a_score_is_judged_alike_on_both_sides_and_at_its_limits(grade, outcome):
    assert batch_checks.judge_reference(value(grade), Certified(8, sd=0.25)).outcome == outcome


@pytest.mark.parametrize(
    ("figure", "certified", "outcome"),
    [
        # An action signal is 3 sd and beyond: "below 7.25" is wholly there, "below 7.26" may be short of it.
        (below("7.25"), Certified(8, sd=0.25), "failed"),
        (below("7.26"), Certified(8, sd=0.25), "not judged"),
        (above("8.75"), Certified(8, sd=0.25), "failed"),
        (above("8.74"), Certified(8, sd=0.25), "not judged"),
        # Without an sd: off by more than 20 % (the USGS method named in the rule), or inside the plus or minus.
        (below(4), Certified(5), "failed"),
        (below("4.01"), Certified(5), "not judged"),
        (above(6), Certified(5), "failed"),
        (above("5.99"), Certified(5), "not judged"),
        (value(6), Certified(5), "not judged"),
        (value("6.01"), Certified(5), "failed"),
        (value("3.99"), Certified(5), "failed"),
        (value("5.25"), Certified(5, plus_minus=0.25), "passed"),
        (value("4.75"), Certified(5, plus_minus=0.25), "passed"),
        (value("5.26"), Certified(5, plus_minus=0.25), "not judged"),
    ],
)
def test_a_reference_material_is_judged_at_its_limits_as_beside_them(figure, certified, outcome):
    assert batch_checks.judge_reference(figure, certified).outcome == outcome


@pytest.mark.parametrize(
    ("stage", "first", "second", "outside"),
    # |a - b| / (a + b) by hand: 2/20, 2/10 and 6/20 lie on the limits of 10, 20 and 30 % (common practice, no source).
    [
        ("pulp", 9, 11, 0),
        ("pulp", 9, "11.01", 1),
        ("coarse", 4, 6, 0),
        ("coarse", 4, "6.01", 1),
        ("field", 7, 13, 0),
        ("field", 7, "13.01", 1),
    ],
)
def test_a_pair_on_its_limit_lies_within_it(stage, first, second, outside):
    assert batch_checks.judge_duplicates(stage, pairs((first, second)), None).outside == outside


@pytest.mark.parametrize(("outside", "outcome"), [(0, "passed"), (1, "passed"), (2, "look")])
def test_nine_pairs_of_ten_within_are_enough(outside, outcome):
    found = batch_checks.judge_duplicates(
        "pulp", pairs(*[(1, 3)] * outside, *[(2, 2)] * (10 - outside)), None
    )
    assert found.finding.outcome == outcome


@pytest.mark.parametrize(("richer", "judged"), [("2.5", 1), ("2.49", 0)])
def test_a_pair_tells_from_five_detection_limits_up(richer, judged):
    found = batch_checks.judge_duplicates("pulp", pairs(("0.5", richer)), 0.5)
    assert (found.judged, found.near_limit) == (judged, 1 - judged)


@pytest.mark.parametrize(
    ("first", "judged", "bounds"), [(below("4.4"), 1, 0), (below("4.5"), 0, 1), (below("4.6"), 0, 1)]
)
def test_a_bound_counts_where_it_must_lie_outside_and_tells_nothing_on_the_limit(first, judged, bounds):
    # By hand: (5.5 - 4.5) / (5.5 + 4.5) is 10 %.
    found = batch_checks.judge_duplicates("pulp", [Pair(first, value("5.5"))], None)
    assert (found.judged, found.outside, found.bounds) == (judged, judged, bounds)


def test_a_bias_is_told_from_six_results():
    six = [3.1, 2.9, 3.2, 3.0, 3.1, 2.8]
    assert batch_checks.bias_of(six, 3, None).difference == pytest.approx(0.1 / 6)
    assert batch_checks.bias_of(six[:5], 3, None) is None


def test_a_day_late_is_late_and_the_day_itself_is_in_time():
    assert batch_checks.turnaround([5, 6, 7], [-1, 0, 1]).late == 1


def test_a_limit_at_nothing_is_no_limit():
    # Two sds below the centre lie at nothing, three below it.
    assert batch_checks.control_limits(2.0, 1.0) == [(2.0, 4.0), (3.0, 5.0)]
