"""How fast muddy water clears: rate, floor, time to a target, jars that never get there, and sets of jars compared.

Turbidity in NTU, time in minutes from the moment the jars stand still. Readings are steps: a jar that is clear at a look got
clear some time since the look before.
"""

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from scipy.special import chdtrc

from prospecting.calc.checks import numbers
from prospecting.calc.number_words import numeral
from trials.calc.ranks import deal_out
from trials.calc.simultaneous import t_quantile

# Products of rate and time span looked at first for a curve with a floor: from hardly bent to over at once.
BENDS = np.geomspace(0.02, 60, 120)
# Outside these the readings are a straight line, or the fall lies before the second reading.
LEAST_BEND, MOST_BEND = 0.05, 12.0
EXACT = 1e-12
# Logarithm beyond which a number has no place in a float.
FARTHEST = 700.0
# Jars up to which the level of a comparison is counted as well, not only taken from chi-squared.
FEW_JARS = 40


@dataclass(frozen=True)
class LogLinearClearing:
    """Turbidity = initial exp(-rate t) by a straight line through the logarithms.

    Half-life and time to the target are None where the rate is not above 0: the jar doesn't clear. `already_there`: the
    line starts at or below the target and the time is 0. `extrapolated`: the time lies beyond the last reading.
    """

    rate_per_min: float
    se_rate_per_min: float
    rate_lower: float
    rate_upper: float
    initial_ntu: float
    half_life_min: float | None
    time_to_target_min: float | None
    se_time_to_target_min: float | None
    time_lower_min: float | None
    time_upper_min: float | None
    already_there: bool
    extrapolated: bool
    df: int


@dataclass(frozen=True)
class FloorClearing:
    """Turbidity = floor + amplitude exp(-rate t), readings weighted equally; se from first derivatives (Gauss-Newton).

    A target at or below the floor is never reached and has no time. Flags as in `LogLinearClearing`.
    """

    floor_ntu: float
    amplitude_ntu: float
    rate_per_min: float
    se_floor_ntu: float
    se_amplitude_ntu: float
    se_rate_per_min: float
    residual_ss: float
    df: int
    target_reached: bool
    time_to_target_min: float | None
    already_there: bool
    extrapolated: bool


@dataclass(frozen=True)
class TimeToTarget:
    """First time at the target, between two looks. Not reached: censored, longer than the last look.

    `already_there`: at or below the target at the first look. `stayed`: no later reading rose above the target again.
    """

    reached: bool
    time_to_target_min: float | None
    censored: bool
    greater_than_min: float | None
    already_there: bool
    stayed: bool | None


@dataclass(frozen=True)
class ClearingComparison:
    """Log-rank test of sets of jars. Median: first look with fewer than half still unclear; None where none was.

    `p_counted` deals the jars out to the sets by lot (all ways, or 40,000): with few jars use it. None for many jars, and for
    jars in strata. `exact` says how it was found.
    """

    chi2: float
    df: int
    p: float
    p_counted: float | None
    exact: bool | None
    median_min: dict[Hashable, float | None]
    exponential_rate_per_min: dict[Hashable, float]
    jars: dict[Hashable, int]
    not_clear: dict[Hashable, int]


