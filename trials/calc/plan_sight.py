"""Whether a plan can answer its question before anyone pans: the gain it would show, the runs that takes, and what would help.

Reckoned by `power` as the verdict will reckon. A spread is that of equal untreated runs, a standard deviation over the mean.
"""

import math
import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, Decimal

from prospecting.calc import sampling, units
from prospecting.calc.mass_balance import equal_portions, mean_mass_g
from prospecting.calc.sampling import Stage
from trials.calc import power
from trials.calc.designs import MOST_ROWS, MOST_RUNS
from trials.calc.simultaneous import critical_t_balanced, find_root

POWER = 0.8
LEVEL = 0.95
CHANCE_SHARE = 1.0
# Fewer counts than this say nothing of how they scatter (common practice, no source).
FEWEST_COUNTED = 4
# Nobody pans more at once (common practice, no source).
LARGEST_PORTION_G = Decimal(10_000)
# How far a search for the widest spread looks: ten times the mean is no lot to try anything on.
SPREADS = (1e-4, 10.0)
# An option that takes less than this part off the logarithm of the gain is no help worth naming.
WORTH_NAMING = 0.1


@dataclass(frozen=True)
class Spread:
    """How far equal untreated runs differ. `by_chance` is the share of the variance that falls as portions grow.

    `grains` is the mean count of a run where colours are counted, None for gold by weight.
    """

    cv: float
    by_chance: float = 1.0
    grains: float | None = None

    def __post_init__(self) -> None:
        if not (self.cv > 0 and math.isfinite(self.cv)):
            raise ValueError(f"spread {self.cv}: it must be above 0.")
        if not 0 <= self.by_chance <= 1:
            raise ValueError(f"by chance {self.by_chance}: a share lies between 0 and 1.")

    @property
    def dispersion(self) -> float | None:
        """How many times the variance of grains falling by chance counts have, 1 or above; None for gold by weight."""
        return None if self.grains is None else max(1.0, self.cv**2 * self.grains)

    def in_portions(self, times: float) -> "Spread":
        """The spread in portions so many times as large: the part by chance falls with the mass, the rest stays.

        >>> round(Spread(0.4).in_portions(4).cv, 3), round(Spread(0.4, by_chance=0.5).in_portions(4).cv, 3)
        (0.2, 0.316)
        """
        if not times > 0:
            raise ValueError(f"{times} times as large: it must be above 0.")
        chance, rest = self.by_chance / times, 1 - self.by_chance
        grains = None if self.grains is None else self.grains * times
        return Spread(self.cv * math.sqrt(chance + rest), chance / (chance + rest), grains)


