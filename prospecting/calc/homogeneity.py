"""Whether a blended lot is even enough: duplicate portions, or one result per portion against what counting alone gives.

Loads scipy.special; import it inside the function that needs it. Sources, cited from memory: M. Thompson, S. L. R. Ellison
and R. Wood, Pure and Applied Chemistry 78 (2006) 145, appendix 1; T. Fearn and M. Thompson, The Analyst 126 (2001) 1414;
W. G. Cochran, Annals of Eugenics 11 (1941) 47; ISO 13528:2015 annex B; ISO Guide 35.
"""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import chdtr, chdtrc, chdtri, fdtrc, fdtri

from prospecting.calc.quality_control import checked_pairs, checked_values

# The protocol asks for so many units, each in duplicate.
ADVISED_UNITS = 10
SMALL_SHARE_OF_SIGMA = 0.3
# The assay's own sd has to stay below this share of the target, or the test sees nothing.
ASSAY_SHARE_OF_SIGMA = 0.5

EVEN, UNEVEN, NOT_SHOWN = "even enough", "uneven", "not shown"
# Beyond this a page says "many more" rather than a number.
MOST_PORTIONS = 10_000


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
        raise ValueError("All pairs are alike to the last digit: their spread is not known.")
    widest = max(squares)
    return Cochran(
        widest / math.fsum(squares), cochran_critical(len(a), 2, alpha), squares.index(widest), alpha
    )


def homogeneity_factors(units: int) -> HomogeneityFactors:
    """Return F1 = chi2(0.95; m - 1)/(m - 1) and F2 = (F(0.95; m - 1, m) - 1)/2 for m units in duplicate.

    Fearn and Thompson (2001), table 1. Fewer than two units raise ValueError.

    >>> found = homogeneity_factors(10)
    >>> round(found.f1, 2), round(found.f2, 2)
    (1.88, 1.01)
    """
    if units < 2:
        raise ValueError(f"Homogeneity needs at least two units, not {units}.")
    df = units - 1
    return HomogeneityFactors(float(chdtri(df, 0.05)) / df, (float(fdtri(df, units, 0.95)) - 1) / 2)


def sufficient_homogeneity(
    first: Sequence[float], second: Sequence[float], sigma_target: float
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
        factors=homogeneity_factors(units),
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
        raise ValueError(f"power lies between {1 - level:g}, what chance alone gives, and 1, not {power}.")
    mean = statistics.fmean(values)
    if mean == 0:
        raise ValueError("Portions without any gold have no relative spread.")
    relative_variance = statistics.variance(values) / mean**2
    df = len(values) - 1
    chi2 = df * relative_variance / floor**2
    p_upper = float(chdtrc(df, chi2))
    variance_high = df * relative_variance / float(chdtri(df, level))
    beyond_high = math.sqrt(max(0.0, variance_high - floor**2))
    verdict = EVEN if beyond_high <= tolerated else UNEVEN if p_upper < 1 - level else NOT_SHOWN
    return FloorTest(
        portions=len(values),
        mean=mean,
        relative_sd=math.sqrt(relative_variance),
        floor=floor,
        chi2=chi2,
        df=df,
        p_upper=p_upper,
        beyond=math.sqrt(max(0.0, relative_variance - floor**2)),
        beyond_high=beyond_high,
        tolerated=tolerated,
        level=level,
        power=power,
        verdict=verdict,
        visible=floor * math.sqrt(float(chdtri(df, 1 - level) / chdtri(df, power)) - 1),
        portions_that_would_tell=portions_to_tell(floor, tolerated, level=level, power=power),
    )


def portions_to_tell(
    floor: float, tolerated: float, *, level: float = 0.95, power: float = 0.8
) -> int | None:
    """Return how many portions `against_counting_floor` needs to tell an even lot from one `tolerated` beyond the floor.

    Both answers then come with the chance `power`. None means more than MOST_PORTIONS.

    >>> portions_to_tell(0.2, 0.2)
    30
    """
    if not (floor > 0 and tolerated > 0):
        raise ValueError(f"floor and tolerated must be above zero, not {floor} and {tolerated}.")
    ratio = 1 + (tolerated / floor) ** 2

    def tells(portions: int) -> bool:
        df = portions - 1
        sees_uneven = chdtrc(df, chdtri(df, 1 - level) / ratio)
        sees_even = chdtr(df, chdtri(df, level) * ratio)
        return min(sees_uneven, sees_even) >= power

    # Both chances grow with the number of portions: halve the range.
    low, high = 1, MOST_PORTIONS
    if not tells(high):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if tells(middle) else (middle, high)
    return high


def _check_share(value: float, name: str) -> None:
    if not 0 < value < 1:
        raise ValueError(f"{name} lies between 0 and 1, not {value}.")
