"""The lines under the titles: which are samples, which are left out, and what their readings say."""

import re
from collections import Counter
from dataclasses import replace
from decimal import Decimal

from prospecting.calc.language import phrase
from prospecting.readers import marks, titles
from prospecting.readers.certificate import Column, ParsedReading, Row
from prospecting.readers.layout import Layout, gold_cells, prints_unit, row_label
from prospecting.readers.marks import decimal_signs, is_reading, read_cell, read_gold_mass, read_mass_g
from prospecting.readers.text_table import Line, one_line, used_width

LONGEST_TAG = 60

_TAG_LIKE = re.compile(
    r"(?=[^0-9]*[0-9])[A-Za-z0-9][A-Za-z0-9._/-]{0,23}(?:[ _-](?:r|rpt|rep|repeat|dup|chk|check)\d?)?",
    re.IGNORECASE,
)
_FOOT_WORDS = re.compile(
    r"[<>*]|(?:end|signed|signature|notes?|remarks?|comments?|legend|key|page|total|approved|certified|authori[sz]ed|analyst"
    r"|assayer|disclaimer|printed|date|limits?|lower|upper|detection|methods?|units?)(?![a-z])",
    re.IGNORECASE,
)
_POWER_OF_TEN = re.compile(r"[0-9](?:[.,][0-9]+)?E\+?[0-9]{1,2}", re.IGNORECASE)


class Body:
    """The lines under the titles, sorted into samples, lines left out, and problems."""

    def __init__(self, layout: Layout, columns: tuple[Column, ...]) -> None:
        self.layout = layout
        self.columns = columns
        self.gold = [column for column in columns if column.holds_readings]
        self.masses = {
            column.part: column for column in reversed(columns) if column.meaning == "mass" and column.part
        }
        self.tag = columns[layout.tag_column]
        self.lines = layout.lines[layout.body_at :]
        measured = [*self.gold, *self.masses.values()]
        self.figures = {
            "decimal_comma": layout.grid.has_decimal_comma,
            "signs": decimal_signs(line.cell(column.index) for line in self.lines for column in measured),
        }
        self.titles = {
            _trimmed(line) for line in (layout.title_line, *layout.above, *(line for _, line in layout.below))
        }
        self.rows: list[Row] = []
        self.problems: list[str] = []
        self.ignored: list[Line] = []

    def read(self) -> None:
        after_blank = at_foot = False
        for at, line in enumerate(self.lines):
            if line.is_blank:
                after_blank = True
                continue
            if self._starts_another_table(line):
                self.problems.append(
                    phrase(
                        "Line {line} starts another table, with titles or units of its own; from there on nothing is read. "
                        "Save that part as a file of its own.",
                        line=line.number,
                    )
                )
                self.ignored += [rest for rest in self.lines[at:] if not rest.is_blank]
                return
            if _trimmed(line) not in self.titles and self._is_sample(line, at_foot, after_blank):
                if at_foot:
                    self.problems.append(
                        phrase(
                            "Line {line} stands below the end of the table and is read as a sample; check it.",
                            line=line.number,
                        )
                    )
                    at_foot = False
                self.rows.append(self._row(line))
            elif _trimmed(line) in self.titles:
                # Titles printed again on a new page; the table goes on under them.
                self.ignored.append(line)
            else:
                at_foot = True
                self._leave_out(line)
            after_blank = False

    def _leave_out(self, line: Line) -> None:
        self.ignored.append(line)
        figures = [column for column in self.gold if is_reading(line.cell(column.index))]
        if figures and not row_label(line.cell(self.tag.index)):
            self.problems.append(
                phrase(
                    "Line {line}, {column}: the line is left out as no sample, though it may hold a reading; check it.",
                    line=line.number,
                    column=figures[0],
                )
            )

    def _starts_another_table(self, line: Line) -> bool:
        if _trimmed(line) in self.titles:
            return False
        cells = [line.cell(column.index) for column in self.gold]
        if any(is_reading(cell) for cell in cells):
            return False
        label = (
            titles.tag_rank(line.cell(self.tag.index)) is not None or not line.cell(self.tag.index).strip()
        )
        return label and (bool(gold_cells(line)) or any(prints_unit(cell) for cell in cells))

    def _is_sample(self, line: Line, at_foot: bool, after_blank: bool) -> bool:
        """Whether a line is a sample's. In doubt it is, so that nothing that may be a reading goes missing."""
        tag = line.cell(self.tag.index).strip()
        cells = [line.cell(column.index) for column in self.gold]
        read = any(is_reading(cell) for cell in cells)
        if _TAG_LIKE.fullmatch(tag):
            return read or not at_foot or any(cell.strip() for cell in cells)
        if at_foot or _FOOT_WORDS.match(tag):
            return False
        return read or (not after_blank and any(cell.strip() for cell in cells))

    def _row(self, line: Line) -> Row:
        printed_tag = line.cell(self.tag.index)
        tag = printed_tag.strip()
        self._check_line(line, tag)
        shifted = any(cell.strip() for cell in line.cells[len(self.columns) :])
        if shifted:
            self.problems.append(
                phrase(
                    "Line {line} has {cells} cells where the titles are {titles}, so its figures may stand in the wrong "
                    "column; none from column {column} on is read. Mend that line and send the file again.",
                    line=line.number,
                    cells=used_width(line),
                    titles=len(self.columns),
                    column=self.gold[0].number,
                )
            )
        masses = {} if shifted else {part: self._mass(line, column) for part, column in self.masses.items()}
        return Row(
            line_number=line.number,
            tag_text=tag,
            readings=tuple(
                self._reading(line, column, shifted, masses.get(column.part)) for column in self.gold
            ),
            printed_tag=printed_tag,
            cells=line.cells,
        )

    def _check_line(self, line: Line, tag: str) -> None:
        said = {"line": line.number, "column": self.tag}
        if not tag:
            self.problems.append(
                phrase("Line {line}, {column}: a reading stands here without a tag.", **said)
            )
        elif len(tag) > LONGEST_TAG:
            self.problems.append(
                phrase(
                    "Line {line}, {column}: the tag is longer than {most} signs.", most=LONGEST_TAG, **said
                )
            )
        elif _POWER_OF_TEN.fullmatch(tag):
            self.problems.append(
                phrase(
                    "Line {line}, {column}: “{tag}” looks like a tag that a spreadsheet has turned into a power of ten.",
                    tag=tag,
                    **said,
                )
            )
        for index, cell in enumerate(line.cells):
            if "\n" in cell.strip() or "\r" in cell.strip():
                self.problems.append(
                    phrase(
                        "Line {line}, column {column}: the cell runs over several lines; check that no quotation mark is "
                        "stray.",
                        line=line.number,
                        column=index + 1,
                    )
                )
        missing = next((column for column in self.gold if column.index >= len(line.cells)), None)
        if missing:
            self.problems.append(
                phrase(
                    "Line {line} ends before {column}; from there on its cells are read as empty.",
                    line=line.number,
                    column=missing,
                )
            )

    def _mass(self, line: Line, column: Column) -> Decimal | None:
        mass_g, complaint = read_mass_g(line.cell(column.index), column.unit, **self.figures)
        if complaint:
            self._complain(line, column, complaint)
        return mass_g

    def _complain(self, line: Line, column: Column, complaint: str) -> None:
        shown = one_line(line.cell(column.index))[:60]
        self.problems.append(
            phrase(
                "Line {line}, {column}: “{text}” {complaint}",
                line=line.number,
                column=column,
                text=shown,
                complaint=complaint,
            )
        )

    def _reading(self, line: Line, column: Column, shifted: bool, mass_g: Decimal | None) -> ParsedReading:
        raw_text = line.cell(column.index)
        if shifted:
            read = marks.CellRead(marks.NOT_UNDERSTOOD)
        elif column.meaning == "gold mass":
            read = read_gold_mass(raw_text, column.unit, mass_g, **self.figures)
        else:
            read = read_cell(raw_text, column.unit, **self.figures)
        if read.complaint:
            self._complain(line, column, read.complaint)
        return ParsedReading(
            column_index=column.index,
            method=column.method,
            unit=column.unit,
            raw_text=raw_text,
            symbol=read.symbol,
            grade_g_per_t=read.grade_g_per_t,
            limit_g_per_t=read.limit_g_per_t,
            fraction=column.part,
            fraction_mass_g=mass_g,
        )


