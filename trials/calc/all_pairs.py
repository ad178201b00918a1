"""Every treatment against every other; not for the question "better than plain water?", which it answers less surely."""

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from trials.calc.equivalence import summarise
from trials.calc.levels import check_level
from trials.calc.variance import one_way


@dataclass(frozen=True)
class Pair:
    """Second minus first of two treatments; p and interval adjusted for all pairs."""

    first: Hashable
    second: Hashable
    difference: float
    p_adjusted: float
    df: float
    lower: float
    upper: float


def tukey(groups: Mapping[Hashable, Sequence[float]], confidence: float = 0.95) -> list[Pair]:
    """Return all pairs judged by the studentised range, equal spread supposed (Tukey; Kramer 1956 for unequal numbers).

    >>> [pair.p_adjusted < 0.05 for pair in tukey({"a": [1.0, 1.1, 0.9], "b": [2.0, 2.1, 1.9]})]
    [True]
    """
    whole = one_way(groups)
    return _pairs(groups, confidence, lambda a, b: (whole.ms_within * (1 / a.n + 1 / b.n), whole.df_within))


def games_howell(groups: Mapping[Hashable, Sequence[float]], confidence: float = 0.95) -> list[Pair]:
    """Return all pairs when spreads may differ: each pair its own error and Welch degrees of freedom."""

    def error(a, b):
        of_a, of_b = a.sd**2 / a.n, b.sd**2 / b.n
        return of_a + of_b, (of_a + of_b) ** 2 / (of_a**2 / (a.n - 1) + of_b**2 / (b.n - 1))

    return _pairs(groups, confidence, error)


def _pairs(groups, confidence, error) -> list[Pair]:
    from scipy.stats import studentized_range

    check_level("confidence", confidence)
    summaries = {name: summarise(values) for name, values in groups.items()}
    found = []
    for first, second in combinations(groups, 2):
        variance, df = error(summaries[second], summaries[first])
        if variance == 0:
            raise ValueError(
                f"{first} and {second}: all runs are the same, so there is no spread to judge by."
            )
        difference = summaries[second].mean - summaries[first].mean
        # The range counts a difference in units of sqrt(variance / 2).
        unit = math.sqrt(variance / 2)
        p = float(studentized_range.sf(abs(difference) / unit, len(groups), df))
        half = float(studentized_range.ppf(confidence, len(groups), df)) * unit
        found.append(Pair(first, second, difference, p, df, difference - half, difference + half))
    return found
