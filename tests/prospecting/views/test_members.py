import json
import uuid

import pytest
from django.http import HttpRequest
from django.test import Client
from django.urls import reverse

from prospecting.models import Delivery, Member
from tests.make import make_lot, make_member

OLD = "a long enough password"
NEW = "quartz and shovels"
UNITS = {"mass_unit": "lb", "grade_unit": "ozt_per_short_ton", "dose_unit": "ml_per_l", "decimal_mark": "."}


def member_form(**values) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "username": "tarn",
        "first_name": "Bo",
        "last_name": "Tarn",
        "role": "member",
        "password": NEW,
        "password_again": NEW,
    } | values


def keeper_pages(pk: int) -> list[str]:
    return [
        reverse("member-list"),
        reverse("member-add"),
        reverse("member-edit", args=[pk]),
        reverse("member-password", args=[pk]),
    ]


@pytest.mark.django_db
def test_pages_about_members_are_for_keepers(client_as, client, django_assert_max_num_queries):
    keeper, member, guest = client_as("keeper"), client_as("member"), client_as("guest")
    for url in keeper_pages(guest.member.pk):
        assert client.get(url).status_code == 302
        for other in (guest, member):
            assert other.get(url).status_code == 403
            # The list answers no post at all.
            assert other.post(url, member_form()).status_code == (
                405 if url == reverse("member-list") else 403
            )
        with django_assert_max_num_queries(19):
            answer = keeper.get(url)
        assert answer.status_code == 200
    assert not Member.objects.filter(username="tarn").exists()


@pytest.mark.django_db
def test_the_list_names_each_member_with_the_role(client_as):
    keeper = client_as("keeper")
    make_member("guest", username="reader", is_active=False)
    page = keeper.get(reverse("member-list")).content.decode()
    assert "reader" in page
    assert "no, switched off" in page


@pytest.mark.django_db
def test_a_member_added_here_can_sign_in(client_as):
    answer = client_as("keeper").post(reverse("member-add"), member_form())
    assert answer.url == reverse("member-list")
    assert Client().login(request=HttpRequest(), username="tarn", password=NEW)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"username": ""}, "This field is required."),
        ({"username": "two words"}, "Enter a valid username"),
        ({"username": "n" * 200}, "at most 150"),
        ({"username": "bo\x00"}, "Null characters"),
        ({"role": "king"}, "Select a valid choice"),
        ({"password": "short", "password_again": "short"}, "too short"),
        ({"password": "password1234", "password_again": "password1234"}, "too common"),
        ({"password_again": "something else"}, "The two passwords differ"),
        ({"password": "x" * 400, "password_again": "x" * 400}, "at most 128"),
        ({"identity": "not-an-identity"}, "Enter a valid UUID"),
    ],
)
def test_what_cannot_be_a_member_is_refused_and_what_was_typed_kept(client_as, values, said):
    answer = client_as("keeper").post(reverse("member-add"), member_form(**values))
    page = answer.content.decode()
    assert answer.status_code == 200
    assert said in page
    assert 'value="Tarn"' in page
    assert NEW not in page
    assert Member.objects.count() == 1
    assert not Delivery.objects.exists()


@pytest.mark.django_db
def test_a_form_sent_twice_adds_one_member(client_as):
    keeper, form = client_as("keeper"), member_form()
    first, second = keeper.post(reverse("member-add"), form), keeper.post(reverse("member-add"), form)
    assert first.url == second.url
    assert Member.objects.filter(username="tarn").count() == 1
    other = keeper.post(reverse("member-add"), form | {"password": NEW + "!", "password_again": NEW + "!"})
    assert "already recorded once, with other values" in other.content.decode()
    assert Member.objects.get(username="tarn").check_password(NEW)


@pytest.mark.django_db
def test_what_identifies_an_entry_holds_no_quick_hash_of_a_password(rf):
    """Whoever reads the stored hash must not be able to try passwords against it faster than against the slow one."""
    from prospecting.forms.members import MemberAddForm

    form = MemberAddForm(rf.post("/", member_form()).POST, member=make_member("keeper"), ask=lambda typed: "")
    assert form.is_valid()
    body = form.typed_body()
    assert body["username"] == ["tarn"]
    assert NEW not in str(body)
    assert body["password"][0].count("$") >= 2


@pytest.mark.django_db
def test_the_last_keeper_is_told_why_they_stay(client_as):
    keeper = client_as("keeper")
    url = reverse("member-edit", args=[keeper.member.pk])
    page = keeper.post(
        url, {"identity": str(uuid.uuid4()), "role": "member", "is_active": "on"}
    ).content.decode()
    assert "is the only keeper who can sign in" in page
    assert keeper.get(reverse("member-list")).status_code == 200


