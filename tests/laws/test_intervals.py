"""Whatever the data: a surer interval is a wider one that holds the less sure one, and a level that is none is refused."""

import math
import re
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from prospecting.calc import censored, colours, method_comparison, sampling, skewed_grades, trend
from trials.calc import comparison, counts, equivalence, paired, variance
from trials.calc.simultaneous import critical_t, critical_t_balanced

gold_mg = st.floats(0.05, 80)
few_counts = st.integers(0, 60)
LEVELS = (0.5, 0.8, 0.9, 0.95, 0.99)


def trial(masses) -> tuple[list[float], list[str], list[int]]:
    """Runs of three treatments in blocks, from a flat list whose length is a multiple of three."""
    blocks = len(masses) // 3
    return (
        masses[: 3 * blocks],
        ["water", "rinse", "soap"] * blocks,
        [b for b in range(blocks) for _ in range(3)],
    )


def varied(masses) -> bool:
    return np.std(np.log(masses)) > 0.01


def of_treatments(found: comparison.ControlComparison) -> Iterator[tuple[float, float]]:
    for entry in found.treatments:
        yield (
            0.0 if entry.lower is None else entry.lower,
            math.inf if entry.upper is None else entry.upper,
        )


def both(interval) -> list[tuple[float, float]]:
    return [(interval.low, interval.high)]


# Each takes data and a level, and gives its intervals as (low, high).
OF_MASSES = {
    "trial by mass": lambda mg, level: list(
        of_treatments(comparison.compare_with_control(*trial(mg), "water", confidence=level))
    ),
    "trial as the site judges it": lambda mg, level: list(
        of_treatments(comparison.compare_gold(*trial(mg), "water", confidence=level))
    ),
    "paired ratio": lambda mg, level: [
        (found.lower, found.upper) for found in [paired.paired_ratio(mg[::2], mg[1::2], confidence=level)]
    ],
    "group means": lambda mg, level: [
        (found.lower[name], found.upper[name])
        for found in [variance.mean_intervals({"a": mg[::2], "b": mg[1::2]}, level)]
        for name in "ab"
    ],
    "difference in blocks": lambda mg, level: [
        (-found.ci_half_width_difference, found.ci_half_width_difference)
        for found in [variance.in_blocks({"a": mg[::2], "b": mg[1::2]}, level)]
    ],
    "Sen's slope": lambda mg, level: both(trend.sen_slope(range(len(mg)), mg, level).interval),
    "limits of agreement": lambda mg, level: both(
        method_comparison.limits_of_agreement(mg[::2], mg[1::2], level=level).mean_interval
    ),
    "apparent recovery": lambda mg, level: both(
        method_comparison.apparent_recovery(mg[::2], mg[1::2], level).interval
    ),
    "bootstrap of the mean": lambda mg, level: both(
        skewed_grades.bootstrap_mean(mg, np.random.default_rng(7), level=level, resamples=1000).percentile
    ),
    "upper limit by Student": lambda mg, level: [(0.0, skewed_grades.student_upper_limit(mg, level))],
}
OF_COUNTS = {
    "count of grains": lambda n, level: both(sampling.count_interval(n[0], level)),
    "count by exposure": lambda n, level: [
        (found.lower, found.upper) for found in [counts.count_interval(n[0], 2.5, level)]
    ],
    "two counts": lambda n, level: both(sampling.compare_counts(n[0] + 1, n[1], 1.0, 2.0, level).interval),
    "two rates": lambda n, level: [
        (found.ratio_lower, math.inf if found.ratio_upper is None else found.ratio_upper)
        for found in [counts.compare_two_counts(n[0] + 1, n[1], 1.0, 2.0, level)]
    ],
    "gold of colours": lambda n, level: both(colours.gold_interval_mg(n[:3], [6.0, 2.0, 0.3], level)),
    "trial by colours": lambda n, level: list(
        of_treatments(comparison.compare_counts(*trial(n), "water", confidence=level))
    ),
    "share above a limit": lambda n, level: [(0.0, censored.upper_share_above(n[0], n[0] + n[1] + 1, level))],
}


