"""Old lists taken in: what the books know of their buckets, how one with the same titles was read before, what came of one."""

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models.functions import Lower

from prospecting.models import Lot, OldSheet, Step
from trials.calc.old_sheets import UNNAMED
from trials.models import Run

LINES_A_PAGE = 100
LOOKED_BACK = 50


@dataclass(frozen=True)
class CameOf:
    """What came of one line: its bucket, its pan, or why neither."""

    line: int
    bucket: Lot | None = None
    pan: Run | None = None
    why_not: str = ""


def buckets_on_books(zone_ids: Iterable[int], names: Iterable[str]) -> dict[tuple[str, str], str]:
    """The code of each standing bucket called so in one of these zones, by the zone's number and the name, both as text."""
    rows = (
        Lot.objects.standing()
        .of_kind(Lot.Kind.BUCKET)
        .annotate(folded=Lower("title"))
        .filter(folded__in={name.lower() for name in names}, made_by__dig__zone__in=set(zone_ids))
        .values_list("made_by__dig__zone_id", "title", "code")
    )
    return {(str(zone_id), title.casefold()): code for zone_id, title, code in rows}


def unnamed_on_books(
    zone_ids: Iterable[int], days: Iterable[datetime.date]
) -> dict[tuple[str, datetime.date, Decimal], str]:
    """The code of each standing bucket that an old list gave no name, by the zone's number as text, its day and its mass in g."""
    rows = (
        Lot.objects.standing()
        .of_kind(Lot.Kind.BUCKET)
        .filter(made_by__old_sheet__isnull=False, title__startswith=UNNAMED)
        .filter(made_by__dig__zone__in=set(zone_ids), made_by__done_on__in=set(days))
        .values_list("made_by__dig__zone_id", "made_by__done_on", "mass_g", "code")
    )
    return {(str(zone_id), day, mass_g): code for zone_id, day, mass_g, code in rows}


def read_before(titles: Sequence[str]) -> OldSheet | None:
    """The last list with the same titles, whose reading is proposed anew."""
    folded = [title.casefold() for title in titles]
    for sheet in OldSheet.objects.order_by("-pk")[:LOOKED_BACK]:
        if [str(title).casefold() for title in sheet.columns.get("titles", [])] == folded:
            return sheet
    return None


def lines_of(sheet: OldSheet) -> list[int]:
    """The numbers of the lines something is known of, in their order."""
    pans = Step.objects.filter(old_sheet=sheet, kind=Step.Kind.RECOVER)
    numbers = {*sheet.columns.get("buckets", {}).values(), *map(int, sheet.columns.get("left_out", {}))}
    return sorted(numbers | set(pans.values_list("old_sheet_line", flat=True)))


def came_of(sheet: OldSheet, numbers: Sequence[int]) -> list[CameOf]:
    """What came of these lines."""
    wanted = set(numbers)
    codes: Mapping[str, int] = {
        code: line for code, line in sheet.columns.get("buckets", {}).items() if line in wanted
    }
    buckets = {codes[lot.code]: lot for lot in Lot.objects.filter(code__in=codes).select_related("made_by")}
    runs = Run.objects.filter(step__old_sheet=sheet, step__old_sheet_line__in=wanted)
    pans = {
        run.step.old_sheet_line: run for run in runs.select_related("step", "lot").prefetch_related("colours")
    }
    left_out = sheet.columns.get("left_out", {})
    return [
        CameOf(number, buckets.get(number), pans.get(number), left_out.get(str(number), ""))
        for number in numbers
    ]
