"""Which dose to try next, from what the ladder has shown so far."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from prospecting.calc.number_words import numeral

UP = 2.0
MOST_DOWN = 4.0


@dataclass(frozen=True)
class NextDose:
    """A dose to try, why, and which tried doses to run again in the same blocks; the control always is one.

    `why` is "between" (in the gap that holds the least effective dose), "up" (no dose was shown), "down" (every dose was
    shown, or none was and the top harms) or "again" (a lower dose was shown, a higher one not: first see whether that holds).
    """

    dose_ml_per_l: float
    why: str
    again_ml_per_l: tuple[float, ...]
    outside_the_tried: bool


def dose_between(
    highest_dose_without_shown_gain_ml_per_l: float, lowest_dose_with_shown_gain_ml_per_l: float
) -> float:
    """Return the middle of two doses on the log scale, sqrt(low x high), in mL/L.

    ValueError unless 0 < low < high: the middle towards plain water is none (see `next_dose`, which goes down by a factor).

    >>> dose_between(0.25, 1.0)
    0.5
    """
    low = _dose(highest_dose_without_shown_gain_ml_per_l)
    high = _dose(lowest_dose_with_shown_gain_ml_per_l)
    if not low < high:
        raise ValueError(
            f"{numeral(low, 'g')} mL/L not shown and {numeral(high, 'g')} mL/L shown: the dose not shown must be the lower one."
        )
    return math.sqrt(low) * math.sqrt(high)


def next_dose(shown: Mapping[float, bool], down_factor: float = UP, top_harms: bool = False) -> NextDose:
    """Return the next dose to try. "Not shown" at a dose doesn't say that it does nothing.

    Parameters
    ----------
    shown : mapping of dose in mL/L to bool
        Every dose tried, above 0, and whether a gain over the control was shown at it. The control stays out.
    down_factor : float, 2 to 4
        How far to go below the lowest dose when all are shown.
    top_harms : bool
        Whether the top dose came out worse than the control: then nothing is tried above it.

    Raises
    ------
    ValueError
        No dose, a dose not above 0 or not a number, a factor outside 2 to 4.

    Notes
    -----
    Rule of the project's guide to trial statistics: a bracket is halved on the log scale; all shown, go down; none shown, go
    up by 2 from the top, or down from the lowest where the top has harmed. Where a lower dose was shown and a higher one not,
    nothing is climbed or halved: the curve may turn (foam), or the one result was luck; that dose is run again first. A dose
    outside the tried range is only ever one to try, never the best.

    >>> next_dose({0.25: False, 1.0: True, 2.0: True}).dose_ml_per_l
    0.5
    """
    if not 2 <= down_factor <= MOST_DOWN:
        raise ValueError(f"down_factor {down_factor}: it must lie between 2 and {numeral(MOST_DOWN, 'g')}.")
    doses = sorted(_dose(dose) for dose in shown)
    if not doses:
        raise ValueError("No dose was tried: there is nothing to go on from.")
    with_gain = [dose for dose in doses if shown[dose]]
    without = [dose for dose in doses if not shown[dose]]
    if not with_gain and not top_harms:
        return NextDose(doses[-1] * UP, "up", (0.0, doses[-1]), True)
    if not without or not with_gain:
        return NextDose(doses[0] / down_factor, "down", (0.0, doses[0]), True)
    if max(without) > min(with_gain):
        dose = max(dose for dose in with_gain if dose < max(without))
        neighbours = [min(other for other in doses if other > dose)]
        return NextDose(dose, "again", (0.0, *neighbours), False)
    middle = dose_between(max(without), min(with_gain))
    return NextDose(middle, "between", (0.0, max(without), min(with_gain)), False)


def _dose(dose: float) -> float:
    if not (dose > 0 and math.isfinite(dose)):
        raise ValueError(f"{dose} mL/L as a dose: it must be a number above 0.")
    return dose
