"""Spreadsheets: what a cell shows, merged titles, formulas, and files made to do harm."""

import datetime
import io
import re
import subprocess
import sys
import time
import zipfile
from decimal import Decimal
from pathlib import Path

import pytest

from prospecting.readers import sheet_table
from prospecting.readers.certificate_csv import read_certificate
from prospecting.readers.shown_number import general, shown_number

ROOT = Path(__file__).parents[3]
FIXTURE = ROOT / "fixtures" / "certificates" / "invented_certificate_two_methods.xlsx"
SHEET = "xl/worksheets/sheet1.xml"


def make_book(*rows, formats: dict[str, str] | None = None, merged: tuple[str, ...] = ()) -> bytes:
    from openpyxl import Workbook

    book = Workbook()
    for row in rows:
        book.active.append(row)
    for cell, number_format in (formats or {}).items():
        book.active[cell].number_format = number_format
    for span in merged:
        book.active.merge_cells(span)
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


def repacked(data: bytes, change: dict[str, bytes | None], method=zipfile.ZIP_DEFLATED) -> bytes:
    """The same file with parts replaced, added, or (None) left out."""
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()} | change
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", method) as packed:
        for name, content in parts.items():
            if content is not None:
                packed.writestr(name, content)
    return held.getvalue()


def part(data: bytes, name: str = SHEET) -> bytes:
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        return packed.read(name)


def raw(data: bytes) -> list[str]:
    return [reading.raw_text for row in read_certificate(data).rows for reading in row.readings]


PLAIN = make_book(["Sample", "Au ppm"], [234577, 4.1])


class TestShownNumber:
    @pytest.mark.parametrize(
        ("figure", "number_format", "shown"),
        [
            # ECMA-376 part 1, 18.8.31, from memory; seen alike in common spreadsheet programs.
            ("4.2", "General", "4.2"),
            ("4.2", "0.00", "4.20"),
            ("4.256", "0.00", "4.26"),
            ("4.245", "0.00", "4.25"),
            ("0.5", "#.##", ".5"),
            ("0.5", "0.0##", "0.5"),
            ("1234.5", "#,##0.00", "1234.50"),
            ("1234567", "0.0,", "1234.6"),
            ("0.005", '"<"0.000', "<0.005"),
            ("10", r"\>0", ">10"),
            ("0.004", '[<0.005]"<0.005";0.000', "<0.005"),
            ("0.41", '[<0.005]"<0.005";0.000', "0.410"),
            ("12", '[>10]">10";[<0.005]"<0.005";0.00', ">10"),
            ("-1.5", "0.0;(0.0)", "(1.5)"),
            ("-1.5", "0.0", "-1.5"),
            ("0", '0.0;-0.0;"nil"', "nil"),
            ("0.05", "0.0%", "5.0%"),
            ("12000", "0.00E+00", "1.20E+4"),
            ("0.125", "# ?/?", "0.125"),
            ("4.21", r"0.00_);[Red]\(0.00\)", "4.21"),
            ("3", "000000", "000003"),
            ("4.2", "@", "4.2"),
            # Hidden or shown as nothing: given plain, so that no figure goes missing.
            ("4.2", ";;;", "4.2"),
            ("0", "#", "0"),
        ],
    )
    def test_is_what_the_spreadsheet_shows(self, figure: str, number_format: str, shown: str):
        assert shown_number(Decimal(figure), number_format) == shown

    def test_a_plain_figure_loses_the_noise_of_the_computer(self):
        assert general(Decimal(repr(0.1 + 0.2))) == "0.3"
        assert general(Decimal("234566")) == "234566"
        assert general(Decimal("1234567890123")) == "1234567890123"


