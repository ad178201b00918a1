"""Certificates of several layouts, value by value; marks, units, refusals; and whatever bytes may come."""

import datetime
import hashlib
from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prospecting.readers.certificate_csv import (
    GRADE_UNITS,
    Certificate,
    Choices,
    ParsedReading,
    describe,
    read_certificate,
)

CERTIFICATES = Path(__file__).parents[3] / "fixtures" / "certificates"
SYMBOLS = {
    "value",
    "below",
    "above",
    "not enough sample",
    "not received",
    "not analysed",
    "blank cell",
    "not understood",
}


def fixture(name: str, **options) -> Certificate:
    return read_certificate((CERTIFICATES / f"invented_certificate_{name}.csv").read_bytes(), name, **options)


def read(text: str, **options) -> Certificate:
    return read_certificate(text.encode(), "invented.csv", **options)


def said(reading: ParsedReading) -> tuple:
    """Mark or figure of a reading, as short as a test can compare it."""
    return reading.symbol, reading.grade_g_per_t if reading.symbol == "value" else reading.limit_g_per_t


def readings_of(certificate: Certificate, column: int = 0) -> list[tuple]:
    return [said(row.readings[column]) for row in certificate.rows]


def only(text: str, **options) -> ParsedReading:
    """The one reading of a one-line certificate in g/t."""
    certificate = read(f"Tag\tAu g/t\n234566\t{text}\n", **options)
    return certificate.rows[0].readings[0]


class TestPlainLayout:
    def test_every_value_is_as_printed(self):
        certificate = fixture("plain")
        assert [(row.line_number, row.tag_text, row.readings[0].raw_text) for row in certificate.rows] == [
            (2, "234566", "4.21"),
            (3, "234577", "0.38"),
            (4, "345672", "<0.005"),
            (5, "456789", "12.6"),
        ]
        assert readings_of(certificate) == [
            ("value", Decimal("4.21")),
            ("value", Decimal("0.38")),
            ("below", Decimal("0.005")),
            ("value", Decimal("12.6")),
        ]
        assert [column.meaning for column in certificate.columns] == ["tag", "grade"]
        assert certificate.problems == ()
        assert certificate.ignored_lines == ()

    def test_the_file_is_known_by_its_hash(self):
        data = (CERTIFICATES / "invented_certificate_plain.csv").read_bytes()
        assert read_certificate(data).sha256 == hashlib.sha256(data).hexdigest()

    def test_cells_are_those_another_library_reads(self):
        import pandas

        path = CERTIFICATES / "invented_certificate_plain.csv"
        frame = pandas.read_csv(path, dtype=str, keep_default_na=False)
        assert [list(row.cells) for row in fixture("plain").rows] == frame.to_numpy().tolist()


class TestLayoutWithHeaderBlock:
    def test_every_value_is_as_printed(self):
        rows = fixture("header_block").rows
        assert [(row.line_number, row.tag_text, row.repeat, row.repeat_mark) for row in rows] == [
            (12, "234566", 0, ""),
            (13, "234577", 0, ""),
            (14, "345672", 0, ""),
            (15, "345672", 1, "repeat"),
            (16, "456789", 0, ""),
            (17, "567893", 0, ""),
            (18, "678924", 0, ""),
            (19, "234566", 1, ""),
        ]
        assert [[said(reading) for reading in row.readings] for row in rows] == [
            [("value", Decimal("4.21")), ("blank cell", None)],
            [("below", Decimal("0.005")), ("blank cell", None)],
            [("above", Decimal("10")), ("value", Decimal("38.6"))],
            [("above", Decimal("10")), ("value", Decimal("41.25"))],
            [("not enough sample", None), ("blank cell", None)],
            [("not received", None), ("not received", None)],
            [("value", Decimal("0.380")), ("not analysed", None)],
            [("value", Decimal("3.75")), ("blank cell", None)],
        ]

    def test_columns_carry_method_unit_and_limit(self):
        columns = fixture("header_block").columns
        assert [(c.meaning, c.title, c.method, c.unit, c.lower_limit_g_per_t) for c in columns] == [
            ("tag", "SAMPLE TAG", "", None, None),
            ("other", "Repeat note", "", None, None),
            ("mass", "Recvd wt.", "", "kg", None),
            ("grade", "Au", "FA30-AAS", "ppm", Decimal("0.005")),
            ("grade", "Au", "FA30-GRAV", "g/t", Decimal("0.5")),
            ("other", "Ag", "", None, None),
        ]

    def test_header_facts_are_found_and_the_lines_kept(self):
        certificate = fixture("header_block")
        assert certificate.header == {
            "laboratory": "Invented Laboratory One",
            "certificate_number": "INV-2026-014",
            "client_order": "Dispatch 3",
            "date_reported": "2026-10-06",
        }
        assert certificate.reported_on == datetime.date(2026, 10, 6)
        assert certificate.header_lines[0].text == "Invented Laboratory One"
        assert [line.number for line in certificate.header_lines] == [1, 2, 3, 4, 5, 6, 8, 9, 10, 11]

    def test_the_foot_is_left_out_and_listed(self):
        certificate = fixture("header_block")
        assert [line.number for line in certificate.ignored_lines] == [21, 22, 23, 24]
        assert certificate.problems == ()

    def test_a_row_keeps_the_silver_as_printed(self):
        assert fixture("header_block").rows[0].cells == ("234566", "", "1.24", "4.21", "", "3.1")


