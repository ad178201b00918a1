import datetime

import pytest
from django.utils import timezone

from prospecting.actions.journal import write_journal
from prospecting.models import JournalEntry
from tests import make
from trials.frames.changes import MOST_TOLD, latest_changes

pytestmark = pytest.mark.django_db


def write(member, about, what: str, *, days_ago: int = 0) -> JournalEntry:
    entry = write_journal(member=member, about=about, what=what)
    at = timezone.now() - datetime.timedelta(days=days_ago)
    JournalEntry.objects.filter(pk=entry.pk).update(at=at)
    return entry


def told() -> list[tuple[str, str, str]]:
    return [(line.member, line.many, line.last.what) for line in latest_changes().lines]


def test_nothing_was_recorded():
    assert latest_changes().lines == []


def test_like_lines_of_one_day_and_one_member_are_one():
    ann, bo = make.make_member(first_name="Ann"), make.make_member(first_name="Bo")
    one, two = make.make_claim(), make.make_claim()
    write(ann, one, "changed yesterday", days_ago=1)
    write(ann, one, "first")
    write(bo, one, "by another")
    write(ann, two, "second")
    write(ann, make.make_zone(one), "of another kind")
    assert told() == [
        ("Ann", "", "of another kind"),
        ("Ann", "two claims", "second"),
        ("Bo", "", "by another"),
        ("Ann", "", "changed yesterday"),
    ]


def test_entries_about_one_record_are_counted_as_entries():
    ann, claim = make.make_member(first_name="Ann"), make.make_claim()
    for number in range(3):
        write(ann, claim, f"change {number}")
    assert told() == [("Ann", "three entries", "change 2")]


def test_quiet_weeks_show_what_came_last():
    ann, claim = make.make_member(first_name="Ann"), make.make_claim()
    write(ann, claim, "long ago", days_ago=40)
    changes = latest_changes()
    assert not changes.is_recent
    assert [line.last.what for line in changes.lines] == ["long ago"]


def test_no_more_is_told_than_one_reads(django_assert_num_queries):
    for _ in range(MOST_TOLD + 3):
        write(make.make_member(), make.make_claim(), "added")
    with django_assert_num_queries(1):
        changes = latest_changes()
        assert all(line.member for line in changes.lines)
    assert (len(changes.lines), changes.untold) == (MOST_TOLD, 3)


def test_a_day_that_was_read_in_part_is_not_told(monkeypatch):
    monkeypatch.setattr("trials.frames.changes.MOST_READ", 3)
    ann, claim = make.make_member(first_name="Ann"), make.make_claim()
    for number in range(3):
        write(ann, claim, f"change {number}", days_ago=1)
    write(ann, claim, "today")
    changes = latest_changes()
    assert [(line.many, line.last.what) for line in changes.lines] == [("", "today")]
    assert changes.untold
