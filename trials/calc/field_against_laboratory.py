"""What was panned of lots set beside what was assayed of them: apparent recovery over lots, the chance in each figure, slips of
a unit, and what an assay may say after a pan.

The lot is the unit: several pans or assays of one lot make one figure of it. Panning catches free gold, fire assay counts all
of it, so nothing here is a calibration. Ratios are fractions. Student's quantile comes from scipy, imported where it is needed.
"""

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.sampling import Interval
from prospecting.calc.units import GRADE_G_PER_T

# Fewer lots give no interval worth the name; so many are asked for before a range is given for the next assay (our own limits;
# with 8 pairs that range is some 16 % wider than with very many).
FEWEST_LOTS, ENOUGH_LOTS = 3, 8
# A line through the lots says something of rich and poor ones only where there are so many, from so far apart, and where the
# assays' own error is a small part of how far they lie apart (our own limits).
LINE_LOTS, LINE_TIMES, LINE_ERROR_SHARE = 10, 4.0, 0.25
# Its interval leaves out one lot after the other: with more than these that takes too long for a page.
MOST_LINE_LOTS = 300
# Charges that hold fewer grains than this on average read low more often than high.
FEW_GRAINS = 3.0
# A ratio this near to a factor between units, after what is usual among the other lots, looks like a slip of that unit.
NEAR = 1.5


@dataclass(frozen=True)
class Bounds:
    """A lot's grade by one of the two ways, in g/t, between two bounds; `high` is None where nobody knows how far it goes."""

    low: float
    high: float | None

    @property
    def is_measured(self) -> bool:
        return self.low == self.high and self.low > 0

    @property
    def middle(self) -> float:
        """Where a picture puts it: the figure, or the limit that is known."""
        return self.low if self.high is None or self.is_measured else self.high


@dataclass(frozen=True)
class RatioOfMeans:
    """All that was panned over all that was assayed, each lot once.

    `low` and `high` are the ratio with what lies below a limit as nothing and as its limit, one where all was measured.
    `interval` holds both bounds' intervals; its `high` is infinite where the assays may hold nothing. None: no spread is known.
    """

    lots: int
    low: float
    high: float
    interval: Interval | None

    @property
    def is_exact(self) -> bool:
        return self.low == self.high


@dataclass(frozen=True)
class UnitSlip:
    """A factor between units that a ratio comes near to, and which slip makes it; `turned` where it is the pan that is low."""

    factor: float
    words: str
    turned: bool


# Factors between units, each with the slip that makes it.
SLIPS = (
    (10.0, to_phrase("a decimal point that slipped by one place")),
    (31.1, to_phrase("grams and troy ounces mixed up")),
    (float(GRADE_G_PER_T["ozt_per_short_ton"]), to_phrase("g/t and troy ounces per short ton mixed up")),
    (1000.0, to_phrase("ppb read as g/t, or milligrams as grams")),
)


def golds_mg(grades_g_per_t: Sequence[float | None], ores_g: Sequence[float]) -> list[float | None]:
    """Return the gold in mg that each ore holds at its grade; None where the grade is. A negative one raises ValueError.

    >>> golds_mg([4.0, None], [30.0, 50.0])
    [0.12, None]
    """
    if (
        min((grade for grade in grades_g_per_t if grade is not None), default=0) < 0
        or min(ores_g, default=0) < 0
    ):
        raise ValueError("A grade and a mass cannot be negative.")
    pairs = zip(grades_g_per_t, ores_g, strict=True)
    return [None if grade is None else grade * ore / 1000 for grade, ore in pairs]


def total_mg(golds_mg: Iterable[float | None]) -> float:
    """Return the gold of all these together, in mg; what was not weighed counts for nothing.

    >>> total_mg([1.5, None, 2.0])
    3.5
    """
    return math.fsum(gold for gold in golds_mg if gold is not None)


