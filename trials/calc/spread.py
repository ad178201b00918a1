"""How far equal portions differ. Plain Python, so ordinary pages may use it."""

import statistics
from collections.abc import Sequence

# A scale whose step is a larger part of a middling run than this hides what a trial looks for (common practice, no source).
COARSEST_STEP = 1 / 3


def relative_spread(values: Sequence[float]) -> float:
    """Return the coefficient of variation: the standard deviation (divisor n - 1) over the mean, a fraction.

    Parameters
    ----------
    values : sequence of float, shape (n,), n at least 2
        Gold of equal portions in mg, or their grades in g/t. A negative value, or a mean of 0, raises ValueError.

    >>> round(relative_spread([8.0, 10.0, 12.0]), 3)
    0.2
    """
    if len(values) < 2:
        raise ValueError(f"{len(values)} values: a spread needs at least 2.")
    if min(values) < 0:
        raise ValueError(f"{min(values)}: gold can't be negative.")
    mean = statistics.fmean(values)
    if mean == 0:
        raise ValueError("The mean is 0: nothing to compare the spread with.")
    return statistics.stdev(values) / mean


def middle(values: Sequence[float]) -> float:
    """Return the median of some runs, -inf standing for one below the scale: lower than every weighed one.

    No value raises ValueError. Where the middle falls between a run below the scale and a weighed one, it is -inf.

    >>> middle([4.0, 2.0, 9.0])
    4.0
    """
    if not values:
        raise ValueError("No run has no middle one.")
    return statistics.median(values)


def step_hides(step_mg: float, middle_mg: float) -> bool:
    """Return whether the scale's step is too coarse beside a middling run, both in mg and above 0; otherwise ValueError.

    >>> step_hides(1.0, 2.9), step_hides(1.0, 3.1)
    (True, False)
    """
    if not (step_mg > 0 and middle_mg > 0):
        raise ValueError(f"step {step_mg} mg, middle {middle_mg} mg: both are above 0.")
    return step_mg > middle_mg * COARSEST_STEP


def as_multiples(values: Sequence[float], of: float) -> list[float]:
    """Return each value as a multiple of `of`, which is above 0; otherwise ValueError.

    >>> as_multiples([1.5, 3.0], 2.0)
    [0.75, 1.5]
    """
    if not of > 0:
        raise ValueError(f"multiples of {of}: it must be above 0.")
    return [value / of for value in values]