def clearing_rate(
    time_min: Sequence[float], turbidity_ntu: Sequence[float], target_ntu: float, confidence: float = 0.95
) -> LogLinearClearing:
    """Return the first-order rate of clearing and the time to a target, from the logarithms of the readings.

    Parameters
    ----------
    time_min, turbidity_ntu : sequences of float, shape (n,)
        Times of 0 or more, rising; readings above 0. 3 or more, nothing missing.
    target_ntu : float
        Above 0.
    confidence : float

    Raises
    ------
    ValueError
        A value missing or out of its range (a reading of 0 has no logarithm), fewer than 3 readings, times that don't rise.

    Notes
    -----
    ln(turbidity) on time by least squares, k = -slope, half-life ln 2 / k, time (ln A - ln target) / k with its standard
    error by the delta method, t with n - 2 degrees of freedom. Weights small readings; where the residuals bend, the water has
    a floor: `clearing_with_floor`.

    >>> round(clearing_rate([0, 10, 20, 40], [600, 455, 360, 205], 50).half_life_min, 1)
    26.0
    """
    t, ntu = _readings(time_min, turbidity_ntu, target_ntu, least=3)
    _check_confidence(confidence)
    logs = np.log(ntu)
    n = len(t)
    middle = float(t.mean())
    across = float(((t - middle) ** 2).sum())
    slope = float((t - middle) @ (logs - logs.mean())) / across
    start = float(logs.mean()) - slope * middle
    rest = logs - start - slope * t
    variance = float(rest @ rest) / (n - 2)
    # Adding 0 turns a rate of -0 into 0.
    rate, se_rate = 0.0 - slope, math.sqrt(variance / across)
    quantile = t_quantile((1 + confidence) / 2, n - 2)
    found = {"half_life_min": None, "time_to_target_min": None, "se_time_to_target_min": None}
    found |= {"time_lower_min": None, "time_upper_min": None}
    there = start <= math.log(target_ntu)
    if rate > EXACT / t[-1]:
        time = max(0.0, (start - math.log(target_ntu)) / rate)
        # Derivatives of the time by intercept (1/k) and slope (time/k); the two estimates hang together by -mean time.
        se = math.sqrt(variance * (1 / n + (time - middle) ** 2 / across)) / rate
        found = {
            "half_life_min": math.log(2) / rate,
            "time_to_target_min": time,
            "se_time_to_target_min": se,
            "time_lower_min": time - quantile * se,
            "time_upper_min": time + quantile * se,
        }
        if there:
            found |= {"se_time_to_target_min": None, "time_lower_min": None, "time_upper_min": None}
    elif there:
        found["time_to_target_min"] = 0.0
    time = found["time_to_target_min"]
    return LogLinearClearing(
        rate_per_min=rate,
        se_rate_per_min=se_rate,
        rate_lower=rate - quantile * se_rate,
        rate_upper=rate + quantile * se_rate,
        initial_ntu=math.exp(start),
        **found,
        already_there=there,
        extrapolated=time is not None and time > float(t[-1]),
        df=n - 2,
    )


