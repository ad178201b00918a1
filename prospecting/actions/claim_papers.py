"""Papers and photos of a claim: for members only; voided with a reason, never deleted.

A PDF is kept byte for byte. A picture is redrawn, so that the position the camera wrote into it is gone, unless the member
wants the original kept with it.
"""

import datetime
import hashlib
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from django.db import transaction
from django.utils import timezone

from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.photos import redrawn_picture
from prospecting.actions.refusal import Refused
from prospecting.actions.uploads import check_room, check_size
from prospecting.calc.accepted_files import PAPER
from prospecting.calc.language import phrase
from prospecting.models import Claim, ClaimPaper
from prospecting.readers.pdf import has_its_end, is_pdf

PDF = "application/pdf"
# Registered media types (IANA); as which an original is given back.
TYPES = {
    "JPEG": "image/jpeg",
    "PNG": "image/png",
    "WebP": "image/webp",
    "HEIC": "image/heic",
    "AVIF": "image/avif",
}
ENDINGS = {PDF: ".pdf", "image/jpeg": ".jpg"} | {
    TYPES[kind]: f".{kind.lower()}" for kind in ("PNG", "WebP", "HEIC", "AVIF")
}


@dataclass(frozen=True)
class _ToKeep:
    data: bytes
    content_type: str
    # What became of it, for the journal.
    how: str


@transaction.atomic
def add_claim_paper(
    *,
    claim: Claim,
    upload,
    title: str,
    recorded_by,
    dated_on: datetime.date | None = None,
    note: str = "",
    keep_original: bool = False,
) -> ClaimPaper:
    """Keep a PDF as it came, a picture redrawn or, with `keep_original`, as it came. What it is, its bytes say, not its name."""
    require_writer(recorded_by)
    check_size(upload, PAPER, field="upload", code="paper_too_large")
    kept = _to_keep(upload, keep_original=keep_original)
    sha256 = hashlib.sha256(kept.data).hexdigest()
    check_room(member=recorded_by, adds_bytes=len(kept.data), field="upload")
    # Locked, so that one paper sent by two members at once gets in once.
    claim = Claim.objects.select_for_update().get(pk=claim.pk)
    known = claim.papers.filter(file_sha256=sha256, voided_at__isnull=True).defer("file_bytes").first()
    if known is not None:
        raise Refused(
            phrase("This very file is kept already, as {title}.", title=known.title),
            code="paper_twice",
            field="upload",
        )
    paper = ClaimPaper(
        claim=claim,
        title=title,
        dated_on=dated_on,
        file_name=_plain_name(upload.name, kept.content_type),
        file_sha256=sha256,
        file_bytes=kept.data,
        content_type=kept.content_type,
        note=note,
        recorded_by=recorded_by,
    )
    paper.full_clean(exclude=["claim", "recorded_by", "file_bytes"])
    paper.save()
    write_journal(member=recorded_by, about=paper, what=f"paper added to {claim}, {kept.how}")
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
        raise Refused(phrase("This paper is voided already."), code="void_already")
    if paper.recorded_by_id != voided_by.pk and not voided_by.is_keeper:
        raise Refused(phrase("Only who added this paper, or a keeper, voids it."), code="not_yours")
    if not reason.strip():
        raise Refused(phrase("Say why this paper is voided."), code="reason_missing", field="reason")
    paper.voided_at, paper.void_reason = timezone.now(), reason.strip()
    paper.clean_fields(exclude=["claim", "recorded_by", "file_bytes"])
    paper.save(update_fields=["voided_at", "void_reason"])
    write_journal(member=voided_by, about=paper, what="paper voided", why=paper.void_reason)
    return paper


def _to_keep(upload, *, keep_original: bool) -> _ToKeep:
    upload.seek(0)
    data = upload.read()
    if is_pdf(data):
        if not has_its_end(data):
            raise Refused(
                phrase("This PDF is cut off: its end is missing."), code="paper_cut_off", field="upload"
            )
        return _ToKeep(data, PDF, "as it came")
    # Drawn in any case, so that what is kept can be opened again.
    read = redrawn_picture(upload, PAPER, field="upload")
    if keep_original:
        return _ToKeep(data, TYPES[read.kind], "as it came, with what the camera wrote into it")
    out = BytesIO()
    read.picture.save(out, "JPEG", quality=90)
    return _ToKeep(out.getvalue(), TYPES["JPEG"], "redrawn without what the camera wrote into it")


def _plain_name(file_name: str, content_type: str) -> str:
    """The name without folders and odd signs, with the ending of what the file is."""
    stem = Path(file_name.replace("\\", "/")).stem
    plain = "".join(sign for sign in stem if sign.isprintable()).strip(". ")
    return f"{plain[:100] or 'paper'}{ENDINGS[content_type]}"
