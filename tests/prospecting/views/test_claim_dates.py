import datetime
import re
import uuid

import pytest
from django.urls import reverse
from django.utils import timezone

from prospecting.models import ClaimDate, Delivery
from tests.make import make_claim, make_claim_date, make_member

pytestmark = pytest.mark.django_db

LIST = reverse("claim-date-list")


def form(**values) -> dict:
    due = timezone.localdate() + datetime.timedelta(days=40)
    fields = {"what": "yearly fee", "due_on": due.isoformat(), "remind_days": "60"}
    return {"identity": str(uuid.uuid4())} | fields | values


def words(response) -> str:
    assert response.status_code == 200
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def test_each_page_is_for_members_and_costs_few_queries(client, client_as, django_assert_max_num_queries):
    date = make_claim_date(is_yearly=True, watched_by=make_member())
    for days in (-9, 3, 20, 90):
        make_claim_date(date.claim, days=days, what=f"in {days}")
    addresses = [
        LIST,
        reverse("claim-date-add", args=[date.claim_id]),
        *(
            reverse(name, args=[date.pk])
            for name in ("claim-date-edit", "claim-date-keep", "claim-date-reopen", "claim-date-void")
        ),
    ]
    guest, readers = client_as("guest"), [client_as("member"), client_as("keeper")]
    for address in addresses:
        assert client.get(address).url.startswith(reverse("sign-in"))
        assert guest.get(address).status_code == 403
        for reader in readers:
            with django_assert_max_num_queries(12):
                page = reader.get(address)
            # The caution stands where a date is typed, read or kept.
            assert "The land agency, the county and the state decide" in words(page)
        assert guest.post(address, form()).status_code in (403, 405)


def test_a_date_kept_by_mistake_is_opened_again_with_a_reason(client_as):
    keeper, date = client_as("keeper"), make_claim_date(what="county filing")
    address = reverse("claim-date-reopen", args=[date.pk])
    assert "It is not marked as kept" in words(keeper.get(address))
    done = {
        "identity": str(uuid.uuid4()),
        "done_on": timezone.localdate().isoformat(),
        "done_how": "receipt 12",
    }
    keeper.post(reverse("claim-date-keep", args=[date.pk]), done)
    assert "Open again : county filing" in words(keeper.get(LIST))
    assert "Who marked it opens it again" in words(keeper.get(address))
    for reason in ("", "x" * 201, "a\x00b"):
        answer = keeper.post(address, {"identity": str(uuid.uuid4()), "reason": reason})
        assert answer.context["form"].errors["reason"]
    sent = {"identity": str(uuid.uuid4()), "reason": "it was the other claim"}
    assert client_as("guest").post(address, sent).status_code == 403
    refused = client_as("member").post(address, sent | {"identity": str(uuid.uuid4())})
    assert "Only who marked this date as kept" in words(refused)
    assert keeper.post(address, sent).url == keeper.post(address, sent).url == date.get_absolute_url()
    date.refresh_from_db()
    assert date.is_open
    # It stands among the open dates again, with its reminder.
    assert "Mark as kept : county filing" in words(keeper.get(LIST))


@pytest.mark.parametrize(
    "name", ["claim-date-add", "claim-date-edit", "claim-date-keep", "claim-date-reopen", "claim-date-void"]
)
def test_what_is_not_there_is_a_missing_page(client_as, name):
    assert client_as("member").get(reverse(name, args=[999_999])).status_code == 404


def test_the_list_says_what_comes_first_when_it_is_empty(client_as):
    assert "No claim is in the books yet" in words(client_as("member").get(LIST))
    make_claim()
    assert "No date is written down yet" in words(client_as("member").get(LIST))


def test_dates_stand_by_how_near_they_are_with_who_watches(client_as):
    watcher = make_member(first_name="Ida")
    make_claim_date(days=-2, what="county filing", watched_by=watcher)
    make_claim_date(days=0, what="permission ends")
    make_claim_date(days=60, what="fee of the sixtieth day")
    make_claim_date(days=61, what="fee of the day after")
    done = make_claim_date(days=-30, what="kept one")
    done.done_on, done.done_by, done.done_how = timezone.localdate(), watcher, "receipt 12"
    done.save()
    make_claim_date(days=5, what="voided one", voided_at=timezone.now(), void_reason="typed in twice")
    said = words(client_as("member").get(LIST))
    order = [
        "Past and not kept",
        "county filing",
        "2 days past",
        "Ida watches it.",
        "In the next 60 days",
        "permission ends",
        "today",
        "Nobody watches it.",
        "fee of the sixtieth day",
        "in 60 days",
        "Later",
        "fee of the day after",
        "Kept or voided (2)",
    ]
    places = [said.index(each) for each in order]
    assert places == sorted(places)
    assert "receipt 12" in said
    assert "typed in twice" in said


def test_a_date_is_added_once_and_shown_on_the_claim_to_members_only(client_as):
    member, claim = client_as("member"), make_claim("Lantern")
    address, sent = (
        reverse("claim-date-add", args=[claim.pk]),
        form(watched_by=make_member(first_name="Ida").pk),
    )
    assert member.post(address, sent).url == member.post(address, sent).url == claim.get_absolute_url()
    date = ClaimDate.objects.get()
    assert (date.what, date.remind_days, str(date.watched_by), date.is_yearly) == (
        "yearly fee",
        60,
        "Ida",
        False,
    )
    assert "yearly fee" in words(member.get(claim.get_absolute_url()))
    assert "yearly fee" not in words(client_as("guest").get(claim.get_absolute_url()))