def clearing_with_floor(
    time_min: Sequence[float],
    turbidity_ntu: Sequence[float],
    target_ntu: float,
    start_rate_per_min: float | None = None,
) -> FloorClearing:
    """Return the rate, the floor the water never gets below, and the time to a target above it.

    Parameters
    ----------
    time_min, turbidity_ntu, target_ntu : as in `clearing_rate`, but 4 readings or more, and readings of 0 may stand
    start_rate_per_min : float or None
        A further start for the search, above 0.

    Raises
    ------
    ValueError
        As there; readings that are all equal, that don't bend (a straight line), that are over before the second look,
        or that scatter so much that the rate is lost in it.

    Notes
    -----
    Raw least squares (large readings weigh most): with the rate held, floor and amplitude are a straight line, so only the
    rate is searched, from the best of a grid. Time = ln(amplitude / (target - floor)) / rate. n - 3 degrees of freedom.

    >>> readings = [500, 372, 290, 196, 158, 136, 131, 128]
    >>> clearing_with_floor([0, 5, 10, 20, 30, 45, 60, 90], readings, 100).target_reached
    False
    """
    from scipy.optimize import least_squares

    t, ntu = _readings(time_min, turbidity_ntu, target_ntu, least=4, zero_may_stand=True)
    if np.ptp(ntu) == 0:
        raise ValueError(f"All readings are {numeral(ntu[0], 'g')} NTU: nothing clears.")
    starts = (BENDS / (t[-1] - t[0])).tolist()
    if start_rate_per_min is not None:
        starts += numbers([start_rate_per_min], "a start rate", above=0)
    start = min(starts, key=lambda rate: _held(rate, t, ntu)[2])
    floor, amplitude, _ = _held(start, t, ntu)
    scale = float(np.ptp(ntu))

    def model(theta: np.ndarray) -> np.ndarray:
        return theta[0] + theta[1] * np.exp(-_rate(theta[2]) * t) - ntu / scale

    def slopes(theta: np.ndarray) -> np.ndarray:
        fall = np.exp(-_rate(theta[2]) * t)
        return np.column_stack([np.ones(len(t)), fall, -theta[1] * fall * t * _rate(theta[2])])

    fitted = least_squares(
        model,
        (floor / scale, amplitude / scale, math.log(start)),
        jac=slopes,
        method="lm",
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
        max_nfev=2000,
    )
    rate = _rate(fitted.x[2])
    bend = rate * float(t[-1] - t[0])
    if bend < LEAST_BEND:
        raise ValueError(
            "The readings fall along a straight line: no floor shows. Use the rate without a floor."
        )
    if rate * float(t[1] - t[0]) > MOST_BEND or fitted.status <= 0:
        raise ValueError(
            "All the fall lies before the second reading: look earlier and more often to see a rate."
        )
    floor, amplitude = fitted.x[0] * scale, fitted.x[1] * scale
    rest = floor + amplitude * np.exp(-rate * t) - ntu
    ss, df = float(rest @ rest), len(t) - 3
    # Back from ln(rate) and the scaled readings.
    jacobian = slopes(fitted.x) * scale / np.array([scale, scale, rate])
    lengths = np.sqrt((jacobian**2).sum(axis=0))
    spread = np.linalg.pinv(jacobian / lengths) / lengths[:, None]
    se = np.sqrt((spread**2).sum(axis=1) * ss / df)
    if not se[2] < rate:
        raise ValueError(
            f"A rate of {numeral(rate, '.3g')} per minute, give or take {numeral(se[2], '.3g')}: the readings do not pin it down."
        )
    there = floor + amplitude <= target_ntu
    reached = there or (amplitude > 0 and target_ntu > floor)
    time = None
    if reached:
        time = 0.0 if there else math.log(amplitude / (target_ntu - floor)) / rate
    return FloorClearing(
        floor_ntu=float(floor),
        amplitude_ntu=float(amplitude),
        rate_per_min=rate,
        se_floor_ntu=float(se[0]),
        se_amplitude_ntu=float(se[1]),
        se_rate_per_min=float(se[2]),
        residual_ss=ss,
        df=df,
        target_reached=bool(reached),
        time_to_target_min=time,
        already_there=bool(there),
        extrapolated=time is not None and time > float(t[-1]),
    )


def time_to_target(
    time_min: Sequence[float], turbidity_ntu: Sequence[float], target_ntu: float
) -> TimeToTarget:
    """Return when one jar first came down to the target, on the log scale between the two looks around it.

    Parameters
    ----------
    time_min, turbidity_ntu, target_ntu : as in `clearing_rate`; one reading or more

    Raises
    ------
    ValueError
        A value missing or out of its range, times that don't rise.

    Notes
    -----
    A jar that isn't clear by the last look took longer than that, not as long as that: it is censored.

    >>> time_to_target([0, 10, 30], [700, 450, 220], 100).greater_than_min
    30.0
    """
    t, ntu = _readings(time_min, turbidity_ntu, target_ntu, least=1)
    below = np.flatnonzero(ntu <= target_ntu)
    if not len(below):
        return TimeToTarget(False, None, True, float(t[-1]), False, None)
    first = int(below[0])
    stayed = len(below) == len(t) - first
    if first == 0:
        return TimeToTarget(True, float(t[0]), False, None, True, stayed)
    high, low = math.log(ntu[first - 1]), math.log(ntu[first])
    share = (high - math.log(target_ntu)) / (high - low)
    time = float(t[first - 1] + share * (t[first] - t[first - 1]))
    return TimeToTarget(True, time, False, None, False, stayed)