@pytest.mark.django_db
def test_switching_a_member_off_ends_their_session(client_as):
    keeper, member = client_as("keeper"), client_as("member")
    assert member.get(reverse("zone-list")).status_code == 200
    url = reverse("member-edit", args=[member.member.pk])
    assert keeper.post(url, {"identity": str(uuid.uuid4()), "role": "member"}).status_code == 302
    assert member.get(reverse("zone-list")).status_code == 302
    assert "may no longer sign in" in keeper.get(url).content.decode()


@pytest.mark.django_db
def test_a_role_taken_away_holds_from_the_next_click(client_as):
    keeper, other = client_as("keeper"), client_as("keeper")
    url = reverse("member-edit", args=[other.member.pk])
    keeper.post(url, {"identity": str(uuid.uuid4()), "role": "guest", "is_active": "on"})
    assert other.get(reverse("member-list")).status_code == 403


@pytest.mark.django_db
def test_a_keeper_gives_a_new_password(client_as):
    keeper, member = client_as("keeper"), client_as("member")
    url = reverse("member-password", args=[member.member.pk])
    form = {
        "identity": str(uuid.uuid4()),
        "password": NEW,
        "password_again": NEW,
        "current_password": OLD,
    }
    assert keeper.post(url, form | {"password_again": "x"}).status_code == 200
    assert keeper.post(url, form | {"current_password": "guessed"}).status_code == 200
    assert member.get(reverse("zone-list")).status_code == 200
    assert keeper.post(url, form).status_code == 302
    assert member.get(reverse("zone-list")).status_code == 302
    assert Client().login(request=HttpRequest(), username=member.member.username, password=NEW)


@pytest.mark.django_db
def test_a_keeper_who_gives_themselves_a_password_stays_signed_in(client_as):
    keeper = client_as("keeper")
    url = reverse("member-password", args=[keeper.member.pk])
    form = {"identity": str(uuid.uuid4()), "password": NEW, "password_again": NEW, "current_password": OLD}
    keeper.post(url, form)
    assert keeper.get(reverse("member-list")).status_code == 200


@pytest.mark.django_db
@pytest.mark.parametrize("role", ["guest", "member", "keeper"])
def test_everyone_chooses_their_own_units(client_as, role, django_assert_max_num_queries):
    client = client_as(role)
    with django_assert_max_num_queries(19):
        assert client.get(reverse("own-settings")).status_code == 200
    answer = client.post(reverse("own-settings"), UNITS | {"identity": str(uuid.uuid4())})
    assert answer.url == reverse("own-settings")
    client.member.refresh_from_db()
    assert client.member.mass_unit == "lb"


@pytest.mark.django_db
@pytest.mark.parametrize("values", [{"mass_unit": "stone"}, {"mass_unit": ""}, {"dose_unit": "٣"}])
def test_unknown_units_change_nothing(client_as, values):
    client = client_as("member")
    answer = client.post(reverse("own-settings"), UNITS | {"identity": str(uuid.uuid4())} | values)
    assert answer.status_code == 200
    client.member.refresh_from_db()
    assert client.member.mass_unit == "kg"


@pytest.mark.django_db
@pytest.mark.parametrize("role", ["guest", "member"])
def test_everyone_changes_their_own_password(client_as, role):
    client, other = client_as(role), Client()
    other.force_login(client.member)
    form = {"current_password": OLD, "password": NEW, "password_again": NEW, "identity": str(uuid.uuid4())}
    assert client.get(reverse("own-password")).status_code == 200
    assert client.post(reverse("own-password"), form).url == reverse("own-settings")
    assert client.get(reverse("own-settings")).status_code == 200
    assert other.get(reverse("own-settings")).status_code == 302
    again = client.post(reverse("own-password"), form)
    assert "This is not your password." in again.content.decode()


@pytest.mark.django_db
@pytest.mark.parametrize(
    "values",
    [
        {"current_password": "guess"},
        {"current_password": ""},
        {"password": "", "password_again": ""},
        {"password": "short", "password_again": "short"},
        {"password_again": "other"},
    ],
)
def test_a_password_stays_when_anything_is_wrong(client_as, values):
    client = client_as("member")
    form = {"current_password": OLD, "password": NEW, "password_again": NEW, "identity": str(uuid.uuid4())}
    assert client.post(reverse("own-password"), form | values).status_code == 200
    client.member.refresh_from_db()
    assert client.member.check_password(OLD)


