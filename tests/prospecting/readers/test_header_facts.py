import pytest

from prospecting.readers.certificate_csv import read_certificate
from prospecting.readers.header_facts import is_revision_of, is_same_number


@pytest.mark.parametrize(
    "number",
    # How laboratories mark a corrected certificate differs: common practice, no source.
    [
        "INV-14 Rev 1",
        "INV-14 rev. 2",
        "INV-14R1",
        "INV-14 (revised)",
        "INV-14, amended",
        "INV-14A",
        "INV-14/2",
        "inv 14",
    ],
)
def test_is_a_later_version(number):
    assert is_revision_of(number, "INV-14")


@pytest.mark.parametrize("number", ["", "INV-15", "INV-141", "INV-15 Rev 1", "14", "Rev 1"])
def test_is_another_certificate(number):
    assert not is_revision_of(number, "INV-14")


def test_two_blanks_are_not_the_same_number():
    assert not is_same_number("", "")
    assert is_same_number("INV 14", "inv-14")


@pytest.mark.parametrize(
    "line",
    [
        "Supersedes:,INV-14",
        "This certificate replaces certificate no. INV-14",
        "Corrects report: INV-14",
        "Amends job INV-14",
    ],
)
def test_what_it_corrects_is_found(line):
    header = read_certificate(f"{line}\n\nTag,Au ppm\n234566,0.7\n".encode()).header
    assert header["replaces"] == "INV-14"
