"""The mean of skewed grades: Sichel's t, Land's limit and the bootstrap beside the plain mean.

Loads numpy and scipy; import it inside the function that needs it. The geometric mean is not a grade, and the top value often
decides the mean: show both. Sources, cited from memory: D. J. Finney, Supplement to the Journal of the Royal Statistical
Society 7 (1941) 155; H. S. Sichel, Journal of the South African Institute of Mining and Metallurgy (1966); C. E. Land, Annals
of Mathematical Statistics 42 (1971) 1187; B. Efron and R. J. Tibshirani, An Introduction to the Bootstrap (1993).
"""

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import hyp0f1, stdtrit

from prospecting.calc.checks import checked_values
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.sampling import Interval

DRAWS_AT_ONCE = 1_000_000
LARGEST_LOG = math.log(sys.float_info.max)


@dataclass(frozen=True)
class LognormalMean:
    """Estimates of the mean of lognormal grades, beside the plain ones; `log_variance` has the divisor n - 1.

    `mean` is Finney's unbiased estimate, which is Sichel's t; `plug_in_mean` is exp(log mean + half the log variance).
    """

    values: int
    log_mean: float
    log_variance: float
    geometric_mean: float
    arithmetic_mean: float
    mean: float
    plug_in_mean: float
    top_value_share: float

    @property
    def log_variance_divisor_n(self) -> float:
        """Sichel's V."""
        return self.log_variance * (self.values - 1) / self.values

    @property
    def sichel_factor(self) -> float:
        """t over the geometric mean."""
        return self.mean / self.geometric_mean


@dataclass(frozen=True)
class LandLimit:
    """One-sided limit of a lognormal mean, exp(log mean + s^2/2 + H s/sqrt(n - 1)), and its H."""

    limit: float
    h_factor: float
    level: float


@dataclass(frozen=True)
class BootstrapMean:
    """Plain mean with two bootstrap intervals: of the percentiles, and corrected for bias and skewness (BCa)."""

    mean: float
    percentile: Interval
    bca: Interval
    resamples: int


def lognormal_mean(values: Sequence[float]) -> LognormalMean:
    """Return the unbiased estimate of the mean of lognormal grades, with the plain ones for contrast.

    Parameters
    ----------
    values : sequence of float, shape (n,), n at least 2
        Grades above zero; a zero has no logarithm and raises ValueError (see `censored` for results below a limit).

    Notes
    -----
    exp(mean y) 0F1((n - 1)/2; (n - 1)^2 s^2 / 4n) with y = ln grade: Finney's series in closed form. Good only if the grades
    are lognormal; the plain mean needs no such belief.

    >>> found = lognormal_mean([1.2, 0.4, 3.1, 0.9, 7.5, 0.6, 2.2, 1.5, 0.3, 14.0])
    >>> round(found.mean, 4), round(found.geometric_mean, 4)
    (2.9777, 1.5566)
    """
    grades = np.array(checked_values(values, "values", at_least=2, above_zero=True))
    logs = np.log(grades)
    n, log_mean, variance = len(logs), float(logs.mean()), float(logs.var(ddof=1))
    geometric = math.exp(log_mean)
    factor = float(hyp0f1((n - 1) / 2, (n - 1) ** 2 * variance / (4 * n)))
    return LognormalMean(
        values=n,
        log_mean=log_mean,
        log_variance=variance,
        geometric_mean=geometric,
        arithmetic_mean=float(grades.mean()),
        mean=geometric * factor,
        plug_in_mean=_exp(log_mean + variance / 2),
        top_value_share=float(grades.max() / grades.sum()),
    )


def land_limit(values: Sequence[float], level: float = 0.95, *, side: str = "upper") -> LandLimit:
    """Return Land's exact one-sided limit of the mean of lognormal grades.

    Parameters
    ----------
    values : sequence of float, shape (n,), n at least 3
        Grades above zero, not all alike; else ValueError.
    level : float
        One-sided confidence.
    side : {"upper", "lower"}

    Notes
    -----
    With a large log variance the upper limit runs far above any value there is, at last to infinity: show it next to
    `bootstrap_mean`. For a trial
    value m of ln(mean), the sum T of (y - m)^2 is sufficient for the unknown variance, and given T the mean log d off m has
    the density (T - n d^2)^((n - 3)/2) exp(-n d/2). The limit is the m that makes what was seen just so unlikely (Land 1971:
    no unbiased limit is sharper). Integrated over the angle whose cosine is -d sqrt(n/T).

    >>> found = land_limit([10, 13, 20, 36, 41, 59, 67, 110, 110, 136, 140, 160, 200, 230, 1300])
    >>> round(found.limit, 1)
    496.6
    """
    from scipy.optimize import brentq

    if side not in ("upper", "lower"):
        raise ValueError(f'A limit is "upper" or "lower", not {side!r}.')
    _check_level(level)
    logs = np.log(checked_values(values, "values", at_least=3, above_zero=True))
    n, mean, sd = len(logs), float(logs.mean()), float(logs.std(ddof=1))
    if sd == 0:
        raise ValueError(
            phrase(
                "All {number} values are {value}: their spread is not known.",
                number=n,
                value=numeral(math.exp(mean), "g"),
            )
        )
    chance = 1 - level if side == "upper" else level

    def at(h: float) -> float:
        return mean + sd**2 / 2 + h * sd / math.sqrt(n - 1)

    def excess(h: float) -> float:
        return _chance_below(mean - at(h), (n - 1) * sd**2, n) - chance

    low, high = -1.0, 1.0
    while excess(low) < 0:
        low *= 2
    while excess(high) > 0:
        high *= 2
    h = float(brentq(excess, low, high, xtol=1e-11))
    return LandLimit(_exp(at(h)), h, level)


