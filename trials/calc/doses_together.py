"""The doses of one ladder together: what is shown, what is little enough, where too much begins, which curves may be drawn."""

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from prospecting.calc.language import phrase
from trials.calc.comparison import ControlComparison, TreatmentComparison
from trials.calc.dose_curve import BrokenStick, LogLogistic, broken_stick, log_logistic
from trials.calc.dose_order import isotonic_means, jonckheere, step_down, top_dose, williams_of_runs
from trials.calc.ranks import page
from trials.calc.verdict import FEWEST_DF, FEWEST_RUNS, Kind, flags

ALPHA = 0.05
# Points of a drawn curve.
CURVE_POINTS = 60

Compare = Callable[[Hashable], ControlComparison]


@dataclass(frozen=True)
class DoseShown:
    """Whether a dose's own 95 % interval lies above 1 (`alone`), and whether it is shown judged with all others (`together`)."""

    dose_ml_per_l: float
    alone: bool
    together: bool


@dataclass(frozen=True)
class ShownDoses:
    """`shown` doses in rising order; `by_order_alone` those of them that only the order from the top down shows.

    `least` is the lowest shown dose, `below` the next lower one tried: None where nothing is shown or nothing lower was tried.
    """

    shown: tuple[float, ...]
    by_order_alone: tuple[float, ...]
    least: float | None
    below: float | None


@dataclass(frozen=True)
class LeastNotWorse:
    """The least that is shown to lose less than the margin against the best.

    `limits` are the one-sided 95 % lower limits of each one's ratio to the best; `least` None where not even the next lower
    one is shown.
    """

    best: Hashable
    least: Hashable | None
    shown: tuple[Hashable, ...]
    limits: dict[Hashable, float | None]


@dataclass(frozen=True)
class Fall:
    """Too much: from `onset` up, less gold than at `best`, a lower dose. `ratio` is that of the top dose to the best.

    `onset` is the lowest of the doses, taken from the top down, that is shown to lie below a lower one.
    """

    top: Hashable
    onset: Hashable
    best: Hashable
    ratio: float


@dataclass(frozen=True)
class OrderChecks:
    """What two tests on the logarithms of the single runs say beside the claim; None where they may not be made, and why."""

    step_down_least: Hashable | None
    williams_least: Hashable | None
    why_no_williams: str


@dataclass(frozen=True)
class Trend:
    """Whether more dose goes with more gold by order alone: `p` one-sided, over `rows` blocks (or runs without blocks)."""

    p: float
    test: str
    rows: int
    rows_left_out: int


@dataclass(frozen=True)
class Plateau:
    """A line that ends on a plateau, with (dose, times its own level at dose 0) points. The break's limits may be None: open."""

    fit: BrokenStick
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Curve:
    """A log-logistic curve, with (dose, times its own level at dose 0) points to draw it."""

    fit: LogLogistic
    points: tuple[tuple[float, float], ...]


def shown_doses(doses: Sequence[DoseShown]) -> ShownDoses:
    """Return the doses shown to be better, from their intervals.

    Parameters
    ----------
    doses : sequence of DoseShown, any order, one or more

    Notes
    -----
    A dose counts as shown where it is judged with all others; and, from the top dose down, as long as each dose's own 95 %
    interval lies above 1: the order was fixed with the doses, so this needs no further correction, but it ends at
    the first failure (fixed sequence; Tamhane, Hochberg and Dunnett 1996, Biometrics 52, 21-37, from memory). Each way claims
    something where nothing is better in at most 2.5 trials of 100, both in at most 5.

    >>> found = shown_doses([DoseShown(0.1, False, False), DoseShown(0.2, True, False), DoseShown(0.4, True, True)])
    >>> found.shown, found.by_order_alone, found.least, found.below
    ((0.2, 0.4), (0.2,), 0.2, 0.1)
    """
    if not doses:
        raise ValueError("No dose was tried: there is nothing to show.")
    rising = sorted(doses, key=lambda each: each.dose_ml_per_l)
    together = {each.dose_ml_per_l for each in rising if each.together}
    in_order = set()
    for each in reversed(rising):
        if not each.alone:
            break
        in_order.add(each.dose_ml_per_l)
    # Of two treatments with one dose both must hold.
    failed = {each.dose_ml_per_l for each in rising if not (each.together or each.alone)}
    shown = sorted((together | in_order) - failed)
    least = shown[0] if shown else None
    lower = [each.dose_ml_per_l for each in rising if least is not None and each.dose_ml_per_l < least]
    return ShownDoses(
        tuple(shown),
        tuple(dose for dose in shown if dose not in together),
        least,
        max(lower, default=None),
    )