class TestCells:
    def test_are_read_as_shown(self):
        data = make_book(
            ["Sample", "Au ppm", "Au Rpt ppm"],
            [234577, 4.2, 0.005],
            ["234566", 0.30000000000000004, "NSS"],
            [" 345672 ", True, None],
            formats={"B2": "0.00", "C2": '"<"0.000'},
        )
        assert raw(data) == ["4.20", "<0.005", "0.3", "NSS", "TRUE", ""]

    def test_say_when_more_digits_are_held_than_shown(self):
        data = make_book(["Sample", "Au ppm"], [234577, 0.004], formats={"B2": "0.00"})
        certificate = read_certificate(data)
        assert "1 cell holds more digits than are shown" in " ".join(certificate.notes)
        assert "printed as nought" in certificate.problems[0]

    def test_days_have_one_meaning(self):
        data = make_book(
            ["Date reported", datetime.date(2026, 5, 3)], [], ["Sample", "Au ppm"], [234577, 4.1]
        )
        assert read_certificate(data).reported_on == datetime.date(2026, 5, 3)

    def test_a_formula_counts_by_its_saved_value_and_is_said(self):
        data = make_book(["Sample", "Au ppm"], [234577, "=2*2"])
        # Written by hand as a spreadsheet program saves it: the formula with what it came to.
        sheet = re.sub(rb"<f>2\*2</f><v ?/>|<f>2\*2</f><v></v>", b"<f>2*2</f><v>4</v>", part(data))
        assert b"<v>4</v>" in sheet
        certificate = read_certificate(repacked(data, {SHEET: sheet}))
        assert certificate.rows[0].readings[0].grade_g_per_t == 4
        assert "1 cell holds a formula; what it came to" in " ".join(certificate.notes)

    def test_a_formula_without_a_value_is_not_understood(self):
        certificate = read_certificate(make_book(["Sample", "Au ppm"], [234577, "=2*2"]))
        assert certificate.rows[0].readings[0].symbol == "not understood"
        assert certificate.rows[0].readings[0].raw_text == "=2*2"

    def test_an_error_of_the_spreadsheet_is_not_understood(self):
        certificate = read_certificate(make_book(["Sample", "Au ppm"], [234577, "#DIV/0!"]))
        assert certificate.rows[0].readings[0].symbol == "not understood"

    def test_a_merged_title_stands_over_all_its_columns(self):
        data = make_book(
            ["Sample", "Au", None], [None, "FA30 ppm", "grav g/t"], [234577, 4.1, 4.0], merged=("B1:C1",)
        )
        assert [column.unit for column in read_certificate(data).gold_columns] == ["ppm", "g/t"]

    def test_a_heading_merged_over_the_whole_table_is_no_title(self):
        data = make_book(
            ["Gold assays, all invented", None, None],
            ["Sample", "Wt kg", "Au ppm"],
            [234577, 1, 4.0],
            merged=("A1:C1",),
        )
        assert [column.meaning for column in read_certificate(data).columns] == ["tag", "mass", "grade"]

    def test_hidden_sheets_and_macros_are_named_and_left_alone(self):
        from openpyxl import load_workbook

        book = load_workbook(io.BytesIO(PLAIN))
        hidden = book.create_sheet("Old", 0)
        hidden.append(["Sample", "Au ppm"])
        hidden.append([234577, 99])
        hidden.sheet_state = "hidden"
        held = io.BytesIO()
        book.save(held)
        data = repacked(held.getvalue(), {"xl/vbaProject.bin": b"\xd0\xcf\x11\xe0 no program"})
        certificate = read_certificate(data)
        assert certificate.rows[0].readings[0].raw_text == "4.1"
        assert "Hidden sheets are not read: Old." in certificate.notes
        assert "The spreadsheet brings macros; they are never run." in certificate.notes

    def test_figures_are_those_another_library_reads(self):
        import pandas

        frame = pandas.read_excel(FIXTURE, header=None, dtype=object)
        for row in read_certificate(FIXTURE.read_bytes()).rows:
            for cell in row.readings:
                other = frame.iat[row.line_number - 1, cell.column_index]
                if cell.symbol in ("value", "below", "above"):
                    read = cell.grade_g_per_t or cell.limit_g_per_t
                    assert float(read) == pytest.approx(other, abs=0.05)


def refused(data: bytes) -> str:
    started = time.process_time()
    with pytest.raises(ValueError, match=r"\.$") as refusal:
        read_certificate(data)
    # Refused before anything large is unpacked.
    assert time.process_time() - started < 20
    return str(refusal.value)


