"""What the checks of one assay return say of it: coarse blanks, reference materials and duplicates, each by a named rule.

Plain Python; grades in g/t as float. No outside standard fixes these limits: each rule names where it comes from. A check that
cannot tell anything (no limit printed, a single pair) is "not judged" and never counts as passed.
"""

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.quality_control import (
    ACTION_SIGMAS,
    BLANK_FACTOR,
    WARNING_SIGMAS,
    WESTERN_ELECTRIC,
    Bias,
    RuleSet,
    bias,
    broken_rules,
    cv_from_logs,
    duplicate_precision,
    flagged_blanks,
)
from prospecting.calc.value_in_use import ABOVE, BELOW, VALUE, Figure

PASSED, LOOK, FAILED, NOT_JUDGED = "passed", "look", "failed", "not judged"

FIELD, COARSE, PULP = "field", "coarse", "pulp"
HARD_LIMIT = {FIELD: 0.30, COARSE: 0.20, PULP: 0.10}
SHARE_WITHIN = 0.90
# Fewer pairs cannot fail a laboratory: one rare grain in one of two cuts is nobody's fault.
FEWEST_PAIRS = 3
# Nearer to the detection limit a relative difference says more of the limit than of the sample.
PAIR_FACTOR = 5.0
# So rarely may a laboratory that keeps the share be failed by chance.
CHANCE = 0.05
OFF_BY = 0.20
FEWEST_FOR_BIAS = 6
FEWEST_FOR_PRECISION = 5
FEWEST_FOR_CARRY_OVER = 3
FEWEST_FOR_LIMITS = 5


@dataclass(frozen=True)
class CheckRule:
    """One rule of the set: what it asks, and where its limit comes from."""

    name: str
    asks: str
    told_by: str

    @property
    def sentence(self) -> str:
        return phrase(self.asks, **_figures())

    @property
    def source(self) -> str:
        return phrase(self.told_by, **_figures())


def _figures() -> dict[str, str]:
    """What the sentences of the rules name, as text."""
    return {
        "factor": numeral(BLANK_FACTOR, "g"),
        "off_by": numeral(100 * OFF_BY, "g"),
        "pairs": str(FEWEST_PAIRS),
        "chance": numeral(100 * CHANCE, "g"),
    }


RULE_SET_NAME = to_phrase("This site's rules for one return")
COMMON = to_phrase("common practice, no source")
RULES: tuple[CheckRule, ...] = (
    CheckRule(
        "blank",
        to_phrase(
            "A coarse blank fails above {factor} times the detection limit, and is looked at above the limit itself."
        ),
        COMMON,
    ),
    CheckRule(
        "reference",
        to_phrase(
            "A reference material, by its z score against the standard deviation between laboratories: up to 2 acceptable, "
            "between 2 and 3 a warning signal, 3 or more an action signal, which fails. Two of three in a row beyond 2 on "
            "one side fail as well."
        ),
        to_phrase(
            "z score and its names: ISO 13528:2015, section 9 (from memory); two of three: Western Electric, Statistical "
            "Quality Control Handbook (1956)"
        ),
    ),
    CheckRule(
        "reference_without_sd",
        to_phrase(
            "A reference material whose certificate gives no standard deviation between laboratories: inside its plus or "
            "minus it passes; outside it, and off by more than {off_by} %, it fails; between the two nothing can be said, "
            "because such a plus or minus tells how well the mean is known and not how far a single assay may lie."
        ),
        to_phrase(
            "the {off_by} %: what the USGS method of gold by lead fusion fire assay accepts at five times its limit; the "
            "rest our own"
        ),
    ),
    CheckRule(
        "duplicate",
        to_phrase(
            "Duplicates, by half the relative difference |a - b| / (a + b): at least 90 % of the pairs within 10 % (pulp) "
            "or 20 % (coarse). From {pairs} pairs on a return fails when so many outside would be rarer than {chance} % at a "
            "laboratory that keeps the 90 %. Field duplicates (30 %) never fail a return: they tell of coarse gold and of "
            "our own splitting."
        ),
        to_phrase("limits: common practice, no source; the chance: binomial"),
    ),
)


@dataclass(frozen=True)
class Finding:
    """What one check says. `why` names the case for whoever writes the sentence; the numbers are those it was judged by."""

    rule: str
    outcome: str
    why: str
    value: float | None = None
    limit: float | None = None
    z: float | None = None
    share: float | None = None