def _trimmed(line: Line) -> tuple[str, ...]:
    return tuple(cell.strip() for cell in line.cells[: used_width(line)])


_MARK = "repeat|rpt|rep|duplicate|dup|check|chk"
_MARK_BEHIND = re.compile(rf"\(?(?P<mark>{_MARK}|r)\d*\)?$", re.IGNORECASE)
_MARK_BEFORE = re.compile(rf"^(?P<mark>{_MARK})(?:\s+of)?(?=[\s:_-])", re.IGNORECASE)


def with_repeats(rows: list[Row]) -> tuple[Row, ...]:
    """Number the lines of each tag in order. A mark is taken off only where the tag without it stands in the file too."""
    printed = {row.tag_text for row in rows}
    seen: Counter[str] = Counter()
    numbered = []
    for row in rows:
        for pattern in (_MARK_BEHIND, _MARK_BEFORE):
            match = pattern.search(row.tag_text) if len(row.tag_text) <= LONGEST_TAG else None
            tag = (
                (row.tag_text[: match.start()] + row.tag_text[match.end() :]).strip(" \t_/:-")
                if match
                else ""
            )
            if tag in printed and tag:
                row = replace(row, tag_text=tag, repeat_mark=titles.repeat_mark(match["mark"]))
                break
        numbered.append(replace(row, repeat=seen[row.tag_text]))
        seen[row.tag_text] += 1
    return tuple(numbered)
