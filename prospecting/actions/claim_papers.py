"""Papers and photos of a claim: kept byte for byte as evidence, for members only; voided with a reason, never deleted."""

import datetime
import hashlib
import warnings
from io import BytesIO
from pathlib import Path

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.models import Claim, ClaimPaper

LARGEST_PAPER_BYTES = 10 * 1024 * 1024
PDF = "application/pdf"
PICTURES = {"JPEG": "image/jpeg", "PNG": "image/png"}
ENDINGS = {PDF: ".pdf", "image/jpeg": ".jpg", "image/png": ".png"}
# A PDF names itself at its beginning and marks its end (ISO 32000-1, section 7.5); that readers look through 1,024 bytes for
# either, because some senders add a few of their own, is from memory.
PDF_BEGINS, PDF_ENDS = b"%PDF-", b"%%EOF"
PDF_ROOM = 1024


@transaction.atomic
def add_claim_paper(
    *,
    claim: Claim,
    upload,
    title: str,
    recorded_by,
    dated_on: datetime.date | None = None,
    note: str = "",
) -> ClaimPaper:
    """Keep a PDF, JPEG or PNG as it came. What it is, its bytes say, not its name."""
    require_writer(recorded_by)
    if upload.size > LARGEST_PAPER_BYTES:
        raise Refused(
            f"The file has {upload.size / 2**20:.1f} MB; at most {LARGEST_PAPER_BYTES // 2**20} MB are taken.",
            code="paper_too_large",
            field="upload",
        )
    data = upload.read()
    content_type = _kind_of(data)
    sha256 = hashlib.sha256(data).hexdigest()
    # Locked, so that one paper sent by two members at once gets in once.
    claim = Claim.objects.select_for_update().get(pk=claim.pk)
    known = claim.papers.filter(file_sha256=sha256, voided_at__isnull=True).defer("file_bytes").first()
    if known is not None:
        raise Refused(
            f"This very file is kept already, as {known.title}.", code="paper_twice", field="upload"
        )
    paper = ClaimPaper(
        claim=claim,
        title=title,
        dated_on=dated_on,
        file_name=_plain_name(upload.name, content_type),
        file_sha256=sha256,
        file_bytes=data,
        content_type=content_type,
        note=note,
        recorded_by=recorded_by,
    )
    paper.full_clean(exclude=["claim", "recorded_by", "file_bytes"])
    paper.save()
    write_journal(member=recorded_by, about=paper, what=f"paper added to {claim}")
    return paper


@transaction.atomic
def void_claim_paper(*, paper: ClaimPaper, reason: str, voided_by) -> ClaimPaper:
    """Take a paper back with a reason; who added it may, and a keeper. It stays to be read."""
    require_writer(voided_by)
    paper = (
        ClaimPaper.objects.select_for_update(of=("self",))
        .select_related("claim")
        .defer("file_bytes")
        .get(pk=paper.pk)
    )
    if paper.voided_at is not None:
        raise Refused("This paper is voided already.", code="void_already")
    if paper.recorded_by_id != voided_by.pk and not voided_by.is_keeper:
        raise Refused("Only who added this paper, or a keeper, voids it.", code="not_yours")
    if not reason.strip():
        raise Refused("Say why this paper is voided.", code="reason_missing", field="reason")
    paper.voided_at, paper.void_reason = timezone.now(), reason.strip()
    paper.clean_fields(exclude=["claim", "recorded_by", "file_bytes"])
    paper.save(update_fields=["voided_at", "void_reason"])
    write_journal(member=voided_by, about=paper, what="paper voided", why=paper.void_reason)
    return paper


def _kind_of(data: bytes) -> str:
    if PDF_BEGINS in data[:PDF_ROOM]:
        if PDF_ENDS not in data[-PDF_ROOM:]:
            raise Refused("This PDF is cut off: its end is missing.", code="paper_cut_off", field="upload")
        return PDF
    return _kind_of_picture(data)


def _kind_of_picture(data: bytes) -> str:
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture = Image.open(BytesIO(data), formats=tuple(PICTURES))
            kind, pixels = picture.format, picture.width * picture.height
            # The size stands in the header: refused before a single pixel is decoded.
            if pixels > settings.PHOTO_MAX_PIXELS:
                raise Image.DecompressionBombError
            # Decoded once, so that what is kept can be opened again.
            picture.load()
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise Refused(
            f"The picture has more than {settings.PHOTO_MAX_PIXELS // 1_000_000} million pixels. Send a smaller one.",
            code="paper_too_many_pixels",
            field="upload",
        ) from None
    except (OSError, ValueError, SyntaxError):
        raise Refused(
            "This is no PDF, JPEG or PNG the site can read, whatever its name says.",
            code="paper_unreadable",
            field="upload",
        ) from None
    return PICTURES[kind]


def _plain_name(file_name: str, content_type: str) -> str:
    """The name without folders and odd signs, with the ending of what the file is."""
    stem = Path(file_name.replace("\\", "/")).stem
    plain = "".join(sign for sign in stem if sign.isprintable()).strip(". ")
    return f"{plain[:100] or 'paper'}{ENDINGS[content_type]}"
