import datetime
import logging
import re
import uuid

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from prospecting.actions.invitations import invite
from prospecting.models import Invitation, Member, SignIn
from tests.make import make_member

PASSWORD = "a long enough password"
NEW = "quartz and shovels"
ADDRESS = re.compile(r"http://testserver(/join/[A-Za-z0-9_-]{43}/)")


def invite_form(**values) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "meant_for": "Jo from the ridge",
        "role": "member",
        "days": "7",
    } | values


def join_form(**values) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "username": "jo",
        "first_name": "Jo",
        "last_name": "Ridge",
        "password": NEW,
        "password_again": NEW,
        "mass_unit": "lb",
        "grade_unit": "g_per_t",
        "dose_unit": "ml_per_l",
        "decimal_mark": ".",
    } | values


def invited(**values) -> tuple[Invitation, str]:
    keeper = values.pop("invited_by", None) or make_member("keeper")
    values = {"meant_for": "Jo from the ridge", "role": "member", "days": 7, "invited_by": keeper} | values
    invitation, key = invite(**values)
    return invitation, reverse("join", args=[key])


@pytest.mark.django_db
def test_a_keeper_invites_and_whoever_has_the_link_joins_once(client_as):
    keeper = client_as("keeper")
    shown = keeper.post(reverse("invitation-add"), invite_form())
    page = shown.content.decode()
    address = ADDRESS.search(page)[1]
    assert '<path d="M' in page
    assert "no-store" in shown.headers["Cache-Control"]
    invitation = Invitation.objects.get()
    assert address.split("/")[2] not in str(Invitation.objects.values().get())
    # The link is shown this once.
    assert address not in keeper.get(reverse("invitation-list")).content.decode()
    assert "Jo from the ridge" in keeper.get(reverse("invitation-list")).content.decode()

    phone = Client()
    first = phone.get(address)
    assert first.status_code == 200
    assert first.headers["Referrer-Policy"] == "strict-origin"
    assert "Jo from the ridge" not in first.content.decode()
    assert phone.post(address, join_form()).url == reverse("home")
    joined = Member.objects.get(username="jo")
    assert (joined.role, joined.grade_unit, str(joined)) == ("member", "g_per_t", "Jo Ridge")
    assert phone.get(reverse("own-settings")).status_code == 200
    assert SignIn.objects.get().member == joined
    invitation.refresh_from_db()
    assert invitation.joined_as == joined

    other = Client()
    for answer in (other.get(address), other.post(address, join_form(username="else"))):
        assert answer.status_code == 410
        assert "Jo " not in answer.content.decode()
    assert not Member.objects.filter(username="else").exists()


@pytest.mark.django_db
def test_a_link_that_is_no_longer_open_opens_nothing(client_as):
    keeper = client_as("keeper")
    withdrawn, withdrawn_address = invited(invited_by=keeper.member)
    assert keeper.post(reverse("invitation-withdraw", args=[withdrawn.pk])).status_code == 302
    expired, expired_address = invited(invited_by=keeper.member)
    Invitation.objects.filter(pk=expired.pk).update(expires_at=timezone.now() - datetime.timedelta(seconds=1))
    gone = make_member("keeper")
    _, address_of_gone = invited(invited_by=gone)
    gone.is_active = False
    gone.save()
    for address in (withdrawn_address, expired_address, address_of_gone):
        for answer in (Client().get(address), Client().post(address, join_form())):
            assert answer.status_code == 410
            assert "was used, has run out or was withdrawn" in answer.content.decode()
            assert "ridge" not in answer.content.decode()
    unknown = reverse("join", args=["x" * 43])
    assert Client().get(unknown).status_code == 404
    assert not Member.objects.filter(username="jo").exists()
    listed = keeper.get(reverse("invitation-list")).content.decode()
    assert "withdrawn" in listed and "run out" in listed and "no keeper any more" in listed
    assert "No invitation is open." in listed


@pytest.mark.django_db
def test_guessed_keys_are_stopped(caplog):
    _, address = invited()
    for _ in range(20):
        Client().post(reverse("join", args=["x" * 43]), join_form())
    unknown = reverse("join", args=["y" * 43])
    answer = Client().get(unknown)
    assert answer.status_code == 429
    assert "Wait 15 minutes" in answer.content.decode()
    assert Client().get(unknown, REMOTE_ADDR="203.0.113.1").status_code == 404
    # Whoever has a right one is not kept out by strangers behind the same address.
    assert Client().post(address, join_form()).url == reverse("home")


