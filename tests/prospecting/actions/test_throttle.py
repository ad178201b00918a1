import datetime
from types import SimpleNamespace

import pytest
from axes.models import AccessAttempt
from django.test import RequestFactory
from django.utils import timezone

from prospecting.actions import throttle
from prospecting.actions.throttle import Caller
from prospecting.models import JournalEntry
from tests.make import make_member

HERE, THERE = Caller("198.51.100.7"), Caller("203.0.113.9")


def wrong(counts, times: int) -> int:
    return [throttle.count_wrong(counts, what="a wrong password") for _ in range(times)][-1]


def later(**passed) -> None:
    """Let time pass: what was counted lies that much longer ago."""
    for attempt in AccessAttempt.objects.all():
        AccessAttempt.objects.filter(pk=attempt.pk).update(
            attempt_time=attempt.attempt_time - datetime.timedelta(**passed)
        )


@pytest.mark.django_db
def test_ten_wrong_tries_lock_a_name_at_one_address_for_a_quarter_of_an_hour():
    counts = throttle.sign_in_counts("tarn", HERE)
    assert wrong(counts, 9) == 0
    assert throttle.minutes_to_wait(counts) == 0
    assert wrong(counts, 1) == 15
    assert throttle.minutes_to_wait(throttle.sign_in_counts(" TARN ", HERE)) == 15
    # The same name from elsewhere, and another name from here, are free.
    assert throttle.minutes_to_wait(throttle.sign_in_counts("tarn", THERE)) == 0
    assert throttle.minutes_to_wait(throttle.sign_in_counts("bo", HERE)) == 0
    later(minutes=14)
    assert throttle.minutes_to_wait(counts) == 1
    later(minutes=1)
    assert throttle.minutes_to_wait(counts) == 0
    assert wrong(counts, 1) == 0


@pytest.mark.django_db
def test_fifty_wrong_tries_at_many_names_lock_the_address():
    for number in range(49):
        wrong(throttle.sign_in_counts(f"name{number}", HERE), 1)
    assert throttle.minutes_to_wait(throttle.sign_in_counts("tarn", HERE)) == 0
    wrong(throttle.sign_in_counts("name50", HERE), 1)
    assert throttle.minutes_to_wait(throttle.sign_in_counts("tarn", HERE)) == 15
    assert throttle.minutes_to_wait(throttle.sign_in_counts("tarn", THERE)) == 0


@pytest.mark.django_db
@pytest.mark.parametrize("own", ["tarn", "Ümit"])
def test_a_device_the_member_signed_in_on_is_kept_out_by_nobody_else(own):
    member = make_member(username=own)
    known = Caller(HERE.address, device_member=member.pk, device="mark")
    for name in (own, *(f"name{number}" for number in range(50))):
        wrong(throttle.sign_in_counts(name, HERE), 10 if name == own else 1)
    assert throttle.minutes_to_wait(throttle.sign_in_counts(own, HERE)) == 15
    assert throttle.minutes_to_wait(throttle.sign_in_counts(own, known)) == 0
    # It is no way round: it is counted by itself, and for its own member only.
    assert wrong(throttle.sign_in_counts(own, known), 10) == 15
    assert throttle.minutes_to_wait(throttle.sign_in_counts("bo", known)) == 15


@pytest.mark.django_db
def test_codes_are_counted_at_the_member_from_whatever_address():
    member = make_member()
    for number in range(5):
        wait = throttle.count_wrong(throttle.code_counts(member, Caller(f"198.51.100.{number}")), what="x")
    assert wait == 15
    assert throttle.minutes_to_wait(throttle.code_counts(member, THERE)) == 15
    assert throttle.minutes_to_wait(throttle.code_counts(make_member(), THERE)) == 0


@pytest.mark.django_db
def test_a_right_try_clears_the_name_and_leaves_the_address():
    counts = throttle.sign_in_counts("tarn", HERE)
    wrong(counts, 9)
    throttle.forget_wrong(counts)
    assert wrong(counts, 9) == 0
    assert AccessAttempt.objects.get(username=counts[1].key).failures_since_start == 18


@pytest.mark.django_db
def test_what_was_typed_is_kept_nowhere_and_old_counts_go():
    typed = "my secret typed as a name"
    wrong(throttle.sign_in_counts(typed, HERE), 3)
    kept = str(list(AccessAttempt.objects.values())) + str(list(JournalEntry.objects.values()))
    assert "secret" not in kept
    later(minutes=16)
    wrong(throttle.sign_in_counts("other", THERE), 1)
    assert AccessAttempt.objects.count() == 2


