"""Each treatment against the control by place in a side-by-side row of pans: the comparison, and what may be concluded."""

import math
from collections import defaultdict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from prospecting.calc.number_words import numeral
from trials.calc.comparison import EQUAL_PORTIONS, ControlComparison, compare_ranks
from trials.calc.permutation import fewest_blocks
from trials.calc.place_power import (
    MOST_BLOCKS,
    WORTHWHILE,
    blocks_for_places,
    in_hundred,
    least_winning_chance,
)
from trials.calc.verdict import FEWEST_RUNS, Verdict
from trials.calc.working import Working, WorkingRow, given

NO_MARGIN = "Places say which pan shows more gold, not how much more: no ratio, and no number of blocks shows two alike."


@dataclass(frozen=True)
class PlaceSight:
    """What a trial could have seen, what a treatment that wins 3 blocks in 4 takes, and the blocks still missing for it."""

    could: str
    takes: str = ""
    more_blocks: int | None = None


def compare_places(
    places: Sequence[float | None],
    treatments: Sequence[Hashable],
    blocks: Sequence[Hashable],
    control: Hashable,
    confidence: float = 0.95,
) -> ControlComparison:
    """Return which treatments stood before or behind the control within the blocks; a direction, no ratio.

    Parameters
    ----------
    places : sequence of float or None, shape (n,)
        Place of each pan in its block, 1 for most gold, averaged over the judges where there are several
        (`judging.mean_places`); None for a pan that failed or was not placed. Below 1, nan or infinite raises ValueError.
    treatments, blocks, control, confidence : as in `comparison.compare_with_control`

    Notes
    -----
    Turned round, so that more gold is the larger figure, and handed to `comparison.compare_ranks`: pans are ranked anew within
    their block, so a failed one closes the gap it leaves, and a block without the treatment or the control tells nothing
    about that treatment. `blocks_higher` counts blocks in which it stood before the control; `mean` is the mean place, lower
    for more gold. Judges of one block are one look
    at one row: they never count as more blocks.

    >>> found = compare_places([2, 1, 2, 1, 1, 2], ["water", "rinse"] * 3, [1, 1, 2, 2, 3, 3], "water")
    >>> found.route, found.of("rinse").blocks_higher, found.of("rinse").ratio
    ('places', 2, None)
    """
    last: dict[Hashable, float] = defaultdict(float)
    for place, name, block in zip(places, treatments, blocks, strict=True):
        if place is None:
            continue
        if not (place >= 1 and math.isfinite(place)):
            raise ValueError(f"place {place} of {name} in block {block}: places start at 1.")
        last[block] = max(last[block], place)
    turned = [
        None if place is None else last[block] + 1 - place
        for place, block in zip(places, blocks, strict=True)
    ]
    found = compare_ranks(turned, treatments, blocks, control, confidence)
    of: dict[Hashable, list[float]] = defaultdict(list)
    for place, name in zip(places, treatments, strict=True):
        if place is not None:
            of[name].append(place)
    pans = WorkingRow(
        "Pans compared",
        "mean place over the judges of a block, then ranked within the block; pans alike share the mean of their places",
        (
            given("pans placed", found.runs_used),
            given("pans not placed", found.runs_left_out),
            given("blocks", found.blocks),
        ),
    )
    assumptions = (
        EQUAL_PORTIONS,
        "If no treatment does anything, every order within a block is equally likely.",
        "Judges of one row of pans look at the same gold: however many, they count as one look.",
        NO_MARGIN,
    )
    return replace(
        found,
        route="places",
        control_mean=fmean(of[control]),
        treatments=tuple(
            replace(entry, mean=fmean(of[entry.treatment])) if entry.runs else entry
            for entry in found.treatments
        ),
        method="Places within blocks, labels shuffled within blocks, all treatments judged together against the control.",
        # What compare_ranks would make of the figures as masses.
        sd_log=None,
        df=None,
        working=Working((pans, *found.working.rows[1:]), assumptions),
    )


