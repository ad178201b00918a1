"""What a phone is told of the entries it sends: every state there is, and that each tells the truth about the books."""

import datetime
import json
import uuid
from decimal import Decimal
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse, HttpResponseRedirect
from django.middleware.csrf import get_token
from django.test import Client, RequestFactory
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from prospecting.access import MEMBER, RoleMiddleware, keep_on_phone, page
from prospecting.actions import steps
from prospecting.actions.delivery import deliver_once
from prospecting.actions.material import DrawFrom, StepDetails, void_step
from prospecting.forms.base import MassField, VolumeField
from prospecting.models import Delivery, Dig, HeldEntry, JournalEntry, Lot, Photo, Step
from prospecting.version import site_version
from tests import make
from tests.prospecting.calc.test_phone_clock import CLOCK_ERRORS
from tests.test_attack import FormReader
from tests.trials.make_trial import make_running
from trials.models import Run

pytestmark = pytest.mark.django_db


def headers_of(client, when="later", **changes) -> dict:
    now = timezone.now().isoformat()
    return {
        "X-Phone-Entry": when,
        "X-Member": str(client.member.pk),
        "X-Born-At": now,
        "X-Sent-At": now,
    } | changes


def send(client, path: str, fields: dict, when: str = "later", **headers):
    return client.post(path, fields, headers=headers_of(client, when, **headers))


def discard(**changes) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "mass": "6 kg",
        "done_on": "2026-05-04",
        "people": "A. Digger",
        "loss_reason": "barren",
        "note": "",
    } | changes


def discard_path(lot: Lot) -> str:
    return reverse("lot-discard", args=[lot.code])


def pan(client, **changes) -> dict:
    return {
        "identity": str(uuid.uuid4()),
        "portion": "454 g",
        "gold": "8.0",
        "scale_step": "0.1 mg",
        "panned_on": "2026-05-03",
        "panner": client.member.pk,
    } | changes


def picture(name="IMG_1.png", colour="brown") -> SimpleUploadedFile:
    buffer = BytesIO()
    # Not compressed, so that pictures of one size make files of one size.
    Image.new("RGB", (40, 30), colour).save(buffer, "PNG", compress_level=0)
    return SimpleUploadedFile(name, buffer.getvalue(), content_type="image/png")


# ---- 201, 200


def test_recorded(client_as):
    client, lot = client_as(), make.make_lot()
    fields = discard()
    answer = send(client, discard_path(lot), fields)
    step = Step.objects.get(kind="discard")
    assert answer.status_code == 201
    assert answer.json() == {
        "state": "recorded",
        "identity": fields["identity"],
        "path": step.get_absolute_url(),
        "said": "Recorded.",
    }
    assert answer.headers["Cache-Control"] == "no-store"
    lot.refresh_from_db()
    assert lot.on_hand_g == 4000


def test_sent_again_is_known_and_draws_nothing_more(client_as):
    client, lot = client_as(), make.make_lot()
    fields = discard()
    first = send(client, discard_path(lot), fields)
    again = send(client, discard_path(lot), fields, when="now")
    assert again.status_code == 200
    assert again.json() == {
        "state": "known",
        "identity": fields["identity"],
        "path": first.json()["path"],
    }
    assert Step.objects.filter(kind="discard").count() == Delivery.objects.count() == 1


def test_sent_again_is_known_although_its_page_would_refuse_it_by_now(client_as):
    """The entry itself used the lot up, its blend left no lots to choose, and a voided lot has no page."""
    client, lot = client_as(), make.make_lot()
    fields = discard(mass="")
    send(client, discard_path(lot), fields)
    assert send(client, discard_path(lot), fields).json()["state"] == "known"

    one, other = make.make_lot("1000"), make.make_lot("1000")
    blend = {
        "identity": str(uuid.uuid4()),
        "lot": [one.code, other.code],
        "masses": "on",
        f"mass_{one.pk}": "1000 g",
        f"mass_{other.pk}": "1000 g",
    }
    body = {"lot": blend["lot"]} | {
        name: [text] for name, text in blend.items() if name not in ("identity", "lot")
    }
    deliver_once(identity=uuid.UUID(blend["identity"]), body=body, member=client.member, make=lambda: one)
    assert send(client, reverse("lot-blend"), blend).json()["state"] == "known"

    bucket = make.make_lot()
    fields = discard()
    step_path = send(client, discard_path(bucket), fields).json()["path"]
    keeper = make.make_member("keeper")
    void_step(step=Step.objects.get(pk=int(step_path.split("/")[2])), reason="wrong lot", voided_by=keeper)
    void_step(step=bucket.made_by, reason="wrong zone", voided_by=keeper)
    assert client.get(discard_path(bucket)).status_code == 404
    assert send(client, discard_path(bucket), fields).json()["state"] == "known"


