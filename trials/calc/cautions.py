"""What may have bent a trial: drift with the order, learning, one run or block apart, things that go with a treatment."""

import math
from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy.special import fdtrc

from trials.calc.counts import CountFit, fit_counts, fit_masses
from trials.calc.simultaneous import t_quantile, t_two_sided

# Each of these looks is taken at 1 in 100: a trial has up to eight of them, so one without any fault shows one in less than
# 1 trial of 10 (tests/trials/calc/test_cautions.py counts them). At 5 % each it would be 1 trial of 3.
LEVEL = 0.01
# A line through fewer blocks than this says nothing, and leaving one out of fewer leaves two.
FEWEST_BLOCKS = 4
# A block with more than this share of all the gold is most of what the ratios rest on.
MOST_OF_THE_GOLD = 0.6
# Times and temperatures whose means differ by less than this are near enough alike (common practice, no source).
ALIKE = 0.1
# Shares of a sum of squares, and of a run's own say in it, under which nothing is left.
NOTHING, NO_ROOM = 1e-9, 1e-6
# A ratio that moves by less than this (of ln) has not moved.
HARDLY = 0.02
SHUFFLES = 999
SHUFFLE_SEED = 20_260_102


@dataclass(frozen=True)
class Trend:
    """How many times what comes last is what comes first, with a 95 % interval; `p` is its level were there no trend."""

    factor: float
    lower: float
    upper: float
    p: float

    def stands_out(self, looks: int = 1) -> bool:
        """Whether chance seldom does it, also where it was one of so many looks."""
        return self.p < LEVEL / looks


@dataclass(frozen=True)
class Drift(Trend):
    """A trend over the places of the order. `moves` gives for each treatment by which factor its ratio to the control
    changes when the trend is taken out.
    """

    moves: dict[Hashable, float]

    def moved(self, ratios: Mapping[Hashable, float]) -> list[tuple[Hashable, float, float]]:
        """(treatment, its ratio, the ratio with the trend taken out), those that move farthest first; not what hardly moves."""
        far = {name: abs(math.log(self.moves[name])) for name in ratios if name in self.moves}
        order = sorted((name for name in far if far[name] > HARDLY), key=far.__getitem__, reverse=True)
        return [(name, ratios[name], ratios[name] * self.moves[name]) for name in order]


@dataclass(frozen=True)
class Apart:
    """A run (its index) or a block that carries much of the result; `share` of all the gold where that is why."""

    run: int | None = None
    block: Hashable | None = None
    share: float | None = None


@dataclass(frozen=True)
class Runs:
    """The runs that count, one entry of each column a run: mg above 0, or colours (`counted`), 0 or more."""

    values: Sequence[float]
    treatments: Sequence[Hashable]
    blocks: Sequence[Hashable]
    counted: bool = False
    # Runs of -inf came out below it, and count as half of it.
    scale_step_mg: float | None = None

    @cached_property
    def amounts(self) -> list[float]:
        half_step = (self.scale_step_mg or 0.0) / 2
        return [half_step if value == -math.inf else value for value in self.values]

    @cached_property
    def kept(self) -> list[int]:
        """The runs whose treatment and block gave anything: what gave nothing has no logarithm."""
        total: dict[tuple, float] = {}
        for value, name, block in zip(self.amounts, self.treatments, self.blocks, strict=True):
            for key in (("treatment", name), ("block", block)):
                total[key] = total.get(key, 0.0) + value
        return [
            index
            for index, (name, block) in enumerate(zip(self.treatments, self.blocks, strict=True))
            if total["treatment", name] > 0 and total["block", block] > 0
        ]

    def of_kept(self, column: Sequence) -> list:
        return [column[index] for index in self.kept]

    @cached_property
    def fitted(self) -> CountFit | None:
        """ln(expected) = treatment + block, variance = dispersion x mean, as in `comparison.compare_masses`."""
        columns = map(self.of_kept, (self.amounts, self.treatments, self.blocks))
        try:
            return (fit_counts if self.counted else fit_masses)(*columns)
        except ValueError:
            # No run is left over to show the spread, or too many gave nothing.
            return None

    def block_levels(self) -> dict[Hashable, float]:
        """ln of the expected value of each block, averaged over the treatments; only what the runs can tell."""
        plan = self.fitted.fit
        row = np.zeros(plan.design.shape[1])
        row[: len(plan.treatments)] = 1 / len(plan.treatments)
        levels = {}
        for number, block in enumerate(plan.levels[1], start=len(plan.treatments)):
            mean = row.copy()
            mean[number] = 1
            if plan.estimable(mean):
                levels[block] = plan.value_of(mean)
        return levels