class TestLayoutWithSemicolons:
    def test_every_value_is_as_printed(self):
        certificate = fixture("semicolon", choices=Choices(units={2: "troy oz per short ton"}))
        assert certificate.problems == ()
        assert [row.tag_text for row in certificate.rows] == ["234566", "234577", "345672", "456789"]
        assert readings_of(certificate, 0) == [
            ("value", Decimal("4.210")),
            ("value", Decimal("0.0035")),
            ("value", Decimal("1.2505")),
            ("not enough sample", None),
        ]
        assert readings_of(certificate, 2) == [
            ("value", Decimal("4.21")),
            ("not analysed", None),
            ("value", Decimal("1.2505")),
            ("not analysed", None),
        ]
        # 0.1228, 0.0002 and 0.0365 troy ounces, each worth 240/7 g/t (see TestUnits).
        for (symbol, g_per_t), (wanted, ounces) in zip(
            readings_of(certificate, 1),
            [("value", "0.1228"), ("below", "0.0002"), ("value", "0.0365"), ("not enough sample", None)],
            strict=True,
        ):
            assert symbol == wanted
            if ounces:
                assert abs(Fraction(g_per_t) - Fraction(ounces) * Fraction(240, 7)) < Fraction(1, 10**20)

    def test_asks_which_ton_and_reads_no_figure_before_it_knows(self):
        certificate = fixture("semicolon")
        assert [column.index for column in certificate.columns_without_unit] == [2]
        assert len(certificate.problems) == 1
        assert "Line 5, column 3 (Au oz/ton)" in certificate.problems[0]
        assert "say which" in certificate.problems[0]
        assert readings_of(certificate, 1) == [("not understood", None)] * 3 + [("not enough sample", None)]

    def test_a_formula_stays_text(self):
        assert fixture("semicolon").rows[2].cells[4] == "=1+1"

    def test_a_quoted_semicolon_is_part_of_its_cell(self):
        assert fixture("semicolon").rows[0].cells[4] == "rusty; vuggy"

    def test_header_facts_are_found(self):
        certificate = fixture("semicolon")
        assert certificate.header["certificate_number"] == "ERF-77"
        assert certificate.reported_on == datetime.date(2026, 10, 6)