def test_a_run_of_a_trial_leads_the_phone_to_the_run_and_a_plain_form_to_the_next_portion(client_as):
    client, trial = client_as(), make_running()
    first, second = trial.planned_runs.all()[:2]
    path = reverse("run-log", args=[trial.pk, first.blind_code])
    answer = send(client, path, pan(client))
    assert answer.status_code == 201
    assert answer.json()["path"] == Run.objects.get(planned=first).get_absolute_url()
    plain = client.post(reverse("run-log", args=[trial.pk, second.blind_code]), pan(client))
    assert plain.url == trial.get_next_url()


def test_only_who_still_stands_on_the_form_reads_what_was_said_on_the_next_page(client_as):
    client, lot = client_as(), make.make_lot()
    send(client, discard_path(lot), discard(mass="1 kg"), when="later")
    assert "Recorded." not in client.get("/").content.decode()
    send(client, discard_path(lot), discard(mass="1 kg"), when="now")
    assert "Recorded." in client.get("/").content.decode()


def test_entries_stand_in_the_order_they_were_sent_whatever_their_clocks_say(client_as):
    client, lot = client_as(), make.make_lot()
    for hour, mass in ((9, "1 kg"), (3, "2 kg"), (6, "3 kg")):
        born = f"2026-05-03T{hour:02}:00:00Z"
        assert send(client, discard_path(lot), discard(mass=mass), **{"X-Born-At": born}).status_code == 201
    drawn = Step.objects.filter(kind="discard").order_by("pk").values_list("draws__mass_g", flat=True)
    assert [int(mass) for mass in drawn] == [1000, 2000, 3000]


# ---- 422


def test_refused_with_the_sentence_beside_its_field(client_as):
    client, lot = client_as(), make.make_lot()
    fields = discard(mass="six", people="")
    answer = send(client, discard_path(lot), fields)
    told = answer.json()
    assert answer.status_code == 422
    assert (told["state"], told["identity"], told["code"]) == ("refused", fields["identity"], "not_valid")
    assert set(told["fields"]) == {"mass", "people"}
    assert all(sentence for sentences in told["fields"].values() for sentence in sentences)
    assert (told["sentences"], told["asks"]) == ([], [])
    assert not Step.objects.filter(kind="discard").exists() and not Delivery.objects.exists()


def test_refused_by_the_action_names_its_code_and_field(client_as):
    client, lot = client_as(), make.make_lot()
    lots = reverse("lot-crush", args=[lot.code])
    how = {"machine": "jaw", "size": "2 mm", "mesh_series": "astm_e11"}
    told = send(client, lots, discard(mass="5 kg", mass_out="6 kg", loss_reason="", **how)).json()
    assert told["code"] == "gain", told
    assert "material doesn't grow" in told["fields"]["mass_out"][0]


def test_what_the_guard_asks_comes_along_and_its_answer_is_taken(client_as):
    client, lot = client_as(), make.make_lot()
    path = reverse("run-add", args=[lot.code])
    fields = pan(client, gold="5000")
    told = send(client, path, fields).json()
    assert (told["state"], told["code"]) == ("refused", "guard"), told
    assert told["asks"] and all(ask.strip() for ask in told["asks"])
    assert not Run.objects.exists()
    assert send(client, path, fields | {"keep_as_typed": "on"}).status_code == 201


