"""The bytes of a picture in, a small upright picture on a fresh canvas out: no Exif, no XMP, no comment, nothing behind the end.

What is looked at, in this order: what the bytes say they are (never the name), how many pixels the header names and how often
a JPEG goes over them, and only then a pixel. A JPEG is read at a half, a quarter or an eighth of its size where that is
enough. Whatever takes more memory than a web process should, a JPEG in several scans, and every kind whose reader is large and
young (WebP, HEIC, AVIF), is read in a process of its own that may use only so much memory and time:
`python -m prospecting.readers.picture`.

Bytes per pixel while decoding, measured with Pillow 13.0 and pillow-heif 1.8: JPEG in several scans 4 to 8, PNG 4, WebP 16,
AVIF 10, HEIC 8, and 15 with ten bits a colour.
"""

import os
import re
import subprocess
import sys
import warnings
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING

from prospecting.calc.accepted_files import MOST_PIXELS, MOST_SCANS, AcceptedFile
from prospecting.calc.language import phrase, to_phrase

if TYPE_CHECKING:
    from PIL.Image import Image as Picture

# What Pillow calls each kind. MPO is a JPEG with further pictures behind the first, as many phones write it.
FORMATS = {"JPEG": ("JPEG", "MPO"), "PNG": ("PNG",), "WebP": ("WEBP",), "HEIC": ("HEIF",), "AVIF": ("AVIF",)}
READ_HERE = ("JPEG", "PNG")
MOST_BYTES_HERE = 64_000_000
MOST_BYTES_APART = 520_000_000
MOST_SECONDS_APART = 15
LARGE_PIXELS = 8_000_000
# A worker draws one picture at a time: its threads together stay within what is measured for one.
_ONE_AT_A_TIME = Lock()
MOST_SECONDS_WAITING = 20
_REFUSED = 3
# Markers with a segment behind them, and the end. The others stand alone: a byte FF of the scan itself (FF00), where it can be
# taken up again (D0 to D7), and what no reader takes for a segment.
_MARKER = re.compile(rb"\xff([\xc0-\xcf\xd9-\xfe])")
_END, _SCAN = b"\xd9", b"\xda"
# A long profile and much Exif and XMP come in some hundred; millions of empty ones would take seconds to walk.
MOST_SEGMENTS = 1000