class TestMarks:
    @pytest.mark.parametrize(
        ("printed", "symbol", "figure"),
        [
            ("4.21", "value", "4.21"),
            (" 4.21 ", "value", "4.21"),
            ("1.2E-02", "value", "0.012"),
            ("1,234.5", "value", "1234.5"),
            ("<0.005", "below", "0.005"),
            ("< 0.005", "below", "0.005"),
            (">10", "above", "10"),
            # Legends of laboratories: common practice, no source.
            ("NSS", "not enough sample", None),
            ("N.S.S.", "not enough sample", None),
            ("is", "not enough sample", None),
            ("LNR", "not received", None),
            ("NA", "not analysed", None),
            ("n/a", "not analysed", None),
            ("--", "not analysed", None),
            ("-", "not analysed", None),
            ("", "blank cell", None),
            ("  ", "blank cell", None),
        ],
    )
    def test_is_understood_and_kept_as_printed(self, printed: str, symbol: str, figure: str | None):
        reading = only(printed)
        assert said(reading) == (symbol, figure and Decimal(figure))
        assert reading.raw_text == printed

    @pytest.mark.parametrize(
        "printed",
        [
            "=1+1",
            "abc",
            "0.4*",
            "-0.005",
            "1,25",
            "1.2.3",
            "<",
            "<<1",
            "nan",
            "inf",
            "1e999",
            "<0",
            "<DL",
            "٣",
            "2000000",
            "x" * 90,
        ],
    )
    def test_is_not_understood_and_says_so(self, printed: str):
        certificate = read(f"Tag\tAu g/t\n234566\t{printed}\n")
        reading = certificate.rows[0].readings[0]
        assert (reading.symbol, reading.grade_g_per_t, reading.limit_g_per_t) == (
            "not understood",
            None,
            None,
        )
        assert reading.raw_text == printed
        assert len(certificate.problems) == 1
        assert certificate.problems[0].startswith("Line 2, column 2 (Au g/t): ")

    def test_a_printed_nought_is_kept_with_a_question(self):
        certificate = read("Tag,Au ppm\n234566,0.000\n")
        assert readings_of(certificate) == [("value", 0)]
        assert "ask the laboratory" in certificate.problems[0]

    def test_a_comma_of_two_meanings_is_not_guessed(self):
        certificate = read("Tag;Au ppb;Ag ppm\n234566;1.250;1\n234577;0,5;1\n")
        assert [symbol for symbol, _ in readings_of(certificate)] == ["not understood", "value"]
        assert "Line 2, column 2 (Au ppb)" in certificate.problems[0]


# NIST Handbook 44, Appendix C (exact; from memory): troy ounce 31.1034768 g, short ton 907 184.74 g, long ton 1016.0469088 kg.
TROY_OUNCE_G = Fraction("31.1034768")
PER_SHORT_TON = TROY_OUNCE_G / Fraction("907184.74") * 10**6
PER_LONG_TON = TROY_OUNCE_G / Fraction("1016046.9088") * 10**6


