"""Assay quality control: duplicates, control charts with a named rule set, scores, bias against a certificate, blanks.

Plain Python, so ordinary pages may use it; numpy and scipy are loaded only where a docstring says so. Grades are in one unit
throughout a call, ratios are fractions. A result below a detection limit is not a number: leave it out and say so, or take
`censored`.
"""

import itertools
import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from prospecting.calc.checks import checked_pairs, checked_values
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral

# Mean range of two normal values over their sd, 1.1284.
D2_OF_TWO = 2 / math.sqrt(math.pi)
WARNING_SIGMAS, ACTION_SIGMAS = 2.0, 3.0
# s over the median absolute difference of two normal values, 1.0484: Thompson and Howarth's 1.0483.
SD_PER_MEDIAN_DIFFERENCE = 1 / (math.sqrt(2) * statistics.NormalDist().inv_cdf(0.75))
# So many pairs Thompson and Howarth ask for before a line is drawn through groups of them.
FEWEST_FOR_LINE = 50
# A blank above so many detection limits is looked at (common practice, no source).
BLANK_FACTOR = 5.0


@dataclass(frozen=True)
class DuplicatePrecision:
    """How far duplicates of one kind lie apart. `hard` has one entry per pair: |a - b| / (a + b)."""

    hard: tuple[float, ...]
    mean: float
    within_variance: float
    cv_rms: float
    cv_pooled: float

    @property
    def median_hard(self) -> float:
        return statistics.median(self.hard)

    def share_within(self, limit: float) -> float:
        """The share of pairs whose HARD is at or below `limit`."""
        return sum(1 for value in self.hard if value <= limit) / len(self.hard)


@dataclass(frozen=True)
class PrecisionLine:
    """sd = sd_intercept + sd_slope x grade, fitted to groups of duplicates; `left_out` pairs, the richest, fill no group."""

    group_mean: tuple[float, ...]
    group_median_difference: tuple[float, ...]
    slope: float
    intercept: float
    left_out: int

    @property
    def sd_slope(self) -> float:
        return SD_PER_MEDIAN_DIFFERENCE * self.slope

    @property
    def sd_intercept(self) -> float:
        return SD_PER_MEDIAN_DIFFERENCE * self.intercept

    @property
    def group_sd(self) -> tuple[float, ...]:
        """The sd of one result in each group by its own median difference, whatever the line says there."""
        return tuple(SD_PER_MEDIAN_DIFFERENCE * median for median in self.group_median_difference)

    @property
    def group_precision(self) -> tuple[float, ...]:
        """Two of these over the group's mean grade, fractions."""
        return tuple(2 * sd / mean for sd, mean in zip(self.group_sd, self.group_mean, strict=True))

    @property
    def detection_limit(self) -> float | None:
        """The grade at which two sd are as large as the grade itself; None where the line has no such point.

        2 s0 / (1 - 2 k): Thompson and Howarth's precision 2 s / c set to 1 (from memory). There is none where the line passes
        through nothing or below, or where two sd exceed the grade at any grade.
        """
        if self.sd_intercept <= 0 or 2 * self.sd_slope >= 1:
            return None
        return 2 * self.sd_intercept / (1 - 2 * self.sd_slope)

    def sd_at(self, grade: float) -> float:
        """The sd of one result at this grade; below zero means the line is not to be used there, and raises ValueError."""
        sd = self.sd_intercept + self.sd_slope * grade
        if sd < 0:
            raise ValueError(
                phrase(
                    "The fitted line gives an sd below zero ({sd}) at {grade}.",
                    sd=numeral(sd, ".3g"),
                    grade=grade,
                )
            )
        return sd

    def precision_at(self, grade: float) -> float:
        """Two sd over the grade: Thompson and Howarth's precision, a fraction."""
        return 2 * self.sd_at(grade) / grade

    def median_difference_at(self, grade: float) -> float:
        """The line itself; half the pairs at this grade lie less far apart."""
        return self.intercept + self.slope * grade


@dataclass(frozen=True)
class ControlChart:
    """Centre and sigma of an individuals chart, with its warning (2 sigma) and action (3 sigma) limits."""

    centre: float
    mean_moving_range: float
    sigma: float
    sample_sd: float

    @property
    def warning_low(self) -> float:
        return self.centre - WARNING_SIGMAS * self.sigma

    @property
    def warning_high(self) -> float:
        return self.centre + WARNING_SIGMAS * self.sigma

    @property
    def action_low(self) -> float:
        return self.centre - ACTION_SIGMAS * self.sigma

    @property
    def action_high(self) -> float:
        return self.centre + ACTION_SIGMAS * self.sigma

    def standardized(self, values: Iterable[float]) -> list[float]:
        """Distances from the centre in sigmas, as `broken_rules` takes them."""
        return [(value - self.centre) / self.sigma for value in values]


