"""Devices signed in: which of them end, and what of it is told. That an ended session opens nothing is tested with its pages."""

import pytest
from django.contrib.sessions.backends.db import SessionStore
from django.contrib.sessions.models import Session
from django.core.exceptions import PermissionDenied

from prospecting.actions import sign_ins
from prospecting.models import JournalEntry, SignIn
from tests.make import make_member

pytestmark = pytest.mark.django_db


def signed_in(member, device: str) -> str:
    store = SessionStore()
    store.create()
    sign_ins.begin_sign_in(member=member, session_key=store.session_key, device=device)
    return store.session_key


def open_keys(*keys: str) -> list[bool]:
    return [Session.objects.filter(session_key=key).exists() for key in keys]


def test_ending_the_others_leaves_this_one_and_other_members_alone():
    member, other = make_member(), make_member()
    here, phone, theirs = signed_in(member, "here"), signed_in(member, "phone"), signed_in(other, "theirs")
    sign_ins.end_other_sign_ins(member=member, session_key=here)
    assert open_keys(here, phone, theirs) == [True, False, True]
    assert list(SignIn.objects.filter(member=member).values_list("device", flat=True)) == ["here"]


def test_where_there_are_no_others_nothing_is_told():
    member = make_member()
    here = signed_in(member, "here")
    before = JournalEntry.objects.count()
    sign_ins.end_other_sign_ins(member=member, session_key=here)
    assert open_keys(here) == [True]
    assert JournalEntry.objects.count() == before


def test_one_device_is_ended_by_itself():
    member = make_member()
    here, phone = signed_in(member, "here"), signed_in(member, "phone")
    sign_ins.end_sign_in(sign_in=SignIn.objects.get(device="phone"), ended_by=member)
    assert open_keys(here, phone) == [True, False]


def test_a_keeper_ends_all_and_nobody_else_does():
    keeper, member = make_member("keeper"), make_member()
    here, phone = signed_in(member, "here"), signed_in(member, "phone")
    with pytest.raises(PermissionDenied):
        sign_ins.end_all_of_member(member=keeper, ended_by=member)
    sign_ins.end_all_of_member(member=member, ended_by=keeper)
    assert open_keys(here, phone) == [False, False]
