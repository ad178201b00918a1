"""Where the table of a certificate stands: the line of titles, the lines that describe columns, the first sample."""

import re
from dataclasses import dataclass, replace

from prospecting.calc.language import phrase
from prospecting.readers import titles
from prospecting.readers.certificate import Choices, TableUnknown
from prospecting.readers.marks import is_reading
from prospecting.readers.text_table import Grid, Line, NoTable, one_line, used_width


@dataclass(frozen=True)
class Layout:
    """Where the table stands: the line of gold titles, the lines beside it that describe columns, the first body line."""

    grid: Grid
    title_at: int
    above: tuple[Line, ...]
    below: tuple[tuple[str, Line], ...]
    body_at: int
    tag_column: int
    rival_tag_columns: tuple[int, ...]
    # Other sheets that hold a table too.
    rival_sheets: tuple[str, ...] = ()

    @property
    def lines(self) -> list[Line]:
        return self.grid.lines

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


def find_layout(grids: list[Grid], choices: Choices) -> Layout:
    """Try each way of cutting the file; the one under which the table has most titles is the file's.

    Raises TableUnknown where a member can say what the columns hold, else ValueError.
    """
    if choices.sheet is not None:
        grids = [grid for grid in grids if grid.sheet == choices.sheet]
        if not grids:
            raise ValueError(phrase("There is no such sheet in this file."))
    refusals: list[ValueError] = []
    for is_last_resort in (False, True):
        found: list[Layout] = []
        for grid in grids:
            if grid.is_last_resort == is_last_resort:
                try:
                    found.append(_layout_of(grid, choices))
                except ValueError as refusal:
                    refusals.append(refusal)
        if found and found[0].grid.sheet:
            # The first sheet with a table; the others are named.
            return replace(found[0], rival_sheets=tuple(layout.grid.sheet for layout in found[1:]))
        if found:
            return max(found, key=lambda layout: layout.width)
    unknown = [refusal for refusal in refusals if isinstance(refusal, TableUnknown)]
    if unknown:
        raise max(unknown, key=lambda refusal: used_width(refusal.title_line))
    raise next((each for each in refusals if not isinstance(each, NoTable)), refusals[0])


def _layout_of(grid: Grid, choices: Choices) -> Layout:
    lines = grid.lines
    if grid.refusal:
        raise grid.refusal
    title_at = _chosen_titles(lines, choices)
    if title_at is None:
        title_at = _find_titles(grid)
    gold = sorted({*gold_cells(lines[title_at]), *choices.gold_columns} - _not_gold(choices))
    above: list[Line] = []
    for line in reversed(lines[max(0, title_at - 2) : title_at]):
        if not _describes_from_above(line, gold):
            break
        above.insert(0, line)
    ranks = _tag_ranks([lines[title_at], *above, *_title_lines_after(lines, title_at, gold)], gold)
    width = max(used_width(line) for line in (lines[title_at], *above))
    ranks = {index: rank for index, rank in ranks.items() if index < width}
    tag_column, rivals = _choose_tag_column(ranks, lines[title_at], gold, choices, grid.sheet)
    below, body_at = [], title_at + 1
    for at in range(title_at + 1, len(lines)):
        label = None if lines[at].is_blank else _describes_from_below(lines[at], gold, tag_column)
        if not lines[at].is_blank and (label is None or len(below) == _MOST_ROWS_BELOW):
            break
        if label is not None:
            below.append((label, lines[at]))
            body_at = at + 1
    return Layout(
        grid,
        title_at,
        tuple(above),
        tuple(below),
        body_at,
        tag_column=tag_column,
        rival_tag_columns=rivals,
    )


def _chosen_titles(lines: list[Line], choices: Choices) -> int | None:
    """Where the line stands that a member says holds the titles; only with a column of gold said too."""
    if choices.title_line is None or not choices.gold_columns:
        return None
    at = next((at for at, line in enumerate(lines) if line.number == choices.title_line), None)
    if at is None or lines[at].is_blank:
        raise ValueError(phrase("Line {line} holds no titles.", line=choices.title_line))
    return at


def _not_gold(choices: Choices) -> set[int]:
    return set(choices.roles) - set(choices.gold_columns)


def _find_titles(grid: Grid) -> int:
    """Return the index of the line of gold titles, by the best evidence: a tag title in it, then beside it."""
    lines = grid.lines
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
        _refuse_table(grid)
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


def _refuse_table(grid: Grid) -> None:
    lines = grid.lines
    if not any(sum(bool(cell.strip()) for cell in line.cells) > 1 for line in lines):
        raise NoTable(
            phrase("No table was found: no line has two cells divided by commas, semicolons or tabs.")
        )
    sentence = phrase("No column of gold was found: no title has Au or gold in it, such as “Au ppm”.")
    titles_at = _likely_titles(lines)
    if titles_at is None:
        raise ValueError(sentence)
    raise TableUnknown(
        phrase("{refusal} If one of the columns below is gold, say which.", refusal=sentence),
        title_line=lines[titles_at],
        sheet=grid.sheet,
    )


def _likely_titles(lines: list[Line]) -> int | None:
    """The first line of words over a line with a figure in it, where no title names gold."""
    for at, line in enumerate(lines[:_MOST_LINES_ABOVE]):
        if sum(bool(cell.strip()) for cell in line.cells) < 2 or any(map(is_reading, line.cells)):
            continue
        following = next((below for below in lines[at + 1 :] if not below.is_blank), None)
        if following and any(is_reading(cell) for cell in following.cells[1:]):
            return at
    return None


def gold_cells(line: Line) -> list[int]:
    """The columns whose title names gold, of the whole sample or of a part of it."""
    return [index for index, cell in enumerate(line.cells) if titles.heads_readings(one_line(cell))]


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
    ranks: dict[int, int], title_line: Line, gold: list[int], choices: Choices, sheet: str
) -> tuple[int, tuple[int, ...]]:
    if choices.tag_column is not None:
        if choices.tag_column in gold:
            raise ValueError(
                phrase(
                    "Column {column} holds gold, so it cannot hold the tags.", column=choices.tag_column + 1
                )
            )
        if not 0 <= choices.tag_column < len(title_line.cells):
            raise ValueError(no_such_column(choices.tag_column))
        return choices.tag_column, ()
    if not ranks:
        names = ", ".join(
            f"{index} “{one_line(cell)}”" for index, cell in enumerate(title_line.cells[:12], start=1)
        )
        raise TableUnknown(
            phrase(
                "No column is titled as the tag of the sample. The columns of line {line} are: {names}. "
                "Say which one holds the tags.",
                line=title_line.number,
                names=names,
            ),
            title_line=title_line,
            sheet=sheet,
        )
    best = min(ranks, key=lambda index: (ranks[index], index))
    rivals = tuple(index for index in sorted(ranks) if index != best and ranks[index] <= max(2, ranks[best]))
    return best, rivals


def no_such_column(tag_column: int) -> str:
    return phrase("There is no column {column} for the tags.", column=tag_column + 1)


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
