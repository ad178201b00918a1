"""The bytes of a spreadsheet (.xlsx) in; its sheets as lines of cells, each as it is shown, out.

Read with openpyxl, not pandas: pandas keeps the number and loses how it was printed (0.50, "<0.005"), and costs seconds to
load. Macros, links and pictures are never opened; a formula counts as the value it had when the file was saved.
"""

import datetime
import io
import re
import zipfile
from dataclasses import dataclass
from decimal import Decimal
from xml.etree import ElementTree

from prospecting.calc.language import phrase, phrase_counted, to_phrase
from prospecting.calc.number_words import numeral
from prospecting.readers.shown_number import general, shown_number
from prospecting.readers.text_table import MOST_CELLS, MOST_LINES, Grid, Line, too_many_cells
from prospecting.readers.titles import LONGEST_TITLE

SPREADSHEET = b"PK\x03\x04"
MOST_MEMBERS = 500
MOST_UNPACKED_BYTES = 60_000_000
# Tables pack well, ten to fifty times; only a file made to burst packs better than this.
MOST_RATIO = 300
SMALL_MEMBER_BYTES = 2_000_000
MOST_SHEETS = 30
MOST_FILLED_CELLS = 400_000

_BROKEN = to_phrase("This spreadsheet can't be read; save it anew as .xlsx, or as CSV.")
# Attributes are bounded, so that a hostile sheet cannot make the search go over itself again and again.
_FORMULA = re.compile(
    rb'<c\b[^>]{0,200}?\br="(?P<cell>[A-Z]{1,3}[0-9]{1,7})"[^>]{0,200}>\s{0,20}<f\b[^>]{0,200}?(?:/>|>(?P<text>[^<]*)</f>)'
)
_MERGED = re.compile(rb'<mergeCell\b[^>]{0,200}?\bref="([A-Z]{1,3})([0-9]{1,7}):([A-Z]{1,3})([0-9]{1,7})"')
_XML_KIND = re.compile(rb"<!(?:DOCTYPE|ENTITY)", re.IGNORECASE)
_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_NAMED_SHEETS_MOST_SHOWN = 5


class SheetRefused(ValueError):
    """A refusal in our own sentence, told apart from whatever a library raises over a broken file."""


@dataclass
class _Told:
    """What a member should know of how the cells of one sheet were read."""

    formulas: int = 0
    without_value: int = 0
    rounded: int = 0

    def sentences(self) -> list[str]:
        said = []
        if self.formulas:
            said.append(
                phrase_counted(
                    "{number} cell holds a formula; what it came to when the file was saved is taken, and nothing is reckoned.",
                    "{number} cells hold a formula; what it came to when the file was saved is taken, and nothing is reckoned.",
                    self.formulas,
                )
            )
        if self.without_value:
            said.append(
                phrase_counted(
                    "{number} cell holds a formula without a saved value and is not understood: open the file, save it and "
                    "read it again.",
                    "{number} cells hold a formula without a saved value and is not understood: open the file, save it and "
                    "read it again.",
                    self.without_value,
                )
            )
        if self.rounded:
            said.append(
                phrase_counted(
                    "{number} cell holds more digits than are shown; the figure shown is taken, as on the printed certificate.",
                    "{number} cells hold more digits than are shown; the figure shown is taken, as on the printed certificate.",
                    self.rounded,
                )
            )
        return said


def read_sheets(data: bytes) -> list[Grid]:
    """Return the visible sheets that hold anything; ValueError with a sentence where the file can't or must not be opened."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            _check_directory(packed, len(data))
            return _read(packed, data)
    except SheetRefused:
        raise
    except Exception:
        # zipfile, the parser of XML and openpyxl raise many things for a broken file.
        raise SheetRefused(phrase(_BROKEN)) from None


def _check_directory(packed: zipfile.ZipFile, size: int) -> None:
    """Refuse by what the file's own directory says, before anything is unpacked."""
    members = packed.infolist()
    too_much = phrase(
        "The spreadsheet unpacks to far more than a certificate holds; save the table of results alone."
    )
    if len(members) > MOST_MEMBERS or sum(each.file_size for each in members) > MOST_UNPACKED_BYTES:
        raise SheetRefused(too_much)
    # Members that lie over one another pack to more than the whole file.
    if sum(each.compress_size for each in members) > size:
        raise SheetRefused(phrase(_BROKEN))
    for each in members:
        if each.file_size > SMALL_MEMBER_BYTES and each.file_size > MOST_RATIO * max(1, each.compress_size):
            raise SheetRefused(too_much)
        if each.flag_bits & 1:
            raise SheetRefused(phrase("The spreadsheet is locked with a password; save it without one."))
    names = {each.filename for each in members}
    if "xl/workbook.xml" not in names:
        raise SheetRefused(
            phrase("This packed file is no spreadsheet of the .xlsx kind; save it as .xlsx or CSV.")
        )
    if len(names) < len(members):
        raise SheetRefused(phrase(_BROKEN))
    for each in members:
        if each.filename.endswith((".xml", ".rels")):
            with packed.open(each) as part:
                # A document type can make a short text expand without end; no spreadsheet has one.
                if _XML_KIND.search(part.read(2000)):
                    raise SheetRefused(phrase(_BROKEN))


