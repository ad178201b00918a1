"""One-time codes: what is refused while they are off or on. How they ask at the door is tested with its pages."""

import pytest
from django.core.exceptions import PermissionDenied
from django_otp.oath import totp
from django_otp.plugins.otp_totp.models import TOTPDevice

from prospecting.actions import one_time_codes
from prospecting.actions.refusal import Refused
from prospecting.models import JournalEntry
from tests.make import make_member

pytestmark = pytest.mark.django_db


def turned_on(member) -> list[str]:
    device = one_time_codes.begin_codes(member=member)
    # RFC 6238, by the library's own function and not by ours.
    return one_time_codes.turn_codes_on(member=member, code=f"{totp(device.bin_key):06d}")


def refused(act) -> str:
    """The code of a refusal, which must leave everything as it is."""

    def everything() -> list:
        return [list(model.objects.order_by("pk").values()) for model in (TOTPDevice, JournalEntry)]

    before = everything()
    with pytest.raises(Refused) as refusal:
        act()
    assert everything() == before
    return refusal.value.code


def test_while_they_are_off_there_is_nothing_to_renew_to_take_off_or_to_check():
    keeper, member = make_member("keeper"), make_member()
    assert refused(lambda: one_time_codes.renew_recovery_codes(member=member)) == "codes_off"
    assert (
        refused(lambda: one_time_codes.take_codes_off(member=member, why="lost", taken_by=keeper))
        == "codes_off"
    )
    assert refused(lambda: one_time_codes.take_codes_off_at_server(member=member)) == "codes_off"
    assert refused(lambda: one_time_codes.turn_codes_on(member=member, code="123456")) == "not_begun"
    assert one_time_codes.check_code(member=member, code="123456") is False


def test_a_key_that_is_only_begun_asks_for_nothing_yet():
    member = make_member()
    first = one_time_codes.begin_codes(member=member)
    second = one_time_codes.begin_codes(member=member)
    assert first.key != second.key
    assert TOTPDevice.objects.get() == second
    assert one_time_codes.codes_of(member) is None
    assert one_time_codes.turn_codes_on(member=member, code="12345") is None
    assert one_time_codes.codes_of(member) is None


def test_while_they_are_on_no_new_key_takes_their_place():
    member = make_member()
    turned_on(member)
    assert refused(lambda: one_time_codes.begin_codes(member=member)) == "codes_on"


def test_each_recovery_code_opens_once_and_none_of_those_before_new_ones():
    member = make_member()
    first, second, *_ = turned_on(member)
    assert one_time_codes.check_code(member=member, code=first) is True
    assert one_time_codes.check_code(member=member, code=first) is False
    left = JournalEntry.objects.about(member).first().what
    assert str(one_time_codes.recovery_codes_left(member)) in left
    renewed = one_time_codes.renew_recovery_codes(member=member)
    assert one_time_codes.check_code(member=member, code=second) is False
    assert one_time_codes.check_code(member=member, code=renewed[0]) is True


def test_a_keeper_takes_them_off_for_another_and_never_their_own():
    keeper, member = make_member("keeper"), make_member()
    for each in (keeper, member):
        turned_on(each)
    own = refused(lambda: one_time_codes.take_codes_off(member=keeper, why="lost", taken_by=keeper))
    assert own == "own_codes"
    with pytest.raises(PermissionDenied):
        one_time_codes.take_codes_off(member=keeper, why="lost", taken_by=member)
    one_time_codes.take_codes_off(member=member, why="phone in the creek", taken_by=keeper)
    assert one_time_codes.codes_of(member) is None
    assert JournalEntry.objects.about(member).first().why == "phone in the creek"


def test_at_the_server_they_come_off_without_another_keeper():
    keeper = make_member("keeper")
    turned_on(keeper)
    one_time_codes.take_codes_off_at_server(member=keeper)
    assert one_time_codes.codes_of(keeper) is None
    assert JournalEntry.objects.about(keeper).first().member is None
