"""What portions of a blended lot show of its evenness, in figures: the grain that rules their scatter, what chance lets each
hold, what so many could have shown.

Plain Python; scipy comes with `homogeneity`, imported where it tests. The laws and their sources stand there. Gold is mg, or
colours where colours were counted: then a grain is one colour. Spreads are relative standard deviations, as fractions.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from prospecting.calc.recovery_balance import reading_sd as step_sd

if TYPE_CHECKING:
    from prospecting.calc.homogeneity import DuplicateTest, FloorTest

WEIGHTS, COLOURS, ASSAYS, DUPLICATES = "weights", "colours", "assays", "duplicates"
# All looks at one lot together call a uniform one uneven, or an uneven one uniform, in 5 % of cases at most.
MISSED = 0.05
# What a page says, and what it reckons with: the law behind flatters by up to five points (simulated with lots whose portions
# differ by a gamma law).
SAID_POWER, RECKONED_POWER = 0.8, 0.85
# Beyond this nobody pans on; larger portions are the way.
MOST_SAID = 100
# A lot is called uniform only where this many times what matters would have shown: few portions may agree by luck.
TELLING = 2.0
# Of lots with grains of very unlike mass (log sd 1.3) the few large ones make the scatter itself scatter: with this share of the
# typed grains as degrees of freedom uniform ones are still called uneven in no more than 6 % (simulated).
KNOWN_AS_TYPED = 0.2


@dataclass(frozen=True)
class Portion:
    """One result of an untreated portion.

    `amount` is mg, colours, or mg in the charge assayed; None where it lies below `limit`. `exposure` is the mass in g it came
    from, `step_mg` the scale's step, `shown` the figure as it is to be read, `cut` (step, number) where it was cut in order.
    """

    label: str
    url: str
    exposure: float
    amount: float | None
    shown: str
    limit: float = 0.0
    step_mg: float = 0.0
    cut: tuple[int, int] | None = None


@dataclass(frozen=True)
class Grain:
    """Mean mass of a grain weighted by mass, in mg, between two bounds; `is_counted` from colours of these very portions.

    `mix` is (colours counted, mean mass in mg) of each size class, empty where none were counted.
    """

    low_mg: float
    high_mg: float
    is_counted: bool
    words: str
    mix: tuple[tuple[float, float], ...] = ()


ONE_COLOUR = Grain(1.0, 1.0, True, "one colour")


@dataclass(frozen=True)
class CountedGrain:
    """The grain reckoned from colours by class: its bounds in mg, all colours of each class, and `mix` as in `Grain`."""

    low_mg: float
    high_mg: float
    totals: Mapping[str, int]
    mix: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Floors:
    """The two tests behind a verdict, the chance of a scatter like this, what each portion was expected to hold, and how many
    grains that is on average.

    Uneven must hold at the least spread and the highest floor, uniform at the most spread and the lowest floor.
    """

    least: FloorTest
    most: FloorTest
    chance: float
    expected: Sequence[float]
    grains: float

    @property
    def stays_within(self) -> bool:
        return self.most.beyond_high <= self.most.tolerated

    @property
    def is_uneven(self) -> bool:
        return self.chance < 1 - self.least.level and not self.stays_within


@dataclass(frozen=True)
class Reach:
    """The unevenness that would have shown with the chance SAID_POWER, and how many portions show the one that matters."""

    visible: float
    portions: int | None


@dataclass(frozen=True)
class Placed:
    """A portion's gold and the band chance keeps it in, as multiples of what was expected."""

    times: float
    low: float
    high: float


@dataclass(frozen=True)
class Duplicates:
    """Portions assayed twice: what may stand between them, each assay as a multiple of the mean of all, and the test; None where
    all pairs agree to the last digit, which leaves the assay's own spread unknown."""

    allowed: float
    multiples: Sequence[tuple[float, float]]
    test: DuplicateTest | None


