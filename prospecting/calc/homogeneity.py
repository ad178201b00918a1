"""Whether a blended lot is even enough: duplicate portions, or one result per portion against what counting alone gives; and
whether the lots that go into a blend are alike.

Loads scipy.special; import it inside the function that needs it. Sources, cited from memory: M. Thompson, S. L. R. Ellison
and R. Wood, Pure and Applied Chemistry 78 (2006) 145, appendix 1; T. Fearn and M. Thompson, The Analyst 126 (2001) 1414;
W. G. Cochran, Annals of Eugenics 11 (1941) 47; ISO 13528:2015 annex B; ISO Guide 35.
"""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import betaincinv, chdtrc, chdtri, fdtr, fdtrc, fdtri, gammaincinv, pdtr, pdtrik

from prospecting.calc.checks import checked_pairs, checked_values
from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.sampling import Interval

# The protocol asks for so many units, each in duplicate.
ADVISED_UNITS = 10
SMALL_SHARE_OF_SIGMA = 0.3
# The assay's own sd has to stay below this share of the target, or the test sees nothing.
ASSAY_SHARE_OF_SIGMA = 0.5

EVEN, UNEVEN, NOT_SHOWN = to_phrase("even enough"), to_phrase("uneven"), to_phrase("not shown")
# Beyond this a page says "many more" rather than a number.
MOST_PORTIONS = 10_000
# Deals of the same colours that the exact test of scatter draws: enough to know a chance of 5 % to about 0.15 %.
DEALS = 19_999
# Lots drawn to tell how often an unevenness is found (to about 1.3 %), and the largest worth asking for.
SIMULATED = 1000
MOST_UNEVEN = 3.0
# Mean square over squared mean of the masses within a size class, spread evenly over the logarithm of a factor of four in mass
# (1.6 in diameter): (r + 1) ln r / 2 (r - 1) with r = 4.
WITHIN_CLASS = 5 * math.log(4) / 6
# How much too heavy the grain reckoned from colours by class may be: the masses of the classes are a rule of thumb. Simulated
# lognormal gold came out between 0.7 and 1.9 times; at 1.5 what the page promises holds.
CLASSES_UNSURE = 1.5


@dataclass(frozen=True)
class Cochran:
    """The widest pair's share of all squared differences; above `critical` its pair (from 0) is to be looked at."""

    statistic: float
    critical: float
    pair: int
    alpha: float

    @property
    def is_outlying(self) -> bool:
        return self.statistic > self.critical


@dataclass(frozen=True)
class HomogeneityFactors:
    """F1 and F2 of the test for sufficient homogeneity."""

    f1: float
    f2: float


@dataclass(frozen=True)
class Homogeneity:
    """Analysis of duplicate portions: sds of assay (`s_an`) and of the material (`s_sam`, 0 where its variance is negative)."""

    units: int
    sigma_target: float
    mean: float
    ms_between: float
    ms_within: float
    f_ratio: float
    f_p_value: float
    cochran: Cochran
    s_an: float
    s_sam_squared: float
    guide35_u_star_bb: float
    factors: HomogeneityFactors

    @property
    def s_sam(self) -> float:
        return math.sqrt(self.s_sam_squared)

    @property
    def sigma_allowed_squared(self) -> float:
        return (SMALL_SHARE_OF_SIGMA * self.sigma_target) ** 2

    @property
    def critical_value(self) -> float:
        """What `s_sam_squared` may reach before the lot is called uneven: F1 sigma_allowed^2 + F2 s_an^2."""
        return self.factors.f1 * self.sigma_allowed_squared + self.factors.f2 * self.s_an**2

    @property
    def passes(self) -> bool:
        return self.s_sam_squared <= self.critical_value

    @property
    def passes_without_allowance(self) -> bool:
        """The older rule, s_sam <= 0.3 sigma, which calls even lots uneven by chance more often."""
        return self.s_sam <= SMALL_SHARE_OF_SIGMA * self.sigma_target

    @property
    def has_advised_units(self) -> bool:
        return self.units >= ADVISED_UNITS

    @property
    def has_power(self) -> bool:
        """Whether the assay is precise enough (s_an below 0.5 sigma) for a pass to mean anything."""
        return self.s_an < ASSAY_SHARE_OF_SIGMA * self.sigma_target


