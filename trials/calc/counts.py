"""Colours counted: exact intervals, two counts against each other, and whether colours clump."""

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import betainc, betaincinv, chdtrc, gammaincinv, gammaln

from prospecting.calc.language import phrase
from trials.calc.least_squares import Fit, fit
from trials.calc.levels import check_level
from trials.calc.simultaneous import find_root

# Share of trials whose scatter, were it chance alone, lies below what `least_dispersion` lets stand.
LUCKY = 0.1
# Logarithm of expected colours below which a fit is on its way to nothing at all.
RUN_OFF = -12.0


@dataclass(frozen=True)
class CountInterval:
    """A count per unit of exposure (per run, per kg) with its exact interval."""

    rate: float
    lower: float
    upper: float


@dataclass(frozen=True)
class CountRatio:
    """Two counts compared given their sum; the ratio is None when the second count is 0, a limit None when unbounded."""

    rate_ratio: float | None
    ratio_lower: float
    ratio_upper: float | None
    p_greater: float
    p_less: float
    p_doubled_tail: float
    p_small_likelihoods: float


@dataclass(frozen=True)
class Dispersion:
    """Variance over mean of counts in equal runs: near 1 when chance alone scatters the grains."""

    mean: float
    variance: float
    index: float | None
    chi2: float | None
    df: int
    p_upper: float | None


@dataclass(frozen=True)
class CountFit:
    """A log-linear fit of counts; `dispersion` is Pearson chi2 / df, not cut off at 1."""

    fit: Fit
    expected: np.ndarray
    pearson_chi2: float
    residual_deviance: float
    df: int
    dispersion: float
    p_upper: float


@dataclass(frozen=True)
class NegativeBinomial:
    """Clumped counts: a mean for each group and one size (small = clumped, large = plain chance)."""

    means: dict[Hashable, float]
    size: float
    log_likelihood: float


def count_interval(count: int, exposure: float = 1.0, confidence: float = 0.95) -> CountInterval:
    """Return the exact interval of a count (Garwood 1936): chi2(a/2; 2k)/2 to chi2(1-a/2; 2k+2)/2, per exposure.

    >>> count_interval(0).upper.__round__(2)
    3.69
    """
    check_level("confidence", confidence)
    _check_counts([count])
    if not 0 < exposure < math.inf:
        raise ValueError(f"exposure {exposure}: it must be above 0.")
    missed = (1 - confidence) / 2
    lower = float(gammaincinv(count, missed)) if count else 0.0
    upper = float(gammaincinv(count + 1, 1 - missed))
    return CountInterval(count / exposure, lower / exposure, upper / exposure)


def compare_two_counts(
    count_1: int, count_2: int, exposure_1: float = 1.0, exposure_2: float = 1.0, confidence: float = 0.95
) -> CountRatio:
    """Return the ratio of two rates with its exact interval, given the sum of the counts.

    Parameters
    ----------
    count_1, count_2 : int
        Colours; exposures are runs, or kg panned.

    Notes
    -----
    Given the sum, count_1 is binomial with p = e1/(e1+e2) when the rates agree (Przyborowski and Wilenski 1940,
    Biometrika 31, 313-323). The interval matches the doubled tail. It supposes that colours fall by chance alone; totals
    over runs that scatter more than chance look surer than they are.

    >>> compare_two_counts(0, 3).p_doubled_tail
    0.25
    """
    check_level("confidence", confidence)
    _check_counts([count_1, count_2])
    if not (0 < exposure_1 < math.inf and 0 < exposure_2 < math.inf):
        raise ValueError(f"exposures {exposure_1} and {exposure_2}: each must be above 0.")
    total, fair = count_1 + count_2, exposure_1 / (exposure_1 + exposure_2)
    p_greater = float(betainc(count_1, count_2 + 1, fair)) if count_1 else 1.0
    p_less = float(betainc(count_2, count_1 + 1, 1 - fair)) if count_2 else 1.0
    missed = (1 - confidence) / 2
    low = float(betaincinv(count_1, count_2 + 1, missed)) if count_1 else 0.0
    high = float(betaincinv(count_1 + 1, count_2, 1 - missed)) if count_2 else 1.0
    scale = exposure_2 / exposure_1
    return CountRatio(
        rate_ratio=count_1 / count_2 * scale if count_2 else None,
        ratio_lower=low / (1 - low) * scale if low < 1 else math.inf,
        ratio_upper=high / (1 - high) * scale if high < 1 else None,
        p_greater=p_greater,
        p_less=p_less,
        p_doubled_tail=min(1.0, 2 * min(p_greater, p_less)),
        p_small_likelihoods=_small_likelihoods(count_1, total, fair),
    )