@dataclass(frozen=True)
class Rule:
    """`needed` of the last `window` results strictly beyond `beyond` sigmas, on one side, the last one among them."""

    name: str
    needed: int
    window: int
    beyond: float


@dataclass(frozen=True)
class RuleSet:
    """Rules that go together; a page names the set, since another set signals elsewhere."""

    name: str
    source: str
    rules: tuple[Rule, ...]


WESTERN_ELECTRIC = RuleSet(
    name="Western Electric 1956",
    source="Western Electric Company, Statistical Quality Control Handbook (1956)",
    rules=(
        Rule("rule1_beyond_3", 1, 1, 3.0),
        Rule("rule2_2_of_3_beyond_2", 2, 3, 2.0),
        Rule("rule3_4_of_5_beyond_1", 4, 5, 1.0),
        Rule("rule4_8_same_side", 8, 8, 0.0),
    ),
)


@dataclass(frozen=True)
class Scores:
    """One result against a reference value, by the four ways ISO 13528 names; each is a number of sds."""

    z: float
    z_prime: float
    zeta: float
    e_n: float


@dataclass(frozen=True)
class Bias:
    """Mean of repeated assays against a certified value; `expanded_uncertainty` is that of the difference."""

    mean: float
    difference: float
    u_mean: float
    expanded_uncertainty: float
    t_without_certificate: float

    @property
    def is_significant(self) -> bool:
        return abs(self.difference) > self.expanded_uncertainty

    @property
    def low(self) -> float:
        return self.difference - self.expanded_uncertainty

    @property
    def high(self) -> float:
        return self.difference + self.expanded_uncertainty


@dataclass(frozen=True)
class BlankLevel:
    """What clean blanks read, and the limit three sds above it."""

    mean: float
    sd: float

    @property
    def mean_plus_3_sd(self) -> float:
        return self.mean + 3 * self.sd


@dataclass(frozen=True)
class CarryOver:
    """Blank = background + rate x the sample before it; `rate` is the share carried over, with its interval."""

    background: float
    rate: float
    rate_low: float
    rate_high: float
    level: float

    @property
    def is_shown(self) -> bool:
        """Whether the whole interval of the rate lies above zero."""
        return self.rate_low > 0


def duplicate_precision(first: Sequence[float], second: Sequence[float]) -> DuplicatePrecision:
    """Return the spread of duplicate pairs: HARD of each, the root mean square CV, and the pooled sd over the mean.

    Parameters
    ----------
    first, second : sequence of float, shape (n,)
        One pair per entry, zero or more. A missing value, or a pair of two zeros (its HARD has no value), raises ValueError.

    Notes
    -----
    The CV of a pair is sqrt(2) HARD; a lot's CV is the root of the mean CV^2, never the mean of CVs (C. R. Stanley and
    D. Lawie, Exploration and Mining Geology 16 (2007) 265, from memory). Variance within pairs is mean d^2 / 2. Near the
    detection limit HARD says more of the limit than of the sampling.

    >>> found = duplicate_precision([33, 26, 29], [35, 23, 29])
    >>> round(found.cv_rms, 4), [round(value, 4) for value in found.hard]
    (0.0555, [0.0294, 0.0612, 0.0])
    """
    a, b = checked_pairs(first, second, "first", "second")
    for one, other in zip(a, b, strict=True):
        if one < 0 or other < 0:
            raise ValueError(f"A grade cannot be negative ({one} and {other}).")
        if one + other == 0:
            raise ValueError(phrase("A pair of two zeros has no relative difference."))
    hard = tuple(abs(one - other) / (one + other) for one, other in zip(a, b, strict=True))
    variance = _mean_square_difference(a, b) / 2
    mean = statistics.fmean(a + b)
    return DuplicatePrecision(
        hard=hard,
        mean=mean,
        within_variance=variance,
        cv_rms=math.sqrt(2 * statistics.fmean(value * value for value in hard)),
        cv_pooled=math.sqrt(variance) / mean,
    )


