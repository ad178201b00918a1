"""What gold already in hand would fetch at a price somebody typed, with that price's date and currency beside it.

Only weighed gold is valued. There is no function here from a grade, a tonnage or a zone to money: what lies in the ground has
no value that a small trial could tell. Plain Python; money is Decimal, and a float is refused.
"""

import datetime
import re
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

from prospecting.calc.grade import fine_gold
from prospecting.calc.number_words import numeral
from prospecting.calc.units import UNIT_NAMES, convert_mass, format_gold_mg

PRICE_UNITS = ("ozt", "g", "kg", "grain", "dwt")
CENT = Decimal("0.01")
NOT_THE_GROUND = "A reckoning of weighed gold at a typed price: no offer by a buyer, and no value of the ground it came from."


@dataclass(frozen=True)
class GoldPrice:
    """A price of fine gold as typed: `amount` of `currency` (three letters, ISO 4217) per `per`, as it stood `on` a day.

    Raises ValueError for an amount that is no Decimal above zero, a unit not in PRICE_UNITS, a currency that is not three
    letters, and a day that is missing or carries a clock time.
    """

    amount: Decimal
    currency: str
    per: str
    on: datetime.date

    def __post_init__(self) -> None:
        if not isinstance(self.on, datetime.date) or isinstance(self.on, datetime.datetime):
            raise ValueError(f"A price belongs to a day: give its date, not {self.on!r}.")
        if not isinstance(self.amount, Decimal):
            raise ValueError(f"Money is a Decimal, not {self.amount!r}.")
        if not (self.amount.is_finite() and self.amount > 0):
            raise ValueError(f"A price is above zero, not {self.amount}.")
        if self.per not in PRICE_UNITS:
            raise ValueError(f"A price is per {', '.join(PRICE_UNITS)}, not per {self.per!r}.")
        if not re.fullmatch("[A-Z]{3}", self.currency):
            raise ValueError(f"Name the currency by three capital letters, like CAD, not {self.currency!r}.")

    @property
    def text(self) -> str:
        return f"{self.currency} {numeral(self.amount)} per {UNIT_NAMES.get(self.per, self.per)} on {self.on.isoformat()}"


@dataclass(frozen=True)
class ContainedValue:
    """Money for the fine gold in a weighed mass. `amount` is exact; `rounded` is to a hundredth of the currency."""

    amount: Decimal
    price: GoldPrice
    gold_mg: Decimal
    fineness: Decimal
    fine_gold_mg: Decimal

    @property
    def rounded(self) -> Decimal:
        return self.amount.quantize(CENT, rounding=ROUND_HALF_EVEN)

    @property
    def sentence(self) -> str:
        """What was reckoned, with the price, its date and what this is not."""
        worth = (
            f"{self.price.currency} {numeral(self.rounded)}"
            if self.rounded
            else f"under {self.price.currency} {numeral(CENT)}"
        )
        if not self.amount:
            worth = f"{self.price.currency} 0"
        return (
            f"{format_gold_mg(self.gold_mg)} at {1000 * self.fineness:.0f} fine holds {format_gold_mg(self.fine_gold_mg)} "
            f"of fine gold: {worth} at {self.price.text}. {NOT_THE_GROUND}"
        )


def value_of_gold(gold_mg: Decimal, fineness: Decimal, price: GoldPrice) -> ContainedValue:
    """Return what the fine gold in `gold_mg` of weighed gold comes to at this price.

    Parameters
    ----------
    gold_mg : Decimal
        Weighed gold in mg, 0 or more: clean gold, not concentrate.
    fineness : Decimal
        Fraction of it that is gold, above 0 and up to 1 (840 fine is 0.840). There is no default: natural gold is never pure,
        and only an assay of it tells how pure.
    price : GoldPrice

    Notes
    -----
    gold x fineness x price, the price brought to the same unit by exact factors. Refining charges, melting loss and a
    buyer's share are left out, so this is the most it could fetch.

    >>> price = GoldPrice(Decimal("2000"), "CAD", "ozt", datetime.date(2026, 5, 3))
    >>> value_of_gold(Decimal("31.1034768"), Decimal("0.9"), price).amount
    Decimal('1.8000')
    """
    for name, number in (("gold_mg", gold_mg), ("fineness", fineness)):
        if not isinstance(number, Decimal) or not number.is_finite():
            raise ValueError(f"{name} must be a Decimal, not {number!r}.")
    if gold_mg < 0:
        raise ValueError(f"Gold cannot weigh less than nothing ({gold_mg} mg).")
    if not 0 < fineness <= 1:
        raise ValueError(f"Fineness is a fraction above 0 and up to 1, like 0.840, not {fineness}.")
    fine_mg = fine_gold(gold_mg, fineness)
    return ContainedValue(
        amount=convert_mass(fine_mg, "mg", price.per) * price.amount,
        price=price,
        gold_mg=gold_mg,
        fineness=fineness,
        fine_gold_mg=fine_mg,
    )