class TestUnits:
    @pytest.mark.parametrize(
        ("title", "unit", "g_per_t"),
        [
            ("Au_ppm", "ppm", Fraction(1)),
            ("Auppm", "ppm", Fraction(1)),
            ("Au mg/kg", "ppm", Fraction(1)),
            ("Gold by fire assay 30 g (g/t)", "g/t", Fraction(1)),
            ("Au gpt", "g/t", Fraction(1)),
            ("Au (ppb)", "ppb", Fraction(1, 1000)),
            ("Au µg/kg", "ppb", Fraction(1, 1000)),
            ("Au %", "%", Fraction(10_000)),
            ("Au%", "%", Fraction(10_000)),
            ("Au oz/st", "troy oz per short ton", PER_SHORT_TON),
            ("Au ozt per short ton", "troy oz per short ton", PER_SHORT_TON),
            ("Au oz/long ton", "troy oz per long ton", PER_LONG_TON),
            ("Au oz/tonne", "troy oz per tonne", TROY_OUNCE_G),
        ],
    )
    def test_title_tells_the_unit_and_the_figure_is_exact(self, title: str, unit: str, g_per_t: Fraction):
        certificate = read(f"Tag,{title}\n234566,0.7\n234577,<0.007\n")
        assert certificate.problems == ()
        assert certificate.gold_columns[0].unit == unit
        value, below = (row.readings[0] for row in certificate.rows)
        assert abs(Fraction(value.grade_g_per_t) - g_per_t * Fraction("0.7")) < Fraction(1, 10**18)
        assert abs(Fraction(below.limit_g_per_t) - g_per_t * Fraction("0.007")) < Fraction(1, 10**18)

    def test_one_ounce_per_short_ton_is_240_sevenths(self):
        # The assay ton of 29.1667 g is the same fact turned round: Rose, The Metallurgy of Gold.
        assert Fraction(240, 7) == PER_SHORT_TON
        certificate = read("Tag,Au oz/st\n234566,7\n")
        assert readings_of(certificate) == [("value", Decimal(240))]

    @pytest.mark.parametrize(
        "title", ["Au oz/t", "Au oz/ton", "Au_oz_ton", "Au opt", "Au g/ton", "Au ppt", "Au ppm or ppb", "Au"]
    )
    def test_asks_where_the_unit_can_be_meant_in_two_ways_or_is_missing(self, title: str):
        certificate = read(f"Tag,{title}\n234566,0.7\n")
        assert certificate.gold_columns[0].unit is None
        assert readings_of(certificate) == [("not understood", None)]
        assert certificate.problems[0].startswith(f"Line 1, column 2 ({title}): ")

    @pytest.mark.parametrize(
        ("answer", "unit"), [*((u, u) for u in GRADE_UNITS), *((c, u) for u, c in GRADE_UNITS.items())]
    )
    def test_takes_the_members_answer(self, answer: str, unit: str):
        certificate = read("Tag,Au oz/t\n234566,0.7\n", choices=Choices(units={1: answer}))
        assert certificate.gold_columns[0].unit == unit
        assert certificate.rows[0].readings[0].symbol == "value"
        assert certificate.problems == ()

    def test_says_when_the_answer_contradicts_the_print(self):
        certificate = read("Tag,Au ppm\n234566,700\n", choices=Choices(units={1: "ppb"}))
        assert readings_of(certificate) == [("value", Decimal("0.7"))]
        assert "prints ppm, and ppb was chosen" in certificate.problems[0]

    @pytest.mark.parametrize(
        ("choices", "sentence"),
        [
            (Choices(units={1: "furlongs"}), "not a unit of grade"),
            (Choices(units={0: "ppm"}), "holds no gold"),
            (Choices(units={9: "ppm"}), "holds no gold"),
            (Choices(tag_column=1), "cannot hold the tags"),
            (Choices(tag_column=9), "no column 10"),
            (Choices(tag_column=-1), "no column 0"),
        ],
    )
    def test_refuses_an_answer_that_fits_nothing(self, choices: Choices, sentence: str):
        with pytest.raises(ValueError, match=sentence):
            read("Tag,Au ppm\n234566,0.7\n", choices=choices)

    @pytest.mark.parametrize(
        "text",
        [
            "Tag,Au,Ag\n,ppb,ppm\n234566,700,1\n",
            "Tag,Au,Ag\nUnits,ppb,ppm\n234566,700,1\n",
            "Units,ppb,ppm\nTag,Au,Ag\n234566,700,1\n",
            "Units: ppb\n\nTag,Au,Ag\n234566,700,1\n",
            "All gold results in ppb\n\nTag,Au,Ag\n234566,700,1\n",
            '"Tag","Au\n(ppb)",Ag\n234566,700,1\n',
        ],
    )
    def test_unit_may_stand_beside_the_title(self, text: str):
        certificate = read(text)
        assert certificate.problems == ()
        assert readings_of(certificate) == [("value", Decimal("0.7"))]

    def test_asks_when_title_and_unit_line_differ(self):
        certificate = read("Tag,Au ppm\n,ppb\n234566,700\n")
        assert certificate.gold_columns[0].unit is None
        assert "both printed" in certificate.problems[0]


