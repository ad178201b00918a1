"""Recovery of gold into the concentrate by each route, with its interval, and which number drives its error.

Three routes, never one quantity: gold in the concentrate over the head's (what the assay says went in), over the gold of both
products (what was found again), and from three grades alone. Each is refused with a reason where it does not hold; nothing is
clipped to 0 to 1. Plain Python. Sources: B. A. Wills and J. A. Finch, Wills' Mineral Processing Technology, chapter 3
(metallurgical accounting), cited from memory; JCGM 100:2008, equation 10 (errors), 4.3.7 and F.2.2.1 (a reading lies anywhere
within one step); JCGM 101:2008 (simulation).
"""

import math
import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from statistics import NormalDist

from prospecting.calc.grade import (
    gold_mg,
    grade_g_per_t,
    recovery_of_products,
    simulated_recovery,
    two_product_error,
    two_product_refusal,
)
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral

# Beyond this share of simulated answers outside 0 to 1, three grades are no measure of a recovery (our own limit, no source).
MOST_IMPOSSIBLE = 0.05


@dataclass(frozen=True)
class Measured:
    """A measured amount above zero, and what makes it uncertain: relative standard deviations by name."""

    value: float
    errors: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not (self.value > 0 and math.isfinite(self.value)):
            raise ValueError(f"A measured amount is above zero, not {self.value}.")
        for name, error in self.errors.items():
            if not (error >= 0 and math.isfinite(error)):
                raise ValueError(f"The relative sd of {name} is 0 or more, not {error}.")

    @property
    def relative_sd(self) -> float:
        return math.hypot(*self.errors.values())


@dataclass(frozen=True)
class ErrorShare:
    """What one number adds to a variance, as a fraction of the whole."""

    name: str
    share: float


@dataclass(frozen=True)
class Route:
    """A recovery (or ratio) by one route: its interval at `level`, its first-order sd, and the numbers behind its error.

    Where `refusal` says why the route gives no recovery, `value` and limits are what the arithmetic gave (None where even that
    fails): a ratio that cannot be, never a recovery. `impossible` is the share of simulated answers outside 0 to 1.
    """

    value: float | None
    low: float | None
    high: float | None
    level: float
    sd: float | None
    shares: Sequence[ErrorShare] = ()
    refusal: str = ""
    impossible: float = 0.0

    @property
    def driver(self) -> ErrorShare | None:
        """The number most of the error comes from; None where no error was given."""
        return self.shares[0] if self.shares else None


def reading_sd(scale_step: float, readings: int = 2) -> float:
    """Return the sd a scale's step gives a weight, in the step's unit: step/sqrt(12) for each reading.

    A reading lies anywhere within half a step of what is shown (JCGM 100:2008, F.2.2.1); gold is weighed twice, with and
    without its vial. Drift, draught and black sand left in come on top.

    >>> round(reading_sd(1.0), 3)
    0.408
    """
    if not (scale_step >= 0 and math.isfinite(scale_step)):
        raise ValueError(f"A scale's step is 0 or more, not {scale_step}.")
    return scale_step * math.sqrt(readings / 12)


def product(*parts: Measured) -> Measured:
    """Return the product of measured amounts; relative variances add, and a name that comes twice counts as two errors.

    >>> product(Measured(2, {"mass": 0.03}), Measured(5, {"assay": 0.04})).relative_sd
    0.05
    """
    return Measured(math.prod(part.value for part in parts), _errors_together(part.errors for part in parts))


def weighed(amount: float, scale_step: float, name: str) -> Measured:
    """Return a weighed amount with the error its scale's step gives it, called `name`; step and amount in one unit.

    >>> round(weighed(10.0, 1.0, "the gold scale").relative_sd, 4)
    0.0408
    """
    return Measured(amount, {name: reading_sd(scale_step) / amount})


def gold_held_mg(mass_g: Measured, grade_g_per_t: Measured) -> Measured:
    """Return the gold in mg that a mass (g) of this grade (g/t) holds, with the errors of both.

    >>> gold_held_mg(Measured(2000, {"weight": 0.03}), Measured(4, {"assay": 0.04}))
    Measured(value=8.0, errors={'weight': 0.03, 'assay': 0.04})
    """
    held = product(mass_g, grade_g_per_t)
    return Measured(gold_mg(grade_g_per_t.value, mass_g.value), held.errors)