def test_the_same_identity_with_another_body_is_refused_and_changes_nothing(client_as):
    client, lot = client_as(), make.make_lot()
    fields = discard(mass="1 kg")
    assert send(client, discard_path(lot), fields).status_code == 201
    for change in ({"mass": "2 kg"}, {"note": "and a half"}, {"people": "B. Digger"}):
        answer = send(client, discard_path(lot), fields | change)
        assert (answer.status_code, answer.json()["code"]) == (422, "sent_before_with_other_values")
    lot.refresh_from_db()
    assert lot.on_hand_g == 9000
    assert Step.objects.filter(kind="discard").count() == Delivery.objects.count() == 1


def test_a_photo_is_told_by_what_is_in_it(client_as):
    client, lot = client_as(), make.make_lot()
    path = reverse("run-add", args=[lot.code])
    fields = pan(client)
    one, other = picture(colour="brown"), picture(colour="black")
    assert one.size == other.size, "else the size alone would tell them apart"
    assert send(client, path, fields | {"photo": one}).status_code == 201
    assert send(client, path, fields | {"photo": picture("camera.png")}).json()["state"] == "known"
    changed = send(client, path, fields | {"photo": other})
    assert (changed.status_code, changed.json()["code"]) == (422, "sent_before_with_other_values")
    without = send(client, path, fields)
    assert without.json()["code"] == "sent_before_with_other_values"
    assert Photo.objects.count() == Run.objects.count() == 1


@pytest.mark.parametrize("identity", [None, "", "1", "not one", "\0", "9" * 4000])
def test_an_entry_without_a_sound_identity_is_refused(client_as, identity):
    client, lot = client_as(), make.make_lot()
    fields = {name: text for name, text in discard(identity=identity).items() if text is not None}
    answer = send(client, discard_path(lot), fields)
    assert answer.status_code == 422
    assert answer.json()["fields"]["identity"]
    assert not Step.objects.filter(kind="discard").exists()


def test_a_run_that_is_in_already_and_a_closed_trial_are_told_in_words(client_as):
    client, trial = client_as(), make_running()
    path = reverse("run-log", args=[trial.pk, trial.planned_runs.first().blind_code])
    assert send(client, path, pan(client)).status_code == 201
    told = send(client, path, pan(client)).json()
    assert (told["state"], told["code"]) == ("refused", "logged_already")
    assert told["sentences"]
    trial.state = "closed"
    trial.save()
    path = reverse("run-log", args=[trial.pk, trial.planned_runs.last().blind_code])
    assert send(client, path, pan(client)).json()["code"] == "trial_closed"
    assert Run.objects.count() == 1


def test_a_page_that_answers_with_a_page_or_leads_on_does_not_look_like_recorded(client_as):
    """No lots chosen to blend: the page shows the choice. A way on: like the first half of reading a laboratory's file."""
    client = client_as()
    told = send(client, reverse("lot-blend"), {"identity": str(uuid.uuid4())})
    assert (told.status_code, told.json()["state"], told.json()["code"]) == (422, "refused", "not_taken")
    assert told.json()["sentences"]

    request = RequestFactory().post("/", headers={"X-Phone-Entry": "now"})
    answer = RoleMiddleware(lambda _: HttpResponseRedirect("/"))(request)
    assert (answer.status_code, json.loads(answer.content)["state"]) == (422, "refused")


# ---- 401, 403, 409


def test_signed_out(client):
    lot = make.make_lot()
    client.member = make.make_member()
    answer = send(client, discard_path(lot), discard())
    assert (answer.status_code, answer.json()["state"]) == (401, "signed_out")
    assert "Location" not in answer.headers
    assert not Delivery.objects.exists()


def test_signed_out_by_the_keeper_meanwhile_and_sent_under_the_same_member_after(client_as):
    client, lot = client_as(), make.make_lot()
    fields = discard()
    client.session.flush()
    assert send(client, discard_path(lot), fields).status_code == 401
    client.force_login(client.member)
    assert send(client, discard_path(lot), fields).status_code == 201
    assert Step.objects.get(kind="discard").recorded_by == client.member


def test_a_guest_is_forbidden(client_as):
    client, lot = client_as("guest"), make.make_lot()
    answer = send(client, discard_path(lot), discard())
    assert (answer.status_code, answer.json()["state"]) == (403, "forbidden")
    assert not Delivery.objects.exists()


