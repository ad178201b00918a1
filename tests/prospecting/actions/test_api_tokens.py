import datetime

import pytest
from django.core.exceptions import PermissionDenied
from django.utils import timezone

from prospecting.actions import api_tokens
from prospecting.actions.api_tokens import end_api_token, make_api_token, note_use
from prospecting.actions.refusal import Refused
from prospecting.models import ApiToken, JournalEntry
from tests import make

pytestmark = pytest.mark.django_db


def make_one(member=None, **fields):
    fields = {"name": "shed balance", "days": 30, "may_record": False} | fields
    return make_api_token(member=member or make.make_member(), **fields)


def test_keeps_a_hash_of_the_key_only_and_a_line_in_the_journal():
    member = make.make_member()
    token, key = make_one(member, may_record=True)
    assert len(key) == 43
    assert key not in str(list(ApiToken.objects.values()))
    entry = JournalEntry.objects.about(member).latest("pk")
    assert entry.what == "made the API token shed balance: it reads and records, for 30 days"
    assert key not in str(vars(entry))
    held = token.expires_at - timezone.now()
    assert datetime.timedelta(days=29) < held <= datetime.timedelta(days=30)


def test_refuses_a_guest_a_token_that_records():
    with pytest.raises(PermissionDenied):
        make_one(make.make_member("guest"), may_record=True)
    assert not ApiToken.objects.exists()


def test_refuses_another_time_and_more_than_anybody_keeps_apart(monkeypatch):
    with pytest.raises(Refused, match="how long it holds"):
        make_one(days=3650)
    monkeypatch.setattr(api_tokens, "MOST_LIVE", 2)
    member = make.make_member()
    first, _ = make_one(member)
    make_one(member)
    with pytest.raises(Refused, match="End one"):
        make_one(member)
    end_api_token(token=first, ended_by=member)
    make_one(member)


def test_is_ended_by_its_member_or_a_keeper_once():
    member = make.make_member()
    token, _ = make_one(member)
    with pytest.raises(PermissionDenied):
        end_api_token(token=token, ended_by=make.make_member())
    assert not token.is_over
    ended = end_api_token(token=token, ended_by=make.make_member("keeper"))
    assert ended.is_over
    assert end_api_token(token=token, ended_by=member).ended_at == ended.ended_at
    lines = JournalEntry.objects.about(member).filter(what="ended the API token shed balance")
    assert lines.count() == 1


def test_a_token_is_over_when_its_time_has_come():
    token, _ = make_one()
    token.expires_at = timezone.now()
    assert token.is_over


def test_the_day_of_use_is_kept_and_written_once_a_day(django_assert_num_queries):
    token, _ = make_one()
    with django_assert_num_queries(1):
        note_use(token)
    token.refresh_from_db()
    assert token.last_used_on == timezone.localdate()
    with django_assert_num_queries(0):
        note_use(token)
