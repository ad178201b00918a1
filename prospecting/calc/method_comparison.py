"""Two ways of measuring the same thing: how far apart, how well agreed, and the line between them with errors on both sides.

Loads numpy and scipy.special; import it inside the function that needs it. Pairs are complete and in one unit; a missing value
raises ValueError. A field estimate below the assay may be recovery and not bias: see `apparent_recovery`. Sources, cited from
memory: J. M. Bland and D. G. Altman, Lancet 1986 i 307 and Statistical Methods in Medical Research 8 (1999) 135; L. I. Lin,
Biometrics 45 (1989) 255 and 56 (2000) 324; K. Linnet, Clinical Chemistry 39 (1993) 424; B. D. Ripley and M. Thompson, The
Analyst 112 (1987) 377; H. Passing and W. Bablok, Journal of Clinical Chemistry and Clinical Biochemistry 21 (1983) 709.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri, stdtrit

from prospecting.calc.checks import checked_pairs, checked_values
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.sampling import Interval

# The usual figure, rounded from 1.95996.
USUAL_MULTIPLIER = 1.96
# Directions tried before the best one is refined: the sum of squares may dip twice.
DIRECTIONS = 181
# Differences are rounded to so many digits of the largest value, so that ties stay ties.
DIGITS = 12


@dataclass(frozen=True)
class Agreement:
    """Limits that hold nearly all differences a - b (or, from logs, ratios a / b), with the interval of each limit."""

    pairs: int
    mean: float
    sd: float
    low: float
    high: float
    se_mean: float
    se_limit: float
    mean_interval: Interval
    low_interval: Interval
    high_interval: Interval


@dataclass(frozen=True)
class RatioAgreement:
    """Agreement on the log scale: geometric mean of a / b, and the limits most ratios lie between."""

    pairs: int
    ratio: float
    low: float
    high: float
    ratio_interval: Interval
    low_interval: Interval
    high_interval: Interval


@dataclass(frozen=True)
class Repeatability:
    """Spread of one method on the same material; two results differ by less than `coefficient` in about 95 %."""

    within_sd: float
    coefficient: float


@dataclass(frozen=True)
class Concordance:
    """Lin's concordance: Pearson's r times the bias factor; 1 is the line of equality."""

    concordance: float
    pearson_r: float
    bias_factor: float
    interval: Interval


@dataclass(frozen=True)
class Line:
    """y = intercept + slope x."""

    intercept: float
    slope: float


@dataclass(frozen=True)
class FittedLine:
    """y = intercept + slope x, with intervals of both."""

    intercept: float
    slope: float
    intercept_interval: Interval
    slope_interval: Interval


@dataclass(frozen=True)
class ApparentRecovery:
    """Panned over assayed: `recovery` is the geometric mean of the ratios with its `interval`; `one_pair` holds a further one."""

    pairs: int
    recovery: float
    interval: Interval
    one_pair: Interval


def limits_of_agreement(
    a: Sequence[float], b: Sequence[float], *, multiplier: float = USUAL_MULTIPLIER, level: float = 0.95
) -> Agreement:
    """Return how far method a lies from method b on average, and the limits most differences lie between.

    Parameters
    ----------
    a, b : sequence of float, shape (n,), n at least 3
        Differences without any spread raise ValueError.
    multiplier : float
        Limits are mean +- so many sds: 1.96, or 2 as rounded in the paper of 1986.
    level : float
        Confidence of the intervals of the mean and of the limits.

    Notes
    -----
    Bland and Altman (1986): se of the mean s/sqrt(n), of a limit about sqrt(3 s^2/n), both with Student's t. Supposes the
    differences do not grow with size; where they do, take `ratio_limits`. Plot against the mean of both.

    >>> found = limits_of_agreement([494, 395, 516, 434], [512, 430, 520, 428])
    >>> found.mean, round(found.sd, 2)
    (-12.75, 17.8)
    """
    first, second = checked_pairs(a, b, "a", "b", at_least=3)
    return _agreement(np.subtract(first, second), multiplier, level)


def ratio_limits(
    a: Sequence[float], b: Sequence[float], *, multiplier: float = USUAL_MULTIPLIER, level: float = 0.95
) -> RatioAgreement:
    """Return the limits most ratios a / b lie between: limits of agreement of the logarithms.

    As `limits_of_agreement`; for results whose spread grows with their size, as grades do. A value not above zero has no
    logarithm and raises ValueError: treat what lies below a limit openly, do not drop it.

    >>> found = ratio_limits([2.0, 4.1, 7.8, 16.5], [1.0, 2.0, 4.0, 8.0])
    >>> round(found.ratio, 3)
    2.015
    """
    first, second = checked_pairs(a, b, "a", "b", at_least=3, above_zero=True)
    found = _agreement(np.log(first) - np.log(second), multiplier, level)
    return RatioAgreement(
        pairs=found.pairs,
        ratio=math.exp(found.mean),
        low=math.exp(found.low),
        high=math.exp(found.high),
        ratio_interval=_exp_interval(found.mean_interval),
        low_interval=_exp_interval(found.low_interval),
        high_interval=_exp_interval(found.high_interval),
    )


def repeatability(first: Sequence[float], second: Sequence[float]) -> Repeatability:
    """Return the spread of one method from duplicates: sd sqrt(mean d^2 / 2), coefficient 2 sqrt(mean d^2).

    Bland and Altman (1986); the mean difference between first and second is taken as zero.

    >>> repeatability([494, 395, 516], [490, 397, 512]).coefficient
    6.928203230...
    """
    a, b = checked_pairs(first, second, "first", "second")
    mean_square = float(np.mean(np.subtract(a, b) ** 2))
    return Repeatability(math.sqrt(mean_square / 2), 2 * math.sqrt(mean_square))


def concordance(x: Sequence[float], y: Sequence[float], level: float = 0.95) -> Concordance:
    """Return how closely pairs lie to the line of equality, with an interval.

    Parameters
    ----------
    x, y : sequence of float, shape (n,), n at least 4
        A side that does not vary, pairs without any correlation, and pairs exactly on a line raise ValueError: they have no
        interval.
    level : float

    Notes
    -----
    Lin (1989), variances with divisor n: 2 s12 / (s1^2 + s2^2 + (m1 - m2)^2); interval by Fisher's z with the asymptotic
    variance as corrected in 2000. Depends on the range of the samples, like every correlation.

    >>> round(concordance([1, 2, 3, 4, 5], [1.1, 2.1, 2.9, 4.2, 5.1]).concordance, 3)
    0.996
    """
    first, second = (np.array(side) for side in checked_pairs(x, y, "x", "y", at_least=4))
    _check_level(level)
    _check_varies(first, "x")
    _check_varies(second, "y")
    n = len(first)
    sd_x, sd_y = first.std(), second.std()
    r = float(np.mean((first - first.mean()) * (second - second.mean())) / (sd_x * sd_y))
    if r == 0 or 1 - abs(r) < 1e-12:
        raise ValueError(
            phrase(
                "Pearson's r is {r}: without scatter, or without correlation, there is no interval.",
                r=numeral(r, ".6g"),
            )
        )
    shift = float((first.mean() - second.mean()) / math.sqrt(sd_x * sd_y))
    factor = float(2 / (sd_x / sd_y + sd_y / sd_x + shift**2))
    ccc = r * factor
    variance = (
        (1 - r**2) * ccc**2 * (1 - ccc**2) / r**2
        + 2 * ccc**3 * (1 - ccc) * shift**2 / r
        - ccc**4 * shift**4 / (2 * r**2)
    ) / (n - 2)
    margin = _normal_quantile(level) * math.sqrt(max(0.0, variance)) / (1 - ccc**2)
    centre = math.atanh(ccc)
    return Concordance(
        ccc, r, factor, Interval(math.tanh(centre - margin), math.tanh(centre + margin), level)
    )


def least_squares_line(x: Sequence[float], y: Sequence[float], sd_y: Sequence[float] | None = None) -> Line:
    """Return the ordinary line of y on x, weighted by 1/sd_y^2 where that is given; only for contrast here.

    It takes x as free of error; where x has error the slope comes out too flat.

    >>> least_squares_line([1, 2, 3], [2, 4, 6]).slope
    2.0
    """
    first, second = (np.array(side) for side in checked_pairs(x, y, "x", "y", at_least=2))
    _check_varies(first, "x")
    weights = np.ones(len(first)) if sd_y is None else _positive_errors(sd_y, "sd_y", len(first)) ** -2.0
    mean_x, mean_y = np.average(first, weights=weights), np.average(second, weights=weights)
    slope = np.sum(weights * (first - mean_x) * (second - mean_y)) / np.sum(weights * (first - mean_x) ** 2)
    return Line(float(mean_y - slope * mean_x), float(slope))


def deming(
    x: Sequence[float],
    y: Sequence[float],
    *,
    variance_ratio_y_over_x: float | None = None,
    variance_ratio_x_over_y: float | None = None,
    level: float = 0.95,
) -> FittedLine:
    """Return the line between two methods that both have error, the ratio of their error variances being known.

    Parameters
    ----------
    x, y : sequence of float, shape (n,), n at least 4
        Pairs whose covariance is zero have no such line, those that hang on one pair no interval; both raise ValueError.
    variance_ratio_y_over_x, variance_ratio_x_over_y : float
        The ratio of the error variances, in one of the two conventions of the literature. Give exactly one, above zero.
    level : float
        Confidence of the intervals, from leaving out one pair at a time (jackknife, Student's t with n - 2, Linnet 1993).

    Notes
    -----
    With L = var(err y) / var(err x): b = [syy - L sxx + sqrt((syy - L sxx)^2 + 4 L sxy^2)] / (2 sxy), a = mean y - b mean x
    (P. J. Cornbleet and N. Gochman, Clinical Chemistry 25 (1979) 432). L = 1 measures at right angles to the line.

    >>> fit = deming([1, 2, 3, 4], [1.1, 1.9, 3.2, 3.9], variance_ratio_y_over_x=1)
    >>> round(fit.slope, 3)
    0.976
    """
    if (variance_ratio_y_over_x is None) == (variance_ratio_x_over_y is None):
        raise ValueError(
            "Give the variance ratio in one convention, y over x or x over y, not in both or none."
        )
    given = variance_ratio_x_over_y if variance_ratio_y_over_x is None else variance_ratio_y_over_x
    if not (given > 0 and math.isfinite(given)):
        raise ValueError(f"A ratio of variances must be above zero, not {given}.")
    ratio = 1 / given if variance_ratio_y_over_x is None else given
    first, second = (np.array(side) for side in checked_pairs(x, y, "x", "y", at_least=4))

    def line(kept) -> Line:
        return _deming_line(first[kept], second[kept], ratio)

    return _with_jackknife(line, len(first), level)


def line_with_errors_on_both_sides(
    x: Sequence[float],
    y: Sequence[float],
    sd_x: Sequence[float],
    sd_y: Sequence[float],
    level: float = 0.95,
) -> FittedLine:
    """Return the line between two methods when each result carries its own standard errors.

    Parameters
    ----------
    x, y : sequence of float, shape (n,), n at least 4
        A side that does not vary, also without one of the pairs, raises ValueError.
    sd_x, sd_y : sequence of float, shape (n,)
        Standard errors (k = 1), above zero.
    level : float
        Confidence of the intervals, from leaving out one pair at a time (jackknife, Student's t with n - 2).

    Notes
    -----
    Ripley and Thompson (1987): the a and b that make sum (y - a - b x)^2 / (sd_y^2 + b^2 sd_x^2) smallest. For each direction
    the best a is a weighted mean, so only the direction is searched: all round first, then finely about the best.

    >>> fit = line_with_errors_on_both_sides([1, 2, 3, 4], [1.1, 1.9, 3.2, 3.9], [0.1] * 4, [0.1] * 4)
    >>> round(fit.slope, 3)
    0.976
    """
    first, second = (np.array(side) for side in checked_pairs(x, y, "x", "y", at_least=4))
    error_x = _positive_errors(sd_x, "sd_x", len(first))
    error_y = _positive_errors(sd_y, "sd_y", len(first))

    def line(kept) -> Line:
        return _two_sided_line(first[kept], second[kept], error_x[kept], error_y[kept])

    return _with_jackknife(line, len(first), level)


def passing_bablok(x: Sequence[float], y: Sequence[float], level: float = 0.95) -> FittedLine:
    """Return the line between two methods from the median of the slopes of all pairs of points; no outlier pulls it far.

    Parameters
    ----------
    x, y : sequence of float, shape (n,), n at least 3
        Methods that run against each other, or too few slopes left for the median, raise ValueError.
    level : float
        Confidence of the intervals; a limit the data do not reach is infinite.

    Notes
    -----
    Passing and Bablok (1983): slopes of equal points and slopes of exactly -1 are left out, and the median is shifted by the
    number of slopes below -1, which treats x and y alike. The interval takes the ranks (N -+ C)/2, rounded, with C = z
    sqrt(n (n - 1)(2 n + 5)/18); that of the intercept follows from the slope's. Differences are rounded before dividing, so
    that slopes equal on paper are equal here. Of two middle slopes the mean is taken (some programs average their angles).

    >>> passing_bablok([1, 2, 3, 4, 5, 6], [2, 1.2, 4.1, 3.5, 6.3, 3]).slope
    1.05
    """
    first, second = (np.array(side) for side in checked_pairs(x, y, "x", "y", at_least=3))
    _check_level(level)
    slopes = _pair_slopes(first, second)
    shift = int(np.sum(slopes < -1))
    count = len(slopes)
    if count == 0 or (count - 1) // 2 + shift >= count or count // 2 + shift >= count:
        raise ValueError(
            phrase(
                "Of {number} slopes between points {below} are below -1: the methods run against each other.",
                number=count,
                below=shift,
            )
        )
    slope = float(slopes[(count - 1) // 2 + shift] + slopes[count // 2 + shift]) / 2
    if not math.isfinite(slope):
        raise ValueError(
            phrase("Half the slopes between points are upright: x hardly varies, and no slope can be given.")
        )
    n = len(first)
    spread = _normal_quantile(level) * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    lower = round((count - spread) / 2)
    low, high = (_slope_at(slopes, rank + shift) for rank in (lower, count - lower + 1))
    return FittedLine(
        intercept=_median_intercept(first, second, slope),
        slope=slope,
        intercept_interval=Interval(
            _median_intercept(first, second, high), _median_intercept(first, second, low), level
        ),
        slope_interval=Interval(low, high, level),
    )


def apparent_recovery(
    panned: Sequence[float], assayed: Sequence[float], level: float = 0.95
) -> ApparentRecovery:
    """Return the panned grade as a share of the assayed one, over pairs of the same material, with its interval.

    Parameters
    ----------
    panned, assayed : sequence of float, shape (n,), n at least 3
        Grades in one unit. A value not above zero has no logarithm and raises ValueError; ratios that are all alike have no
        interval and do so too.
    level : float

    Notes
    -----
    Student's t on log(panned / assayed). Panning catches free gold, fire assay counts all of it: this is a recovery on these
    samples, never a calibration. `one_pair` is where a further pair would lie, wider by the spread of single pairs.

    >>> found = apparent_recovery([2.1, 3.0, 1.2, 4.4], [3.9, 5.2, 2.6, 7.7])
    >>> round(found.recovery, 3)
    0.535
    """
    pans, assays = checked_pairs(panned, assayed, "panned", "assayed", at_least=3, above_zero=True)
    found = _agreement(np.log(pans) - np.log(assays), USUAL_MULTIPLIER, level)
    margin = _student_quantile(level, found.pairs - 1) * math.hypot(found.sd, found.se_mean)
    one_pair = Interval(found.mean - margin, found.mean + margin, level)
    return ApparentRecovery(
        found.pairs, math.exp(found.mean), _exp_interval(found.mean_interval), _exp_interval(one_pair)
    )


def _agreement(differences: np.ndarray, multiplier: float, level: float) -> Agreement:
    _check_level(level)
    if not (multiplier > 0 and math.isfinite(multiplier)):
        raise ValueError(f"Limits are so many sds off the mean, above zero, not {multiplier}.")
    _check_varies(differences, phrase("the difference"))
    n = len(differences)
    mean, sd = float(differences.mean()), float(differences.std(ddof=1))
    low, high = mean - multiplier * sd, mean + multiplier * sd
    se_mean, se_limit = sd / math.sqrt(n), math.sqrt(3 * sd**2 / n)
    t = _student_quantile(level, n - 1)
    return Agreement(
        pairs=n,
        mean=mean,
        sd=sd,
        low=low,
        high=high,
        se_mean=se_mean,
        se_limit=se_limit,
        mean_interval=Interval(mean - t * se_mean, mean + t * se_mean, level),
        low_interval=Interval(low - t * se_limit, low + t * se_limit, level),
        high_interval=Interval(high - t * se_limit, high + t * se_limit, level),
    )


def _exp_interval(interval: Interval) -> Interval:
    return Interval(math.exp(interval.low), math.exp(interval.high), interval.level)


def _deming_line(x: np.ndarray, y: np.ndarray, ratio: float) -> Line:
    mean_x, mean_y = x.mean(), y.mean()
    sxx, syy = np.mean((x - mean_x) ** 2), np.mean((y - mean_y) ** 2)
    sxy = np.mean((x - mean_x) * (y - mean_y))
    if sxy == 0:
        raise ValueError(phrase("x and y do not vary together (covariance 0): no line lies between them."))
    tilt = syy - ratio * sxx
    slope = (tilt + math.hypot(tilt, 2 * math.sqrt(ratio) * sxy)) / (2 * sxy)
    return Line(float(mean_y - slope * mean_x), float(slope))


def _two_sided_line(x: np.ndarray, y: np.ndarray, error_x: np.ndarray, error_y: np.ndarray) -> Line:
    from scipy.optimize import minimize_scalar

    _check_varies(x, "x")
    _check_varies(y, "y")
    # Directions on scales where both sides vary alike, so that none is crowded out.
    scale = y.std() / x.std()

    def at(angles: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Sum of squares, intercept and slope for each direction."""
        slopes = scale * np.tan(angles)
        weights = 1 / (error_y**2 + np.outer(slopes, error_x) ** 2)
        rests = y - np.outer(slopes, x)
        intercepts = np.sum(weights * rests, axis=1) / np.sum(weights, axis=1)
        return np.sum(weights * (rests - intercepts[:, None]) ** 2, axis=1), intercepts, slopes

    step = math.pi / DIRECTIONS
    angles = (np.arange(DIRECTIONS) + 0.5) * step - math.pi / 2
    best = angles[np.argmin(at(angles)[0])]
    found = minimize_scalar(
        lambda angle: at(np.array([angle]))[0][0],
        bounds=(best - step, best + step),
        method="bounded",
        options={"xatol": 1e-10},
    )
    _, (intercept,), (slope,) = at(np.array([found.x]))
    return Line(float(intercept), float(slope))


def _with_jackknife(line: Callable[[np.ndarray], Line], n: int, level: float) -> FittedLine:
    """The line of all pairs, with intervals from the lines that leave out one pair each."""
    _check_level(level)
    everything = np.ones(n, dtype=bool)
    whole = line(everything)
    pseudo = []
    for i in range(n):
        kept = everything.copy()
        kept[i] = False
        try:
            part = line(kept)
        except ValueError as error:
            raise ValueError(
                phrase("Without pair {pair} there is no line, so its interval is not known.", pair=i + 1)
            ) from error
        pseudo.append(
            [
                n * whole.intercept - (n - 1) * part.intercept,
                n * whole.slope - (n - 1) * part.slope,
            ]
        )
    margins = _student_quantile(level, n - 2) * np.std(pseudo, axis=0, ddof=1) / math.sqrt(n)
    return FittedLine(
        whole.intercept,
        whole.slope,
        *(
            Interval(float(value - margin), float(value + margin), level)
            for value, margin in zip((whole.intercept, whole.slope), margins, strict=True)
        ),
    )


def _pair_slopes(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Slopes between all pairs of points, sorted; an upright one is +inf, which the shift treats like -inf."""
    first, second = np.triu_indices(len(x), 1)
    across = _rounded(x[second] - x[first], x)
    up = _rounded(y[second] - y[first], y)
    differ = (across != 0) | (up != 0)
    across, up = across[differ], up[differ]
    slopes = np.full(len(across), math.inf)
    np.divide(up, across, out=slopes, where=across != 0)
    return np.sort(slopes[slopes != -1])


def _rounded(differences: np.ndarray, values: np.ndarray) -> np.ndarray:
    largest = np.abs(values).max()
    if largest == 0:
        return differences
    return np.round(differences, DIGITS - math.ceil(math.log10(largest)))


def _slope_at(slopes: np.ndarray, rank: int) -> float:
    """The slope of this rank, counted from 1; infinite outside the slopes there are."""
    if rank < 1:
        return -math.inf
    return float(slopes[rank - 1]) if rank <= len(slopes) else math.inf


def _median_intercept(x: np.ndarray, y: np.ndarray, slope: float) -> float:
    if math.isinf(slope):
        return -slope
    return float(np.median(y - slope * x))


def _student_quantile(level: float, df: int) -> float:
    return float(stdtrit(df, (1 + level) / 2))


def _normal_quantile(level: float) -> float:
    return float(ndtri((1 + level) / 2))


def _positive_errors(errors: Sequence[float], name: str, n: int) -> np.ndarray:
    values = np.array(checked_values(errors, name, at_least=n))
    if len(values) != n:
        raise ValueError(f"{name} has {len(values)} entries for {n} pairs.")
    if values.min() <= 0:
        raise ValueError(f"{name} has {numeral(values.min(), 'g')}: a standard error must be above zero.")
    return values


def _check_varies(values: np.ndarray, name: str) -> None:
    if np.ptp(values) == 0:
        raise ValueError(
            phrase("{name} is {value} throughout: it has to vary.", name=name, value=numeral(values[0], "g"))
        )


def _check_level(level: float) -> None:
    if not 0 < level < 1:
        raise ValueError(f"A confidence level lies between 0 and 1, not {level}.")
