"""Portions, grains, hands and a scale: runs simulated grain by grain, so that the truth behind them is known.

A portion holds a Poisson number of grains of each size class, log-normal in mass within the class. A grain is kept with a
chance that is logistic in the logarithm of its size, the treatment setting the size at which half are kept; operator, day,
the place in the block (a hand tires) and the single pan multiply that chance. The scale rounds to its step, and what it
rounds to nothing is below the scale. All shapes and sizes are invented.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from prospecting.calc.sampling import flake_mass_mg
from trials.calc.comparison import BELOW_SCALE
from trials.calc.designs import Place, randomised_blocks
from trials.calc.simultaneous import find_root

DIAMETER_TO_THICKNESS = 5
# Spread of ln(mass) of the grains of one class.
CLASS_SPREAD = 0.5
# How sharply keeping depends on size.
STEEPNESS = 2.5
# Share of the gold (or of the colours) that the control's pan would keep in the best of hands; leaves room to do better.
CONTROL_SHARE = 0.35
BEST_CATCH = 0.7
OPERATORS = (1.0, 0.85)
WORST_DAY = 0.75
TIRING = 0.01
PLANS = 60
# The middle of all hands on all days, about.
USUAL_CATCH = BEST_CATCH * 0.925 * 0.875


@dataclass(frozen=True)
class SizeClass:
    """Grains of one class: a middling size, how many a portion holds on average, whether a panner counts them."""

    size_um: float
    grains: float
    is_counted: bool

    @property
    def grain_mg(self) -> float:
        return flake_mass_mg(self.size_um, DIAMETER_TO_THICKNESS)


@dataclass(frozen=True)
class Lot:
    """A blended lot as its portions are, and how unsteady the pans are (spread of ln of the kept chance)."""

    name: str
    classes: tuple[SizeClass, ...]
    hand: float = 0.1

    def scaled(self, factor: float) -> "Lot":
        classes = tuple(replace(each, grains=each.grains * factor) for each in self.classes)
        return replace(self, classes=classes)


@dataclass(frozen=True)
class Moments:
    """Of one run of usual hands: expected gold, its variance, expected colours."""

    gold_mg: float
    variance: float
    colours: float

    def of(self, outcome: str) -> float:
        return self.gold_mg if outcome == "mass" else self.colours


RICH = Lot("grain-rich", (SizeClass(350, 20, True), SizeClass(180, 20, True)))
USUAL = Lot("usual", (SizeClass(700, 0.5, True), SizeClass(350, 12, True), SizeClass(180, 20, False)))
UNSTEADY = Lot("unsteady hands", RICH.classes, hand=0.3)
COARSE = Lot("coarse", (SizeClass(700, 1, True), SizeClass(350, 3, True), SizeClass(180, 20, False)))


def kept_chance(size_um, half_kept_um: float):
    """The treatment's part of the chance that a grain is kept."""
    return 1 / (1 + (half_kept_um / size_um) ** STEEPNESS)


@lru_cache(maxsize=4096)
def moments(lot: Lot, half_kept_um: float) -> Moments:
    """Return what a run keeps on average, integrated over the grain masses of each class."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    weights = weights / weights.sum()
    gold = variance = colours = 0.0
    for each in lot.classes:
        mass = each.grain_mg * np.exp(CLASS_SPREAD * nodes)
        size = each.size_um * np.exp(CLASS_SPREAD * nodes / 3)
        kept = each.grains * USUAL_CATCH * weights * kept_chance(size, half_kept_um)
        gold += float(kept @ mass)
        variance += float(kept @ mass**2)
        colours += float(kept.sum()) * each.is_counted
    return Moments(gold, variance, colours)


def half_kept_for(lot: Lot, outcome: str, share_of_all: float) -> float:
    """Return the size half kept at which this share of the gold (or colours) is kept, hands apart."""
    everything = moments(lot, 1e-9).of(outcome)
    power = find_root(
        lambda ln_size: moments(lot, math.exp(ln_size)).of(outcome) / everything - share_of_all, 0.0, 12.0
    )
    return math.exp(power)


def lot_for(lot: Lot, outcome: str, cv: float) -> Lot:
    """Return the lot made richer or poorer until chance alone spreads the control's gold (or colours) by `cv`."""
    control = moments(lot, half_kept_for(lot, outcome, CONTROL_SHARE))
    seen = control.variance / control.gold_mg**2 if outcome == "mass" else 1 / control.colours
    return lot.scaled(seen / cv**2)


@lru_cache(maxsize=64)
def plans(treatments: int, blocks: int) -> tuple[tuple[Place, ...], ...]:
    """Return plans to draw from: drawing a new one for each trial would take longer than panning it."""
    return tuple(tuple(randomised_blocks(range(treatments), blocks, seed)) for seed in range(1, PLANS + 1))


def hands(treatments: int, blocks: int, trials: int, unsteady: float, rng: np.random.Generator) -> np.ndarray:
    """Return what multiplies the kept chance, shape (trials, blocks, treatments)."""
    drawn = rng.integers(PLANS, size=trials)
    place = np.zeros((PLANS, blocks, treatments))
    for number, plan in enumerate(plans(treatments, blocks)):
        for each in plan:
            place[number, each.block - 1, each.treatment] = each.position - 1
    operator = np.array(OPERATORS)[(np.arange(blocks) + rng.integers(2, size=(trials, 1))) % 2]
    day = rng.uniform(WORST_DAY, 1, size=(trials, blocks))
    pan = np.exp(unsteady * rng.standard_normal((trials, blocks, treatments)))
    return BEST_CATCH * (operator * day)[:, :, None] * (1 - TIRING * place[drawn]) * pan


def pan(
    lot: Lot, half_kept_um: Sequence[float], catch: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return gold in mg and colours of every run; the last axis of `catch` is the treatment."""
    runs = catch.size
    half = np.broadcast_to(np.asarray(half_kept_um), catch.shape).ravel()
    flat = catch.ravel()
    gold, colours = np.zeros(runs), np.zeros(runs, dtype=int)
    for each in lot.classes:
        where = np.repeat(np.arange(runs), rng.poisson(each.grains, runs))
        deviation = CLASS_SPREAD * rng.standard_normal(len(where))
        # kept_chance of the grain's own size, its logarithms taken once for all grains of the class.
        against = np.exp(STEEPNESS * (np.log(half / each.size_um)[where] - deviation / 3))
        kept = rng.random(len(where)) * (1 + against) < flat[where]
        where, mass = where[kept], each.grain_mg * np.exp(deviation[kept])
        gold += np.bincount(where, mass, minlength=runs)
        if each.is_counted:
            colours += np.bincount(where, minlength=runs)
    return gold.reshape(catch.shape), colours.reshape(catch.shape)


def weighed(gold_mg: np.ndarray, step_mg: float) -> np.ndarray:
    """Return what the scale shows: whole steps; what it rounds to nothing is below the scale, not zero."""
    steps = np.round(gold_mg / step_mg)
    return np.where(steps > 0, steps * step_mg, BELOW_SCALE)
