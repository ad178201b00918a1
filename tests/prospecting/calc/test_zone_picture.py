"""The foot of a picture along days; days counted on the calendar, with a 29 February (2028 is a leap year)."""

import datetime

import pytest

from prospecting.calc.zone_picture import days_foot

FEBRUARY_28 = datetime.date(2028, 2, 28)


@pytest.mark.parametrize(
    ("last", "words"),
    [
        (datetime.date(2028, 2, 28), ["28 Feb 2028"]),
        (datetime.date(2028, 2, 29), ["28 Feb 2028", "29 Feb 2028"]),
        (datetime.date(2028, 3, 1), ["28 Feb 2028", "1 Mar 2028"]),
        (datetime.date(2028, 3, 2), ["28 Feb 2028", "29 Feb", "2 Mar 2028"]),
        (datetime.date(2028, 3, 3), ["28 Feb 2028", "1 Mar", "3 Mar 2028"]),
    ],
)
def test_a_day_between_is_written_from_three_days_on(last, words):
    foot = days_foot(FEBRUARY_28, last)
    assert [text for _, text in foot.ticks] == words
    places = [at for at, _ in foot.ticks]
    assert places == sorted(places)
    assert (foot.low, foot.high) == (places[0], places[-1]) == (FEBRUARY_28.toordinal(), last.toordinal())
