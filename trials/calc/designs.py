"""Plans of trials: who is run when, under which blind code. Plain Python, so ordinary pages may use it."""

import math
import random
from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

from prospecting.calc.codes import draw_blind_codes


@dataclass(frozen=True)
class Place:
    """One line of the plan: the run, its block, its place in the block, its treatment and its blind code."""

    run_order: int
    block: int
    position: int
    treatment: Hashable
    blind_code: str


@dataclass(frozen=True)
class PlanSummary:
    """What can be said of a plan before its first run."""

    runs: int
    blocks: int
    treatments: tuple[Hashable, ...]
    # treatment -> how often it stands first, second, ... in a block
    position_counts: dict[Hashable, tuple[int, ...]]
    # of any treatment: its commonest place less its rarest
    largest_position_imbalance: int
    each_treatment_once_per_block: bool
    blocks_with_same_order_as_first: int
    blocks_with_control_first: int | None
    error_df: int


@dataclass(frozen=True)
class DesignSize:
    """Runs and degrees of freedom of a plan in blocks."""

    runs: int
    df_treatments: int
    df_blocks: int
    df_error: int
    # log10 of the number of orders the plan is drawn from
    arrangements_log10: float


@dataclass(frozen=True)
class SquareCheck:
    """Whether a square is Latin, and whether every treatment follows every other equally often."""

    is_latin_square: bool
    follow_on_counts_min: int
    follow_on_counts_max: int
    balanced_for_follow_on: bool


@dataclass(frozen=True)
class GuessCheck:
    """How far a panner's guesses go beyond luck."""

    chance_of_this_many_or_more: float
    expected_by_chance: float
    chance_of_all: float


def randomised_blocks(treatments: Sequence[Hashable], blocks: int, seed: int) -> list[Place]:
    """Return a plan in which each treatment is run once in every block, each block in an order of its own.

    Parameters
    ----------
    treatments : sequence of str or int, 2 or more
        Names or ids, each once. A name given twice raises ValueError.
    blocks : int, 1 or more
    seed : int
        The same seed gives the same plan, but keep the plan as a list: a later Python may draw differently.

    Returns
    -------
    list of Place, in run order. Blind codes are unique in the whole trial and say nothing of order or treatment.

    Notes
    -----
    Randomised complete blocks; each block is shuffled anew. A plan that happens to put the control first in every block
    is lawful and is not drawn again.

    >>> [place.treatment for place in randomised_blocks(["water", "rinse"], 2, seed=7)].count("rinse")
    2
    """
    _check_treatments(treatments)
    if blocks < 1:
        raise ValueError(f"{blocks} blocks: a plan needs at least 1 block.")
    dice = random.Random(f"randomised blocks {seed}")
    rows = []
    for block in range(1, blocks + 1):
        order = list(treatments)
        dice.shuffle(order)
        rows += [(block, position, treatment) for position, treatment in enumerate(order, start=1)]
    return _with_codes(rows, seed)


def completely_randomised(treatments: Sequence[Hashable], replicates: int, seed: int) -> list[Place]:
    """Return a plan of one block in which each treatment is run `replicates` times, all runs in one random order.

    Use it only where nothing changes from the first run to the last; blocks guard against tiredness and dirty water.

    >>> len(completely_randomised(["water", "rinse"], 3, seed=7))
    6
    """
    _check_treatments(treatments)
    if replicates < 1:
        raise ValueError(f"{replicates} runs of each: a plan needs at least 1 run of each treatment.")
    dice = random.Random(f"completely randomised {seed}")
    order = [treatment for treatment in treatments for _ in range(replicates)]
    dice.shuffle(order)
    return _with_codes([(1, position, treatment) for position, treatment in enumerate(order, start=1)], seed)


def draw_portions(portion_ids: Sequence[Hashable], places: Sequence[Place], seed: int) -> dict[int, Hashable]:
    """Return run order -> portion, the portions drawn by lot; portions left over are a random choice too.

    Raises ValueError when there are fewer portions than runs, or a portion is named twice.

    >>> plan = randomised_blocks(["water", "rinse"], 1, seed=7)
    >>> sorted(draw_portions(["a", "b"], plan, seed=7).values())
    ['a', 'b']
    """
    if len(set(portion_ids)) < len(portion_ids):
        raise ValueError("A portion is named twice: each portion serves one run.")
    if len(portion_ids) < len(places):
        raise ValueError(f"{len(portion_ids)} portions for {len(places)} runs: each run needs a portion.")
    drawn = random.Random(f"portions {seed}").sample(list(portion_ids), len(places))
    return {place.run_order: portion for place, portion in zip(places, drawn, strict=True)}


def error_df(treatments: int, blocks: int, replicates_per_block: int = 1) -> int:
    """Return the degrees of freedom left for the error of a plan in complete blocks.

    (t - 1)(b - 1) with one run of each treatment per block; runs - t - b + 1 in general (additive model).

    >>> error_df(3, 5)
    8
    """
    return treatments * blocks * replicates_per_block - treatments - blocks + 1


def design_size(treatments: int, blocks: int, replicates_per_block: int = 1) -> DesignSize:
    """Return runs, degrees of freedom and the number of lawful orders: (tr)!/(r!)^t in each block.

    >>> design_size(3, 5).df_error
    8
    """
    per_block = treatments * replicates_per_block
    one_block = math.lgamma(per_block + 1) - treatments * math.lgamma(replicates_per_block + 1)
    return DesignSize(
        runs=per_block * blocks,
        df_treatments=treatments - 1,
        df_blocks=blocks - 1,
        df_error=error_df(treatments, blocks, replicates_per_block),
        arrangements_log10=blocks * one_block / math.log(10),
    )