def drift(runs: Runs, places: Sequence[float], control: Hashable) -> Drift | None:
    """Return how the result changed from the first place of the order to the last, treatments and blocks taken out.

    Parameters
    ----------
    runs : Runs
    places : sequence of float, shape (n,)
        Of each run within its block, or in the whole trial where all runs are in one order.
    control : hashable

    Returns
    -------
    Drift or None
        None where the runs leave nothing to tell it by.

    Notes
    -----
    A slope x place beside treatment and block, one step from slope 0: the slope is that of the residuals on the places
    cleared of treatments and blocks (the theorem of Frisch, Waugh and Lovell, from memory), and a ratio moves by the slope
    times how much later its treatment stood.

    >>> runs = Runs([8.0, 6.1, 8.2, 5.9, 8.1, 6.0], ["a", "b", "b", "a", "a", "b"], [1, 1, 2, 2, 3, 3])
    >>> round(drift(runs, [1, 2] * 3, "a").factor, 2)
    0.74
    """
    fitted = runs.fitted
    if fitted is None or fitted.df < 2:
        return None
    at, expected = np.array(runs.of_kept(places), dtype=float), fitted.expected
    cleared = fitted.fit.with_values(at, expected)
    later = cleared.values - cleared.design @ cleared.coefficients
    weight = float(expected @ later**2)
    if weight <= NOTHING * float(expected.sum()):
        return None
    residual = (np.array(runs.of_kept(runs.amounts)) - expected) / expected
    slope = float(expected * later @ residual) / weight
    left = max(0.0, fitted.pearson_chi2 - slope**2 * weight)
    found = _trend(slope, math.sqrt(left / (fitted.df - 1) / weight), fitted.df - 1, float(np.ptp(at)))
    names = [name for name in cleared.treatments if name != control] if control in cleared.treatments else []
    later_by = {name: cleared.value_of(cleared.difference(name, control)) for name in names}
    return Drift(**vars(found), moves={name: math.exp(-slope * later_by[name]) for name in names})


def trend_over_blocks(runs: Runs) -> Trend | None:
    """Return how many times the first block's gold (or whatever the runs hold) the last block gives, treatments taken out.

    Blocks are given by their numbers.

    Notes
    -----
    A straight line through ln(level of each block), a block one point: days and water differ from block to block, so the
    runs of a block are no separate witnesses. None under `FEWEST_BLOCKS` blocks.

    >>> runs = Runs([4.0, 4.2, 5.1, 5.0, 6.3, 6.0, 7.9, 8.0], ["a", "b"] * 4, [1, 1, 2, 2, 3, 3, 4, 4])
    >>> round(trend_over_blocks(runs).factor, 2)
    1.93
    """
    levels = runs.block_levels() if runs.fitted else {}
    if len(levels) < FEWEST_BLOCKS:
        return None
    x, y = np.array(list(levels), dtype=float), np.array(list(levels.values()))
    x_off, y_off = x - x.mean(), y - y.mean()
    weight, df = float(x_off @ x_off), len(x) - 2
    slope = float(x_off @ y_off) / weight
    left = max(0.0, float(y_off @ y_off) - slope**2 * weight)
    return _trend(slope, math.sqrt(left / df / weight), df, float(np.ptp(x)))


