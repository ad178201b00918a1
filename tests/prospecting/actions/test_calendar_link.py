import re

import pytest
from django.core.exceptions import PermissionDenied

from prospecting.actions.calendar_link import hash_of_key, remove_calendar_link, renew_calendar_link
from prospecting.models import CalendarLink, JournalEntry
from tests.make import make_member

pytestmark = pytest.mark.django_db


def test_a_new_key_kills_the_one_before_and_only_its_hash_is_kept():
    member = make_member()
    link, first = renew_calendar_link(member=member)
    again, second = renew_calendar_link(member=member)
    assert first != second
    assert re.fullmatch(r"[A-Za-z0-9_-]{43}", second)
    assert link.pk == again.pk
    kept = CalendarLink.objects.get()
    assert kept.key_sha256 == hash_of_key(second)
    assert second not in str(list(CalendarLink.objects.values()))
    lines = list(JournalEntry.objects.about(member))
    assert [line.what for line in lines] == [
        "made the private calendar address anew",
        "made a private calendar address",
    ]
    assert not any(second in str(vars(line)) or kept.key_sha256 in str(vars(line)) for line in lines)


def test_it_is_taken_away_once():
    member = make_member()
    renew_calendar_link(member=member)
    remove_calendar_link(member=member)
    remove_calendar_link(member=member)
    assert not CalendarLink.objects.exists()
    assert JournalEntry.objects.about(member).count() == 2


def test_guests_have_none():
    with pytest.raises(PermissionDenied):
        renew_calendar_link(member=make_member("guest"))