def check_nested(intervals, data):
    narrower = None
    for level in LEVELS:
        wider = intervals(data, level)
        for low, high in wider:
            assert low <= high
        if narrower is not None:
            for (low, high), (low_in, high_in) in zip(wider, narrower, strict=True):
                slack = 1e-9 * max(1.0, abs(low_in), abs(high_in) if math.isfinite(high_in) else 1.0)
                assert low <= low_in + slack
                assert high >= high_in - slack
        narrower = wider


@pytest.mark.parametrize("name", OF_MASSES)
@settings(max_examples=15, deadline=None)
@given(mg=st.lists(gold_mg, min_size=12, max_size=18))
def test_a_surer_interval_of_weighed_gold_holds_the_less_sure_one(name, mg):
    mg = mg[: len(mg) // 6 * 6]
    assume(varied(mg) and varied([a / b for a, b in zip(mg[::2], mg[1::2], strict=True)]))
    check_nested(OF_MASSES[name], mg)


@pytest.mark.parametrize("name", OF_COUNTS)
@settings(max_examples=25, deadline=None)
@given(seen=st.lists(few_counts, min_size=12, max_size=12))
def test_a_surer_interval_of_counted_colours_holds_the_less_sure_one(name, seen):
    check_nested(OF_COUNTS[name], seen)


@pytest.mark.parametrize("level", [0, 1, 95, -0.05, math.nan])
@pytest.mark.parametrize(
    ("call", "data"),
    [
        *(
            (call, [3.1, 2.0, 4.4, 5.0, 1.2, 3.3, 2.8, 6.1, 2.2, 4.0, 3.7, 2.9])
            for call in OF_MASSES.values()
        ),
        *((call, [3, 2, 4, 5, 1, 3, 8, 6, 2, 4, 7, 9]) for call in OF_COUNTS.values()),
    ],
    ids=[*OF_MASSES, *OF_COUNTS],
)
def test_a_level_that_is_none_is_refused(call, data, level):
    with pytest.raises(ValueError, match=f"(level|confidence).*{re.escape(str(level))}"):
        call(data, level)


@given(st.integers(1, 12), st.integers(2, 200), st.floats(0.5, 0.995))
@settings(max_examples=40, deadline=None)
def test_judging_more_treatments_or_surer_asks_more(compared, df, confidence):
    here = critical_t_balanced(compared, df, confidence)
    assert here < critical_t_balanced(compared + 1, df, confidence)
    assert here < critical_t_balanced(compared, df, confidence + 0.004)
    assert here > critical_t_balanced(compared, df + 1, confidence)
    # Never more than sharing the error out (Bonferroni), never less than judging one alone.
    alone, shared = (critical_t(np.eye(1), df, 1 - (1 - confidence) / number) for number in (1, compared))
    assert alone - 1e-9 <= here <= shared + 1e-9


@given(
    st.floats(-2, 2),
    st.floats(0.01, 1),
    st.integers(2, 60),
    st.floats(0.05, 1.5),
    st.sampled_from([0.01, 0.05, 0.1, 0.2]),
)
def test_equivalent_is_the_interval_inside_the_margins(difference, se, df, margin, alpha):
    # Schuirmann 1987: both one-sided tests reject when the 1 - 2 alpha interval lies inside the margins.
    found = equivalence.two_one_sided(difference, se, df, -margin, margin, alpha)
    gap = min(found.ci_lower_1_minus_2alpha + margin, margin - found.ci_upper_1_minus_2alpha)
    assume(abs(gap) > 1e-9)
    assert found.equivalent == (gap > 0)
    mirrored = equivalence.two_one_sided(-difference, se, df, -margin, margin, alpha)
    assert mirrored.p_tost == pytest.approx(found.p_tost)
