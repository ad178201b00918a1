"""Grade, moisture, recovery, blends and screen assay: the plain arithmetic of gold in ore.

Functions take Decimal, float or int and answer in kind (Decimal as soon as one input is Decimal). Grades are g/t, which is
mg of gold per kg of ore. Formulas by name: B. A. Wills and J. A. Finch, Wills' Mineral Processing Technology, chapter 3
(metallurgical accounting), cited from memory; error propagation as in JCGM 100:2008.
"""

import math
import random
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.language import phrase
from prospecting.calc.lineage import weighted_mean
from prospecting.calc.mass_balance import total_mass_g

Number = Decimal | float | int


@dataclass(frozen=True)
class TwoProduct:
    """What three grades say of a separation: shares of gold and of mass in the concentrate, and two ratios."""

    recovery: Number
    mass_yield: Number
    ratio_of_concentration: Number
    enrichment: Number


@dataclass(frozen=True)
class RecoveryError:
    """A recovery with its first-order standard deviation (fractions) and its slope against each grade (per g/t)."""

    recovery: float
    sd: float
    d_feed: float
    d_concentrate: float
    d_tails: float


@dataclass(frozen=True)
class SimulatedRecovery:
    """Spread of a recovery under random errors of its grades; `impossible` is the share of draws outside 0 to 1."""

    sd: float
    low: float
    high: float
    level: float
    impossible: float


@dataclass(frozen=True)
class WeighedProducts:
    """Gold of both products, the head they add up to, and the share recovered."""

    concentrate_gold_mg: Number
    tails_gold_mg: Number
    calculated_head_g_per_t: Number
    recovery: Number


@dataclass(frozen=True)
class ScreenAssay:
    """A screen fire assay: grade of each fraction, of the whole, and the coarse gold's share of all gold."""

    plus_grade_g_per_t: Number
    minus_grade_g_per_t: Number
    grade_g_per_t: Number
    coarse_share: Number


def grade_g_per_t(gold_mg: Number, ore_g: Number) -> Number:
    """Return the grade in g/t of `gold_mg` in `ore_g`; of dry ore it is a dry grade. Ore of no mass raises ValueError.

    >>> grade_g_per_t(Decimal(80), Decimal(10000))
    Decimal('8')
    """
    gold, ore = _in_kind(gold_mg, ore_g)
    _need(gold >= 0, f"Gold cannot weigh less than nothing ({gold_mg} mg).")
    _need(ore > 0, f"A grade needs ore of some mass ({ore_g} g).")
    return gold * 1000 / ore


def gold_mg(grade_g_per_t: Number, ore_g: Number) -> Number:
    """Return the gold in mg that `ore_g` of this grade holds."""
    grade, ore = _in_kind(grade_g_per_t, ore_g)
    _need(grade >= 0 and ore >= 0, f"A grade ({grade_g_per_t}) and a mass ({ore_g}) cannot be negative.")
    return grade * ore / 1000


def total_gold_mg(golds_mg: Iterable[Decimal]) -> Decimal:
    """Return the gold of several pans together, in mg; none at all holds 0."""
    return sum(golds_mg, Decimal(0))


def pooled_grade_g_per_t(golds_mg: Sequence[Decimal], ores_g: Sequence[Decimal]) -> Decimal:
    """Return the grade in g/t of several pans taken as one: all their gold (mg) over all their ore (g).

    Each gold stands beside its ore, else ValueError; so does ore of no mass.

    >>> pooled_grade_g_per_t([Decimal(8), Decimal(2)], [Decimal(1000), Decimal(1500)])
    Decimal('4')
    """
    _need(
        len(golds_mg) == len(ores_g),
        f"{len(golds_mg)} pans have gold and {len(ores_g)} ore: each needs both.",
    )
    return grade_g_per_t(total_gold_mg(golds_mg), total_mass_g(ores_g))


def below_scale_grade(scale_step_mg: Number, ore_g: Number) -> Number:
    """Return the grade in g/t that gold below one scale step stays under: shown as "< step/feed", never as zero."""
    _need(scale_step_mg > 0, f"A scale's step is above zero ({scale_step_mg} mg).")
    return grade_g_per_t(scale_step_mg, ore_g)


def moisture_wet_basis(wet_g: Number, dry_g: Number) -> Number:
    """Return water as a fraction of the WET mass, the convention of mineral processing."""
    wet, dry = _wet_and_dry(wet_g, dry_g)
    return (wet - dry) / wet


