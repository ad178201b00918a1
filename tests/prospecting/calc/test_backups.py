import datetime
import json
from dataclasses import replace

import pytest

from prospecting.calc.backups import (
    BACKUP_DUE,
    Manifest,
    is_room_short,
    moment_of,
    name_at,
    read_manifest,
    size_words,
    span_words,
    to_keep,
)

NEW_YEAR = datetime.datetime(2026, 1, 1, 2, 15, tzinfo=datetime.UTC)
DAY = datetime.timedelta(days=1)


def kept_after(moments: list[datetime.datetime]) -> set[datetime.datetime]:
    """What is left when backups come one by one and each is followed by thinning out."""
    kept: set[datetime.datetime] = set()
    for moment in moments:
        kept = to_keep(kept | {moment})
        assert moment in kept, "the newest one went"
    return kept


def test_a_year_of_days_leaves_seven_days_four_weeks_and_twelve_months():
    year = [NEW_YEAR + DAY * number for number in range(365)]
    kept = kept_after(year)
    assert set(year[-7:]) <= kept
    # The newest of each month that has ended, and of each of the three weeks before this one (31 December is a Thursday).
    assert {moment.month for moment in kept} == set(range(1, 13))
    for month in range(1, 12):
        assert (datetime.datetime(2026, month + 1, 1, 2, 15, tzinfo=datetime.UTC) - DAY) in kept
    assert {datetime.date(2026, 12, 27), datetime.date(2026, 12, 20), datetime.date(2026, 12, 13)} <= {
        moment.date() for moment in kept
    }
    assert len(kept) == 7 + 2 + 11


def test_several_a_day_leave_the_newest_of_the_day():
    hours = [NEW_YEAR + datetime.timedelta(hours=number) for number in range(48)]
    kept = kept_after(hours)
    assert max(hours) in kept
    assert len([moment for moment in kept if moment.date() == NEW_YEAR.date()]) == 1


def test_a_backup_after_a_gap_of_a_year_takes_the_place_of_one_day_and_one_week():
    before = [NEW_YEAR + DAY * number for number in range(40)]
    kept = kept_after(before)
    again = NEW_YEAR + DAY * 400
    assert kept_after([*before, again]) >= {again, before[-1], before[-2]}
    assert len(kept - to_keep(kept | {again})) <= 2


def test_what_is_kept_stays_kept_when_thinned_out_again():
    year = [NEW_YEAR + DAY * number for number in range(0, 365, 3)]
    kept = to_keep(year)
    assert to_keep(kept) == kept


@pytest.mark.parametrize("moments", [[], [NEW_YEAR], [NEW_YEAR, NEW_YEAR + DAY]])
def test_few_are_all_kept(moments):
    assert to_keep(moments) == set(moments)


def test_a_name_reads_back_whatever_zone_it_was_made_in():
    there = NEW_YEAR.astimezone(datetime.timezone(datetime.timedelta(hours=-7)))
    assert moment_of(name_at(there)) == NEW_YEAR


@pytest.mark.parametrize(
    "name", ["", "books-", "books-20260101", "books-20261301T000000Z", "x-books-20260101T021500Z"]
)
def test_other_names_are_no_backups(name):
    assert moment_of(name) is None


@pytest.mark.parametrize(
    "span, words",
    [
        (datetime.timedelta(seconds=-5), "0 minutes"),
        (datetime.timedelta(minutes=119), "119 minutes"),
        (datetime.timedelta(hours=2), "2 hours"),
        (BACKUP_DUE, "26 hours"),
        (datetime.timedelta(hours=47, minutes=59), "47 hours"),
        (datetime.timedelta(days=2), "2 days"),
        (datetime.timedelta(days=400), "400 days"),
    ],
)
def test_spans_are_told_in_the_unit_that_fits(span, words):
    assert span_words(span) == words


@pytest.mark.parametrize(
    "size, words", [(0, "0 bytes"), (1000, "1.0 kB"), (9_940_000, "9.9 MB"), (75_000_000_000, "75 GB")]
)
def test_sizes_are_told_in_the_unit_that_fits(size, words):
    assert size_words(size) == words


def test_room_is_short_below_a_gibibyte_or_twice_the_database():
    assert is_room_short(free=2**30 - 1, database=0)
    assert not is_room_short(free=2**30, database=1000)
    assert is_room_short(free=3 * 2**30, database=2**31)


MANIFEST = Manifest(
    started="2026-05-03T02:15:00+00:00",
    finished="2026-05-03T02:15:01+00:00",
    engine="sqlite",
    database="books.sqlite3",
    versions={},
    tables={"prospecting_lot": 3},
    emptied=[],
    migrations=[["prospecting", "0001_initial"]],
    journal={"entries": 1, "last": 1, "seal": 1, "sha256": "0" * 64},
    photos=0,
    photo_bytes=0,
)


def test_a_manifest_reads_back():
    assert read_manifest(MANIFEST.text()) == MANIFEST


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", "null", "not json", '{"shape": 1}', '{"shape": 1, "extra": 2}', '{"shape": "x"}']
)
def test_nonsense_is_no_manifest(text):
    with pytest.raises(ValueError, match="cannot be read"):
        read_manifest(text)


def test_a_manifest_of_a_later_site_is_refused_for_what_it_is():
    later = json.dumps(json.loads(MANIFEST.text()) | {"shape": 2})
    with pytest.raises(ValueError, match="later version"):
        read_manifest(later)


def test_a_manifest_of_another_database_is_refused_for_what_it_is():
    with pytest.raises(ValueError, match="a database called cards"):
        read_manifest(replace(MANIFEST, engine="cards").text())