def apart(runs: Runs) -> Apart | None:
    """Return the run, or else the block, that lies so far from the others that it may carry the result; None without one.

    Notes
    -----
    A run: the largest residual studentised without it, times the number of runs (Bonferroni); in a block of two runs nobody
    can say which of them it is. A block: the sum of squares that goes when it is left out, F with what is left, times the
    number of blocks; or more than `MOST_OF_THE_GOLD` of all there is. Residuals are of the log-linear fit, on the scale on
    which Poisson counts are nearest to normal (Anscombe 1953, as given in McCullagh and Nelder 1989, chapter 2; from
    memory): a coarse grain alone makes nothing stand apart.

    >>> gold = [5.0, 5.4, 4.6, 5.1, 5.2, 4.8, 4.9, 5.3, 5.1, 4.7, 5.0, 19.0]
    >>> apart(Runs(gold, ["a", "b", "c"] * 4, [number // 3 for number in range(12)])).run
    11
    """
    fitted = runs.fitted
    if fitted is None or fitted.df < 2:
        return None
    seen, expected = np.array(runs.of_kept(runs.amounts)), fitted.expected
    residual = 1.5 * (np.cbrt(seen**2) - np.cbrt(expected**2)) / expected ** (1 / 6)
    rows = fitted.fit.design * np.sqrt(expected)[:, None]
    free = np.eye(len(rows)) - rows @ fitted.fit.inverse @ rows.T
    residual = free @ residual
    whole = float(residual @ residual)
    if whole <= NOTHING**2 * float(expected.sum()):
        return None
    of_block = np.array(runs.of_kept(runs.blocks))
    blocks, sizes = np.unique(of_block, return_counts=True)
    size_of = dict(zip(blocks.tolist(), sizes.tolist(), strict=True))
    room = np.where([size_of[block] > 2 for block in of_block.tolist()], np.diag(free), 0.0)
    gone = np.where(room > NO_ROOM, residual**2 / np.maximum(room, NO_ROOM), 0.0)
    run = int(np.argmax(gone))
    left = max(whole - float(gone[run]), NOTHING * whole)
    t = math.sqrt(float(gone[run]) / (left / (fitted.df - 1)))
    if t_two_sided(t, fitted.df - 1) * len(rows) < LEVEL:
        return Apart(run=runs.kept[run])
    if len(blocks) < FEWEST_BLOCKS:
        return None
    for block in blocks.tolist():
        share = float(seen[of_block == block].sum() / seen.sum())
        if share > MOST_OF_THE_GOLD:
            return Apart(block=block, share=share)
    levels = [_level_without(residual, free, of_block == block, whole, fitted.df) for block in blocks]
    lowest = int(np.argmin(levels))
    return Apart(block=blocks.tolist()[lowest]) if levels[lowest] * len(blocks) < LEVEL else None


def goes_with(
    seen: Sequence[float | str | None],
    treatments: Sequence[Hashable],
    blocks: Sequence[Hashable],
) -> float:
    """Return how often chance alone lets something differ by treatment as much as here: 0 where it tells them wholly apart.

    Parameters
    ----------
    seen : sequence of float or str or None, shape (n,)
        A measure (minutes, degrees) or a name (light, water, panner) of each run; None where it is not on record.
    treatments, blocks : sequences, shape (n,)

    Notes
    -----
    Treatments were drawn by lot within blocks, so shuffling what was seen within its block gives the chances exactly (up to
    `SHUFFLES` shuffles, fixed seed). The measure is the sum of squares between treatments, of a name over its kinds.
    1 where nothing differs, or under two treatments with two runs each. Each treatment with one value of its own (three runs
    or more) counts as 0 whatever chance does: nobody could tell the two apart.

    >>> goes_with([5, 10] * 4, ["water", "rinse"] * 4, [1, 1, 2, 2, 3, 3, 4, 4])
    0.0
    >>> goes_with([5, 10, 10, 5] * 2, ["water", "rinse"] * 4, [1, 1, 2, 2, 3, 3, 4, 4])
    1.0
    """
    rows = [row for row in zip(seen, treatments, blocks, strict=True) if row[0] is not None]
    names = list(dict.fromkeys(name for _, name, _ in rows))
    kinds = list(dict.fromkeys(value for value, _, _ in rows))
    if len(names) < 2 or len(kinds) < 2:
        return 1.0
    of = {name: [value for value, own, _ in rows if own == name] for name in names}
    if sum(len(values) >= 2 for values in of.values()) < 2:
        return 1.0
    if _wholly_apart(of):
        return 0.0
    if isinstance(kinds[0], str):
        columns = np.array([[float(value == kind) for kind in kinds] for value, _, _ in rows])
    else:
        columns = np.array([[float(value)] for value, _, _ in rows])
    shuffled = columns[_orders(tuple(block for _, _, block in rows))]
    member = np.array([[float(own == name) for _, own, _ in rows] for name in names])
    # Sum over treatments of (total squared / runs), for each order; the first order is the one that happened.
    totals = np.einsum("tn,snc->stc", member, shuffled - columns.mean(axis=0))
    between = (totals**2).sum(axis=2) @ (1 / member.sum(axis=1))
    return float((between >= between[0] * (1 - 1e-9)).mean())


def differs_enough(means: Sequence[float]) -> bool:
    """Return whether means of a measure are far enough apart to matter: more than a tenth of the largest.

    >>> differs_enough([10.0, 10.4]), differs_enough([8.0, 13.0])
    (False, True)
    """
    return max(means) - min(means) > ALIKE * max(abs(mean) for mean in means)