@dataclass(frozen=True)
class FloorTest:
    """Results of equal portions against the spread that counting alone gives.

    Spreads are relative sds. `beyond` is what the lot shows above the floor (0 where it shows less), `beyond_high` the most
    it may be at the confidence `level`, one-sided; `tolerated` is the most that does no harm. `verdict` is EVEN, UNEVEN or
    NOT_SHOWN; `visible` is what would have to lie beyond the floor for so many portions to show it with a chance of `power`.
    `portions_that_would_tell` is the number of portions at which both answers come with that chance: uneven for a lot that
    is `tolerated` beyond the floor, and even for one that is not beyond it. None means more than MOST_PORTIONS.
    """

    portions: int
    mean: float
    relative_sd: float
    floor: float
    chi2: float
    df: int
    p_upper: float
    beyond: float
    beyond_high: float
    tolerated: float
    level: float
    power: float
    verdict: str
    visible: float
    portions_that_would_tell: int | None


def cochran_critical(groups: int, replicates: int, alpha: float = 0.05) -> float:
    """Return the upper limit of (largest variance) / (sum of variances) among `groups` of `replicates` results.

    1 / (1 + (k - 1)/F), F the upper alpha/k point with n - 1 and (k - 1)(n - 1) degrees of freedom: Bonferroni's bound, as in
    the tables of ISO 5725-2. Fewer than two groups or replicates raise ValueError.

    >>> round(cochran_critical(10, 2), 3)
    0.602
    """
    if groups < 2 or replicates < 2:
        raise ValueError(
            f"Cochran's test needs two groups of two results, not {groups} groups of {replicates}."
        )
    _check_share(alpha, "alpha")
    f = float(fdtri(replicates - 1, (groups - 1) * (replicates - 1), 1 - alpha / groups))
    return 1 / (1 + (groups - 1) / f)


def cochran_test(first: Sequence[float], second: Sequence[float], alpha: float = 0.05) -> Cochran:
    """Return whether one pair of duplicates lies wider apart than chance lets the widest of them.

    Parameters
    ----------
    first, second : sequence of float, shape (m,), m at least 2
        Pairs that are all alike raise ValueError.
    alpha : float
        Chance of flagging some pair where none is out of line.

    Notes
    -----
    Look at a flagged pair before dropping it: it may go when the analyst can explain it; a unit that differs from the other
    units never.

    >>> cochran_test([10.0, 10.2, 9.9], [10.1, 10.1, 14.0]).pair
    2
    """
    a, b = checked_pairs(first, second, "first", "second", at_least=2)
    squares = [(one - other) ** 2 for one, other in zip(a, b, strict=True)]
    if not any(squares):
        raise ValueError(phrase("All pairs are alike to the last digit: their spread is not known."))
    widest = max(squares)
    return Cochran(
        widest / math.fsum(squares), cochran_critical(len(a), 2, alpha), squares.index(widest), alpha
    )


def homogeneity_factors(units: int, level: float = 0.95) -> HomogeneityFactors:
    """Return F1 = chi2(level; m - 1)/(m - 1) and F2 = (F(level; m - 1, m) - 1)/2 for m units in duplicate.

    Fearn and Thompson (2001), table 1, where the level is 0.95. Fewer than two units raise ValueError.

    >>> found = homogeneity_factors(10)
    >>> round(found.f1, 2), round(found.f2, 2)
    (1.88, 1.01)
    """
    if units < 2:
        raise ValueError(f"Homogeneity needs at least two units, not {units}.")
    _check_share(level, "level")
    df = units - 1
    return HomogeneityFactors(float(chdtri(df, 1 - level)) / df, (float(fdtri(df, units, level)) - 1) / 2)


