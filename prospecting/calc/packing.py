"""What goes into a dispatch for the laboratory: how many checks, in which order, at what price. Plain Python."""

import math
import random
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.checks import need_positive
from prospecting.calc.sampling import chance_of_none, counting_spread, expected_grains

# One tag in five of the whole dispatch, so one check to four samples (common practice, no source: no standard fixes a share).
SAMPLES_PER_CHECK = 4
# A certificate whose plus or minus is more than this share of its value speaks of no gold worth checking with (ours, no source).
WIDE_PLUS_MINUS = Decimal("0.5")
# From one charge in twenty without a grain on, counting grains rules the scatter of single charges (ours, no source).
OFTEN_NONE = 0.05
# Assayed whole in a screen fire assay, about (common practice, no source).
SCREEN_ASSAY_G = 1000


@dataclass(frozen=True)
class ProposedChecks:
    """So many of each kind of check, for a dispatch of so many samples."""

    blanks: int
    references: int
    duplicates: int

    @property
    def total(self) -> int:
        return self.blanks + self.references + self.duplicates

    def without(self, blanks: int, references: int, duplicates: int) -> "ProposedChecks":
        """What is still to be packed when so many are in already."""
        return ProposedChecks(
            max(0, self.blanks - blanks),
            max(0, self.references - references),
            max(0, self.duplicates - duplicates),
        )


@dataclass(frozen=True)
class Expectation:
    """What the books let one expect of a lot's grade, and where that comes from, in words."""

    g_per_t: Decimal
    where: str


@dataclass(frozen=True)
class Order:
    """The laboratory's list from its first line to its last, and which key each blank was put after."""

    keys: tuple[Hashable, ...]
    after: Mapping[Hashable, Hashable]


@dataclass(frozen=True)
class ChargeLuck:
    """What counting grains alone does to one charge: the grains expected, the chance of none, the relative sd (a fraction)."""

    charge_g: float
    grains: float
    none: float
    spread: float

    @property
    def is_poor(self) -> bool:
        return self.none >= OFTEN_NONE


def proposed_checks(samples: int) -> ProposedChecks:
    """Return the checks proposed for so many samples: one tag in five, by turns a blank, a reference material, a duplicate.

    >>> proposed_checks(10), proposed_checks(24).total, proposed_checks(0).total
    (ProposedChecks(blanks=1, references=1, duplicates=1), 6, 0)
    """
    if samples < 0:
        raise ValueError(f"A dispatch holds no {samples} samples.")
    total = math.ceil(samples / SAMPLES_PER_CHECK)
    blanks, references, duplicates = ((total + rest) // 3 for rest in (2, 1, 0))
    return ProposedChecks(blanks, references, duplicates)


def list_order(
    crushed: Sequence[Hashable],
    others: Sequence[Hashable],
    blanks: Sequence[Hashable],
    expected_g_per_t: Mapping[Hashable, Decimal],
    rng: random.Random,
) -> Order:
    """Return the shuffled order of a laboratory's list, each blank right after a sample expected to be rich.

    `crushed` are the keys of what goes through the crusher, after which alone a blank can carry gold over; `others` those of
    packets and second cuts. The first blank follows the sample with the highest expected grade, the next blank the next;
    among equal grades, and where no grade is expected, chance decides. Blanks with nothing crushed before them stand in
    random order among the rest.

    >>> order = list_order("abcd", "r", ["blank"], {"c": Decimal(9), "a": Decimal(2)}, random.Random(1))
    >>> order.keys[order.keys.index("c") + 1], order.after
    ('blank', {'blank': 'c'})
    """
    put = list(blanks)
    rng.shuffle(put)
    keys = [*crushed, *others] if crushed else [*others, *put]
    rng.shuffle(keys)
    if not crushed:
        return Order(tuple(keys), {})
    rocks = set(crushed)
    # Sorting keeps the shuffled order of equals.
    rich_first = sorted(
        (key for key in keys if key in rocks), key=lambda key: -expected_g_per_t.get(key, Decimal(-1))
    )
    after = {blank: rich_first[number % len(rich_first)] for number, blank in enumerate(put)}
    behind: dict[Hashable, list[Hashable]] = {key: [] for key in keys}
    for blank, key in after.items():
        behind[key].append(blank)
    return Order(tuple(each for key in keys for each in (key, *behind[key])), after)


def share_of_checks(checks: int, tags: int) -> float | None:
    """Return the checks' share of all tags; None for an empty dispatch.

    >>> share_of_checks(3, 15), share_of_checks(0, 0)
    (0.2, None)
    """
    return checks / tags if tags else None


def order_price(tags: int, price_per_sample: Decimal | None, besides: Decimal | None) -> Decimal | None:
    """Return what the order costs: every tag at the price of a sample, checks too, and what comes on top; None when unknown.

    >>> order_price(13, Decimal("42.50"), Decimal(35))
    Decimal('587.50')
    """
    if price_per_sample is None:
        return None
    return tags * price_per_sample + (besides or 0)


def price_of_checks(checks: int, price_per_sample: Decimal | None) -> Decimal | None:
    """Return what the checks cost of it; None when no price is known."""
    return None if price_per_sample is None else checks * price_per_sample


def masses_tell(packets_g: Sequence[Decimal | None], splits_g: Sequence[Decimal]) -> bool:
    """Return whether a list of masses would tell packets from splits: one unknown, or far from every split's mass.

    Far is under half the lightest or over twice the heaviest split (ours, no source). Without splits nothing is told.

    >>> masses_tell([Decimal(60)], [Decimal(400), Decimal(450)]), masses_tell([Decimal(380)], [Decimal(400)])
    (True, False)
    """
    if not splits_g:
        return False
    lightest_g, heaviest_g = min(splits_g) / 2, 2 * max(splits_g)
    return any(mass_g is None or not lightest_g <= mass_g <= heaviest_g for mass_g in packets_g)


def wide_plus_minus(value: Decimal, plus_minus: Decimal) -> bool:
    """Return whether a certificate's plus or minus is so wide beside its value that a slip is likelier.

    >>> wide_plus_minus(Decimal("9.31"), Decimal("0.69")), wide_plus_minus(Decimal("9.31"), Decimal("6.9"))
    (False, True)
    """
    return plus_minus > WIDE_PLUS_MINUS * value


def relative(part: Decimal, whole: Decimal) -> Decimal:
    """Return a plus or minus as a fraction of the value it belongs to.

    >>> relative(Decimal("0.345"), Decimal("6.9"))
    Decimal('0.05')
    """
    need_positive(whole=whole)
    return part / whole


def charge_luck(grade_g_per_t: float, charge_g: float, grain_mg: float) -> ChargeLuck:
    """Return what chance does to a charge of this grade when all its gold is in grains of `grain_mg`.

    Counts of rare grains are Poisson: a chance of e^-n for none and a relative sd of 1/sqrt(n) where n are expected (H. E.
    Clifton and others, US Geological Survey Professional Paper 625-C, 1969, from memory).

    >>> luck = charge_luck(5, 30, 0.2728)
    >>> round(luck.grains, 2), round(luck.none, 2)
    (0.55, 0.58)
    """
    grains = expected_grains(grade_g_per_t, charge_g, grain_mg)
    return ChargeLuck(charge_g, grains, chance_of_none(grains), counting_spread(grains))