def test_another_member_does_not_send_the_first_ones_entries_as_theirs(client_as):
    first, second, lot = make.make_member(), client_as(), make.make_lot()
    fields = discard()
    for owner in (str(first.pk), "", "٣", "0", "\0", "9" * 4000):
        answer = send(second, discard_path(lot), fields, **{"X-Member": owner})
        assert (answer.status_code, answer.json()["state"]) == (409, "other_member")
    assert not Delivery.objects.exists() and not Step.objects.filter(kind="discard").exists()


def test_another_members_entry_is_so_before_anything_else_is_said_of_it(client_as):
    """Also to a guest, who would only hear of rights otherwise, and to an address that no page has any more."""
    first, guest, lot = make.make_member(), client_as("guest"), make.make_lot()
    assert send(guest, discard_path(lot), discard(), **{"X-Member": str(first.pk)}).status_code == 409
    member = client_as()
    gone = reverse("lot-discard", args=["BRK-47-T"])
    assert send(member, gone, discard(), **{"X-Member": str(first.pk)}).status_code == 409


def test_nobody_learns_of_anothers_delivery_by_its_identity(client_as):
    first, second, lot = client_as(), client_as(), make.make_lot()
    fields = discard(mass="1 kg")
    send(first, discard_path(lot), fields)
    answer = send(second, discard_path(lot), fields)
    assert (answer.status_code, answer.json()["code"]) == (422, "sent_before_with_other_values")
    assert "path" not in answer.json()


def test_a_stale_mark_is_told_apart_and_a_fresh_one_is_to_be_had():
    strict, lot = Client(enforce_csrf_checks=True), make.make_lot()
    strict.member = make.make_member()
    strict.force_login(strict.member)
    fields = discard()
    stale = get_token(RequestFactory().get("/"))
    for headers in ({}, {"X-CSRFToken": stale}, {"X-CSRFToken": "\0"}):
        answer = send(strict, discard_path(lot), fields, **headers)
        assert (answer.status_code, answer.json()["state"]) == (403, "csrf")
    assert not Delivery.objects.exists()
    fresh = strict.get(reverse("phone-session")).json()["csrf"]
    assert send(strict, discard_path(lot), fields, **{"X-CSRFToken": fresh}).status_code == 201


def test_the_mark_of_before_a_sign_in_is_stale_after_it():
    """Fifty entries made before signing out go with the mark fetched after signing in again."""
    phone, lot = Client(enforce_csrf_checks=True), make.make_lot("100000")
    phone.member = make.make_member(username="runner")

    def sign_in() -> str:
        phone.get(reverse("sign-in"))
        token = phone.cookies["csrftoken"].value
        fields = {"username": "runner", "password": "a long enough password", "csrfmiddlewaretoken": token}
        assert phone.post(reverse("sign-in"), fields).status_code == 302
        return phone.get(reverse("phone-session")).json()["csrf"]

    before = sign_in()
    queue = [discard(mass="1 kg") for _ in range(50)]
    phone.post(reverse("sign-out"), headers={"X-CSRFToken": before})
    after = sign_in()
    assert send(phone, discard_path(lot), queue[0], **{"X-CSRFToken": before}).json()["state"] == "csrf"
    assert {
        send(phone, discard_path(lot), fields, **{"X-CSRFToken": after}).status_code for fields in queue
    } == {201}
    assert Step.objects.filter(kind="discard", recorded_by=phone.member).count() == 50


# ---- 404, 405, 413, 400, 500


def test_what_the_entry_belongs_to_is_gone(client_as):
    client, lot = client_as(), make.make_lot()
    void_step(step=lot.made_by, reason="never dug", voided_by=make.make_member("keeper"))
    for path in (discard_path(lot), reverse("run-log", args=[10**6, "K7"]), "/no/such/page/"):
        answer = send(client, path, discard())
        assert (answer.status_code, answer.json()["state"]) == (404, "gone"), path
        assert answer.json()["sentence"]


def test_a_page_that_takes_no_entries(client_as):
    answer = send(client_as(), reverse("journal"), discard())
    assert (answer.status_code, answer.json()["state"]) == (405, "error")


