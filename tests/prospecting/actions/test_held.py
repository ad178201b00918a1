"""Entries that came too late: kept whole, settled once, by a keeper, and never half."""

import threading
import uuid
from decimal import Decimal
from io import BytesIO

import pytest
from django.core.exceptions import PermissionDenied
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from PIL import Image

from prospecting.actions import steps
from prospecting.actions.delivery import deliver_once
from prospecting.actions.held import hold_entry, photo_of_held, set_held_aside, settle_held
from prospecting.actions.material import DrawFrom, StepDetails
from prospecting.actions.refusal import Refused
from prospecting.models import Delivery, HeldEntry, JournalEntry, Lot, Photo, Step
from tests.make import DAY, make_lot, make_member

PATH = "/lots/BRK-47-T/discard/"
BODY = {"mass": ["6 kg"], "note": [""]}


def make_held(member=None, *, upload=None, form_path=PATH, **changes) -> HeldEntry:
    member, identity = member or make_member(), uuid.uuid4()
    deliver_once(
        identity=identity,
        body=BODY,
        member=member,
        make=lambda: hold_entry(
            **{
                "identity": identity,
                "title": "Discard BRK-47-T",
                "form_path": form_path,
                "body": BODY,
                "as_read": {"How much": "6 kg"},
                "upload": upload,
                "refusal": Refused("Only 4 kg is on hand.", code="too_little_on_hand", field="mass"),
                "member": member,
            }
            | changes
        ),
    )
    return HeldEntry.objects.get(delivery__identity=identity)


def picture() -> SimpleUploadedFile:
    buffer = BytesIO()
    Image.new("RGB", (30, 40), "brown").save(buffer, "PNG")
    return SimpleUploadedFile("pan.png", buffer.getvalue())


@pytest.mark.django_db
class TestHoldEntry:
    def test_keeps_what_was_typed_why_and_by_whom(self):
        member = make_member()
        held = make_held(member)
        assert (held.body, held.form_path, held.title) == (BODY, PATH, "Discard BRK-47-T")
        assert (held.code, held.sentence) == ("too_little_on_hand", "Only 4 kg is on hand.")
        assert (held.outcome, held.settled_at, held.photo) == ("", None, None)
        assert held.delivery.record_path == held.get_absolute_url()
        [line] = JournalEntry.objects.about(held)
        assert (line.member, line.why, line.changes) == (member, held.sentence, {"How much": ["", "6 kg"]})

    def test_keeps_the_picture_although_it_was_read_before(self):
        upload = picture()
        upload.read()
        held = make_held(upload=upload)
        assert (held.photo.width_px, held.photo.height_px) == (30, 40)

    def test_is_for_who_writes_and_leaves_nothing_behind_when_refused(self):
        with pytest.raises(PermissionDenied):
            make_held(make_member("guest"))
        with pytest.raises(Refused):
            make_held(upload=SimpleUploadedFile("pan.png", b"no picture"))
        assert (Delivery.objects.count(), HeldEntry.objects.count(), Photo.objects.count()) == (0, 0, 0)

    def test_a_long_title_is_cut_to_its_column(self):
        assert make_held(title="x" * 500).title == "x" * 120


@pytest.mark.django_db
class TestSettle:
    def test_by_the_record_it_became(self):
        keeper, typist = make_member("keeper"), make_member()
        held, lot = make_held(typist), make_lot()
        settled = settle_held(pk=held.pk, record=lot, form_path=PATH, settled_by=keeper)
        assert (settled.outcome, settled.record_path) == ("recorded", lot.get_absolute_url())
        assert (settled.settled_by, settled.settled_at is None) == (keeper, False)
        line = JournalEntry.objects.about(held).first()
        assert (line.member, line.what) == (keeper, f"recorded what {typist} had typed")

    def test_the_address_may_say_more_than_the_path(self):
        held = make_held(form_path=f"{PATH}?pieces=3")
        settle_held(pk=held.pk, record=make_lot(), form_path=PATH, settled_by=make_member("keeper"))

    def test_not_by_another_form(self):
        held = make_held()
        with pytest.raises(Refused) as refusal:
            settle_held(
                pk=held.pk,
                record=make_lot(),
                form_path="/lots/CDF-23-B/discard/",
                settled_by=make_member("keeper"),
            )
        assert refusal.value.code == "other_form"
        assert HeldEntry.objects.get().outcome == ""

    @pytest.mark.parametrize("role", ["guest", "member"])
    def test_only_by_a_keeper(self, role):
        held = make_held()
        with pytest.raises(PermissionDenied):
            settle_held(pk=held.pk, record=make_lot(), form_path=PATH, settled_by=make_member(role))
        with pytest.raises(PermissionDenied):
            set_held_aside(held=held, reason="twice", settled_by=make_member(role))
        assert HeldEntry.objects.get().outcome == ""

    def test_once(self):
        held, keeper = make_held(), make_member("keeper")
        set_held_aside(held=held, reason="entered from paper", settled_by=keeper)
        for again in (
            lambda: settle_held(pk=held.pk, record=make_lot(), form_path=PATH, settled_by=keeper),
            lambda: set_held_aside(held=held, reason="once more", settled_by=keeper),
            lambda: settle_held(pk=10**9, record=make_lot(), form_path=PATH, settled_by=keeper),
        ):
            with pytest.raises(Refused) as refusal:
                again()
            assert refusal.value.code == "settled_already"
        held.refresh_from_db()
        assert (held.outcome, held.reason) == ("set_aside", "entered from paper")

    def test_setting_aside_needs_a_reason(self):
        held = make_held()
        with pytest.raises(Refused) as refusal:
            set_held_aside(held=held, reason="  ", settled_by=make_member("keeper"))
        assert (refusal.value.code, refusal.value.field) == ("reason_missing", "reason")

    def test_its_picture_goes_with_the_record_only_while_it_waits(self):
        held = make_held(upload=picture())
        assert photo_of_held(held.pk) == held.photo
        assert photo_of_held(None) is None and photo_of_held(10**9) is None
        set_held_aside(held=held, reason="blurred", settled_by=make_member("keeper"))
        assert photo_of_held(held.pk) is None


@pytest.mark.django_db(transaction=True)
def test_two_keepers_at_once_record_it_once():
    """Each sends the form with an identity of its own, so only the held entry itself stands between them."""
    lot = make_lot()
    held, keepers = make_held(), [make_member("keeper") for _ in range(4)]
    barrier, outcomes = threading.Barrier(len(keepers)), []

    def send(keeper) -> None:
        def make() -> Step:
            step = steps.discard_from_lot(
                draw=DrawFrom(lot=lot, mass_g=Decimal(1000), typed="1 kg"),
                recorded_by=keeper,
                done_on=DAY,
                details=StepDetails(loss_reason="barren"),
            )
            settle_held(pk=held.pk, record=step, form_path=PATH, settled_by=keeper)
            return step

        try:
            barrier.wait(timeout=20)
            deliver_once(identity=uuid.uuid4(), body=BODY, member=keeper, make=make)
            outcomes.append("recorded")
        except Refused as refusal:
            outcomes.append(refusal.code)
        finally:
            connection.close()

    threads = [threading.Thread(target=send, args=(keeper,)) for keeper in keepers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert sorted(outcomes) == ["recorded"] + ["settled_already"] * 3
    assert Step.objects.filter(kind="discard").count() == 1
    assert Lot.objects.get(pk=lot.pk).on_hand_g == 9000