def _read(packed: zipfile.ZipFile, data: bytes) -> list[Grid]:
    from openpyxl import load_workbook

    parts = _sheet_parts(packed)
    book = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
    if len(book.sheetnames) > MOST_SHEETS:
        raise SheetRefused(
            phrase(
                "The spreadsheet has more than {most} sheets; save the sheet of results alone.",
                most=MOST_SHEETS,
            )
        )
    hidden = [sheet.title for sheet in book.worksheets if sheet.sheet_state != "visible"]
    told = []
    if hidden:
        named = ", ".join(hidden[:_NAMED_SHEETS_MOST_SHOWN])
        told.append(phrase("Hidden sheets are not read: {sheets}.", sheets=named))
    if any(name.endswith("vbaProject.bin") for name in packed.namelist()):
        told.append(phrase("The spreadsheet brings macros; they are never run."))
    grids = []
    for sheet in book.worksheets:
        if sheet.sheet_state == "visible":
            source = packed.read(parts[sheet.title]) if sheet.title in parts else b""
            lines, notes = _lines(sheet, source)
            if lines:
                grids.append(Grid(lines, sheet=sheet.title, notes=(*told, *notes)))
    if not grids:
        raise SheetRefused(phrase("The spreadsheet holds nothing that is shown."))
    return grids


def _sheet_parts(packed: zipfile.ZipFile) -> dict[str, str]:
    """The name of each sheet and the member of the file it lies in."""
    relations = ElementTree.fromstring(packed.read("xl/_rels/workbook.xml.rels"))
    targets = {each.get("Id"): each.get("Target", "") for each in relations}
    book = ElementTree.fromstring(packed.read("xl/workbook.xml"))
    parts = {}
    for each in book.iter():
        if each.tag.endswith("}sheet"):
            target = targets.get(each.get(_RELATION), "")
            path = target.removeprefix("/") if target.startswith("/") else f"xl/{target}"
            if path in packed.NameToInfo:
                parts[each.get("name")] = path
    return parts


def _lines(sheet, source: bytes) -> tuple[list[Line], list[str]]:
    formulas = {match["cell"].decode(): match["text"] or b"" for match in _FORMULA.finditer(source)}
    told = _Told()
    lines: list[Line] = []
    filled = 0
    # The size a sheet says it has may be a lie of a million rows; only rows that stand there are read.
    sheet.reset_dimensions()
    for number, cells in enumerate(sheet.iter_rows(), start=1):
        texts = [_text(cell, formulas, told) for cell in cells]
        while texts and not texts[-1].strip():
            texts.pop()
        if not texts:
            if lines and not lines[-1].is_blank:
                lines.append(Line(number, ()))
            continue
        filled += sum(map(bool, texts))
        if len(lines) >= MOST_LINES or filled > MOST_FILLED_CELLS:
            raise SheetRefused(
                phrase(
                    "The spreadsheet has more than {most} lines; divide it and read the parts.",
                    most=numeral(MOST_LINES, ","),
                )
            )
        if len(texts) > MOST_CELLS:
            raise SheetRefused(too_many_cells(number))
        lines.append(Line(number, tuple(texts)))
    # A row is stored up to its last filled cell; that it ends there says nothing.
    width = max((len(line.cells) for line in lines), default=0)
    lines = [Line(line.number, line.cells + ("",) * (width - len(line.cells))) for line in lines]
    return _with_merged_titles(lines, source), told.sentences()


def _text(cell, formulas: dict[str, bytes], told: _Told) -> str:
    value = cell.value
    formula = formulas.get(cell.coordinate) if formulas and hasattr(cell, "coordinate") else None
    if formula is not None and value is None:
        told.without_value += 1
        return "=" + formula.decode("utf-8", "replace")[:200]
    told.formulas += formula is not None
    if value is None:
        return ""
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, str):
        return value.replace("\0", "")
    if isinstance(value, int | float):
        return _shown(value, cell.number_format, told)
    if isinstance(value, datetime.datetime):
        # Days are shown in the custom of whoever opens the file; year first means one thing only.
        return (
            value.date().isoformat() if value.time() == datetime.time() else value.isoformat(" ", "minutes")
        )
    return str(value)


def _shown(value: int | float, number_format: str | None, told: _Told) -> str:
    number = Decimal(repr(value)) if isinstance(value, float) else Decimal(value)
    if not number.is_finite():
        return str(value)
    plain = general(number)
    if not number_format or number_format == "General":
        return plain
    shown = shown_number(number, number_format)
    bare = shown.strip("<>-() %")
    if _is_figure(bare) and abs(Decimal(bare)) != abs(Decimal(plain)) and "%" not in shown:
        told.rounded += 1
    return shown


def _is_figure(text: str) -> bool:
    return bool(re.fullmatch(r"[0-9]*\.?[0-9]+", text))


def _with_merged_titles(lines: list[Line], source: bytes) -> list[Line]:
    """Write a title that stands merged over several columns over each of them: "Au" over its two methods.

    Only where the line has other cells too: a line of one merged cell is a heading over the whole table.
    """
    merged: dict[int, list[tuple[int, int]]] = {}
    for first, top, last, bottom in _MERGED.findall(source):
        if top == bottom:
            merged.setdefault(int(top), []).append((_place(first), _place(last)))
    return [_filled(line, merged[line.number]) if line.number in merged else line for line in lines]


def _filled(line: Line, spans: list[tuple[int, int]]) -> Line:
    cells = list(line.cells)
    for first, last in spans:
        text = line.cell(first)
        others = any(cell.strip() for at, cell in enumerate(line.cells) if at != first)
        if not text.strip() or len(text) > LONGEST_TITLE or not others or last >= MOST_CELLS:
            continue
        cells += [""] * (last + 1 - len(cells))
        for at in range(first + 1, last + 1):
            cells[at] = cells[at] or text
    return Line(line.number, tuple(cells))


def _place(letters: bytes) -> int:
    place = 0
    for letter in letters:
        place = place * 26 + letter - 64
    return place - 1


def is_spreadsheet(data: bytes) -> bool:
    return data.startswith(SPREADSHEET)