@pytest.mark.django_db
def test_only_keepers_invite(client_as):
    invitation, _ = invited()
    for role in ("guest", "member"):
        client = client_as(role)
        assert client.get(reverse("invitation-list")).status_code == 403
        assert client.post(reverse("invitation-add"), invite_form()).status_code == 403
        assert client.post(reverse("invitation-withdraw", args=[invitation.pk])).status_code == 403
    assert Invitation.objects.still_open().count() == 1


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"meant_for": ""}, "This field is required"),
        ({"meant_for": "n" * 200}, "at most 120"),
        ({"role": "king"}, "Select a valid choice"),
        ({"days": "400"}, "Select a valid choice"),
        ({"days": "٣"}, "Select a valid choice"),
        ({"role": "keeper"}, "give your own password"),
        ({"role": "keeper", "current_password": "guessed"}, "This is not your password"),
    ],
)
def test_what_cannot_be_an_invitation_is_refused(client_as, values, said):
    page = client_as("keeper").post(reverse("invitation-add"), invite_form(**values)).content.decode()
    assert said in page
    assert not Invitation.objects.exists()


@pytest.mark.django_db
def test_a_keeper_is_invited_with_the_own_password(client_as):
    form = invite_form(role="keeper", current_password=PASSWORD)
    address = ADDRESS.search(client_as("keeper").post(reverse("invitation-add"), form).content.decode())[1]
    Client().post(address, join_form())
    assert Member.objects.get(username="jo").role == "keeper"


@pytest.mark.django_db
def test_the_same_form_sent_again_makes_no_second_link(client_as):
    keeper, form = client_as("keeper"), invite_form()
    keeper.post(reverse("invitation-add"), form)
    assert keeper.post(reverse("invitation-add"), form).url == reverse("invitation-list")
    assert Invitation.objects.count() == 1


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"username": ""}, "This field is required"),
        ({"username": "two words"}, "Enter a valid username"),
        ({"username": "KEEPER"}, "Someone is called KEEPER already"),
        ({"username": "jo\x00"}, "Null characters"),
        ({"password": "short", "password_again": "short"}, "too short"),
        ({"password": "password1234", "password_again": "password1234"}, "too common"),
        ({"password_again": "other"}, "The two passwords differ"),
        ({"mass_unit": "stone"}, "Select a valid choice"),
        ({"role": "keeper", "is_superuser": "on", "username": ""}, "This field is required"),
    ],
)
def test_who_joins_is_told_what_to_mend_and_the_link_stays_open(values, said):
    _, address = invited(invited_by=make_member("keeper", username="keeper"))
    answer = Client().post(address, join_form(**values))
    page = answer.content.decode()
    assert answer.status_code == 200
    assert said in page and 'value="Ridge"' in page and NEW not in page
    assert Member.objects.count() == 1
    assert Client().get(address).status_code == 200


@pytest.mark.django_db
def test_fields_nobody_asked_for_change_nothing():
    _, address = invited()
    Client().post(address, join_form(role="keeper", is_superuser="on", is_staff="on"))
    joined = Member.objects.get(username="jo")
    assert (joined.role, joined.is_superuser, joined.is_staff) == ("member", False, False)


@pytest.mark.django_db
def test_who_is_signed_in_does_not_join_again(client_as):
    _, address = invited()
    client = client_as("keeper")
    assert "Sign out before" in client.get(address).content.decode()
    client.post(address, join_form())
    assert not Member.objects.filter(username="jo").exists()


@pytest.mark.django_db
def test_a_key_is_in_no_line_of_the_log(caplog):
    from django.conf import settings
    from django.utils.module_loading import import_string

    line = settings.LOGGING["formatters"]["line"]
    written = import_string(line["()"])(line["format"], style=line["style"])
    invitation, address = invited()
    Invitation.objects.update(withdrawn_at=timezone.now())
    with caplog.at_level(logging.WARNING, "django.request"):
        Client().get(address)
        Client(enforce_csrf_checks=True).post(address)
    lines = [written.format(record) for record in caplog.records]
    assert len(lines) == 2
    assert any("/join/(key)/" in text for text in lines)
    assert address.split("/")[2] not in "".join(lines)