def compare_clearing(
    time_min: Mapping[Hashable, Sequence[float]],
    reached: Mapping[Hashable, Sequence[bool]],
    strata: Mapping[Hashable, Sequence[Hashable]] | None = None,
    rng: np.random.Generator | None = None,
) -> ClearingComparison:
    """Return the log-rank comparison of sets of jars, some of which never cleared.

    Parameters
    ----------
    time_min : mapping of treatment to times in minutes
        Time to the target; for a jar that didn't reach it the time of its last look. Above 0.
    reached : mapping of treatment to bool
        Whether each jar reached it.
    strata : mapping of treatment to the slurry of each jar, or None
        Where the same slurries fed every set; jars are then compared within a slurry only.
    rng : numpy Generator or None
        For the deals by lot; None takes a fixed seed.

    Raises
    ------
    ValueError
        Fewer than 2 sets, an empty set, lists of different length, a time not above 0, no jar that cleared, no look at which
        jars of two sets still stood side by side.

    Notes
    -----
    Mantel 1966; Peto and Peto 1972 (from memory): at every time seen minus expected jars, variance hypergeometric; chi2 with
    sets - 1 degrees of freedom. Assumes that being unclear at the last look has nothing to do with the set. Rate: jars
    cleared over minutes watched. The counted level takes the jars as watched alike in all sets.

    >>> found = compare_clearing({"a": [5, 6, 7], "b": [20, 30, 30]}, {"a": [1, 1, 1], "b": [1, 0, 0]})
    >>> found.median_min["b"] is None, found.p_counted
    (True, 0.1)
    """
    names = list(time_min)
    if len(names) < 2:
        raise ValueError(f"{len(names)} set of jars: a comparison needs at least 2.")
    if set(reached) != set(names) or (strata is not None and set(strata) != set(names)):
        raise ValueError(f"{names}: times, outcomes and slurries must name the same sets.")
    times, cleared, sets, slurries = [], [], [], []
    for i, name in enumerate(names):
        found = numbers(time_min[name], f"a time in minutes of {name}", above=0)
        outcome = list(reached[name])
        of_jars = [0] * len(found) if strata is None else list(strata[name])
        if not len(found) == len(outcome) == len(of_jars):
            raise ValueError(f"{name}: {len(found)} times, {len(outcome)} outcomes, {len(of_jars)} slurries.")
        for one in outcome:
            if one not in (0, 1):
                raise ValueError(
                    f"{one!r} as outcome of a jar of {name}: it reached the target or it did not."
                )
        times += found
        cleared += [bool(one) for one in outcome]
        sets += [i] * len(found)
        slurries += of_jars
    t, done, which = np.array(times), np.array(cleared), np.array(sets)
    if not done.any():
        raise ValueError("No jar reached the target: there are no times to compare.")
    gap, variance = np.zeros(len(names)), np.zeros((len(names), len(names)))
    for slurry in dict.fromkeys(slurries):
        here = np.array([one == slurry for one in slurries])
        more, spread = _log_rank(t[here], done[here], which[here], len(names))
        gap, variance = gap + more, variance + spread
    df = int(np.linalg.matrix_rank(variance))
    if df == 0:
        raise ValueError(
            "No jars of two sets were watched side by side when one cleared: nothing to compare."
        )
    if df < len(names) - 1:
        raise ValueError("Some sets of jars never stood beside the others: they cannot be compared.")
    chi2 = float(gap @ np.linalg.pinv(variance, hermitian=True) @ gap)
    sizes = np.bincount(which).tolist()
    p_counted, exact = None, None
    if strata is None and len(t) <= FEW_JARS:
        p_counted, exact = deal_out(_scores(t, done), sizes, rng)
    return ClearingComparison(
        chi2,
        df,
        float(chdtrc(df, chi2)),
        p_counted,
        exact,
        {name: _median(t[which == i], done[which == i]) for i, name in enumerate(names)},
        {name: float(done[which == i].sum() / t[which == i].sum()) for i, name in enumerate(names)},
        dict(zip(names, sizes, strict=True)),
        {name: int((~done[which == i]).sum()) for i, name in enumerate(names)},
    )


