"""Labels with a code as large as they take and a line or two under it, for bags and tubs; what is in these they do not tell."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.label_sheets import LabelSheet
from prospecting.charts.tags import FIXED_WIDTH, SHORTER_MM, Line, fitted_line, mm

EDGE_MM = 2.0
# Shares of the label's height: of the code and of a line, with one line under the code and with more.
WITH_ONE_LINE, WITH_MORE = (0.5, 0.16), (0.44, 0.14)
GAP = 0.08
LARGEST_CODE_MM, LARGEST_LINE_MM = 26.0, 6.0


@dataclass(frozen=True)
class CodeLabel:
    """One label, lengths in hundredths of a mm from its upper left corner."""

    x: str
    y: str
    width: str
    height: str
    code: Line
    lines: list[Line]


@dataclass(frozen=True)
class CodeSheet:
    """`width_mm` and `height_mm` of the paper, the same in hundredths, and the labels on it."""

    width_mm: Decimal
    height_mm: Decimal
    width: str
    height: str
    labels: list[CodeLabel]


def draw_code_labels(
    labels: Iterable[tuple[str, Sequence[str]]], sheet: LabelSheet, *, first_label: int = 1
) -> list[CodeSheet]:
    """Return the sheets that hold a label for each code with its lines, leaving free those before `first_label`."""
    places = sheet.places()
    sheets: dict[int, list[CodeLabel]] = {}
    for number, (code, lines) in enumerate(labels, start=first_label - 1):
        page, place = divmod(number, len(places))
        sheets.setdefault(page, []).append(_label(code, lines, sheet, places[place]))
    width, height = sheet.paper.width_mm, sheet.paper.height_mm - SHORTER_MM
    return [CodeSheet(width, height, mm(width), mm(height), drawn) for drawn in sheets.values()]


def _label(code: str, lines: Sequence[str], sheet: LabelSheet, place: tuple[Decimal, Decimal]) -> CodeLabel:
    width, height = float(sheet.width_mm), float(sheet.height_mm)
    room = width - 2 * EDGE_MM
    code_share, line_share = WITH_ONE_LINE if len(lines) == 1 else WITH_MORE
    size = min(code_share * height, room / (len(code) * FIXED_WIDTH), LARGEST_CODE_MM)
    code_y = min(EDGE_MM, 0.1 * height) + 0.8 * size
    line_size = min(line_share * height, LARGEST_LINE_MM)
    step = line_size + GAP * height
    x = mm(EDGE_MM)
    return CodeLabel(
        x=mm(place[0]),
        y=mm(place[1]),
        width=mm(width),
        height=mm(height),
        code=Line(code, x, x, mm(code_y), mm(size)),
        lines=[
            fitted_line(text, EDGE_MM, code_y + number * step, line_size, room, sign=False)
            for number, text in enumerate(lines, start=1)
        ],
    )
