"""Outcomes of a closed trial that it was not planned for: what their runs point to, which is never a verdict."""

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Literal

from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import numeral
from trials.calc.comparison import ControlComparison, TreatmentComparison
from trials.calc.ratio_words import between
from trials.calc.verdict import FEWEST_DF, FEWEST_RUNS, Kind, won, written

Direction = Literal["more", "less", "not told"]
# How often one outcome in which nothing differs points somewhere all the same: intervals of 95 %, judged together.
LUCK_OF_ONE = 0.05
# Colours of a size class, over all runs, under which it says nothing (common practice, no source).
FEWEST_COLOURS = 5
# Variance over mean of counts beyond which chance alone is too little (a rule of thumb; common practice, no source).
MOST_BY_CHANCE = 1.5


@dataclass(frozen=True)
class Pointer:
    """What the runs point to for one treatment: more or less of the outcome than the control, in a sentence."""

    treatment: str
    direction: Direction
    sentence: str


@dataclass(frozen=True)
class FoundGold:
    """Gold of a run and of its tails, in mg, each anything from low to high, and the share of both that the run caught.

    A share of None: nothing of either could be weighed, so nothing bounds it.
    """

    head_low_mg: float
    head_high_mg: float
    low: float | None
    high: float | None

    @property
    def is_exact(self) -> bool:
        return self.low is not None and self.low == self.high


def gold_per_hour(gold_mg: float, minutes: float) -> float:
    """Return the gold of a run in mg per hour of panning; minutes of 0 or less raise ValueError.

    >>> gold_per_hour(6.0, 12.0)
    30.0
    """
    if not (minutes > 0 and math.isfinite(minutes)):
        raise ValueError(f"{minutes} minutes: panning takes longer than nothing.")
    return gold_mg * 60 / minutes


def found_gold(
    gold_mg: float | None, tails_mg: float | None, *, gold_step_mg: float = 0.0, tails_step_mg: float = 0.0
) -> FoundGold:
    """Return what a run and its tails held together, and the share the run caught; bounds where one is below its scale.

    A mass of None is below its scale: anything from nothing to that scale's step, which must then be above 0.

    >>> found_gold(9.0, 1.0).low
    0.9
    >>> found_gold(9.0, None, tails_step_mg=1.0)
    FoundGold(head_low_mg=9.0, head_high_mg=10.0, low=0.9, high=1.0)
    """
    gold_low, gold_high = _between(gold_mg, gold_step_mg)
    tails_low, tails_high = _between(tails_mg, tails_step_mg)
    return _found(gold_low, gold_high, tails_low, tails_high)


def found_together(
    runs: Sequence[tuple[float | None, float | None]],
    *,
    gold_step_mg: float = 0.0,
    tails_step_mg: float = 0.0,
) -> FoundGold:
    """Return the same of several runs taken as one, (gold, tails) each: a run rich in gold counts for more.

    >>> found_together([(9.0, 1.0), (1.0, 1.0)]).low.__round__(3)
    0.833
    """
    golds = [_between(gold, gold_step_mg) for gold, _ in runs]
    tails = [_between(left, tails_step_mg) for _, left in runs]
    sums = [math.fsum(column) for pairs in (golds, tails) for column in zip(*pairs, strict=True)]
    return _found(*sums)


def share_left(gold_mg: float, left_mg: float) -> float:
    """Return the part of the gold found in both that was left behind, both weights in mg and above 0; else ValueError.

    >>> share_left(9.0, 1.0)
    0.1
    """
    if not (gold_mg > 0 and left_mg > 0):
        raise ValueError(f"{gold_mg} mg and {left_mg} mg: both are above 0.")
    return left_mg / (gold_mg + left_mg)


def scatters_more(dispersion: float) -> bool:
    """Return whether counts with this variance over mean scatter clearly more than grains that fall by chance.

    >>> scatters_more(1.2), scatters_more(2.6)
    (False, True)
    """
    return dispersion > MOST_BY_CHANCE


def luck_of(outcomes: int) -> float:
    """Return how often, at the most, one of so many outcomes points somewhere though nothing does anything (Bonferroni).

    >>> luck_of(3).__round__(2)
    0.15
    """
    if outcomes < 1:
        raise ValueError(f"{outcomes} outcomes: at least one is looked at.")
    return min(1.0, outcomes * LUCK_OF_ONE)


