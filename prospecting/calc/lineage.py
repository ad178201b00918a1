"""Which dig each gram of a lot came from, every lot taken as well mixed."""

from collections.abc import Callable, Hashable, Mapping, Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from typing import TypeVar

SHARE_STEP = Decimal("1E-12")

Key = TypeVar("Key", bound=Hashable)
Group = TypeVar("Group", bound=Hashable)


def blend_shares(parents: Sequence[tuple[Decimal, Mapping[Key, Decimal]]]) -> dict[Key, Decimal]:
    """Return each dig's share of the masses (in any one unit) of these lots put together.

    `parents` holds each lot's mass and its own shares by dig, which sum to 1. The result has 12 decimals, sums to exactly 1
    (what rounding leaves over goes to the largest share, among equals to the lowest dig) and does not depend on the order of
    the parents. However little came from a dig, its share is at least one step, so that no dig is lost from the books.
    Raises ValueError for a mass that is not above zero and for shares that don't sum to 1.

    >>> blend_shares([(Decimal(3), {1: Decimal(1)}), (Decimal(1), {2: Decimal(1)})])
    {1: Decimal('0.750000000000'), 2: Decimal('0.250000000000')}
    """
    if not parents:
        raise ValueError("A blend has at least one parent.")
    masses: dict[Key, Fraction] = {}
    for mass, shares in parents:
        if mass <= 0:
            raise ValueError(f"A parent's mass must be above zero, not {mass}.")
        if sum(shares.values(), Decimal(0)) != 1:
            raise ValueError(f"A parent's shares sum to {sum(shares.values(), Decimal(0))}, not to 1.")
        for dig, share in shares.items():
            masses[dig] = masses.get(dig, Fraction(0)) + Fraction(mass) * Fraction(share)
    total = sum(masses.values())
    ordered = sorted(
        ((dig, mass / total) for dig, mass in masses.items() if mass > 0),
        key=lambda pair: (-pair[1], pair[0]),
    )
    blended = {dig: max(SHARE_STEP, _rounded(share)) for dig, share in ordered}
    largest = ordered[0][0]
    blended[largest] += 1 - sum(blended.values(), Decimal(0))
    return blended


def shares_by(shares: Mapping[Key, Decimal], key_of: Callable[[Key], Group]) -> dict[Group, Decimal]:
    """Return the shares summed by what `key_of` says of each dig (its zone, its claim), largest first."""
    sums: dict[Group, Decimal] = {}
    for dig, share in shares.items():
        group = key_of(dig)
        sums[group] = sums.get(group, Decimal(0)) + share
    return dict(sorted(sums.items(), key=lambda pair: -pair[1]))


def weighted_mean(values: Sequence[Decimal | float], weights: Sequence[Decimal | float]) -> Decimal | float:
    """Return sum(w v) / sum(w), in the kind of number given (all Decimal or all float).

    Raises ValueError for lists of different lengths, a negative weight or weights without sum.
    """
    if len(values) != len(weights):
        raise ValueError(f"{len(values)} values need as many weights, not {len(weights)}.")
    if any(weight < 0 for weight in weights):
        raise ValueError(f"A weight cannot be negative: {list(weights)}.")
    total = sum(weights)
    if total == 0:
        raise ValueError("The weights sum to nothing.")
    return sum(value * weight for value, weight in zip(values, weights, strict=True)) / total


def _rounded(share: Fraction) -> Decimal:
    exact = Decimal(share.numerator) / Decimal(share.denominator)
    return exact.quantize(SHARE_STEP, rounding=ROUND_HALF_EVEN)