class TestFilesThatDoHarm:
    def test_a_bomb_is_refused_by_its_directory(self):
        bomb = repacked(PLAIN, {SHEET: b"<worksheet>" + b" " * 59_000_000})
        assert len(bomb) < 100_000
        assert "unpacks to far more" in refused(bomb)

    def test_many_large_members_are_refused(self):
        large = {f"xl/media/{n}.bin": bytes(1_900_000) for n in range(40)}
        assert "unpacks to far more" in refused(repacked(PLAIN, large))

    def test_many_small_members_are_refused(self):
        assert "unpacks to far more" in refused(repacked(PLAIN, {f"x/{n}": b"" for n in range(600)}))

    def test_a_directory_that_lies_about_a_size_is_refused(self):
        data = bytearray(repacked(PLAIN, {SHEET: part(PLAIN) + b" " * 5_000_000}))
        # The directory at the end names each member with its sizes; the sheet's is made small.
        at = data.rfind(SHEET.encode()) - 46
        data[at + 24 : at + 28] = (1000).to_bytes(4, "little")
        assert "can't be read" in refused(bytes(data))

    def test_an_entity_that_expands_is_refused(self):
        head = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
        assert "can't be read" in refused(repacked(PLAIN, {"xl/workbook.xml": head + b"<x>&b;</x>"}))

    @pytest.mark.parametrize(
        "name", ["xl/workbook.xml", "xl/_rels/workbook.xml.rels", SHEET, "[Content_Types].xml"]
    )
    def test_a_missing_part_is_refused_or_read_without(self, name):
        try:
            assert raw(repacked(PLAIN, {name: None})) == ["4.1"]
        except ValueError as refusal:
            assert str(refusal).endswith(".")

    def test_a_sheet_that_claims_a_million_rows_is_read_by_its_rows(self):
        sheet = re.sub(rb'<dimension ref="[^"]*"', b'<dimension ref="A1:XFD1048576"', part(PLAIN))
        assert raw(repacked(PLAIN, {SHEET: sheet})) == ["4.1"]

    def test_a_cell_far_down_costs_no_patience(self):
        far = b'<row r="1048576"><c r="A1048576" t="inlineStr"><is><t>end</t></is></c></row></sheetData>'
        sheet = part(PLAIN).replace(b"</sheetData>", far)
        assert raw(repacked(PLAIN, {SHEET: sheet})) == ["4.1"]

    def test_too_many_lines_and_too_wide_a_line_are_refused(self, monkeypatch):
        monkeypatch.setattr(sheet_table, "MOST_LINES", 50)
        long = make_book(["Sample", "Au ppm"], *([234577, 1] for _ in range(60)))
        assert "more than 50 lines" in refused(long)
        wide = make_book(["Sample", "Au ppm"], [234577, 1, *[None] * 300, "x"])
        assert "more than 200 cells" in refused(wide)

    def test_a_hundred_thousand_rows_are_refused_in_a_sentence(self):
        rows = b"".join(
            b'<row r="%d"><c r="A%d"><v>%d</v></c><c r="B%d"><v>1.5</v></c></row>' % (n, n, n, n)
            for n in range(3, 100_003)
        )
        sheet = part(PLAIN).replace(b"</sheetData>", rows + b"</sheetData>")
        assert "more than 20,000 lines" in refused(repacked(PLAIN, {SHEET: sheet}))
        text = b"Sample,Au ppm\n" + b"\n".join(b"%d,1.5" % number for number in range(100_000))
        assert "more than 20,000 lines" in refused(text)

    @pytest.mark.parametrize(
        ("data", "words"),
        [
            (b"PK\x03\x04", "can't be read"),
            (PLAIN[: len(PLAIN) // 2], "can't be read"),
            (b"PK\x05\x06" + bytes(18), "not a plain text file"),
            (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "looks like a spreadsheet"),
        ],
    )
    def test_broken_files_are_refused(self, data, words):
        assert words in refused(data)


def test_a_text_is_read_without_any_heavy_library():
    script = (
        "import sys\n"
        "from prospecting.readers.certificate_csv import read_certificate\n"
        "read_certificate(b'Sample,Au ppm\\n234577,4.1\\n')\n"
        "print([n for n in ('numpy','pandas','scipy','openpyxl') if n in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.strip() == "[]"
