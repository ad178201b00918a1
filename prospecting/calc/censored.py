"""Grades of which some lie below a detection limit: estimates that make up no value for them.

Loads numpy and scipy; import it inside the function that needs it. A result is a value and a flag: flagged, the value is the
limit it lies below. Replacing it by zero, by the limit or by half of it is guessing; `half_limit_mean` is there only for
contrast. Sources, cited from memory: D. R. Helsel, Statistics for Censored Environmental Data (2012); D. R. Helsel and T. A.
Cohn, Water Resources Research 24 (1988) 1997; R. J. Olsen, Econometrica 46 (1978) 1211.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import betaincinv, log_ndtr, ndtri

from prospecting.calc.language import phrase
from prospecting.calc.quality_control import checked_values

LOG_ROOT_2_PI = math.log(2 * math.pi) / 2


@dataclass(frozen=True)
class KaplanMeier:
    """Detected values (rising) with their shares of all results, and the share left over below the lowest of them.

    Programs differ in where they put what is left over; both means are given. They are one when nothing is.
    """

    detects: tuple[float, ...]
    shares: tuple[float, ...]
    leftover: float
    mean_leftover_at_smallest_detect: float
    mean_leftover_at_smallest_limit: float


@dataclass(frozen=True)
class OrderStatisticsFit:
    """Robust regression on order statistics: detects as measured, the others read off the line through the detects.

    `values` are all of them, rising; moments are of these (sds with divisor n - 1), `imputed` those that were read off.
    """

    values: tuple[float, ...]
    imputed: tuple[float, ...]
    mean: float
    sd: float
    median: float
    log_mean: float
    log_sd: float


@dataclass(frozen=True)
class LognormalFit:
    """Maximum likelihood fit of logarithms; `mean` is exp(log_mean + log_sd^2 / 2)."""

    log_mean: float
    log_sd: float
    mean: float


def kaplan_meier(values: Sequence[float], is_below: Sequence[bool]) -> KaplanMeier:
    """Return the Kaplan-Meier estimate of the grades, flipped for limits on the low side.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        Grades, or the limits they lie below.
    is_below : sequence of bool, shape (n,)
        True where the value is a limit. All True raises ValueError: such a set has no mean, see `upper_share_above`.

    Notes
    -----
    From the top down, each detect x keeps the share 1 - d/n of what is below it, d of them at x among n results at or below
    x (a limit of x counts as below x). Takes the limits as having nothing to do with the grades.

    >>> found = kaplan_meier([1.0, 2.0, 3.0, 4.0], [True, False, False, False])
    >>> round(found.leftover, 12), round(found.mean_leftover_at_smallest_limit, 12)
    (0.25, 2.5)
    """
    numbers, below = _checked(values, is_below)
    detects, limits = numbers[~below], numbers[below]
    at = np.unique(detects)
    left, shares = 1.0, []
    for value in at[::-1]:
        share = left * np.sum(detects == value) / np.sum(numbers <= value)
        shares.append(float(share))
        left -= share
    shares.reverse()
    # With no limit at or below the lowest detect the last factor takes everything, up to rounding.
    leftover = float(left) if np.any(limits <= at[0]) else 0.0
    counted = float(np.dot(shares, at))
    lowest_limit = limits.min() if leftover else at[0]
    return KaplanMeier(
        detects=tuple(map(float, at)),
        shares=tuple(shares),
        leftover=leftover,
        mean_leftover_at_smallest_detect=counted + leftover * float(at[0]),
        mean_leftover_at_smallest_limit=counted + leftover * float(lowest_limit),
    )


def robust_ros(values: Sequence[float], is_below: Sequence[bool]) -> OrderStatisticsFit:
    """Return mean, sd and median of grades where those below a limit are read off a line through the detects.

    Parameters
    ----------
    values, is_below : sequences, shape (n,)
        As in `kaplan_meier`, values above zero. Fewer than two different detects raise ValueError: they carry no line.

    Notes
    -----
    Plotting positions of Helsel and Cohn (1988) for several limits, constant 0; a least squares line of log detect on the
    normal quantile of its position; only the results below a limit are read off it, so no detect is touched.

    >>> found = robust_ros([1.0, 2.0, 3.0, 5.0], [True, False, False, False])
    >>> round(found.mean, 3), len(found.imputed)
    (2.708, 1)
    """
    numbers, below = _checked(values, is_below, above_zero=True)
    detects, limits = np.sort(numbers[~below]), np.sort(numbers[below])
    _check_two_detects(detects)
    detect_positions, limit_positions = _plotting_positions(detects, limits)
    slope, intercept = np.polyfit(ndtri(detect_positions), np.log(detects), 1)
    imputed = np.exp(intercept + slope * ndtri(limit_positions))
    everything = np.sort(np.concatenate([imputed, detects]))
    logs = np.log(everything)
    return OrderStatisticsFit(
        values=tuple(map(float, everything)),
        imputed=tuple(map(float, np.sort(imputed))),
        mean=float(everything.mean()),
        sd=float(everything.std(ddof=1)),
        median=float(np.median(everything)),
        log_mean=float(logs.mean()),
        log_sd=float(logs.std(ddof=1)),
    )


def lognormal_mle(values: Sequence[float], is_below: Sequence[bool]) -> LognormalFit:
    """Return the lognormal distribution under which detects and limits together are most likely.

    Parameters
    ----------
    values, is_below : sequences, shape (n,)
        As in `kaplan_meier`, values above zero. Fewer than two different detects raise ValueError: their spread is not known.

    Notes
    -----
    Density for each detect, chance of lying below for each limit. In 1/sd and mean/sd the likelihood has one summit
    (Olsen 1978). Without limits the sd has divisor n. Needs the grades to be lognormal, and some 50 of them to be good.

    >>> found = lognormal_mle([1.0, 2.0, 4.0], [False, False, False])
    >>> round(found.log_mean, 4), round(found.log_sd, 4)
    (0.6931, 0.566)
    """
    from scipy.optimize import minimize

    numbers, below = _checked(values, is_below, above_zero=True)
    detects, limits = np.log(numbers[~below]), np.log(numbers[below])
    _check_two_detects(detects)
    # On scales where the detects have mean 0 and sd 1, the search starts near the summit whatever the unit.
    centre, scale = float(detects.mean()), float(detects.std())
    detects, limits = (detects - centre) / scale, (limits - centre) / scale

    def minus_log_likelihood(at: np.ndarray) -> tuple[float, np.ndarray]:
        log_inverse, ratio = at
        inverse = math.exp(log_inverse)
        z, w = inverse * detects - ratio, inverse * limits - ratio
        likelihood = len(z) * log_inverse - np.sum(z**2) / 2 + np.sum(log_ndtr(w))
        # Density over chance below, without 0/0 far out.
        pull = np.exp(-(w**2) / 2 - LOG_ROOT_2_PI - log_ndtr(w))
        by_inverse = len(z) / inverse - np.sum(z * detects) + np.sum(pull * limits)
        by_ratio = np.sum(z) - np.sum(pull)
        return -float(likelihood), -np.array([by_inverse * inverse, by_ratio])

    none_fits = phrase("No lognormal distribution fits: the likelihood of these results has no summit.")
    try:
        found = minimize(
            minus_log_likelihood, np.zeros(2), jac=True, method="BFGS", options={"gtol": 1e-9 * len(numbers)}
        )
        _, slope = minus_log_likelihood(found.x)
        sd = scale / math.exp(found.x[0])
        mean = centre + found.x[1] * sd
        fit = LognormalFit(float(mean), float(sd), math.exp(mean + sd**2 / 2))
    except OverflowError:
        # The search ran away: limits far below every detect.
        raise ValueError(none_fits) from None
    if not np.all(np.abs(slope) < 1e-5 * len(numbers)):
        raise ValueError(none_fits)
    return fit


def half_limit_mean(values: Sequence[float], is_below: Sequence[bool]) -> float:
    """Return the mean with half the limit put for each result below one: a guess, given only for contrast.

    >>> half_limit_mean([2.0, 4.0], [True, False])
    2.5
    """
    numbers, below = _checked(values, is_below)
    return float(np.where(below, numbers / 2, numbers).mean())


def upper_share_above(above: int, results: int, level: float = 0.95) -> float:
    """Return the one-sided upper limit of the share of the material above a limit, `above` of `results` having been so.

    For sets that lie below their limit altogether (`above` 0), which have no mean. Exact (C. J. Clopper and E. S. Pearson,
    Biometrika 26 (1934) 404). Counts that cannot be raise ValueError.

    >>> round(upper_share_above(0, 8), 4)
    0.3123
    """
    if not 0 <= above <= results or results < 1 or above != int(above) or results != int(results):
        raise ValueError(f"{above} of {results} results cannot lie above a limit.")
    if not 0 < level < 1:
        raise ValueError(f"A confidence level lies between 0 and 1, not {level}.")
    return 1.0 if above == results else float(betaincinv(above + 1, results - above, level))


def _plotting_positions(detects: np.ndarray, limits: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Positions (chances of lying below) of sorted detects and sorted limits, by Helsel and Cohn's scheme."""
    # The stretch from nothing to the lowest limit is one like the others, with every result above its lower end.
    edges = np.concatenate([[0.0], np.unique(limits), [math.inf]])
    exceedance = np.zeros(len(edges))
    exceedance[0] = 1.0
    for j in range(len(edges) - 2, 0, -1):
        inside = np.sum((detects >= edges[j]) & (detects < edges[j + 1]))
        beneath = np.sum(detects < edges[j]) + np.sum(limits <= edges[j])
        exceedance[j] = exceedance[j + 1] + inside / (inside + beneath) * (1 - exceedance[j + 1])
    of_detects, of_limits = [], []
    for j in range(len(edges) - 1):
        inside = int(np.sum((detects >= edges[j]) & (detects < edges[j + 1])))
        ranks = np.arange(1, inside + 1)
        width = exceedance[j] - exceedance[j + 1]
        of_detects.append(1 - exceedance[j] + width * ranks / (inside + 1))
        tied = int(np.sum(limits == edges[j]))
        of_limits.append((1 - exceedance[j]) * np.arange(1, tied + 1) / (tied + 1))
    return np.concatenate(of_detects), np.concatenate(of_limits)


def _checked(
    values: Sequence[float], is_below: Sequence[bool], *, above_zero: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    numbers = np.array(checked_values(values, "values", above_zero=above_zero))
    below = np.array([bool(flag) for flag in is_below])
    if len(numbers) != len(below):
        raise ValueError(f"{len(numbers)} values need as many flags, not {len(below)}.")
    if numbers.min() < 0 or np.any(numbers[below] <= 0):
        raise ValueError(phrase("A grade is zero or more, and a limit it lies below is above zero."))
    if below.all():
        raise ValueError(
            phrase(
                "All {number} results lie below their limits: such a set has no mean.", number=len(numbers)
            )
        )
    return numbers, below


def _check_two_detects(detects: np.ndarray) -> None:
    if len(np.unique(detects)) < 2:
        raise ValueError(
            phrase(
                "{number} different detected value: a fit needs two or more.", number=len(np.unique(detects))
            )
        )