def evidence_of(comparison: ControlComparison, treatment: Hashable, dose_ml_per_l: float) -> DoseShown:
    """Return what a comparison lets one say of a dose; nothing where too few runs count (as in `verdict.judge`)."""
    entry = comparison.of(treatment)
    enough = enough_runs(comparison, entry)
    return DoseShown(
        dose_ml_per_l,
        enough and entry.lower_95 is not None and entry.lower_95 > 1,
        enough and entry.lower is not None and entry.lower > 1,
    )


def kind_of(comparison: ControlComparison, treatment: Hashable, smallest_ratio: float) -> Kind:
    """Return what `verdict.judge` concludes, or `places.judge_places`, without reckoning what could have been seen."""
    entry = comparison.of(treatment)
    if entry.p_adjusted is None or not enough_runs(comparison, entry):
        return "not shown"
    if comparison.route in ("ranks", "places"):
        if entry.p_adjusted >= 1 - comparison.confidence or entry.blocks_higher == entry.blocks_lower:
            return "not shown"
        return "better" if entry.blocks_higher > entry.blocks_lower else "worse"
    narrow, wide = entry.equivalence_lower, entry.equivalence_upper
    shown = flags(
        entry.lower if entry.lower is not None else 0.0,
        entry.upper if entry.upper is not None else math.inf,
        0.0 if narrow is None or wide is None else narrow,
        math.inf if narrow is None or wide is None else wide,
        1 / smallest_ratio,
        smallest_ratio,
        nothing=1.0,
    )
    if shown.shown_better or shown.shown_worse:
        return "better" if shown.shown_better else "worse"
    return "equivalent" if shown.shown_equivalent else "not shown"


def least_not_worse(
    compare: Compare, best: Hashable, lower: Sequence[Hashable], smallest_ratio: float
) -> LeastNotWorse:
    """Return the least of the doses below the best that is shown to lose less than the margin against it.

    Parameters
    ----------
    compare : function
        Makes the trial's comparison with another treatment as the control, so that errors and blocks are the trial's own.
    best : hashable
        The treatment with the highest ratio.
    lower : sequence of hashable
        The control and the doses below the best, lowest first.
    smallest_ratio : float, above 1
        The margin: losing less than to 1 / smallest_ratio does not matter.

    Notes
    -----
    One-sided 95 % lower limit of the ratio to the best (the lower end of the 90 % interval) above 1 / smallest_ratio, from the
    best downwards until the first failure. The best of several looks better than it is, so this errs to the careful side.
    """
    if not smallest_ratio > 1:
        raise ValueError(f"smallest ratio that matters {smallest_ratio}: it must be above 1.")
    against = compare(best)
    limits = {
        name: entry.lower_90 if enough_runs(against, entry := against.of(name)) else None for name in lower
    }
    shown = []
    for name in reversed(lower):
        if limits[name] is None or limits[name] <= 1 / smallest_ratio:
            break
        shown.append(name)
    return LeastNotWorse(best, shown[-1] if shown else None, tuple(reversed(shown)), limits)


def cheaper_and_not_worse(
    compare: Compare, of: Hashable, others: Sequence[Hashable], smallest_ratio: float
) -> dict[Hashable, bool]:
    """Return for each of the others whether it is shown to lose less than the margin against the treatment `of`.

    By the lower end of the equivalence interval: one-sided 5 % shared out over all treatments of the trial (Bonferroni).
    """
    against = compare(of)
    return {
        name: enough_runs(against, entry := against.of(name))
        and entry.equivalence_lower is not None
        and entry.equivalence_lower > 1 / smallest_ratio
        for name in others
    }


def extra_gold_mg(comparison: ControlComparison, treatment: Hashable) -> tuple[float, float, float] | None:
    """Return how much more a portion gives with the treatment, mg, and the limits of its interval judged together.

    The limits are those of the ratio, put to the control's middle as it was found. None where the runs don't tell.
    """
    entry, gain = comparison.of(treatment), comparison.gain(treatment)
    if gain is None or entry.lower is None or entry.upper is None or not enough_runs(comparison, entry):
        return None
    least, most = (comparison.control_mean * (limit - 1) for limit in (entry.lower, entry.upper))
    # The middle of the runs and the ratio's limits come from one fit, but not to the last digit.
    return gain, min(least, gain), max(most, gain)