@dataclass(frozen=True)
class Certified:
    """A reference material as its certificate states it; `sd` is that between laboratories, `plus_minus` of another kind."""

    grade: float
    sd: float | None = None
    plus_minus: float | None = None

    def z(self, grade: float) -> float | None:
        return None if self.sd is None else (grade - self.grade) / self.sd


@dataclass(frozen=True)
class Pair:
    """Two results of one thing; either may be a bound. `hard` is |a - b| / (a + b), None where it isn't one number."""

    first: Figure
    second: Figure

    @property
    def hard(self) -> float | None:
        if (
            self.first.symbol != VALUE
            or self.second.symbol != VALUE
            or not self.first.grade + self.second.grade
        ):
            return None
        return duplicate_precision([float(self.first.grade)], [float(self.second.grade)]).hard[0]

    @property
    def mean(self) -> float | None:
        if self.first.symbol != VALUE or self.second.symbol != VALUE:
            return None
        return float(self.first.grade + self.second.grade) / 2

    @property
    def difference(self) -> float | None:
        """|a - b|; None where one is a bound."""
        if self.first.symbol != VALUE or self.second.symbol != VALUE:
            return None
        return float(abs(self.first.grade - self.second.grade))

    @property
    def least_hard(self) -> float:
        """The least half relative difference the two can have; 0 where they may be the same."""
        low, high = sorted((self.first, self.second), key=lambda each: each.lowest)
        if high.symbol == BELOW or low.symbol == ABOVE or (top := low.highest) is None or high.lowest <= top:
            return 0.0
        return float((high.lowest - top) / (high.lowest + top))

    def is_clear_of(self, detection_limit: float | None) -> bool:
        """Whether at least one of the two lies well above the detection limit, so that their difference means something."""
        if detection_limit is None:
            return True
        return float(max(self.first.lowest, self.second.lowest)) >= PAIR_FACTOR * detection_limit


@dataclass(frozen=True)
class DuplicatesFound:
    """The duplicates of one stage: how many pairs could be judged, how many of them lie outside the limit.

    Of the rest `near_limit` lie near the detection limit; of `bounds` one side is only a bound.
    """

    finding: Finding
    judged: int
    outside: int
    near_limit: int
    bounds: int = 0


@dataclass(frozen=True)
class Precision:
    """The coefficient of variation of one result from duplicate pairs, with its interval; fractions."""

    pairs: int
    cv: float
    low: float
    high: float
    level: float
    share_within: float


@dataclass(frozen=True)
class Turnaround:
    """Days from sending to the first return: the middle one and the range; `late` of `number` came after the day expected."""

    number: int
    median: float
    shortest: int
    longest: int
    late: int
    with_day: int


def judge_blank(figure: Figure, detection_limit: float | None) -> Finding:
    """Return what a coarse blank says, given the detection limit of its method (g/t; None where none is known).

    >>> from decimal import Decimal
    >>> judge_blank(Figure("value", Decimal("0.031")), 0.005).outcome
    'failed'
    """
    if figure.symbol == BELOW:
        return Finding("blank", PASSED, "below", limit=float(figure.limit))
    if figure.symbol == ABOVE:
        return Finding("blank", FAILED, "above", value=float(figure.limit), limit=detection_limit)
    value = float(figure.grade)
    if detection_limit is None:
        return Finding("blank", NOT_JUDGED, "no_limit", value=value)
    if flagged_blanks([value], detection_limit)[0]:
        return Finding("blank", FAILED, "over_factor", value=value, limit=detection_limit)
    if value > detection_limit:
        return Finding("blank", LOOK, "over_limit", value=value, limit=detection_limit)
    return Finding("blank", PASSED, "within", value=value, limit=detection_limit)


def judge_reference(figure: Figure, certified: Certified, before: Sequence[float] = ()) -> Finding:
    """Return what a reference material says.

    `before` are the z scores of earlier results of the same material at the same laboratory, in order of reporting; a result
    that is only a bound, and a material without a standard deviation, have none.

    >>> from decimal import Decimal
    >>> judge_reference(Figure("value", Decimal("5.12")), Certified(4.76, sd=0.2)).z.__round__(2)
    1.8
    """
    if figure.symbol != VALUE:
        return _judge_bound(figure, certified)
    value = float(figure.grade)
    z = certified.z(value)
    if z is None:
        return _judge_without_sd(value, certified)
    # ISO 13528 signals at 3 exactly, Western Electric only beyond it; the stricter stands.
    if abs(z) >= ACTION_SIGMAS:
        return Finding("reference", FAILED, "action", value=value, z=z)
    # The last three are enough for this rule.
    last = [*before[-2:], z]
    if len(last) - 1 in broken_rules(last)["rule2_2_of_3_beyond_2"]:
        return Finding("reference", FAILED, "two_of_three", value=value, z=z)
    if abs(z) > WARNING_SIGMAS:
        return Finding("reference", LOOK, "warning", value=value, z=z)
    return Finding("reference", PASSED, "acceptable", value=value, z=z)


