import datetime
from threading import Barrier, Thread

import pytest
from django.core.exceptions import PermissionDenied
from django.db import connection
from django.utils import timezone

from prospecting.actions import invitations
from prospecting.actions.refusal import Refused
from prospecting.models import Invitation, JournalEntry, Member
from tests.make import make_member

UNITS = {"mass_unit": "lb", "grade_unit": "g_per_t", "dose_unit": "ml_per_l", "decimal_mark": "."}


def invited(**values) -> tuple[Invitation, str]:
    values = {"meant_for": "Jo from the ridge", "role": "guest", "days": 7} | values
    return invitations.invite(**({"invited_by": make_member("keeper")} | values))


def join(key: str, **values) -> Member:
    values = {"username": "jo", "first_name": "", "last_name": "", "password": "quartz and shovels"} | values
    return invitations.join(key=key, units=UNITS, **values)


@pytest.mark.django_db
def test_whoever_joins_has_the_role_the_keeper_said():
    invitation, key = invited()
    assert invitation.key_sha256 != key
    joined = join(key)
    assert (joined.role, joined.dose_unit) == ("guest", "ml_per_l")
    lines = list(JournalEntry.objects.order_by("pk").values_list("member__username", "what"))
    assert lines == [
        (invitation.invited_by.username, "invited as guest, open for 7 days"),
        ("jo", "joined as guest"),
        ("jo", "joined as guest by an invitation"),
    ]
    # Every member reads the journal; whom the keeper had in mind is not in it.
    assert "ridge" not in str(list(JournalEntry.objects.values()))


@pytest.mark.django_db
@pytest.mark.parametrize("ended", ["used", "withdrawn", "run out", "keeper gone", "keeper demoted"])
def test_what_is_no_longer_open_lets_nobody_in(ended):
    invitation, key = invited()
    keeper = invitation.invited_by
    if ended == "used":
        join(key, username="first")
    elif ended == "withdrawn":
        invitations.withdraw_invitation(invitation=invitation, withdrawn_by=keeper)
    elif ended == "run out":
        Invitation.objects.update(expires_at=timezone.now() - datetime.timedelta(seconds=1))
    else:
        Member.objects.filter(pk=keeper.pk).update(
            **({"is_active": False} if ended == "keeper gone" else {"role": "member"})
        )
    with pytest.raises(Refused) as refused:
        join(key)
    assert refused.value.code == "not_open"
    assert not Member.objects.filter(username="jo").exists()


@pytest.mark.django_db
def test_a_refused_name_or_password_leaves_the_invitation_open():
    invitation, key = invited()
    make_member(username="Jo")
    for values in ({}, {"username": "ann", "password": "short"}):
        with pytest.raises(Refused):
            join(key, **values)
    assert Invitation.objects.still_open().get() == invitation
    assert join(key, username="ann").username == "ann"


@pytest.mark.django_db
@pytest.mark.parametrize("role", ["guest", "member"])
def test_only_keepers_invite_and_withdraw(role):
    invitation, _ = invited()
    other = make_member(role)
    with pytest.raises(PermissionDenied):
        invited(invited_by=other)
    with pytest.raises(PermissionDenied):
        invitations.withdraw_invitation(invitation=invitation, withdrawn_by=other)
    with pytest.raises(Refused):
        invited(days=8)
    assert Invitation.objects.still_open().count() == 1


@pytest.mark.django_db
def test_a_used_invitation_is_not_withdrawn():
    invitation, key = invited()
    join(key)
    with pytest.raises(Refused, match="joined by it already"):
        invitations.withdraw_invitation(invitation=invitation, withdrawn_by=invitation.invited_by)


@pytest.mark.django_db(transaction=True)
def test_two_phones_at_once_make_exactly_one_member():
    _, key = invited()
    together, answers = Barrier(4), []

    def phone(number: int) -> None:
        try:
            together.wait()
            answers.append(join(key, username=f"jo{number}").username)
        except Refused as refused:
            answers.append(refused.code)
        finally:
            connection.close()

    phones = [Thread(target=phone, args=[number]) for number in range(4)]
    for each in phones:
        each.start()
    for each in phones:
        each.join()
    assert sorted(answers)[1:] == ["not_open"] * 3
    assert Member.objects.filter(username__startswith="jo").count() == 1


@pytest.mark.django_db
def test_an_invitation_withdrawn_twice_is_withdrawn_once():
    keeper = make_member("keeper")
    invitation, _ = invited(invited_by=keeper)
    first = invitations.withdraw_invitation(invitation=invitation, withdrawn_by=keeper)
    again = invitations.withdraw_invitation(invitation=invitation, withdrawn_by=keeper)
    assert again.withdrawn_at == first.withdrawn_at
    assert JournalEntry.objects.about(invitation).filter(what="withdrawn").count() == 1