def judge_places(comparison: ControlComparison, treatment: Hashable) -> Verdict:
    """Return the verdict on one treatment of `compare_places`: better, worse or not shown, never equivalent.

    Notes
    -----
    Shown when the level judged together is under 1 - confidence and the treatment stood on one side of the control in more
    blocks than on the other; fewer than 3 pans of either show nothing.
    """
    entry = comparison.of(treatment)
    name, control = str(treatment), str(comparison.control)
    seen = sight_of(comparison, treatment)
    sight, more = f"{seen.could} {seen.takes}".strip(), seen.more_blocks
    if entry.p_adjusted is None:
        return _not_shown(name, entry.note, sight, more)
    if min(entry.runs, comparison.control_runs) < FEWEST_RUNS:
        few = min((entry.runs, name), (comparison.control_runs, control))
        pans = "1 pan" if few[0] == 1 else f"{few[0]} pans"
        return _not_shown(
            name, f"{pans} of {few[1]} placed: that cannot tell chance from an effect.", sight, more
        )
    level = 1 - comparison.confidence
    sides = f"Before {control} in {entry.blocks_higher} of {entry.blocks_compared} blocks, behind it in {entry.blocks_lower}"
    how = (
        f"judged by places within blocks at the {numeral(100 * level, 'g')} % level, all treatments together: a "
        "direction, no ratio."
    )
    if entry.p_adjusted < level and entry.blocks_higher != entry.blocks_lower:
        better = entry.blocks_higher > entry.blocks_lower
        return Verdict(
            "better" if better else "worse",
            f"{name} shows {'more' if better else 'less'} gold than {control}.",
            f"{sides}; {how}",
            more_blocks=more,
        )
    return _not_shown(name, f"{sides}; {how} Nor does this show that the two do alike.", sight, more)


def not_placed(treatment: str, reason: str, blocks: int) -> Verdict:
    """Return "not shown" where no comparison could be made at all: say why and what to do first."""
    more = max(1, FEWEST_RUNS - blocks)
    wanted = "1 more judged block" if more == 1 else f"{more} more judged blocks"
    return _not_shown(treatment, reason, f"{wanted} would be the least to begin with.", more)


def sight_of(comparison: ControlComparison, treatment: Hashable) -> PlaceSight:
    """Return what the blocks that hold both pans could have seen of a treatment, and what one that wins 3 blocks in 4 takes."""
    entry = comparison.of(treatment)
    blocks = entry.blocks_compared
    if max(entry.runs, comparison.control_runs) > comparison.blocks:
        return PlaceSight(
            "A row with several pans of one treatment: what it could have seen is not reckoned."
        )
    pans = max(1, comparison.judged_together) + 1
    alpha = 1 - comparison.confidence
    needed = blocks_for_places(pans, WORTHWHILE, alpha=alpha)
    more = None if needed is None else max(0, needed - blocks)
    seen = least_winning_chance(pans, blocks, alpha=alpha) if blocks else None
    least = max(FEWEST_RUNS, fewest_blocks(pans - 1, alpha))
    if blocks < least:
        could = (
            f"With {_blocks(blocks)} not even a treatment that came first in every block could have been shown; that takes "
            f"{_blocks(least)} at the least."
        )
    elif seen is None:
        could = (
            "These blocks would not yet have shown, 8 times in 10, even a treatment that always comes first."
        )
    else:
        could = (
            f"This trial could have seen, 8 times in 10, a treatment whose pan beats the control's in {in_hundred(seen)}"
            f"{'' if seen == 1 else ' or more'}."
        )
    if more is None:
        takes = f"One that beats it in 3 blocks of 4 takes more than {MOST_BLOCKS} blocks."
    elif more == 0:
        takes = "One that beats it in 3 blocks of 4 was within its sight."
    else:
        takes = f"One that beats it in 3 blocks of 4 takes about {_more(more)}."
    return PlaceSight(could, takes, more)


def _not_shown(name: str, reason: str, sight: str, more: int | None) -> Verdict:
    text = reason if reason.endswith(".") else f"{reason}."
    return Verdict("not shown", f"{name}: not shown.", f"{text} {sight}", more_blocks=more)


def _blocks(number: int) -> str:
    return "1 block" if number == 1 else f"{number} blocks"


def _more(number: int) -> str:
    return "1 more block" if number == 1 else f"{number} more blocks"
