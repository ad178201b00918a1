"""What an additive costs at the dose that works. Plain Python; money in decimals comes out in decimals."""

from dataclasses import dataclass
from decimal import Decimal

Number = Decimal | float | int


@dataclass(frozen=True)
class DoseCost:
    """Cost of one product at one dose, in the currency its price was given in."""

    price_per_ml: Number
    cost_per_litre_of_water: Number
    cost_per_run: Number
    runs_per_bottle: Number


@dataclass(frozen=True)
class CostComparison:
    """Two products, each at its own smallest dose that works."""

    a_cost_per_litre: Number
    b_cost_per_litre: Number
    cheaper: str
    cost_ratio_a_over_b: Number
    b_break_even_price: Number


@dataclass(frozen=True)
class ExtraGoldCost:
    """Cost per extra mg of gold; the limits are None, and nothing may be reported, unless the whole gain is above 0."""

    cost_per_extra_mg: Number | None
    may_be_reported: bool
    cost_per_extra_mg_low: Number | None
    cost_per_extra_mg_high: Number | None


def dose_cost(price: Number, bottle_ml: Number, dose_ml_per_l: Number, water_per_run_l: Number) -> DoseCost:
    """Return what a product costs per mL, per litre of tub water and per run.

    Raises ValueError for a bottle, a dose or a tub that is not above 0, or a price below 0.
    price / bottle mL x dose mL/L; runs per bottle leave nothing in the bottle.

    >>> dose_cost(Decimal("12.50"), Decimal(500), Decimal("0.5"), Decimal(9)).cost_per_run
    Decimal('0.1125')
    """
    for name, value in (("bottle", bottle_ml), ("dose", dose_ml_per_l), ("water", water_per_run_l)):
        if not value > 0:
            raise ValueError(f"{name} {value}: it must be above 0.")
    if price < 0:
        raise ValueError(f"price {price}: it must not be below 0.")
    per_ml = price / bottle_ml
    per_litre = per_ml * dose_ml_per_l
    return DoseCost(
        per_ml, per_litre, per_litre * water_per_run_l, bottle_ml / (dose_ml_per_l * water_per_run_l)
    )


def compare_costs(a: DoseCost, b: DoseCost, b_bottle_ml: Number, b_dose_ml_per_l: Number) -> CostComparison:
    """Return which of two products is cheaper per litre of water, and the bottle price at which b would draw level.

    Each must be costed at its own smallest dose that works, not at the dose on its label.

    >>> dear = dose_cost(24, 500, 0.1, 10)
    >>> compare_costs(dear, dose_cost(5, 750, 1, 10), 750, 1).cheaper
    'a'
    """
    ours, theirs = a.cost_per_litre_of_water, b.cost_per_litre_of_water
    if not theirs > 0:
        raise ValueError("The second product costs nothing: there is no ratio of costs.")
    cheaper = "a" if ours < theirs else "b" if theirs < ours else "same"
    return CostComparison(ours, theirs, cheaper, ours / theirs, ours / b_dose_ml_per_l * b_bottle_ml)


def cost_per_extra_gold(
    cost_per_run: Number, extra_mg: Number, extra_mg_lower: Number, extra_mg_upper: Number
) -> ExtraGoldCost:
    """Return the cost of each extra mg of gold, with limits from the 95 % interval of the gain.

    A gain whose interval reaches 0 has no bounded cost per mg: report the cost per run and the gain's interval instead.

    >>> cost_per_extra_gold(0.045, 0.4, -0.2, 1.0).may_be_reported
    False
    """
    if not extra_mg_lower <= extra_mg <= extra_mg_upper:
        raise ValueError(
            f"gain {extra_mg} mg lies outside its interval {extra_mg_lower} to {extra_mg_upper} mg."
        )
    bounded = extra_mg_lower > 0
    return ExtraGoldCost(
        cost_per_extra_mg=cost_per_run / extra_mg if extra_mg > 0 else None,
        may_be_reported=bounded,
        cost_per_extra_mg_low=cost_per_run / extra_mg_upper if bounded else None,
        cost_per_extra_mg_high=cost_per_run / extra_mg_lower if bounded else None,
    )
