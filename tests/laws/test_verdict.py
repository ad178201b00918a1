"""Whatever the runs: turning every ratio over turns better into worse and changes nothing else, and no unit changes a verdict.

`compare_with_control` works on logarithms, so every run may be turned over; `compare_gold`, which the site judges by, holds
only that the control and the treatment may change places.
"""

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from trials.calc.comparison import (
    BELOW_SCALE,
    compare_counts,
    compare_gold,
    compare_ranks,
    compare_with_control,
)
from trials.calc.verdict import flags, judge

WATER, RINSE, SOAP = "water", "rinse", "soap"
NAMES = (WATER, RINSE, SOAP)
MIRRORED = {"better": "worse", "worse": "better", "equivalent": "equivalent", "not shown": "not shown"}
logs = st.floats(-2, 2)


@st.composite
def trials(draw):
    """Logarithms of runs: blocks, an effect of each treatment, scatter; from plain noise to plain effects."""
    blocks = draw(st.integers(3, 6))
    effects = [0.0, draw(logs), draw(logs)]
    scatter = draw(st.sampled_from([0.02, 0.1, 0.5]))
    return [
        (effect + base + scatter * draw(st.floats(-1, 1)), name, block)
        for block in range(blocks)
        for base in [draw(st.floats(-1, 1))]
        for effect, name in zip(effects, NAMES, strict=True)
    ]


def unlike(runs) -> bool:
    return len({round(log, 9) for log, _, _ in runs}) == len(runs)


def compared(runs, sign=1.0, unit=1.0, by=compare_with_control):
    return by(
        [unit * math.exp(sign * log) for log, _, _ in runs],
        [name for _, name, _ in runs],
        [b for _, _, b in runs],
        WATER,
    )


@given(trials(), st.floats(1.05, 2))
@settings(max_examples=60, deadline=None)
def test_turning_every_ratio_over_turns_better_into_worse(runs, smallest):
    assume(unlike(runs))
    there, back = compared(runs), compared(runs, sign=-1)
    for name in (RINSE, SOAP):
        one, other = judge(there, name, smallest), judge(back, name, smallest)
        assert other.kind == MIRRORED[one.kind]
        assert other.ratio == pytest.approx(1 / one.ratio)
        assert (other.lower, other.upper) == pytest.approx((1 / one.upper, 1 / one.lower))
        assert other.within_margin == one.within_margin
        assert other.detectable_ratio == pytest.approx(one.detectable_ratio)
        assert other.more_blocks == one.more_blocks
        assert there.of(name).p_adjusted == pytest.approx(back.of(name).p_adjusted, abs=1e-9)


@given(trials())
@settings(max_examples=40, deadline=None)
def test_turning_every_place_over_turns_better_into_worse(runs):
    assume(unlike(runs))
    there, back = compared(runs, by=compare_ranks), compared(runs, sign=-1, by=compare_ranks)
    for name in (RINSE, SOAP):
        assert judge(back, name, 1.5).kind == MIRRORED[judge(there, name, 1.5).kind]
        assert there.of(name).blocks_higher == back.of(name).blocks_lower
        assert there.of(name).p_adjusted == pytest.approx(back.of(name).p_adjusted, abs=1e-12)


@pytest.mark.parametrize("by", [compare_with_control, compare_gold])
@given(runs=trials(), smallest=st.floats(1.05, 2))
@settings(max_examples=30, deadline=None)
def test_control_and_treatment_change_places_and_better_becomes_worse(by, runs, smallest):
    pair = [run for run in runs if run[1] != SOAP]
    assume(unlike(pair))
    swapped = [(log, {WATER: RINSE, RINSE: WATER}[name], block) for log, name, block in pair]
    one, other = (judge(compared(each, by=by), RINSE, smallest) for each in (pair, swapped))
    assert other.kind == MIRRORED[one.kind]
    assert other.ratio == pytest.approx(1 / one.ratio, rel=1e-4)
    assert (other.lower, other.upper) == pytest.approx((1 / one.upper, 1 / one.lower), rel=1e-4)


@pytest.mark.parametrize("by", [compare_with_control, compare_gold])
@given(runs=trials(), unit=st.sampled_from([0.001, 64.79891, 1000.0]), smallest=st.floats(1.05, 2))
@settings(max_examples=30, deadline=None)
def test_no_unit_and_no_order_of_entry_changes_a_verdict(by, runs, unit, smallest):
    assume(unlike(runs))
    plain, other = compared(runs, by=by), compared(runs[::-1], unit=unit, by=by)
    for name in (RINSE, SOAP):
        one, again = judge(plain, name, smallest), judge(other, name, smallest)
        assert again.kind == one.kind
        assert again.headline == one.headline
        assert (again.ratio, again.lower, again.upper) == pytest.approx(
            (one.ratio, one.lower, one.upper), rel=1e-4
        )


@given(trials(), st.integers(0, 8))
@settings(max_examples=40, deadline=None)
def test_below_the_scale_only_the_order_within_blocks_counts(runs, hidden):
    assume(unlike(runs))
    values = [math.exp(log) for log, _, _ in runs]
    values[hidden] = BELOW_SCALE
    names, rows = [name for _, name, _ in runs], [block for _, _, block in runs]
    stretched = [value if value == BELOW_SCALE else value**3 + 1 for value in values]
    one, other = (compare_ranks(each, names, rows, WATER) for each in (values, stretched))
    for name in (RINSE, SOAP):
        assert judge(one, name, 1.5).kind == judge(other, name, 1.5).kind
        assert one.of(name).p_adjusted == other.of(name).p_adjusted


@given(st.lists(st.integers(1, 40), min_size=12, max_size=12))
@settings(max_examples=40, deadline=None)
def test_colours_change_places_with_the_control_and_the_ratio_turns_over(seen):
    names, rows = [WATER, RINSE] * 6, [n // 2 for n in range(12)]
    swapped = [RINSE, WATER] * 6
    one, other = (compare_counts(seen, each, rows, WATER) for each in (names, swapped))
    first, second = judge(one, RINSE, 1.5), judge(other, RINSE, 1.5)
    assert second.kind == MIRRORED[first.kind]
    assert second.ratio == pytest.approx(1 / first.ratio, rel=1e-5)
    assert (second.lower, second.upper) == pytest.approx((1 / first.upper, 1 / first.lower), rel=1e-4)


@given(trials(), st.floats(1.05, 1.5), st.floats(1.01, 2))
@settings(max_examples=40, deadline=None)
def test_a_wider_margin_never_takes_equivalence_away(runs, margin, wider):
    assume(unlike(runs))
    found = compared(runs)
    for name in (RINSE, SOAP):
        one, other = judge(found, name, margin), judge(found, name, margin * wider)
        assert other.within_margin >= one.within_margin
        if "better" in (one.kind, other.kind) or "worse" in (one.kind, other.kind):
            assert one.kind == other.kind


@given(logs, logs, logs, logs, st.floats(0.01, 1))
def test_flags_of_mirrored_intervals_are_mirrored(a, b, c, d, margin):
    (low95, high95), (low90, high90) = sorted((a, b)), sorted((c, d))
    one = flags(low95, high95, low90, high90, -margin, margin)
    other = flags(-high95, -low95, -high90, -low90, -margin, margin)
    assert other == replace(one, shown_better=one.shown_worse, shown_worse=one.shown_better)
    assert not (one.shown_better and one.shown_worse)
