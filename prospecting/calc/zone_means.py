"""The mean grade of a zone's digs in several ways, each with what it takes for granted: plain, bootstrap, lognormal, censored.

Loads numpy and scipy; import it inside the function that needs it. One value a dig.
"""

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from prospecting.calc.censored import kaplan_meier, robust_ros, upper_share_above
from prospecting.calc.sampling import Interval
from prospecting.calc.skewed_grades import bootstrap_mean, land_limit, lognormal_mean

LEVEL = 0.95
FEWEST_FOR_INTERVAL = 3
FEWEST_FOR_LOGNORMAL = 3
# Same digs, same answer.
SEED = 20_261_130


@dataclass(frozen=True)
class MeansOfDigs:
    """Means in g/t over digs, each dig counting once; what the digs cannot give is None.

    `plain_low` counts what lies below a limit as nothing, `plain_high` as the limit. Without any such dig the lognormal
    estimates and the bootstrap stand, with some the two that keep limits as limits (Kaplan-Meier with what is left over at
    the smallest limit, and a line through the detected ones). Where all lie below there is no mean at all: `most_above_it` is
    then the one-sided upper limit of the share of such digs above `highest_limit`.
    """

    digs: int
    below: int
    plain_low: float
    plain_high: float
    median: float | None
    bootstrap: Interval | None = None
    lognormal: float | None = None
    land_upper: float | None = None
    kaplan_meier: float | None = None
    line_through_detects: float | None = None
    highest_limit: float | None = None
    most_above_it: float | None = None


def means_of_digs(grades: Sequence[float], is_below: Sequence[bool]) -> MeansOfDigs:
    """Return the means of these digs.

    Parameters
    ----------
    grades : sequence of float, shape (n,), n at least 1
        g/t; where `is_below`, the limit the dig lies below. None at all, or a grade below nothing, raises ValueError.
    is_below : sequence of bool, shape (n,)

    >>> found = means_of_digs([1.2, 0.4, 3.1, 0.9, 7.5, 0.6, 2.2, 1.5, 0.3, 14.0], [False] * 10)
    >>> round(found.plain_low, 2), round(found.lognormal, 2)
    (3.17, 2.98)
    """
    if not grades or min(grades) < 0 or len(grades) != len(is_below):
        raise ValueError(f"{len(grades)} grades for {len(is_below)} digs: one for each, none below nothing.")
    below = sum(is_below)
    plain = {
        "digs": len(grades),
        "below": below,
        "plain_low": statistics.fmean(
            0.0 if flag else grade for grade, flag in zip(grades, is_below, strict=True)
        ),
        "plain_high": statistics.fmean(grades),
        "median": _median(grades, is_below),
    }
    return MeansOfDigs(**plain, **(_censored(grades, is_below) if below else _whole(grades)))


def _median(grades: Sequence[float], is_below: Sequence[bool]) -> float | None:
    """The middle dig's grade; None where it lies below a limit, or may."""
    limits = [grade for grade, flag in zip(grades, is_below, strict=True) if flag]
    middle = statistics.median(grades)
    return middle if not limits or middle > max(limits) else None


def _whole(grades: Sequence[float]) -> dict:
    if len(grades) < FEWEST_FOR_INTERVAL or min(grades) == max(grades):
        return {}
    found = {"bootstrap": bootstrap_mean(grades, np.random.default_rng(SEED), level=LEVEL).bca}
    if len(grades) >= FEWEST_FOR_LOGNORMAL and min(grades) > 0:
        found["lognormal"] = lognormal_mean(grades).mean
        found["land_upper"] = land_limit(grades, LEVEL).limit
    return found


def _censored(grades: Sequence[float], is_below: Sequence[bool]) -> dict:
    detects = {grade for grade, flag in zip(grades, is_below, strict=True) if not flag}
    if not detects:
        return {"highest_limit": max(grades), "most_above_it": upper_share_above(0, len(grades), LEVEL)}
    found = {"kaplan_meier": kaplan_meier(grades, is_below).mean_leftover_at_smallest_limit}
    if len(detects) > 1 and min(grades) > 0:
        found["line_through_detects"] = robust_ros(grades, is_below).mean
    return found