def point_to(comparison: ControlComparison, treatment: Hashable, more: str, less: str) -> Pointer:
    """Return what the runs point to for one treatment of a comparison; `more` and `less` say how it then stands to the control.

    Parameters
    ----------
    comparison : ControlComparison
        By ratio, or by places where runs are below the scale.
    more, less : str
        As in "takes longer than", "is quicker than".

    Notes
    -----
    Points somewhere by the rule a verdict goes by (`verdict.judge`): the interval of all treatments judged together leaves out
    1, or by places the level judged together is under 1 - confidence; never with fewer than 3 runs of either.

    >>> from trials.calc.comparison import compare_with_control
    >>> minutes = [10, 14, 11, 15.5, 9, 12.5, 12, 17]
    >>> found = compare_with_control(minutes, ["water", "rinse"] * 4, [1, 1, 2, 2, 3, 3, 4, 4], "water")
    >>> point_to(found, "rinse", "takes longer than", "is quicker than").sentence
    'rinse takes longer than water: about 1.4 times (1.4 to 1.4, 95 % interval).'
    """
    entry = comparison.of(treatment)
    name, control = str(treatment), str(comparison.control)
    if entry.p_adjusted is None:
        return Pointer(name, "not told", f"{name}: {_ended(entry.note)}")
    few = min(entry.runs, comparison.control_runs)
    if few < FEWEST_RUNS or (comparison.df is not None and comparison.df < FEWEST_DF):
        short = name if entry.runs <= comparison.control_runs else control
        why = (
            phrase_counted("{number} run of {name}", "{number} runs of {name}", few, name=short)
            if few < FEWEST_RUNS
            else phrase("so few runs")
        )
        return Pointer(
            name, "not told", phrase("{name}: {why} cannot tell chance from an effect.", name=name, why=why)
        )
    level = phrase("{level} % interval", level=numeral(100 * comparison.confidence, "g"))
    if comparison.route in ("ranks", "places"):
        return _by_places(comparison, entry, name, control, more, less)
    direction = _direction(entry)
    figures = _figures(entry, level)
    if direction == "not told":
        nothing = phrase(
            "{name}: no difference from {control} beyond chance is seen: {figures}.",
            name=name,
            control=control,
            figures=figures,
        )
        return Pointer(name, direction, nothing)
    sentence = phrase(
        "{name} {stands} {control}: {figures}.",
        name=name,
        stands=more if direction == "more" else less,
        control=control,
        figures=figures,
    )
    return Pointer(name, direction, sentence)


def disagrees(verdict: Kind, direction: Direction, *, more_is_better: bool) -> str:
    """Return how an outcome looked at afterwards stands against the verdict: "opposite", "beyond" it, or blank where it doesn't.

    Only what points somewhere can disagree; that an outcome sees nothing contradicts no verdict.

    >>> disagrees("better", "less", more_is_better=True), disagrees("not shown", "less", more_is_better=False)
    ('opposite', 'beyond')
    """
    if direction == "not told":
        return ""
    is_good = (direction == "more") == more_is_better
    if verdict in ("better", "worse"):
        return "" if is_good == (verdict == "better") else "opposite"
    return "beyond"


def _direction(entry: TreatmentComparison) -> Direction:
    if entry.lower is not None and entry.lower > 1:
        return "more"
    if entry.upper is not None and entry.upper < 1:
        return "less"
    return "not told"


def _figures(entry: TreatmentComparison, level: str) -> str:
    if entry.ratio is None:
        return phrase("at least {ratio} times ({level})", ratio=written(entry.lower), level=level)
    if entry.ratio == 0:
        return phrase("at most {ratio} times ({level})", ratio=written(entry.upper), level=level)
    return phrase(
        "about {ratio} times ({limits}, {level})",
        ratio=written(entry.ratio),
        limits=between(entry.lower, entry.upper, written),
        level=level,
    )


def _by_places(comparison, entry, name, control, more, less) -> Pointer:
    how = phrase("by places at the 5 % level, all treatments together; no ratio")
    if entry.p_adjusted >= 1 - comparison.confidence or entry.blocks_higher == entry.blocks_lower:
        nothing = phrase(
            "{name}: no difference from {control} beyond chance is seen ({how}).",
            name=name,
            control=control,
            how=how,
        )
        return Pointer(name, "not told", nothing)
    higher = entry.blocks_higher > entry.blocks_lower
    sentence = phrase(
        "{name} {stands} {control} {where} ({how}).",
        name=name,
        stands=more if higher else less,
        control=control,
        where=won(comparison, entry, higher),
        how=how,
    )
    return Pointer(name, "more" if higher else "less", sentence)


def _between(mass_mg: float | None, step_mg: float) -> tuple[float, float]:
    if mass_mg is not None:
        return mass_mg, mass_mg
    if not step_mg > 0:
        raise ValueError("A mass below its scale needs that scale's step.")
    return 0.0, step_mg


def _found(gold_low: float, gold_high: float, tails_low: float, tails_high: float) -> FoundGold:
    # Where both may be nothing, so may their sum, and any share is possible.
    low = gold_low / (gold_low + tails_high) if gold_low + tails_high else None
    high = gold_high / (gold_high + tails_low) if gold_high + tails_low else None
    if gold_low + tails_low == 0:
        low = high = None
    return FoundGold(gold_low + tails_low, gold_high + tails_high, low, high)


def _ended(text: str) -> str:
    return text if text.endswith(".") else f"{text}."
