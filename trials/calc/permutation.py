"""Rank sums within blocks, each treatment against the control: what shuffling the labels within blocks would give."""

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np

# Shuffles when the exact count is too long; the chance itself is then known to about 0.001 near 0.05.
SHUFFLES = 40_000
EXACT_WORK = 40_000_000
SHUFFLE_SEED = 20_260_101


@dataclass(frozen=True)
class RankSums:
    """Rank-sum differences from the control, and the level of each judged by the largest of all."""

    difference: dict[Hashable, float]
    p_adjusted: dict[Hashable, float]
    exact: bool


def rank_sums(
    values: Sequence[float], treatments: Sequence[Hashable], blocks: Sequence[Hashable], control: Hashable
) -> RankSums:
    """Return how far each treatment's places within the blocks lie above the control's, and how often chance does that.

    Parameters
    ----------
    values, treatments, blocks : sequences, shape (n,)
        One per run. Below-scale runs are -inf: they tie for the lowest place.
    control : hashable

    Notes
    -----
    Within each block the runs are ranked (ties share the mean rank); a difference is the sum over blocks of the
    treatment's mean rank minus the control's, in units of its standard deviation under shuffling, S sqrt(1/n_i + 1/n_0)
    in each block. If no treatment does anything, all orders within a block are equally likely: the level of a treatment is
    the chance that the largest of all the differences is as large as its own. Counted exactly where the number of
    orders allows, otherwise from shuffles with a fixed seed. The adjustment is exact when no treatment does anything.
    """
    names = [name for name in dict.fromkeys(treatments) if name != control]
    rows = _ranked_rows(values, treatments, blocks)
    weights = [_weights(row_names, names, control) for row_names, _ in rows]
    seen = sum(w @ ranks for w, (_, ranks) in zip(weights, rows, strict=True))
    variance = sum(
        (w**2).sum(axis=1) * (ranks.var(ddof=1) if len(ranks) > 1 else 0.0)
        for w, (_, ranks) in zip(weights, rows, strict=True)
    )
    if not (variance > 0).any():
        nothing = dict.fromkeys(names, 0.0)
        return RankSums(nothing, dict.fromkeys(names, 1.0), True)
    scale = np.sqrt(np.where(variance > 0, variance, np.inf))
    size = np.abs(seen) / scale
    even = bool((variance > 0).all()) and np.ptp(scale) < 1e-12
    exact = _exact_tail(rows, names, np.abs(seen), control) if even else None
    p = _shuffled_tail(rows, weights, scale, size) if exact is None else exact
    p = np.where(variance > 0, p, 1.0)
    return RankSums(
        dict(zip(names, map(float, seen), strict=True)),
        dict(zip(names, map(float, p), strict=True)),
        exact is not None,
    )


def smallest_level(blocks: int, compared: int) -> float:
    """Return the level of a treatment that comes first, the control last, in every complete block: nothing can be surer.

    2k (1 / (t (t-1)))^b with k treatments besides the control, t = k + 1.

    >>> smallest_level(5, 1)
    0.0625
    """
    t = compared + 1
    return min(1.0, 2 * compared * (t * (t - 1.0)) ** -blocks)


def fewest_blocks(compared: int, alpha: float = 0.05) -> int:
    """Return the fewest complete blocks in which a clean sweep could be shown at all.

    >>> fewest_blocks(1), fewest_blocks(3)
    (6, 2)
    """
    blocks = 1
    while smallest_level(blocks, compared) > alpha:
        blocks += 1
    return blocks


def fewest_in_one_order(compared: int, alpha: float = 0.05) -> int:
    """Return the fewest runs of each treatment, all in one order without blocks, in which a clean sweep could be shown at all.

    A treatment takes the first n places and the control the last ones by chance in n! n! ((t-2)n)! of the (tn)! orders, either
    way round and for each of the k compared.

    >>> fewest_in_one_order(1), fewest_in_one_order(3)
    (4, 2)
    """
    t, runs = compared + 1, 1
    while 2 * compared / math.comb(t * runs, runs) / math.comb((t - 1) * runs, runs) > alpha:
        runs += 1
    return runs


def _ranked_rows(values, treatments, blocks) -> list[tuple[list[Hashable], np.ndarray]]:
    rows: dict[Hashable, list[tuple[Hashable, float]]] = {}
    for value, treatment, block in zip(values, treatments, blocks, strict=True):
        rows.setdefault(block, []).append((treatment, float(value)))
    found = []
    for row in rows.values():
        masses = np.array([value for _, value in row])
        below = (masses[None, :] < masses[:, None]).sum(axis=1)
        up_to = (masses[None, :] <= masses[:, None]).sum(axis=1)
        found.append(([name for name, _ in row], (below + up_to + 1) / 2))
    return found


def _weights(row_names: list[Hashable], names: list[Hashable], control: Hashable) -> np.ndarray:
    """Rows: treatments; columns: runs of the block; all 0 where the treatment or the control is not in the block."""
    weights = np.zeros((len(names), len(row_names)))
    controls = np.array([name == control for name in row_names])
    for i, name in enumerate(names):
        runs = np.array([entry == name for entry in row_names])
        if runs.any() and controls.any():
            weights[i] = runs / runs.sum() - controls / controls.sum()
    return weights


def _exact_tail(rows, names, distances, control) -> np.ndarray | None:
    """Tail chances by adding block after block, or None where runs are missing or the count is too long."""
    t = len(names) + 1
    if any(len(ranks) != t or len(set(row_names)) != t for row_names, ranks in rows):
        return None
    # Ties give half ranks; twice the ranks are whole.
    step = 2 if any((ranks % 1).any() for _, ranks in rows) else 1
    reach = sum(int(step * np.ptp(ranks)) for _, ranks in rows)
    side = 2 * reach + 1
    if (
        len(names) * math.log(side) > math.log(EXACT_WORK)
        or math.factorial(t) * side ** len(names) * len(rows) > EXACT_WORK
    ):
        return None
    chances = np.zeros((side,) * len(names))
    chances[(reach,) * len(names)] = 1.0
    for _, ranks in rows:
        whole = [int(step * rank) for rank in ranks]
        orders = [tuple(place - order[0] for place in order[1:]) for order in permutations(whole)]
        moved = np.zeros_like(chances)
        for shift in set(orders):
            # Rolling is safe: nothing lies near the edge until the last block is in.
            moved += (
                orders.count(shift) / len(orders) * np.roll(chances, shift, axis=tuple(range(len(names))))
            )
        chances = moved
    farthest = np.abs(np.indices(chances.shape) - reach).max(axis=0)
    by_distance = np.bincount(farthest.ravel(), weights=chances.ravel(), minlength=reach + 1)
    tails = by_distance[::-1].cumsum()[::-1]
    return np.minimum(1.0, tails[[int(round(step * distance)) for distance in distances]])


def _shuffled_tail(rows, weights, scale, size) -> np.ndarray:
    dice = np.random.Generator(np.random.PCG64(SHUFFLE_SEED))
    sums = np.zeros((SHUFFLES, len(scale)))
    for (_, ranks), weight in zip(rows, weights, strict=True):
        sums += dice.permuted(np.broadcast_to(ranks, (SHUFFLES, len(ranks))), axis=1) @ weight.T
    largest = np.abs(sums / scale).max(axis=1)
    # The order that happened counts as one of the shuffles, so no level is ever 0.
    return (1 + (largest[:, None] >= size - 1e-9).sum(axis=0)) / (1 + SHUFFLES)
