"""How far equal portions differ. Plain Python, so ordinary pages may use it."""

import statistics
from collections.abc import Sequence


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
