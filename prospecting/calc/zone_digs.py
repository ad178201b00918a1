"""One value a dig: what many pans and assays of the same dig say together, so that no dig speaks twice.

Pans of one dig are one place on one day. Whatever asks "how sure" (an interval, a trend, one zone against another) therefore
counts digs, and a lot blended of several digs counts once. Without numpy; `zone_columns` sums the results of each dig.
"""

import datetime
import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

from prospecting.calc.zone_grade import MeanGrade

# Shares are kept to twelve places; what lacks less of the whole than this is whole.
WHOLE = 1 - 1e-9


@dataclass(frozen=True, kw_only=True)
class DigValue:
    """What a dig's own pans, or its own assays, say of it; of digs known only blended with each other, what the blend says.

    Grades in g/t between two bounds, `high_g_per_t` None where a result lies above its method's limit. `weight_g` is the mass
    measured, `results` how many there were, `methods` how and by whom.
    """

    digs: frozenset[int]
    low_g_per_t: float
    high_g_per_t: float | None
    weight_g: float
    results: int
    day: datetime.date
    methods: frozenset[str]

    @property
    def is_below(self) -> bool:
        """Whether nothing was found in it but "below a limit"."""
        return self.low_g_per_t == 0 and self.high_g_per_t != 0

    @property
    def is_above(self) -> bool:
        return self.high_g_per_t is None

    @property
    def middle_g_per_t(self) -> float:
        """The middle of the bounds; the lower one where there is no upper one."""
        if self.high_g_per_t is None:
            return self.low_g_per_t
        return (self.low_g_per_t + self.high_g_per_t) / 2


@dataclass(frozen=True)
class RunningMean:
    """The mean of the digs up to one of them, in g/t, with its interval; None below three digs."""

    mean_g_per_t: float
    low_g_per_t: float | None
    high_g_per_t: float | None


@dataclass(frozen=True)
class WithoutRichest:
    """The mean with all results and without the richest of them; `richest` is its place among the results."""

    richest: int
    all_of_them: MeanGrade
    without: MeanGrade

    @property
    def falls_by(self) -> float | None:
        """The part of the mean (of its lower bound) that goes with it; None where there is none."""
        if not self.all_of_them.low_g_per_t:
            return None
        return float(1 - self.without.low_g_per_t / self.all_of_them.low_g_per_t)


def independent_groups(
    digs: Sequence[frozenset[Hashable]], shares: Sequence[float]
) -> dict[frozenset[Hashable], list[int]]:
    """Return the groups of digs that speak for themselves, each with the places of the results that tell of it.

    Parameters
    ----------
    digs : sequence of frozenset, shape (n,)
        The zone's digs behind each result.
    shares : sequence of float, shape (n,)
        The part of the lot that came from them. A lot with material from elsewhere tells of no dig by itself: left out.

    Notes
    -----
    Results of a single dig tell of that dig. A blend tells of its digs only where none of them has a result of its own, and
    blends that have a dig in common are one group; else one dig would count twice.

    >>> one, two, three = frozenset({1}), frozenset({2, 3}), frozenset({3, 4})
    >>> independent_groups([one, two, three, frozenset({1, 2})], [1, 1, 1, 1])
    {frozenset({1}): [0], frozenset({2, 3, 4}): [1, 2]}
    """
    groups: dict[frozenset[Hashable], list[int]] = {}
    blended: dict[frozenset[Hashable], list[int]] = {}
    for place, (behind, share) in enumerate(zip(digs, shares, strict=True)):
        if behind and share >= WHOLE:
            (groups if len(behind) == 1 else blended).setdefault(behind, []).append(place)
    alone = frozenset().union(*groups)
    for behind, places in _joined({key: places for key, places in blended.items() if not key & alone}):
        groups[behind] = places
    return groups


def running_means(values: Sequence[DigValue], t_of: Sequence[float]) -> list[RunningMean]:
    """Return the mean of the first one, two, three ... digs, each weighted by its mass, with its interval.

    Parameters
    ----------
    values : sequence of DigValue
        In the order they are to be added.
    t_of : sequence of float
        How many standard errors each way the interval reaches with so many digs (Student's t, one less degree of freedom):
        `t_of[2]` for three. Shorter than `values` or not, the last one holds for more.

    Notes
    -----
    Mean m = sum w x / sum w; its variance n/(n-1) sum w^2 (x - m)^2 / (sum w)^2, that of a ratio (W. G. Cochran, Sampling
    Techniques, 1977, chapter 6; from memory). Never below nothing. Few skewed grades make it too short on the high side.
    """
    found, w1, wx, w2, w2x, w2xx = [], 0.0, 0.0, 0.0, 0.0, 0.0
    for n, value in enumerate(values, start=1):
        w, x = value.weight_g, value.middle_g_per_t
        w1, wx, w2, w2x, w2xx = w1 + w, wx + w * x, w2 + w * w, w2x + w * w * x, w2xx + (w * x) ** 2
        mean = wx / w1
        if n < 3:
            found.append(RunningMean(mean, None, None))
            continue
        squares = max(0.0, w2xx - 2 * mean * w2x + mean * mean * w2)
        reach = t_of[min(n, len(t_of)) - 1] * math.sqrt(n / (n - 1) * squares) / w1
        found.append(RunningMean(mean, max(0.0, mean - reach), mean + reach))
    return found


def method_changes(methods: Sequence[frozenset[str]]) -> list[int]:
    """Return the places from which on nothing is done as it was just before: nobody the same, no laboratory the same.

    >>> method_changes([frozenset("a"), frozenset("ab"), frozenset("c"), frozenset("c")])
    [2]
    """
    return [
        place
        for place in range(1, len(methods))
        if methods[place] and not methods[place] & methods[place - 1]
    ]


def _joined(blends: dict[frozenset[Hashable], list[int]]) -> list[tuple[frozenset[Hashable], list[int]]]:
    """Blends that share a dig put together, directly or through others, in the order of their first result."""
    joined: list[tuple[frozenset[Hashable], list[int]]] = []
    for behind, places in blends.items():
        apart = []
        for other, others in joined:
            if other & behind:
                behind, places = other | behind, sorted(others + places)
            else:
                apart.append((other, others))
        joined = [*apart, (behind, places)]
    return joined