def farthest_means(
    values: Sequence[float], treatments: Sequence[Hashable]
) -> tuple[tuple[Hashable, float], tuple[Hashable, float]]:
    """Return (treatment, mean) of the treatment with the least of a measure and of that with the most.

    >>> farthest_means([5, 14, 5, 16], ["water", "rinse", "water", "rinse"])
    (('water', 5.0), ('rinse', 15.0))
    """
    of: dict[Hashable, list[float]] = {}
    for value, name in zip(values, treatments, strict=True):
        of.setdefault(name, []).append(value)
    means = {name: math.fsum(own) / len(own) for name, own in of.items()}
    least, most = min(means, key=means.__getitem__), max(means, key=means.__getitem__)
    return (least, means[least]), (most, means[most])


def farthest_kind(
    kinds: Sequence[str], treatments: Sequence[Hashable]
) -> tuple[str, list[tuple[Hashable, int, int]]]:
    """Return the kind that tells two treatments farthest apart, and (treatment, runs of that kind, runs) of these two.

    >>> farthest_kind(["sun", "sun", "shade", "sun"], ["water", "water", "rinse", "rinse"])
    ('shade', [('rinse', 1, 2), ('water', 0, 2)])
    """
    runs, of_kind = Counter(treatments), Counter(zip(kinds, treatments, strict=True))

    def share(kind: str, name: Hashable) -> float:
        return of_kind[kind, name] / runs[name]

    found = []
    for kind in sorted(set(kinds)):
        most, least = (
            max(runs, key=lambda name: share(kind, name)),
            min(runs, key=lambda name: share(kind, name)),
        )
        found.append((share(kind, most) - share(kind, least), kind, most, least))
    _, kind, most, least = max(found, key=lambda each: each[0])
    return kind, [(name, of_kind[kind, name], runs[name]) for name in (most, least)]


def beyond_margin(ratio: float | None, other: float | None, margin: float) -> bool:
    """Return whether two ratios of one treatment lie farther apart than the margin, a ratio itself; not where one is unknown.

    >>> beyond_margin(1.5, 1.1, 1.25), beyond_margin(1.1, 1.3, 1.25), beyond_margin(None, 1.3, 1.25)
    (True, False, False)
    """
    return bool(ratio and other) and abs(math.log(ratio / other)) > math.log(margin)


def _wholly_apart(of: dict[Hashable, list]) -> bool:
    """Whether every treatment has one value in all its runs, three or more, and not all the same."""
    alone = [values[0] for values in of.values() if len(values) >= 3 and len(set(values)) == 1]
    return len(alone) == len(of) and len(set(alone)) > 1


@lru_cache(maxsize=8)
def _orders(blocks: tuple[Hashable, ...]) -> np.ndarray:
    """Indices of the runs, shuffled within their blocks, one row an order; the first row is the order as it was."""
    dice = np.random.Generator(np.random.PCG64(SHUFFLE_SEED))
    orders = np.tile(np.arange(len(blocks)), (SHUFFLES + 1, 1))
    for block in dict.fromkeys(blocks):
        at = [index for index, own in enumerate(blocks) if own == block]
        orders[1:, at] = dice.permuted(orders[1:, at], axis=1)
    return orders


def _trend(slope: float, se: float, df: int, span: float) -> Trend:
    reach = t_quantile(0.975, df) * se
    limits = (_exp(each * span) for each in (slope, slope - reach, slope + reach))
    if slope == 0 or span == 0:
        return Trend(*limits, p=1.0)
    return Trend(*limits, p=t_two_sided(slope / se, df) if se > NOTHING * abs(slope) else 0.0)


def _level_without(residual, free, inside, whole: float, df: int) -> float:
    """The level of what a block adds to the sum of squares; 1 where too little is left without it."""
    own = free[np.ix_(inside, inside)]
    rank = int(np.linalg.matrix_rank(own, tol=NO_ROOM))
    if rank == 0 or df - rank < 2:
        return 1.0
    part = residual[inside]
    gone = float(part @ np.linalg.pinv(own, rcond=NO_ROOM, hermitian=True) @ part)
    left = max(whole - gone, NOTHING * whole)
    return float(fdtrc(rank, df - rank, gone / rank / (left / (df - rank))))


def _exp(power: float) -> float:
    return math.exp(max(-300.0, min(300.0, power)))