def judge_duplicates(stage: str, pairs: Sequence[Pair], detection_limit: float | None) -> DuplicatesFound:
    """Return what the duplicates of one stage say of a return; pairs near the detection limit are counted apart."""
    limit = HARD_LIMIT[stage]
    clear = [pair for pair in pairs if pair.is_clear_of(detection_limit)]
    hards = [pair.least_hard if pair.hard is None else pair.hard for pair in clear]
    # A bound that may agree tells nothing; one that cannot lies outside.
    judged = [hard for pair, hard in zip(clear, hards, strict=True) if pair.hard is not None or hard > limit]
    outside = sum(1 for hard in judged if hard > limit)
    share = (len(judged) - outside) / len(judged) if judged else None
    bounds = sum(
        1
        for pair, hard in zip(clear, hards, strict=True)
        if pair.hard is None and pair.mean is None and hard <= limit
    )

    def found(outcome: str, why: str) -> DuplicatesFound:
        finding = Finding("duplicate", outcome, why, limit=limit, share=share)
        return DuplicatesFound(finding, len(judged), outside, len(pairs) - len(judged) - bounds, bounds)

    if not judged:
        return found(NOT_JUDGED, "only_bounds" if bounds else "none_clear")
    if stage == FIELD:
        return found(LOOK if outside else NOT_JUDGED, "field")
    if len(judged) < FEWEST_PAIRS:
        return found(LOOK if outside else NOT_JUDGED, "few")
    if chance_of_so_many(outside, len(judged), 1 - SHARE_WITHIN) < CHANCE:
        return found(FAILED, "outside")
    return found(LOOK if share < SHARE_WITHIN else PASSED, "within")


def state_of(findings: Sequence[Finding]) -> str:
    """Return "failed" when any check failed, "passed" when at least one could be judged and none failed, else "none".

    A look at duplicates that cannot fail a laboratory is no pass.
    """
    if any(each.outcome == FAILED for each in findings):
        return "failed"
    told = [
        each
        for each in findings
        if each.outcome == PASSED or each.outcome == LOOK and each.why not in ("few", "field")
    ]
    return "passed" if told else "none"


def chance_of_so_many(outside: int, pairs: int, share: float) -> float:
    """Return the chance that so many of `pairs` or more lie outside when each does with chance `share` (binomial).

    >>> round(chance_of_so_many(2, 3, 0.1), 3)
    0.028
    """
    # By logarithms: the number of ways alone is too large for a float from some thousand pairs on.
    ways = math.lgamma(pairs + 1)
    return math.fsum(
        math.exp(
            ways
            - math.lgamma(n + 1)
            - math.lgamma(pairs - n + 1)
            + n * math.log(share)
            + (pairs - n) * math.log1p(-share)
        )
        for n in range(outside, pairs + 1)
    )


def certified_uncertainty(plus_minus: float | None, kind: str) -> float | None:
    """Return the standard uncertainty of a certified mean from its plus or minus; None where the certificate doesn't tell.

    A 95 % confidence limit and an expanded uncertainty (k = 2) are both taken as two of them; a standard deviation between
    laboratories says nothing of how well their mean is known.
    """
    if plus_minus is None or kind not in ("confidence_95", "expanded"):
        return None
    return plus_minus / 2


def bias_of(results: Sequence[float], certified: float, u_certified: float | None) -> Bias | None:
    """Return the bias against the certified grade with its interval of about 95 % (k = 2); None where that cannot be told.

    Too few are fewer than six, for with these k = 2 would be much too narrow. An unknown uncertainty of the certificate counts
    as none, and the page says so.
    """
    if len(results) < FEWEST_FOR_BIAS or len(set(results)) == 1:
        return None
    return bias(results, certified, u_certified or 0.0)