@pytest.mark.django_db
def test_own_pages_ask_to_sign_in(client):
    for name in ("own-settings", "own-password"):
        assert client.get(reverse(name)).url.startswith(reverse("sign-in"))


@pytest.mark.django_db
def test_making_a_keeper_takes_the_keepers_own_password(client_as):
    keeper, member = client_as("keeper"), client_as("member")
    edit = {"identity": str(uuid.uuid4()), "role": "keeper", "is_active": "on"}
    for url, form in (
        (reverse("member-edit", args=[member.member.pk]), edit),
        (reverse("member-add"), member_form(role="keeper")),
    ):
        for typed, said in (("", "give your own password"), ("guessed", "This is not your password")):
            assert said in keeper.post(url, form | {"current_password": typed}).content.decode()
            assert Member.objects.filter(role="keeper").count() == 1
    keeper.post(reverse("member-edit", args=[member.member.pk]), edit | {"current_password": OLD})
    assert Member.objects.filter(role="keeper").count() == 2


@pytest.mark.django_db
def test_the_own_password_is_not_tried_out_on_an_open_page(client_as):
    client = client_as("member")
    form = {"password": NEW, "password_again": NEW}
    for _ in range(10):
        answer = client.post(
            reverse("own-password"), form | {"current_password": "guessed", "identity": str(uuid.uuid4())}
        )
    assert "Wait 15 minutes" in answer.content.decode()
    right = form | {"current_password": OLD, "identity": str(uuid.uuid4())}
    assert "Too many wrong tries" in client.post(reverse("own-password"), right).content.decode()
    client.member.refresh_from_db()
    assert client.member.check_password(OLD)


@pytest.mark.django_db
def test_a_password_of_64_signs_and_more_is_taken_whole(client_as):
    client, long = client_as("member"), "quartz " * 18 + "q"
    form = {"current_password": OLD, "password": long, "password_again": long, "identity": str(uuid.uuid4())}
    assert client.post(reverse("own-password"), form).status_code == 302
    client.member.refresh_from_db()
    assert client.member.check_password(long) and not client.member.check_password(long[:-1])


@pytest.mark.django_db
def test_own_data_holds_what_names_the_member_and_no_key(client_as):
    from prospecting.actions.calendar_link import renew_calendar_link
    from prospecting.models import JournalEntry

    client = client_as("member", email="bo@example.org")
    lot = make_lot(member=client.member)
    make_lot(member=make_member())
    renew_calendar_link(member=client.member)
    assert client.get(reverse("own-data")).status_code == 200
    answer = client.post(reverse("own-data"))
    assert "attachment" in answer.headers["Content-Disposition"]
    held = json.loads(answer.content)
    assert held["profile"]["email"] == "bo@example.org"
    assert [row["id"] for row in held["held"]["step as recorded_by"]] == [lot.made_by_id]
    assert (
        len(held["held"]["journal entry as member"])
        == JournalEntry.objects.filter(member=client.member).count() - 1
    )
    text = answer.content.decode()
    assert client.member.password not in text and "sha256" not in text
    assert JournalEntry.objects.filter(subject_kind="export", member=client.member).count() == 1


def test_own_data_knows_every_model_that_points_at_members():
    """A model added later is walked over without being named here: as many as the fields that point at members."""
    from django.apps import apps
    from django.db.models import ForeignKey

    from prospecting.frames.own_data import _relations

    pointing = [
        field
        for model in apps.get_models(include_auto_created=True)
        for field in model._meta.local_fields
        if isinstance(field, ForeignKey) and field.related_model is Member
    ]
    assert len(pointing) > 30
    assert {relation.field for relation in _relations()} == set(pointing)


@pytest.mark.django_db
def test_letting_a_keeper_in_again_takes_the_keepers_own_password(client_as):
    keeper, other = client_as("keeper"), make_member("keeper", is_active=False)
    url = reverse("member-edit", args=[other.pk])
    stands = {"identity": str(uuid.uuid4()), "role": "keeper", "first_name": "Ida"}
    # As long as they stay out nothing is asked.
    assert keeper.post(url, stands).status_code == 302
    back = stands | {"identity": str(uuid.uuid4()), "is_active": "on"}
    for typed, said in (("", "give your own password"), ("guessed", "This is not your password")):
        assert said in keeper.post(url, back | {"current_password": typed}).content.decode()
        assert not Member.objects.get(pk=other.pk).is_active
    assert keeper.post(url, back | {"current_password": OLD}).status_code == 302
    assert Member.objects.get(pk=other.pk).is_active
