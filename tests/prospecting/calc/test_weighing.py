from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prospecting.calc.weighing import (
    left_in_tails,
    mean_reading_mg,
    readings_apart,
    weighed_as_said,
    weighed_gold_mg,
)


def mg(*numbers: str) -> list[Decimal]:
    return [Decimal(number) for number in numbers]


def test_the_mean_of_the_readings_less_the_dish():
    # By hand: (15.4 + 15.6 + 15.5) / 3 = 15.5; less 3.1 is 12.4.
    assert weighed_gold_mg(mg("15.4", "15.6", "15.5"), Decimal("3.1")) == Decimal("12.4")
    assert weighed_gold_mg(mg("8")) == Decimal("8")
    # 25.0 / 3 does not come out even: to the ten-thousandth of a milligram that is kept.
    assert weighed_gold_mg(mg("8.3", "8.3", "8.4")) == Decimal("8.3333")


def test_the_mean_of_a_published_row_of_readings():
    # JCGM 100:2008, 4.2.1 and 4.4.3 (from memory): repeated readings are best told by their arithmetic mean; of the twenty in
    # its table 1, taken here as plain numbers, it gives 100.14.
    table = """
        96.90  98.18  98.25  98.61  99.03  99.49  99.56  99.74  99.89 100.07
        100.33 100.42 100.68 100.95 101.11 101.20 101.57 101.84 102.36 102.72
    """
    readings = mg(*table.split())
    assert round(mean_reading_mg(readings), 2) == Decimal("100.14")


@pytest.mark.parametrize("dish", ["15.5", "15.6", "99"])
def test_readings_that_do_not_outweigh_the_dish_are_refused_in_words(dish):
    with pytest.raises(ValueError, match="that leaves no gold"):
        weighed_gold_mg(mg("15.4", "15.6", "15.5"), Decimal(dish))


def test_no_reading_is_no_weight():
    with pytest.raises(ValueError, match="at least once"):
        weighed_gold_mg([])


@given(
    st.lists(st.decimals("0.1", "5000", places=4), min_size=1, max_size=3), st.decimals("0", "50", places=4)
)
def test_the_dish_takes_off_the_same_from_every_reading(readings, dish):
    with_dish = [reading + dish for reading in readings]
    assert weighed_gold_mg(with_dish, dish) == weighed_gold_mg(readings)


@pytest.mark.parametrize(
    ("readings", "step", "asks"),
    [
        # OIML R 76-1:2006, 3.6.1, with the widest error in service of UK SI 1995/1907, schedule 2, 4.1 and 4.2:
        # twice 1.5 steps, so three are the most, and three themselves are within.
        (("12.3", "12.5", "12.6"), "0.1", False),
        (("12.3", "12.5", "12.7"), "0.1", True),
        (("12", "14", "15"), "1", False),
        (("12", "14", "16"), "1", True),
        (("12.3",), "0.1", False),
        # Without a step: a tenth of the mean (our own limit, no source).
        (("12.3", "12.5", "13.4"), None, False),
        (("12.3", "12.5", "14.4"), None, True),
        (("12.3", "125", "12.4"), None, True),
    ],
)
def test_asks_about_readings_too_far_apart(readings, step, asks):
    question = readings_apart(mg(*readings), Decimal(step) if step else None)
    assert bool(question) == asks
    if asks:
        assert all(reading in question for reading in readings)


def test_it_says_how_a_mass_came_about():
    assert weighed_as_said(Decimal("40"), ["0,04 g"], in_dish=False) == "0,04 g"
    assert weighed_as_said(Decimal("12.4"), ["15.5 mg"], in_dish=True) == "12.4 mg (less dish)"
    assert weighed_as_said(Decimal("8.3333"), ["8.3 mg"] * 3, in_dish=False) == "8.33 mg (mean of 3)"
    longest = weighed_as_said(Decimal("99999999.9999"), ["x" * 24] * 3, in_dish=True)
    assert len(longest) <= 40


def test_the_tails_share_of_both():
    # By hand: 1 of 9 + 1.
    assert str(left_in_tails(Decimal(9), Decimal(1))) == "10 %"
    # Below the scale is anything from nothing to one step: less than 0.1 / 9.1.
    below = left_in_tails(Decimal(9), None, tails_step_mg=Decimal("0.1"))
    assert (below.low, str(below)) == (0, "less than 1.1 %")
    # The run itself below its scale: the tails held at least 1 / 1.1.
    assert str(left_in_tails(None, Decimal(1), gold_step_mg=Decimal("0.1"))) == "at least 90.9 %"


def test_nothing_is_said_of_tails_that_no_scale_has_seen():
    step = Decimal("0.1")
    assert left_in_tails(Decimal(9), None) is None
    assert left_in_tails(None, Decimal(1)) is None
    assert left_in_tails(None, None, gold_step_mg=step, tails_step_mg=step) is None


@given(st.decimals("0.2", "500", places=2), st.decimals("0.01", "0.1", places=2))
def test_the_bound_holds_for_every_mass_below_the_step(gold, hidden):
    step = Decimal("0.1")
    bound = left_in_tails(gold, None, tails_step_mg=step)
    assert bound.low <= left_in_tails(gold, hidden).low <= bound.high


@pytest.mark.parametrize(
    ("second", "step", "asks"),
    # Three steps of a scale of 0.1 mg are 0.3 mg; without its step a tenth of the mean, by hand 1.0 of 9.5 and 10.5.
    [("12.6", "0.1", False), ("12.7", "0.1", True), ("12.0", "0.1", False), ("11.9", "0.1", True)],
)
def test_two_readings_already_may_lie_too_far_apart(second, step, asks):
    assert bool(readings_apart(mg("12.3", second), Decimal(step))) is asks


@pytest.mark.parametrize(("second", "asks"), [("10.5", False), ("10.6", True)])
def test_without_a_step_readings_may_differ_by_a_tenth_of_their_mean(second, asks):
    assert bool(readings_apart(mg("9.5", second))) is asks
    assert readings_apart(mg("9.5")) == ""