def student_upper_limit(values: Sequence[float], level: float = 0.95) -> float:
    """Return the one-sided upper limit of the mean by Student's t: too low for skewed grades, given for contrast.

    >>> round(student_upper_limit([1.0, 2.0, 3.0]), 3)
    3.686
    """
    _check_level(level)
    grades = np.array(checked_values(values, "values", at_least=2))
    n = len(grades)
    return float(grades.mean() + stdtrit(n - 1, level) * grades.std(ddof=1) / math.sqrt(n))


def bootstrap_mean(
    values: Sequence[float], rng: np.random.Generator, *, level: float = 0.95, resamples: int = 20_000
) -> BootstrapMean:
    """Return the plain mean with its bootstrap intervals, without any belief about the shape of the grades.

    Parameters
    ----------
    values : sequence of float, shape (n,), n at least 3
        Grades, not all alike; else ValueError.
    rng : numpy.random.Generator
        Same generator and seed, same answer. The BCa upper limit of very skewed grades moves by some percent between seeds.
    resamples : int
        1000 or more.

    Notes
    -----
    Computed by scipy.stats.bootstrap. With a few very skewed values both intervals are too short on the high side, the
    percentile one most: no resampling knows the nugget that was missed.

    >>> found = bootstrap_mean([1.0, 2.0, 4.0, 9.0], np.random.default_rng(1))
    >>> found.percentile.low < found.mean < found.bca.high
    True
    """
    from scipy.stats import bootstrap

    _check_level(level)
    if resamples < 1000:
        raise ValueError(f"A bootstrap interval needs 1000 resamples or more, not {resamples}.")
    grades = np.array(checked_values(values, "values", at_least=3))
    if np.ptp(grades) == 0:
        raise ValueError(
            phrase(
                "All {number} values are {value}: their spread is not known.",
                number=len(grades),
                value=numeral(grades[0], "g"),
            )
        )
    # All resamples at once would fill the memory of a small computer.
    batch = max(1, DRAWS_AT_ONCE // len(grades))
    drawn = bootstrap(
        (grades,),
        np.mean,
        confidence_level=level,
        n_resamples=resamples,
        method="percentile",
        batch=batch,
        vectorized=True,
        rng=rng,
    )
    corrected = bootstrap(
        (grades,),
        np.mean,
        confidence_level=level,
        n_resamples=0,
        bootstrap_result=drawn,
        method="BCa",
        batch=batch,
        vectorized=True,
    )
    percentile, bca = (
        Interval(float(found.confidence_interval.low), float(found.confidence_interval.high), level)
        for found in (drawn, corrected)
    )
    return BootstrapMean(float(grades.mean()), percentile, bca, resamples)


def _chance_below(distance: float, squares: float, n: int) -> float:
    """Chance of a mean log at most `distance` off the trial value, given the sum of squares about it; see `land_limit`.

    Over the angle a, the density is sin(a)^(n - 2) exp(k cos a), and the distance is -sqrt(T/n) cos a.
    """
    from scipy.integrate import quad

    total = squares + n * distance**2
    k = math.sqrt(n * total) / 2
    # acos loses its digits near 0 and pi.
    seen = math.atan2(math.sqrt(squares), -distance * math.sqrt(n))
    peak_cosine = (math.sqrt((n - 2) ** 2 + 4 * k**2) - (n - 2)) / (2 * k)
    peak = math.acos(peak_cosine)
    log_peak = (n - 2) * math.log(math.sin(peak)) + k * peak_cosine
    width = 1 / math.sqrt((n - 2) / math.sin(peak) ** 2 + k * peak_cosine)

    def density(angle: float) -> float:
        sine = math.sin(angle)
        if sine <= 0:
            return 0.0
        return math.exp((n - 2) * math.log(sine) + k * math.cos(angle) - log_peak)

    def mass(low: float, high: float) -> float:
        # Beyond 12 widths of the peak nothing is left that counts; the marks keep the integrator from stepping over it.
        marks = [peak + step * width for step in (-12, -4, 0, 4, 12)]
        edges = [low, *(mark for mark in marks if low < mark < high), high]
        return math.fsum(
            quad(density, left, right, epsabs=0, epsrel=1e-11, limit=200)[0]
            for left, right in zip(edges, edges[1:], strict=False)
        )

    below, above = mass(0, seen), mass(seen, math.pi)
    return below / (below + above)


def _exp(x: float) -> float:
    """e^x, infinite beyond the largest float."""
    return math.exp(x) if x < LARGEST_LOG else math.inf


def _check_level(level: float) -> None:
    if not 0 < level < 1:
        raise ValueError(f"A confidence level lies between 0 and 1, not {level}.")
