"""Which assay would narrow a zone's mean grade most for its price.

A zone is taken as many digs, each with a grade of its own about the zone's mean; an assay tells the grade of the digs in its lot,
with the chance of its charge on top. Loads numpy and scipy.special; import it inside the function that needs it.
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from trials.calc.field_against_laboratory import student

# With fewer digs assayed, nothing tells how far the zone's digs lie apart (our own limit).
FEWEST_DIGS = 3


@dataclass(frozen=True)
class Assayed:
    """A lot's assay: `grade` in g/t, its own `sd` in g/t, and the `shares` of the digs in the lot (dig to fraction, sum 1)."""

    grade: float
    sd: float
    shares: Mapping[int, float]


@dataclass(frozen=True)
class Candidate:
    """A lot that could be assayed, with the sd in g/t such an assay would have."""

    sd: float
    shares: Mapping[int, float]


@dataclass(frozen=True)
class ZoneMean:
    """The zone's mean in g/t, how far its digs lie apart (sd in g/t), and half its interval at `level`."""

    mean: float
    between_sd: float
    se: float
    digs: int
    half_width: float
    level: float


@dataclass(frozen=True)
class Narrowed:
    """Half the interval expected after the assay, in g/t, and how much narrower that is as a fraction of the zone's mean."""

    half_width: float
    by_share: float
    adds_dig: bool


def digs_of(assays: Sequence[Assayed]) -> int:
    """Return how many digs stand behind these assays."""
    return len({dig for each in assays for dig in each.shares})


def between_digs_sd(assays: Sequence[Assayed]) -> float:
    """Return how far the digs of a zone lie apart, one sd in g/t, beyond the assays' own errors; 0 where these explain it all.

    Moment estimate of R. DerSimonian and N. Laird, Controlled Clinical Trials 7 (1986) 177 (from memory), over the means of the
    lots: Q of the weighted means less its degrees of freedom, over the sum of weights less their self-weighted mean. A mixed lot
    counts as one lot: that makes the digs look nearer together than they are. Fewer than two assays raise ValueError.

    >>> each = [Assayed(4.0, 1.0, {1: 1.0}), Assayed(8.0, 1.0, {2: 1.0}), Assayed(6.0, 1.0, {3: 1.0})]
    >>> round(between_digs_sd(each), 3)
    1.732
    """
    if len(assays) < 2:
        raise ValueError(f"{len(assays)} assays: how far digs lie apart needs at least 2.")
    weights = np.array([1 / each.sd**2 for each in assays])
    grades = np.array([each.grade for each in assays])
    mean = np.average(grades, weights=weights)
    q = float(np.sum(weights * (grades - mean) ** 2))
    scale = float(weights.sum() - (weights**2).sum() / weights.sum())
    return math.sqrt(max(0.0, (q - (len(assays) - 1)) / scale))