@pytest.mark.django_db
def test_the_journal_keeps_the_first_and_the_last_of_a_row_of_tries_and_is_never_flooded():
    counts = throttle.sign_in_counts("tarn", HERE)
    wrong(counts, 10)
    said = list(JournalEntry.objects.order_by("pk").values_list("what", flat=True))
    assert said == ["a wrong password", "a wrong password: too often, locked for 15 minutes"]
    for number in range(150):
        wrong(throttle.sign_in_counts(f"name{number}", Caller(f"192.0.2.{number}")), 1)
    assert JournalEntry.objects.count() == throttle.MOST_LINES_AN_HOUR


def address(proxies: int, *, remote: str = "127.0.0.1", forwarded: str | None = None) -> str:
    headers = {} if forwarded is None else {"X-Forwarded-For": forwarded}
    request = RequestFactory().get("/", headers=headers, REMOTE_ADDR=remote)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(throttle, "settings", SimpleNamespace(PROXIES=proxies))
        return throttle.caller_of(request).address


@pytest.mark.parametrize(
    ("proxies", "remote", "forwarded", "read"),
    [
        (0, "192.0.2.1", None, "192.0.2.1"),
        (0, "192.0.2.1", "198.51.100.1", "192.0.2.1"),
        (1, "127.0.0.1", "198.51.100.1", "198.51.100.1"),
        # What the caller forged stands in front of what the proxy added.
        (1, "127.0.0.1", "203.0.113.66, 198.51.100.1", "198.51.100.1"),
        (2, "127.0.0.1", "203.0.113.66, 198.51.100.1, 10.0.0.2", "198.51.100.1"),
        (2, "127.0.0.1", "198.51.100.1", "127.0.0.1"),
        (1, "127.0.0.1", None, "0.0.0.0"),
        (1, "127.0.0.1", "nonsense", "0.0.0.0"),
        (0, "", None, "0.0.0.0"),
        (0, "2001:db8:1:2:3:4:5:6", None, "2001:db8:1:2::"),
        (0, "::ffff:192.0.2.1", None, "192.0.2.1"),
    ],
)
def test_the_address_is_what_the_last_declared_proxy_saw(proxies, remote, forwarded, read):
    assert address(proxies, remote=remote, forwarded=forwarded) == read


def test_a_device_mark_nobody_signed_is_no_mark():
    request = RequestFactory().get("/")
    request.COOKIES[throttle.DEVICE_COOKIE] = "1:mark:forged"
    assert throttle.caller_of(request).device == ""


@pytest.mark.django_db
def test_a_lock_is_not_drawn_out_by_going_on():
    counts = throttle.sign_in_counts("tarn", HERE)
    wrong(counts, 10)
    began = AccessAttempt.objects.get(username=counts[0].key).attempt_time
    later(minutes=10)
    # What a page does while it has to wait: it asks, and counts nothing.
    assert throttle.minutes_to_wait(counts) == 5
    assert timezone.now() - began < datetime.timedelta(minutes=1)


@pytest.mark.django_db
def test_strangers_who_try_codes_never_lock_the_device_the_member_signed_in_on():
    member = make_member()
    known = Caller(HERE.address, device_member=member.pk, device="mark")
    # Five wrong codes lock, a sixth is not looked at: at the member for all strangers, at the device for itself.
    assert wrong(throttle.code_counts(member, THERE), throttle.MOST_CODES) == 15
    assert throttle.minutes_to_wait(throttle.code_counts(member, HERE)) == 15
    assert throttle.minutes_to_wait(throttle.code_counts(member, known)) == 0
    assert wrong(throttle.code_counts(member, known), throttle.MOST_CODES) == 15
    # A device of somebody else is a stranger's.
    other = Caller(HERE.address, device_member=make_member().pk, device="mark")
    assert throttle.code_counts(member, other) == throttle.code_counts(member, HERE)


@pytest.mark.django_db
def test_a_try_that_no_request_brought_or_that_was_locked_out_is_not_counted():
    tries = throttle.SignInTries()
    locked = SimpleNamespace(axes_locked_out=True)
    for request in (None, locked):
        tries.user_login_failed(None, {"username": "tarn"}, request)
    assert not AccessAttempt.objects.exists()
    assert not JournalEntry.objects.exists()
