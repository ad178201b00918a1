"""Pictures come in through here: checked before they are decoded, redrawn so that nothing hidden is left in them."""

import warnings
from io import BytesIO

from django.conf import settings
from django.core.files.base import ContentFile
from django.utils.crypto import get_random_string

from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.models import Photo

LONGEST_SIDE_PX = 1600
READABLE = ("JPEG", "PNG", "WEBP")


def keep_photo(*, upload, added_by, field: str = "photo") -> Photo:
    """Store an uploaded picture as a JPEG redrawn on a fresh canvas, upright, at most 1600 px on its longer side."""
    require_writer(added_by)
    if upload.size > settings.PHOTO_MAX_BYTES:
        raise Refused(
            f"The picture has {upload.size / 1e6:.0f} MB; at most {settings.PHOTO_MAX_BYTES // 2**20} MB are taken.",
            code="photo_too_large",
            field=field,
        )
    data, size = _redrawn(upload.read(), field)
    photo = Photo(width_px=size[0], height_px=size[1], added_by=added_by)
    photo.file.save(f"{get_random_string(24)}.jpg", ContentFile(data), save=False)
    photo.save()
    return photo


def _redrawn(data: bytes, field: str) -> tuple[bytes, tuple[int, int]]:
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
    canvas = Image.new("RGB", upright.size)
    canvas.paste(upright)
    out = BytesIO()
    canvas.save(out, "JPEG", quality=82, optimize=True)
    return out.getvalue(), canvas.size