def cv_from_logs(first: Sequence[float], second: Sequence[float]) -> float:
    """Return the CV of duplicates on the log scale: exp(sqrt(mean (ln a/b)^2 / 2)) - 1, a fraction.

    J. M. Bland and D. G. Altman, British Medical Journal 313 (1996) 106, from memory. A value not above zero has no
    logarithm and raises ValueError.

    >>> round(cv_from_logs([2.1, 0.85], [2.5, 0.8]), 4)
    0.0967
    """
    a, b = checked_pairs(first, second, "first", "second", above_zero=True)
    logs = ([math.log(value) for value in a], [math.log(value) for value in b])
    return math.expm1(math.sqrt(_mean_square_difference(*logs) / 2))


def thompson_howarth(first: Sequence[float], second: Sequence[float], group_size: int = 11) -> PrecisionLine:
    """Return how the sd of a result grows with its grade, from duplicate pairs.

    Parameters
    ----------
    first, second : sequence of float, shape (n,)
        About 50 pairs or more; fewer than two full groups raise ValueError. Pairs that fill no group are left out and
        counted in the result.
    group_size : int

    Notes
    -----
    M. Thompson and R. J. Howarth, The Analyst 101 (1976) 690: pairs sorted by their mean, in groups the mean and the median
    |difference|, and a least squares line through these; s is 1.0484 times the median |d| when errors are normal.

    >>> rising = [float(n) for n in range(1, 23)]
    >>> round(thompson_howarth(rising, [1.1 * n for n in rising]).slope, 4)
    0.0952
    """
    a, b = checked_pairs(first, second, "first", "second")
    if group_size < 1 or len(a) < 2 * group_size:
        raise ValueError(
            phrase("{number} pairs do not fill two groups of {size}.", number=len(a), size=group_size)
        )
    pairs = sorted(((one + other) / 2, abs(one - other)) for one, other in zip(a, b, strict=True))
    full = len(pairs) // group_size
    groups = [pairs[i * group_size : (i + 1) * group_size] for i in range(full)]
    means = [statistics.fmean(mean for mean, _ in group) for group in groups]
    medians = [statistics.median(difference for _, difference in group) for group in groups]
    if max(means) == min(means):
        raise ValueError(phrase("All groups have the mean {mean}: no line can be drawn.", mean=means[0]))
    line = statistics.linear_regression(means, medians)
    return PrecisionLine(
        tuple(means), tuple(medians), line.slope, line.intercept, len(pairs) - full * group_size
    )


def individuals_chart(history: Sequence[float], centre: float | None = None) -> ControlChart:
    """Return the control chart of single results of one reference material, from results in their order.

    Parameters
    ----------
    history : sequence of float, shape (n,), n at least 2
        In the order measured. Results that do not vary raise ValueError: they have no limits.
    centre : float, optional
        The certified value; the mean of the history without it.

    Notes
    -----
    NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2: sigma is the mean moving range over 1.1284 (2/sqrt(pi)). The
    sample sd takes in every drift and is given only for contrast.

    >>> round(individuals_chart([49.6, 47.6, 49.9, 51.3, 47.8]).sigma, 4)
    2.0383
    """
    values = checked_values(history, "history", at_least=2)
    moving_range = statistics.fmean(abs(after - before) for before, after in itertools.pairwise(values))
    if moving_range == 0:
        raise ValueError(
            phrase(
                "All {number} results are {value}: no limits can be drawn.",
                number=len(values),
                value=values[0],
            )
        )
    middle = statistics.fmean(values) if centre is None else checked_values([centre], "centre")[0]
    return ControlChart(middle, moving_range, moving_range / D2_OF_TWO, statistics.stdev(values))


def broken_rules(z: Sequence[float], rule_set: RuleSet = WESTERN_ELECTRIC) -> dict[str, list[int]]:
    """Return for each rule of the set the places (from 0) at which it is completed.

    `z` are results in their order, in sigmas from the centre, see `ControlChart.standardized`. A result exactly on a limit
    is not beyond it.

    >>> broken_rules([0.2, 2.3, 0.3, 2.2, -3.2])["rule2_2_of_3_beyond_2"]
    [3]
    """
    values = checked_values(z, "z", at_least=0)
    return {
        rule.name: [i for i in range(len(values)) if _completes(values, i, rule)] for rule in rule_set.rules
    }


