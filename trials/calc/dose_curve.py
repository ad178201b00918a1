"""A curve through the doses: log-logistic with its half-way dose, and a rise that ends on a plateau."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import expit, fdtrc, fdtri

from prospecting.calc.checks import numbers
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from trials.calc.simultaneous import find_root, t_quantile

FEWEST_LEVELS = 5
GAUSS_NEWTON = "gauss_newton"
OBSERVED = "observed"
# Slopes looked at before the fit is refined; steeper than this the doses show a step, not a curve.
SLOPES = np.geomspace(0.3, 20, 25)
STEEPEST = 200.0
HALF_WAYS = 41
# Points of the profile between two doses.
PROFILE_POINTS = 200
EXACT = 1e-12
# A step whose sum of squares is within this share of the curve's fits as well as the curve.
AS_WELL = 1e-6


@dataclass(frozen=True)
class EffectDose:
    """A dose read off the curve: `lower` and `upper` from ln(dose), always above 0; the symmetric ones may not be."""

    dose: float
    se: float
    lower: float
    upper: float
    symmetric_lower: float
    symmetric_upper: float
    beyond_the_tried: bool


@dataclass(frozen=True)
class LogLogistic:
    """y = c + (d - c) / (1 + (x / e)^b): d at dose 0, c far up, half-way at e, steepness b > 0.

    `information` names where the standard errors come from: "gauss_newton" (first derivatives only) or "observed" (second
    ones too); the two differ by up to about an eighth. `p_lack_of_fit` is small where the dose means stray from the curve
    more than repeats allow; None without repeats.
    """

    slope_b: float
    lower_c: float
    upper_d: float
    ed50: EffectDose
    ed90: EffectDose
    se_b: float
    se_c: float
    se_d: float
    residual_sd: float
    df: int
    information: str
    confidence: float
    p_lack_of_fit: float | None


@dataclass(frozen=True)
class BrokenStick:
    """y = intercept + slope min(dose, breakpoint): a line, then a plateau.

    `breakpoint_lower` is None where the data allow a break anywhere up to the second dose, `breakpoint_upper` where they
    allow none at all. `plateau_seen` needs two doses beyond the break.
    """

    intercept: float
    slope: float
    breakpoint: float
    plateau: float
    residual_ss: float
    df: int
    breakpoint_lower: float | None
    breakpoint_upper: float | None
    doses_beyond: int
    plateau_seen: bool


def log_logistic(
    dose: Sequence[float],
    response: Sequence[float],
    confidence: float = 0.95,
    information: str = GAUSS_NEWTON,
    start_bcde: Sequence[float] | None = None,
) -> LogLogistic:
    """Return the four-parameter log-logistic curve with the doses that bring 50 % and 90 % of the change.

    Parameters
    ----------
    dose, response : sequences of float, shape (n,)
        Doses of 0 or more, any unit; responses on a scale where runs scatter alike. Nothing missing. At least 5 different
        doses, and more than 4 runs.
    confidence : float
    information : "gauss_newton" or "observed"
    start_bcde : four floats or None
        A further start for the search, b and e above 0.

    Raises
    ------
    ValueError
        A value missing or out of its range, too few doses or runs, a half-way dose outside the doses tried, a step instead
        of a curve, a change that isn't there.

    Notes
    -----
    Least squares, refined with ln e in place of e from the best point of a grid over b and ln e. ED50 = e and
    ED90 = e 9^(1/b) are half and nine tenths of the way from d to c. Intervals by t with n - 4 degrees of freedom, the
    delta method on ln(dose) and, beside it, on the dose. Supposes a curve that never turns: see `dose_order.top_dose`.

    >>> x = [0, 0, 1, 1, 2, 2, 4, 4, 8, 8, 16, 16]
    >>> y = [9.9, 10.1, 9.4, 9.2, 8.1, 7.9, 4.6, 5.1, 2.4, 2.0, 1.1, 1.3]
    >>> round(log_logistic(x, y).ed50.dose, 2)
    3.59
    """
    x, y = _pairs(dose, response)
    levels = np.unique(x)
    if len(levels) < FEWEST_LEVELS:
        raise ValueError(
            phrase(
                "{doses} different doses: a log-logistic curve needs at least {least}.",
                doses=len(levels),
                least=FEWEST_LEVELS,
            )
        )
    if len(x) < 5:
        raise ValueError(phrase("{runs} runs: four parameters need at least 5.", runs=len(x)))
    if information not in (GAUSS_NEWTON, OBSERVED):
        raise ValueError(f"{information!r}: the information is {GAUSS_NEWTON} or {OBSERVED}.")
    if np.ptp(y) <= EXACT * np.abs(y).max():
        raise ValueError(phrase("All responses are equal: there is no change to fit."))
    with np.errstate(divide="ignore"):
        log_x = np.log(x)
    theta = _best_curve(log_x, y, start_bcde)
    b, c, d, log_e = theta.tolist()
    tried = levels[levels > 0].tolist()
    if not math.log(tried[0]) <= log_e <= math.log(tried[-1]):
        # A search that ran off may be past what a float can hold.
        half_way = math.exp(min(max(log_e, -700.0), 700.0))
        raise ValueError(
            phrase(
                "Half-way falls at a dose of {dose}, outside the {low} to {high} tried: the doses do not show both shoulders.",
                dose=numeral(half_way, ".3g"),
                low=numeral(tried[0], "g"),
                high=numeral(tried[-1], "g"),
            )
        )
    residual = y - _curve(theta, log_x)
    df = len(x) - 4
    ss = float(residual @ residual)
    # How steep a search ends that only gains by getting steeper hangs on the machine; that a step does as well does not.
    if b > STEEPEST or _step_ss(x, y) <= ss * (1 + AS_WELL):
        raise ValueError(phrase("The doses show a step and no curve: try doses in between."))
    if ss <= (EXACT * np.abs(y).max()) ** 2 * len(y):
        raise ValueError(phrase("The curve goes through every run exactly: there is no spread to judge by."))
    covariance = _covariance(theta, log_x, residual, information) * ss / df
    t = t_quantile((1 + _confident(confidence)) / 2, df)

    def read_off(row: list[float], log_dose: float) -> EffectDose:
        weights = np.array(row)
        se_log = math.sqrt(float(weights @ covariance @ weights))
        value = math.exp(log_dose)
        try:
            ends = math.exp(log_dose - t * se_log), math.exp(log_dose + t * se_log)
        except OverflowError:
            raise ValueError(
                phrase(
                    "A dose of {dose} with no end to its interval: the curve is not pinned down.",
                    dose=numeral(value, ".3g"),
                )
            ) from None
        return EffectDose(
            value,
            value * se_log,
            *ends,
            value * (1 - t * se_log),
            value * (1 + t * se_log),
            value > tried[-1],
        )

    se = np.sqrt(np.diag(covariance))
    return LogLogistic(
        b,
        c,
        d,
        read_off([0, 0, 0, 1], log_e),
        read_off([-math.log(9) / b**2, 0, 0, 1], log_e + math.log(9) / b),
        float(se[0]),
        float(se[1]),
        float(se[2]),
        math.sqrt(ss / df),
        df,
        information,
        confidence,
        _lack_of_fit(x, y, ss, df),
    )


def broken_stick(dose: Sequence[float], response: Sequence[float], confidence: float = 0.95) -> BrokenStick:
    """Return a line that ends on a plateau, with the interval of the dose at which it breaks.

    Parameters
    ----------
    dose, response : sequences of float, shape (n,)
        As in `log_logistic`; at least 3 different doses and 4 runs.
    confidence : float

    Raises
    ------
    ValueError
        A value missing or out of its range, too few doses or runs, responses that are all equal, no break: a straight
        line through all doses fits as well.

    Notes
    -----
    Between two neighbouring doses the least squares are a line through the lower doses and the mean of the upper ones; the
    break is where they cross, or one of the two doses. The best of all such is taken, so there is no search to stick.
    Interval: breaks whose sum of squares is within F(1, n-3) of the least (profile). Supposes a straight rise and a flat end.

    >>> found = broken_stick([0, 0, 1, 1, 2, 2, 4, 4, 8, 8], [1.0, 1.2, 2.0, 2.2, 3.1, 2.9, 3.5, 3.7, 3.6, 3.4])
    >>> round(found.breakpoint, 2), found.plateau_seen
    (2.56, True)
    """
    x, y = _pairs(dose, response)
    levels = np.unique(x)
    if len(levels) < 3:
        raise ValueError(phrase("{doses} different doses: a break needs at least 3.", doses=len(levels)))
    if len(x) < 4:
        raise ValueError(phrase("{runs} runs: three parameters need at least 4.", runs=len(x)))
    if np.ptp(y) <= EXACT * np.abs(y).max():
        raise ValueError(phrase("All responses are equal: there is no rise to end."))
    _confident(confidence)

    def ss_at(break_at: float) -> float:
        return _line(np.minimum(x, break_at), y)[2]

    candidates = [*levels[1:-1].tolist()]
    for low, high in pairwise(levels[1:].tolist()):
        left = x <= low
        start, slope, _ = _line(x[left], y[left])
        if slope:
            crossing = (float(y[~left].mean()) - start) / slope
            if low < crossing < high:
                candidates.append(crossing)
    best = min(candidates, key=ss_at)
    straight = _line(x, y)[2]
    intercept, slope, ss = _line(np.minimum(x, best), y)
    if not ss < straight - EXACT * straight:
        raise ValueError(phrase("A straight line through all doses fits as well: the doses show no plateau."))
    df = len(x) - 3
    limit = ss * (1 + float(fdtri(1, df, confidence)) / df)
    beyond = int((levels > best).sum())
    lower, upper = _profile(ss_at, levels, best, limit)
    return BrokenStick(
        intercept, slope, best, intercept + slope * best, ss, df, lower, upper, beyond, beyond >= 2
    )


def _pairs(dose: Sequence[float], response: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.array(numbers(dose, "a dose")), np.array(numbers(response, "a response"))
    if len(x) != len(y):
        raise ValueError(f"{len(x)} doses and {len(y)} responses: one response for each dose.")
    if (x < 0).any():
        raise ValueError(f"{numeral(x.min(), 'g')} as a dose: it must be 0 or more.")
    return x, y


def _confident(confidence: float) -> float:
    if not 0 < confidence < 1:
        raise ValueError(f"confidence {confidence}: it must lie between 0 and 1.")
    return confidence


def _curve(theta: np.ndarray, log_x: np.ndarray) -> np.ndarray:
    b, c, d, log_e = theta
    return c + (d - c) * expit(-b * (log_x - log_e))


def _slopes(theta: np.ndarray, log_x: np.ndarray) -> np.ndarray:
    """First derivatives by b, c, d and ln e, shape (n, 4). At dose 0 only d counts."""
    b, c, d, log_e = theta
    share = expit(-b * (log_x - log_e))
    far = np.where(np.isfinite(log_x), log_x - log_e, 0.0)
    bend = (d - c) * share * (1 - share)
    return np.column_stack([-bend * far, 1 - share, share, bend * b])


def _covariance(theta: np.ndarray, log_x: np.ndarray, residual: np.ndarray, information: str) -> np.ndarray:
    """The inverse of the information, the error variance left out."""
    first = _slopes(theta, log_x)
    matrix = first.T @ first
    if information == OBSERVED:
        b, c, d, log_e = theta
        share = expit(-b * (log_x - log_e))
        far = np.where(np.isfinite(log_x), log_x - log_e, 0.0)
        once = share * (1 - share)
        twice = once * (1 - 2 * share)
        second = np.zeros((4, 4, len(log_x)))
        second[0, 0] = (d - c) * twice * far**2
        second[0, 1] = second[1, 0] = once * far
        second[0, 2] = second[2, 0] = -once * far
        second[0, 3] = second[3, 0] = (d - c) * (once - b * twice * far)
        second[1, 3] = second[3, 1] = -once * b
        second[2, 3] = second[3, 2] = once * b
        second[3, 3] = (d - c) * twice * b**2
        matrix = matrix - second @ residual
    scale = np.sqrt(np.diag(first.T @ first))
    if (scale == 0).any():
        raise ValueError(
            phrase("The doses do not show the curve: one of its four parameters changes nothing.")
        )
    scaled = matrix / np.outer(scale, scale)
    if np.linalg.eigvalsh(scaled).min() < 1e-10:
        raise ValueError(
            phrase("The doses do not pin the curve down: try more of them on its slope and shoulders.")
        )
    return np.linalg.inv(scaled) / np.outer(scale, scale)


def _best_curve(log_x: np.ndarray, y: np.ndarray, start_bcde: Sequence[float] | None) -> np.ndarray:
    from scipy.optimize import least_squares

    tried = np.unique(log_x[np.isfinite(log_x)])
    starts = []
    for b in SLOPES:
        for log_e in np.linspace(tried[0], tried[-1], HALF_WAYS):
            # With b and e held the curve is a straight line in c and d.
            share = expit(-b * (log_x - log_e))
            if np.ptp(share) > EXACT:
                c, rise, ss = _line(share, y)
                starts.append((ss, (b, c, c + rise, log_e)))
    chosen = [min(starts)[1]]
    if start_bcde is not None:
        b, c, d, e = numbers(start_bcde, "a start value")
        if not (b > 0 and e > 0):
            raise ValueError(
                f"A start with b {numeral(b, 'g')} and e {numeral(e, 'g')}: both must be above 0."
            )
        chosen.append((b, c, d, math.log(e)))
    fits = [
        least_squares(
            lambda theta: _curve(theta, log_x) - y,
            start,
            jac=lambda theta: _slopes(theta, log_x),
            method="lm",
            xtol=1e-14,
            ftol=1e-14,
            gtol=1e-14,
            max_nfev=2000,
        )
        for start in chosen
    ]
    best = min(fits, key=lambda fitted: fitted.cost)
    if best.status <= 0 or not np.isfinite(best.x).all():
        raise ValueError(phrase("The curve does not settle: the doses do not show one."))
    b, c, d, log_e = best.x
    # Turning the sign of b and swapping the ends is the same curve.
    return best.x if b > 0 else np.array([-b, d, c, log_e])


def _step_ss(x: np.ndarray, y: np.ndarray) -> float:
    """The least sum of squares of one jump between two neighbouring doses."""

    def around_mean(some: np.ndarray) -> float:
        return float(((some - some.mean()) ** 2).sum())

    return min(around_mean(y[x < level]) + around_mean(y[x >= level]) for level in np.unique(x)[1:])


def _lack_of_fit(x: np.ndarray, y: np.ndarray, ss: float, df: int) -> float | None:
    levels = [y[x == level] for level in np.unique(x)]
    df_pure = len(y) - len(levels)
    pure = math.fsum(float(((some - some.mean()) ** 2).sum()) for some in levels)
    if df_pure < 1 or df <= df_pure or pure <= 0:
        return None
    return float(fdtrc(df - df_pure, df_pure, max(0.0, ss - pure) / (df - df_pure) / (pure / df_pure)))


def _line(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float]:
    """Intercept, slope and residual sum of squares of a straight line; a level one where x doesn't vary."""
    mean_x, mean_y = float(x.mean()), float(y.mean())
    across = float(((x - mean_x) ** 2).sum())
    slope = float((x - mean_x) @ (y - mean_y)) / across if across else 0.0
    rest = y - mean_y - slope * (x - mean_x)
    return mean_y - slope * mean_x, slope, float(rest @ rest)


def _profile(ss_at, levels: np.ndarray, best: float, limit: float) -> tuple[float | None, float | None]:
    """The outermost breaks whose sum of squares stays within the limit; None where even the end of the doses does."""
    grid = np.unique(
        np.concatenate(
            [np.linspace(low, high, PROFILE_POINTS) for low, high in pairwise(levels[1:].tolist())] + [[best]]
        )
    )
    inside = [point for point in grid.tolist() if ss_at(point) <= limit]
    lowest, highest = min(inside), max(inside)
    # Up to the second dose every break gives the same fit, and so do all from the top dose up.
    lower = None if lowest == grid[0] else _edge(ss_at, grid[grid < lowest].max(), lowest, limit)
    upper = None if highest == grid[-1] else _edge(ss_at, highest, grid[grid > highest].min(), limit)
    return lower, upper


def _edge(ss_at, low: float, high: float, limit: float) -> float:
    return float(find_root(lambda point: ss_at(point) - limit, float(low), float(high), tolerance=1e-10))
