"""What a trial judged by place can show: the surest outcome, the chance of showing a treatment that wins, the blocks it takes."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import numeral
from trials.calc.levels import check_level
from trials.calc.permutation import fewest_blocks, smallest_level

POWER = 0.8
# The verdict asks for as many runs of either treatment, whatever the places say.
FEWEST_BLOCKS = 3
MOST_BLOCKS = 200
# A treatment worth looking for beats the control in so many blocks (our own choice: places have no ratio to fix one by).
WORTHWHILE = 0.75
ROUNDING = 1e-12


@dataclass(frozen=True)
class PlaceOutlook:
    """What so many blocks of so many pans could see, in numbers and in sentences.

    `smallest_p` is the level of the surest outcome there is; `fewest` the blocks from which that outcome is shown at all;
    `always_first` the blocks that show, 8 times in 10, a treatment that comes first in every one; `seen` how often a treatment
    must beat the control to be shown 8 times in 10 by these blocks (None: not even always); `worthwhile` the blocks for one that
    beats it 3 times in 4.
    """

    treatments: int
    blocks: int
    smallest_p: float
    fewest: int
    always_first: int | None
    seen: float | None
    worthwhile: int | None

    @property
    def sentences(self) -> tuple[str, ...]:
        no_ratio = phrase(
            "Places say which pan shows more gold, not how much more: no ratio, no margin, and never “as good as”."
        )
        return f"{no_ratio} {_surest(self)}", f"{_could_see(self)} {_takes(self)}"

    @property
    def working(self) -> str:
        return phrase(
            "Ranks within blocks; if no treatment does anything, every order of a block is equally likely. Surest outcome: "
            "one treatment first and the control last in every block, level 2 k / (t (t-1))^b with t pans to a block, "
            "k = t - 1 treatments against the control, b blocks. Chances of being shown: the rank-sum difference of one "
            "treatment and the control must be one that comes less than 5 % / k of the time, counted exactly; the other pans "
            "are taken as alike."
        )


def place_outlook(treatments: int, blocks: int, alpha: float = 0.05) -> PlaceOutlook:
    """Return what a plan of complete blocks judged by place could see.

    Parameters
    ----------
    treatments : int, 2 or more
        The control counted: pans side by side in a block.
    blocks : int, 1 or more

    >>> outlook = place_outlook(treatments=2, blocks=5)
    >>> outlook.fewest, outlook.smallest_p, outlook.always_first, outlook.seen
    (6, 0.0625, 6, None)
    """
    return PlaceOutlook(
        treatments=treatments,
        blocks=blocks,
        smallest_p=smallest_p(treatments, blocks),
        fewest=max(FEWEST_BLOCKS, fewest_blocks(treatments - 1, alpha)),
        always_first=blocks_for_places(treatments, 1.0, alpha=alpha),
        seen=least_winning_chance(treatments, blocks, alpha=alpha),
        worthwhile=blocks_for_places(treatments, WORTHWHILE, alpha=alpha),
    )


def smallest_p(treatments: int, blocks: int) -> float:
    """Return the smallest level `comparison.compare_ranks` can give: a treatment first and the control last in every block.

    `treatments` counts the control. Complete blocks, no pans alike. Exact: 2 k (1 / (t (t-1)))^b with k = t - 1.

    >>> smallest_p(2, 6), smallest_p(3, 2)
    (0.03125, 0.1111111111111111)
    """
    _check_plan(treatments, blocks)
    return smallest_level(blocks, treatments - 1)


def chance_shown(treatments: int, blocks: int, beats: float, alpha: float = 0.05) -> float:
    """Return the chance that a treatment which beats the control in a share `beats` of blocks is shown, all judged together.

    Parameters
    ----------
    treatments : int, 2 or more
        The control counted.
    blocks : int, 1 or more
        Complete blocks; under 3 the verdict shows nothing, and the chance is 0.
    beats : float, 0.5 to 1
        Chance that its pan shows more gold than the control's, or than any other one's: the others are alike.

    Notes
    -----
    Places follow the model of Plackett (1975, Appl. Stat. 24, 193-202, from memory): the next place goes to a pan with a chance
    in proportion to its weight, beats / (1 - beats) for the treatment and 1 for the others. The difference of its rank sum and
    the control's is convolved over the blocks and must be one that comes with less than alpha / k without any effect (exact
    null of one pair, Eisinga and others 2017, BMC Bioinformatics 18:68; Bonferroni over k = t - 1 treatments, which is a
    little careful beside the largest-of-all level of the verdict, and the same for one treatment). With two pans this is the
    sign test.

    >>> round(chance_shown(2, 8, 0.9), 3)  # 8 of 8 or 0 of 8: 0.9^8
    0.43
    """
    _check_plan(treatments, blocks)
    _check_beats(beats)
    check_level("alpha", alpha)
    for number, shown in enumerate(_chances(treatments, beats, alpha), 1):
        if number == blocks:
            return shown
    raise AssertionError("the chances go on for ever")


def least_winning_chance(
    treatments: int, blocks: int, power: float = POWER, alpha: float = 0.05
) -> float | None:
    """Return in what share of blocks a treatment must beat the control to be shown with this power; None: not even in all.

    Arguments as in `chance_shown`; found to 1/1000, rounded up.

    >>> least_winning_chance(2, 12)
    0.87
    """
    check_level("power", power)
    if chance_shown(treatments, blocks, 1.0, alpha) < power:
        return None
    low, high = 500, 1000
    while high - low > 1:
        middle = (low + high) // 2
        enough = chance_shown(treatments, blocks, middle / 1000, alpha) >= power
        low, high = (low, middle) if enough else (middle, high)
    return high / 1000


def blocks_for_places(treatments: int, beats: float, power: float = POWER, alpha: float = 0.05) -> int | None:
    """Return the fewest blocks that show, with this power, a treatment which beats the control in a share `beats` of blocks.

    Arguments as in `chance_shown`. None past MOST_BLOCKS. A block or two more can be a little worse: places come in steps.

    >>> blocks_for_places(2, 1.0), blocks_for_places(2, 0.75)
    (6, 30)
    """
    _check_plan(treatments, 1)
    _check_beats(beats)
    check_level("power", power)
    check_level("alpha", alpha)
    chances = zip(range(1, MOST_BLOCKS + 1), _chances(treatments, beats, alpha), strict=False)
    return next((number for number, shown in chances if shown >= power), None)


def by_chance(treatments: int, blocks: int) -> str:
    """Return what chance alone does to places, in a sentence.

    >>> by_chance(2, 1)
    'If no treatment does anything, each stands before the control in half of the blocks.'
    """
    _check_plan(treatments, blocks)
    half = phrase("If no treatment does anything, each stands before the control in half of the blocks")
    if blocks == 1:
        return f"{half}."
    return phrase(
        "{half}, and one of {treatments} first in all {blocks} in 1 trial of {trials}.",
        half=half,
        treatments=treatments,
        blocks=blocks,
        trials=numeral(treatments ** (blocks - 1), ","),
    )


def in_hundred(share: float) -> str:
    """Write how often, in blocks of a hundred, never flattering: rounded up.

    >>> in_hundred(0.931), in_hundred(1.0)
    ('94 of 100 blocks', 'every block')
    """
    number = int(np.ceil(100 * share - 1e-9))
    return phrase("every block") if number >= 100 else phrase("{number} of 100 blocks", number=number)


def in_hundred_or_more(share: float) -> str:
    """The same for the least there may be.

    >>> in_hundred_or_more(0.931), in_hundred_or_more(1.0)
    ('94 of 100 blocks or more', 'every block')
    """
    often = in_hundred(share)
    return often if share == 1 else phrase("{often} or more", often=often)


def takes_more_than_most() -> str:
    """Return what is said where no sensible number of blocks shows a treatment that wins 3 blocks in 4."""
    return phrase("One that beats it in 3 blocks of 4 takes more than {most} blocks.", most=MOST_BLOCKS)


def _chances(treatments: int, beats: float, alpha: float) -> Iterator[float]:
    """The chance of being shown with 1, 2, 3, ... blocks."""
    alike, real = _row_differences(treatments, 0.5), _row_differences(treatments, beats)
    null, found = np.ones(1), np.ones(1)
    blocks = 0
    while True:
        null, found = np.convolve(null, alike), np.convolve(found, real)
        blocks += 1
        reach = len(null) // 2
        # Chance of a difference of at least so much, either way; then the least one that is rare enough.
        tails = 2 * null[reach + 1 :][::-1].cumsum()[::-1]
        rare = np.flatnonzero(tails * (treatments - 1) < alpha - ROUNDING)
        if blocks < FEWEST_BLOCKS or not len(rare):
            yield 0.0
        else:
            yield float(min(1.0, found[reach + 1 + rare[0] :].sum()))


def _row_differences(treatments: int, beats: float) -> np.ndarray:
    """Chances of (place of the control - place of the treatment) in one block, from -(t-1) to t-1."""
    reach = treatments - 1
    chances = np.zeros(2 * reach + 1)
    weight = np.inf if beats == 1 else beats / (1 - beats)
    not_yet = 1.0
    for place in range(1, treatments + 1):
        others = treatments - place
        here = 1.0 if others == 0 or weight == np.inf else weight / (weight + others)
        for of_control in range(1, treatments + 1):
            if of_control != place:
                # The others are alike: the control is at any other place equally often.
                chances[of_control - place + reach] += not_yet * here / reach
        not_yet *= 1 - here
    return chances


def _surest(outlook: PlaceOutlook) -> str:
    if outlook.blocks < outlook.fewest:
        return phrase(
            "With {blocks} not even a treatment that comes first in every block, the control last, could be shown: that takes "
            "{least} at the least.",
            blocks=_blocks(outlook.blocks),
            least=_blocks(outlook.fewest),
        )
    once = 1 / outlook.smallest_p
    how = (
        phrase("once in {trials} trials", trials=numeral(once, ",.0f"))
        if once >= 1.5
        else phrase("in most trials")
    )
    return phrase(
        "The surest outcome, one treatment first and the control last in every one of {blocks}, comes by chance {how}.",
        blocks=_blocks(outlook.blocks),
        how=how,
    )


def _could_see(outlook: PlaceOutlook) -> str:
    if outlook.seen is None:
        if outlook.always_first:
            return phrase(
                "A treatment that comes first in every block is not yet shown 8 times in 10; {blocks} would.",
                blocks=_blocks(outlook.always_first),
            )
        return phrase(
            "A treatment that comes first in every block is not yet shown 8 times in 10; no sensible number of blocks does."
        )
    return phrase(
        "Shown 8 times in 10 is a treatment whose pan beats the control's in {often}.",
        often=in_hundred_or_more(outlook.seen),
    )


def _takes(outlook: PlaceOutlook) -> str:
    if outlook.worthwhile is None:
        return takes_more_than_most()
    return phrase("One that beats it in 3 blocks of 4 takes {blocks}.", blocks=_blocks(outlook.worthwhile))


def _blocks(number: int) -> str:
    return phrase_counted("{number} block", "{number} blocks", number)


def _check_plan(treatments: int, blocks: int) -> None:
    if treatments < 2 or blocks < 1:
        raise ValueError(
            f"{blocks} blocks of {treatments} treatments: at least 1 block, and 2 treatments with the control."
        )


def _check_beats(beats: float) -> None:
    if not 0.5 <= beats <= 1:
        raise ValueError(f"beats {beats}: the share of blocks won lies between 0.5 and 1.")
