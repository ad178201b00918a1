"""What the looks at a clearing tub say: when it was first seen clear enough, or how long it was watched without getting there.

Three measures: height of clear water and depth of sight rise as a tub clears, turbidity falls. Times are told as the two looks
between which the target was reached. `clarity.time_to_target` places the moment between them by the logarithms: that supposes
an exponential fall, which only turbidity follows, and not from 0. A first-order rate is given for turbidity alone: the line
between clear and cloudy water sinks at a steady speed and then slows (hindered settling), and depth of sight is no turbidity.
"""

import datetime
import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.guard import OUT_OF_LINE
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral

# The level a difference is shown at, shared out over the treated sets of a test (Bonferroni).
LEVEL = 0.05
LEAST_FOR_RATE, LEAST_FOR_FLOOR = 3, 5
# A moment for jars already clear at 0 minutes: the log-rank test takes times above 0 and looks at their order only.
AT_ONCE_MIN = 0.001


@dataclass(frozen=True)
class Look:
    """One reading. `beyond`: more than `value`, the end of the tube or of the meter's scale."""

    minutes: float
    value: float
    beyond: bool = False


@dataclass(frozen=True)
class Reached:
    """First look at the target and the look before it (None: there was none); or not within the minutes watched.

    `stayed`: no later look was short of the target again; None where it was not reached. `untold`: looks that cannot say,
    because the scale ended short of the target.
    """

    by_min: float | None
    after_min: float | None
    watched_min: float
    stayed: bool | None
    untold: int

    @property
    def reached(self) -> bool:
        return self.by_min is not None


@dataclass(frozen=True)
class Curve:
    """How turbidity fell. `floor_ntu` where it flattens; `why_not` says why there is no rate."""

    rate_per_min: float | None = None
    rate_lower: float | None = None
    rate_upper: float | None = None
    half_life_min: float | None = None
    floor_ntu: float | None = None
    floor_lower_ntu: float | None = None
    readings: int = 0
    why_not: str = ""


@dataclass(frozen=True)
class AgainstControl:
    """A set of tubs against the control's, by the log-rank test. `kind`: better, worse or not_shown.

    `chance` is how often lot alone would deal the tubs out so far apart; None where nothing could be reckoned. `tubs_needed`
    in each set is the least with which any outcome could show a difference at `level`.
    """

    kind: str
    tubs: int
    control_tubs: int
    chance: float | None
    level: float
    tubs_needed: int


def starts(began_at: datetime.datetime, apart_s: int, tubs: int) -> list[datetime.datetime]:
    """Return when each of so many tubs was stirred, one after the other `apart_s` seconds apart.

    >>> [each.minute for each in starts(datetime.datetime(2026, 5, 1, 10, 0), 90, 3)]
    [0, 1, 3]
    """
    return [began_at + datetime.timedelta(seconds=apart_s * place) for place in range(tubs)]


def first_reached(looks: Sequence[Look], target: float, *, rises: bool) -> Reached:
    """Return when a tub was first seen at or beyond the target.

    Parameters
    ----------
    looks : sequence of Look
        One or more, minutes rising, of one measure.
    target : float
        In the unit of the measure.
    rises : bool
        Whether the measure rises as the water clears.

    Raises
    ------
    ValueError
        No look, or times that don't rise.

    Notes
    -----
    A tub not at the target by its last look took longer than that, not as long as that, and not for ever.

    >>> first_reached([Look(5, 20), Look(10, 90), Look(15, 160)], 150, rises=True)
    Reached(by_min=15, after_min=10, watched_min=15, stayed=True, untold=0)
    """
    if not looks:
        raise ValueError("A tub nobody looked at has no time.")
    for before, after in zip(looks, looks[1:], strict=False):
        if not before.minutes < after.minutes:
            raise ValueError(
                f"{numeral(after.minutes, 'g')} minutes after {numeral(before.minutes, 'g')} minutes: times must rise."
            )
    told = [(look, _is_there(look, target, rises)) for look in looks]
    known = [(look, there) for look, there in told if there is not None]
    first = next((place for place, (_, there) in enumerate(known) if there), None)
    if first is None:
        watched = max((look.minutes for look, _ in known), default=0.0)
        return Reached(None, None, watched, None, len(told) - len(known))
    return Reached(
        by_min=known[first][0].minutes,
        after_min=known[first - 1][0].minutes if first else None,
        watched_min=known[-1][0].minutes,
        stayed=all(there for _, there in known[first:]),
        untold=len(told) - len(known),
    )