def error_each(looks: int) -> float:
    """Return how often each of several looks may go wrong, so that all together do in MISSED of cases at most.

    MISSED over their number: Bonferroni's bound (standard result), whatever the looks share. Fewer than one raise ValueError.

    >>> error_each(2)
    0.025
    """
    if looks < 1:
        raise ValueError(f"{looks} looks: there is nothing to share the errors out over.")
    return MISSED / looks


def confidence_each(looks: int) -> float:
    """Return the confidence each of several looks is judged with; see `error_each`.

    >>> confidence_each(2)
    0.975
    """
    return 1 - error_each(looks)


def difference_of_ratio(ratio: float) -> float:
    """Return the relative difference that a ratio above 1 stands for; any other ratio raises ValueError.

    >>> difference_of_ratio(1.25)
    0.25
    """
    if not ratio > 1:
        raise ValueError(f"A ratio that matters is above 1, not {ratio}.")
    return ratio - 1


def measured_rate(portions: Sequence[Portion]) -> float:
    """Return the gold per g of the portions that were measured: all their gold over all their ore. None measured raises
    ValueError.

    >>> measured_rate([Portion("", "", 400, 8.0, ""), Portion("", "", 100, 2.0, ""), Portion("", "", 100, None, "", limit=0.1)])
    0.02
    """
    measured = [portion for portion in portions if portion.amount is not None]
    if not measured:
        raise ValueError("No portion was measured: there is no gold per gram.")
    return math.fsum(p.amount for p in measured) / math.fsum(p.exposure for p in measured)


def grains_each(portions: Sequence[Portion], grain: Grain) -> float:
    """Return how many grains, of the heavier bound, a portion of middling mass holds at `measured_rate`.

    >>> grains_each([Portion("", "", 400, 9.0, ""), Portion("", "", 400, 11.0, "")], Grain(0.4, 0.5, False, ""))
    20.0
    """
    return measured_rate(portions) * math.fsum(p.exposure for p in portions) / len(portions) / grain.high_mg


def weighing_sd_mg(steps_mg: Sequence[float]) -> float:
    """Return the sd in mg that the scale's step adds to gold weighed with and without its vial: root mean square of all portions.

    One `recovery_balance.reading_sd` for each portion (JCGM 100, 4.3.7: a rectangular law of one step, twice). No portion, or
    a step below zero, raises ValueError.

    >>> round(weighing_sd_mg([0.1, 0.1]), 4)
    0.0408
    """
    if not steps_mg:
        raise ValueError("No portion was weighed: the scale adds nothing.")
    return math.sqrt(math.fsum(step_sd(step) ** 2 for step in steps_mg) / len(steps_mg))


def grain_of_colours(counted: Sequence[tuple[Mapping[str, int], float | None]]) -> CountedGrain | None:
    """Return the grain that rules the scatter, from colours by size class; None where none was counted.

    Parameters
    ----------
    counted : sequence of (colours of each class, gold in mg or None where it was not weighed), one for each pan

    Notes
    -----
    Masses by class are `chance.GRAIN_MG`, all times one factor that makes them add up to what was weighed in the pans that were
    counted and weighed. The heavier bound allows for unlike masses within a class, the lighter one takes them alike and the
    masses CLASSES_UNSURE times too heavy (`homogeneity.grain_of_classes`).

    >>> found = grain_of_colours([({"fine": 4, "flour": 10}, 22.8)])
    >>> round(found.low_mg, 2), round(found.high_mg, 2)
    (3.15, 5.46)
    """
    totals: Counter[str] = Counter()
    for classes, _ in counted:
        totals.update(classes)
    if not totals.total():
        return None

    from prospecting.calc.homogeneity import CLASSES_UNSURE, grain_of_classes
    from trials.calc.chance import GRAIN_MG

    weighed = [(classes, gold_mg) for classes, gold_mg in counted if gold_mg is not None]
    by_class_mg = math.fsum(n * GRAIN_MG[name] for classes, _ in weighed for name, n in classes.items())
    scale = math.fsum(gold_mg for _, gold_mg in weighed) / by_class_mg if by_class_mg else 1.0
    counts, masses_mg = list(totals.values()), [GRAIN_MG[name] * scale for name in totals]
    return CountedGrain(
        low_mg=grain_of_classes(counts, masses_mg, within=1.0) / CLASSES_UNSURE,
        high_mg=grain_of_classes(counts, masses_mg),
        totals=totals,
        mix=tuple((number, mass) for number, mass in zip(counts, masses_mg, strict=True) if number),
    )


