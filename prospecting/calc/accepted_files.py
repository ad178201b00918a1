"""Which files the site takes, what they may hold and how large they may be: one list for forms, actions and documents.

The OWASP Application Security Verification Standard 5.0 asks for it in writing (5.1.1), for a limit of size (5.2.1), for a
look at the content beside the name (5.2.2) and for a limit of pixels (5.2.6). The limits are our own: what a phone writes
and a scanner sends fits in, and a small computer can read it.
"""

from dataclasses import dataclass

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

    what: str
    kinds: tuple[str, ...]
    most_bytes: int
    accept: str
    most_pixels: int | None = None
    # As which pictures among them are kept: redrawn, at most so long.
    longest_px: int | None = None

    def in_words(self) -> str:
        """The kinds and limits in a sentence.

        >>> CERTIFICATE.in_words()
        'CSV, text or spreadsheet (.xlsx), at most 2 MB.'
        """
        kinds = ", ".join(self.kinds[:-1]) + " or " + self.kinds[-1]
        pixels = f" and {self.most_pixels // 1_000_000} million pixels" if self.most_pixels else ""
        return f"{kinds}, at most {megabytes(self.most_bytes)}{pixels}."

    def too_large(self, size_bytes: int) -> str | None:
        """Why a file of this size is not taken; None where it is.

        >>> CERTIFICATE.too_large(2_000_001)
        'The file has 2.1 MB; at most 2 MB are taken.'
        """
        if size_bytes <= self.most_bytes:
            return None
        # Upwards, so that a byte too many does not read as the limit itself.
        tenths = -(-size_bytes // (MEGABYTE // 10))
        return (
            f"The file has {numeral(tenths / 10, ',g')} MB; at most {megabytes(self.most_bytes)} are taken."
        )


def megabytes(size_bytes: int) -> str:
    """A size in words, in whole megabytes of 1,000,000 bytes; nothing is nothing, and less than one says so.

    >>> megabytes(1_999_500_000), megabytes(20), megabytes(0)
    ('2,000 MB', 'less than 1 MB', 'nothing')
    """
    if not size_bytes:
        return "nothing"
    return f"{numeral(round(size_bytes / MEGABYTE), ',')} MB" if size_bytes >= MEGABYTE else "less than 1 MB"


PHOTO = AcceptedFile("Photo", PICTURE_KINDS, 12 * MEGABYTE, _PICTURE_ACCEPT, MOST_PIXELS, longest_px=1600)
PAPER = AcceptedFile(
    "Paper of a claim",
    ("PDF", *PICTURE_KINDS),
    10 * MEGABYTE,
    f"application/pdf,{_PICTURE_ACCEPT}",
    MOST_PIXELS,
    # A sheet of A4 or US Letter at 300 dots an inch is 3,300 to 3,510 of them long.
    longest_px=3600,
)
CERTIFICATE = AcceptedFile(
    "Laboratory's file",
    ("CSV", "text", "spreadsheet (.xlsx)"),
    2 * MEGABYTE,
    ".csv,.txt,.tsv,.xlsx,.xlsm,text/csv,text/plain",
)
RUN_TABLE = AcceptedFile(
    "Table of runs", ("CSV", "spreadsheet (.xlsx)"), 2 * MEGABYTE, ".csv,.txt,.tsv,.xlsx,text/csv"
)
OLD_LIST = AcceptedFile(
    "List kept before the site",
    ("CSV", "text", "spreadsheet (.xlsx)"),
    2 * MEGABYTE,
    ".csv,.txt,.tsv,.xlsx,.xlsm,text/csv,text/plain",
)
POSITIONS = AcceptedFile(
    "Positions of digs",
    ("GPX 1.1", "GeoJSON"),
    2 * MEGABYTE,
    ".gpx,.geojson,.json,application/gpx+xml,application/geo+json",
)
ACCEPTED = (PHOTO, PAPER, CERTIFICATE, RUN_TABLE, OLD_LIST, POSITIONS)
