"""Whatever the small trial: a level called exact is what going through every outcome gives."""

import math
from fractions import Fraction
from itertools import permutations, product

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from prospecting.calc import sampling
from trials.calc.comparison import BELOW_SCALE
from trials.calc.counts import compare_two_counts
from trials.calc.designs import guess_check, matching_check
from trials.calc.paired import sign_test
from trials.calc.permutation import rank_sums

small_counts = st.integers(0, 9)
exposures = st.integers(1, 4)


def binomial(total: int, share: Fraction) -> list[Fraction]:
    return [math.comb(total, k) * share**k * (1 - share) ** (total - k) for k in range(total + 1)]


@given(small_counts, small_counts, exposures, exposures)
@settings(max_examples=60, deadline=None)
def test_two_counts_are_what_every_split_of_their_sum_gives(one, other, exposure_1, exposure_2):
    chances = binomial(one + other, Fraction(exposure_1, exposure_1 + exposure_2))
    up, down = sum(chances[one:]), sum(chances[: one + 1])
    as_rare = sum(chance for chance in chances if chance <= chances[one])
    found = compare_two_counts(one, other, exposure_1, exposure_2)
    assert found.p_greater == pytest.approx(float(up))
    assert found.p_less == pytest.approx(float(down))
    assert found.p_doubled_tail == pytest.approx(float(min(1, 2 * min(up, down))))
    assert found.p_small_likelihoods == pytest.approx(float(as_rare))
    if one + other:
        assert sampling.compare_counts(one, other, exposure_1, exposure_2).p_two_sided == pytest.approx(
            float(as_rare)
        )


@given(st.integers(0, 30), st.floats(0.6, 0.99))
@settings(max_examples=40)
def test_the_limits_of_a_count_make_it_exactly_so_unlikely(count, level):
    def at_most(seen, mean):
        return math.fsum(math.exp(k * math.log(mean) - mean - math.lgamma(k + 1)) for k in range(seen + 1))

    found = sampling.count_interval(count, level)
    assert at_most(count, found.high) == pytest.approx((1 - level) / 2, rel=1e-9)
    if count:
        assert 1 - at_most(count - 1, found.low) == pytest.approx((1 - level) / 2, rel=1e-8)


@given(st.lists(st.integers(-3, 3), min_size=1, max_size=9))
@settings(max_examples=60)
def test_signs_are_what_every_toss_gives(differences):
    up, down = sum(d > 0 for d in differences), sum(d < 0 for d in differences)
    assume(up + down)
    found = sign_test([10 + d for d in differences], [10] * len(differences))
    tosses = [sum(toss) for toss in product((0, 1), repeat=up + down)]
    assert found.p_higher == pytest.approx(sum(heads >= up for heads in tosses) / len(tosses))
    extreme = max(up, down)
    both = sum(max(heads, up + down - heads) >= extreme for heads in tosses) / len(tosses)
    assert found.p_two_sided == pytest.approx(both)


@given(st.integers(1, 7), st.integers(2, 4), st.data())
@settings(max_examples=40, deadline=None)
def test_guesses_are_what_every_guess_gives(guesses, choices, data):
    right = data.draw(st.integers(0, guesses))
    every = [row.count(0) for row in product(range(choices), repeat=guesses)]
    found = guess_check(guesses, right, choices)
    assert found.chance_of_this_many_or_more == pytest.approx(
        sum(hits >= right for hits in every) / len(every)
    )
    assert found.expected_by_chance == pytest.approx(sum(every) / len(every))


@pytest.mark.parametrize("pans", range(1, 8))
def test_matching_is_what_every_naming_gives(pans):
    hits = [sum(i == name for i, name in enumerate(order)) for order in permutations(range(pans))]
    for right in range(pans + 1):
        found = matching_check(pans, right)
        assert found.chance_of_this_many_or_more == pytest.approx(
            sum(hit >= right for hit in hits) / len(hits)
        )


def places(row):
    return [
        sum(other < value for other in row) + (sum(other == value for other in row) + 1) / 2 for value in row
    ]


@given(
    st.lists(
        st.lists(st.sampled_from([BELOW_SCALE, 1.0, 2.0, 3.0]), min_size=3, max_size=3),
        min_size=1,
        max_size=4,
    )
)
@settings(max_examples=40, deadline=None)
def test_rank_sums_against_the_control_are_what_every_order_gives(rows):
    names = ["water", "rinse", "soap"]
    found = rank_sums(
        [value for row in rows for value in row],
        names * len(rows),
        [block for block in range(len(rows)) for _ in names],
        "water",
    )
    ranked = [places(row) for row in rows]
    seen = [sum(row[i] - row[0] for row in ranked) for i in (1, 2)]
    assert [found.difference[name] for name in names[1:]] == pytest.approx(seen)
    assume(any(len(set(row)) > 1 for row in rows))
    assert found.exact
    largest = [
        max(abs(sum(row[i] - row[0] for row in orders)) for i in (1, 2))
        for orders in product(*(list(permutations(row)) for row in ranked))
    ]
    for name, difference in zip(names[1:], seen, strict=True):
        level = sum(value >= abs(difference) - 1e-9 for value in largest) / len(largest)
        assert found.p_adjusted[name] == pytest.approx(level)
