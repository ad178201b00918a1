"""Whether judges who placed the same pans see the same order."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.number_words import numeral
from trials.calc.ranks import ROUNDING, SHUFFLE_SEED, SHUFFLES, kendall_w, places

LEVEL = 0.05


@dataclass(frozen=True)
class Agreement:
    """Kendall's W averaged over the blocks that several judges placed; `by_chance` is what judges who toss a coin average.

    `p` is the chance of an agreement at least so close if every judge put the pans in any order.
    """

    blocks: int
    kendall_w: float
    by_chance: float
    p: float

    @property
    def is_shown(self) -> bool:
        return self.p < LEVEL

    @property
    def sentence(self) -> str:
        scale = phrase(
            "Kendall's W is {found}, where 1 is one order and judges who guess reach {by_chance} on average",
            found=numeral(self.kendall_w, ".2f"),
            by_chance=numeral(self.by_chance, ".2f"),
        )
        often = _in_hundred(self.p)
        if self.is_shown:
            return phrase(
                "The judges agree more than chance would have it: {scale}; guessing judges agree so closely in "
                "{often}.",
                scale=scale,
                often=often,
            )
        return phrase(
            "It is not shown that the judges see the same order: {scale}, and guessing judges agree so "
            "closely in {often}. Where judges differ, their mean places hide it; look at the photos, or "
            "judge in better light.",
            scale=scale,
            often=often,
        )


def agreement(blocks: Sequence[Sequence[Sequence[float]]]) -> Agreement | None:
    """Return how far judges agree on the order within blocks; None where no block has two judges who set pans apart.

    Parameters
    ----------
    blocks : sequence over blocks; each a sequence over judges; each the places of that block's pans, in one order of pans
        Two pans or more. Blocks with one judge, or all alike to every judge, tell nothing and are left out.

    Notes
    -----
    W of each block (Kendall and Babington Smith 1939, Ann. Math. Stat. 10, 275-287, from memory; corrected for ties) and its
    mean over blocks; its level from 40,000 shuffles of each judge's places within the block, fixed seed. W of m guessing
    judges averages 1 / m, ties or not: the squares of m independent deviations add up to m times one judge's, of m squared at
    the most.

    >>> found = agreement([[[1, 2, 3, 4], [1, 2, 3, 4]], [[1, 2, 3, 4], [1, 2, 4, 3]]])
    >>> found.kendall_w, found.by_chance, found.is_shown
    (0.95, 0.5, True)
    """
    seen, chance, shuffled = [], [], np.zeros(SHUFFLES)
    dice = np.random.Generator(np.random.PCG64(SHUFFLE_SEED))
    for rows in blocks:
        if len(rows) < 2 or all(len(set(row)) == 1 for row in rows):
            continue
        seen.append(kendall_w(rows).kendall_w)
        ranks = places(rows)
        away = ranks - ranks.mean(axis=1, keepdims=True)
        most = len(rows) * float((away**2).sum())
        sums = sum(dice.permuted(np.broadcast_to(row, (SHUFFLES, len(row))), axis=1) for row in away)
        shuffled += (sums**2).sum(axis=1) / most
        chance.append(1 / len(rows))
    if not seen:
        return None
    as_close = int((shuffled >= sum(seen) - ROUNDING).sum())
    return Agreement(
        len(seen), sum(seen) / len(seen), sum(chance) / len(chance), (1 + as_close) / (1 + SHUFFLES)
    )


def _in_hundred(p: float) -> str:
    if p < 0.01:
        return phrase("fewer than 1 case in 100")
    return phrase_counted("{number} cases in 100", "{number} cases in 100", round(100 * p))
