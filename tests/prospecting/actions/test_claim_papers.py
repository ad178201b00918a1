from io import BytesIO

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from prospecting.actions import claim_papers
from prospecting.actions.refusal import Refused
from prospecting.calc.accepted_files import PAPER
from prospecting.models import ClaimPaper, JournalEntry
from prospecting.readers import picture as readers
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
        (picture("WEBP"), "post.jpg", "image/webp", "post.webp"),
        (picture("AVIF"), "post.jpg", "image/avif", "post.avif"),
    ],
)
def test_a_pdf_and_a_wanted_original_are_kept_byte_for_byte_as_what_their_bytes_say(
    data, name, kind, kept_as
):
    """ASVS 5.0, v5.0.0-5.2.2: the name and the content, each for itself."""
    paper = keep(data, name=name, keep_original=True)
    paper.refresh_from_db()
    assert bytes(paper.file_bytes) == data
    assert (paper.content_type, paper.file_name) == (kind, kept_as)
    how = "as it came" if data.endswith(PDF) else "as it came, with what the camera wrote into it"
    assert JournalEntry.objects.about(paper).get().what == f"paper added to {paper.claim}, {how}"


def test_a_picture_is_redrawn_unless_the_original_is_wanted():
    exif = Image.Exif()
    exif[0x010F] = "an invented camera"
    data = picture(size=(5000, 30), exif=exif) + b"PK\x03\x04 packed behind the end"
    assert bytes(keep(data, name="cairn.jpg", keep_original=True).file_bytes) == data
    paper = keep(data, name="cairn.png")
    kept = bytes(paper.file_bytes)
    assert (paper.content_type, paper.file_name) == ("image/jpeg", "cairn.jpg")
    assert b"invented camera" not in kept and b"PK" not in kept
    assert Image.open(BytesIO(kept)).size == (PAPER.longest_px, 22)
    what = JournalEntry.objects.about(paper).get().what
    assert what.endswith("redrawn without what the camera wrote into it")


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"hello", "picture_unreadable"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>", "picture_unreadable"),
        (b"PK\x03\x04" + b"\0" * 100, "picture_unreadable"),
        (picture("GIF"), "picture_unreadable"),
        (picture()[:300], "picture_unreadable"),
        (picture("PNG")[:60], "picture_unreadable"),
        (b"%PDF-1.7\n" + b"x" * 5000, "paper_cut_off"),
        (b"x" * 2000 + PDF, "picture_unreadable"),
        (PDF + b"\0" * PAPER.most_bytes, "paper_too_large"),
    ],
)
def test_what_is_no_paper_is_refused_and_leaves_nothing(data, code):
    with pytest.raises(Refused) as refused:
        keep(data)
    assert (refused.value.code, refused.value.field) == (code, "upload")
    assert not ClaimPaper.objects.exists()
    assert not JournalEntry.objects.exists()


def test_a_picture_with_too_many_pixels_is_refused_by_its_header(monkeypatch):
    monkeypatch.setattr(readers, "MOST_PIXELS", 1000)
    with pytest.raises(Refused) as refused:
        keep(picture())
    assert refused.value.code == "picture_too_many_pixels"


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