def fall_of_masses(
    values_mg: Sequence[float],
    treatments: Sequence[Hashable],
    blocks: Sequence[Hashable] | None,
    order: Sequence[Hashable],
) -> Fall | None:
    """Return where gold falls off again at the top of the ladder; None where no fall is shown.

    Parameters
    ----------
    values_mg : sequence of float, shape (n,)
        All above 0: below-scale runs have no logarithm, see `fall_by_ratio`.
    treatments, blocks : sequences of hashable, shape (n,)
    order : sequence of hashable
        The control, then the doses, lowest first. Other treatments stay out.

    Notes
    -----
    `dose_order.top_dose` on ln(mg), one-sided at 5 %, all lower doses judged together; where the top has fallen it is taken off
    and the next one asked. The ValueErrors of `top_dose`.

    >>> mg = [3.0, 3.3, 2.8, 5.0, 5.4, 4.7, 3.1, 3.4, 2.9]
    >>> names = ["0"] * 3 + ["low"] * 3 + ["high"] * 3
    >>> fall_of_masses(mg, names, None, ["0", "low", "high"]).best
    'low'
    """
    found: Fall | None = None
    left = list(order)
    while len(left) > 2:
        kept = [i for i, name in enumerate(treatments) if name in left]
        asked = top_dose(
            [math.log(values_mg[i]) for i in kept],
            [treatments[i] for i in kept],
            left,
            None if blocks is None else [blocks[i] for i in kept],
        )
        if asked.p_adjusted >= ALPHA:
            break
        found = Fall(
            found.top if found else asked.top,
            asked.top,
            found.best if found else asked.best,
            found.ratio if found else math.exp(-asked.drop),
        )
        left.pop()
    return found


def fall_by_ratio(compare: Compare, doses: Sequence[Hashable]) -> Fall | None:
    """Return the same from comparisons with each dose as the control, where runs have no logarithm (counts, below scale).

    `doses` lowest first, the control left out. A lower dose must lie above it with the interval judged together.
    """
    found: Fall | None = None
    for place in range(len(doses) - 1, 0, -1):
        against = compare(doses[place])
        above = [
            entry
            for entry in map(against.of, doses[:place])
            if enough_runs(against, entry) and entry.lower is not None and entry.lower > 1
        ]
        if not above:
            break
        best = max(above, key=lambda entry: entry.lower)
        found = Fall(
            found.top if found else doses[place],
            doses[place],
            found.best if found else best.treatment,
            found.ratio if found else (1 / best.ratio if best.ratio else 0.0),
        )
    return found


def check_order(
    values_mg: Sequence[float],
    treatments: Sequence[Hashable],
    blocks: Sequence[Hashable] | None,
    order: Sequence[Hashable],
    falls: bool,
) -> OrderChecks:
    """Return the least dose by the step-down and by Williams' test, both on ln(mg) of the runs at 2.5 % one-sided.

    Arguments as in `fall_of_masses`; `falls` keeps Williams' test out, which supposes that more never gives less. ValueErrors
    of `dose_order.step_down`.

    >>> mg = [3.0, 3.3, 2.8, 3.1, 3.4, 2.9, 5.0, 5.4, 4.7]
    >>> names = ["0"] * 3 + ["low"] * 3 + ["high"] * 3
    >>> found = check_order(mg, names, None, ["0", "low", "high"], falls=False)
    >>> found.step_down_least, found.williams_least
    ('high', 'high')
    """
    kept = [i for i, name in enumerate(treatments) if name in order]
    logs, names = [math.log(values_mg[i]) for i in kept], [treatments[i] for i in kept]
    rows = None if blocks is None else [blocks[i] for i in kept]
    down = step_down(logs, names, order, rows, ALPHA / 2)
    if falls:
        return OrderChecks(
            down.minimum_effective_dose,
            None,
            phrase(
                "Williams' test supposes that more never gives less, and here the top dose fell: it is not made."
            ),
        )
    try:
        williams = williams_of_runs(logs, names, order, rows, 1 - ALPHA / 2)
    except ValueError as refusal:
        return OrderChecks(down.minimum_effective_dose, None, str(refusal))
    least = None if williams.least is None else order[1 + williams.least]
    return OrderChecks(down.minimum_effective_dose, least, "")


