"""Pictures come in through here: checked before they are decoded, redrawn so that nothing hidden is left in them."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from decimal import Decimal
from io import BytesIO

from django.conf import settings
from django.core.files.base import ContentFile
from django.db import transaction
from django.utils.crypto import get_random_string

from prospecting.actions.journal import changed_fields, write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.models import Photo

LONGEST_SIDE_PX = 1600
LONGEST_THUMB_PX = 320
READABLE = ("JPEG", "PNG", "WEBP")
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


def _write(file, picture) -> None:
    file.save(f"{get_random_string(24)}.jpg", ContentFile(_jpeg(picture)), save=False)
    if (written := _written.get()) is not None:
        written.append(file)


def keep_photo(*, upload, added_by, field: str = "photo") -> Photo:
    """Store an uploaded picture as a JPEG redrawn on a fresh canvas, upright, at most 1600 px on its longer side.

    A small one for lists, at most 320 px, is drawn from it.
    """
    require_writer(added_by)
    if upload.size > settings.PHOTO_MAX_BYTES:
        raise Refused(
            f"The picture has {upload.size / 1e6:.0f} MB; at most {settings.PHOTO_MAX_BYTES // 2**20} MB are taken.",
            code="photo_too_large",
            field=field,
        )
    picture = _redrawn(upload.read(), field)
    photo = Photo(width_px=picture.width, height_px=picture.height, added_by=added_by)
    _write(photo.file, picture)
    picture.thumbnail((LONGEST_THUMB_PX, LONGEST_THUMB_PX))
    _write(photo.thumb, picture)
    photo.save()
    return photo


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


def _redrawn(data: bytes, field: str):
    from PIL import Image, ImageOps, UnidentifiedImageError

    unreadable = Refused(
        "This file is not a picture the site can read. Send a JPEG, PNG or WebP picture.",
        code="photo_unreadable",
        field=field,
    )
    too_many_pixels = Refused(
        f"The picture has too many pixels (more than {settings.PHOTO_MAX_PIXELS // 1_000_000} million). Send a smaller one.",
        code="photo_too_many_pixels",
        field=field,
    )
    try:
        with warnings.catch_warnings():
            # Pillow only warns of a decompression bomb; here the warning is a refusal.
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture = Image.open(BytesIO(data), formats=READABLE)
            # The size stands in the header: refused before a single pixel is decoded.
            if picture.width * picture.height > settings.PHOTO_MAX_PIXELS:
                raise too_many_pixels
            upright = ImageOps.exif_transpose(picture).convert("RGB")
    except Refused:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise too_many_pixels from None
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError):
        raise unreadable from None
    upright.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
    # A fresh canvas takes the pixels and nothing else: no Exif, no XMP, no comment.
    canvas = Image.new("RGB", upright.size)
    canvas.paste(upright)
    return canvas


def _jpeg(picture) -> bytes:
    out = BytesIO()
    picture.save(out, "JPEG", quality=82, optimize=True)
    return out.getvalue()
