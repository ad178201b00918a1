"""Checked against the worked screen assays of fixtures/reference (c04, c05) and by the laws a bound must keep."""

import json
from decimal import Decimal
from pathlib import Path

import pytest

from prospecting.calc.value_in_use import (
    Figure,
    NoValue,
    disagrees_with_printed,
    first_value,
    is_screen_total,
    mean_value,
    method_of,
    screen_bound,
    screen_over_charge,
    screen_parts,
    screen_value,
    settle,
)

CASES = {
    case["id"]: case
    for case in json.loads(
        (Path(__file__).parents[3] / "fixtures/reference/grade_sampling_assay.json").read_text()
    )
}


def value(grade, **more) -> Figure:
    return Figure("value", grade=Decimal(str(grade)), **more)


def below(limit, **more) -> Figure:
    return Figure("below", limit=Decimal(str(limit)), **more)


def above(limit, **more) -> Figure:
    return Figure("above", limit=Decimal(str(limit)), **more)


def plus(figure_of, grade, mass_g="25.3") -> Figure:
    return figure_of(grade, fraction="plus", mass_g=Decimal(mass_g))


def minus(figure_of, grade, mass_g="974.7") -> Figure:
    return figure_of(grade, fraction="minus", mass_g=Decimal(mass_g))


class TestFirst:
    def test_is_the_first_of_the_whole(self):
        assert first_value([plus(value, 70), value(4), value(9)]).grade == 4

    def test_gives_way_to_the_re_run_that_found_how_much(self):
        assert first_value([above(10), value("12.3")]).grade == Decimal("12.3")

    def test_does_not_give_way_to_a_repeat_that_contradicts_it(self):
        found = first_value([above(10), value("9.3")])
        assert (found.symbol, found.limit) == ("above", 10)

    def test_refuses_without_any(self):
        with pytest.raises(NoValue, match="No reading of the whole sample"):
            first_value([plus(value, 70)])


class TestMean:
    def test_of_figures(self):
        assert mean_value([value(4), value(5), value(9)]).grade == 6

    def test_leaves_other_methods_out(self):
        found = mean_value([value(4, method="FA30"), value(2, method="AR"), value(6, method="FA30, repeat")])
        assert (found.grade, len(found.used)) == (5, 2)

    def test_all_below_lies_below_the_largest_limit(self):
        found = mean_value([below("0.005"), below("0.02"), below("0.01")])
        assert (found.symbol, found.grade, found.limit) == ("below", None, Decimal("0.02"))

    def test_some_above_is_a_bound_from_below(self):
        found = mean_value([above(10), value(6)])
        assert (found.symbol, found.limit) == ("above", 8)

    def test_some_below_refuses_where_it_matters(self):
        with pytest.raises(NoValue, match="is no single figure") as none:
            mean_value([value("0.04"), below("0.005")])
        assert [str(each) for each in none.value.between] == ["0.0200", "0.0225"]

    def test_some_below_is_a_figure_where_it_comes_out_the_same_with_nothing_and_with_the_limit(self):
        found = mean_value([value("5.2"), below("0.005")])
        assert (found.symbol, found.grade) == ("value", Decimal("2.6"))
        assert "to three figures" in found.note

    def test_below_and_above_together_say_nothing(self):
        with pytest.raises(NoValue, match="is not known"):
            mean_value([above(10), below("0.005")])

    @pytest.mark.parametrize("limit", ["0.001", "0.005", "0.01", "0.1", "1", "3"])
    def test_never_stands_for_zero_the_limit_or_half_of_it(self, limit):
        """Whatever lies below the limit, the mean given is right to the figures it is given with."""
        try:
            found = mean_value([value("5.2"), below(limit)]).grade
        except NoValue:
            return
        for hidden in (Decimal(0), Decimal(limit) / 2, Decimal(limit)):
            true = (Decimal("5.2") + hidden) / 2
            assert abs(true - found) <= Decimal("0.05") * found


