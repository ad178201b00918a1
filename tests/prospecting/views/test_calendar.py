import datetime
import re
import uuid
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from prospecting.actions import claim_dates, dispatching, steps
from prospecting.actions.calendar_link import renew_calendar_link
from prospecting.actions.material import DrawFrom, StepDetails
from prospecting.models import CalendarLink
from tests import make
from tests.prospecting.strict_calendar import read_calendar

pytestmark = pytest.mark.django_db

LINK, REMOVE = reverse("calendar-link"), reverse("calendar-remove")


def feed_of(member) -> str:
    return reverse("calendar-feed", args=[renew_calendar_link(member=member)[1]])


def entry() -> dict:
    return {"identity": str(uuid.uuid4())}


def words(response) -> str:
    assert response.status_code == 200
    return " ".join(re.sub(r"<[^>]+>", " ", response.content.decode()).split())


def send(*, expected_on=None, **fields):
    keeper = make.make_member("keeper")
    split = steps.take_for_assay(
        draw=DrawFrom(lot=make.make_lot(), mass_g=Decimal(400), typed="400 g"),
        recorded_by=keeper,
        done_on=make.DAY,
        details=StepDetails(method="riffle"),
    ).made.get()
    dispatch = dispatching.send_dispatch(
        laboratory=dispatching.add_laboratory(name=f"Invented Assay Office {split.pk}", recorded_by=keeper),
        sent_on=make.DAY,
        method="fire_30",
        lots=[split],
        expected_on=expected_on,
        recorded_by=keeper,
    )
    type(dispatch).objects.filter(pk=dispatch.pk).update(**fields)
    return dispatch


# The private address


def test_the_page_is_for_members(client, client_as):
    assert client.get(LINK).url.startswith(reverse("sign-in"))
    guest = client_as("guest")
    assert guest.get(LINK).status_code == guest.post(LINK, entry()).status_code == 403
    assert guest.post(REMOVE, entry()).status_code == 403
    assert "You have no private address yet." in words(client_as("member").get(LINK))
    assert client_as("member").get(REMOVE).status_code == 405


def test_the_address_is_shown_once_works_without_signing_in_and_is_made_anew(client_as, client):
    member, sent = client_as("member"), entry()
    shown = member.post(LINK, sent)
    assert "no-store" in shown.headers["Cache-Control"]
    [address] = re.findall(r"http://testserver(/calendar/\S+\.ics)", shown.content.decode())
    assert client.get(address).status_code == 200
    # Sent again by a reload, and looked at again: the address is not told.
    assert member.post(LINK, sent).status_code == 302
    again = member.get(LINK)
    assert (
        "can&#x27;t show it again" in again.content.decode()
        or "can't show it again" in again.content.decode()
    )
    assert ".ics" not in again.content.decode()
    assert CalendarLink.objects.count() == 1
    [second] = re.findall(r"(/calendar/\S+\.ics)", member.post(LINK, entry()).content.decode())
    assert second != address
    assert client.get(address).status_code == 404
    assert client.get(second).status_code == 200
    assert member.post(REMOVE, entry()).url == LINK
    assert client.get(second).status_code == 404


def test_a_form_without_its_identity_changes_nothing(client_as):
    member = client_as("member")
    for address in (LINK, REMOVE):
        answer = member.post(address, {"identity": "none"})
        assert 'role="alert"' in answer.content.decode()
    assert not CalendarLink.objects.exists()


@pytest.mark.parametrize("change", [{"role": "guest"}, {"is_active": False}])
def test_it_is_dead_for_guests_and_for_who_may_not_sign_in(client, change):
    member = make.make_member()
    address = feed_of(member)
    assert client.get(address).status_code == 200
    for name, value in change.items():
        setattr(member, name, value)
    member.save()
    assert client.get(address).status_code == 404


@pytest.mark.parametrize(
    "key", ["A" * 43, "a" * 42, "a" * 44, "x" * 43 + "%00", "../../health", "%F0%9F%AA%99" * 20, ""]
)
def test_another_key_opens_nothing(client, key):
    feed_of(make.make_member())
    assert client.get(f"/calendar/{key}.ics").status_code == 404


# What it holds