@dataclass(frozen=True)
class Plan:
    """So many treatments, the control counted, in so many rows: blocks, or runs of each where there are none.

    Of a square the places in the order are taken out as well as the rows.
    """

    treatments: int
    rows: int
    in_blocks: bool = True
    is_square: bool = False

    @property
    def runs(self) -> int:
        return self.treatments * self.rows

    @property
    def error_df(self) -> int:
        """Runs left over to show the spread: (t - 1)(b - 1) in blocks, (t - 1)(b - 2) in squares, t (n - 1) without."""
        if self.is_square:
            return (self.treatments - 1) * (self.rows - 2)
        return (self.treatments - 1 if self.in_blocks else self.treatments) * (self.rows - 1)

    def with_treatments(self, treatments: int) -> "Plan":
        """As many runs shared among fewer treatments; a run or two may be left over."""
        return replace(self, treatments=treatments, rows=self.runs // treatments)


@dataclass(frozen=True)
class Sight:
    """The gain a plan shows 8 times in 10 (infinite: none thinkable), and what it was reckoned from."""

    gain: float
    standard_error: float
    df: int
    critical_t: float


@dataclass(frozen=True)
class PlanHours:
    """Time a plan takes in hours: panning, and soaking side by side in each row or one tub after the other."""

    panning: float
    soaking_together: float
    soaking_apart: float


def sight(spread: Spread, plan: Plan) -> Sight:
    """Return the smallest gain the plan shows with a chance of 80 %, every treatment against the control at 95 % together.

    A plan of fewer than 2 treatments or 2 rows raises ValueError.

    >>> round(sight(Spread(0.3), Plan(treatments=4, rows=5)).gain, 2)
    1.82
    """
    if plan.treatments < 2 or plan.rows < 2:
        raise ValueError(f"{plan.rows} rows of {plan.treatments} treatments: a plan has 2 of each or more.")
    compared = plan.treatments - 1
    if plan.error_df < 1:
        return Sight(math.inf, spread.cv * math.sqrt(2 / plan.rows), plan.error_df, math.inf)
    critical = critical_t_balanced(compared, plan.error_df, LEVEL)
    least = power.least_spread_of_counts(critical, compared, spread.dispersion, LEVEL)
    se = spread.cv * math.sqrt(2 / plan.rows)
    gain = power.detectable_ratio_for(se, critical, plan.error_df, POWER, CHANCE_SHARE, least)
    return Sight(gain, se, plan.error_df, critical)


def rows_needed(spread: Spread, plan: Plan, ratio: float, each: int = 1) -> int | None:
    """Return the fewest rows in which the plan's treatments show this ratio; None past `power.MOST_BLOCKS`.

    `each` is how many rows belong together (a whole square).

    >>> rows_needed(Spread(0.3), Plan(4, 5), 1.5), rows_needed(Spread(0.3), Plan(4, 5), 1.5, each=4)
    (11, 12)
    """
    if not ratio > 1:
        raise ValueError(f"ratio {ratio}: a gain is above 1.")
    most = power.MOST_BLOCKS // each
    found = _fewest(
        lambda wholes: sight(spread, replace(plan, rows=wholes * each)).gain <= ratio, -(-2 // each), most
    )
    return None if found is None else found * each


def widest_spread(plan: Plan, ratio: float) -> float:
    """Return the widest spread of weighed gold at which the plan still shows this ratio: 0.24 for 24 %.

    >>> round(widest_spread(Plan(4, 11), 1.5), 2)
    0.31
    """

    def over(log_cv: float) -> float:
        gain = sight(Spread(math.exp(log_cv)), plan).gain
        return min(math.log(gain), power.LARGEST_LOG_RATIO) - math.log(ratio)

    low, high = map(math.log, SPREADS)
    return math.exp(find_root(over, low, high))


def portion_for(spread: Spread, plan: Plan, ratio: float, portion_g: Decimal) -> Decimal | None:
    """Return the portion in g with which this plan shows the ratio, at most LARGEST_PORTION_G; None where none does."""
    most = float(LARGEST_PORTION_G / portion_g)
    if most < 1 or sight(spread.in_portions(most), plan).gain > ratio:
        return None

    def over(log_times: float) -> float:
        return math.log(sight(spread.in_portions(math.exp(log_times)), plan).gain) - math.log(ratio)

    return portion_g * Decimal(math.exp(find_root(over, 0.0, math.log(most)))) if over(0.0) > 0 else portion_g


def portions_compared(portion_g: Decimal, others_g: Sequence[Decimal]) -> float:
    """Return how many times as large a portion is as the mean of the others. No other raises ValueError.

    >>> portions_compared(Decimal(900), [Decimal(400), Decimal(500)])
    2.0
    """
    return float(portion_g / mean_mass_g(others_g))


def largest_portion_g(on_hand_g: Decimal, plan: Plan) -> Decimal:
    """Return the largest portion in g that the lot gives every run of the plan, and that can be panned at once.

    >>> largest_portion_g(Decimal(9000), Plan(3, 6))
    Decimal('500')
    """
    return min(LARGEST_PORTION_G, on_hand_g / plan.runs)


def rows_allowed(on_hand_g: Decimal, portion_g: Decimal, treatments: int, each: int = 1) -> int:
    """Return how many rows of so many treatments the lot feeds and one plan takes; whole squares of `each` rows only.

    >>> rows_allowed(Decimal(9000), Decimal(500), 4), rows_allowed(Decimal(900_000), Decimal(500), 8, each=8)
    (4, 24)
    """
    fed = equal_portions(on_hand_g, portion_g) // treatments
    most = min(fed, MOST_ROWS, MOST_RUNS // treatments)
    return most - most % each


def rounded_up_mass(mass_g: Decimal, unit: str) -> Decimal:
    """Return the next mass up, in g, that is written with two figures in this unit.

    >>> units.format_mass(rounded_up_mass(Decimal(1000), "lb"), "lb")
    '2.3 lb'
    """
    inside = units.convert_mass(mass_g, "g", unit)
    step = Decimal(1).scaleb(inside.adjusted() - 1)
    return units.convert_mass((inside / step).to_integral_value(ROUND_CEILING) * step, unit, "g")


def crushed_finer(spread: Spread, ore: Mapping[str, float], now: Stage, finer: Stage) -> Spread:
    """Return the spread after crushing from one stage's top size to a finer one's.

    Parameters
    ----------
    spread : Spread
    ore : mapping with grade_g_per_t and liberation_um, as `sampling.fundamental_errors` takes them
    now, finer : Stage
        The same portion of the same lot before and after.

    Notes
    -----
    Only the part of the variance that Gy's theory lays to the pieces' size falls; of his two exponents the less hopeful counts.
    """
    best = []
    for before, after in zip(
        sampling.fundamental_errors(stage=now, **ore),
        sampling.fundamental_errors(stage=finer, **ore),
        strict=True,
    ):
        of_pieces = min(1.0, before.relative_variance / spread.cv**2)
        best.append(1 - of_pieces * (1 - after.relative_variance / before.relative_variance))
    return Spread(spread.cv * math.sqrt(max(best)), spread.by_chance, spread.grains)


def spread_of_colours(counts: Sequence[int], portions_g: Sequence[Decimal], portion_g: Decimal) -> Spread:
    """Return the spread of colours in portions of `portion_g` from counts of untreated portions and their masses in g.

    Beyond chance only where FEWEST_COUNTED or more scatter more than that: variance over mean of counts set to one mass. No
    colour at all, or no count, raises ValueError.

    >>> found = spread_of_colours([4, 9, 6, 5], [Decimal(500)] * 4, Decimal(1000))
    >>> found.grains, round(found.cv, 3)
    (12.0, 0.289)
    """
    if not any(counts):
        raise ValueError("No colour was counted: nothing to reckon with.")
    mean_g = float(mean_mass_g(portions_g))
    scaled = [count * mean_g / float(mass_g) for count, mass_g in zip(counts, portions_g, strict=True)]
    mean = statistics.fmean(scaled)
    dispersion = 1.0
    if len(scaled) >= FEWEST_COUNTED:
        dispersion = max(dispersion, statistics.variance(scaled) / mean)
    seen = Spread(math.sqrt(dispersion / mean), 1 / dispersion, mean)
    return seen.in_portions(portions_compared(portion_g, portions_g))


def worth_naming(before: float, after: float) -> bool:
    """Return whether a plan that shows `after` times instead of `before` times is help worth naming.

    >>> worth_naming(2.0, 1.98), worth_naming(2.0, 1.6)
    (False, True)
    """
    return math.log(after) <= (1 - WORTH_NAMING) * min(math.log(before), power.LARGEST_LOG_RATIO)


def plan_hours(plan: Plan, run_min: float, soak_min: float) -> PlanHours:
    """Return the hours a plan takes, minutes of a run and of its soak given.

    >>> plan_hours(Plan(4, 5), run_min=30, soak_min=12)
    PlanHours(panning=10.0, soaking_together=1.0, soaking_apart=4.0)
    """
    return PlanHours(plan.runs * run_min / 60, plan.rows * soak_min / 60, plan.runs * soak_min / 60)


def _fewest(enough: Callable[[int], bool], least: int, most: int) -> int | None:
    """The smallest whole number from `least` on that is enough, where more is never worse."""
    least = max(1, least)
    if most < least or not enough(most):
        return None
    low, high = least - 1, least
    while not enough(high):
        low, high = high, min(most, 2 * high)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
