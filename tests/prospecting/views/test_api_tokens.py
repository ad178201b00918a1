import re
import uuid

import pytest
from django.urls import reverse

from prospecting.actions.api_tokens import make_api_token
from prospecting.actions.calendar_link import renew_calendar_link
from prospecting.models import ApiToken
from tests import make
from tests.prospecting.make_token import program_of

pytestmark = pytest.mark.django_db

PASSWORD = "a long enough password"
LIST, ALL, ROOT = reverse("api-token-list"), reverse("api-token-all"), reverse("api-token")


def typed(**fields) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "name": "shed balance",
        "days": "90",
        "current_password": PASSWORD,
    } | fields


def end_address(token) -> str:
    return reverse("api-token-end", args=[token.pk])


def make_one(member, **fields) -> ApiToken:
    return make_api_token(member=member, **{"name": "sheet", "days": 30, "may_record": False} | fields)[0]


def test_a_token_is_shown_once_and_works(client_as):
    member, sent = client_as("member"), typed(may_record="on")
    shown = member.post(LIST, sent)
    assert "no-store" in shown.headers["Cache-Control"]
    [key] = re.findall(r"<code>([\w-]{43})</code>", shown.content.decode())
    told = program_of(key).get(ROOT).json()
    assert (told["token"], told["may_record"]) == ("shed balance", True)
    # Sent again by a reload, and looked at again: it is not told.
    assert member.post(LIST, sent).status_code == 302
    assert ApiToken.objects.count() == 1
    again = member.get(LIST).content.decode()
    assert key not in again and "shed balance" in again


def test_a_guest_makes_one_that_reads(client_as):
    guest = client_as("guest")
    assert "may_record" not in guest.get(LIST).content.decode()
    guest.post(LIST, typed(may_record="on"))
    assert not ApiToken.objects.get().may_record


@pytest.mark.parametrize(
    "change", [{"name": ""}, {"name": "x" * 81}, {"days": "5000"}, {"days": ""}, {"name": "a\0b"}]
)
def test_what_does_not_hold_is_refused_beside_its_field(client_as, change):
    member = client_as("member")
    answer = member.post(LIST, typed(**change))
    assert answer.status_code == 200
    [name] = change
    assert answer.context["form"].errors[name]
    assert not ApiToken.objects.exists()


def test_one_ends_ones_own_and_a_keeper_anybodys(client_as):
    member, keeper = client_as("member"), client_as("keeper")
    first, second = make_one(member.member), make_one(member.member)
    assert "End sheet" in member.get(end_address(first)).content.decode()
    assert not ApiToken.objects.exclude(ended_at=None).exists()
    assert member.post(end_address(first), typed()).url == LIST
    assert keeper.post(end_address(second), typed()).url == ALL
    assert ApiToken.objects.filter(ended_at=None).count() == 0
    assert "was ended on" in member.get(end_address(first)).content.decode()


def test_anothers_token_is_not_there_for_a_member(client_as):
    token = make_one(make.make_member())
    for role in ("guest", "member"):
        client = client_as(role)
        assert (
            client.get(end_address(token)).status_code
            == client.post(end_address(token), typed()).status_code
            == 404
        )
    token.refresh_from_db()
    assert token.ended_at is None


def test_the_keepers_page_has_everybodys(client_as, client, django_assert_max_num_queries):
    assert client_as("member").get(ALL).status_code == 403
    assert client.get(ALL).status_code == 302
    keeper = client_as("keeper")
    assert "Nobody has made a token" in keeper.get(ALL).content.decode()
    for _ in range(3):
        make_one(make.make_member(first_name="Ida"), name="Ida's sheet")
    with django_assert_max_num_queries(6):
        page = keeper.get(ALL).content.decode()
    assert page.count("Ida&#x27;s sheet") == 6 and page.count("never used") == 3


def test_the_page_says_where_it_leads(client_as):
    assert LIST in client_as("guest").get(reverse("own-settings")).content.decode()
    assert ALL in client_as("keeper").get(reverse("member-list")).content.decode()


@pytest.mark.parametrize(("password", "said"), [("", "required"), ("guessed", "This is not your password")])
def test_an_open_page_alone_makes_no_token(client_as, password, said):
    member = client_as("member")
    answer = member.post(LIST, typed(current_password=password))
    assert said in answer.content.decode()
    assert not ApiToken.objects.exists()


def test_a_keeper_ends_a_members_keys_with_a_new_password_or_everywhere(client_as):
    keeper, new = client_as("keeper"), "quartz and shovels"
    given = {"password": new, "password_again": new, "current_password": PASSWORD}
    for name, sent in (("member-password", typed(**given)), ("member-sign-out", {})):
        member = make.make_member()
        token, (_, key) = make_one(member), renew_calendar_link(member=member)
        assert keeper.post(reverse(name, args=[member.pk]), sent).status_code == 302
        token.refresh_from_db()
        assert token.ended_at
        assert keeper.get(reverse("calendar-feed", args=[key])).status_code == 404
    # A password of one's own leaves one's tokens alone.
    own = make_one(keeper.member)
    keeper.post(reverse("member-password", args=[keeper.member.pk]), typed(**given))
    own.refresh_from_db()
    assert own.ended_at is None