def test_an_entry_too_large_to_read(client_as, settings):
    client, lot = client_as(), make.make_lot()
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 2000
    answer = send(client, discard_path(lot), discard(note="x" * 5000))
    assert (answer.status_code, answer.json()["state"]) == (413, "error")
    settings.DATA_UPLOAD_MAX_NUMBER_FIELDS = 3
    answer = send(client, discard_path(lot), discard())
    assert (answer.status_code, answer.json()["state"]) == (400, "error")
    assert not Delivery.objects.exists()


def test_a_failure_of_the_site_is_an_error_in_json(client_as, monkeypatch):
    client, lot = client_as(), make.make_lot()
    client.raise_request_exception = False

    def fails(**_):
        raise RuntimeError("the disk is full")

    monkeypatch.setattr("prospecting.views.steps.steps.discard_from_lot", fails)
    fields = discard()
    answer = send(client, discard_path(lot), fields)
    assert (answer.status_code, answer.json()["state"]) == (500, "error")
    monkeypatch.undo()
    assert send(client, discard_path(lot), fields).status_code == 201


def test_plain_forms_are_answered_with_pages_as_before(client_as, client):
    lot = make.make_lot()
    assert client.post(discard_path(lot), discard()).status_code == 302
    member = client_as()
    assert member.post(discard_path(lot), discard(mass="six")).status_code == 200
    assert member.post("/no/such/page/").headers["Content-Type"].startswith("text/html")
    assert member.post(discard_path(lot), discard()).status_code == 302


# ---- The phone's clock


@pytest.mark.parametrize("times", CLOCK_ERRORS.values(), ids=CLOCK_ERRORS)
def test_a_wrong_clock_loses_no_entry_and_is_flagged_and_shown(client_as, times, monkeypatch):
    client, lot = client_as(), make.make_lot()
    noon = datetime.datetime(2026, 5, 3, 12, tzinfo=datetime.UTC)
    monkeypatch.setattr("prospecting.actions.delivery.timezone.now", lambda: noon)
    born, sent = times
    answer = send(client, discard_path(lot), discard(), **{"X-Born-At": born, "X-Sent-At": sent})
    assert answer.status_code == 201
    delivery = Delivery.objects.get()
    assert delivery.clock_flagged
    shown = client.get(answer.json()["path"])
    assert shown.status_code == 200
    assert "on a phone" in shown.content.decode()


def test_the_phones_times_are_kept_beside_the_sites_and_shown(client_as):
    client, lot = client_as(), make.make_lot()
    now = timezone.now()
    lag = datetime.timedelta(days=3)
    times = {
        "X-Born-At": (now - lag - datetime.timedelta(hours=2)).isoformat(),
        "X-Sent-At": (now - lag).isoformat(),
    }
    path = send(client, discard_path(lot), discard(), **times).json()["path"]
    delivery = Delivery.objects.get()
    assert abs(delivery.clock_ahead_s + lag.total_seconds()) < 60
    assert delivery.born_at.isoformat() == times["X-Born-At"]
    assert abs((delivery.delivered_at - now).total_seconds()) < 60
    page_text = client.get(path).content.decode()
    assert "it waited there for 2 hours" in page_text
    assert "its clock stood 3 days behind" in page_text


def test_runs_and_digs_say_so_too_and_nothing_is_said_when_there_is_nothing_to_say(client_as):
    client, lot, zone = client_as(), make.make_lot(), make.make_zone()
    wrong = {"X-Sent-At": "1970-01-01T00:00:00Z"}
    pan_path = reverse("run-add", args=[lot.code])
    dig = {
        "zone": zone.pk,
        "station": "S1",
        "done_on": "2026-05-03",
        "digger": "A. Digger",
        "sample_kind": "bulk",
        "is_dry": "wet",
        "mass_1": "10 kg",
    }
    dig_path = reverse("dig-add")
    for path, fields in ((pan_path, pan(client)), (dig_path, dig)):
        for headers, said in ((wrong, True), ({}, False)):
            answer = send(client, path, fields | {"identity": str(uuid.uuid4())}, **headers)
            assert answer.status_code == 201, answer.json()
            assert ("on a phone" in client.get(answer.json()["path"]).content.decode()) is said
    plain = client.post(pan_path, pan(client))
    assert "on a phone" not in client.get(plain.url).content.decode()
    assert Dig.objects.count() == 3