def test_it_holds_dates_and_returns_and_keeps_to_the_standard(client, django_assert_max_num_queries):
    watcher = make.make_member(first_name="Ida")
    claim = make.make_claim("Half Moth; north, upper")
    date = make.make_claim_date(
        claim, what="fee, or waiver", due_on=datetime.date(2027, 9, 1), remind_days=45, watched_by=watcher
    )
    soon = timezone.localdate() + datetime.timedelta(days=9)
    dispatch = send(expected_on=soon, rejects_until=soon)
    address = feed_of(watcher)
    with django_assert_max_num_queries(6):
        answer = client.get(address)
    assert answer.headers["Content-Type"] == "text/calendar; charset=utf-8"
    assert "no-cache" in answer.headers["Cache-Control"]
    events = read_calendar(answer.content.decode()).events
    told = {event.properties["SUMMARY"]: event for event in events}
    assert set(told) == {
        "Half Moth; north, upper: fee, or waiver",
        f"Assay return expected: dispatch {dispatch.pk} to {dispatch.laboratory}",
        f"Coarse rejects and assay pulps kept until today: dispatch {dispatch.pk} to {dispatch.laboratory}",
    }
    fee = told["Half Moth; north, upper: fee, or waiver"]
    assert fee.properties["DTSTART"] == "20270901"
    assert fee.properties["URL"] == f"http://testserver{claim.get_absolute_url()}"
    assert "Watched by Ida." in fee.properties["DESCRIPTION"]
    assert "The land agency, the county and the state decide" in fee.properties["DESCRIPTION"]
    assert fee.alarms[0].properties["TRIGGER"] == "-P45D"
    assert date.get_absolute_url() in fee.properties["URL"]


def test_it_holds_no_position_and_no_note(client):
    claim = make.make_claim(note="41.123456", legal_description="section 14", holder="Tarn")
    make.make_claim_date(claim, note="-105.654321")
    text = client.get(feed_of(make.make_member())).content.decode()
    for secret in ("41.12", "105.65", "section 14", "Tarn"):
        assert secret not in text


def test_a_change_counts_up_and_a_void_cancels_under_the_same_uid(client):
    member = make.make_member()
    address = feed_of(member)
    values = {"what": "fee", "remind_days": 9, "is_yearly": False, "watched_by": None, "note": ""}
    due = timezone.localdate() + datetime.timedelta(days=30)
    date = claim_dates.add_claim_date(claim=make.make_claim(), due_on=due, recorded_by=member, **values)

    def told() -> dict:
        [event] = read_calendar(client.get(address).content.decode()).events
        return event.properties | {"alarms": len(event.alarms)}

    first = told()
    claim_dates.change_claim_date(
        date=date, due_on=due + datetime.timedelta(days=1), recorded_by=member, **values
    )
    second = told()
    claim_dates.void_claim_date(date=date, reason="wrong claim", voided_by=member)
    third = told()
    assert first["UID"] == second["UID"] == third["UID"]
    assert [each["SEQUENCE"] for each in (first, second, third)] == ["0", "1", "2"]
    assert [each["STATUS"] for each in (first, second, third)] == ["CONFIRMED", "CONFIRMED", "CANCELLED"]
    assert [each["alarms"] for each in (first, second, third)] == [1, 1, 0]
    assert second["DTSTART"] > first["DTSTART"]


def test_a_kept_date_says_so_and_is_silent_and_an_old_one_leaves(client):
    member = make.make_member()
    address = feed_of(member)
    kept = {"done_on": timezone.localdate(), "done_by": member, "done_how": "receipt"}
    make.make_claim_date(days=-10, what="fee", **kept)
    make.make_claim_date(days=-400, what="old fee", **kept)
    make.make_claim_date(days=-400, what="fee never kept")
    told = {
        event.properties["SUMMARY"].split(": ", 1)[1]: event
        for event in read_calendar(client.get(address).content.decode()).events
    }
    assert len(told) == 2
    [still_open] = [event for name, event in told.items() if name == "fee never kept"]
    assert still_open.alarms
    [done] = [event for name, event in told.items() if "fee never" not in name]
    assert not done.alarms


def test_a_dispatch_being_packed_is_not_expected(client):
    send(expected_on=timezone.localdate(), sent_on=None)
    assert read_calendar(client.get(feed_of(make.make_member())).content.decode()).events == []


def test_what_has_not_changed_is_not_sent_again(client):
    member = make.make_member()
    address = feed_of(member)
    make.make_claim_date()
    first = client.get(address)
    again = client.get(address, headers={"If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    since = client.get(address, headers={"If-Modified-Since": first.headers["Last-Modified"]})
    assert since.status_code == 304
    assert client.head(address).status_code == 200
    make.make_claim_date()
    assert client.get(address, headers={"If-None-Match": first.headers["ETag"]}).status_code == 200
    assert client.post(address).status_code == 405


def test_an_empty_calendar_is_one(client):
    assert read_calendar(client.get(feed_of(make.make_member())).content.decode()).events == []
