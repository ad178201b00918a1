"""Whether grades rise or fall with time, and by how much: Mann-Kendall and Sen, which no single rich value can sway.

Loads numpy and scipy.special; import it inside the function that needs it. Sources, cited from memory: R. O. Gilbert,
Statistical Methods for Environmental Pollution Monitoring (1987), chapters 16 and 17; M. G. Kendall, Rank Correlation Methods;
P. K. Sen, Journal of the American Statistical Association 63 (1968) 1379.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import erfc, ndtri

from prospecting.calc.checks import checked_pairs
from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.sampling import Interval

# All orders are counted up to so many results; Gilbert (1987) asks for it up to 10, where the approximation is rough.
EXACT_UP_TO = 50
# Beyond this the pairs fill the memory of a small computer, and results so many are hardly independent.
MOST_RESULTS = 3000
EXACT, NORMAL = to_phrase("exact"), to_phrase("normal approximation")


@dataclass(frozen=True)
class MannKendall:
    """S, the pairs that rise less those that fall, with its chance if the order meant nothing.

    `tau_a` is S over all pairs, `tau_b` over those that could rise or fall; without ties they are one. `p_exact` is None
    beyond EXACT_UP_TO results, and where both times and values are tied, which leaves no simple count. `p_two_sided` is the
    exact chance where there is one; `method` says which.
    """

    results: int
    s: int
    variance: float
    z: float
    tau_a: float
    tau_b: float
    p_normal: float
    p_exact: float | None

    @property
    def method(self) -> str:
        return NORMAL if self.p_exact is None else EXACT

    @property
    def pairs(self) -> int:
        return self.results * (self.results - 1) // 2

    @property
    def rising_pairs(self) -> int:
        """Pairs that rise, with half of those that tie."""
        return round((self.pairs + self.s) / 2)

    @property
    def p_two_sided(self) -> float:
        return self.p_normal if self.p_exact is None else self.p_exact


@dataclass(frozen=True)
class SenSlope:
    """Median slope of all pairs, per unit of time; a limit the pairs do not reach is infinite."""

    slope: float
    interval: Interval


def mann_kendall(time: Sequence[float], value: Sequence[float]) -> MannKendall:
    """Return whether values rise or fall with time, by the signs of all pairs.

    Parameters
    ----------
    time, value : sequence of float, shape (n,), n at least 3
        In any order, up to MOST_RESULTS. A missing value, or times or values that are all alike, raise ValueError. Results below
        one common limit may all be given as that limit: they tie.

    Notes
    -----
    S = sum sign(v_j - v_i) over pairs in time; var S = [n(n-1)(2n+5) - sum t(t-1)(2t+5)]/18 over ties of the values, with
    Kendall's further terms where times are tied too; z = (S -+ 1)/sqrt(var S). The exact chance counts all orders: with ties
    on one side the falling pairs are the inversions of a multiset, counted by the Gaussian multinomial coefficient. Supposes
    independent results: portions of one dig are not.

    >>> found = mann_kendall([1, 2, 3, 4, 5, 6, 7, 8], [10, 22, 21, 30, 22.5, 40, 38, 45])
    >>> found.s, round(found.p_two_sided, 4), found.method
    (22, 0.0055, 'exact')
    >>> found.rising_pairs, found.pairs
    (25, 28)
    """
    times, values = (np.array(side) for side in checked_pairs(time, value, "time", "value", at_least=3))
    for side, name in ((times, to_phrase("time")), (values, to_phrase("value"))):
        if np.ptp(side) == 0:
            raise ValueError(
                phrase(
                    "{name} is {value} throughout: nothing can rise or fall.",
                    name=phrase(name),
                    value=numeral(side[0], "g"),
                )
            )
    n = len(times)
    if n > MOST_RESULTS:
        raise ValueError(
            phrase(
                "{number} results are too many to pair: take means by day or dig, up to {most}.",
                number=n,
                most=MOST_RESULTS,
            )
        )
    first, second = np.triu_indices(n, 1)
    s = int(np.sum(np.sign(times[second] - times[first]) * np.sign(values[second] - values[first])))
    time_ties, value_ties = (list(Counter(side.tolist()).values()) for side in (times, values))
    variance = _variance(n, time_ties, value_ties)
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s else 0.0
    pairs = n * (n - 1) / 2
    untied = [pairs - sum(t * (t - 1) / 2 for t in ties) for ties in (time_ties, value_ties)]
    return MannKendall(
        results=n,
        s=s,
        variance=variance,
        z=z,
        tau_a=s / pairs,
        tau_b=s / math.sqrt(untied[0] * untied[1]),
        p_normal=float(erfc(abs(z) / math.sqrt(2))),
        p_exact=_exact_chance(s, time_ties, value_ties),
    )


def sen_slope(time: Sequence[float], value: Sequence[float], level: float = 0.95) -> SenSlope:
    """Return the median slope of all pairs of results at different times, with its interval.

    Parameters
    ----------
    time, value : sequence of float, shape (n,), n at least 3
        As in `mann_kendall`.
    level : float
        Confidence of the interval.

    Notes
    -----
    Gilbert (1987), chapter 16: of N slopes in order the limits are those of the ranks (N - C)/2 and (N + C)/2 + 1, C = z
    sqrt(var S), read between two neighbours in proportion. With very few results the ranks lie outside and the limits are
    infinite.

    >>> sen_slope([1, 2, 3, 4], [1.0, 2.0, 3.5, 4.0]).slope
    1.0
    """
    if not 0 < level < 1:
        raise ValueError(f"A confidence level lies between 0 and 1, not {level}.")
    variance = mann_kendall(time, value).variance
    times, values = (np.array(side) for side in checked_pairs(time, value, "time", "value"))
    first, second = np.triu_indices(len(times), 1)
    apart = times[second] != times[first]
    first, second = first[apart], second[apart]
    slopes = np.sort((values[second] - values[first]) / (times[second] - times[first]))
    spread = float(ndtri((1 + level) / 2)) * math.sqrt(variance)
    low = _at_rank(slopes, (len(slopes) - spread) / 2)
    high = _at_rank(slopes, (len(slopes) + spread) / 2 + 1)
    return SenSlope(float(np.median(slopes)), Interval(low, high, level))


def _variance(n: int, time_ties: Sequence[int], value_ties: Sequence[int]) -> float:
    def triple(t: int) -> int:
        return t * (t - 1) * (2 * t + 5)

    def summed(ties: Sequence[int], term) -> int:
        return sum(term(t) for t in ties)

    plain = (triple(n) - summed(time_ties, triple) - summed(value_ties, triple)) / 18
    threes = summed(time_ties, lambda t: t * (t - 1) * (t - 2)) * summed(
        value_ties, lambda t: t * (t - 1) * (t - 2)
    )
    twos = summed(time_ties, lambda t: t * (t - 1)) * summed(value_ties, lambda t: t * (t - 1))
    return plain + threes / (9 * n * (n - 1) * (n - 2)) + twos / (2 * n * (n - 1))


def _exact_chance(s: int, time_ties: Sequence[int], value_ties: Sequence[int]) -> float | None:
    """Chance of |S| at least so large when all orders are equally likely; None with ties on both sides."""
    if sum(time_ties) > EXACT_UP_TO or (max(time_ties) > 1 and max(value_ties) > 1):
        return None
    ties = value_ties if max(value_ties) > 1 else time_ties
    orders = inversion_counts(ties)
    pairs = len(orders) - 1
    # So many untied pairs, of which i fall: S is pairs - 2 i.
    extreme = sum(orders[i] for i in range(pairs + 1) if abs(pairs - 2 * i) >= abs(s))
    return extreme / sum(orders)


def inversion_counts(groups: Sequence[int]) -> list[int]:
    """How many orders of a multiset with these group sizes have 0, 1, 2, ... inversions, as exact whole numbers.

    The Gaussian multinomial coefficient, built group by group: each element added multiplies by (1 - q^place) and divides by
    (1 - q^rank in its group).
    """
    counts, placed = [1], 0
    for size in groups:
        for rank in range(1, size + 1):
            placed += 1
            longer = counts + [0] * placed
            for i in range(len(longer) - 1, placed - 1, -1):
                longer[i] -= longer[i - placed]
            for i in range(rank, len(longer)):
                longer[i] += longer[i - rank]
            counts = longer[: len(longer) - rank]
    return counts


def _at_rank(ordered: np.ndarray, rank: float) -> float:
    """The value at a rank counted from 1, between neighbours in proportion; infinite outside the values there are."""
    if rank < 1:
        return -math.inf
    if rank > len(ordered):
        return math.inf
    return float(np.interp(rank, np.arange(1, len(ordered) + 1), ordered))
