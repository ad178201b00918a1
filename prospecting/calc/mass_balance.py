"""What goes into a step comes out of it or is lost: the rules every step's masses must pass."""

from collections.abc import Sequence
from decimal import Decimal

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


def step_loss_g(drawn_g: Sequence[Decimal], made_g: Sequence[Decimal]) -> Decimal:
    """Return what a step lost: mass in less mass out, in g. Raises ValueError when more comes out than went in.

    >>> step_loss_g([Decimal("10000"), Decimal("5000")], [Decimal("14900")])
    Decimal('100')
    """
    for mass_g in [*drawn_g, *made_g]:
        if mass_g < 0:
            raise ValueError(f"A mass cannot be negative ({mass_g} g).")
    went_in, came_out = sum(drawn_g, Decimal(0)), sum(made_g, Decimal(0))
    if came_out > went_in:
        raise ValueError(
            f"What came out weighs more than went in, by {format_mass(came_out - went_in, 'kg')} "
            f"({format_mass(came_out, 'kg')} out, {format_mass(went_in, 'kg')} in). Check the weights."
        )
    return went_in - came_out


def check_draw_fits(on_hand_g: Decimal, draw_g: Decimal) -> None:
    """Raise ValueError unless `draw_g` is more than nothing and not more than is on hand, both in g."""
    if draw_g <= 0:
        raise ValueError("take more than nothing of it.")
    if draw_g > on_hand_g:
        raise ValueError(
            f"only {_in_both_units(on_hand_g)} is on hand, {_in_both_units(draw_g - on_hand_g)} less than was to be taken."
        )


def equal_portions(on_hand_g: Decimal, portion_g: Decimal) -> int:
    """Return how many whole portions of `portion_g` the mass on hand gives. A portion of nothing raises ValueError."""
    if portion_g <= 0:
        raise ValueError(f"A portion weighs more than nothing ({portion_g} g).")
    return int(max(on_hand_g, Decimal(0)) // portion_g)


def loss_needs_reason(kind: str, drawn_g: Decimal, loss_g: Decimal) -> bool:
    """Return whether a loss is over what the kind of step usually loses. An unknown kind raises ValueError."""
    if kind not in LOSS_TOLERANCE:
        raise ValueError(f"{kind!r} is not a kind of step: {', '.join(LOSS_TOLERANCE)}.")
    tolerance = LOSS_TOLERANCE[kind]
    return tolerance is not None and loss_g > tolerance * drawn_g


def _in_both_units(mass_g: Decimal) -> str:
    in_kg, in_lb = format_mass(mass_g, "kg"), format_mass(mass_g, "lb")
    return in_kg if in_kg == in_lb else f"{in_kg} ({in_lb})"