class PictureRefused(ValueError):
    """Why a picture is not taken: `code` is unreadable, too_many_pixels or too_costly."""

    SENTENCES = {
        "unreadable": to_phrase("The site can't read this file, whatever its name says."),
        "too_many_pixels": to_phrase(
            "The picture has too many pixels (more than {most} million). Send a smaller one."
        ),
        "too_costly": to_phrase(
            "This picture takes more memory or time to read than the site gives one, or is damaged. Send a smaller one, or a "
            "plain JPEG."
        ),
    }

    def __init__(self, code: str) -> None:
        super().__init__(phrase(self.SENTENCES[code], most=MOST_PIXELS // 1_000_000))
        self.code = code

    def beside(self, accepted: AcceptedFile) -> str:
        """The sentence beside its field, with what is taken there."""
        return phrase("{refusal} Taken: {kinds}", refusal=self, kinds=accepted.in_words())


@dataclass(frozen=True)
class Redrawn:
    """A picture drawn anew, and of which kind the bytes were."""

    picture: "Picture"
    kind: str


def redrawn_upload(upload, accepted: AcceptedFile) -> Redrawn:
    """The picture of an uploaded file; asked again, the same one.

    A form asks first, before any transaction begins: while a picture is read inside one, nobody else could record anything on
    SQLite.
    """
    if not hasattr(upload, "redrawn"):
        upload.seek(0)
        upload.redrawn = redrawn(upload.read(), longest_px=accepted.longest_px)
    return upload.redrawn


def redrawn(data: bytes, *, longest_px: int) -> Redrawn:
    """Draw the first picture in `data` upright on a fresh white canvas, at most `longest_px` on its longer side.

    Raises PictureRefused.
    """
    kind = kind_of(data)
    if not _ONE_AT_A_TIME.acquire(timeout=MOST_SECONDS_WAITING):
        raise PictureRefused("too_costly")
    try:
        if kind in READ_HERE and _costs_little(data, kind, longest_px):
            return Redrawn(_drawn(data, kind, longest_px), kind)
        return Redrawn(_drawn_apart(data, longest_px), kind)
    finally:
        _ONE_AT_A_TIME.release()


def kind_of(data: bytes) -> str:
    """What the first bytes say the picture is; PictureRefused where they say none of FORMATS.

    Signatures: JPEG, ITU-T T.81, B.1.1.3; PNG, W3C, section 5.2; WebP, RFC 9649; HEIC and AVIF by the brands of their first
    box, ISO/IEC 14496-12, 4.3 (the brands themselves from memory).
    """
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WebP"
    if data[4:8] == b"ftyp":
        brands = data[8 : min(int.from_bytes(data[:4], "big"), 200)]
        if b"avif" in brands or b"avis" in brands:
            return "AVIF"
        if re.search(rb"hei[cxms]|hev[cxms]|mif1|msf1", brands):
            return "HEIC"
    raise PictureRefused("unreadable")


def _open(data: bytes, kind: str) -> "Picture":
    """The picture with its header read and no pixel decoded; PictureRefused where the header names too much."""
    from PIL import Image

    if kind == "HEIC":
        import pillow_heif

        pillow_heif.register_heif_opener(
            thumbnails=False, depth_images=False, aux_images=False, decode_threads=1
        )
    if kind == "AVIF":
        from PIL import AvifImagePlugin

        AvifImagePlugin.DEFAULT_MAX_THREADS = 1
    try:
        with warnings.catch_warnings():
            # Pillow warns of a decompression bomb, and only fails at twice as many pixels.
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture = Image.open(BytesIO(data), formats=FORMATS[kind])
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise PictureRefused("too_many_pixels") from None
    # Pillow's readers raise whatever comes over a broken file.
    except Exception:
        raise PictureRefused("unreadable") from None
    if picture.width * picture.height > MOST_PIXELS:
        raise PictureRefused("too_many_pixels")
    return picture


def _costs_little(data: bytes, kind: str, longest_px: int) -> bool:
    """Whether a web process may decode it; PictureRefused where nothing should."""
    picture = _open(data, kind)
    if kind == "JPEG":
        scans = scans_of(data)
        if scans > MOST_SCANS:
            raise PictureRefused("too_costly")
        # In several scans all of it stays in memory until the last one is in, and each takes its time.
        if scans != 1 or "progressive" in picture.info:
            return False
        picture.draft(picture.mode, _fitted(picture.size, longest_px))
    return 4 * picture.width * picture.height <= MOST_BYTES_HERE


def scans_of(data: bytes) -> int:
    """How many scans the first picture of a JPEG has (markers: ITU-T T.81, table B.1).

    Nothing is counted, and no end seen, of what lies in segments, like a small picture within Exif or a comment between scans;
    nor of pictures behind the end. Within a scan a byte FF is followed by 00 or by a marker, so a marker found there is one.
    PictureRefused where there are more segments than any picture needs.
    """
    scans, at = 0, 2
    for _ in range(MOST_SEGMENTS):
        found = _MARKER.search(data, at)
        if not found or found[1] == _END:
            return scans
        scans += found[1] == _SCAN
        length = int.from_bytes(data[found.end() : found.end() + 2], "big")
        at = found.end() + max(length, 2)
    raise PictureRefused("too_costly")


def _drawn(data: bytes, kind: str, longest_px: int) -> "Picture":
    from PIL import Image, ImageOps

    picture = _open(data, kind)
    try:
        with warnings.catch_warnings():
            # It warns of Exif data it can't read; those are left behind in any case.
            warnings.simplefilter("ignore")
            if kind == "JPEG":
                picture.draft(picture.mode, _fitted(picture.size, longest_px))
            picture.load()
            if picture.mode in ("P", "PA") or "transparency" in picture.info:
                picture = _with_info(picture.convert("RGBA"), picture)
            # Before it is turned: turning makes a second one of the same size.
            picture.thumbnail((longest_px, longest_px))
            upright = ImageOps.exif_transpose(picture)
            if upright.mode.startswith("I"):
                # Sixteen bits of grey; converting them as they are would make all but the darkest white.
                upright = upright.convert("I").point(lambda grey: grey / 256).convert("L")
            canvas = Image.new("RGB", upright.size, "white")
            canvas.paste(upright, mask=upright.getchannel("A") if "A" in upright.getbands() else None)
            return canvas
    # Not every reader says that it was memory it lacked.
    except Exception as error:
        lacks_memory = isinstance(error, MemoryError) or picture.width * picture.height > LARGE_PIXELS
        raise PictureRefused("too_costly" if lacks_memory else "unreadable") from None


def _with_info(converted: "Picture", picture: "Picture") -> "Picture":
    """How it has to be turned goes along."""
    converted.info.update(picture.info)
    return converted


def _fitted(size: tuple[int, int], longest_px: int) -> tuple[int, int]:
    share = min(1, longest_px / max(size))
    return max(1, round(size[0] * share)), max(1, round(size[1] * share))


def _drawn_apart(data: bytes, longest_px: int) -> "Picture":
    """The same in a process of its own. It gets no secret of this one's environment, and is ended where it takes too long."""
    from PIL import Image

    kept = {
        name: os.environ[name] for name in ("PATH", "PYTHONPATH", "LD_LIBRARY_PATH") if name in os.environ
    }
    try:
        done = subprocess.run(
            [sys.executable, "-m", __spec__.name, str(longest_px)],
            input=data,
            capture_output=True,
            cwd=Path(__file__).resolve().parents[2],
            env=kept | {"MALLOC_ARENA_MAX": "1", "PYTHONDONTWRITEBYTECODE": "1"},
            timeout=2 * MOST_SECONDS_APART,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise PictureRefused("too_costly") from None
    if done.returncode == _REFUSED:
        raise PictureRefused(done.stdout.decode())
    if done.returncode:
        # Ended by its limits, or its reader fell over.
        raise PictureRefused("too_costly")
    size, _, pixels = done.stdout.partition(b"\n")
    width, height = map(int, size.split())
    return Image.frombytes("RGB", (width, height), pixels)


def _limit_this_process() -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_DATA, (MOST_BYTES_APART, MOST_BYTES_APART))
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_SECONDS_APART, MOST_SECONDS_APART))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def main() -> int:
    """Read a picture from the standard input, write its size and its pixels, or the code of a refusal, to the output."""
    _limit_this_process()
    try:
        data = sys.stdin.buffer.read()
        kind, longest_px = kind_of(data), int(sys.argv[1])
        if kind in READ_HERE:
            _costs_little(data, kind, longest_px)
        picture = _drawn(data, kind, longest_px)
    except PictureRefused as refusal:
        sys.stdout.write(refusal.code)
        return _REFUSED
    sys.stdout.buffer.write(b"%d %d\n" % picture.size)
    sys.stdout.buffer.write(picture.tobytes())
    return 0


if __name__ == "__main__":
    sys.exit(main())
