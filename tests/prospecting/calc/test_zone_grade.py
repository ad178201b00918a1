import datetime
import random
from dataclasses import replace
from decimal import Decimal

import pytest

from prospecting.calc.grade import grade_g_per_t
from prospecting.calc.zone_grade import (
    ASSAY,
    PAN,
    Between,
    MeanGrade,
    Result,
    mean_day,
    mean_grade,
    recovery_between,
    total_share,
)

DAY = datetime.date(2026, 5, 3)


def result(grade=None, *, below=None, above=None, mass="454", share="1", kind=PAN) -> Result:
    limit = below or above
    return Result(
        kind=kind,
        lot="BRK-47-T",
        day=DAY,
        first_day=DAY,
        last_day=DAY,
        share=Decimal(share),
        grade_g_per_t=None if grade is None else Decimal(grade),
        limit_g_per_t=None if limit is None else Decimal(limit),
        is_below=below is not None,
        is_above=above is not None,
        mass_g=Decimal(mass),
        label="",
    )


def test_the_mean_is_weighted_by_mass_as_in_the_reference_blend():
    # fixtures/reference/grade_sampling_assay.json, case c01: 12, 5 and 3 kg of 2.4, 11.0 and 0.35 g/t (unweighted: 4.583...).
    mean = mean_grade([result("2.4", mass="12000"), result("11.0", mass="5000"), result("0.35", mass="3000")])
    assert mean == MeanGrade(Decimal("4.2425"), Decimal("4.2425"))
    assert mean.is_exact


def test_the_mean_of_whole_lots_is_the_pooled_gold_over_the_pooled_mass():
    rng = random.Random(7)
    pans = [(Decimal(rng.randint(1, 400)) / 10, Decimal(rng.randint(200, 900))) for _ in range(12)]
    mean = mean_grade([result(grade_g_per_t(gold, mass), mass=str(mass)) for gold, mass in pans])
    pooled = grade_g_per_t(sum(gold for gold, _ in pans), sum(mass for _, mass in pans))
    assert mean.low_g_per_t == pytest.approx(pooled)


def test_a_share_counts_like_so_much_less_mass():
    shared = mean_grade([result("8", share="0.25"), result("2", share="1")])
    assert shared == mean_grade([result("8", mass="113.5"), result("2")])
    assert shared.low_g_per_t == Decimal("3.2")


def test_a_result_below_its_limit_spans_from_nothing_to_the_limit():
    mean = mean_grade([result("6"), result(below="0.5")])
    assert mean == MeanGrade(Decimal("3"), Decimal("3.25"))
    assert not mean.is_exact


def test_all_below_their_limits_have_a_mean_between_nothing_and_the_mean_limit():
    assert mean_grade([result(below="0.2"), result(below="0.4")]) == MeanGrade(Decimal(0), Decimal("0.3"))


def test_a_result_above_its_limit_leaves_no_upper_bound():
    assert mean_grade([result("4", kind=ASSAY), result(above="10", kind=ASSAY)]) == MeanGrade(
        Decimal(7), None
    )


def test_the_true_mean_lies_between_the_bounds_whatever_the_hidden_values_are():
    rng = random.Random(11)
    known = [result("5"), result("0.8"), result("2.2", mass="300")]
    hidden = [result(below="0.6"), result(below="0.3", mass="900")]
    bounds = mean_grade(known + hidden)
    for _ in range(50):
        found = [
            replace(
                each,
                grade_g_per_t=each.limit_g_per_t * rng.randint(0, 100) / 100,
                limit_g_per_t=None,
                is_below=False,
            )
            for each in hidden
        ]
        assert bounds.low_g_per_t <= mean_grade(known + found).low_g_per_t <= bounds.high_g_per_t


def test_no_result_has_no_mean():
    with pytest.raises(ValueError, match="weights sum to nothing"):
        mean_grade([])


@pytest.mark.parametrize(
    ("panned", "assayed", "expected"),
    [
        ((3, 3), (4, 4), (Decimal("0.75"), Decimal("0.75"))),
        ((3, 4), (5, 8), (Decimal("0.375"), Decimal("0.8"))),
        # Nobody knows how much the assay is at most: the recovery may be next to nothing.
        ((3, 3), (10, None), (None, Decimal("0.3"))),
        # The assay may be nothing at all: the recovery has no upper bound.
        ((3, 3), (0, 2), (Decimal("1.5"), None)),
        ((3, 3), (0, 0), (None, None)),
        ((0, 1), (4, 4), (Decimal(0), Decimal("0.25"))),
    ],
)
def test_the_apparent_recovery_keeps_both_bounds(panned, assayed, expected):
    def mean(bounds):
        return MeanGrade(*(None if bound is None else Decimal(bound) for bound in bounds))

    assert recovery_between(mean(panned), mean(assayed)) == Between(*expected)


def test_the_mean_day_follows_the_shares():
    days = [(datetime.date(2026, 4, 1), Decimal("0.9")), (datetime.date(2026, 4, 11), Decimal("0.1"))]
    assert mean_day(days) == datetime.date(2026, 4, 2)
    assert mean_day(list(reversed(days))) == datetime.date(2026, 4, 2)


def test_a_single_day_stays_that_day_whatever_its_share():
    assert mean_day([(DAY, Decimal("0.000000000001"))]) == DAY


@pytest.mark.parametrize(
    ("shares", "total"),
    [
        ([], 0),
        ([Decimal("0.4"), Decimal("0.6")], 1),
        # What floats add beyond the whole is rounding, up to a billionth.
        ([0.7, 0.2, 0.1 + 1e-10], 1.0),
        ([0.7, 0.2], pytest.approx(0.9)),
    ],
)
def test_digs_together_make_up_so_much_of_a_lot(shares, total):
    assert total_share(shares) == total


@pytest.mark.parametrize(
    "shares", [[Decimal("0.5"), Decimal("0.500000001")], [0.5, 0.5 + 2e-9], [Decimal("-0.1")]]
)
def test_digs_never_make_up_more_than_the_lot_or_less_than_nothing(shares):
    with pytest.raises(ValueError, match="between nothing and the whole"):
        total_share(shares)