def test_a_plain_form_keeps_no_phones_times(client_as):
    client, lot = client_as(), make.make_lot()
    client.post(discard_path(lot), discard(), headers={"X-Born-At": "1970-01-01T00:00:00Z"})
    delivery = Delivery.objects.get()
    assert (delivery.born_at, delivery.sent_at, delivery.clock_ahead_s) == (None, None, None)
    assert not delivery.clock_flagged


# ---- The session, and what a phone may keep


def test_the_session(client_as, client):
    out = client.get(reverse("phone-session"))
    assert (out.status_code, out.json()) == (401, {"state": "signed_out"})
    assert not client.session.keys()
    member = client_as("guest")
    told = member.get(reverse("phone-session"))
    assert told.status_code == 200
    assert (told.json()["member"], told.json()["name"]) == (member.member.pk, str(member.member))
    assert told.json()["version"] == site_version()
    assert len(told.json()["csrf"]) == 64
    assert abs((datetime.datetime.fromisoformat(told.json()["now"]) - timezone.now()).total_seconds()) < 60
    assert "no-store" in told.headers["Cache-Control"]


def test_only_a_marked_page_that_was_shown_may_lie_on_a_phone(rf):
    answers = {"GET": HttpResponse("shown"), "POST": HttpResponse("refused")}
    view = page(role=MEMBER)(keep_on_phone(lambda request: answers[request.method]))
    assert view.least_role == MEMBER
    assert view(rf.get("/")).headers["X-Keep-On-Phone"] == "1"
    assert "X-Keep-On-Phone" not in view(rf.post("/")).headers
    other_way_round = keep_on_phone(page(role=MEMBER)(lambda request: HttpResponseRedirect("/")))
    assert other_way_round.least_role == MEMBER
    assert "X-Keep-On-Phone" not in other_way_round(rf.get("/")).headers


# ---- Held for the keeper


def draw(lot: Lot, mass_g: int) -> None:
    steps.discard_from_lot(
        draw=DrawFrom(lot=lot, mass_g=Decimal(mass_g), typed=f"{mass_g} g"),
        recorded_by=make.make_member(),
        done_on=make.DAY,
        details=StepDetails(loss_reason="barren"),
    )


@pytest.mark.parametrize(("drawn", "code"), [(6000, "too_little_on_hand"), (10000, "lot_used_up")])
@pytest.mark.parametrize("when", ["now", "later"])
def test_what_came_too_late_is_held_whole(client_as, drawn, code, when):
    client, lot = client_as(), make.make_lot()
    draw(lot, drawn)
    fields = discard(note="two lines\r\nof it", mass="6 kg")
    path = discard_path(lot) + "?like=1"
    answer = send(client, path, fields, when=when)
    held = HeldEntry.objects.get()
    assert answer.status_code == 202
    told = answer.json()
    assert (told["state"], told["identity"], told["path"]) == (
        "held",
        fields["identity"],
        held.get_absolute_url(),
    )
    assert lot.code in told["sentence"]
    assert (held.code, held.form_path, held.title) == (code, path, f"Discard {lot.code}")
    assert held.body == {name: [text] for name, text in fields.items() if name != "identity"}
    assert held.delivery.member == client.member
    assert Step.objects.filter(kind="discard").count() == 1
    lot.refresh_from_db()
    assert lot.on_hand_g == 10000 - drawn


def test_a_held_entry_sent_again_is_known_and_with_another_body_refused(client_as):
    client, lot = client_as(), make.make_lot()
    draw(lot, 6000)
    fields = discard()
    first = send(client, discard_path(lot), fields).json()
    again = send(client, discard_path(lot), fields)
    assert (again.status_code, again.json()["path"]) == (200, first["path"])
    other = send(client, discard_path(lot), fields | {"mass": "1 kg"})
    assert (other.status_code, other.json()["code"]) == (422, "sent_before_with_other_values")
    assert HeldEntry.objects.count() == 1
    assert Step.objects.filter(kind="discard").count() == 1


