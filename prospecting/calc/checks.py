"""What numbers must be before anything is reckoned from them. Plain Python."""

import math
from collections.abc import Iterable, Sequence

from prospecting.calc.number_words import numeral


def need_positive(**values: float) -> None:
    """Raise ValueError, with the name, for a value that is not above zero, or not finite.

    >>> need_positive(mass_g=0.5, density=19.3)
    """
    for name, value in values.items():
        if not (value > 0 and math.isfinite(value)):
            raise ValueError(f"{name} must be above zero, not {value}.")


def numbers(
    values: Iterable[float],
    what: str,
    *,
    above: float | None = None,
    least: int = 1,
    why: str = "it must be above",
) -> list[float]:
    """Return the values as floats; ValueError names the first that is missing, not finite, or not above the limit.

    `why` says what is wrong with one that is not above it.

    >>> numbers([2, 3.5], "a mass")
    [2.0, 3.5]
    """
    values = list(values)
    if len(values) < least:
        raise ValueError(f"{what}: {len(values)} given, at least {least} needed.")
    for place, value in enumerate(values, 1):
        where = f" in place {place}" if len(values) > 1 else ""
        if value is None:
            raise ValueError(
                f"{what} is missing{where}: leave it out beforehand, and what it is paired or blocked with."
            )
        if not math.isfinite(value):
            raise ValueError(f"{value} as {what}{where}: it must be a finite number.")
        if above is not None and not value > above:
            raise ValueError(f"{value} as {what}{where}: {why} {numeral(above, 'g')}.")
    return [float(value) for value in values]


def checked_values(
    values: Sequence[float], name: str, at_least: int = 1, *, above_zero: bool = False
) -> list[float]:
    """Return the values of one named list as floats, refused as in `numbers`."""
    why = "it has no logarithm, so it must be above"
    return numbers(values, f"a value of {name}", above=0 if above_zero else None, least=at_least, why=why)


def checked_pairs(
    first: Sequence[float],
    second: Sequence[float],
    first_name: str,
    second_name: str,
    at_least: int = 1,
    *,
    above_zero: bool = False,
) -> tuple[list[float], list[float]]:
    """Return both sides of pairs as floats; sides of unequal length raise ValueError, and all `numbers` refuses."""
    a = checked_values(first, first_name, at_least, above_zero=above_zero)
    b = checked_values(second, second_name, at_least, above_zero=above_zero)
    if len(a) != len(b):
        raise ValueError(f"{first_name} has {len(a)} values and {second_name} {len(b)}: pairs need both.")
    return a, b
