"""Intervals of ratios as they are read: figures as long as they say something, words where they no longer do."""

import math
from collections.abc import Callable

from prospecting.calc.language import phrase
from trials.calc.working import figure

# A limit further off than so many times is told in words: its figures would only look exact (common practice, no source).
FAR = 100.0
# An interval that reaches further than so many times either way leaves nothing to act on (common practice, no source).
TOO_WIDE = 10.0


def ends(lower: float | None, upper: float | None, write: Callable[[float], str] = figure) -> str:
    """Return the two limits of a ratio as a reader has them; blank where there is neither.

    Parameters
    ----------
    lower, upper : float or None
        0 or more. A lower limit of 0 or None and an upper one of infinity or None set no limit on that side.
    write : function
        Writes one ratio.

    >>> ends(1.21, 2.6), ends(0.0, 2.6), ends(1.21, None)
    ('1.21 to 2.6', 'up to 2.6', '1.21 or more')
    >>> ends(6.29e-06, 921991), ends(0.8, 5e4), ends(150, 900)
    ('less than a hundredth to more than a hundred', '0.8 to more than a hundred', '150 to 900')
    """
    if lower is None and upper is None:
        return ""
    if upper is None or math.isinf(upper):
        return (
            phrase("{low} or more", low=_low(lower, math.inf, write))
            if lower
            else phrase("no limit either way")
        )
    high = phrase("more than a hundred") if upper > FAR and (lower or 0) <= FAR else write(upper)
    return (
        phrase("{low} to {high}", low=_low(lower, upper, write), high=high)
        if lower
        else phrase("up to {high}", high=high)
    )


def between(lower: float | None, upper: float | None, write: Callable[[float], str] = figure) -> str:
    """Return the same, and after it where the interval is too wide to say anything.

    >>> between(0.078, 27.4), between(0.9, 27.4)
    ('0.078 to 27.4: too wide to say anything', '0.9 to 27.4')
    """
    said = ends(lower, upper, write)
    return (
        phrase("{limits}: too wide to say anything", limits=said)
        if said and is_too_wide(lower, upper)
        else said
    )


def is_too_wide(lower: float | None, upper: float | None) -> bool:
    """Return whether the interval reaches further than tenfold both ways; no limit reaches further than any.

    >>> is_too_wide(0.05, 30), is_too_wide(None, 30), is_too_wide(0.5, None)
    (True, True, False)
    """
    return (lower or 0) < 1 / TOO_WIDE and (upper is None or upper > TOO_WIDE)


def _low(lower: float, upper: float, write: Callable[[float], str]) -> str:
    return phrase("less than a hundredth") if lower < 1 / FAR <= upper else write(lower)
