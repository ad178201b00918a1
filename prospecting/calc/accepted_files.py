"""Which files the site takes, what they may hold and how large they may be: one list for forms, actions and documents.

The OWASP Application Security Verification Standard 5.0 asks for it in writing (5.1.1), for a limit of size (5.2.1), for a
look at the content beside the name (5.2.2) and for a limit of pixels (5.2.6). The limits are our own: what a phone writes
and a scanner sends fits in, and a small computer can read it.
"""

from dataclasses import dataclass

from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.number_words import numeral

MEGABYTE = 1_000_000
MOST_PIXELS = 40_000_000
# A progressive JPEG has some ten (from memory of the usual encoder); each goes over the whole picture again, and a small file
# may hold thousands.
MOST_SCANS = 50
PICTURE_KINDS = ("JPEG", "PNG", "WebP", "HEIC", "AVIF")
_PICTURE_ACCEPT = "image/jpeg,image/png,image/webp,image/heic,image/heif,image/avif,.heic,.heif"


@dataclass(frozen=True)
class AcceptedFile:
    """What is taken at one place: its kinds by name, and what the browser is told to offer."""

    name: str
    kinds: tuple[str, ...]
    most_bytes: int
    accept: str
    most_pixels: int | None = None
    # As which pictures among them are kept: redrawn, at most so long.
    longest_px: int | None = None

    @property
    def what(self) -> str:
        return phrase(self.name)

    def in_words(self) -> str:
        """The kinds and limits in a sentence.

        >>> CERTIFICATE.in_words()
        'CSV, text or spreadsheet (.xlsx), at most 2 MB.'
        """
        *others, last = [phrase(kind) for kind in self.kinds]
        kinds = phrase("{others} or {last}", others=", ".join(others), last=last)
        size = megabytes(self.most_bytes)
        if not self.most_pixels:
            return phrase("{kinds}, at most {size}.", kinds=kinds, size=size)
        return phrase(
            "{kinds}, at most {size} and {pixels} million pixels.",
            kinds=kinds,
            size=size,
            pixels=self.most_pixels // 1_000_000,
        )

    def too_large(self, size_bytes: int) -> str | None:
        """Why a file of this size is not taken; None where it is.

        >>> CERTIFICATE.too_large(2_000_001)
        'The file has 2.1 MB; at most 2 MB are taken.'
        """
        if size_bytes <= self.most_bytes:
            return None
        # Upwards, so that a byte too many does not read as the limit itself.
        tenths = -(-size_bytes // (MEGABYTE // 10))
        return phrase(
            "The file has {size} MB; at most {most} are taken.",
            size=numeral(tenths / 10, ",g"),
            most=megabytes(self.most_bytes),
        )


def megabytes(size_bytes: int) -> str:
    """A size in words, in whole megabytes of 1,000,000 bytes; nothing is nothing, and less than one says so.

    >>> megabytes(1_999_500_000), megabytes(20), megabytes(0)
    ('2,000 MB', 'less than 1 MB', 'nothing')
    """
    if not size_bytes:
        return phrase("nothing")
    if size_bytes < MEGABYTE:
        return phrase("less than 1 MB")
    return f"{numeral(round(size_bytes / MEGABYTE), ',')} MB"


_TEXT, _SPREADSHEET = to_phrase("text"), to_phrase("spreadsheet (.xlsx)")
PHOTO = AcceptedFile(
    to_phrase("Photo"), PICTURE_KINDS, 12 * MEGABYTE, _PICTURE_ACCEPT, MOST_PIXELS, longest_px=1600
)
PAPER = AcceptedFile(
    to_phrase("Paper of a claim"),
    ("PDF", *PICTURE_KINDS),
    10 * MEGABYTE,
    f"application/pdf,{_PICTURE_ACCEPT}",
    MOST_PIXELS,
    # A sheet of A4 or US Letter at 300 dots an inch is 3,300 to 3,510 of them long.
    longest_px=3600,
)
CERTIFICATE = AcceptedFile(
    to_phrase("Laboratory's file"),
    ("CSV", _TEXT, _SPREADSHEET),
    2 * MEGABYTE,
    ".csv,.txt,.tsv,.xlsx,.xlsm,text/csv,text/plain",
)
RUN_TABLE = AcceptedFile(
    to_phrase("Table of runs"), ("CSV", _SPREADSHEET), 2 * MEGABYTE, ".csv,.txt,.tsv,.xlsx,text/csv"
)
OLD_LIST = AcceptedFile(
    to_phrase("List kept before the site"),
    ("CSV", _TEXT, _SPREADSHEET),
    2 * MEGABYTE,
    ".csv,.txt,.tsv,.xlsx,.xlsm,text/csv,text/plain",
)
POSITIONS = AcceptedFile(
    to_phrase("Positions of digs"),
    ("GPX 1.1", "GeoJSON"),
    2 * MEGABYTE,
    ".gpx,.geojson,.json,application/gpx+xml,application/geo+json",
)
ACCEPTED = (PHOTO, PAPER, CERTIFICATE, RUN_TABLE, OLD_LIST, POSITIONS)
