"""How much of pictures and files there is room for: by member, for the site, on the disk."""

import shutil
from collections import namedtuple

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext

from prospecting.actions.claim_papers import add_claim_paper
from prospecting.actions.photos import keep_photo
from prospecting.actions.refusal import Refused
from prospecting.actions.uploads import check_room
from prospecting.frames.room import room
from prospecting.models import ClaimPaper, Photo
from prospecting.models.room import bytes_kept
from tests.make import make_claim, make_member
from tests.make_pictures import drawn
from tests.prospecting.actions.test_assays import make_dispatch, store, tags_of
from tests.prospecting.actions.test_claim_papers import PDF

pytestmark = pytest.mark.django_db

Usage = namedtuple("Usage", "total used free")


def keep(member) -> Photo:
    return keep_photo(upload=SimpleUploadedFile("pan.jpg", drawn("JPEG", (400, 300))), added_by=member)


def add_paper(member, data: bytes = PDF) -> ClaimPaper:
    upload = SimpleUploadedFile("notice.pdf", data)
    return add_claim_paper(claim=make_claim(), upload=upload, title="Notice", recorded_by=member)


def test_what_each_keeps_is_counted_in_one_query_without_reading_a_file():
    first, second = make_member(), make_member()
    photos = [keep(first), keep(first)]
    add_paper(first)
    add_paper(second, PDF + b"\n" * 500 + b"%%EOF\n")
    with CaptureQueriesContext(connection) as asked:
        kept = bytes_kept()
    assert len(asked) == 1
    assert kept[first.pk].photos == sum(photo.file.size + photo.thumb.size for photo in photos)
    assert kept[first.pk].papers == len(PDF)
    assert kept[second.pk].total == len(PDF) + 506
    assert kept[make_member().pk].total == 0


def test_a_certificate_counts_for_who_stored_it():
    member, dispatch = make_member(), make_dispatch()
    before = bytes_kept()[member.pk].total
    kept = store(dispatch, f"Sample,Au_ppm\n{tags_of(dispatch)[0]},4.1\n", recorded_by=member)
    assert bytes_kept()[member.pk].certificates - before == len(bytes(kept.file_bytes))


@pytest.mark.parametrize(
    "setting, code, said",
    [
        ("MEMBER_QUOTA_BYTES", "member_quota", "your pictures and files take less than 1 MB of the"),
        ("SITE_QUOTA_BYTES", "site_quota", "all pictures and files of the site take less than 1 MB of"),
    ],
)
def test_what_fits_no_more_is_refused_and_leaves_nothing(settings, setting, code, said):
    member = make_member()
    one = keep(member).size_bytes
    setattr(settings, setting, 2 * one)
    keep(member)
    files = set(settings.MEDIA_ROOT.rglob("*.jpg"))
    for act, field in ((keep, "photo"), (add_paper, "upload")):
        with pytest.raises(Refused) as refusal:
            act(member)
        assert (refusal.value.code, refusal.value.field) == (code, field)
        assert said in refusal.value.messages[0]
        assert "keeper" in refusal.value.messages[0] and "Leave it out" in refusal.value.messages[0]
    assert (Photo.objects.count(), ClaimPaper.objects.count()) == (2, 0)
    assert set(settings.MEDIA_ROOT.rglob("*.jpg")) == files


def test_anothers_pictures_take_nothing_from_ones_own_room(settings):
    first, second = make_member(), make_member()
    settings.MEMBER_QUOTA_BYTES = keep(first).size_bytes
    keep(second)
    with pytest.raises(Refused):
        keep(first)


def test_a_disk_nearly_full_takes_no_pictures(settings, monkeypatch):
    member, free = make_member(), settings.DISK_FLOOR_BYTES + 1000
    monkeypatch.setattr(shutil, "disk_usage", lambda path: Usage(10**12, 10**12 - free, free))
    check_room(member=member, adds_bytes=1000, field=None)
    with pytest.raises(Refused) as refusal:
        keep(member)
    assert refusal.value.code == "disk_nearly_full"
    assert "500 MB are left" in refusal.value.messages[0]
    assert not Photo.objects.exists()


def test_keepers_see_who_takes_how_much(settings):
    little, much, none = make_member(), make_member(), make_member()
    add_paper(little)
    keep(much)
    with CaptureQueriesContext(connection) as asked:
        seen = room()
    assert len(asked) == 2
    assert [row.member for row in seen.members] == [much, little]
    assert none not in [row.member for row in seen.members]
    assert seen.site_bytes == sum(row.kept.total for row in seen.members)
    assert not seen.is_short
    settings.SITE_QUOTA_BYTES = seen.site_bytes
    assert room().is_short
