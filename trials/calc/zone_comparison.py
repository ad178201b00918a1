"""One zone's digs against another's: which is richer, how sure, and what so few digs could have seen at all.

The unit is a dig. Ranks decide, by Mann and Whitney's exact count, so that no shape of the grades need be believed in, one
nugget sways little, and a grade below its limit is kept as two bounds. Sources, cited from memory: H. B. Mann and D. R. Whitney,
Annals of Mathematical Statistics 18 (1947) 50; J. L. Hodges and E. L. Lehmann, the same 34 (1963) 598 (the ratio and its
interval) and 27 (1956) 324 (ranks do the work of 3/pi as many digs when logarithms are normal).
"""

import math
import statistics
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from prospecting.calc.trend import inversion_counts
from trials.calc.levels import check_level
from trials.calc.power import detectable_ratio_for
from trials.calc.simultaneous import t_quantile

Kind = Literal["better", "equivalent", "not shown"]
POWER = 0.8
LEVEL = 0.95
# Orders are counted one by one for so many digs of both zones; beyond, the normal curve is close enough.
EXACT_UP_TO = 60
EFFICIENCY = 3 / math.pi
MOST_DIGS = 200


@dataclass(frozen=True)
class DigGrade:
    """A dig's grade in g/t, between two bounds; `high` is infinite where it lies above its method's limit."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        return self.low if math.isinf(self.high) else (self.low + self.high) / 2


@dataclass(frozen=True)
class ZonePair:
    """How many times as rich a dig of the first zone is as one of the second, to be read with its interval.

    `lower` and `upper` hold at `level` for all pairs compared together (0 and infinite where there is no limit; None where no
    order of so few digs could be shown). The inner limits are those of equivalence. `wins` of `pairs_of_digs` are pairs, a dig
    from each zone, in which the first zone's is the richer, ties half. `seen_ratio` is what would have been seen 8 times in
    10, `digs_needed` of each zone what it takes to see the margin; None where the digs cannot tell.
    """

    kind: Kind
    first_digs: int
    second_digs: int
    ratio: float
    lower: float | None
    upper: float | None
    inner_lower: float | None
    inner_upper: float | None
    level: float
    margin: float
    wins: float
    seen_ratio: float | None
    digs_needed: int | None
    fewest_digs: int

    @property
    def pairs_of_digs(self) -> int:
        return self.first_digs * self.second_digs

    @property
    def within_margin(self) -> bool:
        return _inside(self.inner_lower, self.inner_upper, self.margin)


def compare_zones(
    first: Sequence[DigGrade], second: Sequence[DigGrade], margin: float, *, compared: int = 1
) -> ZonePair:
    """Return what the digs of two zones show of each other.

    Parameters
    ----------
    first, second : sequences of DigGrade, each of 1 or more
        One per independent dig, of one kind (pans or assays). No dig raises ValueError.
    margin : float, above 1
        Up to so many times as rich, either way, counts as equal.
    compared : int
        How many pairs of zones are looked at together: the 5 % is shared out over them.

    Notes
    -----
    Of the m n ratios between a dig of each zone in order, the limits are the c-th from either end, c the largest for which
    chance puts fewer than c of them on one side in at most alpha/2. Bounds widen the limits to hold whatever the digs hold.
    When the zones do not differ (grades drawn from one and the same spread), "richer" is said of either in at most 5 %.

    >>> rich, poor = ([DigGrade(g, g) for g in grades] for grades in ([9, 12, 15, 20, 30], [1, 2, 3, 4, 5]))
    >>> found = compare_zones(rich, poor, 1.5)
    >>> found.kind, round(found.ratio, 1), round(found.lower, 1), round(found.upper, 1)
    ('better', 6.0, 2.4, 15.0)
    """
    if not first or not second:
        raise ValueError("A zone without a dig cannot be compared.")
    if not (margin > 1 and math.isfinite(margin)) or compared < 1:
        raise ValueError(f"margin {margin} for {compared} pairs: above 1, for one pair or more.")
    least, most = _log_ratios(first, second)
    alpha = (1 - LEVEL) / compared
    lower, upper = _limits(least, most, _critical(len(first), len(second), alpha))
    inner = _limits(least, most, _critical(len(first), len(second), 2 * alpha))
    if lower is not None and lower > 1:
        kind: Kind = "better"
    elif _inside(*inner, margin):
        kind = "equivalent"
    else:
        kind = "not shown"
    fewest = fewest_digs(alpha)
    sd_log = _spread_of_logs(first, second)
    return ZonePair(
        kind=kind,
        first_digs=len(first),
        second_digs=len(second),
        ratio=_middle_ratio(first, second),
        lower=lower,
        upper=upper,
        inner_lower=inner[0],
        inner_upper=inner[1],
        level=LEVEL,
        margin=margin,
        wins=_wins(first, second),
        seen_ratio=_seen(sd_log, len(first), len(second), alpha) if lower is not None else None,
        digs_needed=_digs_needed(sd_log, margin, alpha, fewest),
        fewest_digs=fewest,
    )


def looks_richer(first: Sequence[DigGrade], second: Sequence[DigGrade]) -> bool:
    """Return whether the first zone's digs look at least as rich as the second's, by the ratio of a typical pair."""
    return _middle_ratio(first, second) >= 1


def fewest_digs(alpha: float = 1 - LEVEL) -> int:
    """Return the fewest digs of each zone with which the clearest order, all of one above all of the other, would be shown.

    >>> fewest_digs(), fewest_digs(0.05 / 3)
    (4, 5)
    """
    check_level("alpha", alpha)
    digs = 1
    while 2 / math.comb(2 * digs, digs) > alpha:
        digs += 1
    return digs


@lru_cache(maxsize=512)
def _critical(m: int, n: int, alpha: float) -> int:
    """The place from either end of the ordered ratios at which the limit stands; 0 where even the ends are too near."""
    if m + n > EXACT_UP_TO:
        middle, sd = m * n / 2, math.sqrt(m * n * (m + n + 1) / 12)
        return max(0, math.floor(middle - t_quantile(1 - alpha / 2, math.inf) * sd))
    orders = inversion_counts([m, n])
    allowed, counted, place = alpha / 2 * sum(orders), 0, 0
    for number in orders:
        counted += number
        if counted > allowed:
            return place
        place += 1
    return place


def _log_ratios(first: Sequence[DigGrade], second: Sequence[DigGrade]) -> tuple[list[float], list[float]]:
    """The logarithms of all ratios between a dig of each zone in order: the least and the most they can be."""
    least = sorted(_log_ratio(a.low, b.high, -math.inf) for a in first for b in second)
    most = sorted(_log_ratio(a.high, b.low, math.inf) for a in first for b in second)
    return least, most


def _log_ratio(above: float, below: float, unknown: float) -> float:
    if 0 < above < math.inf and 0 < below < math.inf:
        return math.log(above / below)
    if (above == 0 and below == 0) or (math.isinf(above) and math.isinf(below)):
        return unknown
    if above == 0 or math.isinf(below):
        return -math.inf
    return math.inf


def _limits(least: list[float], most: list[float], place: int) -> tuple[float | None, float | None]:
    if place == 0:
        return None, None
    return math.exp(least[place - 1]), _exp(most[-place])


def _middle_ratio(first: Sequence[DigGrade], second: Sequence[DigGrade]) -> float:
    """Hodges and Lehmann's estimate: the median of all ratios, each of middles; a pair of noughts counts as alike."""
    ones, others = ([dig.middle for dig in digs] for digs in (first, second))
    return _exp(statistics.median(_log_ratio(a, b, 0.0) for a in ones for b in others))


