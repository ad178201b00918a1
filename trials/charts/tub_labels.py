"""Labels for the tubs of a trial: the blind code large, its place in the order and its portion, and nothing of the key."""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.label_sheets import LabelSheet
from prospecting.charts.tags import FIXED_WIDTH, SHORTER_MM, Line, fitted_line, mm
from trials.models import PlannedRun, Trial

EDGE_MM = 2.0
# Shares of the label's height.
CODE_HEIGHT, LINE_HEIGHT, GAP = 0.44, 0.14, 0.08
LARGEST_CODE_MM, LARGEST_LINE_MM = 24.0, 6.0


@dataclass(frozen=True)
class Label:
    """One label, lengths in hundredths of a mm from its upper left corner."""

    x: str
    y: str
    width: str
    height: str
    code: Line
    lines: list[Line]


@dataclass(frozen=True)
class LabelPage:
    """`width_mm` and `height_mm` of the paper, the same in hundredths, and the labels on it."""

    width_mm: Decimal
    height_mm: Decimal
    width: str
    height: str
    labels: list[Label]


def draw_labels(
    planned_runs: Iterable[PlannedRun], trial: Trial, sheet: LabelSheet, *, first_label: int = 1
) -> list[LabelPage]:
    """Return the pages that hold a label for each planned run in order, leaving free those before `first_label`.

    Only what a panner may know of a run is read (`PlannedRunQuerySet.blind`).
    """
    places = sheet.places()
    pages: dict[int, list[Label]] = {}
    for number, planned in enumerate(planned_runs, start=first_label - 1):
        page, place = divmod(number, len(places))
        pages.setdefault(page, []).append(_label(planned, trial, sheet, places[place]))
    width, height = sheet.paper.width_mm, sheet.paper.height_mm - SHORTER_MM
    return [LabelPage(width, height, mm(width), mm(height), drawn) for drawn in pages.values()]


def label_lines(planned: PlannedRun, trial: Trial) -> list[str]:
    """What stands under the code: where the run stands in the order, and its portion."""
    order = f"Trial {trial.pk}, run {planned.run_order}"
    if trial.in_blocks:
        order += f", {'row' if trial.is_square else 'block'} {planned.block.number}"
    if trial.is_square:
        order += f", place {planned.position}"
    if trial.is_bridge:
        # The lot is the key: not even the portion may say it.
        return [order, f"{trial.portion_typed} of ore"]
    if planned.portion:
        return [order, f"{planned.portion.code}, number {planned.portion.portion_number}"]
    return [order, f"{trial.portion_typed} of {trial.feed_lot.code}"]


def _label(planned: PlannedRun, trial: Trial, sheet: LabelSheet, place: tuple[Decimal, Decimal]) -> Label:
    width, height = float(sheet.width_mm), float(sheet.height_mm)
    room = width - 2 * EDGE_MM
    size = min(CODE_HEIGHT * height, room / (len(planned.blind_code) * FIXED_WIDTH), LARGEST_CODE_MM)
    code_y = EDGE_MM + 0.8 * size
    line_size = min(LINE_HEIGHT * height, LARGEST_LINE_MM)
    step = line_size + GAP * height
    x = mm(EDGE_MM)
    return Label(
        x=mm(place[0]),
        y=mm(place[1]),
        width=mm(width),
        height=mm(height),
        code=Line(planned.blind_code, x, x, mm(code_y), mm(size)),
        lines=[
            fitted_line(text, EDGE_MM, code_y + number * step, line_size, room, sign=False)
            for number, text in enumerate(label_lines(planned, trial), start=1)
        ],
    )
