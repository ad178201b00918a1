"""How the tubs of a clearing test cleared: readings against minutes, a line and a label for each tub, the target across."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.charts.tick import Tick

WIDTH, HEIGHT = 360.0, 260.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 292.0, 28.0, 206.0
# Lines told apart by their pattern (site.css); beyond these the label at the end tells.
PATTERNS = ("stroke-b", "stroke-c", "stroke-d")
CONTROL_PATTERN = "stroke-a"
LINE_HEIGHT, LONGEST_LABEL = 15.0, 9
ARROW = 9.0


class LookAt(Protocol):
    minutes: float
    value: float
    beyond: bool


class Drawn(Protocol):
    """What the picture needs of a tub."""

    label: str
    is_control: bool
    looks: Sequence[LookAt]


@dataclass(frozen=True)
class Dot:
    x: float
    y: float
    title: str
    arrow: str


@dataclass(frozen=True)
class Line:
    """One tub: the way through its readings, and its name at the end."""

    points: str
    css: str
    dots: Sequence[Dot]
    label: str
    label_y: float


@dataclass(frozen=True)
class ClearingChart:
    """Everything the picture is drawn from, in units of its own frame."""

    lines: Sequence[Line]
    minutes: Sequence[Tick]
    values: Sequence[Tick]
    target_y: float | None
    target_text: str
    title: str
    unit: str
    has_beyond: bool
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = RIGHT
    bottom: float = BOTTOM
    label_x: float = RIGHT + 6


def clearing_chart(
    tubs: Sequence[Drawn], *, unit: str, target: float | None, title: str, rises: bool
) -> ClearingChart | None:
    """Return the picture of these tubs; None where nothing was read. Minutes to the right, readings upward from zero."""
    read = [tub for tub in tubs if tub.looks]
    if not read:
        return None
    highest = max([look.value for tub in read for look in tub.looks] + ([float(target)] if target else []))
    latest = max(look.minutes for tub in read for look in tub.looks)
    value_step, minute_step = round_step(highest, 5), round_step(latest, 5)
    top = value_step * max(math.ceil(round(highest / value_step, 6)), 1)
    end = minute_step * max(math.ceil(round(latest / minute_step, 6)), 1)

    def place(look: LookAt) -> tuple[float, float]:
        x = LEFT + look.minutes / end * (RIGHT - LEFT)
        return round(x, 1), round(BOTTOM - look.value / top * (BOTTOM - TOP), 1)

    ends = _apart([place(tub.looks[-1])[1] for tub in read])
    treated = [tub for tub in read if not tub.is_control]
    lines = []
    for tub, label_y in zip(read, ends, strict=True):
        css = CONTROL_PATTERN if tub.is_control else PATTERNS[treated.index(tub) % len(PATTERNS)]
        places = [place(look) for look in tub.looks]
        lines.append(
            Line(
                points=" ".join(f"{x},{y}" for x, y in places),
                css=css,
                dots=[_dot(tub, look, *at, unit) for look, at in zip(tub.looks, places, strict=True)],
                label=_short(tub.label),
                label_y=label_y,
            )
        )
    return ClearingChart(
        lines=lines,
        minutes=[
            Tick(round(LEFT + n * minute_step / end * (RIGHT - LEFT), 1), numeral(n * minute_step, "g"))
            for n in range(round(end / minute_step) + 1)
        ],
        values=[
            Tick(round(BOTTOM - n * value_step / top * (BOTTOM - TOP), 1), numeral(n * value_step, "g"))
            for n in range(round(top / value_step) + 1)
        ],
        target_y=None if target is None else round(BOTTOM - float(target) / top * (BOTTOM - TOP), 1),
        target_text=""
        if target is None
        else phrase("clear enough above")
        if rises
        else phrase("clear enough below"),
        title=title,
        unit=unit,
        has_beyond=any(look.beyond for tub in read for look in tub.looks),
    )


def _dot(tub: Drawn, look: LookAt, x: float, y: float, unit: str) -> Dot:
    arrow = f"M{x} {y - 4}V{y - ARROW - 3}M{x - 3} {y - ARROW}L{x} {y - ARROW - 3}L{x + 3} {y - ARROW}"
    parts = {
        "tub": tub.label,
        "value": numeral(look.value, "g"),
        "unit": unit,
        "minutes": numeral(look.minutes, "g"),
    }
    told = (
        phrase("{tub}: more than {value} {unit} at {minutes} min", **parts)
        if look.beyond
        else phrase("{tub}: {value} {unit} at {minutes} min", **parts)
    )
    return Dot(
        x,
        y,
        told,
        arrow if look.beyond else "",
    )


def _apart(heights: Sequence[float]) -> list[float]:
    """Where labels stand that would lie on each other: moved down from the top one on, and back up from the frame's end.

    >>> _apart([100.0, 102.0, 40.0])
    [100.0, 115.0, 40.0]
    """
    placed = dict.fromkeys(range(len(heights)), 0.0)
    order = sorted(placed, key=lambda number: heights[number])
    at = -math.inf
    for number in order:
        at = placed[number] = max(heights[number], at + LINE_HEIGHT)
    lowest = BOTTOM
    for number in reversed(order):
        placed[number] = min(placed[number], lowest)
        lowest = placed[number] - LINE_HEIGHT
    return [round(placed[number], 1) for number in range(len(heights))]


def round_step(highest: float, most: int) -> float:
    """A round step (1, 2 or 5 times a power of ten) that makes at most so many up to the highest.

    >>> round_step(47, 5), round_step(0.9, 5), round_step(160, 5)
    (10.0, 0.2, 50.0)
    """
    if highest <= 0:
        return 1.0
    size = 10.0 ** math.floor(math.log10(highest / most))
    return next(step for step in (size, 2 * size, 5 * size, 10 * size) if highest / step <= most + 1e-9)


def _short(label: str) -> str:
    return label if len(label) <= LONGEST_LABEL else f"{label[: LONGEST_LABEL - 1]}…"