def precision_of(pairs: Sequence[Pair], stage: str, level: float = 0.95) -> Precision | None:
    """Return the coefficient of variation of one result, from duplicates on the log scale; None for too few pairs.

    The interval takes the pairs' log differences as normal: n s^2 over chi-square of n, whose quantiles are by E. B. Wilson
    and M. M. Hilferty, Proceedings of the National Academy of Sciences 17 (1931) 684 (from memory); at five pairs the upper end
    comes out some 2 % too wide.
    """
    told = [pair for pair in pairs if pair.hard is not None and pair.first.grade and pair.second.grade]
    if len(told) < FEWEST_FOR_PRECISION:
        return None
    a, b = [float(pair.first.grade) for pair in told], [float(pair.second.grade) for pair in told]
    cv = cv_from_logs(a, b)
    log_sd = math.log1p(cv)
    low, high = (
        math.expm1(log_sd * math.sqrt(len(told) / _chi_square(len(told), point)))
        for point in ((1 + level) / 2, (1 - level) / 2)
    )
    within = duplicate_precision(a, b).share_within(HARD_LIMIT[stage])
    return Precision(len(told), cv, low, high, level, within)


def turnaround(days: Sequence[int], lateness: Sequence[int | None]) -> Turnaround | None:
    """Return the days taken, and how many came after the day expected.

    `lateness` are the days after that day, one entry per dispatch (below 1: in time; None: no day was named). None without any.

    >>> turnaround([12, 20, 31], [-3, 4, None]).late
    1
    """
    if not days:
        return None
    named = [each for each in lateness if each is not None]
    return Turnaround(
        number=len(days),
        median=statistics.median(days),
        shortest=min(days),
        longest=max(days),
        late=sum(1 for each in named if each > 0),
        with_day=len(named),
    )


def z_scores(results: Sequence[float], certified: Certified) -> list[float]:
    """Return each result's distance from the certified grade, in standard deviations between laboratories."""
    if certified.sd is None:
        raise ValueError("This certificate gives no standard deviation between laboratories.")
    return [certified.z(result) for result in results]


def signals(z: Sequence[float], rule_set: RuleSet = WESTERN_ELECTRIC) -> dict[int, list[str]]:
    """Return for each place (from 0) at which a rule of the set is completed the names of these rules.

    >>> signals([0.2, 2.3, 0.3, 2.2, -3.2])
    {3: ['rule2_2_of_3_beyond_2'], 4: ['rule1_beyond_3']}
    """
    broken = broken_rules(z, rule_set)
    places = sorted({place for places in broken.values() for place in places})
    return {place: [name for name, at in broken.items() if place in at] for place in places}


def carried(blank: Figure, before: Figure) -> float:
    """Return the blank as a fraction of the sample before it: all that could have been carried over, were it all from there."""
    return float(blank.grade / before.grade)


def control_limits(centre: float, sd: float) -> list[tuple[float, float]]:
    """Return (standard deviations from the centre, grade) of the warning and action limits; one below nothing is no limit.

    >>> control_limits(2.0, 0.75)
    [(2.0, 3.5), (-2.0, 0.5), (3.0, 4.25)]
    """
    sides = [side * sds for sds in (WARNING_SIGMAS, ACTION_SIGMAS) for side in (1, -1)]
    return [(sds, centre + sds * sd) for sds in sides if centre + sds * sd > 0]


def blank_allowed(detection_limit: float) -> float:
    """Return the grade above which a coarse blank fails."""
    return BLANK_FACTOR * detection_limit


def relative(difference: float, certified: float) -> float:
    """Return a difference as a fraction of the certified grade."""
    return difference / certified


def _judge_bound(figure: Figure, certified: Certified) -> Finding:
    """A reference material that came back as "below" or "above": it fails only where it cannot be right."""
    limit = float(figure.limit)
    reach = ACTION_SIGMAS * certified.sd if certified.sd is not None else OFF_BY * certified.grade
    cannot_be = (
        limit <= certified.grade - reach if figure.symbol == BELOW else limit >= certified.grade + reach
    )
    return Finding(
        "reference" if certified.sd is not None else "reference_without_sd",
        FAILED if cannot_be else NOT_JUDGED,
        figure.symbol,
        value=limit,
    )


def _judge_without_sd(value: float, certified: Certified) -> Finding:
    share = relative(value - certified.grade, certified.grade)
    inside = certified.plus_minus is not None and abs(value - certified.grade) <= certified.plus_minus
    far = abs(share) > OFF_BY
    outcome, why = (PASSED, "inside") if inside else (FAILED, "far") if far else (NOT_JUDGED, "between")
    return Finding("reference_without_sd", outcome, why, value=value, share=share)


def _chi_square(df: int, point: float) -> float:
    """The quantile below which a chi-square of `df` lies with chance `point`, by Wilson and Hilferty."""
    spread = 2 / (9 * df)
    return df * (1 - spread + statistics.NormalDist().inv_cdf(point) * math.sqrt(spread)) ** 3
