"""Where results stand along time, depth or stations, before anything is drawn: plain places, ends and words."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from prospecting.calc.day_words import short_month
from prospecting.calc.language import phrase
from prospecting.calc.zone_grade import Result


@dataclass(frozen=True)
class Spot:
    """A result with its place along the foot of the picture: where it stands, and from where to where it reaches."""

    result: Result
    at: float
    first: float
    last: float


@dataclass(frozen=True)
class Foot:
    """What runs to the right: its ends, the (place, words) to be written below, and what it is; whether days."""

    low: float
    high: float
    ticks: Sequence[tuple[float, str]]
    caption: str
    is_days: bool = False


@dataclass(frozen=True)
class MeanPoint:
    """The running mean at one place, with its interval where it is known; g/t."""

    at: float
    mean_g_per_t: float
    low_g_per_t: float | None
    high_g_per_t: float | None


@dataclass(frozen=True)
class GradePicture:
    """All that a picture of a zone's grade is drawn from: `lines` the running mean of each kind, `breaks` where the method
    changed."""

    spots: Sequence[Spot]
    foot: Foot
    lines: Mapping[str, Sequence[MeanPoint]] = field(default_factory=dict)
    breaks: Sequence[float] = ()


def day_spot(result: Result) -> Spot:
    days = (result.day, result.first_day, result.last_day)
    return Spot(result, *(day.toordinal() for day in days))


def days_foot(first: datetime.date, last: datetime.date) -> Foot:
    """Days to the right, the first and the last written out, and one between where there is room for it."""
    days = [first] if first == last else [first, last]
    ticks = [(day.toordinal(), _day_text(day)) for day in days]
    if (last - first).days >= 3:
        middle = first + (last - first) // 2
        words = phrase("{day} {month}", day=middle.day, month=short_month(middle))
        ticks.insert(1, (middle.toordinal(), words))
    return Foot(first.toordinal(), last.toordinal(), ticks, phrase("day dug"), is_days=True)


def _day_text(day: datetime.date) -> str:
    return phrase("{day} {month} {year}", day=day.day, month=short_month(day), year=day.year)