def pooled(lows_mg: Sequence[float], highs_mg: Sequence[float | None], ores_g: Sequence[float]) -> Bounds:
    """Return the grade of several samples of one lot taken as one: all their gold over all their ore, between two bounds.

    `lows_mg`, `highs_mg` of each: its gold where it was measured, nothing and the limit where it lies below one, the limit and
    None where it lies above one. Raises ValueError without ore.

    >>> pooled([2.0, 0.0], [2.0, 0.1], [500.0, 500.0])
    Bounds(low=2.0, high=2.1)
    """
    ore = math.fsum(ores_g)
    if ore <= 0:
        raise ValueError("Ore of no mass has no grade.")
    high = None if None in highs_mg else 1000 * math.fsum(highs_mg) / ore
    return Bounds(1000 * math.fsum(lows_mg) / ore, high)


def mixed(parts: Sequence[tuple[float, Bounds]]) -> Bounds:
    """Return the grade of parts put together, each with its share of the mass; shares need not sum to 1.

    >>> mixed([(0.25, Bounds(8, 8)), (0.25, Bounds(4, 4))])
    Bounds(low=6.0, high=6.0)
    """
    whole = math.fsum(share for share, _ in parts)
    if whole <= 0:
        raise ValueError("The parts have no mass together.")
    open_end = any(side.high is None for _, side in parts)
    high = None if open_end else math.fsum(share * side.high for share, side in parts) / whole
    return Bounds(math.fsum(share * side.low for share, side in parts) / whole, high)


def mixed_cv(parts: Sequence[tuple[float, Bounds, float | None]]) -> float | None:
    """Return the relative sd of `mixed` from that of each part; None where one is not known or there is no gold."""
    if any(cv is None or not math.isfinite(cv) for _, _, cv in parts):
        return None
    total = math.fsum(share * side.low for share, side, _ in parts)
    return math.hypot(*(share * side.low * cv for share, side, cv in parts)) / total if total else None


def ratio_of_means(
    panned: Sequence[Bounds], assayed: Sequence[Bounds], level: float = 0.95
) -> RatioOfMeans | None:
    """Return the panned gold over the assayed gold of these lots, each lot weighing alike; None where nothing was assayed.

    Parameters
    ----------
    panned, assayed : sequence of Bounds, one of each for each lot
        An assay without an upper bound raises ValueError: leave that lot out, and say so.
    level : float

    Notes
    -----
    Sum over sum, which an assay charge that met no grain does not drive up as it drives up a single ratio. Interval by leaving
    out one lot at a time, on the logarithm, Student's t (M. H. Quenouille 1956, J. W. Tukey 1958, from memory). Simulated with
    grains by chance it holds in 94 % where charges hold several grains each, in some 90 % where they hold one or two.

    >>> found = ratio_of_means([Bounds(2, 2), Bounds(3, 3), Bounds(1, 1)], [Bounds(4, 4), Bounds(5, 5), Bounds(1.5, 1.5)])
    >>> round(found.low, 3), round(found.interval.low, 3), round(found.interval.high, 3)
    (0.571, 0.414, 0.79)
    """
    if len(panned) != len(assayed):
        raise ValueError(f"{len(panned)} lots were panned and {len(assayed)} assayed: each needs both.")
    if any(side.high is None for side in assayed) or any(side.high is None for side in panned):
        raise ValueError("A lot above the method's upper limit has no figure and cannot count.")
    most = math.fsum(side.high for side in assayed)
    if not most:
        return None
    least = math.fsum(side.low for side in assayed)
    low = math.fsum(side.low for side in panned) / most
    high = math.fsum(side.high for side in panned) / least if least else math.inf
    intervals = [
        _left_out_in_turn([side.low for side in panned], [side.high for side in assayed], level),
        _left_out_in_turn([side.high for side in panned], [side.low for side in assayed], level),
    ]
    interval = None
    if all(each is not None for each in intervals):
        interval = Interval(min(each.low for each in intervals), max(each.high for each in intervals), level)
    return RatioOfMeans(len(panned), low, high, interval)