def test_a_plain_form_is_never_held(client_as):
    client, lot = client_as(), make.make_lot()
    draw(lot, 6000)
    answer = client.post(discard_path(lot), discard())
    assert answer.status_code == 200 and "on hand" in answer.content.decode()
    assert not HeldEntry.objects.exists()


def test_a_run_is_held_with_its_photo(client_as, settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    client, lot = client_as(), make.make_lot("400")
    answer = send(client, reverse("run-add", args=[lot.code]), pan(client, photo=picture()))
    assert answer.status_code == 202
    held = HeldEntry.objects.get()
    assert held.title == f"Test pan {lot.code}"
    assert (held.photo.width_px, held.photo.added_by) == (40, client.member)
    assert "photo" not in held.body
    # The file of the attempt that was refused is gone again: one picture and its small one.
    assert sum(path.is_file() for path in tmp_path.rglob("*")) == 2


def resend(keeper, held: HeldEntry) -> dict:
    """The hidden inputs of the keeper's page, as a browser sends them."""
    address = held.get_absolute_url()
    forms = FormReader(address, keeper.get(address).content.decode()).forms
    [form] = [form for form in forms if form.address == held.form_path]
    return {control.name: control.value for control in form.controls if control.name != "csrfmiddlewaretoken"}


def test_a_keeper_sends_it_again_and_it_is_recorded_and_settled(client_as):
    runner, keeper, lot = client_as(), client_as("keeper"), make.make_lot("400")
    send(runner, reverse("run-add", args=[lot.code]), pan(runner, photo=picture()))
    held = HeldEntry.objects.get()
    step = steps.reweigh_lot(
        lot=lot, weighed_g=Decimal(100), typed="100 g", recorded_by=keeper.member, done_on=make.DAY,
        details=StepDetails(loss_reason="spilled"),
    )  # fmt: skip
    fields = resend(keeper, held)
    refused = keeper.post(held.form_path, fields)
    text = refused.content.decode()
    assert refused.status_code == 200
    assert "only 0.1 kg" in text and 'value="8.0 mg"' in text and f'name="held" value="{held.pk}"' in text
    assert HeldEntry.objects.get().outcome == "" and HeldEntry.objects.count() == 1

    void_step(step=step, reason="wrong scale", voided_by=keeper.member)
    mended = fields | {"portion": "300 g"}
    answer = keeper.post(held.form_path, mended)
    run = Run.objects.get()
    held.refresh_from_db()
    assert answer.url == run.get_absolute_url() == held.record_path
    assert (held.outcome, held.settled_by) == ("recorded", keeper.member)
    assert run.photo == held.photo and Photo.objects.count() == 1
    assert (run.recorded_by, run.panner) == (keeper.member, runner.member)
    lines = list(JournalEntry.objects.about(held).order_by("pk"))
    assert [line.member for line in lines] == [runner.member, keeper.member]
    assert str(runner.member) in lines[1].what
    assert str(runner.member) in runner.get(run.get_absolute_url()).content.decode()
    # A second tap on the same page.
    assert keeper.post(held.form_path, mended).url == run.get_absolute_url()
    assert keeper.post(held.form_path, mended | {"identity": str(uuid.uuid4())}).status_code == 200
    assert Run.objects.count() == 1


def test_figures_without_their_unit_keep_it_when_a_keeper_of_other_units_sends_them(client_as):
    runner, lot = client_as(mass_unit="kg"), make.make_lot()
    keeper = client_as("keeper", mass_unit="lb")
    draw(lot, 6000)
    send(runner, discard_path(lot), discard(mass="6"))
    held = HeldEntry.objects.get()
    assert held.body["mass"] == ["6 kg"]
    void_step(step=Step.objects.get(kind="discard"), reason="wrong lot", voided_by=keeper.member)
    assert keeper.post(held.form_path, resend(keeper, held)).status_code == 302
    lot.refresh_from_db()
    assert lot.on_hand_g == 4000


@pytest.mark.parametrize("unit", ["kg", "lb", "g", "mg", "L", "gal"])
def test_a_figure_with_its_unit_reads_as_without(unit):
    field = VolumeField(unit=unit) if unit in ("L", "gal") else MassField(unit=unit)
    once = field.clean("2.5")
    assert once.typed != "2.5"
    assert field.__class__().clean(once.typed).canonical == once.canonical


def test_a_keepers_own_phone_does_not_hold_it_a_second_time(client_as):
    runner, keeper, lot = client_as(), client_as("keeper"), make.make_lot()
    draw(lot, 6000)
    send(runner, discard_path(lot), discard())
    held = HeldEntry.objects.get()
    fields = resend(keeper, held)
    answer = send(keeper, held.form_path, fields, when="now")
    assert (answer.status_code, answer.json()["code"]) == (422, "too_little_on_hand")
    assert HeldEntry.objects.count() == 1
    assert send(keeper, held.form_path, fields | {"mass": "4 kg"}, when="now").status_code == 201
    held.refresh_from_db()
    assert held.outcome == "recorded"


def test_only_a_keeper_settles_and_only_with_the_entrys_own_form(client_as):
    runner, keeper, lot, other = client_as(), client_as("keeper"), make.make_lot(), make.make_lot()
    draw(lot, 6000)
    send(runner, discard_path(lot), discard())
    held = HeldEntry.objects.get()
    mended = discard(mass="1 kg", held=held.pk)
    assert runner.post(discard_path(lot), mended).status_code == 403
    refused = keeper.post(discard_path(other), mended)
    assert "not the one the held entry was typed into" in refused.content.decode()
    for unknown in ("0", "-1", "x", str(10**9), "9" * 40):
        assert keeper.post(discard_path(lot), mended | {"held": unknown}).status_code == 200
    assert Step.objects.filter(kind="discard").count() == 1
    assert HeldEntry.objects.get().outcome == ""


def test_who_sees_what_of_held_entries(client_as, client, django_assert_max_num_queries):
    runner, keeper, lot = client_as(), client_as("keeper"), make.make_lot()
    draw(lot, 6000)
    send(runner, discard_path(lot), discard(note="of the wet heap", people="R. Unner"))
    held = HeldEntry.objects.get()
    listed, detail = reverse("held-list"), held.get_absolute_url()
    aside = reverse("held-set-aside", args=[held.pk])
    for path in (listed, detail, aside):
        assert client.get(path).status_code == 302
        assert client_as("guest").get(path).status_code == 403
    assert runner.get(listed).status_code == runner.get(aside).status_code == 403
    with django_assert_max_num_queries(19):
        seen = keeper.get(detail).content.decode()
    assert "of the wet heap" in seen and "R. Unner" in seen and str(runner.member) in seen
    assert "Who did it" in seen and lot.code in seen and "4 kg" in seen
    assert "Send it again" in seen
    own = runner.get(detail).content.decode()
    assert "of the wet heap" in own and "Send it again" not in own
    with django_assert_max_num_queries(19):
        assert f"Discard {lot.code}" in keeper.get(listed).content.decode()
    assert f'"{listed}"' in keeper.get("/").content.decode()
    assert f'"{listed}"' not in runner.get("/").content.decode()


def test_a_keeper_sets_it_aside_with_a_reason(client_as):
    runner, keeper, lot = client_as(), client_as("keeper"), make.make_lot()
    draw(lot, 6000)
    send(runner, discard_path(lot), discard())
    held = HeldEntry.objects.get()
    path = reverse("held-set-aside", args=[held.pk])
    for nonsense in ("", "  ", "x" * 201, "\0"):
        assert keeper.post(path, {"identity": str(uuid.uuid4()), "reason": nonsense}).status_code == 200
    assert HeldEntry.objects.get().outcome == ""
    fields = {"identity": str(uuid.uuid4()), "reason": "entered from paper"}
    assert keeper.post(path, fields).url == held.get_absolute_url()
    held.refresh_from_db()
    assert (held.outcome, held.reason, held.record_path) == ("set_aside", "entered from paper", "")
    assert "entered from paper" in runner.get(held.get_absolute_url()).content.decode()
    assert Step.objects.filter(kind="discard").count() == 1
    assert "settled already" in keeper.post(path, fields | {"identity": str(uuid.uuid4())}).content.decode()
    assert listed_waiting(keeper) == 0


def listed_waiting(keeper) -> int:
    return keeper.get(reverse("held-list")).content.decode().count('class="card"')
