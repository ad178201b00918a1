from io import BytesIO

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from prospecting.actions import claim_papers
from prospecting.actions.refusal import Refused
from prospecting.models import ClaimPaper, JournalEntry
from tests.make import make_claim, make_member

pytestmark = pytest.mark.django_db

PDF = b"%PDF-1.7\n1 0 obj\n<<>>\nendobj\ntrailer\n<<>>\nstartxref\n9\n%%EOF\n"


def picture(kind: str = "JPEG", size=(40, 30), **options) -> bytes:
    buffer = BytesIO()
    Image.new("RGB", size, "brown").save(buffer, kind, **options)
    return buffer.getvalue()


def keep(data: bytes, *, name: str = "notice.pdf", claim=None, member=None, **facts) -> ClaimPaper:
    return claim_papers.add_claim_paper(
        claim=claim or make_claim(),
        upload=SimpleUploadedFile(name, data),
        title=facts.pop("title", "Location notice"),
        recorded_by=member or make_member(),
        **facts,
    )


@pytest.mark.parametrize(
    ("data", "name", "kind", "kept_as"),
    [
        (PDF, "notice.pdf", "application/pdf", "notice.pdf"),
        # Some senders put a line of their own before the mark.
        (b"\xef\xbb\xbf\n" + PDF, "notice.PDF", "application/pdf", "notice.pdf"),
        (picture(), "C:\\scans\\..\\notice.pdf", "image/jpeg", "notice.jpg"),
        (picture("PNG"), "../../etc/passwd", "image/png", "passwd.png"),
        (picture("PNG"), "...", "image/png", "paper.png"),
        (picture("PNG"), "a\u202egnp.exe\r\nX: y", "image/png", "agnp.png"),
    ],
)
def test_a_paper_is_kept_byte_for_byte_as_what_its_bytes_say(data, name, kind, kept_as):
    paper = keep(data, name=name)
    paper.refresh_from_db()
    assert bytes(paper.file_bytes) == data
    assert (paper.content_type, paper.file_name) == (kind, kept_as)
    assert JournalEntry.objects.about(paper).get().what == f"paper added to {paper.claim}"


def test_a_photo_keeps_what_the_camera_wrote_into_it():
    exif = Image.Exif()
    exif[0x010F] = "an invented camera"
    data = picture(exif=exif)
    assert bytes(keep(data, name="cairn.jpg").file_bytes) == data


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"hello", "paper_unreadable"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>", "paper_unreadable"),
        (b"PK\x03\x04" + b"\0" * 100, "paper_unreadable"),
        (picture("GIF"), "paper_unreadable"),
        (picture("WEBP"), "paper_unreadable"),
        (picture()[:300], "paper_unreadable"),
        (picture("PNG")[:60], "paper_unreadable"),
        (b"%PDF-1.7\n" + b"x" * 5000, "paper_cut_off"),
        (b"x" * 2000 + PDF, "paper_unreadable"),
        (PDF + b"\0" * claim_papers.LARGEST_PAPER_BYTES, "paper_too_large"),
    ],
)
def test_what_is_no_paper_is_refused_and_leaves_nothing(data, code):
    with pytest.raises(Refused) as refused:
        keep(data)
    assert (refused.value.code, refused.value.field) == (code, "upload")
    assert not ClaimPaper.objects.exists()
    assert not JournalEntry.objects.exists()


def test_a_picture_with_too_many_pixels_is_refused_by_its_header(settings):
    settings.PHOTO_MAX_PIXELS = 1000
    with pytest.raises(Refused) as refused:
        keep(picture())
    assert refused.value.code == "paper_too_many_pixels"


def test_the_same_paper_twice_is_refused_on_one_claim_until_the_first_is_voided():
    member, claim = make_member(), make_claim()
    first = keep(PDF, claim=claim, member=member)
    with pytest.raises(Refused) as refused:
        keep(PDF, claim=claim, member=member, title="Another name")
    assert refused.value.code == "paper_twice"
    assert "Location notice" in refused.value.messages[0]
    keep(PDF)
    claim_papers.void_claim_paper(paper=first, reason="wrong claim", voided_by=member)
    assert keep(PDF, claim=claim, member=member).pk != first.pk
    first.refresh_from_db()
    assert bytes(first.file_bytes) == PDF


def test_who_added_it_voids_it_or_a_keeper():
    writer, keeper = make_member(), make_member("keeper")
    paper = keep(PDF, member=writer)
    for member, reason, code in (
        (make_member(), "no", "not_yours"),
        (keeper, " ", "reason_missing"),
    ):
        with pytest.raises(Refused) as refused:
            claim_papers.void_claim_paper(paper=paper, reason=reason, voided_by=member)
        assert refused.value.code == code
    claim_papers.void_claim_paper(paper=paper, reason="an older copy", voided_by=keeper)
    with pytest.raises(Refused, match="voided already"):
        claim_papers.void_claim_paper(paper=paper, reason="again", voided_by=keeper)
    assert JournalEntry.objects.about(paper).first().why == "an older copy"


def test_guests_keep_and_void_nothing():
    guest = make_member("guest")
    with pytest.raises(PermissionDenied):
        keep(PDF, member=guest)
    with pytest.raises(PermissionDenied):
        claim_papers.void_claim_paper(paper=keep(PDF), reason="x", voided_by=guest)


def test_a_title_that_is_too_long_is_refused():
    with pytest.raises(ValidationError):
        keep(PDF, title="n" * 121)