class TestColumns:
    def test_titles_may_be_stacked(self):
        certificate = read("SAMPLE,FA30,WGH\n,Au,wt\nDESCRIPTION,ppm,kg\n234566,0.7,1.2\n")
        assert [(c.meaning, c.method, c.unit) for c in certificate.columns] == [
            ("tag", "", None),
            ("grade", "FA30", "ppm"),
            ("mass", "", "kg"),
        ]
        assert readings_of(certificate) == [("value", Decimal("0.7"))]

    def test_repeat_columns_are_readings_in_order(self):
        certificate = read("Tag,Au_FA30_ppm,Au_R,Au Dup\n234566,4.1,3.9,\n")
        assert [(c.repeat_mark, c.method, c.unit) for c in certificate.gold_columns] == [
            ("", "FA30", "ppm"),
            ("repeat", "FA30", "ppm"),
            ("duplicate", "FA30", "ppm"),
        ]
        assert [said(reading) for reading in certificate.rows[0].readings] == [
            ("value", Decimal("4.1")),
            ("value", Decimal("3.9")),
            ("blank cell", None),
        ]

    def test_part_of_a_screen_assay_is_read_as_that_part_and_not_as_the_grade(self):
        certificate = read("Tag,Au plus fraction ppm,Au minus fraction ppm,Au total ppm\n234566,900,2,4.5\n")
        readings = certificate.rows[0].readings
        assert [(each.fraction, each.grade_g_per_t) for each in readings] == [
            ("plus", 900),
            ("minus", 2),
            ("", Decimal("4.5")),
        ]
        assert [problem.split(": ")[1][:44] for problem in certificate.problems] == [
            "no column gives the mass of the plus fractio",
            "no column gives the mass of the minus fracti",
        ]

    @pytest.mark.parametrize(
        "title", ["Au bead mg", "Ag/Au ratio", "Au LOD ppm", "Au recovery %", "Au SD ppm", "Cu ppm"]
    )
    def test_column_is_no_grade_of_gold(self, title: str):
        certificate = read(f"Tag,{title},Au ppm\n234566,9,0.7\n")
        assert [c.index for c in certificate.gold_columns] == [2]

    def test_the_laboratorys_own_number_is_not_the_tag(self):
        certificate = read("Lab No,Sample ID,Au ppm\n1,234566,0.7\n")
        assert certificate.rows[0].tag_text == "234566"
        assert certificate.problems == ()

    def test_asks_which_of_two_columns_holds_the_tags(self):
        text = "Tag,Client sample,Au ppm\n7,234566,0.7\n"
        certificate = read(text)
        assert "column 1 (Tag)" in certificate.problems[0]
        assert "column 2 (Client sample)" in certificate.problems[0]
        answered = read(text, choices=Choices(tag_column=1))
        assert (answered.rows[0].tag_text, answered.problems) == ("234566", ())

    def test_reads_an_untitled_tag_column_when_told(self):
        text = "What,Au ppm\n234566,0.7\n"
        with pytest.raises(ValueError, match="No column is titled as the tag.*1 “What”, 2 “Au ppm”"):
            read(text)
        assert read(text, choices=Choices(tag_column=0)).rows[0].tag_text == "234566"

    def test_a_remark_on_gold_is_no_title(self):
        certificate = read("Tag,Au ppm,Remark\n234566,0.7,visible gold\n234577,0.8,\n")
        assert [row.tag_text for row in certificate.rows] == ["234566", "234577"]