def _left_out_in_turn(tops: Sequence[float], bottoms: Sequence[float], level: float) -> Interval | None:
    n = len(tops)
    if n < FEWEST_LOTS:
        return None
    top, bottom = math.fsum(tops), math.fsum(bottoms)
    without = [(top - tops[i], bottom - bottoms[i]) for i in range(n)]
    if min(min(pair) for pair in without) <= 0 or not top or not bottom:
        # One lot holds all the gold of a side: the ratio hangs on it alone.
        return Interval(0.0, math.inf, level)
    whole = math.log(top / bottom)
    parts = [n * whole - (n - 1) * math.log(up / down) for up, down in without]
    se = statistics.stdev(parts) / math.sqrt(n)
    if se == 0:
        return None
    margin = student(level, n - 1) * se
    centre = statistics.fmean(parts)
    return Interval(math.exp(centre - margin), math.exp(centre + margin), level)


def student(level: float, df: int) -> float:
    """Return Student's two-sided quantile: so many standard errors hold the mean with this confidence."""
    from scipy.special import stdtrit

    return float(stdtrit(df, (1 + level) / 2))


def chance_cv(gold_mg: Sequence[float], grain_mg: float) -> float:
    """Return the relative sd that the chance of grains gives the pooled gold of several samples: sqrt(grain / all the gold).

    `gold_mg` of each, `grain_mg` the mean mass of a grain weighted by mass (C. O. Ingamells, Talanta 21 (1974) 141, from memory:
    a Poisson number of alike grains). No gold gives inf.

    >>> round(chance_cv([0.5, 0.5], 0.25), 3)
    0.5
    """
    total = math.fsum(gold_mg)
    return math.sqrt(grain_mg / total) if total > 0 else math.inf


def step_cv(gold_mg: Sequence[float], steps_mg: Sequence[float]) -> float:
    """Return the relative sd that reading a scale to its step gives pooled weighings: each step / sqrt(12), a uniform law."""
    total = math.fsum(gold_mg)
    return math.sqrt(math.fsum(step**2 / 12 for step in steps_mg)) / total if total > 0 else math.inf


def together(*relative_sds: float) -> float:
    """Return the relative sd of a figure with several independent errors: the root of the sum of squares."""
    return math.hypot(*relative_sds)


def log_sd(relative_sd: float) -> float:
    """Return the sd of the logarithm of a lognormal figure with this relative sd: sqrt(ln(1 + cv^2)).

    >>> round(log_sd(0.5), 4)
    0.4724
    """
    return math.sqrt(math.log1p(relative_sd**2))


def times_off(relative_sd: float, level: float = 0.95) -> float:
    """Return the factor a figure may lie off either way, lognormal with this relative sd, at this level.

    >>> round(times_off(0.3), 2)
    1.78
    """
    return math.exp(statistics.NormalDist().inv_cdf((1 + level) / 2) * log_sd(relative_sd))


def spread(grade: float, relative_sd: float, level: float = 0.95) -> Interval:
    """Return what chance leaves open about a measured grade: divided and multiplied by `times_off`."""
    times = times_off(relative_sd, level)
    return Interval(grade / times, grade * times, level)


def mean_grains(relative_sd: float) -> float:
    """Return how many alike grains make a chance of this relative sd: 1 / cv^2.

    >>> mean_grains(0.5)
    4.0
    """
    return 1 / relative_sd**2


def lot_ratio(panned: Bounds, assayed: Bounds) -> float:
    """Return one lot's panned over assayed grade, limits standing for what lies below them; inf where no gold was assayed."""
    return panned.middle / assayed.middle if assayed.middle else math.inf


def plain_mean(grades: Sequence[float]) -> float:
    """Return the mean of grades, each counting alike."""
    return statistics.fmean(grades)


def share_with_limit(counted: int, measured: int) -> float:
    """Return the fraction of the lots that lie below a limit on one side or the other; 0 where there is none."""
    return (counted - measured) / counted if counted else 0.0


def log_line(
    assayed: Sequence[float],
    panned: Sequence[float],
    assayed_cvs: Sequence[float],
    panned_cvs: Sequence[float],
    level: float = 0.95,
):
    """Return the line log10(panned) = intercept + slope log10(assayed), errors on both sides, as a `FittedLine`.

    Grades above zero, relative sds above zero; see `method_comparison.line_with_errors_on_both_sides`, whose refusals
    (ValueError) are sentences. A slope of 1 is an apparent recovery alike at every grade.
    """
    from prospecting.calc.method_comparison import line_with_errors_on_both_sides

    return line_with_errors_on_both_sides(
        [math.log10(grade) for grade in assayed],
        [math.log10(grade) for grade in panned],
        [log_sd(cv) / math.log(10) for cv in assayed_cvs],
        [log_sd(cv) / math.log(10) for cv in panned_cvs],
        level,
    )


