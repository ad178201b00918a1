"""Where the table of a certificate stands: the line of titles, the lines that describe columns, the first sample."""

import re
from dataclasses import dataclass

from prospecting.readers import titles
from prospecting.readers.certificate import Choices
from prospecting.readers.marks import is_reading
from prospecting.readers.text_table import DELIMITERS, Line, one_line, split_lines, used_width


@dataclass(frozen=True)
class Layout:
    """Where the table stands: the line of gold titles, the lines beside it that describe columns, the first body line."""

    delimiter: str
    lines: list[Line]
    title_at: int
    above: tuple[Line, ...]
    below: tuple[tuple[str, Line], ...]
    body_at: int
    tag_column: int
    rival_tag_columns: tuple[int, ...]

    @property
    def title_line(self) -> Line:
        return self.lines[self.title_at]

    @property
    def width(self) -> int:
        """Columns that have a title; empty ones at the end of the lines are no columns."""
        return max(
            used_width(line) for line in (self.title_line, *self.above, *(line for _, line in self.below))
        )

    @property
    def lines_above(self) -> list[Line]:
        """The lines over the table, without those that tell column by column what stands under them."""
        return [
            line
            for line in self.lines[: self.title_at]
            if line not in self.above or sum(bool(cell.strip()) for cell in line.cells) < 3
        ]

    def title(self, index: int) -> str:
        """The title of a column, from the line of gold titles or else from the lines beside it."""
        beside = [*reversed(self.above), *(line for label, line in self.below if label in ("", "title"))]
        for line in (self.title_line, *beside):
            if line.cell(index).strip():
                return one_line(line.cell(index))
        return ""


_ROW_LABELS = (
    ("unit", re.compile(r"units?(?: of measure)?|uom", re.IGNORECASE)),
    (
        "method",
        re.compile(
            r"(?:analysis |assay )?(?:methods?|codes?|schemes?|procedures?)(?: codes?)?", re.IGNORECASE
        ),
    ),
    (
        "lower limit",
        re.compile(r"(?:lower|detection|lower detection|reporting) limit|lod|ldl|mdl|lor|dl", re.IGNORECASE),
    ),
    ("upper limit", re.compile(r"upper (?:detection )?limit|udl", re.IGNORECASE)),
    ("element", re.compile(r"elements?|analytes?", re.IGNORECASE)),
)
_MOST_ROWS_BELOW = 5
# No certificate has a longer block above its table; looking further would only cost time.
_MOST_LINES_ABOVE = 200


def find_layout(text: str, choices: Choices) -> Layout:
    """Try each delimiter; the one under which the table has most titles is the file's."""
    found: list[Layout] = []
    refusals: list[str] = []
    for delimiter in sorted(DELIMITERS, key=text.count, reverse=True):
        try:
            found.append(_layout_of(split_lines(text, delimiter), delimiter, choices))
        except ValueError as refusal:
            refusals.append(str(refusal))
    if not found:
        raise ValueError(refusals[0])
    return max(found, key=lambda layout: layout.width)


def _layout_of(lines: list[Line], delimiter: str, choices: Choices) -> Layout:
    title_at = _find_titles(lines)
    gold = gold_cells(lines[title_at])
    above = []
    for line in reversed(lines[max(0, title_at - 2) : title_at]):
        if not _describes_from_above(line, gold):
            break
        above.insert(0, line)
    ranks = _tag_ranks([lines[title_at], *above, *_title_lines_after(lines, title_at, gold)], gold)
    width = max(used_width(line) for line in (lines[title_at], *above))
    ranks = {index: rank for index, rank in ranks.items() if index < width}
    tag_column, rivals = _choose_tag_column(ranks, lines[title_at], gold, choices)
    below, body_at = [], title_at + 1
    for at in range(title_at + 1, len(lines)):
        label = None if lines[at].is_blank else _describes_from_below(lines[at], gold, tag_column)
        if not lines[at].is_blank and (label is None or len(below) == _MOST_ROWS_BELOW):
            break
        if label is not None:
            below.append((label, lines[at]))
            body_at = at + 1
    return Layout(
        delimiter,
        lines,
        title_at,
        tuple(above),
        tuple(below),
        body_at,
        tag_column=tag_column,
        rival_tag_columns=rivals,
    )