class TestRows:
    @pytest.mark.parametrize(
        "printed",
        ["234566 R", "234566R", "234566-Rpt", "234566_DUP", "234566 (R)", "Dup of 234566", "Repeat 234566"],
    )
    def test_a_mark_beside_a_known_tag_is_a_repeat(self, printed: str):
        rows = read(f"Tag,Au ppm\n234566,0.7\n{printed},0.8\n").rows
        assert [(row.tag_text, row.repeat) for row in rows] == [("234566", 0), ("234566", 1)]
        assert rows[1].printed_tag == printed
        assert rows[1].repeat_mark in ("repeat", "duplicate")

    def test_a_tag_that_only_looks_marked_stays_whole(self):
        rows = read("Tag,Au ppm\n234566,0.7\nK7R,0.8\n").rows
        assert [(row.tag_text, row.repeat, row.repeat_mark) for row in rows] == [
            ("234566", 0, ""),
            ("K7R", 0, ""),
        ]

    def test_a_short_line_is_kept_and_told(self):
        certificate = read("Tag,Ag ppm,Au ppm\n234566\n234577,1\n345672,1,0.7\n")
        assert readings_of(certificate) == [
            ("blank cell", None),
            ("blank cell", None),
            ("value", Decimal("0.7")),
        ]
        assert [p.split(" ends before ")[0] for p in certificate.problems] == ["Line 2", "Line 3"]

    def test_a_long_line_gives_no_figure(self):
        # A decimal comma in a file cut at commas: 0,05 would otherwise be read as nought.
        certificate = read("Tag,Au ppm,Ag ppm\n234566,0,05,1,2\n234577,0.7,1\n")
        assert readings_of(certificate) == [("not understood", None), ("value", Decimal("0.7"))]
        assert "Line 2 has 5 cells where the titles are 3" in certificate.problems[0]

    def test_empty_columns_at_the_end_are_no_columns(self):
        certificate = read("Tag,Au ppm,,,\n234566,0.7,,,,,\n")
        assert (len(certificate.columns), certificate.problems) == (2, ())

    def test_blank_lines_do_not_end_the_table(self):
        certificate = read("Tag,Au ppm\n\n234566,0.7\n\n,,\n234577,0.8\n")
        assert [row.line_number for row in certificate.rows] == [3, 6]
        assert certificate.ignored_lines == ()

    def test_titles_printed_again_are_left_out(self):
        certificate = read("Tag,Au\n,ppb\n234566,700\nTag,Au\n,ppb\n234577,800\n")
        assert readings_of(certificate) == [("value", Decimal("0.7")), ("value", Decimal("0.8"))]
        assert [line.number for line in certificate.ignored_lines] == [4, 5]

    @pytest.mark.parametrize(
        "second", ["Tag,Au ppb\n234577,800", ",ppb\n234577,800", "Tag,Ag ppm,Au ppm\n234577,800,1"]
    )
    def test_a_second_table_is_not_read_by_the_titles_of_the_first(self, second: str):
        certificate = read(f"Tag,Au ppm\n234566,0.7\n\n{second}\n")
        assert [row.tag_text for row in certificate.rows] == ["234566"]
        assert certificate.problems[0].startswith("Line 4 starts another table")
        assert [line.number for line in certificate.ignored_lines] == [4, 5]

    def test_a_sample_below_the_foot_is_kept_and_told(self):
        certificate = read("Tag,Au ppm\n234566,0.7\nEnd of table,\n234577,0.8\n")
        assert [row.tag_text for row in certificate.rows] == ["234566", "234577"]
        assert certificate.problems[0].startswith("Line 4 stands below the end")

    def test_a_figure_left_out_is_told(self):
        certificate = read("Tag,Au ppm\n234566,0.7\nTotal,0.7\n")
        assert [line.number for line in certificate.ignored_lines] == [3]
        assert certificate.problems[0].startswith("Line 3, column 2 (Au ppm)")

    def test_a_reading_without_a_tag_is_told(self):
        certificate = read("Tag,Au ppm\n234566,0.7\n,0.8\n")
        assert readings_of(certificate)[1] == ("value", Decimal("0.8"))
        assert "without a tag" in certificate.problems[0]

    def test_a_tag_spoiled_by_a_spreadsheet_is_told(self):
        assert "power of ten" in read("Tag,Au ppm\n2.34566E+05,0.7\n").problems[0]

    def test_a_formula_as_a_tag_stays_text(self):
        certificate = read("Tag,Au ppm\n=1+1,0.7\n")
        assert certificate.rows[0].tag_text == "=1+1"

    def test_lines_are_counted_over_a_cell_of_two_lines(self):
        certificate = read('Tag,Au ppm,Remark\n234566,0.7,"rusty\nvuggy"\n234577,x,\n')
        assert [row.line_number for row in certificate.rows] == [2, 4]
        assert "runs over several lines" in certificate.problems[0]
        assert certificate.problems[1].startswith("Line 4, column 2")


class TestEncodingsAndDelimiters:
    TEXT = "Tag,Au µg/kg\n234566,700\n"

    @pytest.mark.parametrize(
        ("codec", "name"),
        [("utf-8", "UTF-8"), ("utf-8-sig", "UTF-8"), ("utf-16", "UTF-16"), ("latin-1", "Latin-1")],
    )
    def test_reads_the_same_in_every_encoding(self, codec: str, name: str):
        certificate = read_certificate(self.TEXT.encode(codec))
        assert (certificate.encoding, certificate.columns[0].title) == (name, "Tag")
        assert readings_of(certificate) == [("value", Decimal("0.7"))]

    def test_reads_utf_16_of_the_other_byte_order(self):
        certificate = read_certificate(b"\xfe\xff" + self.TEXT.encode("utf-16-be"))
        assert readings_of(certificate) == [("value", Decimal("0.7"))]

    @pytest.mark.parametrize("delimiter", [",", ";", "\t"])
    @pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
    def test_reads_every_delimiter_and_line_end(self, delimiter: str, end: str):
        text = self.TEXT.replace(",", delimiter).replace("\n", end)
        certificate = read(text)
        assert certificate.delimiter == delimiter
        assert readings_of(certificate) == [("value", Decimal("0.7"))]


