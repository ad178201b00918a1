"""What goes into a step comes out of it or is lost: the rules every step's masses must pass."""

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.language import phrase
from prospecting.calc.units import format_mass

# Share of the drawn mass a step may lose before the loss needs a reason (common practice, no source). None: the step has no
# balance (dig), or what does not come out again is its very purpose, asked for elsewhere.
LOSS_TOLERANCE: dict[str, Decimal | None] = {
    "dig": None,
    "dry": Decimal("0.30"),
    "crush": Decimal("0.02"),
    "screen": Decimal("0.02"),
    "split": Decimal("0.01"),
    "blend": Decimal("0.01"),
    "cut": Decimal("0.02"),
    "recover": None,
    "assay": None,
    "reweigh": None,
    "discard": None,
}


# Portions are called equal when they differ no more than this (common practice, no source).
EQUAL_WITHIN = Decimal("0.05")
# Products this much over their feed are a reading error; more is wet tails (common practice, no source).
HEAVIER_WITHIN = Decimal("0.01")


@dataclass(frozen=True)
class PortionsNeed:
    """What so many portions take, beside what their lot holds. All masses in g."""

    needed_g: Decimal
    on_hand_g: Decimal

    @property
    def left_g(self) -> Decimal:
        """What the lot keeps once they are taken; below zero when it can't feed them."""
        return self.on_hand_g - self.needed_g

    @property
    def short_g(self) -> Decimal | None:
        """What is missing for them; None when the lot holds enough."""
        return -self.left_g if self.left_g < 0 else None


def portions_need(on_hand_g: Decimal, portions: int, portion_g: Decimal) -> PortionsNeed:
    """Return what `portions` portions of `portion_g` take of a lot that holds `on_hand_g`, in g.

    A number of portions below zero, or a portion of nothing, raises ValueError.

    >>> portions_need(Decimal("10000"), 12, Decimal("900")).short_g
    Decimal('800')
    """
    if portions < 0:
        raise ValueError(f"A number of portions is not below zero ({portions}).")
    _need_portion(portion_g)
    return PortionsNeed(needed_g=portions * portion_g, on_hand_g=on_hand_g)


def equal_band_g(portion_g: Decimal) -> tuple[Decimal, Decimal]:
    """Return the least and the most a portion may weigh and still count as equal to a planned one, both in g.

    A portion of nothing raises ValueError. The band is EQUAL_WITHIN to either side.

    >>> [f"{edge_g:.0f}" for edge_g in equal_band_g(Decimal("900"))]
    ['855', '945']
    """
    _need_portion(portion_g)
    band_g = portion_g * EQUAL_WITHIN
    return portion_g - band_g, portion_g + band_g


def weigh_alike(masses_g: Sequence[Decimal]) -> bool:
    """Return whether portions count as equal: the heaviest within EQUAL_WITHIN of the lightest. None of them raises ValueError.

    >>> weigh_alike([Decimal("900"), Decimal("945")]), weigh_alike([Decimal("900"), Decimal("946")])
    (True, False)
    """
    if not masses_g:
        raise ValueError("No portion cannot be compared with any other.")
    return max(masses_g) <= min(masses_g) * (1 + EQUAL_WITHIN)


def mean_mass_g(masses_g: Sequence[Decimal]) -> Decimal:
    """Return the mean of some masses, in g. None at all raises ValueError.

    >>> mean_mass_g([Decimal("900"), Decimal("910")])
    Decimal('905')
    """
    if not masses_g:
        raise ValueError("No mass has no mean.")
    return statistics.mean(masses_g)


def total_mass_g(masses_g: Iterable[Decimal]) -> Decimal:
    """Return the masses taken together, in g; nothing at all weighs 0."""
    return sum(masses_g, Decimal(0))


def mass_left_g(mass_g: Decimal, drawn_g: Iterable[Decimal]) -> Decimal:
    """Return what is left of a mass after these draws, all in g. Below zero when more was drawn than there was.

    >>> mass_left_g(Decimal("1200"), [Decimal("500"), Decimal("250")])
    Decimal('450')
    """
    return mass_g - total_mass_g(drawn_g)


