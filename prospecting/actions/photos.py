"""Pictures come in through here: checked before they are decoded, redrawn so that nothing hidden is left in them."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from decimal import Decimal
from io import BytesIO

from django.core.files.base import ContentFile
from django.db import transaction
from django.utils.crypto import get_random_string

from prospecting.actions.journal import changed_fields, write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.actions.uploads import check_room, check_size
from prospecting.calc.accepted_files import PHOTO, AcceptedFile
from prospecting.models import Photo
from prospecting.readers.picture import PictureRefused, Redrawn, redrawn_upload

LONGEST_THUMB_PX = 320
# The files written so far for what may still be refused; None where nobody waits for the outcome.
_written: ContextVar[list | None] = ContextVar("written", default=None)


@contextmanager
def without_files_of_failures() -> Iterator[None]:
    """Where what is done inside fails, the picture files written for it go too: a rollback takes back rows only."""
    written = []
    token = _written.set(written)
    try:
        yield
    except BaseException:
        for file in written:
            file.storage.delete(file.name)
        raise
    finally:
        _written.reset(token)


def _write(file, data: bytes) -> None:
    file.save(f"{get_random_string(24)}.jpg", ContentFile(data), save=False)
    if (written := _written.get()) is not None:
        written.append(file)


@transaction.atomic
def keep_photo(*, upload, added_by, field: str = "photo") -> Photo:
    """Store an uploaded picture as a JPEG redrawn on a fresh canvas, upright, at most 1600 px on its longer side.

    A small one for lists, at most 320 px, is drawn from it.
    """
    require_writer(added_by)
    check_size(upload, PHOTO, field=field, code="photo_too_large")
    picture = redrawn_picture(upload, PHOTO, field=field).picture
    large = _jpeg(picture)
    photo = Photo(width_px=picture.width, height_px=picture.height, added_by=added_by)
    thumb = picture.copy()
    thumb.thumbnail((LONGEST_THUMB_PX, LONGEST_THUMB_PX))
    small = _jpeg(thumb)
    photo.size_bytes = len(large) + len(small)
    check_room(member=added_by, adds_bytes=photo.size_bytes, field=field)
    _write(photo.file, large)
    _write(photo.thumb, small)
    photo.save()
    return photo


def redrawn_picture(upload, accepted: AcceptedFile, *, field: str) -> Redrawn:
    """The picture drawn anew, or a refusal beside its field that says what is taken there."""
    try:
        return redrawn_upload(upload, accepted)
    except PictureRefused as refusal:
        raise Refused(refusal.beside(accepted), code=f"picture_{refusal.code}", field=field) from None


@transaction.atomic
def set_scale(*, photo: Photo, px_per_mm: Decimal, recorded_by) -> Photo:
    """Say how many pixels of a picture are a millimetre."""
    require_writer(recorded_by)
    photo = Photo.objects.select_for_update().get(pk=photo.pk)
    changes = changed_fields(record=photo, values={"px_per_mm": px_per_mm})
    if changes:
        photo.px_per_mm = px_per_mm
        photo.full_clean()
        photo.save(update_fields=["px_per_mm"])
        write_journal(member=recorded_by, about=photo, what="its scale was set", changes=changes)
    return photo


def _jpeg(picture) -> bytes:
    out = BytesIO()
    picture.save(out, "JPEG", quality=82, optimize=True)
    return out.getvalue()