def _wins(first: Sequence[DigGrade], second: Sequence[DigGrade]) -> float:
    """In how many pairs the first zone's dig is the richer, ties half."""
    others = sorted(dig.middle for dig in second)
    return sum((bisect_left(others, dig.middle) + bisect_right(others, dig.middle)) / 2 for dig in first)


def _spread_of_logs(first: Sequence[DigGrade], second: Sequence[DigGrade]) -> float | None:
    """The standard deviation of ln grade within the zones; None where it is not known."""
    squares, df = 0.0, 0
    for digs in (first, second):
        logs = [math.log(dig.middle) for dig in digs if dig.middle > 0]
        if len(logs) > 1:
            squares, df = squares + statistics.variance(logs) * (len(logs) - 1), df + len(logs) - 1
    return math.sqrt(squares / df) if df and squares > 0 else None


def _seen(sd_log: float | None, m: int, n: int, alpha: float) -> float | None:
    """What ratio between the zones would have been shown 8 times in 10; as for Student's t with 3/pi as many digs."""
    df = m + n - 2
    if sd_log is None or df < 1:
        return None
    se = sd_log * math.sqrt((1 / m + 1 / n) / EFFICIENCY)
    ratio = detectable_ratio_for(se, t_quantile(1 - alpha / 2, df), df, POWER)
    return ratio if math.isfinite(ratio) else None


def _digs_needed(sd_log: float | None, margin: float, alpha: float, fewest: int) -> int | None:
    """The digs of each zone that would show the margin 8 times in 10; None past MOST_DIGS or with no spread known."""
    if sd_log is None:
        return None

    def enough(digs: int) -> bool:
        seen = _seen(sd_log, digs, digs, alpha)
        return seen is not None and seen <= margin

    if not enough(MOST_DIGS):
        return None
    low, high = fewest - 1, MOST_DIGS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _inside(lower: float | None, upper: float | None, margin: float) -> bool:
    return lower is not None and upper is not None and 1 / margin < lower and upper < margin


def _exp(log_ratio: float) -> float:
    return math.inf if log_ratio > 700 else math.exp(log_ratio)
