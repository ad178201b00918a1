"""Tables that stand in blanks, as copied out of a mail or a PDF."""

from decimal import Decimal

import pytest

from prospecting.readers.certificate_csv import read_certificate


def figures(text: str) -> list[tuple]:
    certificate = read_certificate(text.encode())
    return [(row.tag_text, *(cell.raw_text.strip() for cell in row.readings)) for row in certificate.rows]


class TestLinedUp:
    TEXT = (
        "Invented Laboratory    all invented\n\n"
        "Sample     Weight     Au       Au Rpt      Ag\n"
        "               kg    ppm          ppm     ppm\n"
        "234577       0.41   3.85         3.91     2.1\n"
        "234566       0.40                4.02        \n"
        "345672                .1                 <0.5\n"
    )

    def test_a_figure_belongs_to_the_title_it_stands_under(self):
        assert figures(self.TEXT) == [
            ("234577", "3.85", "3.91"),
            ("234566", "", "4.02"),
            ("345672", ".1", ""),
        ]

    def test_a_figure_between_two_titles_gives_none(self):
        text = "Sample     Au ppm     Cu ppm\n234577     4.1        12\n234566           9.9\n"
        certificate = read_certificate(text.encode())
        assert [cell.symbol for row in certificate.rows for cell in row.readings] == [
            "value",
            "not understood",
        ]
        assert "may stand in the wrong column" in certificate.problems[0]

    def test_tabs_among_blanks_are_bearable(self):
        assert figures("Sample\t   Au ppm\n234577\t   4.1\n") == [("234577", "4.1")]

    def test_blanks_are_tried_only_where_no_sign_divides(self):
        assert read_certificate(b"Sample,Au  ppm\n234577,4.1\n").delimiter == ","


class TestSingleBlanks:
    def test_is_read_where_every_title_has_its_word(self):
        certificate = read_certificate(b"Sample No Wt kg Au ppm\n234577 0.4 4.1\n234566 0.5 <0.005\n")
        assert [row.readings[0].raw_text for row in certificate.rows] == ["4.1", "<0.005"]
        assert certificate.rows[0].readings[0].grade_g_per_t == Decimal("4.1")

    def test_is_refused_where_the_titles_have_more_words_than_the_samples(self):
        with pytest.raises(ValueError, match="can't be told which title"):
            read_certificate(b"Sample Remark Au ppm\n234577 4.1\n234566 3.2\n")

    def test_a_sample_with_a_word_too_many_gives_no_figure(self):
        certificate = read_certificate(b"Sample Wt Au ppm\n234577 0.4 4.1\n234566 0.5 x 9.9\n")
        assert [row.readings[0].symbol for row in certificate.rows] == ["value", "not understood"]
