"""Labels for the bags of a dispatch: the tag as large as the label takes, the order's number, and nothing else."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.label_sheets import LabelSheet
from prospecting.charts.tags import FIXED_WIDTH, SHORTER_MM, Line, fitted_line, mm

EDGE_MM = 2.0
# Shares of the label's height.
TAG_HEIGHT, LINE_HEIGHT, GAP = 0.5, 0.16, 0.08
LARGEST_TAG_MM, LARGEST_LINE_MM = 26.0, 6.0


@dataclass(frozen=True)
class BagLabel:
    """One label, lengths in hundredths of a mm from its upper left corner."""

    x: str
    y: str
    width: str
    height: str
    tag: Line
    line: Line


@dataclass(frozen=True)
class BagSheet:
    """`width_mm` and `height_mm` of the paper, the same in hundredths, and the labels on it."""

    width_mm: Decimal
    height_mm: Decimal
    width: str
    height: str
    labels: list[BagLabel]


def draw_bag_labels(
    tags: Sequence[str], under: str, sheet: LabelSheet, *, first_label: int = 1
) -> list[BagSheet]:
    """Return the sheets that hold a label for each tag in its order, leaving free those before `first_label`.

    `under` stands small under every tag, the same on all: whatever differed between them could tell them apart.
    """
    places = sheet.places()
    sheets: dict[int, list[BagLabel]] = {}
    for number, tag in enumerate(tags, start=first_label - 1):
        page, place = divmod(number, len(places))
        sheets.setdefault(page, []).append(_label(tag, under, sheet, places[place]))
    width, height = sheet.paper.width_mm, sheet.paper.height_mm - SHORTER_MM
    return [BagSheet(width, height, mm(width), mm(height), drawn) for drawn in sheets.values()]


def _label(tag: str, under: str, sheet: LabelSheet, place: tuple[Decimal, Decimal]) -> BagLabel:
    width, height = float(sheet.width_mm), float(sheet.height_mm)
    room = width - 2 * EDGE_MM
    size = min(TAG_HEIGHT * height, room / (len(tag) * FIXED_WIDTH), LARGEST_TAG_MM)
    tag_y = min(EDGE_MM, 0.1 * height) + 0.8 * size
    line_size = min(LINE_HEIGHT * height, LARGEST_LINE_MM)
    x = mm(EDGE_MM)
    return BagLabel(
        x=mm(place[0]),
        y=mm(place[1]),
        width=mm(width),
        height=mm(height),
        tag=Line(tag, x, x, mm(tag_y), mm(size)),
        line=fitted_line(under, EDGE_MM, tag_y + line_size + GAP * height, line_size, room, sign=False),
    )