class TestScreenFireAssay:
    def test_c05_is_put_together_from_its_parts(self):
        case = CASES["c05"]
        given, expected = case["inputs"], case["expected"]
        mass = Decimal(str(given["plus_mass_g"]))
        parts = [
            plus(value, Decimal(str(given["plus_gold_mg"])) * 1000 / mass, str(mass)),
            *(minus(value, grade, str(given["minus_mass_g"])) for grade in given["minus_assays_g_per_t"]),
        ]
        assert float(screen_value(parts).grade) == pytest.approx(expected["total_grade_g_per_t"], abs=1e-6)
        assert float(screen_parts(parts).plus_gold_mg[0]) == pytest.approx(given["plus_gold_mg"])

    def test_c04_beringers_ore_with_metallics(self):
        """Silver there, but the same arithmetic: J. J. and C. Beringer, A Text-book of Assaying (1904)."""
        given, expected = CASES["c04"]["inputs"], CASES["c04"]["expected"]
        per_t = Decimal(10**6)
        parts = [
            plus(value, Decimal(str(given["plus_metal_g"])) * per_t, str(given["plus_mass_g"])),
            minus(
                value,
                Decimal(str(given["minus_portion_metal_g"])) / Decimal(given["minus_portion_g"]) * per_t,
                str(given["minus_mass_g"]),
            ),
        ]
        assert float(screen_value(parts).grade) / 10**4 == pytest.approx(expected["total_percent"], rel=1e-6)

    def test_both_below_is_a_bound_weighted_by_mass(self):
        found = screen_value([plus(below, "0.5", "25"), minus(below, "0.01", "975")])
        assert (found.symbol, found.limit) == ("below", Decimal("0.02225"))

    def test_a_rich_plus_over_a_barren_minus_is_a_figure_where_the_rest_cannot_matter(self):
        assert screen_value([plus(value, "73.1"), minus(below, "0.01")]).grade == Decimal("1.85")

    def test_a_part_below_that_matters_refuses_and_leaves_a_bound(self):
        parts = [plus(value, 12, "20"), minus(below, "0.01", "980")]
        with pytest.raises(NoValue, match="is no single figure") as none:
            screen_value(parts)
        assert [str(each) for each in none.value.between] == ["0.240", "0.250"]
        assert (screen_bound(parts).symbol, screen_bound(parts).limit) == ("below", Decimal("0.2498"))
        assert [str(each) for each in screen_bound(parts).between] == ["0.240", "0.250"]
        assert screen_over_charge(parts) == screen_bound(parts)
        with pytest.raises(NoValue):
            screen_over_charge([*parts, value("0.3")])

    def test_above_its_limit_is_a_bound_from_below(self):
        found = screen_value([plus(above, 1000, "20"), minus(value, 2, "980")])
        assert (found.symbol, found.limit) == ("above", Decimal("21.96"))

    @pytest.mark.parametrize(
        ("parts", "sentence"),
        [
            ([], "plus fraction"),
            ([plus(value, 1)], "minus fraction"),
            ([plus(value, 1), plus(value, 2), minus(value, 1)], "assayed whole, once"),
            ([value(1, fraction="plus"), minus(value, 1)], "mass of the plus"),
            ([plus(value, 1), value(1, fraction="minus")], "mass of the minus"),
            ([plus(value, 1), minus(value, 1), minus(value, 1, "900")], "different masses"),
        ],
    )
    def test_refuses_with_what_is_missing(self, parts, sentence):
        with pytest.raises(NoValue, match=sentence):
            screen_value(parts)

    def test_a_printed_total_is_compared_beyond_rounding(self):
        found = screen_value([plus(value, "73.12"), minus(value, "3.2"), minus(value, "3.6")])
        assert not disagrees_with_printed(found, value("5.16"))
        assert disagrees_with_printed(found, value("5.40"))
        assert not disagrees_with_printed(found, above(5))

    @pytest.mark.parametrize(
        ("method", "by_screen", "expected"),
        [
            ("screen total", False, True),
            ("Au total", False, True),
            ("FA30", False, False),
            ("", True, True),
            ("30 g charge", True, False),
        ],
    )
    def test_knows_a_total_by_its_column(self, method, by_screen, expected):
        assert is_screen_total(method, by_screen=by_screen) is expected


@pytest.mark.parametrize(
    ("printed", "method"),
    [
        ("FA30, repeat", "FA30"),
        ("repeat", ""),
        ("a, b, check, duplicate", "a, b"),
        ("checked by FA", "checked by FA"),
    ],
)
def test_takes_the_mark_of_a_repeat_off_a_method(printed, method):
    assert method_of(printed) == method


