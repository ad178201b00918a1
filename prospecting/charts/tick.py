"""A mark on an axis, as every picture has it that is drawn with `at` along the axis."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Tick:
    """Where it stands, in units of the picture's frame, and what is written there."""

    at: float
    text: str
    anchor: str = "middle"
