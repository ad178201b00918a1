"""What a trial can see: power, runs needed, smallest ratio it can show. Reckoned before, never from the effect seen."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtri, ncfdtr, ndtr, ndtri

from trials.calc.levels import check_level
from trials.calc.simultaneous import chi_nodes, chi_nodes_below, critical_t_balanced, find_root, t_quantile

# Beyond this no plan is worth naming.
MOST_BLOCKS = 500
# exp(25) times: past it the answer is "nothing".
LARGEST_LOG_RATIO = 25.0


@dataclass(frozen=True)
class Replicates:
    """Runs needed of each treatment; the unrounded figure is where the power is met exactly."""

    unrounded: float
    runs: int


@dataclass(frozen=True)
class LognormalReplicates:
    """Runs needed of each treatment to show a ratio, from the coefficient of variation of equal portions."""

    sd_log: float
    log_difference: float
    unrounded: float
    runs: int
    normal_approximation: float


@dataclass(frozen=True)
class FTestPower:
    """Power of the F test on the treatments of a plan in blocks."""

    noncentrality: float
    df1: int
    df2: int
    power: float


def sd_log_from_cv(cv_fraction: float) -> float:
    """Return the standard deviation of ln(mg) of log-normal masses whose coefficient of variation is given.

    >>> round(sd_log_from_cv(0.5), 4)
    0.4724
    """
    if not cv_fraction > 0:
        raise ValueError(f"coefficient of variation {cv_fraction}: it must be above 0.")
    return math.sqrt(math.log1p(cv_fraction**2))


def power_at(shift: float, critical: float, df: float, sides: int = 2, least_spread: float = 0.0) -> float:
    """Return the chance that |t| (one side: t) passes `critical` when its true centre is `shift` standard errors.

    Below `least_spread` times the true spread the estimated one is not let fall: where a method claims nothing that chance
    alone explains, however well the runs agree, it sees less than Student's t would.

    The normal tail averaged over the estimated spread; the noncentral t of common libraries gives nan at some points.
    """
    s, weight = chi_nodes(float(df))
    s = np.maximum(s, least_spread)
    chance = float(weight @ ndtr(shift - critical * s))
    if sides == 2:
        chance += float(weight @ ndtr(-shift - critical * s))
    return min(1.0, chance)


def power_t(
    n: float, difference: float, sd: float, alpha: float = 0.05, kind: str = "two-sample", sides: int = 2
) -> float:
    """Return the power of the t test.

    Parameters
    ----------
    n : float, 2 or more
        Runs of each treatment ("two-sample") or pairs ("one-sample", also for paired differences).
    difference, sd : float
        Same unit; `sd` of single runs, or of the differences for pairs.

    >>> round(power_t(20, difference=1, sd=1), 4)
    0.869
    """
    check_level("alpha", alpha)
    shift_per_root, df = _t_design(kind, n, difference, sd)
    return power_at(shift_per_root * math.sqrt(n), t_quantile(1 - alpha / sides, df), df, sides)


def runs_for_t(
    power: float, difference: float, sd: float, alpha: float = 0.05, kind: str = "two-sample", sides: int = 2
) -> Replicates:
    """Return the runs of each treatment at which the t test has this power, rounded up.

    >>> runs_for_t(0.9, difference=1, sd=1).runs
    23
    """
    return _solve_runs(lambda n: power_t(n, difference, sd, alpha, kind, sides), power)


def detectable_difference(
    n: int, power: float, sd: float, alpha: float = 0.05, kind: str = "two-sample", sides: int = 2
) -> float:
    """Return the smallest true difference that the t test shows with this power.

    >>> round(detectable_difference(6, 0.8, 1.0), 3)
    1.796
    """
    check_level("alpha", alpha)
    per_root, df = _t_design(kind, n, 1.0, sd)
    return _shift_for(power, t_quantile(1 - alpha / sides, df), df, sides) / (per_root * math.sqrt(n))


def power_f(
    groups: int, n: float, between_variance: float, within_variance: float, alpha: float = 0.05
) -> float:
    """Return the power of the one-way F test.

    `between_variance` is the variance of the true group means with divisor groups - 1; n runs in each group.
    """
    nc = n * (groups - 1) * between_variance / within_variance
    return _f_power(groups - 1, groups * (n - 1), nc, alpha)


def runs_for_f(
    groups: int, between_variance: float, within_variance: float, power: float, alpha: float = 0.05
) -> Replicates:
    """Return the runs of each group at which the one-way F test has this power, rounded up."""
    return _solve_runs(lambda n: power_f(groups, n, between_variance, within_variance, alpha), power)


def power_f_in_blocks(
    treatment_means: Sequence[float], blocks: int, error_sd: float, alpha: float = 0.05
) -> FTestPower:
    """Return the power of the F test on treatments in complete blocks; `error_sd` is the spread within blocks.

    Noncentrality blocks x sum (mean - grand mean)^2 / error variance; df (t-1) and (t-1)(b-1).
    """
    t = len(treatment_means)
    centre = math.fsum(treatment_means) / t
    nc = blocks * math.fsum((mean - centre) ** 2 for mean in treatment_means) / error_sd**2
    df2 = (t - 1) * (blocks - 1)
    return FTestPower(nc, t - 1, df2, _f_power(t - 1, df2, nc, alpha))


def runs_for_ratio(
    cv_fraction: float, ratio: float, alpha: float = 0.05, power: float = 0.8
) -> LognormalReplicates:
    """Return the runs of each of two treatments that show a true ratio, without blocks.

    The normal formula is given beside it because it is about one run too small.

    >>> runs_for_ratio(0.5, 1.5).runs
    23
    """
    check_level("alpha", alpha)
    sd_log, log_difference = sd_log_from_cv(cv_fraction), _log_ratio(ratio)
    needed = runs_for_t(power, log_difference, sd_log, alpha)
    normal = 2 * (sd_log * (float(ndtri(1 - alpha / 2)) + float(ndtri(power))) / log_difference) ** 2
    return LognormalReplicates(sd_log, log_difference, needed.unrounded, needed.runs, normal)


def detectable_ratio_two_groups(cv_fraction: float, n: int, alpha: float = 0.05, power: float = 0.8) -> float:
    """Return the smallest true ratio that n runs of each of two treatments show with this power, without blocks.

    >>> round(detectable_ratio_two_groups(0.6, 6), 2)
    2.71
    """
    return math.exp(detectable_difference(n, power, sd_log_from_cv(cv_fraction), alpha))


def power_of_equivalence(
    cv_fraction: float, n: int, true_ratio: float, lower_ratio: float, upper_ratio: float, alpha: float = 0.05
) -> float:
    """Return the chance that n runs of each of two treatments show their ratio to lie inside the margins.

    Both one-sided tests at `alpha`, on logarithms; exact: the chance given the estimated spread, averaged over it
    (Phillips 1990, J. Pharmacokinet. Biopharm. 18, 137-144, in our own form).
    """
    check_level("alpha", alpha)
    df = 2 * n - 2
    se = sd_log_from_cv(cv_fraction) * math.sqrt(2 / n)
    t = t_quantile(1 - alpha, df)
    to_lower = (math.log(lower_ratio) - math.log(true_ratio)) / se
    to_upper = (math.log(upper_ratio) - math.log(true_ratio)) / se
    s, weight = chi_nodes_below(df, (to_upper - to_lower) / (2 * t))
    return max(0.0, float(weight @ (ndtr(to_upper - t * s) - ndtr(to_lower + t * s))))


def power_against_control(
    sd_log: float,
    ratio: float,
    blocks: int,
    treatments: int,
    alpha: float = 0.05,
    chance_share: float = 0.0,
    dispersion: float | None = None,
) -> float:
    """Return the chance that a trial in complete blocks shows one treatment whose true ratio to the control is given.

    Parameters
    ----------
    sd_log : float
        Spread of ln(mg) of equal runs within a block.
    ratio : float
        True ratio.
    blocks : int, 2 or more
    treatments : int, 2 or more
        All treatments of the trial, the control counted.
    chance_share : float, 0 to 1
        Share of the control's variance that is grains falling by chance. It lessens as a treatment keeps more grains, so a
        gain is easier to show than the loss. 1 belongs to the comparison with variance proportional to the mean, `sd_log`
        then being the relative spread of a control run; with 0, 1.5 and 1/1.5 are equally hard to show.
    dispersion : float, 1 or above, or None
        For colours, how many times the variance of chance alone runs have. `compare_counts` then asks a difference to pass what
        chance alone would make too, which costs sight. None for gold.

    Notes
    -----
    Level by Dunnett's critical value for treatments - 1 comparisons, df (t-1)(b-1), standard error
    sd_log sqrt((2 - share (1 - 1/ratio)) / b).

    >>> round(power_against_control(0.3, 1.5, blocks=5, treatments=4), 2)
    0.33
    """
    check_level("alpha", alpha)
    _check_plan(sd_log, blocks, treatments)
    df = (treatments - 1) * (blocks - 1)
    critical = critical_t_balanced(treatments - 1, df, 1 - alpha)
    shift = _log_ratio(ratio) / (sd_log * math.sqrt(_both_runs(ratio, chance_share) / blocks))
    least_spread = least_spread_of_counts(critical, treatments - 1, dispersion, 1 - alpha)
    return power_at(shift, critical, df, least_spread=least_spread)


def least_spread_of_counts(
    critical: float, compared: int, dispersion: float | None, confidence: float = 0.95
) -> float:
    """Return how far below the true spread the one that colours must pass cannot fall; 0 for gold, dispersion None.

    `critical` standard errors as estimated are wanted, and so many as are known exactly for chance alone (infinite df).
    """
    if dispersion is None:
        return 0.0
    if not dispersion >= 1:
        raise ValueError(f"dispersion {dispersion}: grains scatter no less than chance, 1 or above.")
    return critical_t_balanced(compared, math.inf, confidence) / critical / math.sqrt(dispersion)


def detectable_ratio(
    sd_log: float,
    blocks: int,
    treatments: int,
    power: float = 0.8,
    alpha: float = 0.05,
    chance_share: float = 0.0,
    dispersion: float | None = None,
) -> float:
    """Return the smallest true ratio above 1 that a trial in complete blocks shows with this power.

    `treatments` counts the control; `chance_share` and `dispersion` as in `power_against_control`. Infinite where nothing
    thinkable would be seen.

    >>> round(detectable_ratio(0.3, blocks=5, treatments=4), 2)
    1.97
    """
    check_level("alpha", alpha)
    _check_plan(sd_log, blocks, treatments)
    df = (treatments - 1) * (blocks - 1)
    critical = critical_t_balanced(treatments - 1, df, 1 - alpha)
    least_spread = least_spread_of_counts(critical, treatments - 1, dispersion, 1 - alpha)
    return detectable_ratio_for(
        sd_log * math.sqrt(2 / blocks), critical, df, power, chance_share, least_spread
    )


def detectable_ratio_for(
    se_log: float,
    critical: float,
    df: float,
    power: float = 0.8,
    chance_share: float = 0.0,
    least_spread: float = 0.0,
) -> float:
    """Return the same for a comparison whose critical t, df and standard error at a ratio of 1 are known.

    `least_spread` as in `power_at`, for colours that of `least_spread_of_counts`.
    """
    alike = se_log * _shift_for(power, critical, df, sides=2, least_spread=least_spread)

    def short_of(log_ratio: float) -> float:
        return log_ratio - alike * math.sqrt(_both_runs(math.exp(log_ratio), chance_share) / 2)

    if short_of(LARGEST_LOG_RATIO) <= 0:
        return math.inf
    return math.exp(find_root(short_of, 0.0, LARGEST_LOG_RATIO)) if chance_share else math.exp(alike)


def standard_error_if_alike(se_log: float, ratio: float, chance_share: float) -> float:
    """Return the standard error of ln ratio that the same spread would give were the true ratio 1."""
    return se_log * math.sqrt(2 / _both_runs(ratio, chance_share))


def blocks_needed(
    sd_log: float,
    ratio: float,
    treatments: int,
    power: float = 0.8,
    alpha: float = 0.05,
    chance_share: float = 0.0,
    dispersion: float | None = None,
) -> int | None:
    """Return the fewest complete blocks with which a true ratio is shown with this power; None past MOST_BLOCKS.

    `treatments` counts the control; `chance_share` and `dispersion` as in `power_against_control`.

    >>> blocks_needed(0.3, 1.5, treatments=4)
    13
    """
    check_level("alpha", alpha)
    check_level("power", power)
    _check_plan(sd_log, 2, treatments)

    def enough(blocks: int) -> bool:
        chance = power_against_control(sd_log, ratio, blocks, treatments, alpha, chance_share, dispersion)
        return chance >= power

    if not enough(MOST_BLOCKS):
        return None
    large = critical_t_balanced(treatments - 1, math.inf, 1 - alpha) + float(ndtri(power))
    # The count for a spread known exactly is a floor: start there and double the stride until enough.
    both = _both_runs(ratio, chance_share)
    low = max(1, min(MOST_BLOCKS - 1, math.floor(both * (sd_log * large / _log_ratio(ratio)) ** 2) - 1))
    stride, high = 1, min(MOST_BLOCKS, low + 1)
    while not enough(high):
        low, stride = high, 2 * stride
        high = min(MOST_BLOCKS, high + stride)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if middle >= 2 and enough(middle) else (middle, high)
    return max(2, high)


def _t_design(kind: str, n: float, difference: float, sd: float) -> tuple[float, float]:
    if kind not in ("two-sample", "one-sample"):
        raise ValueError(f"{kind}: the t test is either two-sample or one-sample.")
    if not sd > 0 or n < 1.5:
        raise ValueError(f"sd {sd}, {n} runs: the spread must be above 0 and the runs at least 2.")
    if kind == "two-sample":
        return abs(difference) / sd / math.sqrt(2), 2 * n - 2
    return abs(difference) / sd, n - 1


def _shift_for(power: float, critical: float, df: float, sides: int, least_spread: float = 0.0) -> float:
    check_level("power", power)
    top = critical + 1.0
    while power_at(top, critical, df, sides, least_spread) < power:
        top *= 2
    return find_root(lambda shift: power_at(shift, critical, df, sides, least_spread) - power, 0.0, top)


def _solve_runs(power_of: Callable[[float], float], power: float) -> Replicates:
    check_level("power", power)
    if power_of(2.0) >= power:
        return Replicates(2.0, 2)
    top = 4.0
    while power_of(top) < power:
        top *= 2
        if top > 1e6:
            raise ValueError("More than a million runs: the difference is too small for any trial.")
    found = find_root(lambda n: power_of(n) - power, top / 2, top)
    return Replicates(found, math.ceil(found - 1e-9))


def _f_power(df1: float, df2: float, noncentrality: float, alpha: float) -> float:
    check_level("alpha", alpha)
    if not math.isfinite(noncentrality):
        raise ValueError(
            f"noncentrality {noncentrality}: variances and runs must be finite, the variance within above 0."
        )
    critical = fdtri(df1, df2, 1 - alpha)
    missed = float(ncfdtr(df1, df2, noncentrality, critical))
    # The library gives nan where next to nothing is missed. Power only rises with the noncentrality, so the largest one it
    # can do bounds the power from below.
    while math.isnan(missed):
        noncentrality /= 2
        missed = float(ncfdtr(df1, df2, noncentrality, critical))
    return 1 - missed


def _log_ratio(ratio: float) -> float:
    if not ratio > 0 or ratio == 1 or not math.isfinite(ratio):
        raise ValueError(f"ratio {ratio}: it must be above 0 and not 1.")
    return abs(math.log(ratio))


def _both_runs(ratio: float, chance_share: float) -> float:
    """Variance of ln(treated / control) of one run each, in units of the control's: 2 where both spread alike."""
    if not 0 <= chance_share <= 1:
        raise ValueError(f"chance_share {chance_share}: a share lies between 0 and 1.")
    return 2 - chance_share * (1 - 1 / ratio)


def _check_plan(sd_log: float, blocks: int, treatments: int) -> None:
    if not sd_log > 0:
        raise ValueError(f"spread {sd_log}: it must be above 0.")
    if blocks < 2 or treatments < 2:
        raise ValueError(
            f"{blocks} blocks of {treatments} treatments: at least 2 of each are needed to see a spread."
        )