def moisture_dry_basis(wet_g: Number, dry_g: Number) -> Number:
    """Return water as a fraction of the DRY mass, the convention of soil testing (ASTM D2216, from memory)."""
    wet, dry = _wet_and_dry(wet_g, dry_g)
    return (wet - dry) / dry


def dry_mass_g(wet_g: Number, moisture: Number, *, basis: str) -> Number:
    """Return the dry mass of `wet_g` with `moisture` (a fraction) on the named basis, "wet" or "dry"."""
    wet, water = _in_kind(wet_g, moisture)
    if basis == "wet":
        _need(0 <= water < 1, f"Moisture on wet basis lies between 0 and 1 ({moisture}).")
        return wet * (1 - water)
    _need(basis == "dry", f"Moisture is on wet or on dry basis, not {basis!r}.")
    _need(water >= 0, f"Moisture cannot be negative ({moisture}).")
    return wet / (1 + water)


def fineness_of_karat(karat: Number) -> Number:
    """Return the fraction of gold in an alloy of so many karat (24ths by mass)."""
    _need(0 <= karat <= 24, f"Karat lies between 0 and 24 ({karat}).")
    return karat / 24


def fine_gold(gross: Number, fineness: Number) -> Number:
    """Return the fine gold in `gross` natural gold, in its unit; `fineness` is a fraction (840 fine is 0.840)."""
    mass, share = _in_kind(gross, fineness)
    _need(0 <= share <= 1, f"Fineness is a fraction between 0 and 1 ({fineness}).")
    return mass * share


def two_product_refusal(feed: Number, concentrate: Number, tails: Number) -> str | None:
    """Return why three grades give no recovery, as a sentence; None when concentrate > feed > tails >= 0 holds."""
    feed, concentrate, tails = _in_kind(feed, concentrate, tails)
    if tails < 0:
        return phrase("A grade cannot be negative.")
    if feed <= 0:
        return phrase("A feed without gold has no recovery.")
    if concentrate <= feed:
        return phrase("The concentrate is not richer than the feed, so these grades give no recovery.")
    if tails >= feed:
        return phrase("The tails are not poorer than the feed, so these grades give no recovery.")
    return None


def two_product_formula(feed: Number, concentrate: Number, tails: Number) -> Number:
    """Return c(f - t) / f(c - t) as it stands, also where it means nothing; see `two_product` for the checked recovery."""
    f, c, t = _in_kind(feed, concentrate, tails)
    # As two ratios near 1: the products overflow for huge grades.
    return (f - t) / f * (c / (c - t))


def two_product(feed: Number, concentrate: Number, tails: Number) -> TwoProduct:
    """Return recovery and yield from the grades of feed, concentrate and tails alone, all in one unit.

    Assumes nothing is lost besides the two products. Raises ValueError with the reason when the grades contradict that.
    With coarse gold the feed's grade is the weakest number: prefer `weighed_products`.

    >>> round(two_product(8, 4200, 1.1).recovery, 4)
    0.8627
    """
    refusal = two_product_refusal(feed, concentrate, tails)
    _need(
        refusal is None,
        phrase(
            "{refusal} (feed {feed}, concentrate {concentrate}, tails {tails})",
            refusal=refusal,
            feed=feed,
            concentrate=concentrate,
            tails=tails,
        ),
    )
    f, c, t = _in_kind(feed, concentrate, tails)
    mass_yield = (f - t) / (c - t)
    # Too small for a number of the machine to hold.
    _need(
        mass_yield > 0,
        phrase(
            "These grades lie too far apart (feed {feed}, concentrate {concentrate}, tails {tails}).",
            feed=feed,
            concentrate=concentrate,
            tails=tails,
        ),
    )
    return TwoProduct(
        recovery=two_product_formula(f, c, t),
        mass_yield=mass_yield,
        ratio_of_concentration=1 / mass_yield,
        enrichment=c / f,
    )


def two_product_error(
    feed: Number,
    concentrate: Number,
    tails: Number,
    *,
    sd_feed: Number,
    sd_concentrate: Number,
    sd_tails: Number,
) -> RecoveryError:
    """Return the two-product recovery with its sd from independent standard deviations of the three grades.

    First-order propagation (JCGM 100:2008, equation 10): a poor guide once tails come near feed; see `simulated_recovery`.
    """
    recovery = float(two_product(feed, concentrate, tails).recovery)
    f, c, t = float(feed), float(concentrate), float(tails)
    d_feed = c * t / (f**2 * (c - t))
    d_concentrate = -t * (f - t) / (f * (c - t) ** 2)
    d_tails = -c * (c - f) / (f * (c - t) ** 2)
    parts = (d_feed * float(sd_feed), d_concentrate * float(sd_concentrate), d_tails * float(sd_tails))
    return RecoveryError(recovery, math.hypot(*parts), d_feed, d_concentrate, d_tails)