def sufficient_homogeneity(
    first: Sequence[float], second: Sequence[float], sigma_target: float, level: float = 0.95
) -> Homogeneity:
    """Return whether units of a lot, each split and assayed twice in random order, are alike enough for their purpose.

    Parameters
    ----------
    first, second : sequence of float, shape (m,)
        The two results of each unit (cup, bag). Ten units or more are advised; fewer than two, a missing value, or pairs that
        are all alike raise ValueError.
    sigma_target : float
        The sd between results that the purpose allows, above zero, in the unit of the results. For nuggety gold take it from
        the counting floor (mean times `sampling.counting_spread`), or every lot fails.
    level : float
        Confidence of the factors F1 and F2.

    Notes
    -----
    With D = a - b and S = a + b: MS within = sum D^2 / 2m = s_an^2, MS between = sum (S - mean S)^2 / 2(m - 1), s_sam^2 =
    max(0, (MSb - MSw)/2). Passes when s_sam^2 <= F1 (0.3 sigma)^2 + F2 s_an^2 (Fearn and Thompson 2001). Guide 35's floor of
    what could be seen at all is sqrt(MSw/2) (2/m)^(1/4). Assumes normal errors.

    >>> found = sufficient_homogeneity([4.1, 3.9, 4.3, 4.0], [3.8, 4.3, 3.9, 4.2], 0.4)
    >>> found.s_sam, found.passes
    (0.0, True)
    """
    a, b = checked_pairs(first, second, "first", "second", at_least=2)
    if not (sigma_target > 0 and math.isfinite(sigma_target)):
        raise ValueError(f"sigma_target must be above zero, not {sigma_target}.")
    cochran = cochran_test(a, b)
    units = len(a)
    sums = [one + other for one, other in zip(a, b, strict=True)]
    within = math.fsum((one - other) ** 2 for one, other in zip(a, b, strict=True)) / (2 * units)
    between = statistics.variance(sums) / 2
    return Homogeneity(
        units=units,
        sigma_target=sigma_target,
        mean=statistics.fmean(sums) / 2,
        ms_between=between,
        ms_within=within,
        f_ratio=between / within,
        f_p_value=float(fdtrc(units - 1, units, between / within)),
        cochran=cochran,
        s_an=math.sqrt(within),
        s_sam_squared=max(0.0, (between - within) / 2),
        guide35_u_star_bb=math.sqrt(within / 2) * (2 / units) ** 0.25,
        factors=homogeneity_factors(units, level),
    )


def against_counting_floor(
    results: Sequence[float],
    floor: float,
    *,
    tolerated: float,
    level: float = 0.95,
    power: float = 0.8,
) -> FloorTest:
    """Return whether equal portions of a lot, one result each, scatter more than counting chance alone makes them.

    Parameters
    ----------
    results : sequence of float, shape (n,), n at least 2
        Gold in mg, or the grade, of portions of EQUAL mass, zero or more; below-scale portions as what they could at most
        weigh, and said so. A mean of zero raises ValueError.
    floor : float
        The relative sd a perfectly blended lot would show: of counting (`sampling.counting_spread`) or of Gy's fundamental
        error, AT THE MEAN GRADE OF THESE RESULTS (a floor for another grade makes false alarms commoner), with the relative
        sd of weighing or assay put in as the root of the sum of squares. Above zero, up to 1: with less than one grain to a
        portion no spread of results can tell a blend from luck.
    tolerated : float
        The largest relative sd between portions, beyond the floor, that does no harm. Above zero.
    level, power : float
        Confidence of the verdict, and the chance wanted of reaching it.

    Notes
    -----
    Under a perfect blend (n - 1) s^2 / (floor x mean)^2 follows chi2(n - 1), Fisher's dispersion test; close enough:
    simulated with 1 to 40 grains to a portion and 4 to 40 portions, 5 % false alarms come out as 3 to 5 %. One result per
    portion cannot tell a bad blend from a bad assay or a floor set too low: "uneven" means that the spread is more than the
    floor explains. Even enough, whatever else: the upper limit of what lies beyond the floor is at most `tolerated`.

    >>> against_counting_floor([8.1, 7.4, 9.0, 8.2, 7.7, 8.4], 0.1, tolerated=0.1).verdict
    'not shown'
    """
    values = checked_values(results, "results", at_least=2)
    if min(values) < 0:
        raise ValueError(f"Gold cannot weigh less than nothing ({min(values)}).")
    if not 0 < floor <= 1:
        raise ValueError(
            f"The floor is a relative sd above 0 and up to 1 (one grain to a portion), not {floor}."
        )
    if not (tolerated > 0 and math.isfinite(tolerated)):
        raise ValueError(f"tolerated must be a relative sd above zero, not {tolerated}.")
    _check_share(level, "level")
    if not 1 - level < power < 1:
        raise ValueError(
            f"power lies between {numeral(1 - level, 'g')}, what chance alone gives, and 1, not {power}."
        )
    mean = statistics.fmean(values)
    if mean == 0:
        raise ValueError(phrase("Portions without any gold have no relative spread."))
    df = len(values) - 1
    chi2 = df * statistics.variance(values) / (floor * mean) ** 2
    return _floor_test(chi2, len(values), mean, floor, tolerated, level, power, math.inf)