def _readings(time_min, turbidity_ntu, target_ntu, *, least: int, zero_may_stand: bool = False):
    numbers([target_ntu], "a target in NTU", above=0)
    t = np.array(numbers(time_min, "a time in minutes", least=least))
    ntu = np.array(numbers(turbidity_ntu, "a turbidity in NTU", least=least))
    if len(t) != len(ntu):
        raise ValueError(f"{len(t)} times and {len(ntu)} readings: one reading for each time.")
    if t[0] < 0:
        raise ValueError(f"{numeral(t[0], 'g')} minutes: times are 0 or more.")
    for before, after in zip(t[:-1], t[1:], strict=True):
        if not before < after:
            raise ValueError(
                f"{numeral(after, 'g')} minutes after {numeral(before, 'g')} minutes: times must rise."
            )
    if zero_may_stand and ntu.min() < 0:
        raise ValueError(f"{numeral(ntu.min(), 'g')} NTU as a turbidity: it must be 0 or more.")
    if not zero_may_stand and ntu.min() <= 0:
        raise ValueError(
            f"{numeral(ntu.min(), 'g')} NTU as a turbidity: it has no logarithm; give the least the meter can show."
        )
    return t, ntu


def _check_confidence(confidence: float) -> None:
    if not 0 < confidence < 1:
        raise ValueError(f"confidence {confidence}: it must lie between 0 and 1.")


def _held(rate: float, t: np.ndarray, ntu: np.ndarray) -> tuple[float, float, float]:
    """Floor, amplitude and sum of squares with the rate held."""
    fall = np.exp(-rate * t)
    away = fall - fall.mean()
    across = float(away @ away)
    amplitude = float(away @ (ntu - ntu.mean())) / across if across else 0.0
    rest = ntu - ntu.mean() - amplitude * away
    return float(ntu.mean()) - amplitude * float(fall.mean()), amplitude, float(rest @ rest)


def _rate(log_rate: float) -> float:
    # A search that runs off is refused afterwards; it must not break off with an overflow.
    return math.exp(min(max(log_rate, -FARTHEST), FARTHEST))


def _log_rank(t: np.ndarray, done: np.ndarray, which: np.ndarray, sets: int) -> tuple[np.ndarray, np.ndarray]:
    """Seen minus expected jars of each set, and their covariance."""
    gap, variance = np.zeros(sets), np.zeros((sets, sets))
    for time in np.unique(t[done]):
        at_risk = np.bincount(which[t >= time], minlength=sets).astype(float)
        now = np.bincount(which[(t == time) & done], minlength=sets).astype(float)
        total, events = at_risk.sum(), now.sum()
        share = at_risk / total
        gap += now - events * share
        if total > 1:
            variance += events * (total - events) / (total - 1) * (np.diag(share) - np.outer(share, share))
    return gap, variance


def _scores(t: np.ndarray, done: np.ndarray) -> np.ndarray:
    """Log-rank scores: their sum over a set is seen minus expected."""
    scores = done.astype(float)
    for time in np.unique(t[done]):
        scores[t >= time] -= ((t == time) & done).sum() / (t >= time).sum()
    # Kept set by set, as the jars came: the sets are dealt out again from here.
    return scores


def _median(t: np.ndarray, done: np.ndarray) -> float | None:
    # In fractions: as floats, half of the jars may come out a hair below or above a half.
    unclear = Fraction(1)
    for time in np.unique(t[done]):
        unclear *= 1 - Fraction(int(((t == time) & done).sum()), int((t >= time).sum()))
        if unclear < Fraction(1, 2):
            return float(time)
    return None
