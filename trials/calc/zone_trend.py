"""Whether a zone's digs rise or fall along time or depth: Mann-Kendall and Sen over digs, and what so few could have seen.

Loads numpy and scipy.special; import it inside the function that needs it. One value a dig: many pans of one dig are one place.
"""

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from prospecting.calc.sampling import Interval
from prospecting.calc.trend import MOST_RESULTS, mann_kendall, sen_slope
from trials.calc.power import detectable_ratio_for
from trials.calc.simultaneous import t_quantile

LEVEL = 0.95
POWER = 0.8
# Even a rise from each dig to the next comes by chance in 2 of n! orders: under 1 in 20 only from 5 on.
FEWEST_DIGS = 5

Kind = Literal["rises", "falls", "not shown", "too few"]


@dataclass(frozen=True)
class ZoneTrend:
    """What the digs show along time or depth. `slope` in g/t per unit with `interval`, whose ends may be infinite.

    `rising` of `pairs` are pairs of digs of which the later (deeper) is the richer, ties half. `seen_ratio` is how many times
    richer or poorer the last would have had to be than the first for this many digs to show it 8 times in 10; None where
    they cannot tell. `ties_below` digs lie at or below the highest limit and count as alike.
    """

    kind: Kind
    digs: int
    rising: int
    pairs: int
    slope: float | None = None
    interval: Interval | None = None
    seen_ratio: float | None = None
    ties_below: int = 0


def zone_trend(at: Sequence[float], grades: Sequence[float], is_below: Sequence[bool]) -> ZoneTrend:
    """Return whether the grades rise or fall along `at`.

    Parameters
    ----------
    at : sequence of float, shape (n,)
        Day or depth of each dig.
    grades : sequence of float, shape (n,)
        g/t; where `is_below`, the limit the dig lies below.
    is_below : sequence of bool, shape (n,)

    Notes
    -----
    What lies at or below the highest limit ties with it: of such digs nobody knows which is richer (D. R. Helsel, Statistics
    for Censored Environmental Data, 2012, from memory). Shown is what Mann-Kendall gives to chance in under 1 of 20. What
    could have been seen supposes lognormal grades about a straight line of their logarithms.

    >>> zone_trend([1, 2, 3, 4, 5, 6], [1.0, 2.0, 3.0, 5.0, 8.0, 9.0], [False] * 6).kind
    'rises'
    >>> zone_trend([1, 2, 3], [1.0, 2.0, 3.0], [False] * 3).kind
    'too few'
    """
    if not len(at) == len(grades) == len(is_below):
        raise ValueError("A place, a grade and a flag belong to each dig.")
    if len(at) > MOST_RESULTS:
        at, grades, is_below = at[-MOST_RESULTS:], grades[-MOST_RESULTS:], is_below[-MOST_RESULTS:]
    values, tied = _tied_below(grades, is_below)
    n = len(values)
    if n < FEWEST_DIGS or len(set(at)) < 3 or len(set(values)) < 2:
        return ZoneTrend("too few", n, 0, n * (n - 1) // 2, ties_below=tied)
    found = mann_kendall(at, values)
    slope = sen_slope(at, values, LEVEL)
    kind: Kind = "not shown"
    if found.p_two_sided < 1 - LEVEL:
        kind = "rises" if found.s > 0 else "falls"
    return ZoneTrend(
        kind, n, found.rising_pairs, found.pairs, slope.slope, slope.interval, _seen(at, values), tied
    )


def _tied_below(grades: Sequence[float], is_below: Sequence[bool]) -> tuple[list[float], int]:
    limits = [grade for grade, below in zip(grades, is_below, strict=True) if below]
    if not limits:
        return list(grades), 0
    highest = max(limits)
    return [max(grade, highest) for grade in grades], sum(grade <= highest for grade in grades)


def _seen(at: Sequence[float], values: Sequence[float]) -> float | None:
    """The change from the first to the last that least squares on logarithms would show 8 times in 10."""
    places, grades = np.array(at, dtype=float), np.array(values, dtype=float)
    if grades.min() <= 0 or len(grades) < 4:
        return None
    centred = places - places.mean()
    square = float(centred @ centred)
    logs = np.log(grades)
    left = logs - logs.mean() - centred * float(centred @ logs) / square
    df = len(grades) - 2
    sd = math.sqrt(float(left @ left) / df)
    if sd < 1e-9:
        return None
    se = sd / math.sqrt(square) * float(np.ptp(places))
    ratio = detectable_ratio_for(se, t_quantile((1 + LEVEL) / 2, df), df, POWER)
    return ratio if math.isfinite(ratio) else None


def in_months(days: Sequence[datetime.date]) -> list[float]:
    """Return days as months of 30 days from the first of them on.

    >>> in_months([datetime.date(2026, 5, 1), datetime.date(2026, 5, 31)])
    [0.0, 1.0]
    """
    first = min(days)
    return [(day - first).days / 30 for day in days]