class TestHeaderFacts:
    @pytest.mark.parametrize(
        ("lines", "fact", "value"),
        [
            ("Certificate of analysis no.: A-7", "certificate_number", "A-7"),
            ("Certificate No A-7", "certificate_number", "A-7"),
            ("Job,A-7", "certificate_number", "A-7"),
            ("Lab Job #,A-7", "certificate_number", "A-7"),
            ("Invented Assay Office", "laboratory", "Invented Assay Office"),
            ("Laboratory: Invented Laboratory Two", "laboratory", "Invented Laboratory Two"),
            ("Purchase order,77", "client_order", "77"),
            ("Date of report,6 October 2026", "date_reported", "6 October 2026"),
        ],
    )
    def test_is_found(self, lines: str, fact: str, value: str):
        assert read(f"{lines}\n\nTag,Au ppm\n234566,0.7\n").header == {fact: value}

    def test_day_received_is_not_day_reported(self):
        assert read("Date received,2026-10-06\n\nTag,Au ppm\n234566,0.7\n").header == {}

    @pytest.mark.parametrize(
        ("printed", "day"),
        [
            ("2026-10-06", datetime.date(2026, 10, 6)),
            ("6 October 2026", datetime.date(2026, 10, 6)),
            ("06-Oct-2026", datetime.date(2026, 10, 6)),
            ('"October 6, 2026"', datetime.date(2026, 10, 6)),
            ("06/10/2026", None),
            ("2026-13-40", None),
            ("soon", None),
        ],
    )
    def test_day_is_read_where_it_has_one_meaning(self, printed: str, day: datetime.date | None):
        assert read(f"Reported,{printed}\n\nTag,Au ppm\n234566,0.7\n").reported_on == day


class TestRefusals:
    @pytest.mark.parametrize(
        ("data", "sentence"),
        [
            (b"", "The file is empty"),
            (b" \r\n\n", "The file is empty"),
            (b"\xef\xbb\xbf", "The file is empty"),
            (b"PK\x03\x04rest", "spreadsheet can't be read; save it anew"),
            (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "looks like a spreadsheet"),
            (b"%PDF-1.7\n", "looks like a PDF"),
            (b"Tag,Au ppm\n234566,\x00\x01\n", "not a plain text file"),
            (b"\xff\xfe\x00", "cannot be read as that"),
            (b"only words here\nand here\n", "No table was found"),
            (b"Tag,Ag ppm\n234566,0.7\n", "No column of gold was found"),
            (b"Depth,Au ppm\n234566,0.7\n", "No column is titled as the tag"),
            (b"Tag,Au ppm\n", "No samples stand under the titles"),
            (b'Tag,Au ppm\n"234566,0.7\n234577,0.8\n', "Line 2 has a quotation mark"),
            (b"Tag,Au ppm\n" + b"234566,0.7\n" * 20_000, "more than 20,000 lines"),
            (b"Tag,Au ppm\n" + b" " * 2_000_000, "at most 2,000,000 bytes"),
            (b"Tag" + b",Au ppm" * 21 + b"\n234566" + b",1" * 21, "at most 20 are read"),
            (b"Tag,Au ppm\n" + b"," * 600, "more than 200 cells"),
        ],
    )
    def test_refuses_in_a_sentence(self, data: bytes, sentence: str):
        with pytest.raises(ValueError, match=sentence) as refusal:
            read_certificate(data)
        assert str(refusal.value).endswith(".")


