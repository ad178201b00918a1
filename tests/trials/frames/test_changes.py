import datetime
from unittest import mock

import pytest
from django.utils import timezone

from prospecting.actions.journal import note_refusal, write_event, write_journal
from prospecting.models import JournalEntry
from tests import make
from tests.prospecting.make_token import make_token, program_of
from tests.trials.api.test_recording import pan_address, run_sent, send
from trials.frames.changes import MOST_TOLD, latest_changes

pytestmark = pytest.mark.django_db


def write(member, about, what: str, *, days_ago: int = 0) -> JournalEntry:
    at = timezone.now() - datetime.timedelta(days=days_ago)
    with mock.patch("django.utils.timezone.now", return_value=at):
        return write_journal(member=member, about=about, what=what)


def latest(reader=None):
    return latest_changes(reader or make.make_member())


def told(reader=None) -> list[tuple[str, str, str]]:
    return [(line.member, line.many, line.last.what) for line in latest(reader).lines]


def test_nothing_was_recorded():
    assert latest().lines == []


class TestSinceTheLastVisit:
    def test_begins_after_what_the_reader_last_did_on_an_earlier_day(self):
        ann, bo, claim = (
            make.make_member(first_name="Ann"),
            make.make_member(first_name="Bo"),
            make.make_claim(),
        )
        write(bo, claim, "before the visit", days_ago=21)
        visit = write(ann, claim, "done in the visit", days_ago=20)
        write(bo, claim, "after it", days_ago=19)
        write(ann, claim, "done today")
        changes = latest(ann)
        assert (changes.is_recent, changes.last_visit) == (True, visit.at)
        assert [line.last.what for line in changes.lines] == ["done today", "after it"]
        # To a reader who was never here, the last seven days.
        assert told() == [("Ann", "", "done today")]
        assert latest().last_visit is None

    def test_a_sign_in_is_a_visit_and_no_change(self):
        ann, bo = make.make_member(first_name="Ann"), make.make_member(first_name="Bo")
        write(bo, make.make_claim(), "before the visit", days_ago=3)
        with mock.patch(
            "django.utils.timezone.now", return_value=timezone.now() - datetime.timedelta(days=2)
        ):
            visit = write_event(member=ann, kind="sign-in", label="Ann", what="signed in")
        write_event(member=ann, kind="sign-in", label="Ann", what="signed in")
        changes = latest(ann)
        assert (changes.is_recent, changes.last_visit) == (False, visit.at)
        assert [line.last.what for line in changes.lines] == ["before the visit"]

    def test_what_a_program_recorded_or_was_refused_is_no_visit(self):
        ann, lot = make.make_member(first_name="Ann"), make.make_lot()
        visit = write(ann, lot, "done in the visit", days_ago=9)
        program = program_of(make_token(ann, may_record=True))
        with mock.patch(
            "django.utils.timezone.now", return_value=timezone.now() - datetime.timedelta(days=2)
        ):
            note_refusal(member=ann, path="/members/", sentence="For keepers.")
            assert send(program, pan_address(lot), run_sent()).status_code == 201
        assert JournalEntry.objects.filter(member=ann, at__gt=visit.at).count() >= 2
        assert latest(ann).last_visit == visit.at


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
    changes = latest()
    assert not changes.is_recent
    assert [line.last.what for line in changes.lines] == ["long ago"]


def test_no_more_is_told_than_one_reads(django_assert_num_queries):
    for _ in range(MOST_TOLD + 3):
        write(make.make_member(), make.make_claim(), "added")
    reader = make.make_member()
    with django_assert_num_queries(2):
        changes = latest_changes(reader)
        assert all(line.member for line in changes.lines)
    assert (len(changes.lines), changes.untold) == (MOST_TOLD, 3)


def test_a_day_that_was_read_in_part_is_not_told(monkeypatch):
    monkeypatch.setattr("trials.frames.changes.MOST_READ", 3)
    ann, claim = make.make_member(first_name="Ann"), make.make_claim()
    for number in range(3):
        write(ann, claim, f"change {number}", days_ago=1)
    write(ann, claim, "today")
    changes = latest()
    assert [(line.many, line.last.what) for line in changes.lines] == [("", "today")]
    assert changes.untold