def against_chance(
    amounts: Sequence[float],
    exposures: Sequence[float],
    *,
    grain: float,
    tolerated: float,
    reading_sd: float = 0.0,
    relative_reading_sd: float = 0.0,
    floor_df: float = math.inf,
    level: float = 0.95,
    power: float = 0.8,
) -> FloorTest:
    """Return whether portions, equal or not, scatter more than grains falling into them by chance make them.

    Parameters
    ----------
    amounts, exposures : sequences of float, shape (n,), n at least 2
        Colours, or gold in mg, of each portion; and its mass (or the charge assayed), above zero. No gold at all raises
        ValueError.
    grain : float
        What one grain adds: 1 for colours; for mg the mean mass of a grain weighted by mass (mean square over mean), which is
        what rules the scatter of a mixture of sizes.
    tolerated, level, power
        As in `against_counting_floor`.
    reading_sd, relative_reading_sd : float
        What weighing or assaying adds to each amount, in its unit and as a fraction of it.
    floor_df : float
        How well `grain` is known: infinite where the grains of these very portions were counted by size. Where it was only
        stated, a share of the number of such grains in all portions together (gold over grain): the few large grains of a
        skewed lot make the scatter itself scatter (simulated: without it 5 % false alarms come out as up to 10 %).

    Notes
    -----
    Expected is e = (all gold) x exposure / (all exposure), its variance v = grain e + reading_sd^2 + (relative_reading_sd e)^2
    (compound Poisson); sum (x - e)^2 / v follows chi2(n - 1), over n - 1 an F with `floor_df` below. For equal portions this is
    `against_counting_floor`. `floor` is the root mean of v/e^2, harmonic over unequal portions.

    >>> against_chance([4, 9, 2, 7], [454, 454, 454, 454], grain=1, tolerated=0.25).verdict
    'not shown'
    """
    values, sizes = checked_pairs(amounts, exposures, "amounts", "exposures", at_least=2)
    if min(values) < 0 or min(sizes) <= 0:
        raise ValueError("Gold cannot weigh less than nothing, and a portion weighs something.")
    if not (grain > 0 and tolerated > 0 and floor_df > 0):
        raise ValueError("grain, tolerated and floor_df must be above zero.")
    whole = math.fsum(values)
    if not whole:
        raise ValueError(phrase("Portions without any gold have no relative spread."))
    expected = expected_amounts(values, sizes)
    chance = [grain * e + reading_sd**2 + (relative_reading_sd * e) ** 2 for e in expected]
    chi2 = math.fsum((x - e) ** 2 / v for x, e, v in zip(values, expected, chance, strict=True))
    portions = len(values)
    floor = math.sqrt(portions / math.fsum(e * e / v for e, v in zip(expected, chance, strict=True)))
    return _floor_test(chi2, portions, whole / portions, floor, tolerated, level, power, floor_df)


def expected_amounts(amounts: Sequence[float], exposures: Sequence[float]) -> list[float]:
    """Return what each portion would hold if all the gold were shared out by mass.

    >>> expected_amounts([3, 9], [1, 2])
    [4.0, 8.0]
    """
    rate = math.fsum(amounts) / math.fsum(exposures)
    return [rate * size for size in exposures]


