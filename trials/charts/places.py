"""The picture of a verdict by places: one dot for each pan, most gold at the left, on an even scale of places."""

import math
from collections.abc import Iterable, Mapping, Sequence

from prospecting.calc.language import phrase
from trials.charts.verdict import (
    BAR_DROP,
    DOT_RADIUS,
    LABEL_DROP,
    LEFT,
    RIGHT,
    ROW_GAP,
    TOP,
    DrawnRow,
    Tick,
    VerdictChart,
    block_lines,
    shortened,
    spread_dots,
)

# Half a dot at either end, and room for the figures of the first and last place.
PAD = 8.0
MOST_TICKS = 10


def place_chart(
    places_of: Mapping[str, Sequence[tuple[float, int]]], *, caption: str, title: str, description: str
) -> VerdictChart | None:
    """Return where everything stands; None when no pan was placed.

    Parameters
    ----------
    places_of : mapping from a treatment's label to (place, block) of its pans, one for each block, in drawing order
        Places start at 1 and may lie between two when judges differ or pans are alike.
    """
    last = last_place(place for pans in places_of.values() for place, _ in pans)
    if last is None:
        return None

    def x_of(place: float) -> float:
        return round(LEFT + PAD + (place - 1) / (last - 1) * (RIGHT - LEFT - 2 * PAD), 1)

    rows, y = [], TOP
    for label, pans in places_of.items():
        in_order = sorted(pans)
        dots = spread_dots(
            [x_of(place) for place, _ in in_order], y + BAR_DROP, [block for _, block in in_order]
        )
        rows.append(
            DrawnRow(
                shortened(label),
                round(y + LABEL_DROP, 1),
                dots,
                None,
                "" if dots else phrase("no pan placed"),
            )
        )
        y = max([dot.y for dot in dots], default=y + BAR_DROP) + DOT_RADIUS + ROW_GAP
    return VerdictChart(
        bottom=round(y, 1),
        left=LEFT,
        rows=rows,
        ticks=[Tick(x_of(place), f"{place}") for place in place_ticks(last)],
        one_lines=[],
        band=None,
        below_x=None,
        below_text="",
        caption=caption,
        title=title,
        description=description,
        block_lines=block_lines(rows),
    )


def last_place(places: Iterable[float]) -> int | None:
    """Where the axis of these places ends; None without any."""
    last = max(places, default=None)
    # Were every pan alike, all would stand at one place.
    return None if last is None else max(2, math.ceil(last))


def place_ticks(last: int) -> range:
    return range(1, last + 1, math.ceil(last / MOST_TICKS))