def line_in_unit(intercept: float, slope: float, factor: float) -> tuple[float, float]:
    """Return the same line of logarithms where both grades are `factor` times as large in another unit.

    >>> line_in_unit(0.0, 0.5, 100.0)
    (1.0, 0.5)
    """
    return intercept + (1 - slope) * math.log10(factor), slope


def above_by_more_than_chance(
    panned: Bounds, assayed: Bounds, panned_cv: float | None, assayed_cv: float | None, level: float = 0.95
) -> bool:
    """Return whether a pan above its assay is more than the chance of grains explains on both sides (one-sided)."""
    if not (panned.low and assayed.high) or panned_cv is None or assayed_cv is None:
        return False
    apart = math.log(panned.low / assayed.high)
    return apart > statistics.NormalDist().inv_cdf(level) * together(log_sd(panned_cv), log_sd(assayed_cv))


def usual_ratio(ratios: Sequence[float]) -> float:
    """Return the median of the lots' ratios, which one slip hardly moves; 1 where fewer than three are known."""
    return statistics.median(ratios) if len(ratios) >= FEWEST_LOTS else 1.0


def unit_slips(ratio: float, usual: float) -> list[UnitSlip]:
    """Return the slips of a unit that `ratio` looks like, beside what is `usual` among the other lots; nearest first.

    A ratio is near a factor within NEAR times of it either way: chance alone moves it by as much. 31.1 and 34.3 cannot be told
    apart so. A source-free rule of thumb, to send people to the unit first.

    >>> [round(slip.factor, 1) for slip in unit_slips(20.0, 0.6)]
    [34.3, 31.1]
    >>> unit_slips(0.9, 0.6), unit_slips(0.0006, 0.6)[0].turned
    ([], True)
    """
    off = ratio / usual
    turned = off < 1
    times = 1 / off if turned else off
    near = [(abs(math.log(times / factor)), factor, words) for factor, words in SLIPS]
    return [
        UnitSlip(factor, phrase(words), turned)
        for far, factor, words in sorted(near)
        if far <= math.log(NEAR)
    ]


def assay_after_pan(panned_g_per_t: float, one_pair: Interval) -> Interval:
    """Return the range an assay may fall in after a pan, in g/t, where `one_pair` holds the ratio of a further pair.

    `one_pair` is `method_comparison.apparent_recovery(...).one_pair`, panned over assayed: its ends change places.

    >>> assay_after_pan(3.0, Interval(0.3, 1.5, 0.95))
    Interval(low=2.0, high=10.0, level=0.95)
    """
    return Interval(panned_g_per_t / one_pair.high, panned_g_per_t / one_pair.low, one_pair.level)


def why_no_line(assayed: Sequence[float], relative_sds: Sequence[float | None]) -> str:
    """Return why a line through these lots would mislead, as a sentence; blank where it may be drawn.

    `assayed` are grades in g/t above zero, `relative_sds` the chance in each, None where it is not known.
    """
    if len(assayed) < LINE_LOTS:
        return phrase(
            "{least} lots with figures on both sides are asked for, and there are {lots}.",
            least=LINE_LOTS,
            lots=len(assayed),
        )
    if len(assayed) > MOST_LINE_LOTS:
        return phrase("there are more than {most} lots: ask for one zone below.", most=MOST_LINE_LOTS)
    if max(assayed) < LINE_TIMES * min(assayed):
        return phrase(
            "the richest assay is not {times} times the poorest: too narrow a range for a slope.",
            times=numeral(LINE_TIMES, "g"),
        )
    if any(each is None for each in relative_sds):
        return phrase("the chance in some of the figures is not known.")
    error = statistics.fmean(log_sd(each) ** 2 for each in relative_sds)
    if error > LINE_ERROR_SHARE * statistics.variance(math.log(each) for each in assayed):
        return phrase(
            "the assays' own chance is a large part of how far they lie apart, and would bend the line."
        )
    return ""