def plan_summary(places: Sequence[Place], control: Hashable | None = None) -> PlanSummary:
    """Return how often each treatment stands at each place of a block, and the other checks of a plan.

    >>> plan_summary(randomised_blocks(["water", "rinse", "soap"], 4, seed=7), control="water").error_df
    6
    """
    rows: dict[int, list[Place]] = {}
    for place in places:
        rows.setdefault(place.block, []).append(place)
    orders = [
        [place.treatment for place in sorted(rows[block], key=lambda place: place.position)]
        for block in sorted(rows)
    ]
    treatments = list(dict.fromkeys(treatment for order in orders for treatment in order))
    return check_orders(orders, treatments, control)


def check_orders(
    orders: Sequence[Sequence[Hashable]], treatments: Sequence[Hashable], control: Hashable | None = None
) -> PlanSummary:
    """Return the checks of a plan given as one list of treatments in run order for each block.

    Parameters
    ----------
    orders : one sequence per block
    treatments : every treatment that each block should hold once
    control : a treatment, or None to leave the count of blocks that start with it out
    """
    longest = max((len(order) for order in orders), default=0)
    counts = {
        treatment: tuple(
            sum(place < len(order) and order[place] == treatment for order in orders)
            for place in range(longest)
        )
        for treatment in treatments
    }
    runs = sum(len(order) for order in orders)
    return PlanSummary(
        runs=runs,
        blocks=len(orders),
        treatments=tuple(treatments),
        position_counts=counts,
        largest_position_imbalance=max((max(row) - min(row) for row in counts.values() if row), default=0),
        each_treatment_once_per_block=all(Counter(order) == Counter(treatments) for order in orders),
        blocks_with_same_order_as_first=sum(list(order) == list(orders[0]) for order in orders[1:]),
        blocks_with_control_first=None
        if control is None
        else sum(bool(order) and order[0] == control for order in orders),
        error_df=max(0, runs - len(treatments) - len(orders) + 1),
    )


def check_square(square: Sequence[Sequence[Hashable]]) -> SquareCheck:
    """Return whether rows and columns each hold every treatment once, and how often each follows each other one.

    >>> check_square([["A", "B"], ["B", "A"]]).balanced_for_follow_on
    True
    """
    treatments = set(square[0])
    size = len(treatments)
    lines = [*square, *zip(*square, strict=True)]
    latin = len(square) == size and all(len(line) == size and set(line) == treatments for line in lines)
    follows = Counter(pair for row in square for pair in zip(row, row[1:], strict=False))
    counts = [follows[(a, b)] for a in treatments for b in treatments if a != b]
    return SquareCheck(
        is_latin_square=latin,
        follow_on_counts_min=min(counts, default=0),
        follow_on_counts_max=max(counts, default=0),
        balanced_for_follow_on=latin and min(counts, default=0) == max(counts, default=0),
    )


def guess_check(guesses: int, right: int, choices: int) -> GuessCheck:
    """Return the chance that a panner guessing blindly among `choices` is right this often or more (binomial tail).

    >>> round(guess_check(guesses=12, right=9, choices=2).chance_of_this_many_or_more, 3)
    0.073
    """
    if choices < 2 or not 0 <= right <= guesses:
        raise ValueError(
            f"{right} right of {guesses} guesses among {choices}: needs 2 choices and no more right than guesses."
        )
    luck = 1 / choices
    tail = sum(
        math.comb(guesses, hits) * luck**hits * (1 - luck) ** (guesses - hits)
        for hits in range(right, guesses + 1)
    )
    return GuessCheck(min(1.0, tail), guesses * luck, luck**guesses)


def matching_check(pans: int, right: int) -> GuessCheck:
    """Return the chance of naming `right` or more of a row of pans by luck, each treatment named once.

    The matching problem: comb(n, k) D(n - k) of the n! namings hit exactly k, D being the number of namings without a hit.

    >>> matching_check(pans=4, right=4).chance_of_all == 1 / 24
    True
    """
    if pans < 1 or not 0 <= right <= pans:
        raise ValueError(f"{right} right of {pans} pans: needs at least 1 pan and no more right than pans.")
    no_hit = [1, 0]
    for size in range(2, pans + 1):
        no_hit.append((size - 1) * (no_hit[size - 1] + no_hit[size - 2]))
    ways = sum(math.comb(pans, hits) * no_hit[pans - hits] for hits in range(right, pans + 1))
    return GuessCheck(ways / math.factorial(pans), 1.0, 1 / math.factorial(pans))


def _check_treatments(treatments: Sequence[Hashable]) -> None:
    if len(treatments) < 2:
        raise ValueError(
            f"{len(treatments)} treatments: a trial compares at least 2, one of them the control."
        )
    twice = [name for name, count in Counter(treatments).items() if count > 1]
    if twice:
        raise ValueError(f"{twice[0]} is named twice: each treatment stands once in the list.")


def _with_codes(rows: Sequence[tuple[int, int, Hashable]], seed: int) -> list[Place]:
    codes = draw_blind_codes(random.Random(f"blind codes {seed}"), len(rows))
    return [
        Place(run_order, block, position, treatment, code)
        for run_order, ((block, position, treatment), code) in enumerate(
            zip(rows, codes, strict=True), start=1
        )
    ]