def exact_scatter_chance(counts: Sequence[int], exposures: Sequence[float], rng) -> float:
    """Return the chance that the same colours, dealt out by chance alone, scatter at least as much as they did.

    Parameters
    ----------
    counts, exposures : sequences, shape (n,), n at least 2
        Colours of each portion and its mass. No colour at all raises ValueError.
    rng : numpy.random.Generator

    Notes
    -----
    Given their sum, Poisson counts are multinomial with chances by mass, whatever the grade: DEALS such deals are drawn, and
    (1 + those that scatter as much) / (1 + DEALS) is an exact level (G. A. Barnard, Journal of the Royal Statistical Society B
    25 (1963) 294; M. Dwass, Annals of Mathematical Statistics 28 (1957) 181; both from memory), however few the colours.
    """
    import numpy as np

    values, sizes = checked_pairs(counts, exposures, "counts", "exposures", at_least=2)
    if any(value < 0 or value != int(value) for value in values) or not any(values):
        raise ValueError(phrase("A count is a whole number from 0 up, and one of them at least is above 0."))
    expected = np.array(expected_amounts(values, sizes))
    total = int(sum(values))
    deals = rng.multinomial(total, expected / total, size=DEALS)
    seen = ((np.array(values) - expected) ** 2 / expected).sum()
    drawn = ((deals - expected) ** 2 / expected).sum(axis=1)
    # Deals that scatter equally count, though the last digits differ.
    return float((1 + np.count_nonzero(drawn >= seen * (1 - 1e-9))) / (1 + DEALS))


def grain_of_classes(
    counts: Sequence[float], masses_mg: Sequence[float], within: float = WITHIN_CLASS
) -> float:
    """Return the mean mass in mg of a grain weighted by mass, from colours by size class: sum n g^2 / sum n g.

    Parameters
    ----------
    counts, masses_mg : sequences, shape (k,)
        Colours of each class and the mean mass of one. No colour raises ValueError.
    within : float
        Mean square over squared mean of the masses within a class; 1 takes them all alike, which is the least.

    >>> grain_of_classes([9, 1], [1.0, 6.0], within=1)
    3.0
    """
    gold = math.fsum(n * g for n, g in zip(counts, masses_mg, strict=True))
    if not gold > 0:
        raise ValueError(phrase("No colour was counted: the grains have no mean mass."))
    return within * math.fsum(n * g * g for n, g in zip(counts, masses_mg, strict=True)) / gold