class TestDescription:
    def test_tells_what_was_read(self):
        sentences = describe(fixture("header_block"))
        assert "Certificate number: INV-2026-014." in sentences
        assert (
            "8 rows, gold in 2 columns: FA30-AAS (ppm) lower limit 0.005 g/t; FA30-GRAV (g/t) lower limit 0.5 g/t."
            in sentences
        )
        assert "2 tags stand on more than one line; every reading is kept, in order." in sentences
        assert (
            "Kept as printed and not read as gold: columns 2 (Repeat note), 3 (Recvd wt.), 6 (Ag)."
            in sentences
        )
        assert any(sentence.startswith("Left out as no sample: line 21") for sentence in sentences)

    def test_tells_what_is_to_be_asked(self):
        sentences = describe(fixture("semicolon"))
        assert any("(unit not known)" in sentence for sentence in sentences)
        assert "1 thing to look at before this is kept." in sentences


def check_certificate_or_sentence(data: bytes) -> None:
    """Whatever comes is read, by the rules every reading keeps, or refused in a sentence."""
    try:
        certificate = read_certificate(data)
    except ValueError as refusal:
        assert not isinstance(refusal, UnicodeError)
        assert " " in str(refusal)
        assert str(refusal).endswith(".")
        return
    assert certificate.rows
    assert all(sentence.endswith((".", "?")) for sentence in [*describe(certificate), *certificate.problems])
    for row in certificate.rows:
        assert len(row.readings) == len(certificate.gold_columns)
        for reading in row.readings:
            check_reading(reading)


def check_reading(reading: ParsedReading) -> None:
    grade, limit = reading.grade_g_per_t, reading.limit_g_per_t
    assert reading.symbol in SYMBOLS
    assert (grade is not None) == (reading.symbol == "value")
    assert (limit is not None) == (reading.symbol in ("below", "above"))
    assert limit is None or limit > 0
    if grade == 0:
        assert set(reading.raw_text.upper().split("E")[0]) & set("123456789") == set()
        assert "0" in reading.raw_text


def mangled() -> Iterator[st.SearchStrategy]:
    cell = st.sampled_from(
        [
            "Tag",
            "Sample",
            "Au",
            "Au ppm",
            "Au oz/ton",
            "Au_R",
            "Ag ppm",
            "ppb",
            "g/t",
            "Method",
            "Units",
            "Lower limit",
            "234566",
        ]
        + [
            "234566 R",
            "345672",
            "<0.005",
            ">10",
            "0,5",
            "1.250",
            "NSS",
            "--",
            "",
            " ",
            '"',
            '"a',
            '"a\nb"',
            "=1+1",
            "End",
            "Date:",
        ]
        + ["1e99", "9" * 61, "Gold", "Certificate no 7", "\x0c", "\u2028", "µg/kg"]
    ) | st.text(max_size=8)
    for delimiter in ",;\t":
        line = st.lists(cell, max_size=6).map(delimiter.join)
        yield st.lists(line, max_size=12).map("\n".join)
        # A table that is found, so that the mangling reaches the reading of its lines.
        yield st.lists(line, max_size=12).map(
            lambda lines, d=delimiter: "\n".join([f"Tag{d}Au ppm{d}Au_R", *lines])
        )


class TestWhateverComes:
    @settings(max_examples=150, deadline=None)
    @given(st.binary(max_size=400))
    def test_bytes_are_read_or_refused_in_a_sentence(self, data: bytes):
        check_certificate_or_sentence(data)

    @settings(max_examples=400, deadline=None)
    @given(st.one_of(*mangled()), st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]))
    def test_mangled_tables_are_read_or_refused_in_a_sentence(self, text: str, codec: str):
        check_certificate_or_sentence(text.encode(codec, errors="replace"))

    @settings(max_examples=200, deadline=None)
    @given(
        st.sampled_from(["plain", "header_block", "semicolon"]),
        st.integers(0, 800),
        st.integers(0, 800),
        st.binary(max_size=6),
    )
    def test_damaged_fixtures_are_read_or_refused_in_a_sentence(
        self, name: str, start: int, end: int, put_in: bytes
    ):
        data = (CERTIFICATES / f"invented_certificate_{name}.csv").read_bytes()
        check_certificate_or_sentence(data[:start] + put_in + data[end:])

    @given(st.decimals(min_value="0.001", max_value="99999", places=3))
    def test_a_figure_comes_back_as_printed(self, figure: Decimal):
        assert said(only(str(figure))) == ("value", figure)
        assert said(only(f"<{figure}")) == ("below", figure)