class TestSettle:
    """Which rule a value stands by; the order in which rules step in is our own plain rule, no source."""

    CHARGE = (value(4), value(6))
    FRACTIONS = (plus(value, 73), minus(value, 3))
    MIXED = (value("0.04"), below("0.005"))

    @pytest.mark.parametrize(
        ("figures", "asked", "by_screen", "rule"),
        [
            (CHARGE, "", False, "first"),
            (CHARGE, "mean", False, "mean"),
            (CHARGE, "screen", False, "first"),
            (CHARGE, "", True, "first"),
            (FRACTIONS, "", False, "screen"),
            (FRACTIONS, "mean", False, "screen"),
            (FRACTIONS, "first", False, "screen"),
            ((*CHARGE, *FRACTIONS), "", False, "first"),
            ((*CHARGE, *FRACTIONS), "", True, "screen"),
            ((*CHARGE, *FRACTIONS), "first", True, "first"),
            ((*CHARGE, *FRACTIONS), "screen", False, "screen"),
            (MIXED, "mean", False, "first"),
            ((), "mean", False, "mean"),
            ((), "", True, "first"),
        ],
    )
    def test_rule(self, figures, asked, by_screen, rule):
        found = settle(figures, asked=asked, by_screen=by_screen)
        assert (found.rule, found.value is None) == (rule, not figures)
        # A reason stands beside the value just where another rule than the one asked for gives it.
        assert bool(found.why) == (rule != (asked or "first") and bool(figures))

    def test_keeps_the_range_the_rule_asked_for_leaves(self):
        found = settle(self.MIXED, asked="mean")
        assert (found.value.grade, found.between) == (Decimal("0.04"), (Decimal("0.0200"), Decimal("0.0225")))

    def test_gives_none_where_no_rule_does(self):
        found = settle([plus(value, 73)], asked="mean")
        assert (found.rule, found.value) == ("mean", None)
        assert found.why.startswith("No reading of the whole sample")


class TestBoundOfTheParts:
    def test_one_above_and_one_below_bound_nothing(self):
        with pytest.raises(NoValue, match="nothing bounds the grade"):
            screen_bound([plus(above, 1000, "20"), minus(below, "0.01", "980")])

    def test_both_below_reach_down_to_nothing(self):
        # By hand: (25 x 0.5 + 975 x 0.01) / 1000 = 0.02225 at most.
        found = screen_bound([plus(below, "0.5", "25"), minus(below, "0.01", "975")])
        assert found.between[0] == 0
        assert (found.symbol, found.limit) == ("below", Decimal("0.02225"))


@pytest.mark.parametrize(("re_run", "symbol"), [("10", "value"), ("9.99", "above")])
def test_a_reading_above_its_limit_gives_way_to_a_re_run_that_found_at_least_as_much(re_run, symbol):
    assert first_value([above(10), value(re_run)]).symbol == symbol


@pytest.mark.parametrize(
    ("read", "printed", "disagrees"),
    [
        ("10", "9.9", False),
        ("10", "9.89", True),
        ("9.9", "10", False),
        ("9.89", "10", True),
        ("0", "0", False),
    ],
)
def test_a_printed_total_may_be_one_percent_off(read, printed, disagrees):
    # One percent of the larger (our own limit for rounding), on either side.
    assert disagrees_with_printed(first_value([value(read)]), value(printed)) is disagrees


@pytest.mark.parametrize(
    ("found", "limit", "grade", "note"),
    # By hand, a mean of two: least found / 2, most (found + limit) / 2.
    [
        ("4", "0.0001", "2.00", "three figures"),
        ("3.96", "0.03", "1.98", "less than 1 %"),
        ("3.96", "0.042", "2.0", "two figures"),
        ("2.46", "0.042", None, None),
    ],
)
def test_what_hides_below_a_limit_is_told_by_how_much_it_could_add(found, limit, grade, note):
    if grade is None:
        with pytest.raises(NoValue, match="no single figure"):
            mean_value([value(found), below(limit)])
    else:
        mean = mean_value([value(found), below(limit)])
        assert mean.grade == Decimal(grade)
        assert note in mean.note


def test_two_plus_fractions_are_one_too_many():
    parts = [plus(value, 70), plus(value, 71), minus(value, 3)]
    with pytest.raises(NoValue, match="assayed whole, once, but 2"):
        screen_parts(parts)
    assert screen_parts([parts[0], parts[2]]).plus.grade == 70
