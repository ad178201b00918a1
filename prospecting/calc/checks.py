"""What numbers must be before anything is reckoned from them. Plain Python."""

import math
from collections.abc import Iterable, Sequence

from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.number_words import numeral

_TOO_SMALL = to_phrase("{value} as {what}{where}: it must be above {limit}.")
_NO_LOGARITHM = to_phrase("{value} as {what}{where}: it has no logarithm, so it must be above {limit}.")


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
    too_small: str = _TOO_SMALL,
) -> list[float]:
    """Return the values as floats; ValueError names the first that is missing, not finite, or not above the limit.

    `too_small` says what is wrong with one that is not above it.

    >>> numbers([2, 3.5], "a mass")
    [2.0, 3.5]
    """
    values = list(values)
    if len(values) < least:
        raise ValueError(
            phrase(
                "{what}: {number} given, at least {least} needed.",
                what=what,
                number=len(values),
                least=least,
            )
        )
    for place, value in enumerate(values, 1):
        if value is not None and math.isfinite(value) and (above is None or value > above):
            continue
        where = phrase(" in place {place}", place=place) if len(values) > 1 else ""
        if value is None:
            raise ValueError(
                phrase(
                    "{what} is missing{where}: leave it out beforehand, and what it is paired or blocked with.",
                    what=what,
                    where=where,
                )
            )
        if not math.isfinite(value):
            raise ValueError(
                phrase(
                    "{value} as {what}{where}: it must be a finite number.",
                    value=value,
                    what=what,
                    where=where,
                )
            )
        raise ValueError(phrase(too_small, value=value, what=what, where=where, limit=numeral(above, "g")))
    return [float(value) for value in values]


def checked_values(
    values: Sequence[float], name: str, at_least: int = 1, *, above_zero: bool = False
) -> list[float]:
    """Return the values of one named list as floats, refused as in `numbers`."""
    what = phrase("a value of {name}", name=name)
    above = 0 if above_zero else None
    return numbers(values, what, above=above, least=at_least, too_small=_NO_LOGARITHM)


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
        raise ValueError(
            phrase(
                "{first} has {number} values and {second} {others}: pairs need both.",
                first=first_name,
                number=len(a),
                second=second_name,
                others=len(b),
            )
        )
    return a, b