def grade_of_gold(held_mg: Measured, mass_g: Measured) -> Measured:
    """Return the grade in g/t of a mass (g) that holds this much gold (mg), with the errors of both.

    >>> grade_of_gold(Measured(8, {"gold": 0.03}), Measured(20, {"weight": 0.04})).value
    400.0
    """
    errors = _errors_together([held_mg.errors, mass_g.errors])
    return Measured(grade_g_per_t(held_mg.value, mass_g.value), errors)


def together(*parts: Measured) -> Measured:
    """Return the sum of measured amounts: absolute variances add, so each relative error counts by its part of the whole.

    >>> together(Measured(6, {"concentrate": 0.04}), Measured(2, {"tails": 0.16})).errors
    {'concentrate': 0.03, 'tails': 0.04}
    """
    whole = math.fsum(part.value for part in parts)
    return Measured(
        whole,
        _errors_together(
            {name: sd * part.value / whole for name, sd in part.errors.items()} for part in parts
        ),
    )


def tails_left_g(feed_g: float, concentrate_g: float | None) -> float:
    """Return the mass of tails nobody weighed, in g: the feed less the concentrate, as if nothing was lost.

    A concentrate of unknown mass counts as nothing beside its feed. Not above zero where it outweighs the feed.

    >>> tails_left_g(900.0, 12.0), tails_left_g(900.0, None)
    (888.0, 900.0)
    """
    return feed_g - (concentrate_g or 0)


def step_of_sum(scale_steps: Sequence[Decimal], weighings: int) -> Decimal:
    """Return the one step that gives a sum of weighings its error: the coarsest of the steps times root n, in their unit.

    Errors of weighings are independent, so their variances add. No step, or fewer weighings than one, raises ValueError.

    >>> step_of_sum([Decimal("0.1"), Decimal(1)], 4)
    Decimal('2')
    """
    if not scale_steps or weighings < 1:
        raise ValueError(f"{len(scale_steps)} steps of {weighings} weighings: one is needed at least.")
    return max(scale_steps) * Decimal(weighings).sqrt()


def over_head(gold_mg: Measured, head_gold_mg: Measured, level: float = 0.95) -> Route:
    """Return gold in the concentrate over the gold the head's assay says went in (its grade times the feed's dry mass).

    Notes
    -----
    Errors are taken as relative and independent, so ln R is close to normal: R exp(+-z s), s^2 the sum of relative variances.
    More gold than the head holds is refused, with the ratio kept: it tells of a head that read low.

    >>> route = over_head(Measured(6.0, {"scale": 0.02}), Measured(8.0, {"head sampling": 0.2}))
    >>> round(route.value, 2), round(route.low, 2), round(route.high, 2), route.driver.name
    (0.75, 0.51, 1.11, 'head sampling')
    """
    return _ratio(gold_mg, head_gold_mg, level, most=1.0)


def accountability_of(found_gold_mg: Measured, head_gold_mg: Measured, level: float = 0.95) -> Route:
    """Return the gold found in both products over the gold the head's assay says went in; above 1 is possible and told."""
    return _ratio(found_gold_mg, head_gold_mg, level, most=math.inf)


def over_products(concentrate_gold_mg: Measured, tails_gold_mg: Measured, level: float = 0.95) -> Route:
    """Return the concentrate's share of the gold found in both products, C/(C + T), free of the head's assay.

    Notes
    -----
    First-order sd R(1 - R) sqrt(rc^2 + rt^2). The interval is on the log of C/T, whose error is the same root at every size, so
    it stays between 0 and 1 without being cut off there.

    >>> route = over_products(Measured(5.58, {"concentrate": 0.05}), Measured(1.7838, {"tails": 0.15}))
    >>> round(route.value, 4), round(route.sd, 4), route.driver.name
    (0.7578, 0.029, 'tails')
    """
    z = _z(level)
    value = recovery_of_products(concentrate_gold_mg.value, tails_gold_mg.value)
    spread = math.hypot(concentrate_gold_mg.relative_sd, tails_gold_mg.relative_sd)
    odds = concentrate_gold_mg.value / tails_gold_mg.value
    low, high = (odds * math.exp(sign * z * spread) for sign in (-1, 1))
    return Route(
        value,
        low / (1 + low),
        high / (1 + high),
        level,
        value * (1 - value) * spread,
        error_shares([*concentrate_gold_mg.errors.items(), *tails_gold_mg.errors.items()]),
    )


