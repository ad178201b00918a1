import threading
import uuid
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from PIL import Image

from prospecting.actions.delivery import body_sha256, deliver_once
from prospecting.actions.photos import keep_photo
from prospecting.actions.refusal import Refused
from prospecting.models import Claim, Delivery
from tests.make import make_claim, make_member

BODY = {"name": ["North"]}


def test_hash_of_a_body_does_not_depend_on_the_order_of_its_fields():
    assert body_sha256({"a": ["1"], "b": ["é"]}) == body_sha256({"b": ["é"], "a": ["1"]})
    assert body_sha256({"a": ["1"]}) != body_sha256({"a": ["2"]})


@pytest.mark.django_db
class TestDeliverOnce:
    def test_sent_twice_is_made_once(self):
        member, identity = make_member(), uuid.uuid4()
        first = deliver_once(identity=identity, body=BODY, member=member, make=make_claim)
        second = deliver_once(identity=identity, body=BODY, member=member, make=make_claim)
        assert Claim.objects.count() == 1
        assert first.record_path == second.record_path == Claim.objects.get().get_absolute_url()

    def test_the_same_identity_with_another_body_is_refused(self):
        member, identity = make_member(), uuid.uuid4()
        deliver_once(identity=identity, body=BODY, member=member, make=make_claim)
        with pytest.raises(Refused) as refusal:
            deliver_once(identity=identity, body={"name": ["South"]}, member=member, make=make_claim)
        assert refusal.value.code == "sent_before_with_other_values"
        assert Claim.objects.count() == 1

    def test_another_member_does_not_get_the_first_ones_record(self):
        identity = uuid.uuid4()
        deliver_once(identity=identity, body=BODY, member=make_member(), make=make_claim)
        with pytest.raises(Refused):
            deliver_once(identity=identity, body=BODY, member=make_member(), make=make_claim)
        assert Claim.objects.count() == 1

    def test_a_refusal_leaves_the_identity_free_for_the_mended_entry(self):
        member, identity = make_member(), uuid.uuid4()

        def refuse():
            make_claim()
            raise Refused("No.", code="no")

        with pytest.raises(Refused):
            deliver_once(identity=identity, body=BODY, member=member, make=refuse)
        assert (Claim.objects.count(), Delivery.objects.count()) == (0, 0)
        deliver_once(identity=identity, body={"name": ["mended"]}, member=member, make=make_claim)
        assert Claim.objects.count() == 1

    def test_a_refusal_leaves_no_picture_behind_and_a_record_keeps_its_own(self, settings, tmp_path):
        settings.MEDIA_ROOT = tmp_path
        member = make_member()
        buffer = BytesIO()
        Image.new("RGB", (30, 40), "brown").save(buffer, "PNG")

        def keep():
            return keep_photo(upload=SimpleUploadedFile("pan.png", buffer.getvalue()), added_by=member)

        def keep_and_refuse():
            keep()
            raise Refused("No.", code="no")

        deliver_once(identity=uuid.uuid4(), body=BODY, member=member, make=keep)
        stands = {path for path in tmp_path.rglob("*") if path.is_file()}
        with pytest.raises(Refused):
            deliver_once(identity=uuid.uuid4(), body=BODY, member=member, make=keep_and_refuse)
        assert {path for path in tmp_path.rglob("*") if path.is_file()} == stands
        assert len(stands) == 2


@pytest.mark.django_db(transaction=True)
def test_sent_many_times_at_once_is_made_once():
    member, identity = make_member(), uuid.uuid4()
    barrier, paths, raised = threading.Barrier(5), [], []

    def send():
        try:
            barrier.wait(timeout=20)
            sent = deliver_once(identity=identity, body=BODY, member=member, make=lambda: make_claim("North"))
            paths.append(sent.record_path)
        except Exception as error:
            raised.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=send) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert raised == []
    assert paths == [Claim.objects.get().get_absolute_url()] * 5


@pytest.mark.django_db(transaction=True)
def test_what_another_recorded_in_the_same_instant_is_refused_and_leaves_the_identity_free():
    # The name is unique in the database: whoever comes second is told by it, past every look beforehand.
    member, identity = make_member(), uuid.uuid4()
    make_claim("North")
    with pytest.raises(Refused) as refusal:
        deliver_once(identity=identity, body=BODY, member=member, make=lambda: make_claim("North"))
    assert refusal.value.code == "recorded_by_another"
    assert not Delivery.objects.exists()
    made = deliver_once(identity=identity, body=BODY, member=member, make=lambda: make_claim("South"))
    assert made.identity == identity