def mean_run_length(rules: Sequence[Rule] = WESTERN_ELECTRIC.rules, shift_sigmas: float = 0.0) -> float:
    """Return how many results pass on average until one of these rules is first completed.

    Parameters
    ----------
    rules : sequence of Rule
        None raises ValueError.
    shift_sigmas : float
        How far the laboratory's mean lies off the centre; 0 is in control, and the signal a false alarm.

    Notes
    -----
    Independent normal results. A Markov chain whose states are what the rules remember of the last results (C. W. Champ and
    W. H. Woodall, Technometrics 29 (1987) 393). Loads numpy.

    >>> round(mean_run_length(), 2)
    91.75
    """
    import numpy as np

    if not rules:
        raise ValueError("Without any rule no signal ever comes.")
    zones = _zones(rules, shift_sigmas)
    start = tuple((0,) * (rule.window - 1) for rule in rules for _ in (1, -1))
    place, states, moves = {start: 0}, [start], []
    # The list grows while it is walked: every state met is walked from in turn.
    for state in states:
        for chance, beyond in zones:
            after = _remembered(state, beyond, rules)
            if after is None:
                continue
            if after not in place:
                place[after] = len(states)
                states.append(after)
            moves.append((place[state], place[after], chance))
    system = np.eye(len(states))
    for origin, target, chance in moves:
        system[origin, target] -= chance
    return float(np.linalg.solve(system, np.ones(len(states)))[0])


def scores(
    result: float, certified: float, *, sd_for_assessment: float, u_result: float, u_certified: float
) -> Scores:
    """Return z, z', zeta and E_n of a result against a certified value (ISO 13528:2015 section 9, from memory).

    `u_result` and `u_certified` are standard uncertainties (k = 1; halve an expanded one); E_n expands both by k = 2. Raises
    ValueError for a negative uncertainty, an sd not above zero, or when both uncertainties are zero.

    >>> round(scores(5.12, 4.76, sd_for_assessment=0.2, u_result=0.12, u_certified=0.05).zeta, 3)
    2.769
    """
    if not sd_for_assessment > 0:
        raise ValueError(f"The sd for assessment must be above zero, not {sd_for_assessment}.")
    if not (u_result >= 0 and u_certified >= 0):
        raise ValueError(f"Uncertainties cannot be negative ({u_result} and {u_certified}).")
    both = math.hypot(u_result, u_certified)
    if both == 0:
        raise ValueError("zeta and E_n need an uncertainty above zero on one side at least.")
    difference = result - certified
    return Scores(
        z=difference / sd_for_assessment,
        z_prime=difference / math.hypot(sd_for_assessment, u_certified),
        zeta=difference / both,
        e_n=difference / (2 * both),
    )


def bias(
    results: Sequence[float], certified: float, u_certified: float, coverage_factor: float = 2.0
) -> Bias:
    """Return how far the mean of repeated assays lies off the certified value, with its expanded uncertainty.

    Parameters
    ----------
    results : sequence of float, shape (n,), n at least 2
        Assays of one reference material; results without any spread raise ValueError.
    certified, u_certified : float
        The certified value and its standard uncertainty (k = 1), zero or more.
    coverage_factor : float
        2 for about 95 %; with few results this is somewhat too narrow.

    Notes
    -----
    T. Linsinger, ERM Application Note 1 (2010), from memory: significant when |mean - certified| exceeds
    k sqrt(s^2/n + u_certified^2). The t beside it leaves the certificate's uncertainty out, and is only for contrast.

    >>> bias([2.51, 2.44, 2.6, 2.48, 2.55, 2.47], 2.4, 0.04).is_significant
    True
    """
    values = checked_values(results, "results", at_least=2)
    if not u_certified >= 0 or not coverage_factor > 0:
        raise ValueError(
            f"An uncertainty is zero or more and a coverage factor above zero, not {u_certified} and {coverage_factor}."
        )
    u_mean = statistics.stdev(values) / math.sqrt(len(values))
    if u_mean == 0:
        raise ValueError(
            phrase(
                "All {number} results are {value}: their spread is not known.",
                number=len(values),
                value=values[0],
            )
        )
    mean = statistics.fmean(values)
    return Bias(
        mean=mean,
        difference=mean - certified,
        u_mean=u_mean,
        expanded_uncertainty=coverage_factor * math.hypot(u_mean, u_certified),
        t_without_certificate=(mean - certified) / u_mean,
    )


def blank_level(blanks: Sequence[float]) -> BlankLevel:
    """Return mean and sd of clean blanks; mean + 3 sd is the detection limit by the IUPAC convention.

    G. L. Long and J. D. Winefordner, Analytical Chemistry 55 (1983) 712A, from memory. Fewer than two raise ValueError.

    >>> round(blank_level([0.003, 0.005, 0.002, 0.004]).mean_plus_3_sd, 4)
    0.0074
    """
    values = checked_values(blanks, "blanks", at_least=2)
    return BlankLevel(statistics.fmean(values), statistics.stdev(values))


