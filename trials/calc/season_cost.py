"""What an additive costs over a season's water, and how sums of money are written. Plain Python; money is Decimal."""

from decimal import ROUND_HALF_EVEN, Decimal

from prospecting.calc.number_words import numeral
from trials.calc.cost import DoseCost

CENT = Decimal("0.01")
# Figures of a sum too small for cents.
FIGURES = 2


def litres(volume_ml: Decimal) -> Decimal:
    """Return a volume of water in litres.

    >>> litres(Decimal(9000))
    Decimal('9')
    """
    return volume_ml / 1000


def season_water_ml(water_per_run_ml: Decimal, runs: int) -> Decimal:
    """Return the water of so many runs, one tub to each.

    >>> season_water_ml(Decimal(9000), 40)
    Decimal('360000')
    """
    return water_per_run_ml * runs


def season_cost(cost: DoseCost, water_ml: Decimal) -> Decimal:
    """Return what the additive for so much water costs, in the currency of its price.

    >>> from trials.calc.cost import dose_cost
    >>> season_cost(dose_cost(Decimal("12.50"), Decimal(500), Decimal("0.5"), Decimal(9)), Decimal(360000))
    Decimal('4.5000')
    """
    return cost.cost_per_litre_of_water * litres(water_ml)


def bottles(bottle_ml: Decimal, dose_ml_per_l: Decimal, water_ml: Decimal) -> Decimal:
    """Return how many bottles so much water takes at a dose, parts of one included.

    >>> bottles(Decimal(500), Decimal("0.5"), Decimal(360000))
    Decimal('0.36')
    """
    return litres(water_ml) * dose_ml_per_l / bottle_ml


def format_money(amount: Decimal, currency: str) -> str:
    """Write a sum: to the hundredth, or to two figures where it is less than a tenth.

    >>> format_money(Decimal("4.5"), "CAD"), format_money(Decimal("0.00214"), "CAD"), format_money(Decimal(0), "CAD")
    ('4.50 CAD', '0.0021 CAD', '0 CAD')
    """
    if not amount:
        return f"0 {currency}"
    step = CENT
    if abs(amount) < Decimal("0.1"):
        step = Decimal(1).scaleb(amount.adjusted() - FIGURES + 1)
    return f"{numeral(amount.quantize(step, rounding=ROUND_HALF_EVEN), 'f')} {currency}"