def _find_titles(lines: list[Line]) -> int:
    """Return the index of the line of gold titles, by the best evidence: a tag title in it, then beside it."""
    candidates: list[tuple[int, int]] = []
    for at, line in enumerate(lines[:_MOST_LINES_ABOVE]):
        gold = gold_cells(line)
        if not gold or any(is_reading(cell) for cell in line.cells):
            continue
        if _tag_ranks([line], gold):
            candidates.append((0, at))
        elif _tag_ranks([*lines[max(0, at - 2) : at], *_title_lines_after(lines, at, gold)], gold):
            candidates.append((1, at))
        elif sum(bool(cell.strip()) for cell in line.cells) > 1:
            candidates.append((2, at))
    if not candidates:
        _refuse_table(lines)
    sure = {at for kind, at in candidates if kind == 0}

    def lacks_readings(at: int) -> bool:
        gold = gold_cells(lines[at])
        for below in range(at + 1, min(len(lines), at + 60)):
            if below in sure:
                break
            if any(is_reading(lines[below].cell(index)) for index in gold):
                return False
        return True

    return min((lacks_readings(at), kind, at) for kind, at in candidates)[2]


def _refuse_table(lines: list[Line]) -> None:
    if not any(sum(bool(cell.strip()) for cell in line.cells) > 1 for line in lines):
        raise ValueError("No table was found: no line has two cells divided by commas, semicolons or tabs.")
    if any(titles.is_screen_half(cell) and titles.names_gold(cell) for line in lines for cell in line.cells):
        raise ValueError(
            "No column of gold was found for the whole sample, only for parts of a screen assay."
        )
    raise ValueError("No column of gold was found: no title has Au or gold in it, such as “Au ppm”.")


def gold_cells(line: Line) -> list[int]:
    return [index for index, cell in enumerate(line.cells) if titles.meaning_of(one_line(cell)) == "grade"]


def _tag_ranks(lines: list[Line], gold: list[int]) -> dict[int, int]:
    """How surely each column is titled as the tag, over the lines of titles; columns of gold are none."""
    ranks: dict[int, int] = {}
    for line in lines:
        for index, cell in enumerate(line.cells):
            rank = titles.tag_rank(cell) if index not in gold else None
            if rank is not None:
                ranks[index] = min(rank, ranks.get(index, rank))
    return ranks


def _choose_tag_column(
    ranks: dict[int, int], title_line: Line, gold: list[int], choices: Choices
) -> tuple[int, tuple[int, ...]]:
    if choices.tag_column is not None:
        if choices.tag_column in gold:
            raise ValueError(f"Column {choices.tag_column + 1} holds gold, so it cannot hold the tags.")
        if not 0 <= choices.tag_column < len(title_line.cells):
            raise ValueError(f"There is no column {choices.tag_column + 1} for the tags.")
        return choices.tag_column, ()
    if not ranks:
        names = ", ".join(
            f"{index} “{one_line(cell)}”" for index, cell in enumerate(title_line.cells[:12], start=1)
        )
        raise ValueError(
            f"No column is titled as the tag of the sample. The columns of line {title_line.number} are: {names}. "
            "Say which one holds the tags."
        )
    best = min(ranks, key=lambda index: (ranks[index], index))
    rivals = tuple(index for index in sorted(ranks) if index != best and ranks[index] <= max(2, ranks[best]))
    return best, rivals


def _describes_from_above(line: Line, gold: list[int]) -> bool:
    """Whether a line over the titles describes the columns, as one of method codes does."""
    first = line.cell(0).strip()
    if not any(line.cell(index).strip() for index in gold):
        return False
    return not first or row_label(first) is not None or bool(_tag_ranks([line], gold))


def _describes_from_below(line: Line, gold: list[int], tag_column: int) -> str | None:
    """Return what a line under the titles tells of the columns, "" where it does not say; None for a sample."""
    for index in (tag_column, 0):
        label = row_label(line.cell(index))
        if label:
            return label
    cells = [line.cell(index) for index in gold]
    if any(is_reading(cell) for cell in cells):
        return None
    if any(prints_unit(cell) for cell in cells):
        return "unit"
    if titles.tag_rank(line.cell(tag_column)) is not None:
        return "title"
    return "" if not line.cell(tag_column).strip() and any(cell.strip() for cell in cells) else None


def row_label(cell: str) -> str | None:
    plain = " ".join(re.sub(r"[\W_]+", " ", cell[: titles.LONGEST_TITLE]).split())
    return next((label for label, pattern in _ROW_LABELS if pattern.fullmatch(plain)), None)


def prints_unit(cell: str) -> bool:
    read = titles.read_unit(cell)
    return bool(read.unit or read.unclear)


def _title_lines_after(lines: list[Line], at: int, gold: list[int]) -> list[Line]:
    """The two lines under the titles, where they are no samples yet."""
    return [
        line for line in lines[at + 1 : at + 3] if not any(is_reading(line.cell(index)) for index in gold)
    ]