class Zone:
    """A zone as it is known by its assays, so that each candidate is asked for without reckoning all anew."""

    def __init__(self, assays: Sequence[Assayed], level: float = 0.95) -> None:
        """Raises ValueError with fewer than FEWEST_DIGS digs, or errors that are not above zero."""
        if digs_of(assays) < FEWEST_DIGS or len(assays) < FEWEST_DIGS:
            raise ValueError(f"{digs_of(assays)} digs assayed: at least {FEWEST_DIGS} are asked for.")
        if min(each.sd for each in assays) <= 0:
            raise ValueError("Each assay has an error of its own above zero.")
        self.level = level
        self.between_sd = between_digs_sd(assays)
        self._parts = [_Part.of(some, self.between_sd) for some in _apart(assays)]
        self._part_of = {dig: number for number, part in enumerate(self._parts) for dig in part.digs}
        self._information = math.fsum(part.ones.sum() for part in self._parts)
        grades = [each.grade for each in assays]
        self._mean = math.fsum(part.ones @ part.grades for part in self._parts) / self._information
        self._range = min(grades), max(grades)

    @property
    def is_contradictory(self) -> bool:
        """Whether the mean is not above zero or lies outside the grades it is made of.

        Weights of generalised least squares may be negative where a dig is assayed alone and in blends; assays that then
        disagree far beyond their errors throw the mean out of their range.
        """
        low, high = self._range
        slack = 1e-9 * max(abs(low), abs(high))
        return self._mean <= 0 or not low - slack <= self._mean <= high + slack

    @cached_property
    def now(self) -> ZoneMean:
        se, digs = 1 / math.sqrt(self._information), len(self._part_of)
        half = student(self.level, digs - 1) * se
        return ZoneMean(self._mean, self.between_sd, se, digs, half, self.level)

    def after(self, candidates: Sequence[Candidate]) -> list[Narrowed]:
        """Return what one more assay, of each of these lots alone, is expected to do to the interval of the zone's mean.

        Generalised least squares with the digs' spread as it is now; the new row by the formula of the bordered inverse, and
        one more degree of freedom where the lot brings a dig not assayed yet.
        """
        alike: dict[tuple[int, ...], list[int]] = defaultdict(list)
        for place, each in enumerate(candidates):
            alike[tuple(sorted({self._part_of[dig] for dig in each.shares if dig in self._part_of}))].append(
                place
            )
        gained = np.zeros(len(candidates))
        for parts, places in alike.items():
            gained[places] = self._gained([candidates[place] for place in places], parts)
        now, df = self.now, len(self._part_of) - 1
        quantiles = {adds: student(self.level, df + adds) for adds in (False, True)}
        found = []
        for each, more in zip(candidates, gained.tolist(), strict=True):
            adds_dig = any(dig not in self._part_of for dig in each.shares)
            half = quantiles[adds_dig] / math.sqrt(self._information + more)
            found.append(Narrowed(half, max(0.0, now.half_width - half) / now.mean, adds_dig))
        return found

    def _gained(self, candidates: Sequence[Candidate], parts: Sequence[int]) -> np.ndarray:
        """The information each of these adds, whose digs known already are in these parts of the assays."""
        left = np.array(
            [
                each.sd**2 + self.between_sd**2 * math.fsum(share**2 for share in each.shares.values())
                for each in candidates
            ]
        )
        told = np.zeros(len(candidates))
        for part in (self._parts[number] for number in parts):
            known = np.array([[each.shares.get(dig, 0.0) for each in candidates] for dig in part.digs])
            along = self.between_sd**2 * part.shares @ known
            left -= np.sum(along * (part.inverse @ along), axis=0)
            told += part.ones @ along
        return (1 - told) ** 2 / left


@dataclass(frozen=True, eq=False)
class _Part:
    """Assays that share digs with each other and with no others: their block of the inverse covariance, its row sums."""

    digs: Sequence[int]
    shares: np.ndarray
    inverse: np.ndarray
    ones: np.ndarray
    grades: np.ndarray

    @classmethod
    def of(cls, assays: Sequence[Assayed], between_sd: float) -> "_Part":
        digs = sorted({dig for each in assays for dig in each.shares})
        shares = np.array([[each.shares.get(dig, 0.0) for dig in digs] for each in assays])
        covariance = between_sd**2 * shares @ shares.T + np.diag([each.sd**2 for each in assays])
        inverse = np.linalg.inv(covariance)
        return cls(digs, shares, inverse, inverse.sum(axis=1), np.array([each.grade for each in assays]))


def _apart(assays: Sequence[Assayed]) -> list[list[Assayed]]:
    """The assays in groups that share no dig: a whole zone at once would take the cube of its size."""
    first_of: dict[int, int] = {}

    def first(dig: int) -> int:
        while first_of.setdefault(dig, dig) != dig:
            first_of[dig] = dig = first_of[first_of[dig]]
        return dig

    for each in assays:
        one, *others = each.shares
        for dig in others:
            first_of[first(dig)] = first(one)
    groups: dict[int, list[Assayed]] = defaultdict(list)
    for each in assays:
        groups[first(next(iter(each.shares)))].append(each)
    return list(groups.values())


def for_its_price(by_share: float, price: float, spent: float) -> float | None:
    """Return how much narrower for so much money spent, as a fraction of the zone's mean; None without a price above zero."""
    return by_share * spent / price if price > 0 else None


def no_less_than(sd: float, grade: float, relative_sd: float) -> float:
    """Return the sd in g/t, or what `relative_sd` (from duplicates) makes at this grade where that is more."""
    return max(sd, grade * relative_sd)


def assay_sd(grade: float, gold_mg: float, grain_mg: float) -> float:
    """Return the sd in g/t that the chance of grains gives one assay at this `grade` with `gold_mg` in its charge.

    `grain_mg` is the mean mass of a grain weighted by mass.

    >>> assay_sd(8.0, 1.0, 0.25)
    4.0
    """
    if not (grade > 0 and gold_mg > 0 and grain_mg > 0):
        raise ValueError(
            f"A grade ({grade}), its gold ({gold_mg} mg) and a grain ({grain_mg} mg) lie above zero."
        )
    return grade * math.sqrt(grain_mg / gold_mg)