def flagged_blanks(
    blanks: Sequence[float], detection_limit: float, factor: float = BLANK_FACTOR
) -> list[bool]:
    """Return for each blank whether it lies above `factor` times the detection limit (common practice, no source).

    >>> flagged_blanks([0.004, 0.031], 0.005)
    [False, True]
    """
    if not (detection_limit > 0 and factor > 0):
        raise ValueError(
            f"Detection limit and factor must be above zero, not {detection_limit} and {factor}."
        )
    return [value > factor * detection_limit for value in checked_values(blanks, "blanks", at_least=0)]


def carry_over(blanks: Sequence[float], before: Sequence[float], level: float = 0.95) -> CarryOver:
    """Return what share of the sample before it each blank holds, judged over all blanks.

    Parameters
    ----------
    blanks, before : sequence of float, shape (n,), n at least 3
        The blanks and the grades of the samples that went through the same gear just before each. Samples before that are
        all alike raise ValueError: they cannot tell carry-over from background.
    level : float
        Confidence of the interval of the rate.

    Notes
    -----
    A least squares line, blank on sample before, with Student's interval of its slope: errors taken as normal, alike and
    independent. The intercept is what a blank reads after barren material. Loads scipy.special.

    >>> found = carry_over([0.004, 0.009, 0.054, 0.005], [0.1, 1.0, 10.0, 0.3])
    >>> round(found.rate, 4), found.is_shown
    (0.005, True)
    """
    from scipy.special import stdtrit

    values, grades = checked_pairs(blanks, before, "blanks", "before", at_least=3)
    if not 0 < level < 1:
        raise ValueError(f"A confidence level lies between 0 and 1, not {level}.")
    if max(grades) == min(grades):
        raise ValueError(
            phrase("All samples before the blanks are {grade}: no carry-over can be told.", grade=grades[0])
        )
    line = statistics.linear_regression(grades, values)
    middle = statistics.fmean(grades)
    squares = math.fsum((grade - middle) ** 2 for grade in grades)
    rest = math.fsum(
        (value - line.intercept - line.slope * grade) ** 2
        for value, grade in zip(values, grades, strict=True)
    )
    df = len(values) - 2
    margin = float(stdtrit(df, (1 + level) / 2)) * math.sqrt(rest / df / squares)
    return CarryOver(line.intercept, line.slope, line.slope - margin, line.slope + margin, level)


def _mean_square_difference(a: Sequence[float], b: Sequence[float]) -> float:
    return statistics.fmean((one - other) ** 2 for one, other in zip(a, b, strict=True))


def _completes(values: Sequence[float], place: int, rule: Rule) -> bool:
    last = values[max(0, place - rule.window + 1) : place + 1]
    return any(
        side * values[place] > rule.beyond
        and sum(1 for value in last if side * value > rule.beyond) >= rule.needed
        for side in (1, -1)
    )


def _zones(rules: Sequence[Rule], shift_sigmas: float) -> list[tuple[float, tuple[bool, ...]]]:
    """Each stretch between the rules' limits: the chance of a result in it, and which rules (up, down) it is beyond."""
    normal = statistics.NormalDist(shift_sigmas)
    limits = sorted({side * rule.beyond for rule in rules for side in (1, -1)})
    edges = [-math.inf, *limits, math.inf]
    zones = []
    for low, high in itertools.pairwise(edges):
        inside = high - 1 if low == -math.inf else low + 1 if high == math.inf else (low + high) / 2
        beyond = tuple(side * inside > rule.beyond for rule in rules for side in (1, -1))
        zones.append((normal.cdf(high) - normal.cdf(low), beyond))
    return zones


def _remembered(state, beyond: Sequence[bool], rules: Sequence[Rule]):
    """The state after one more result, or None when it completes a rule.

    A state keeps, for each rule and side, whether each of the last results was beyond its limit, oldest first. What can no
    longer help to complete the rule is forgotten, which leaves some hundred states.
    """
    after = []
    sided = (rule for rule in rules for _ in (1, -1))
    for rule, past, is_beyond in zip(sided, state, beyond, strict=True):
        seen = (*past, int(is_beyond))
        if is_beyond and sum(seen) >= rule.needed:
            return None
        kept = list(seen[1:]) if rule.window > 1 else []
        for i, was_beyond in enumerate(kept):
            # Result i is still in the window for i + 1 results to come; `coming` of them may all be beyond.
            helps = any(sum(kept[coming - 1 :]) + coming >= rule.needed for coming in range(1, i + 2))
            if was_beyond and not helps:
                kept[i] = 0
        after.append(tuple(kept))
    return tuple(after)