def rates_to_rank(portions: Sequence[Portion]) -> list[float]:
    """Return gold per g of each portion, to be ranked: those below a limit are unknown and tie, at the highest of the limits.

    What was measured below that limit ties with them.

    >>> below = [Portion("", "", 10, None, "", limit=1.0), Portion("", "", 5, None, "", limit=1.0)]
    >>> rates_to_rank([Portion("", "", 10, 5.0, ""), *below])
    [0.5, 0.2, 0.2]
    """
    limits = [portion.limit / portion.exposure for portion in portions if portion.amount is None]
    lowest = max(limits, default=0.0)
    return [
        lowest if portion.amount is None else max(portion.amount / portion.exposure, lowest)
        for portion in portions
    ]


def is_telling(visible: float, matters: float) -> bool:
    """Return whether portions may be called alike: no more than TELLING times what matters could have stayed unseen.

    >>> is_telling(0.4, 0.25), is_telling(0.6, 0.25)
    (True, False)
    """
    return visible <= TELLING * matters


def floors(
    kind: str,
    portions: Sequence[Portion],
    grain: Grain,
    differs: float,
    level: float,
    *,
    reading_sd: float = 0.0,
    relative_sd: float = 0.0,
) -> Floors:
    """Return both tests of these portions against chance, what is below a limit taken as near to the others and as far as it can
    be.

    Parameters
    ----------
    kind : str
        COLOURS takes the exact chance of such a scatter, anything else the law's.
    portions : sequence of Portion, at least 2, gold measured in one of them at least; otherwise ValueError
    differs, level : float
        The spread between portions that matters, and the confidence.
    reading_sd, relative_sd : float
        What weighing adds to each amount, in mg, and what assaying adds, as a fraction. Only the highest floor has them.

    Notes
    -----
    `homogeneity.against_chance` twice. A grain that was not counted is known like a spread of KNOWN_AS_TYPED as many results as
    there are grains.
    """
    from prospecting.calc import homogeneity

    rate = measured_rate(portions)
    sizes = [portion.exposure for portion in portions]
    close, far = zip(*(_bounds(portion, rate) for portion in portions), strict=True)
    asked = {"tolerated": differs, "level": level, "power": RECKONED_POWER}
    least = homogeneity.against_chance(
        close,
        sizes,
        grain=grain.high_mg,
        reading_sd=reading_sd,
        relative_reading_sd=relative_sd,
        floor_df=_floor_df(close, grain.high_mg, grain),
        **asked,
    )
    most = homogeneity.against_chance(
        far, sizes, grain=grain.low_mg, floor_df=_floor_df(far, grain.low_mg, grain), **asked
    )
    chance = least.p_upper
    if kind == COLOURS:
        import numpy as np

        counts = [int(count) for count in close]
        chance = homogeneity.exact_scatter_chance(counts, sizes, np.random.default_rng(1))
    expected = homogeneity.expected_amounts(close, sizes)
    return Floors(least, most, chance, expected, grains=least.mean / grain.high_mg)