def trend_by_order(
    values: Sequence[float],
    treatments: Sequence[Hashable],
    blocks: Sequence[Hashable],
    order: Sequence[Hashable],
    in_blocks: bool,
) -> Trend:
    """Return whether more dose goes with higher values, by their order alone.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        Higher for more gold; -inf for a run below the scale, lower than every weighed one and tied with its like.
    treatments, blocks : sequences of hashable, shape (n,)
    order : sequence of hashable
        The control, then the doses, lowest first: the order expected before anybody looked.
    in_blocks : bool
        Page's test over the blocks that hold each treatment once (exact where it can be counted); without blocks that of
        Jonckheere and Terpstra.

    Raises
    ------
    ValueError
        Fewer than two complete blocks, all values alike.

    >>> trend_by_order([1, 2, 3, 1, 2, 4], ["0", "a", "b"] * 2, [1, 1, 1, 2, 2, 2], ["0", "a", "b"], True).rows
    2
    """
    lowest = min((value for value in values if value != -math.inf), default=0.0)
    known = [lowest - 1 if value == -math.inf else float(value) for value in values]
    if not in_blocks:
        groups = {
            name: [value for value, other in zip(known, treatments, strict=True) if other == name]
            for name in order
        }
        found = jonckheere(groups)
        p = found.p_exact_one_sided_increasing
        return Trend(
            found.p_normal_one_sided_increasing if p is None else p,
            phrase("Jonckheere and Terpstra"),
            len(known),
            0,
        )
    cells: dict[Hashable, dict[Hashable, float]] = {}
    for value, name, block in zip(known, treatments, blocks, strict=True):
        if name in order:
            cells.setdefault(block, {})[name] = value
    rows = [[cell[name] for name in order] for cell in cells.values() if len(cell) == len(order)]
    if rows and all(len(set(row)) == 1 for row in rows):
        raise ValueError(phrase("All pans of every block are alike: there is no order to judge."))
    found = page(rows)
    # Ties are counted as they fell; the printed table knows none.
    levels = (found.p_exact_given_ties, found.p_exact_one_sided, found.p_normal_one_sided)
    return Trend(next(p for p in levels if p is not None), "Page", len(rows), len(cells) - len(rows))


def monotone_ratios(ratios: Sequence[float], runs: Sequence[int]) -> list[float]:
    """Return the ratios nearest to these that never fall from dose to dose, on the log scale, weighted by runs.

    Ratios above 0, the control's 1 first, then the doses in rising order; ValueError otherwise. The control may be pooled with
    doses that fell below it.

    >>> [round(ratio, 3) for ratio in monotone_ratios([1.0, 2.0, 0.5], [5, 5, 5])]
    [1.0, 1.0, 1.0]
    """
    if not all(ratio > 0 for ratio in ratios):
        raise ValueError(
            phrase("A dose without any colour has no logarithm, so no steps are drawn through it.")
        )
    return [math.exp(level) for level in isotonic_means([math.log(ratio) for ratio in ratios], runs)]


def plateau_of(doses_ml_per_l: Sequence[float], values_mg: Sequence[float]) -> Plateau:
    """Return the rise that ends on a plateau, on ln(mg), if the doses show one.

    Parameters
    ----------
    doses_ml_per_l, values_mg : sequences of float, shape (n,)
        One of each run, the control at dose 0. Blocks are not taken out, so what differs between them widens the interval.

    Raises
    ------
    ValueError
        What `dose_curve.broken_stick` refuses; no rise before the break; fewer than two doses beyond it.
    """
    found = broken_stick(doses_ml_per_l, [math.log(value) for value in values_mg])
    if not found.slope > 0:
        raise ValueError(phrase("The line before the break does not rise: there is no plateau to reach."))
    if not found.plateau_seen:
        raise ValueError(
            phrase("Only one dose lies beyond the break: a plateau is seen only where two do.")
            if found.doses_beyond
            else phrase("No dose lies beyond the break: a plateau is seen only where two do.")
        )
    points = [(dose, math.exp(found.slope * min(dose, found.breakpoint))) for dose in _dense(doses_ml_per_l)]
    return Plateau(found, tuple(points))


def curve_of(doses_ml_per_l: Sequence[float], values_mg: Sequence[float]) -> Curve:
    """Return the log-logistic curve through ln(mg), if the doses show one; arguments as in `plateau_of`.

    Raises
    ------
    ValueError
        What `dose_curve.log_logistic` refuses (fewer than five different doses among it); a curve that falls with the dose, or
        strays from the dose means more than repeats allow (5 %).
    """
    found = log_logistic(doses_ml_per_l, [math.log(value) for value in values_mg])
    if not found.lower_c > found.upper_d:
        raise ValueError(phrase("The curve falls with the dose."))
    if found.p_lack_of_fit is not None and found.p_lack_of_fit < ALPHA:
        raise ValueError(phrase("The curve strays from the doses' middles more than equal runs do."))
    rise = found.lower_c - found.upper_d
    points = [
        (dose, math.exp(rise * (1 - 1 / (1 + (dose / found.ed50.dose) ** found.slope_b))))
        for dose in _dense(doses_ml_per_l)
    ]
    return Curve(found, tuple(points))


def _dense(doses: Sequence[float]) -> list[float]:
    tried = [dose for dose in doses if dose > 0]
    return np.geomspace(min(tried), max(tried), CURVE_POINTS).tolist()


def enough_runs(comparison: ControlComparison, entry: TreatmentComparison) -> bool:
    """Return whether three runs of both count and some are left to show the spread; else `verdict.judge` claims nothing."""
    return min(entry.runs, comparison.control_runs) >= FEWEST_RUNS and (
        comparison.df is None or comparison.df >= FEWEST_DF
    )
