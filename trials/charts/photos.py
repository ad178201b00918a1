"""Photos beside each other at one scale: each in a frame as wide as the widest, in millimetres of what it shows."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Protocol

from prospecting.calc.photo_scale import size_mm

# The bar drawn under each picture: the longest of these that takes at most a third of the width.
BARS_MM = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)


class Pictured(Protocol):
    """What has a photo: a run, or a judge's look at a row of pans."""

    photo: "object"


@dataclass(frozen=True)
class Framed:
    """One picture in its frame: the frame is as wide for all, and as high as the picture and its bar need."""

    subject: Pictured
    width_mm: Decimal
    height_mm: Decimal
    frame_height_mm: Decimal
    bar_y_mm: Decimal


@dataclass(frozen=True)
class SideBySide:
    """Pictures at one scale, and apart from them those whose scale nobody has said."""

    framed: Sequence[Framed]
    apart: Sequence[Pictured]
    frame_width_mm: Decimal
    bar_mm: int


def side_by_side(pictured: Sequence[Pictured]) -> SideBySide:
    """Return the frames of these pictures in the order given.

    >>> side_by_side([]).framed
    []
    """
    scaled = [one for one in pictured if one.photo.px_per_mm is not None]
    sizes = [
        tuple(size_mm(side, one.photo.px_per_mm) for side in (one.photo.width_px, one.photo.height_px))
        for one in scaled
    ]
    widest = max((width for width, _ in sizes), default=Decimal(0))
    room = widest / 20
    return SideBySide(
        framed=[
            Framed(one, width, height, height + room, height + room / 2)
            for one, (width, height) in zip(scaled, sizes, strict=True)
        ],
        apart=[one for one in pictured if one.photo.px_per_mm is None],
        frame_width_mm=widest,
        bar_mm=max((bar for bar in BARS_MM if bar * 3 <= widest), default=BARS_MM[0]),
    )