def chance_of_finding(
    uneven: float,
    portions: int,
    mix: Sequence[tuple[float, float]],
    *,
    reading_sd: float = 0.0,
    level: float = 0.95,
    rng,
) -> float:
    """Return how often `against_chance` finds weighed portions uneven that differ by the relative sd `uneven`, by simulation.

    Parameters
    ----------
    mix : sequence of (mean colours to a portion, mean mass in mg), one for each size class
    reading_sd : float
        In mg, as in `against_chance`.
    rng : numpy.random.Generator

    Notes
    -----
    SIMULATED lots: portions differ by a gamma law, grains of a class fall by chance, masses within a class by a gamma law with
    WITHIN_CLASS, and the grain is reckoned from the colours each lot shows, CLASSES_UNSURE times too heavy. Where a few large
    grains hold most of the gold, the
    chi-squared law promises too much, so no formula will do.
    """
    import numpy as np

    numbers, masses = (np.array(side, dtype=float) for side in zip(*mix, strict=True))
    richness = np.ones((SIMULATED, portions))
    if uneven:
        richness = rng.gamma(1 / uneven**2, uneven**2, (SIMULATED, portions))
    counts = rng.poisson(richness[:, :, None] * numbers)
    shape = counts / (WITHIN_CLASS - 1)
    gold = (rng.standard_gamma(shape) * (WITHIN_CLASS - 1) * masses).sum(axis=2)
    gold += rng.normal(0, reading_sd, gold.shape)
    by_class = counts.sum(axis=1)
    reckoned = by_class @ masses
    mean = gold.mean(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        # As the page does: masses by class are made to add up to what was weighed.
        grain = WITHIN_CLASS * (by_class @ masses**2) / reckoned * (portions * mean / reckoned)
        chi2 = ((gold - mean[:, None]) ** 2).sum(axis=1) / (grain * mean + reading_sd**2)
    # The floor may be set too high by so much, and then less is found.
    return float(np.mean(chi2 > CLASSES_UNSURE * chdtri(portions - 1, 1 - level)))


def visible_by_weight(
    portions: int,
    mix: Sequence[tuple[float, float]],
    *,
    reading_sd: float = 0.0,
    level: float = 0.95,
    power: float = 0.8,
    seed: int = 1,
) -> float:
    """Return the relative sd between portions that is found with the chance `power`; see `chance_of_finding`.

    Infinite where not even MOST_UNEVEN is.
    """
    import numpy as np

    def finds(uneven: float) -> bool:
        rng = np.random.default_rng(seed)
        found = chance_of_finding(uneven, portions, mix, reading_sd=reading_sd, level=level, rng=rng)
        return found >= power

    low, high = 0.0, MOST_UNEVEN
    if not finds(high):
        return math.inf
    while high - low > 0.01:
        middle = (low + high) / 2
        low, high = (low, middle) if finds(middle) else (middle, high)
    return high


def portions_by_weight(
    uneven: float,
    mix: Sequence[tuple[float, float]],
    *,
    least: int,
    most: int,
    reading_sd: float = 0.0,
    level: float = 0.95,
    power: float = 0.8,
    seed: int = 1,
) -> int | None:
    """Return how many portions, from `least` on, find this unevenness with the chance `power`; None for more than `most`."""
    import numpy as np

    def finds(portions: int) -> bool:
        rng = np.random.default_rng(seed)
        found = chance_of_finding(uneven, portions, mix, reading_sd=reading_sd, level=level, rng=rng)
        return found >= power

    low, high = max(least, 2) - 1, most
    if low >= high or not finds(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if finds(middle) else (middle, high)
    return high


def chance_band(expected: float, sd: float, level: float = 0.95) -> Interval:
    """Return between which limits chance keeps one portion's gold: a gamma law of this mean and sd, both above zero.

    >>> band = chance_band(10.0, 2.0)
    >>> round(band.low, 1), round(band.high, 1)
    (6.5, 14.3)
    """
    _check_share(level, "level")
    shape, tail = (expected / sd) ** 2, (1 - level) / 2
    low, high = (float(gammaincinv(shape, point)) * expected / shape for point in (tail, 1 - tail))
    return Interval(low, high, level)


def count_band(expected: float, level: float = 0.95) -> Interval:
    """Return the least and most colours that chance leaves outside no oftener than (1 - level)/2 on each side (Poisson).

    >>> count_band(20.0)
    Interval(low=12, high=29, level=0.95)
    """
    _check_share(level, "level")
    tail = (1 - level) / 2

    def quantile(chance: float) -> int:
        found = max(0, math.ceil(float(pdtrik(chance, expected)) - 1e-9)) if pdtr(0, expected) < chance else 0
        return found

    return Interval(quantile(tail), quantile(1 - tail), level)


def portions_to_tell(
    floor: float,
    tolerated: float,
    *,
    level: float = 0.95,
    power: float = 0.8,
    floor_df_each: float = math.inf,
) -> int | None:
    """Return how many portions `against_counting_floor` needs to tell an even lot from one `tolerated` beyond the floor.

    Both answers then come with the chance `power`. `floor_df_each` is what each portion adds to `floor_df` of
    `against_chance`. None means more than MOST_PORTIONS.

    >>> portions_to_tell(0.2, 0.2)
    30
    """
    if not (floor > 0 and tolerated > 0):
        raise ValueError(f"floor and tolerated must be above zero, not {floor} and {tolerated}.")
    ratio = 1 + (tolerated / floor) ** 2

    def tells(portions: int) -> bool:
        df, floor_df = portions - 1, portions * floor_df_each
        sees_uneven = _tail(_upper(1 - level, df, floor_df) / ratio, df, floor_df)
        sees_even = 1 - _tail(_upper(level, df, floor_df) * ratio, df, floor_df)
        return min(sees_uneven, sees_even) >= power

    # Both chances grow with the number of portions: halve the range.
    low, high = 1, MOST_PORTIONS
    if not tells(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if tells(middle) else (middle, high)
    return high


@dataclass(frozen=True)
class DuplicateTest:
    """Duplicates of portions against the sd between portions that may stand (`allowed`), all spreads relative to the mean.

    `beyond` is the sd between portions, `beyond_high` the most it may be at `level`, one-sided; `visible` what would be called
    uneven with the chance `power`; `units_that_would_tell` how many portions in duplicate would let an even lot be called so
    with that chance, None for more than MOST_PORTIONS.
    """

    found: Homogeneity
    allowed: float
    beyond: float
    beyond_high: float
    level: float
    power: float
    verdict: str
    visible: float
    units_that_would_tell: int | None

    @property
    def assay_sd(self) -> float:
        """What the two assays of one portion differ by, relative to the mean."""
        return self.found.s_an / self.found.mean


def duplicates_against_allowed(
    first: Sequence[float],
    second: Sequence[float],
    allowed: float,
    *,
    level: float = 0.95,
    power: float = 0.8,
) -> DuplicateTest:
    """Return whether portions, each assayed twice, differ among each other by more than the relative sd `allowed`.

    Parameters
    ----------
    first, second : sequence of float, shape (m,), m at least 2
        As in `sufficient_homogeneity`; their mean must be above zero.
    allowed : float
        Relative sd between portions that may stand, counting chance of the portions themselves included. Sigma target is
        allowed / 0.3, so that 0.3 sigma is what may stand.

    Notes
    -----
    UNEVEN is a failed test for sufficient homogeneity. To pass it is not yet to be even: EVEN only where the upper limit of
    the sd between portions, MSw (r/F - 1)/2 with r = MSb/MSw and F the lower (1 - level) point with (m - 1, m) df, is at most
    what is allowed. Limits of a variance ratio: standard result for one-way groups, from memory.

    >>> duplicates_against_allowed([4.1, 3.9, 4.3, 4.0], [3.8, 4.3, 3.9, 4.2], 0.25).verdict
    'even enough'
    """
    if not (allowed > 0 and math.isfinite(allowed)):
        raise ValueError(f"allowed must be a relative sd above zero, not {allowed}.")
    a, b = checked_pairs(first, second, "first", "second", at_least=2)
    mean = statistics.fmean([*a, *b])
    if mean <= 0:
        raise ValueError(phrase("Assays without any gold have no relative spread."))
    found = sufficient_homogeneity(a, b, allowed * mean / SMALL_SHARE_OF_SIGMA, level)
    units, within = found.units, found.ms_within
    lower = float(fdtri(units - 1, units, 1 - level))
    high = math.sqrt(max(0.0, within * (found.f_ratio / lower - 1) / 2)) / mean
    limit = 2 * found.factors.f1 * found.sigma_allowed_squared + (1 + 2 * found.factors.f2) * within
    least = float(chdtri(units - 1, power)) / (units - 1)
    verdict = EVEN if high <= allowed else NOT_SHOWN if found.passes else UNEVEN
    return DuplicateTest(
        found=found,
        allowed=allowed,
        beyond=found.s_sam / mean,
        beyond_high=high,
        level=level,
        power=power,
        verdict=verdict,
        visible=math.sqrt(max(0.0, limit / least - within) / 2) / mean,
        units_that_would_tell=_units_to_tell(2 * found.sigma_allowed_squared / within, level, power),
    )


def rate_interval(
    least: float, most: float, exposure: float, *, grain: float, level: float = 0.95
) -> Interval:
    """Return limits of gold (or colours) per exposure behind what was found, `least` to `most` where some is below the scale.

    Gamma limits of so many grains of `grain` each: Garwood's exact ones for colours (grain 1). Nothing found still has an upper
    limit. Fay and Feuer's for one class, see `colours.gold_interval_mg`.

    >>> round(rate_interval(0, 0, 1.0, grain=1).high, 2)
    3.69
    """
    _check_share(level, "level")
    if not (0 <= least <= most and exposure > 0 and grain > 0):
        raise ValueError(
            f"{least} to {most} of grains of {grain} in {exposure}: least to most, and above zero."
        )
    tail = (1 - level) / 2
    low = float(gammaincinv(least / grain, tail)) * grain if least else 0.0
    high = float(gammaincinv(most / grain + 1, 1 - tail)) * grain
    return Interval(low / exposure, high / exposure, level)


def ratio_interval(
    one: tuple[float, float],
    other: tuple[float, float],
    one_exposure: float,
    other_exposure: float,
    level: float = 0.95,
) -> Interval:
    """Return limits of one rate over another, each given as grains (least, most) from ore of its exposure.

    Given their sum, grains of one are binomial: Clopper and Pearson's exact limits, as in `sampling.compare_counts`, with the
    beta law taken between whole numbers too. The lower limit takes the least of one and the most of the other.

    >>> limits = ratio_interval((20, 20), (10, 10), 1.0, 1.0)
    >>> round(limits.low, 2), round(limits.high, 2)
    (0.89, 4.78)
    """
    _check_share(level, "level")
    tail, per = (1 - level) / 2, other_exposure / one_exposure
    share = float(betaincinv(one[0], other[1] + 1, tail)) if one[0] else 0.0
    low = share / (1 - share) * per
    share = float(betaincinv(one[1] + 1, other[0], 1 - tail)) if other[0] else 1.0
    return Interval(low, share / (1 - share) * per if share < 1 else math.inf, level)


def gold_shares(masses: Sequence[float], grades: Sequence[float]) -> list[float]:
    """Return each lot's share of a blend's gold: mass x grade over their sum. A blend without gold raises ValueError.

    >>> gold_shares([10, 30], [6.0, 2.0])
    [0.5, 0.5]
    """
    gold = [mass * grade for mass, grade in zip(masses, grades, strict=True)]
    whole = math.fsum(gold)
    if not whole > 0:
        raise ValueError(phrase("None of these lots showed gold: there are no shares of it."))
    return [each / whole for each in gold]


def _units_to_tell(ratio: float, level: float, power: float) -> int | None:
    def tells(units: int) -> bool:
        return fdtr(units - 1, units, float(fdtri(units - 1, units, 1 - level)) * (1 + ratio)) >= power

    if not tells(MOST_PORTIONS):
        return None
    low, high = 1, MOST_PORTIONS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if tells(middle) else (middle, high)
    return high


def _floor_test(
    chi2: float,
    portions: int,
    mean: float,
    floor: float,
    tolerated: float,
    level: float,
    power: float,
    floor_df: float,
) -> FloorTest:
    df = portions - 1
    over_floor = chi2 / df
    high = floor**2 * (over_floor / _upper(level, df, floor_df) - 1)
    p_upper = _tail(over_floor, df, floor_df)
    beyond_high = math.sqrt(max(0.0, high))
    ratio = _upper(1 - level, df, floor_df) / _upper(power, df, floor_df)
    return FloorTest(
        portions=portions,
        mean=mean,
        relative_sd=floor * math.sqrt(over_floor),
        floor=floor,
        chi2=chi2,
        df=df,
        p_upper=p_upper,
        beyond=floor * math.sqrt(max(0.0, over_floor - 1)),
        beyond_high=beyond_high,
        tolerated=tolerated,
        level=level,
        power=power,
        verdict=EVEN if beyond_high <= tolerated else UNEVEN if p_upper < 1 - level else NOT_SHOWN,
        visible=floor * math.sqrt(ratio - 1),
        portions_that_would_tell=portions_to_tell(
            floor, tolerated, level=level, power=power, floor_df_each=floor_df / portions
        ),
    )


def _upper(tail: float, df: float, floor_df: float) -> float:
    """What a variance ratio passes with the chance `tail`: chi-squared over df, or F where the floor has df of its own."""
    return float(chdtri(df, tail)) / df if math.isinf(floor_df) else float(fdtri(df, floor_df, 1 - tail))


def _tail(ratio: float, df: float, floor_df: float) -> float:
    return float(chdtrc(df, ratio * df)) if math.isinf(floor_df) else float(fdtrc(df, floor_df, ratio))


def _check_share(value: float, name: str) -> None:
    if not 0 < value < 1:
        raise ValueError(f"{name} lies between 0 and 1, not {value}.")
