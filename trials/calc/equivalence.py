"""Equivalent within a stated margin: two one-sided tests, the same as the 1 - 2 alpha interval inside the margins."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import stdtr, stdtrit

from trials.calc.levels import check_level


@dataclass(frozen=True)
class Equivalence:
    """Two one-sided tests of a difference (Schuirmann 1987); the interval has the confidence 1 - 2 alpha."""

    difference: float
    se: float
    df: float
    t_lower: float
    p_lower: float
    t_upper: float
    p_upper: float
    p_tost: float
    ci_lower_1_minus_2alpha: float
    ci_upper_1_minus_2alpha: float
    equivalent: bool


@dataclass(frozen=True)
class RatioEquivalence:
    """The same for a ratio of gold masses, tested on logarithms."""

    ratio: float
    ratio_ci_lower_1_minus_2alpha: float
    ratio_ci_upper_1_minus_2alpha: float
    p_lower: float
    p_upper: float
    p_tost: float
    df: float
    equivalent: bool


@dataclass(frozen=True)
class NotWorse:
    """One-sided: the new treatment is not worse than the control by more than the margin."""

    difference: float
    se: float
    t: float
    p_one_sided: float
    lower_one_sided_limit: float
    not_worse_by_more_than_margin: bool


@dataclass(frozen=True)
class Summary:
    """Mean, standard deviation and number of runs of one treatment."""

    mean: float
    sd: float
    n: int


def summarise(values: Sequence[float]) -> Summary:
    """Return mean, standard deviation (divisor n - 1) and number; 2 runs or more, else ValueError.

    >>> summarise([1.0, 3.0])
    Summary(mean=2.0, sd=1.4142135623730951, n=2)
    """
    if len(values) < 2:
        raise ValueError(f"{len(values)} run: a spread needs at least 2.")
    mean = math.fsum(values) / len(values)
    return Summary(
        mean, math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1)), len(values)
    )


def two_one_sided(
    difference: float, se: float, df: float, lower_margin: float, upper_margin: float, alpha: float = 0.05
) -> Equivalence:
    """Return whether a difference is shown to lie between the margins.

    Parameters
    ----------
    difference, se, lower_margin, upper_margin : float, one unit
    df : float
        Degrees of freedom of `se`; the block model's in a trial in blocks.

    >>> two_one_sided(0.0, 0.1, 10, -0.3, 0.3).equivalent
    True
    """
    check_level("alpha", alpha)
    if not (math.isfinite(difference) and df > 0):
        raise ValueError(f"difference {difference} with {df} degrees of freedom: there is nothing to judge.")
    if not (lower_margin < upper_margin and 0 < se < math.inf):
        raise ValueError(
            f"margins {lower_margin} to {upper_margin}, standard error {se}: lower below upper, error above 0."
        )
    t_lower, t_upper = (difference - lower_margin) / se, (difference - upper_margin) / se
    p_lower, p_upper = float(stdtr(df, -t_lower)), float(stdtr(df, t_upper))
    half = float(stdtrit(df, 1 - alpha)) * se
    p = max(p_lower, p_upper)
    return Equivalence(
        difference,
        se,
        df,
        t_lower,
        p_lower,
        t_upper,
        p_upper,
        p,
        difference - half,
        difference + half,
        p < alpha,
    )


def two_samples(
    x: Summary,
    y: Summary,
    lower_margin: float,
    upper_margin: float,
    alpha: float = 0.05,
    equal_variances: bool = True,
) -> Equivalence:
    """Return the two one-sided tests of mean x - mean y; Welch's degrees of freedom when the spreads may differ."""
    se, df = _standard_error(x, y, equal_variances)
    return two_one_sided(x.mean - y.mean, se, df, lower_margin, upper_margin, alpha)


def one_sample(
    x: Summary, reference: float, lower_margin: float, upper_margin: float, alpha: float = 0.05
) -> Equivalence:
    """Return the two one-sided tests of a mean against a fixed value; give differences for pairs, reference 0."""
    return two_one_sided(
        x.mean - reference, x.sd / math.sqrt(x.n), x.n - 1, lower_margin, upper_margin, alpha
    )


def ratio_of_masses(
    treated_mg: Sequence[float],
    control_mg: Sequence[float],
    lower_ratio: float,
    upper_ratio: float,
    alpha: float = 0.05,
) -> RatioEquivalence:
    """Return whether the ratio of two treatments without blocks is shown to lie between two ratios.

    Masses in mg, all above 0, else ValueError.
    """
    for mass in (*treated_mg, *control_mg):
        if not mass > 0:
            raise ValueError(f"{mass} mg: a ratio needs masses above 0.")
    logs = [summarise([math.log(mass) for mass in masses]) for masses in (treated_mg, control_mg)]
    found = two_samples(*logs, math.log(lower_ratio), math.log(upper_ratio), alpha)
    return RatioEquivalence(
        math.exp(found.difference),
        math.exp(found.ci_lower_1_minus_2alpha),
        math.exp(found.ci_upper_1_minus_2alpha),
        found.p_lower,
        found.p_upper,
        found.p_tost,
        found.df,
        found.equivalent,
    )


def not_worse(new: Summary, control: Summary, margin: float, alpha: float = 0.05) -> NotWorse:
    """Return whether the new treatment is shown to lose less than `margin` (same unit, above 0) against the control."""
    check_level("alpha", alpha)
    if not margin > 0:
        raise ValueError(f"margin {margin}: it must be above 0.")
    se, df = _standard_error(new, control, equal_variances=True)
    difference = new.mean - control.mean
    t = (difference + margin) / se
    limit = difference - float(stdtrit(df, 1 - alpha)) * se
    return NotWorse(difference, se, t, float(stdtr(df, -t)), limit, limit > -margin)


def _standard_error(x: Summary, y: Summary, equal_variances: bool) -> tuple[float, float]:
    if equal_variances:
        df = x.n + y.n - 2
        pooled = ((x.n - 1) * x.sd**2 + (y.n - 1) * y.sd**2) / df
        return math.sqrt(pooled * (1 / x.n + 1 / y.n)), df
    a, b = x.sd**2 / x.n, y.sd**2 / y.n
    return math.sqrt(a + b), (a + b) ** 2 / (a**2 / (x.n - 1) + b**2 / (y.n - 1))
