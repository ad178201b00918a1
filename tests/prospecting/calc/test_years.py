import datetime

import pytest

from prospecting.calc.years import next_year


@pytest.mark.parametrize(
    ("day", "after"),
    [
        ("2026-09-01", "2027-09-01"),
        ("2027-02-28", "2028-02-28"),
        ("2028-02-29", "2029-02-28"),
        ("2026-12-31", "2027-12-31"),
    ],
)
def test_the_same_day_a_year_later(day, after):
    assert next_year(datetime.date.fromisoformat(day)) == datetime.date.fromisoformat(after)