def turbidity_curve(looks: Sequence[Look], confidence: float = 0.95) -> Curve:
    """Return the first-order rate of a tub's turbidity, with the floor it flattens at where the readings show one.

    Parameters
    ----------
    looks : sequence of Look
        Turbidity in NTU, minutes rising. Looks beyond the meter's scale are left out.
    confidence : float

    Notes
    -----
    ln(turbidity) on time (`clarity.clearing_rate`); from five readings also a curve with a floor
    (`clarity.clearing_with_floor`), taken where the floor's lower limit lies above 0. A rate is given only where its whole
    interval lies above 0.

    >>> fall = [Look(t, 600 * 0.97**t) for t in (0, 10, 20, 40)]
    >>> round(turbidity_curve(fall).half_life_min, 1)
    22.8
    """
    from trials.calc.clarity import clearing_rate, clearing_with_floor
    from trials.calc.simultaneous import t_quantile

    seen = [look for look in looks if not look.beyond]
    if len(seen) < LEAST_FOR_RATE:
        return Curve(
            readings=len(seen),
            why_not=phrase("A rate needs {least} readings or more.", least=LEAST_FOR_RATE),
        )
    minutes, ntu = [look.minutes for look in seen], [look.value for look in seen]
    if min(ntu) <= 0:
        return Curve(
            readings=len(seen), why_not=phrase("A reading of 0 NTU has no logarithm: no rate is given.")
        )
    if len(seen) >= LEAST_FOR_FLOOR:
        try:
            bent = clearing_with_floor(minutes, ntu, min(ntu))
        except ValueError:
            bent = None
        if bent is not None and bent.amplitude_ntu > 0:
            give = t_quantile((1 + confidence) / 2, bent.df)
            lower = bent.floor_ntu - give * bent.se_floor_ntu
            slowest = bent.rate_per_min - give * bent.se_rate_per_min
            if lower > 0 and slowest > 0:
                return Curve(
                    rate_per_min=bent.rate_per_min,
                    rate_lower=slowest,
                    rate_upper=bent.rate_per_min + give * bent.se_rate_per_min,
                    half_life_min=math.log(2) / bent.rate_per_min,
                    floor_ntu=bent.floor_ntu,
                    floor_lower_ntu=lower,
                    readings=len(seen),
                )
    straight = clearing_rate(minutes, ntu, min(ntu), confidence)
    if straight.half_life_min is None or not straight.rate_lower > 0:
        return Curve(readings=len(seen), why_not=phrase("The readings scatter too much to tell a rate."))
    return Curve(
        rate_per_min=straight.rate_per_min,
        rate_lower=straight.rate_lower,
        rate_upper=straight.rate_upper,
        half_life_min=straight.half_life_min,
        readings=len(seen),
    )


def compare_with_control(
    sets: Mapping[Hashable, Sequence[Reached]], control: Hashable
) -> dict[Hashable, AgainstControl]:
    """Return each set of tubs treated alike against the control's tubs.

    Parameters
    ----------
    sets : mapping of treatment to the outcome of each of its tubs
        The time of a tub that reached the target is the look it was first seen there; looks are steps.
    control : key of `sets`

    Raises
    ------
    ValueError
        The control is not among the sets, or there is nothing beside it.

    Notes
    -----
    `clarity.compare_clearing`, by dealing the tubs out in all ways; `LEVEL` is shared out over the sets (Bonferroni). With one
    tub in a set nothing is reckoned: how much two tubs treated alike differ is not known.

    >>> seen = [Reached(t, t - 1, 60, True, 0) for t in (5, 6, 7, 8)], [Reached(t, t - 1, 60, True, 0) for t in (20, 25, 30, 40)]
    >>> compare_with_control({"a": seen[0], "none": seen[1]}, "none")["a"].kind
    'better'
    """
    if control not in sets:
        raise ValueError(f"{control!r} is not among the sets of tubs.")
    treated = {name: tubs for name, tubs in sets.items() if name != control}
    if not treated:
        raise ValueError("There is nothing beside the control.")
    level = LEVEL / len(treated)
    return {name: _against(tubs, sets[control], level) for name, tubs in treated.items()}


def least_chance(tubs: int, control_tubs: int) -> float:
    """Return how often lot alone parts two sets of tubs completely: no outcome can be rarer.

    One way of all the ways to deal them out, two where the sets are equal (either may be the faster).

    >>> least_chance(3, 3), round(least_chance(4, 4), 3)
    (0.1, 0.029)
    """
    return (2 if tubs == control_tubs else 1) / math.comb(tubs + control_tubs, tubs)


def tubs_needed(level: float) -> int:
    """Return how many tubs in each set are the least with which any outcome is rarer by chance than `level`.

    >>> tubs_needed(0.05), tubs_needed(0.05 / 3)
    (4, 5)
    """
    tubs = 2
    while least_chance(tubs, tubs) >= level:
        tubs += 1
    return tubs


def doubtful_value(value: Decimal, before: Decimal | None, *, rises: bool) -> bool:
    """Tell whether a reading is many times less clear than the one before it: more like a slip than like a tub.

    >>> doubtful_value(Decimal(4), Decimal(42), rises=True), doubtful_value(Decimal(40), Decimal(42), rises=True)
    (True, False)
    """
    if not before or not value:
        return False
    return before / value >= OUT_OF_LINE if rises else value / before >= OUT_OF_LINE


def _is_there(look: Look, target: float, rises: bool) -> bool | None:
    """Whether the look shows the target reached; None where the scale ended too early to tell."""
    if rises:
        return True if look.value >= target else None if look.beyond else False
    if look.beyond:
        return False if look.value >= target else None
    return look.value <= target


def _against(tubs: Sequence[Reached], controls: Sequence[Reached], level: float) -> AgainstControl:
    from trials.calc.clarity import compare_clearing

    sizes = {"tubs": len(tubs), "control_tubs": len(controls)}
    nothing = AgainstControl("not_shown", **sizes, chance=None, level=level, tubs_needed=tubs_needed(level))
    if min(len(tubs), len(controls)) < 2 or not any(tub.reached for tub in (*tubs, *controls)):
        return nothing
    sides = {"treated": tubs, "control": controls}
    try:
        found = compare_clearing(
            {name: [_time(tub) for tub in side] for name, side in sides.items()},
            {name: [tub.reached for tub in side] for name, side in sides.items()},
        )
    except ValueError:
        return nothing
    chance = found.p if found.p_counted is None else found.p_counted
    kind = "not_shown"
    if chance < level:
        rates = found.exponential_rate_per_min
        kind = "better" if rates["treated"] > rates["control"] else "worse"
    return AgainstControl(kind, **sizes, chance=chance, level=level, tubs_needed=tubs_needed(level))


def _time(tub: Reached) -> float:
    return max(tub.watched_min if tub.by_min is None else tub.by_min, AT_ONCE_MIN)