def reach(test: FloorTest, grain: Grain, reading_sd: float) -> Reach:
    """Return what so many portions would have shown, and how many show what matters.

    By simulation (`homogeneity.visible_by_weight`) where the gold is made of counted grains of unlike mass, the colours of each
    class brought to what a portion holds; else as the test's own law has it. `reading_sd` in mg.
    """
    from prospecting.calc.homogeneity import portions_by_weight, visible_by_weight

    needed = test.portions_that_would_tell
    if not (grain.is_counted and grain.mix):
        return Reach(test.visible, needed)
    whole = math.fsum(number * mass for number, mass in grain.mix)
    mix = [(number * test.mean / whole, mass) for number, mass in grain.mix]
    asked = {"reading_sd": reading_sd, "level": test.level, "power": SAID_POWER}
    if needed is not None and needed <= MOST_SAID:
        needed = portions_by_weight(test.tolerated, mix, least=needed, most=MOST_SAID, **asked)
    return Reach(visible_by_weight(test.portions, mix, **asked), needed)


def placed(
    kind: str,
    portions: Sequence[Portion],
    expected: Sequence[float],
    grain: Grain,
    *,
    reading_sd: float = 0.0,
    relative_sd: float = 0.0,
) -> list[Placed]:
    """Return each portion's gold, or its limit, and chance's 95 % band over what was `expected` of it (above zero).

    Colours have Poisson's band. Else the variance is that of `homogeneity.against_chance`, g e + reading_sd^2 + (relative_sd
    e)^2, with the heavier bound of the grain, under a gamma law.

    >>> [found] = placed(COLOURS, [Portion("", "", 400, 25.0, "")], [20.0], ONE_COLOUR)
    >>> found
    Placed(times=1.25, low=0.6, high=1.45)
    """
    from prospecting.calc.homogeneity import chance_band, count_band

    found = []
    for portion, mean in zip(portions, expected, strict=True):
        variance = grain.high_mg * mean + reading_sd**2 + (relative_sd * mean) ** 2
        band = count_band(mean) if kind == COLOURS else chance_band(mean, math.sqrt(variance))
        amount = portion.limit if portion.amount is None else portion.amount
        found.append(Placed(amount / mean, band.low / mean, band.high / mean))
    return found


def compare_duplicates(
    pairs: Sequence[tuple[Portion, Portion]], portion_floor: float | None, differs: float, level: float
) -> Duplicates:
    """Return what two assays of each portion say, with `homogeneity.duplicates_against_allowed`.

    Parameters
    ----------
    pairs : sequence of (Portion, Portion), at least 2, all measured; no gold in any raises ValueError
    portion_floor : float or None
        The spread that counting chance gives whole portions; None where it is not known. What may stand is the root of the sum
        of squares of it and `differs`.
    differs, level : float
        The spread between portions that matters, and the confidence.
    """
    from prospecting.calc.homogeneity import duplicates_against_allowed

    first, second = ([pair[side].amount / pair[side].exposure for pair in pairs] for side in (0, 1))
    allowed = math.hypot(differs, portion_floor or 0.0)
    mean = math.fsum([*first, *second]) / (2 * len(pairs))
    if not mean > 0:
        raise ValueError("Assays without any gold have no relative spread.")
    multiples = [(one / mean, other / mean) for one, other in zip(first, second, strict=True)]
    if first == second:
        return Duplicates(allowed, multiples, None)
    test = duplicates_against_allowed(first, second, allowed, level=level, power=RECKONED_POWER)
    return Duplicates(allowed, multiples, test)


def _floor_df(amounts: Sequence[float], grain_mg: float, grain: Grain) -> float:
    """How well the floor is known: fully from counted colours, else like a spread of a fifth as many results as grains."""
    return math.inf if grain.is_counted else max(2.0, KNOWN_AS_TYPED * math.fsum(amounts) / grain_mg)


def _bounds(portion: Portion, rate: float) -> tuple[float, float]:
    """The amount as near to what was expected, and as far from it, as it can be."""
    if portion.amount is not None:
        return portion.amount, portion.amount
    expected = rate * portion.exposure
    return min(portion.limit, expected), (0.0 if portion.limit <= 2 * expected else portion.limit)