def outweigh_feed(feed_g: Decimal, products_g: Iterable[Decimal]) -> bool:
    """Return whether products weigh more than their feed by more than a reading error, HEAVIER_WITHIN of it; all in g.

    >>> outweigh_feed(Decimal("900"), [Decimal("9"), Decimal("900")]), outweigh_feed(Decimal("900"), [Decimal("910")])
    (False, True)
    """
    return total_mass_g(products_g) > feed_g * (1 + HEAVIER_WITHIN)


def usual_mass_g(masses_g: Iterable[Decimal]) -> Decimal:
    """Return the middle one (median) of some masses in g: one odd weight does not move it. None at all raises ValueError.

    >>> usual_mass_g([Decimal("9100"), Decimal("900"), Decimal("9000")])
    Decimal('9000')
    """
    masses_g = list(masses_g)
    if not masses_g:
        raise ValueError("No mass has no middle one.")
    return statistics.median(masses_g)


def loss_share(loss_g: Decimal, drawn_g: Decimal) -> Decimal | None:
    """Return the lost part of what went in, 0 to 1; None where nothing went in. A mass below zero raises ValueError.

    >>> loss_share(Decimal("150"), Decimal("10000"))
    Decimal('0.015')
    """
    for mass_g in (loss_g, drawn_g):
        if mass_g < 0:
            raise ValueError(f"A mass cannot be negative ({mass_g} g).")
    return loss_g / drawn_g if drawn_g else None


def step_loss_g(drawn_g: Sequence[Decimal], made_g: Sequence[Decimal]) -> Decimal:
    """Return what a step lost: mass in less mass out, in g. Raises ValueError when more comes out than went in.

    >>> step_loss_g([Decimal("10000"), Decimal("5000")], [Decimal("14900")])
    Decimal('100')
    """
    for mass_g in [*drawn_g, *made_g]:
        if mass_g < 0:
            raise ValueError(f"A mass cannot be negative ({mass_g} g).")
    went_in, came_out = total_mass_g(drawn_g), total_mass_g(made_g)
    if came_out > went_in:
        raise ValueError(
            phrase(
                "What came out weighs more than went in, by {more} ({came_out} out, {went_in} in). Check the weights.",
                more=format_mass(came_out - went_in, "kg"),
                came_out=format_mass(came_out, "kg"),
                went_in=format_mass(went_in, "kg"),
            )
        )
    return went_in - came_out


def check_draw_fits(on_hand_g: Decimal, draw_g: Decimal) -> None:
    """Raise ValueError unless `draw_g` is more than nothing and not more than is on hand, both in g."""
    if draw_g <= 0:
        raise ValueError(phrase("take more than nothing of it."))
    if draw_g > on_hand_g:
        raise ValueError(
            phrase(
                "only {on_hand} is on hand, {missing} less than was to be taken.",
                on_hand=_in_both_units(on_hand_g),
                missing=_in_both_units(draw_g - on_hand_g),
            )
        )


def equal_portions(on_hand_g: Decimal, portion_g: Decimal) -> int:
    """Return how many whole portions of `portion_g` the mass on hand gives. A portion of nothing raises ValueError."""
    _need_portion(portion_g)
    return int(max(on_hand_g, Decimal(0)) // portion_g)


def loss_needs_reason(kind: str, drawn_g: Decimal, loss_g: Decimal) -> bool:
    """Return whether a loss is over what the kind of step usually loses. An unknown kind raises ValueError."""
    if kind not in LOSS_TOLERANCE:
        raise ValueError(f"{kind!r} is not a kind of step: {', '.join(LOSS_TOLERANCE)}.")
    tolerance = LOSS_TOLERANCE[kind]
    return tolerance is not None and loss_g > tolerance * drawn_g


def _need_portion(portion_g: Decimal) -> None:
    if portion_g <= 0:
        raise ValueError(f"A portion weighs more than nothing ({portion_g} g).")


def _in_both_units(mass_g: Decimal) -> str:
    in_kg, in_lb = format_mass(mass_g, "kg"), format_mass(mass_g, "lb")
    return in_kg if in_kg == in_lb else f"{in_kg} ({in_lb})"