@pytest.mark.parametrize(
    "values",
    [
        {"what": ""},
        {"what": "x" * 121},
        {"what": "a\x00b"},
        {"due_on": ""},
        {"due_on": "soon"},
        {"due_on": "2026-02-30"},
        {"due_on": "9999-12-31"},
        {"due_on": "0001-01-01"},
        {"remind_days": ""},
        {"remind_days": "-1"},
        {"remind_days": "367"},
        {"remind_days": "1.5"},
        {"remind_days": "a week"},
        {"watched_by": "999999"},
        {"watched_by": "me"},
        {"note": "x" * 201},
        {"identity": "none"},
    ],
)
def test_a_date_that_cannot_be_is_refused_and_what_was_typed_kept(client_as, values):
    claim = make_claim()
    answer = client_as("member").post(
        reverse("claim-date-add", args=[claim.pk]), form(**{"note": "counter 3 & 4"} | values)
    )
    assert answer.status_code == 200
    page = answer.content.decode()
    assert 'role="alert"' in page
    assert "counter 3 &amp; 4" in page or "note" in values
    assert not ClaimDate.objects.exists()
    assert not Delivery.objects.exists()


def test_a_guest_cannot_be_chosen_to_watch(client_as):
    claim, guest = make_claim(), make_member("guest", first_name="Guesty")
    member = client_as("member")
    address = reverse("claim-date-add", args=[claim.pk])
    assert "Guesty" not in member.get(address).content.decode()
    assert "Choose one of the members" in words(member.post(address, form(watched_by=guest.pk)))


def test_a_day_that_is_past_is_asked_back_and_kept_when_meant(client_as):
    claim, member = make_claim(), client_as("member")
    address = reverse("claim-date-add", args=[claim.pk])
    sent = form(due_on="2026-01-01")
    assert "is past already" in words(member.post(address, sent))
    assert not ClaimDate.objects.exists()
    assert member.post(address, sent | {"keep_as_typed": "on"}).status_code == 302
    # Once it stands, a change of something else does not ask again.
    date = ClaimDate.objects.get()
    change = form(due_on="2026-01-01", note="counter 3")
    assert member.post(reverse("claim-date-edit", args=[date.pk]), change).status_code == 302
    date.refresh_from_db()
    assert date.note == "counter 3"


def test_a_yearly_date_is_kept_and_the_next_is_proposed(client_as):
    member = client_as("member")
    date = make_claim_date(due_on=datetime.date(2028, 2, 29), is_yearly=True)
    address = reverse("claim-date-keep", args=[date.pk])
    assert 'value="2029-02-28"' in member.get(address).content.decode()
    sent = {
        "identity": str(uuid.uuid4()),
        "done_on": timezone.localdate().isoformat(),
        "done_how": "receipt 12",
    }
    early = words(member.post(address, sent | {"next_due_on": "2028-02-01"}))
    assert "The next one comes after this one" in early
    assert member.post(address, sent | {"next_due_on": "2029-03-01"}).url == date.get_absolute_url()
    assert ClaimDate.objects.open().get().due_on == datetime.date(2029, 3, 1)
    again = words(member.post(address, sent | {"identity": str(uuid.uuid4())}))
    assert "This date was kept on" in again
    assert ClaimDate.objects.count() == 2


def test_a_date_of_one_year_asks_for_no_next_one(client_as):
    member, date = client_as("member"), make_claim_date()
    address = reverse("claim-date-keep", args=[date.pk])
    assert "The next one is due on" not in words(member.get(address))
    sent = {
        "identity": str(uuid.uuid4()),
        "done_on": timezone.localdate().isoformat(),
        "done_how": "receipt 12",
        "next_due_on": "2030-01-01",
    }
    assert member.post(address, sent).status_code == 302
    assert ClaimDate.objects.count() == 1


def test_what_is_over_says_so_and_offers_no_form(client_as):
    member = client_as("member")
    void = make_claim_date(voided_at=timezone.now(), void_reason="typed in twice")
    kept = make_claim_date()
    kept.done_on, kept.done_by, kept.done_how = timezone.localdate(), make_member(), "receipt 12"
    kept.save()
    for date, said in ((void, "typed in twice"), (kept, "receipt 12")):
        for name in ("claim-date-edit", "claim-date-keep"):
            page = member.get(reverse(name, args=[date.pk]))
            assert said in words(page)
            assert 'name="identity"' not in page.content.decode()


def test_voiding_asks_why_and_leaves_the_date_to_be_read(client_as):
    keeper, date = client_as("keeper"), make_claim_date(what="wrong fee")
    address = reverse("claim-date-void", args=[date.pk])
    assert "This field is required." in words(
        keeper.post(address, {"identity": str(uuid.uuid4()), "reason": " "})
    )
    assert "Only who typed this date in" in words(
        client_as("member").post(address, {"identity": str(uuid.uuid4()), "reason": "no"})
    )
    assert (
        keeper.post(address, {"identity": str(uuid.uuid4()), "reason": "the wrong claim"}).status_code == 302
    )
    said = words(keeper.get(date.get_absolute_url()))
    assert "wrong fee" in said
    assert "the wrong claim" in said