def e_test_p(count_1: int, count_2: int, exposure_1: float = 1.0, exposure_2: float = 1.0) -> float:
    """Return the two-sided level of the E-test of two counts.

    Far surer than the exact level at small counts (0 against 3: 0.09, exact 0.25), so not for a verdict.
    """
    from scipy.stats import poisson_means_test

    return float(poisson_means_test(count_1, exposure_1, count_2, exposure_2).pvalue)


def dispersion(counts: Sequence[int]) -> Dispersion:
    """Return variance over mean of the colours in equal runs, with Fisher's chi-squared for plain chance.

    The index is None where no colours were seen. Two runs or more, else ValueError.

    >>> round(dispersion([3, 11, 6, 2, 14, 5, 9, 4]).index, 2)
    2.61
    """
    _check_counts(counts)
    if len(counts) < 2:
        raise ValueError(f"{len(counts)} run: scatter needs at least 2.")
    df = len(counts) - 1
    mean = math.fsum(counts) / len(counts)
    variance = math.fsum((count - mean) ** 2 for count in counts) / df
    if mean == 0:
        return Dispersion(mean, variance, None, None, df, None)
    chi2 = df * variance / mean
    return Dispersion(mean, variance, variance / mean, chi2, df, float(chdtrc(df, chi2)))


def least_dispersion(df: int) -> float:
    """Return the Pearson chi2 / df that chance alone stays above in nine trials of ten.

    Runs that agree better still owe it to luck. The tenth is our own choice: a floor of 1 under a Student's t of few df
    makes 95 % intervals cover 99.8 %, and no floor at all lets a lucky trial look far surer than it is. With the lowest tenth
    they cover 95 % where hands make the scatter, and 95 (many df) to 97 % (2 df) where chance alone does; the runs of the one
    lucky trial in ten still cover 84 to 92 % (chi-squared theory; tests/calibration).

    >>> round(least_dispersion(2), 4)  # -ln 0.9
    0.1054
    """
    if df < 1:
        raise ValueError(f"{df} degrees of freedom: scatter needs at least 1.")
    return float(gammaincinv(df / 2, LUCKY)) / (df / 2)


def fit_counts(counts: Sequence[int], *factors: Sequence[Hashable]) -> CountFit:
    """Return the log-linear fit of counts by treatment (given first), block, ...: Poisson likelihood, log link.

    Iterated weighted least squares. Every level must hold a colour: a level with none has no logarithm, so leave it out
    beforehand. Raises ValueError where the runs leave no df, or the fit runs off because runs are missing.
    """
    _check_counts(counts)
    seen = np.asarray(counts, dtype=float)
    return _log_linear(seen, np.log(seen + 0.5), factors)


def fit_masses(values_mg: Sequence[float], *factors: Sequence[Hashable]) -> CountFit:
    """Return the log-linear fit of masses by treatment (given first), block, ...: variance proportional to the mean.

    Parameters
    ----------
    values_mg : sequence of float, shape (n,)
        0 or above; anything else raises ValueError, and so do masses that fit nowhere (a treatment without any) and a
        plan that leaves no df.

    Notes
    -----
    The equations of `fit_counts` need no whole numbers (quasi-likelihood; Wedderburn 1974, Biometrika 61, 439-447, from
    memory). A sum of grains that fall by chance has just this variance: mean x (mean of g^2 / mean of g), g a grain's
    mass. `dispersion` is in mg. Deviance and `p_upper` are those of counts and mean nothing here.

    >>> fit_masses([2.0, 3.0, 4.0, 6.0], ["a", "b", "a", "b"], [1, 1, 2, 2]).expected.round(6).tolist()
    [2.0, 3.0, 4.0, 6.0]
    """
    for value in values_mg:
        if not (value >= 0 and math.isfinite(value)):
            raise ValueError(f"{value} mg: a mass is not below 0.")
    seen = np.asarray(values_mg, dtype=float)
    # A first guess only: the fit itself takes a mass of nothing as it is.
    least = float(seen[seen > 0].min()) if seen.any() else 1.0
    return _log_linear(seen, np.log(np.maximum(seen, least / 2)), factors)


