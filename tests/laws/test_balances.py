"""Whatever was dug, split and blended: every gram of every dig is still there, and a recovery lies between 0 and 1."""

import datetime
import math
from decimal import Decimal
from itertools import permutations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from prospecting.calc import grade
from prospecting.calc.lineage import SHARE_STEP, blend_shares
from prospecting.calc.mass_balance import equal_portions, step_loss_g
from prospecting.calc.zone_grade import ASSAY, PAN, Result, mean_grade, recovery_between

DAY = datetime.date(2026, 5, 3)
masses = st.decimals(min_value="1", max_value="50000", places=2)
any_number = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True), st.floats(-10, 1000), st.integers(-5, 500)
)


@st.composite
def blended_in_stages(draw):
    """Digs put together two lots at a time in some order, with some of each lot left out on the way."""
    lots = [(draw(masses), {dig: Decimal(1)}) for dig in range(draw(st.integers(2, 6)))]
    from_dig = {dig: mass for dig, (mass, _) in enumerate(lots)}
    steps = 0
    while len(lots) > 1:
        one = lots.pop(draw(st.integers(0, len(lots) - 1)))
        other = lots.pop(draw(st.integers(0, len(lots) - 1)))
        lots.append((one[0] + other[0], blend_shares([one, other])))
        steps += 1
    return from_dig, lots[0], steps


@given(blended_in_stages())
def test_blending_in_stages_is_blending_at_once(story):
    from_dig, (mass_g, shares), steps = story
    at_once = blend_shares([(mass, {dig: Decimal(1)}) for dig, mass in from_dig.items()])
    assert mass_g == sum(from_dig.values())
    assert sum(shares.values()) == 1
    # Each blend rounds to SHARE_STEP and leaves the rest with the largest share.
    for dig, share in at_once.items():
        assert abs(shares[dig] - share) <= SHARE_STEP * steps * len(from_dig)
        assert abs(shares[dig] * mass_g - from_dig[dig]) <= mass_g * SHARE_STEP * steps * (len(from_dig) + 1)


@given(blended_in_stages(), st.integers(1, 12))
def test_portions_hold_every_gram_of_every_dig(story, parts):
    from_dig, (mass_g, shares), steps = story
    portion_g = mass_g / parts
    number = equal_portions(mass_g, portion_g)
    left_g = mass_g - number * portion_g
    lots = [portion_g] * number + ([left_g] if left_g > 0 else [])
    loss_g = step_loss_g([mass_g], [min(mass_g, sum(lots))])
    for dig, dug_g in from_dig.items():
        found = sum(each * shares[dig] for each in lots) + loss_g * shares[dig]
        assert abs(found - dug_g) <= mass_g * SHARE_STEP * steps * (len(from_dig) + 1) + Decimal("1e-18")


def pan(g_per_t: Decimal | None, mass_g: Decimal, limit: Decimal | None = None, kind: str = PAN) -> Result:
    return Result(kind, "", DAY, DAY, DAY, Decimal(1), g_per_t, limit, limit is not None, mass_g, "")


grades = st.decimals(min_value="0.001", max_value="500", places=3)
results = st.lists(
    st.one_of(
        st.builds(pan, grades, masses),
        st.builds(lambda limit, mass_g: pan(None, mass_g, limit), grades, masses),
    ),
    min_size=1,
    max_size=5,
)


@given(results)
def test_a_mean_grade_does_not_know_the_order_of_its_results(found):
    first = mean_grade(found)
    for order in list(permutations(found))[:24]:
        again = mean_grade(order)
        assert again.low_g_per_t == pytest.approx(first.low_g_per_t, rel=Decimal("1e-24"))
        assert again.high_g_per_t == pytest.approx(first.high_g_per_t, rel=Decimal("1e-24"))
    assert 0 <= first.low_g_per_t <= first.high_g_per_t


@given(results, grades, masses)
def test_one_more_measured_result_pulls_the_mean_towards_it(found, g_per_t, mass_g):
    before, after = mean_grade(found), mean_grade([*found, pan(g_per_t, mass_g)])
    slack = Decimal("1e-20")
    assert (
        min(before.low_g_per_t, g_per_t) - slack
        <= after.low_g_per_t
        <= max(before.low_g_per_t, g_per_t) + slack
    )
    assert after.high_g_per_t - after.low_g_per_t <= before.high_g_per_t - before.low_g_per_t + slack


@given(
    results, st.lists(st.builds(lambda g, m: pan(g, m, kind=ASSAY), grades, masses), min_size=1, max_size=4)
)
def test_apparent_recovery_has_its_bounds_in_order(panned, assayed):
    between = recovery_between(mean_grade(panned), mean_grade(assayed))
    assert 0 <= between.low <= between.high


@given(any_number, any_number, any_number)
# A yield too small for a number of the machine.
@example(5e-324, 1e308, 0)
def test_two_product_recovery_is_a_share_or_refused(feed, concentrate, tails):
    try:
        found = grade.two_product(feed, concentrate, tails)
    except ValueError:
        return
    assert concentrate > feed > tails >= 0
    assert 0 <= found.recovery <= 1 + 1e-12
    assert 0 < found.mass_yield < 1 or math.isclose(found.mass_yield, 1)


@given(any_number, any_number)
def test_recovery_of_weighed_products_is_a_share_or_refused(concentrate_mg, tails_mg):
    try:
        recovery = grade.recovery_of_products(concentrate_mg, tails_mg)
    except ValueError:
        return
    assert 0 <= recovery <= 1


@given(any_number, any_number, any_number, any_number)
def test_weighed_products_balance_or_are_refused(concentrate_g, concentrate_grade, tails_g, tails_grade):
    try:
        found = grade.weighed_products(concentrate_g, concentrate_grade, tails_g, tails_grade)
    except ValueError:
        return
    assert 0 <= found.recovery <= 1
    low, high = sorted((concentrate_grade, tails_grade))
    assert low * (1 - 1e-9) <= found.calculated_head_g_per_t <= high * (1 + 1e-9)
