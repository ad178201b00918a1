"""Each treatment against the control by place in a side-by-side row of pans: the comparison, and what may be concluded."""

import math
from collections import defaultdict
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean

from prospecting.calc.language import phrase, phrase_counted, to_phrase
from prospecting.calc.number_words import numeral
from trials.calc.comparison import EQUAL_PORTIONS, ControlComparison, compare_ranks
from trials.calc.permutation import fewest_blocks
from trials.calc.place_power import (
    WORTHWHILE,
    blocks_for_places,
    in_hundred_or_more,
    least_winning_chance,
    takes_more_than_most,
)
from trials.calc.verdict import FEWEST_RUNS, Verdict, not_shown, rows_counted
from trials.calc.working import Working, WorkingRow, given

NO_MARGIN = to_phrase(
    "Places say which pan shows more gold, not how much more: no ratio, and no number of blocks shows two alike."
)


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
        phrase("Pans compared"),
        phrase(
            "mean place over the judges of a block, then ranked within the block; pans alike share the mean of their places"
        ),
        (
            given(phrase("pans placed"), found.runs_used),
            given(phrase("pans not placed"), found.runs_left_out),
            given(phrase("blocks"), found.blocks),
        ),
    )
    assumptions = (
        phrase(EQUAL_PORTIONS),
        phrase("If no treatment does anything, every order within a block is equally likely."),
        phrase("Judges of one row of pans look at the same gold: however many, they count as one look."),
        phrase(NO_MARGIN),
    )
    return replace(
        found,
        route="places",
        control_mean=fmean(of[control]),
        treatments=tuple(
            replace(entry, mean=fmean(of[entry.treatment])) if entry.runs else entry
            for entry in found.treatments
        ),
        method=phrase(
            "Places within blocks, labels shuffled within blocks, all treatments judged together against the control."
        ),
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
        reason = phrase_counted(
            "{number} pan of {name} placed: that cannot tell chance from an effect.",
            "{number} pans of {name} placed: that cannot tell chance from an effect.",
            few[0],
            name=few[1],
        )
        return _not_shown(name, reason, sight, more)
    level = 1 - comparison.confidence
    sides = phrase(
        "Before {control} in {before} of {all} blocks, behind it in {behind}",
        control=control,
        before=entry.blocks_higher,
        all=entry.blocks_compared,
        behind=entry.blocks_lower,
    )
    how = phrase(
        "judged by places within blocks at the {level} % level, all treatments together: a direction, no ratio.",
        level=numeral(100 * level, "g"),
    )
    if entry.p_adjusted < level and entry.blocks_higher != entry.blocks_lower:
        better = entry.blocks_higher > entry.blocks_lower
        return Verdict(
            "better" if better else "worse",
            phrase("{name} shows more gold than {control}.", name=name, control=control)
            if better
            else phrase("{name} shows less gold than {control}.", name=name, control=control),
            f"{sides}; {how}",
            more_blocks=more,
        )
    return _not_shown(
        name,
        phrase("{sides}; {how} Nor does this show that the two do alike.", sides=sides, how=how),
        sight,
        more,
    )


def not_placed(treatment: str, reason: str, blocks: int) -> Verdict:
    """Return "not shown" where no comparison could be made at all: say why and what to do first."""
    more = max(1, FEWEST_RUNS - blocks)
    wanted = phrase_counted(
        "{number} more judged block would be the least to begin with.",
        "{number} more judged blocks would be the least to begin with.",
        more,
    )
    return _not_shown(treatment, reason, wanted, more)


def sight_of(comparison: ControlComparison, treatment: Hashable) -> PlaceSight:
    """Return what the blocks that hold both pans could have seen of a treatment, and what one that wins 3 blocks in 4 takes."""
    entry = comparison.of(treatment)
    blocks = entry.blocks_compared
    if max(entry.runs, comparison.control_runs) > comparison.blocks:
        return PlaceSight(
            phrase("A row with several pans of one treatment: what it could have seen is not reckoned.")
        )
    pans = max(1, comparison.judged_together) + 1
    alpha = 1 - comparison.confidence
    needed = blocks_for_places(pans, WORTHWHILE, alpha=alpha)
    more = None if needed is None else max(0, needed - blocks)
    seen = least_winning_chance(pans, blocks, alpha=alpha) if blocks else None
    least = max(FEWEST_RUNS, fewest_blocks(pans - 1, alpha))
    if blocks < least:
        could = phrase(
            "With {blocks} not even a treatment that came first in every block could have been shown; that takes {least} at "
            "the least.",
            blocks=rows_counted(blocks, "", False),
            least=rows_counted(least, "", False),
        )
    elif seen is None:
        could = phrase(
            "These blocks would not yet have shown, 8 times in 10, even a treatment that always comes first."
        )
    else:
        could = phrase(
            "This trial could have seen, 8 times in 10, a treatment whose pan beats the control's in {often}.",
            often=in_hundred_or_more(seen),
        )
    if more is None:
        takes = takes_more_than_most()
    elif more == 0:
        takes = phrase("One that beats it in 3 blocks of 4 was within its sight.")
    else:
        takes = phrase(
            "One that beats it in 3 blocks of 4 takes about {more}.", more=rows_counted(more, " more", False)
        )
    return PlaceSight(could, takes, more)


def _not_shown(name: str, reason: str, sight: str, more: int | None) -> Verdict:
    text = reason if reason.endswith(".") else f"{reason}."
    return Verdict("not shown", not_shown(name), f"{text} {sight}", more_blocks=more)