def from_grades(
    feed: Measured, concentrate: Measured, tails: Measured, *, rng: random.Random, level: float = 0.95
) -> Route:
    """Return the two-product recovery from three grades (g/t) alone, its interval by simulation.

    Refused where concentrate > feed > tails does not hold, and where more than MOST_IMPOSSIBLE of the simulated answers lie
    outside 0 to 1: then the grades do not say what was recovered.

    Notes
    -----
    c(f - t)/(f(c - t)); see `grade.two_product_error`. When all three grades have the same relative sd r and the concentrate
    is rich, the recovery's relative sd is about r sqrt(2) (1 - R)/(R - Y), Y the mass yield (a preprint on the error of the
    two-product formula, ChemRxiv 2023, article 6571384a29a13c4d47d5b5fd, read in its abstract): poor recoveries are the worst
    known.

    >>> route = from_grades(Measured(10, {"f": 0.04}), Measured(450, {"c": 0.03}), Measured(1.2, {"t": 0.0833}),
    ...                     rng=random.Random(1))
    >>> round(route.value, 4), round(route.sd, 4), route.driver.name
    (0.8824, 0.0109, 't')
    """
    grades = (feed.value, concentrate.value, tails.value)
    if refusal := two_product_refusal(*grades):
        return Route(None, None, None, level, None, refusal=refusal)
    _z(level)
    sds = {
        f"sd_{name}": part.value * part.relative_sd
        for name, part in (("feed", feed), ("concentrate", concentrate), ("tails", tails))
    }
    error = two_product_error(*grades, **sds)
    slopes = (error.d_feed, error.d_concentrate, error.d_tails)
    parts = [
        (name, slope * part.value * relative)
        for slope, part in zip(slopes, (feed, concentrate, tails), strict=True)
        for name, relative in part.errors.items()
    ]
    drawn = simulated_recovery(*grades, **sds, rng=rng, level=level)
    refusal = ""
    if drawn.impossible > MOST_IMPOSSIBLE:
        refusal = phrase(
            "With these errors {share} % of the answers lie below 0 or above 100 %: the three grades do not tell what was "
            "recovered. Weigh the products instead.",
            share=numeral(100 * drawn.impossible, ".0f"),
        )
    return Route(
        error.recovery, drawn.low, drawn.high, level, error.sd, error_shares(parts), refusal, drawn.impossible
    )


def error_shares(parts: Sequence[tuple[str, float]]) -> tuple[ErrorShare, ...]:
    """Return each named error's share of the summed variance, largest first; none where there is no error at all.

    >>> [(part.name, round(part.share, 2)) for part in error_shares([("scale", 0.1), ("head", 0.3)])]
    [('head', 0.9), ('scale', 0.1)]
    """
    squares: dict[str, float] = {}
    for name, error in parts:
        squares[name] = squares.get(name, 0.0) + error**2
    whole = math.fsum(squares.values())
    if not whole:
        return ()
    shares = [ErrorShare(name, square / whole) for name, square in squares.items()]
    return tuple(sorted(shares, key=lambda part: -part.share))


def _ratio(above: Measured, below: Measured, level: float, most: float) -> Route:
    value = above.value / below.value
    spread = math.hypot(above.relative_sd, below.relative_sd)
    reach = math.exp(_z(level) * spread)
    refusal = ""
    if value > most:
        refusal = phrase(
            "More gold than the head's assay says went in, so this is no recovery: the head read low, or something was weighed "
            "with the gold."
        )
    shares = error_shares([*above.errors.items(), *below.errors.items()])
    return Route(value, value / reach, value * reach, level, value * spread, shares, refusal)


def _errors_together(several: Iterable[Mapping[str, float]]) -> dict[str, float]:
    errors: dict[str, float] = {}
    for each in several:
        for name, error in each.items():
            errors[name] = math.hypot(errors.get(name, 0.0), error)
    return errors


def _z(level: float) -> float:
    if not 0 < level < 1:
        raise ValueError(f"A confidence level lies between 0 and 1, not {level}.")
    return NormalDist().inv_cdf((1 + level) / 2)