def _log_linear(seen: np.ndarray, linear: np.ndarray, factors: Sequence[Sequence[Hashable]]) -> CountFit:
    """Iterated weighted least squares from a first guess of the logarithms."""
    middle = math.log(seen.mean()) if seen.any() else 0.0
    deviance, lowest = math.inf, 0.0
    plan = fit(linear, *factors)
    for _ in range(100):
        expected = np.exp(linear)
        step = plan.with_values(linear + (seen - expected) / expected, expected)
        linear = np.clip(step.design @ step.coefficients + step.centre, -30, 30)
        lowest = min(lowest, float(linear.min()) - min(0.0, middle))
        before, deviance = deviance, _deviance(seen, np.exp(linear))
        if abs(before - deviance) < 1e-12 * (min(1.0, math.exp(middle)) + deviance):
            break
    expected = np.exp(linear)
    if lowest < RUN_OFF:
        raise ValueError(phrase("Too many runs without colours, or missing: the counts cannot be fitted."))
    if step.df < 1:
        raise ValueError(
            phrase(
                "No run is left over to show the spread (0 degrees of freedom for the error): more blocks are needed."
            )
        )
    # Once more at the end, so the weights belong to the final fit.
    step = plan.with_values(linear + (seen - expected) / expected, expected)
    pearson = float(((seen - expected) ** 2 / expected).sum())
    return CountFit(
        step, expected, pearson, deviance, step.df, pearson / step.df, float(chdtrc(step.df, pearson))
    )


def fit_negative_binomial(frequency: Mapping[Hashable, Mapping[int, int]]) -> NegativeBinomial:
    """Return the negative binomial fit with a mean for each group and one common size, by maximum likelihood.

    Parameters
    ----------
    frequency : mapping of group to {count: how many runs had it}
        Counts that scatter no more than chance have no finite size: ValueError.
    """
    tables = {
        group: (np.array([float(c) for c in table]), np.array([float(n) for n in table.values()]))
        for group, table in frequency.items()
    }
    means = {group: float((counts * times).sum() / times.sum()) for group, (counts, times) in tables.items()}

    def log_likelihood(log_size: float) -> float:
        size, total = math.exp(log_size), 0.0
        for group, (counts, times) in tables.items():
            mean = means[group]
            if mean > 0:
                terms = gammaln(counts + size) - gammaln(size) - gammaln(counts + 1)
                terms += size * math.log(size / (size + mean)) + counts * math.log(mean / (size + mean))
                total += float(times @ terms)
        return total

    def slope(log_size: float) -> float:
        return log_likelihood(log_size + 1e-4) - log_likelihood(log_size - 1e-4)

    low, high = math.log(1e-3), math.log(1e4)
    if slope(low) <= 0 or slope(high) >= 0:
        raise ValueError("The counts scatter no more than chance: there is no clumping to fit.")
    best = find_root(slope, low, high, tolerance=1e-9)
    return NegativeBinomial(means, math.exp(best), log_likelihood(best))


def _deviance(seen: np.ndarray, expected: np.ndarray) -> float:
    logs = np.log(np.where(seen > 0, seen, 1.0) / np.where(seen > 0, expected, 1.0))
    return float(2 * (seen * logs - (seen - expected)).sum())


def _small_likelihoods(count: int, total: int, fair: float) -> float:
    every = np.arange(total + 1)
    logs = gammaln(total + 1) - gammaln(every + 1) - gammaln(total - every + 1)
    logs = logs + every * math.log(fair) + (total - every) * math.log1p(-fair)
    # Ties in likelihood count, though the last digits differ.
    return min(1.0, float(np.exp(logs[logs <= logs[count] + 1e-7]).sum()))


def _check_counts(counts: Sequence[int]) -> None:
    for count in counts:
        if count < 0 or count != int(count):
            raise ValueError(f"{count} colours: a count is a whole number, 0 or more.")
