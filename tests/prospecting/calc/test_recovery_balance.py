"""Routes to a recovery: worked examples, laws, and simulation as the referee of every formula."""

import math
import random
import statistics
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc import recovery_balance as rb
from prospecting.calc.grade import two_product, two_product_formula
from prospecting.calc.recovery_balance import Measured

share = st.floats(0.01, 0.4)


def test_balances_the_worked_case_of_concentrate_tails_and_head():
    # fixtures/reference/grade_sampling_assay.json, cases b07 and b11: 18 g at 310 g/t, 1982 g at 0.9 g/t, head 4.1 g/t.
    concentrate, tails = Measured(5.58, {"c": 0.05}), Measured(1.7838, {"t": 0.15})
    products = rb.over_products(concentrate, tails)
    assert products.value == pytest.approx(0.757760938646)
    assert products.sd == pytest.approx(0.0290232734495)
    head = Measured(4.1 * 2.0)
    assert rb.over_head(concentrate, head).value == pytest.approx(5.58 / 8.2)
    account = rb.accountability_of(Measured(5.58 + 1.7838), head)
    assert account.value == pytest.approx(0.898024390244)
    assert account.low == account.value == account.high and account.driver is None


def test_the_share_of_the_larger_relative_error_is_nine_tenths():
    # 0.15 against 0.05: squares 9 to 1, by JCGM 100:2008, equation 10.
    route = rb.over_products(Measured(5.58, {"c": 0.05}), Measured(1.7838, {"t": 0.15}))
    assert route.driver == rb.ErrorShare("t", pytest.approx(0.9))


def test_three_grades_match_the_examination_problem():
    # Case b01: feed 10 %, concentrate 30 %, tails 1 %; published answer 93 %.
    route = rb.from_grades(Measured(10), Measured(30), Measured(1), rng=random.Random(1))
    assert round(route.value, 2) == 0.93


@pytest.mark.parametrize(
    ("feed", "concentrate", "tails"), [(10.0, 4500.0, 1.2), (8.0, 4200.0, 4.0), (2.0, 900.0, 0.1)]
)
def test_error_of_three_grades_follows_the_published_amplification(feed, concentrate, tails):
    # ChemRxiv 2023, article 6571384a29a13c4d47d5b5fd (abstract read): with one relative sd r for all three assays the
    # recovery's relative sd is about r sqrt(2) (1 - R)/|R - Y|.
    r = 0.02
    route = rb.from_grades(
        *(Measured(value, {name: r}) for value, name in ((feed, "f"), (concentrate, "c"), (tails, "t"))),
        rng=random.Random(2),
    )
    exact = two_product(feed, concentrate, tails)
    published = r * math.sqrt(2) * (1 - exact.recovery) / abs(exact.recovery - exact.mass_yield)
    assert route.sd / route.value == pytest.approx(published, rel=0.02)


@pytest.mark.parametrize("grades", [(2.0, 1.5, 1.0), (2.0, 50.0, 2.4), (3.0, 3.0, 3.0)])
def test_refuses_grades_that_contradict_each_other_without_a_figure(grades):
    # Case b12: to be refused, not reported as 150 % or -21 %.
    route = rb.from_grades(*map(Measured, grades), rng=random.Random(1))
    assert route.refusal and route.value is None and route.low is None


def test_tails_near_the_feed_are_refused_and_nothing_is_clipped():
    grades = Measured(2.0, {"f": 0.03}), Measured(60.0, {"c": 0.03}), Measured(1.95, {"t": 0.025})
    route = rb.from_grades(*grades, rng=random.Random(1))
    assert "do not tell" in route.refusal
    assert route.impossible > rb.MOST_IMPOSSIBLE
    assert route.low < 0 < route.value
    drawn = random.Random(7)
    outside = statistics.fmean(
        not 0 <= two_product_formula(*(drawn.gauss(g.value, g.value * g.relative_sd) for g in grades)) <= 1
        for _ in range(20_000)
    )
    assert route.impossible == pytest.approx(outside, abs=0.01)


def test_shares_of_three_grades_match_numeric_derivatives():
    grades = {"f": (10.0, 0.05), "c": (450.0, 0.08), "t": (1.2, 0.06)}
    route = rb.from_grades(
        *(Measured(value, {name: sd}) for name, (value, sd) in grades.items()), rng=random.Random(1)
    )
    values = [value for value, _ in grades.values()]
    squares = {}
    for place, (name, (value, sd)) in enumerate(grades.items()):
        step = 1e-6 * value
        up, down = ([*values[:place], value + sign * step, *values[place + 1 :]] for sign in (1, -1))
        squares[name] = ((two_product_formula(*up) - two_product_formula(*down)) / 2e-6 * sd) ** 2
    whole = sum(squares.values())
    assert {part.name: pytest.approx(part.share, rel=1e-4) for part in route.shares} == {
        name: square / whole for name, square in squares.items()
    }
    assert route.sd == pytest.approx(math.sqrt(whole), rel=1e-4)