def simulated_recovery(
    feed: Number,
    concentrate: Number,
    tails: Number,
    *,
    sd_feed: Number,
    sd_concentrate: Number,
    sd_tails: Number,
    rng: random.Random,
    draws: int = 20_000,
    level: float = 0.95,
) -> SimulatedRecovery:
    """Return the spread of the two-product recovery under normal errors of the grades (JCGM 101:2008).

    Nothing is clipped: draws outside 0 to 1 stay in and their share is told. Raises ValueError for contradicting grades.
    """
    two_product(feed, concentrate, tails)
    _need(draws >= 1000, f"A spread needs at least 1000 draws, not {draws}.")
    means = (float(feed), float(concentrate), float(tails))
    sds = (float(sd_feed), float(sd_concentrate), float(sd_tails))
    found = sorted(
        two_product_formula(*(rng.gauss(mean, sd) for mean, sd in zip(means, sds, strict=True)))
        for _ in range(draws)
    )
    tail = int(draws * (1 - level) / 2)
    outside = sum(1 for recovery in found if not 0 <= recovery <= 1)
    return SimulatedRecovery(statistics.stdev(found), found[tail], found[-1 - tail], level, outside / draws)


def weighed_products(
    concentrate_g: Number, concentrate_g_per_t: Number, tails_g: Number, tails_g_per_t: Number
) -> WeighedProducts:
    """Return recovery and calculated head from the weighed and assayed concentrate and tails."""
    concentrate_gold = gold_mg(concentrate_g_per_t, concentrate_g)
    tails_gold = gold_mg(tails_g_per_t, tails_g)
    concentrate, tails = _in_kind(concentrate_g, tails_g)
    return WeighedProducts(
        concentrate_gold_mg=concentrate_gold,
        tails_gold_mg=tails_gold,
        calculated_head_g_per_t=calculated_head(concentrate_gold, tails_gold, concentrate + tails),
        recovery=recovery_of_products(concentrate_gold, tails_gold),
    )


def calculated_head(concentrate_gold_mg: Number, tails_gold_mg: Number, feed_g: Number) -> Number:
    """Return the feed's grade in g/t as the gold found in its products adds up to."""
    concentrate, tails = _in_kind(concentrate_gold_mg, tails_gold_mg)
    return grade_g_per_t(concentrate + tails, feed_g)


def recovery_of_products(concentrate_gold_mg: Number, tails_gold_mg: Number) -> Number:
    """Return the concentrate's share of the gold found in both products. No gold at all raises ValueError."""
    concentrate, tails = _in_kind(concentrate_gold_mg, tails_gold_mg)
    _need(concentrate >= 0 and tails >= 0, "Gold cannot weigh less than nothing.")
    _need(concentrate + tails > 0, phrase("Without gold in either product there is no recovery."))
    return concentrate / (concentrate + tails)


def recovery_of_products_sd(
    concentrate_gold_mg: Number,
    tails_gold_mg: Number,
    *,
    relative_sd_concentrate: float,
    relative_sd_tails: float,
) -> float:
    """Return the sd (a fraction) of `recovery_of_products` from the relative sds of the two gold masses.

    sd = R(1 - R) sqrt(rc^2 + rt^2), the first-order propagation of R = C/(C + T) with independent errors.
    """
    recovery = float(recovery_of_products(concentrate_gold_mg, tails_gold_mg))
    return recovery * (1 - recovery) * math.hypot(relative_sd_concentrate, relative_sd_tails)


def accountability(calculated_head_g_per_t: Number, assayed_head_g_per_t: Number) -> Number:
    """Return the calculated head as a fraction of the assayed head: how much of the assayed gold was found again."""
    calculated, assayed = _in_kind(calculated_head_g_per_t, assayed_head_g_per_t)
    _need(
        assayed > 0,
        phrase(
            "Accountability needs an assayed head above zero ({assayed_head} g/t).",
            assayed_head=assayed_head_g_per_t,
        ),
    )
    return calculated / assayed


