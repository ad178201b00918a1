"""The limits of what is sent, to the byte; the sizes are our own and stand in README.md, a megabyte as in the SI (10^6)."""

import pytest

from prospecting.calc.accepted_files import ACCEPTED, MOST_PIXELS, PAPER, PHOTO, megabytes

MOST_MB = {
    "Photo": 12,
    "Paper of a claim": 10,
    "Laboratory's file": 2,
    "Table of runs": 2,
    "List kept before the site": 2,
    "Positions of digs": 2,
}


@pytest.mark.parametrize("accepted", ACCEPTED, ids=lambda each: each.what)
def test_takes_a_file_up_to_its_limit_and_not_a_byte_more(accepted):
    most = MOST_MB[accepted.what]
    assert accepted.too_large(most * 1_000_000) is None
    # Upwards to a tenth, or a byte too many would read as the limit itself.
    assert f"has {most}.1 MB; at most {most} MB" in accepted.too_large(most * 1_000_000 + 1)
    assert accepted.too_large(0) is None


@pytest.mark.parametrize(
    ("size_bytes", "words"),
    [
        (0, "nothing"),
        (1, "less than 1 MB"),
        (999_999, "less than 1 MB"),
        (1_000_000, "1 MB"),
        (2_600_000, "3 MB"),
    ],
)
def test_a_size_in_words_rounds_but_never_to_nothing(size_bytes, words):
    assert megabytes(size_bytes) == words


def test_a_scanned_sheet_keeps_its_resolution_and_a_photo_its_pixels():
    # ISO 216: A4 is 297 mm long; US Letter 11 in. At 300 dots an inch (25.4 mm) that is 3,508 and 3,300 dots.
    assert PAPER.longest_px > max(297 / 25.4, 11) * 300
    # Twelve million pixels, 4000 x 3000, are what phones usually write (common practice, no source).
    assert 4000 * 3000 < PHOTO.most_pixels == PAPER.most_pixels == MOST_PIXELS
    assert "40 million pixels" in PHOTO.in_words()