def test_more_gold_than_the_head_holds_is_refused_with_its_ratio_kept():
    route = rb.over_head(Measured(11.2, {"scale": 0.01}), Measured(8.1, {"head": 0.5}))
    assert "no recovery" in route.refusal
    assert route.value == pytest.approx(11.2 / 8.1)
    assert route.high > route.value > route.low > 0
    assert not rb.accountability_of(Measured(11.2), Measured(8.1)).refusal


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_intervals_hold_the_truth_as_often_as_they_say(level):
    """The referee is a simulation: true golds known, measured with log-normal errors."""
    rng, held = random.Random(11), {"products": 0, "head": 0}
    true_c, true_t, errors = 6.0, 2.0, {"c": 0.1, "t": 0.4, "h": 0.5}
    many = 2000
    for _ in range(many):
        c, t, h = (
            Measured(value * math.exp(rng.gauss(0, errors[name])), {name: errors[name]})
            for name, value in (("c", true_c), ("t", true_t), ("h", true_c + true_t))
        )
        for name, route in (("products", rb.over_products(c, t, level)), ("head", rb.over_head(c, h, level))):
            held[name] += route.low <= 0.75 <= route.high
    for count in held.values():
        assert count / many == pytest.approx(level, abs=4 * math.sqrt(level * (1 - level) / many))


@given(st.floats(0.01, 1e4), st.floats(0.01, 1e4), share, share)
def test_shares_sum_to_one_and_a_products_interval_stays_possible(c_mg, t_mg, c_sd, t_sd):
    c, t = Measured(c_mg, {"c": c_sd}), Measured(t_mg, {"t": t_sd})
    route, wider = rb.over_products(c, t, 0.9), rb.over_products(c, t, 0.99)
    assert sum(part.share for part in route.shares) == pytest.approx(1)
    assert 0 < wider.low < route.low < route.value < route.high < wider.high < 1
    turned = rb.over_products(t, c, 0.9)
    assert turned.value == pytest.approx(1 - route.value)
    assert turned.low == pytest.approx(1 - route.high)


def test_a_scale_step_spreads_like_readings_anywhere_within_it():
    # Rectangular error of JCGM 100:2008, F.2.2.1, against a simulation of two readings.
    rng = random.Random(3)
    seen = statistics.stdev(rng.uniform(-0.5, 0.5) - rng.uniform(-0.5, 0.5) for _ in range(50_000))
    assert rb.reading_sd(1.0) == pytest.approx(seen, rel=0.01)


@pytest.mark.parametrize("value", [0, -1, math.nan, math.inf])
def test_refuses_amounts_that_are_none(value):
    with pytest.raises(ValueError, match="above zero"):
        Measured(value)


@pytest.mark.parametrize("level", [0, 1, 95])
def test_refuses_a_level_that_is_none(level):
    with pytest.raises(ValueError, match="confidence level"):
        rb.over_products(Measured(1), Measured(1), level)


@pytest.mark.parametrize("error", [-0.1, math.nan, math.inf])
def test_refuses_errors_that_are_none(error):
    with pytest.raises(ValueError, match="relative sd"):
        Measured(1, {"x": error})


@given(share, share, st.floats(0.1, 100), st.floats(0.1, 100))
def test_a_sum_has_the_root_of_its_parts_squared_errors(first_sd, second_sd, first, second):
    found = rb.together(Measured(first, {"a": first_sd}), Measured(second, {"b": second_sd}))
    assert found.value == pytest.approx(first + second)
    assert found.value * found.relative_sd == pytest.approx(math.hypot(first * first_sd, second * second_sd))


def test_a_weight_and_its_grade_hold_gold_and_gold_gives_the_grade_back():
    weight = rb.weighed(20.0, 0.1, "weight")
    assert weight.relative_sd == pytest.approx(rb.reading_sd(0.1) / 20)
    held = rb.gold_held_mg(weight, Measured(400, {"assay": 0.1}))
    assert held.value == pytest.approx(8)  # 400 g/t are 0.4 mg in a gram.
    assert held.relative_sd == pytest.approx(math.hypot(weight.relative_sd, 0.1))
    assert rb.grade_of_gold(held, Measured(20.0)).value == pytest.approx(400)


def test_tails_nobody_weighed_are_what_the_concentrate_leaves():
    assert rb.tails_left_g(1000.0, 12.5) == 987.5
    assert rb.tails_left_g(1000.0, None) == 1000.0


def test_the_step_of_a_sum_spreads_like_its_weighings():
    step = rb.step_of_sum([Decimal(1)] * 5, 5)
    assert rb.reading_sd(float(step)) ** 2 == pytest.approx(5 * rb.reading_sd(1.0) ** 2)
    with pytest.raises(ValueError, match="at least"):
        rb.step_of_sum([], 1)


@pytest.mark.parametrize("step", [-0.1, math.inf, math.nan])
def test_refuses_a_scale_step_that_is_none(step):
    with pytest.raises(ValueError, match="0 or more"):
        rb.reading_sd(step)


def test_a_scale_without_steps_adds_no_spread():
    assert rb.reading_sd(0) == 0


def test_one_weighing_is_a_sum_and_an_error_of_nothing_is_none():
    assert rb.step_of_sum([Decimal("0.1")], 1) == Decimal("0.1")
    with pytest.raises(ValueError, match="needed at least"):
        rb.step_of_sum([Decimal("0.1")], 0)
    assert Measured(5.0, {"scale": 0.0}).relative_sd == 0
    with pytest.raises(ValueError, match="0 or more"):
        Measured(5.0, {"scale": -0.01})