def apparent_recovery(panned_g_per_t: Number, assay_g_per_t: Number) -> Number:
    """Return panned grade over assayed grade. Panning catches free gold, fire assay counts all of it: no calibration."""
    panned, assayed = _in_kind(panned_g_per_t, assay_g_per_t)
    _need(
        assayed > 0,
        phrase("An apparent recovery needs an assay above zero ({assay} g/t).", assay=assay_g_per_t),
    )
    return panned / assayed


def blend_grade(grades_g_per_t: Sequence[Number], dry_masses: Sequence[Number]) -> Number:
    """Return the grade of these lots put together, weighted by DRY mass (any one unit)."""
    return _weighted(grades_g_per_t, dry_masses)


def blend_grade_sd(sds_g_per_t: Sequence[Number], dry_masses: Sequence[Number]) -> float:
    """Return the sd of a blend's grade from the lots' independent sds: sqrt(sum (m s)^2) / sum m."""
    _need(len(sds_g_per_t) == len(dry_masses), f"{len(dry_masses)} masses need as many sds.")
    _need(sum(dry_masses) > 0, "The masses sum to nothing.")
    parts = (float(mass) * float(sd) for mass, sd in zip(dry_masses, sds_g_per_t, strict=True))
    return math.hypot(*parts) / float(sum(dry_masses))


def mass_to_add(mass: Number, grade: Number, added_grade: Number, target_grade: Number) -> Number:
    """Return how much of a lot of `added_grade` brings `mass` of `grade` to `target_grade`, in the unit of `mass`.

    m (H - T) / (T - L). Raises ValueError when the target does not lie between the two grades.
    """
    m, high, low, target = _in_kind(mass, grade, added_grade, target_grade)
    between = low < target <= high or high <= target < low
    _need(
        between,
        phrase(
            "{target} g/t does not lie between {added} and {grade} g/t.",
            target=target_grade,
            added=added_grade,
            grade=grade,
        ),
    )
    return m * (high - target) / (target - low)


def screen_fire_assay(
    plus_g: Number,
    plus_gold_mg: Number,
    minus_g: Number,
    minus_grades_g_per_t: Sequence[Number],
    minus_portions_g: Sequence[Number] | None = None,
) -> ScreenAssay:
    """Return the grade of a sample whose plus fraction was assayed whole and whose minus fraction in portions.

    Minus portions of unequal mass need `minus_portions_g`, else their grades would count alike. Raises ValueError without
    any minus assay or with fractions of no mass.
    """
    _need(
        len(minus_grades_g_per_t) > 0,
        phrase("A screen assay needs at least one assay of the minus fraction."),
    )
    portions = minus_portions_g or [1] * len(minus_grades_g_per_t)
    minus_grade = _weighted(minus_grades_g_per_t, portions)
    plus_mass, plus_gold, minus_mass, minus_grade = _in_kind(plus_g, plus_gold_mg, minus_g, minus_grade)
    minus_gold = gold_mg(minus_grade, minus_mass)
    _need(plus_gold + minus_gold > 0, phrase("Without any gold there is no share of coarse gold."))
    return ScreenAssay(
        plus_grade_g_per_t=grade_g_per_t(plus_gold, plus_mass),
        minus_grade_g_per_t=minus_grade,
        grade_g_per_t=grade_g_per_t(plus_gold + minus_gold, plus_mass + minus_mass),
        coarse_share=plus_gold / (plus_gold + minus_gold),
    )


def _wet_and_dry(wet_g: Number, dry_g: Number) -> tuple[Number, Number]:
    wet, dry = _in_kind(wet_g, dry_g)
    _need(
        wet >= dry > 0,
        phrase(
            "Wet ({wet} g) weighs at least what dry weighs ({dry} g), and dry more than nothing.",
            wet=wet_g,
            dry=dry_g,
        ),
    )
    return wet, dry


def _weighted(values: Sequence[Number], weights: Sequence[Number]) -> Number:
    alike = _in_kind(*values, *weights)
    return weighted_mean(alike[: len(values)], alike[len(values) :])


def _in_kind(*values: Number) -> tuple[Number, ...]:
    """All as Decimal when one is; money and mass that balance stay exact, measured floats stay floats.

    A missing value (nan) or an infinite one raises ValueError: nan would pass every comparison that refuses nonsense.
    """
    for value in values:
        _need(math.isfinite(value), f"{value} is not a measured number.")
    if not any(isinstance(value, Decimal) for value in values):
        return values
    return tuple(value if isinstance(value, Decimal | int) else Decimal(str(value)) for value in values)


def _need(holds: bool, sentence: str) -> None:
    if not holds:
        raise ValueError(sentence)
