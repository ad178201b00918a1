"""Lots crushed to several sizes and split, against the spread that sampling theory predicts."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from prospecting.calc.sampling import (
    FINE_GOLD_DENSITY,
    Stage,
    chance_of_none,
    counting_spread,
    expected_grains,
    fundamental_error,
)
from trials.calc.chance import GRAIN_MG, spread_of_masses

SPLITS = 2000
GRADE_G_PER_T = 5.0
LIBERATION_UM = 150.0
# Top sizes as multiples of the liberation size, to which clumps of whole pieces of gold belong: (d / dl)^(3 - exponent) pieces.
CRUSHED_TO = {0.5: (1, 4, 9), 1.5: (1, 4, 9, 16)}
# The lot in g, and the shares of it split off.
LOT_G = 20_000
SHARES = (0.05, 0.25, 0.5)
PIECE_SPREAD = 0.4
# Sphere in its cube; the pieces' own range of sizes comes from their masses.
SPHERE = math.pi / 6


@dataclass(frozen=True)
class Spread:
    """Predicted and simulated relative standard deviation of one kind of sample."""

    name: str
    predicted: float
    simulated: float
    repeats: int
    is_floor: bool = False

    @property
    def ratio(self) -> float:
        return self.predicted / self.simulated


def all_spreads() -> list[Spread]:
    """Every prediction beside its simulation, seeds fixed."""
    rng = np.random.default_rng(20_260_302)
    return [*split_lots(rng), *counted(rng), *weighed_classes(rng)]


def split_lots(rng: np.random.Generator) -> Iterator[Spread]:
    """Gy's fundamental error: every clump of gold goes to the sample with the chance of the sample's share of the lot.

    The rock is crushed to a top size, and its gold lies in clumps of pieces that were one before: the coarser the crush, the
    more pieces to a clump. That the number grows as the exponent says is an assumption of the theory, and of this
    simulation; what is checked are constants, units and the lot's own size.
    """
    # Mass-weighted mean over plain top size^3 of the pieces gives shape and size range as the theory defines them.
    top_um = LIBERATION_UM
    middle_mg = SPHERE * (top_um * 1e-4) ** 3 * FINE_GOLD_DENSITY * 1000 / math.exp(PIECE_SPREAD**2 * 1.5)
    weighted_mg = middle_mg * math.exp(PIECE_SPREAD**2 * 1.5)
    size_range = weighted_mg / (SPHERE * (top_um * 1e-4) ** 3 * FINE_GOLD_DENSITY * 1000)
    mean_mg = middle_mg * math.exp(PIECE_SPREAD**2 / 2)
    for exponent, times in CRUSHED_TO.items():
        for coarser in times:
            pieces = coarser ** (3 - exponent)
            for share in SHARES:
                number = round(LOT_G * GRADE_G_PER_T / 1000 / (pieces * mean_mg))
                lot_g = number * pieces * mean_mg / GRADE_G_PER_T * 1000
                stage = Stage(LIBERATION_UM * coarser, share * lot_g, lot_g)
                error = fundamental_error(
                    grade_g_per_t=GRADE_G_PER_T,
                    liberation_um=LIBERATION_UM,
                    stage=stage,
                    liberation_exponent=exponent,
                    shape_factor=SPHERE,
                    size_range_factor=size_range,
                )
                clumps = pieces * middle_mg * np.exp(PIECE_SPREAD * rng.standard_normal((SPLITS, number)))
                taken = (clumps * (rng.random(clumps.shape) < share)).sum(axis=1)
                seen = taken / clumps.sum(axis=1) / share
                yield Spread(
                    f"split {100 * share:g} % of a lot crushed to {stage.top_size_um / 1000:g} mm, exponent {exponent:g}",
                    error.relative_sd,
                    float(seen.std()),
                    SPLITS,
                )


def counted(rng: np.random.Generator) -> Iterator[Spread]:
    """Grains of one size in equal portions, and portions without any."""
    for size, grain_mg in GRAIN_MG.items():
        for portion_g in (250.0, 1000.0, 5000.0):
            grains = expected_grains(GRADE_G_PER_T, portion_g, grain_mg)
            if not 0.2 < grains < 5000:
                continue
            # A lot of many portions, its grains falling into them one by one.
            portions = 2000
            landed = np.zeros(portions, dtype=int)
            for _ in range(4):
                landed = np.append(
                    landed,
                    np.bincount(
                        rng.integers(portions, size=rng.poisson(grains * portions)), minlength=portions
                    ),
                )
            landed = landed[portions:]
            name = f"{size.replace('_', ' ')} grains in {portion_g:g} g"
            yield Spread(name, counting_spread(grains), float(landed.std() / landed.mean()), len(landed))
            if grains < 4:
                empty = float((landed == 0).mean())
                yield Spread(f"{name}: share without any", chance_of_none(grains), empty, len(landed))


def weighed_classes(rng: np.random.Generator) -> Iterator[Spread]:
    """Masses of portions with grains of several classes: equal grains in a class, then grains that differ threefold in size."""
    mixes = (
        {"very_fine": 40.0, "fine": 10.0},
        {"fine": 12.0, "medium": 2.0},
        {"flour": 60.0, "medium": 1.5, "coarse": 0.2},
    )
    for mix in mixes:
        predicted = spread_of_masses([5.0, 6.0], colours=mix).cv_chance
        for unlike in (0.0, 0.5):
            gold = np.zeros(8000)
            for size, grains in mix.items():
                where = np.repeat(np.arange(8000), rng.poisson(grains, 8000))
                mass = GRAIN_MG[size] * np.exp(unlike * rng.standard_normal(len(where)))
                gold += np.bincount(where, mass, minlength=8000)
            name = " + ".join(f"{grains:g} {size.replace('_', ' ')}" for size, grains in mix.items())
            seen = float(gold.std() / gold.mean())
            if unlike:
                yield Spread(f"{name}, unlike grains (a floor)", predicted, seen, 8000, is_floor=True)
            else:
                yield Spread(f"{name}, grains alike", predicted, seen, 8000)
