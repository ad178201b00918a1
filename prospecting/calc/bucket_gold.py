"""Whether the lots that go into one blend are alike: what was found in each beside what was found in the others.

Plain Python; scipy comes with `homogeneity`, imported where it is needed. Gold is mg of ore or charge in g, or colours where
these were counted: then a grain is 1. Per kg, so mg become g/t.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from prospecting.calc.sampling import ENOUGH_GRAINS, Interval

# Half of the gold, out of clearly less than half of the mass.
MOST_OF_THE_GOLD, OVER_ITS_MASS = 0.5, 1.5
# A lower limit under this share of the upper one says nothing.
NEXT_TO_NOTHING = 0.01


@dataclass(frozen=True)
class Result:
    """One result: between `least` and `most` gold in `exposure_g` (alike unless below a limit), as it is to be read, its link."""

    least: float
    most: float
    exposure_g: float
    shown: str = ""
    url: str = ""


@dataclass
class Gold:
    """All results of one kind in one lot.

    >>> gold = Gold([Result(4.0, 4.0, 500), Result(0.0, 1.0, 500)])
    >>> gold.low_per_kg, gold.high_per_kg, gold.middle_per_kg, gold.below
    (4.0, 5.0, 4.5, 1)
    """

    results: list[Result] = field(default_factory=list)

    @property
    def least(self) -> float:
        return math.fsum(result.least for result in self.results)

    @property
    def most(self) -> float:
        return math.fsum(result.most for result in self.results)

    @property
    def exposure_g(self) -> float:
        return math.fsum(result.exposure_g for result in self.results)

    @property
    def low_per_kg(self) -> float:
        return 1000 * self.least / self.exposure_g

    @property
    def high_per_kg(self) -> float:
        return 1000 * self.most / self.exposure_g

    @property
    def middle_per_kg(self) -> float:
        """What is below a limit counts as half of it: a figure to draw and to share out by, never to judge by."""
        return (self.low_per_kg + self.high_per_kg) / 2

    @property
    def values_per_kg(self) -> list[float]:
        """Each result that showed gold."""
        return [1000 * result.least / result.exposure_g for result in self.results if result.least]

    @property
    def below(self) -> int:
        """How many results showed none."""
        return sum(not result.least for result in self.results)


@dataclass(frozen=True)
class Beside:
    """One lot's gold beside the others': limits per kg, limits of its grade over theirs, and what is still to be panned of it.

    `lacking_g` is 0 where it was panned enough, None where none of them showed gold.
    """

    limits: Interval
    ratio: Interval
    lacking_g: float | None


def beside_others(gold: Gold, others: Sequence[Gold], *, grain: float, level: float) -> Beside:
    """Return how sure a lot's grade is, alone and over that of the others taken together.

    Parameters
    ----------
    gold, others : Gold, sequence of Gold
        Of one kind. No others, or a lot without ore, raise ValueError.
    grain : float
        Mass in mg of a grain weighted by mass; 1 for colours. Above zero.
    level : float
        Confidence of the ratio; the lot's own limits are 95 % ones.

    Notes
    -----
    `homogeneity.rate_interval` and `homogeneity.ratio_interval`, gold counted in grains. Lacking is the ore that, at the grade of
    all of them together, brings this lot's to ENOUGH_GRAINS.

    >>> poor, rich = Gold([Result(5, 5, 1000)]), Gold([Result(35, 35, 1000)])
    >>> found = beside_others(poor, [rich], grain=1, level=0.95)
    >>> round(found.ratio.high, 2), found.lacking_g
    (0.37, 0.0)
    """
    from prospecting.calc.homogeneity import rate_interval, ratio_interval

    if not others or not all(each.exposure_g > 0 for each in (gold, *others)):
        raise ValueError("A lot is compared with others, and each of them needs ore of some mass.")
    if not grain > 0:
        raise ValueError(f"A grain weighs something, not {grain}.")
    others_g = math.fsum(other.exposure_g for other in others)
    others_least, others_most = (
        math.fsum(other.least for other in others),
        math.fsum(other.most for other in others),
    )
    ratio = ratio_interval(
        (gold.least / grain, gold.most / grain),
        (others_least / grain, others_most / grain),
        gold.exposure_g,
        others_g,
        level,
    )
    found = math.fsum([gold.least, gold.most, others_least, others_most]) / 2
    grains_per_g = found / (gold.exposure_g + others_g) / grain
    lacking = ENOUGH_GRAINS - grains_per_g * gold.exposure_g
    return Beside(
        limits=rate_interval(gold.least, gold.most, gold.exposure_g / 1000, grain=grain),
        ratio=ratio,
        lacking_g=max(0.0, lacking / grains_per_g) if grains_per_g else None,
    )


def mass_shares(masses_g: Sequence[float]) -> list[float]:
    """Return each lot's share of the blend's mass. No mass at all raises ValueError.

    >>> mass_shares([100.0, 300.0])
    [0.25, 0.75]
    """
    whole = math.fsum(masses_g)
    if not whole > 0:
        raise ValueError("A blend without any mass has no shares.")
    return [mass_g / whole for mass_g in masses_g]


def dominates(gold_share: float, mass_share: float) -> bool:
    """Return whether a lot brings most of a blend's gold, and clearly more than its mass would (our own limits).

    >>> dominates(0.7, 0.2), dominates(0.7, 0.6)
    (True, False)
    """
    return gold_share >= MOST_OF_THE_GOLD and gold_share >= OVER_ITS_MASS * mass_share


def is_next_to_nothing(low: float, high: float) -> bool:
    """Return whether a lower limit lies so far under the upper one that it is not worth saying.

    >>> is_next_to_nothing(0.001, 2.0), is_next_to_nothing(0.5, 2.0)
    (True, False)
    """
    return low < NEXT_TO_NOTHING * high
