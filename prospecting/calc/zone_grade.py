"""Grades of pans and assays put together: means with what is below a limit kept as two bounds, days, apparent recovery.

A result below a limit is neither zero nor the limit: it lies somewhere between. So a mean with such results in it is given
as two bounds, one with them at zero and one with them at their limit, and no value in between is made up.
"""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from prospecting.calc.grade import apparent_recovery
from prospecting.calc.lineage import weighted_mean

PAN, ASSAY = "pan", "assay"
# So far floats may miss the sum of shares that the books keep to twelve places.
FLOAT_SLACK = 1e-9


@dataclass(frozen=True)
class Result:
    """What one pan or one assay says of a lot.

    `kind` is "pan" or "assay", `lot` the code of the lot it was taken from. `share` is the fraction of that lot's mass that
    is meant (1 for the whole lot), `day` when it was dug, from `first_day` to `last_day`, or when it was done where the lot
    itself is looked at. A measured grade is in `grade_g_per_t`; else `limit_g_per_t` is the limit it lies below (`is_below`)
    or above (`is_above`). `mass_g` is the portion panned or the sample sent. `is_dry` tells the basis, `is_screened` that
    the lot is a screen fraction or holds one, `digs` which digs stand behind it. Numbers are all Decimals, or all floats.
    """

    kind: str
    lot: str
    day: datetime.date
    first_day: datetime.date
    last_day: datetime.date
    share: Decimal
    grade_g_per_t: Decimal | None
    limit_g_per_t: Decimal | None
    is_below: bool
    mass_g: Decimal
    label: str
    is_above: bool = False
    is_dry: bool = True
    is_screened: bool = False
    digs: frozenset[int] = field(default_factory=frozenset)

    @property
    def weight_g(self) -> Decimal:
        """The mass this result speaks for: the share that is meant of the mass that was measured."""
        return self.share * self.mass_g

    @property
    def spans_days(self) -> bool:
        return self.first_day != self.last_day


@dataclass(frozen=True)
class MeanGrade:
    """A weighted mean between two bounds in g/t; they are one when every result was measured.

    `high_g_per_t` is None when a result lies above its method's upper limit: nobody knows how far.
    """

    low_g_per_t: Decimal
    high_g_per_t: Decimal | None

    @property
    def is_exact(self) -> bool:
        return self.low_g_per_t == self.high_g_per_t


@dataclass(frozen=True)
class Between:
    """A ratio between two bounds (fractions); None where there is no bound."""

    low: Decimal | None
    high: Decimal | None


def mean_grade(results: Sequence[Result]) -> MeanGrade:
    """Return the mean grade, each result weighted by its share of the lot times the mass measured.

    For whole lots (shares of 1) this is the pooled gold over the pooled mass. Results below a limit count as nothing in the
    lower bound and as their limit in the upper one; a result above a limit counts as that limit in the lower bound and
    leaves no upper one. Raises ValueError without results, or when they weigh nothing together.

    >>> day = datetime.date(2026, 5, 3)
    >>> def pan(grade, limit): return Result(PAN, "X", day, day, day, Decimal(1), grade, limit, limit is not None,
    ...                                      Decimal(400), "")
    >>> mean = mean_grade([pan(Decimal(6), None), pan(None, Decimal("0.5"))])
    >>> print(mean.low_g_per_t, mean.high_g_per_t)
    3 3.25
    """
    # In one pass, since zones have tens of thousands of results.
    weight, low, high, has_top = 0, 0, 0, True
    for result in results:
        mass = result.share * result.mass_g
        weight += mass
        if result.grade_g_per_t is not None:
            gold = result.grade_g_per_t * mass
            low, high = low + gold, high + gold
        elif result.is_below:
            high += result.limit_g_per_t * mass
        else:
            low, has_top = low + result.limit_g_per_t * mass, False
    if not weight > 0:
        raise ValueError("The weights sum to nothing.")
    return MeanGrade(low / weight, high / weight if has_top else None)


def counted_mass_g(results: Sequence[Result]) -> Decimal:
    """Return the mass that these results speak for together, in g: each its share of the mass measured."""
    return sum(result.weight_g for result in results)


def recovery_between(panned: MeanGrade, assayed: MeanGrade) -> Between:
    """Return the apparent recovery, panned over assayed, between its bounds; not a calibration.

    No upper bound where the assay may be nothing or the pans have none; no lower one where the assay has no upper bound.
    """
    low = high = None
    if assayed.high_g_per_t:
        low = apparent_recovery(panned.low_g_per_t, assayed.high_g_per_t)
    if assayed.low_g_per_t > 0 and panned.high_g_per_t is not None:
        high = apparent_recovery(panned.high_g_per_t, assayed.low_g_per_t)
    return Between(low, high)


def total_share(shares: Sequence[Decimal]) -> Decimal:
    """Return the part of a lot that several digs make up together. More than the whole raises ValueError."""
    total = sum(shares)
    if isinstance(total, float) and 1 < total < 1 + FLOAT_SLACK:
        return 1.0
    if not 0 <= total <= 1:
        raise ValueError(f"Shares of one lot sum to {total}: they lie between nothing and the whole.")
    return total


def mean_day(days: Sequence[tuple[datetime.date, Decimal]]) -> datetime.date:
    """Return the mean of these days, each weighted by its share, to the nearest day (half a day goes to the even one).

    >>> mean_day([(datetime.date(2026, 5, 1), Decimal("0.75")), (datetime.date(2026, 5, 9), Decimal("0.25"))])
    datetime.date(2026, 5, 3)
    """
    if len(days) == 1:
        return days[0][0]
    # An ordinal is a plain integer, which goes with Decimals and with floats.
    ordinal = weighted_mean([day.toordinal() for day, _ in days], [share for _, share in days])
    return datetime.date.fromordinal(round(ordinal))
