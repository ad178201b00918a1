"""Simulated trials put before the site's own functions: what they claim, cover and see, counted against the known truth."""

import math
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from tests.calibration import physics
from tests.calibration.physics import COARSE, CONTROL_SHARE, RICH, UNSTEADY, USUAL, Lot
from trials.calc.comparison import (
    BELOW_SCALE,
    ControlComparison,
    compare_counts,
    compare_gold,
    compare_with_control,
)
from trials.calc.dose_order import step_down
from trials.calc.power import detectable_ratio, power_against_control
from trials.calc.verdict import judge

TREATMENTS = (2, 4, 6)
BLOCKS = (3, 4, 6, 10)
# Relative spread of the control's gold (or colours) by chance, and the margin fixed for such a lot: wide enough that the
# larger trials could claim equivalence, or the demand on it would say nothing.
LOTS: tuple[tuple[Lot, float, float], ...] = (
    (RICH, 0.2, 1.5),
    (USUAL, 0.35, 1.8),
    (COARSE, 0.6, 2.2),
    # Hands that make more of the spread than the grains do: both comparisons suppose grains, and must stand it.
    (UNSTEADY, 0.2, 1.8),
)
# The largest true ratio: the control keeps 0.35 of the gold, so the best treatment 0.875.
MOST = 2.5
FINE_STEP_MG = 0.01
# Of the middling gold of a control run.
COARSE_STEP = 0.25
# One trial in four has failed runs, each run with this chance.
TROUBLED = 0.25
FAILURE = 0.06
LOG_EVERY = 5
SPREAD_BLOCKS = {2: 3000, 4: 1500, 6: 1000}


@dataclass(frozen=True)
class Cell:
    """One kind of trial: outcome, lot, design."""

    outcome: str
    lot: int
    treatments: int
    blocks: int

    @property
    def seed(self) -> list[int]:
        return [20_260_301, int(self.outcome == "mass"), self.lot, self.treatments, self.blocks]


@dataclass
class Tally:
    """(measure, outcome, lot, scale, treatments, blocks) -> [hits, trials]; stated figures are summed likewise."""

    counts: dict[tuple, list[float]] = field(default_factory=lambda: defaultdict(lambda: [0.0, 0]))

    def add(self, key: tuple, hit: float) -> None:
        held = self.counts[key]
        held[0] += hit
        held[1] += 1

    def join(self, other: dict[tuple, list[float]]) -> None:
        for key, (hits, trials) in other.items():
            self.counts[key][0] += hits
            self.counts[key][1] += trials


class Bench:
    """The trials of one cell. Truths are ratios of expected gold, or of expected colours, to the control."""

    def __init__(self, cell: Cell):
        base, cv, self.margin = LOTS[cell.lot]
        self.cell = cell
        self.rng = np.random.default_rng(cell.seed)
        self.lot = physics.lot_for(base, cell.outcome, cv)
        self.control_mg = physics.moments(self.lot, self.half(1.0)).gold_mg
        self.tally = Tally()
        self.names = list(range(cell.treatments)) * cell.blocks
        self.rows = [block for block in range(cell.blocks) for _ in range(cell.treatments)]

    def half(self, ratio: float) -> float:
        return physics.half_kept_for(self.lot, self.cell.outcome, CONTROL_SHARE * ratio)

    def runs(self, ratios: list[float], trials: int, blocks: int) -> tuple[np.ndarray, np.ndarray]:
        """Gold and colours of whole trials, shape (trials, blocks, treatments); the control comes first."""
        catch = physics.hands(1 + len(ratios), blocks, trials, self.lot.hand, self.rng)
        return physics.pan(self.lot, [self.half(ratio) for ratio in (1.0, *ratios)], catch, self.rng)

    # The spread that a group would know only after very many runs

    def true_spread(self, ratios: list[float]) -> tuple[float, float | None]:
        """What `sd_log` of the comparison settles at in very many blocks of this trial: the control's relative spread.

        And for colours how many times the variance of chance alone that is.
        """
        trials = math.ceil(SPREAD_BLOCKS[self.cell.treatments] / self.cell.blocks)
        both = self.runs(ratios, trials, self.cell.blocks)
        seen = both[self.cell.outcome == "colours"].reshape(-1, self.cell.treatments)
        seen = seen[seen.sum(axis=1) > 0]
        expected = seen.sum(axis=1, keepdims=True) * seen.sum(axis=0) / seen.sum()
        chi2 = float(((seen - expected) ** 2 / expected).sum())
        dispersion = chi2 / (len(seen) - 1) / (seen.shape[1] - 1)
        if self.cell.outcome == "colours":
            dispersion = max(1.0, dispersion)
        spread = math.sqrt(dispersion / float(seen[:, 0].mean()))
        return spread, dispersion if self.cell.outcome == "colours" else None

    def seen_8_in_10(self, ratios_with) -> float:
        """The ratio that the trial states to see 8 times in 10 when it is the truth, MOST at most."""
        # The control's own spread hardly moves with what the others keep.
        spread, dispersion = self.true_spread(ratios_with(1.6))
        ratio = detectable_ratio(
            spread, self.cell.blocks, self.cell.treatments, chance_share=1.0, dispersion=dispersion
        )
        return ratio if ratio <= MOST else math.inf

    # Trials

    def run(self, trials: int) -> dict[tuple, list[float]]:
        margin = self.margin
        others = {2: [], 4: [margin], 6: [margin, 1 / margin, 1.0]}[self.cell.treatments]

        def mixed(high: float) -> list[float]:
            return [*others, math.sqrt(high), high] if others else [high]

        self.judged("nothing differs", [1.0] * (self.cell.treatments - 1), trials)
        if not others:
            self.judged("mixed truths", [margin], trials // 2)
            self.judged("mixed truths", [1 / margin], trials // 2)
        self.judged("mixed truths", mixed(min(MOST, self.seen_8_in_10(mixed))), trials)
        if self.cell.outcome == "mass" and self.cell.treatments > 2:
            self.ladders(trials)
        return dict(self.tally.counts)

    def judged(self, scenario: str, ratios: list[float], trials: int) -> None:
        cell = self.cell
        gold, colours = self.runs(ratios, trials, cell.blocks)
        troubled = self.rng.random(trials) < TROUBLED
        failed = troubled[:, None, None] & (self.rng.random(gold.shape) < FAILURE)
        stated = {}
        if scenario == "mixed truths":
            spread, dispersion = self.true_spread(ratios)
            stated = {
                ratio: power_against_control(
                    spread, ratio, cell.blocks, cell.treatments, chance_share=1.0, dispersion=dispersion
                )
                for ratio in ratios
                if ratio > 1 and ratio != self.margin
            }
        if cell.outcome == "mass":
            steps = {"fine": FINE_STEP_MG, "coarse": COARSE_STEP * self.control_mg}
            scales = {scale: (step, physics.weighed(gold, step)) for scale, step in steps.items()}
        else:
            scales = {"none": (None, colours)}
        for scale, (step, values) in scales.items():
            # The coarse scale weighs the same pans again, so half of them will do.
            for number in range(trials // 2 if scale == "coarse" else trials):
                comparison = self.compared(values[number], failed[number], step)
                whole = not failed[number].any()
                self.count(scenario, scale, comparison, ratios, stated if whole else {})
                if scenario == "mixed truths" and scale == "fine" and whole and number % LOG_EVERY == 0:
                    self.cover_by_logs(values[number], ratios)

    def compared(
        self, values: np.ndarray, failed: np.ndarray, step_mg: float | None
    ) -> ControlComparison | None:
        runs = [
            None if lost else value
            for value, lost in zip(values.ravel().tolist(), failed.ravel().tolist(), strict=True)
        ]
        try:
            if self.cell.outcome == "mass":
                return compare_gold(runs, self.names, self.rows, 0, scale_step_mg=step_mg)
            return compare_counts(runs, self.names, self.rows, 0)
        except ValueError:
            # No run left over for the spread, or no run of the control: the site says so and claims nothing.
            return None

    def count(self, scenario, scale, comparison, ratios, stated) -> None:
        cell = self.cell
        where = (cell.outcome, cell.lot, scale, cell.treatments, cell.blocks)
        names = range(1, cell.treatments)
        kinds = {name: judge(comparison, name, self.margin) if comparison else None for name in names}
        claims = {name: verdict.kind if verdict else "not shown" for name, verdict in kinds.items()}
        within = {name: bool(verdict and verdict.within_margin) for name, verdict in kinds.items()}
        route = comparison.route if comparison else "none"
        truth = dict(zip(names, ratios, strict=True))
        wrong = any(
            (claims[name] == "better" and truth[name] <= 1) or (claims[name] == "worse" and truth[name] >= 1)
            for name in names
        )
        self.tally.add((f"false claim, {scenario}", *where), wrong)
        if route == "ranks":
            self.tally.add((f"false claim by places, {scenario}", *where), wrong)
        at_margin = [name for name in names if truth[name] in (self.margin, 1 / self.margin)]
        if at_margin:
            self.tally.add(
                ("false equivalent at the margin", *where),
                any(claims[name] == "equivalent" or within[name] for name in at_margin),
            )
        if scenario == "nothing differs":
            self.tally.add(("equivalent when nothing differs", *where), within[1])
        self.tally.add(("judged by places", *where), route == "ranks")
        if comparison is None:
            return
        if scenario == "mixed truths" and route != "ranks":
            self.cover(where, comparison, truth)
        for ratio, power in stated.items():
            name = 1 + ratios.index(ratio)
            top = ratio == max(stated)
            measure = "top" if top else "half"
            self.tally.add((f"power stated, {measure}", *where), power)
            self.tally.add((f"power seen, {measure}", *where), claims[name] == "better")
            if top and ratio < MOST:
                self.tally.add(("detectable ratio seen", *where), claims[name] == "better")

    def cover(self, where, comparison, truth) -> None:
        together, any_judged = True, False
        for name, ratio in truth.items():
            entry = comparison.of(name)
            if entry.p_adjusted is None:
                continue
            any_judged = True
            together &= (
                (entry.lower or 0.0) <= ratio <= (entry.upper if entry.upper is not None else math.inf)
            )
            if entry.lower_95 is not None:
                self.tally.add(("plain interval covers", *where), entry.lower_95 <= ratio <= entry.upper_95)
                self.tally.add(
                    ("plain 90 % interval covers", *where), entry.lower_90 <= ratio <= entry.upper_90
                )
            if entry.ratio and name == max(truth, key=truth.get):
                self.tally.add(("ln ratio seen - ln truth, top", *where), math.log(entry.ratio / ratio))
        if any_judged:
            self.tally.add(("intervals together cover", *where), together)

    def cover_by_logs(self, values: np.ndarray, ratios: list[float]) -> None:
        """For the record: the method that takes logarithms of single runs, which no verdict rests on."""
        if (values == BELOW_SCALE).any():
            return
        found = compare_with_control(values.ravel().tolist(), self.names, self.rows, 0)
        covered = all(
            found.of(name).lower <= ratio <= found.of(name).upper for name, ratio in enumerate(ratios, 1)
        )
        where = (self.cell.outcome, self.cell.lot, "fine", self.cell.treatments, self.cell.blocks)
        self.tally.add(("intervals together cover, by logarithms", *where), covered)

    def ladders(self, trials: int) -> None:
        """Dose ladders: nothing, a little, then from the least effective dose on what the trial states to see."""
        cell = self.cell
        doses = cell.treatments - 1
        where = (cell.outcome, cell.lot, "fine", cell.treatments, cell.blocks)
        order = list(range(cell.treatments))

        def rungs(least: int, top: float) -> list[float]:
            rise = [top ** (0.25 if dose == least - 1 else 0.0) for dose in range(1, least)]
            return rise + [min(MOST, top * 1.05**step) for step in range(doses - least + 1)]

        top = self.seen_8_in_10(lambda ratio: rungs((doses + 1) // 2, ratio))
        if top > MOST:
            return
        for least in range(1, doses + 1):
            gold, _ = self.runs(rungs(least, top), trials // doses, cell.blocks)
            for values in physics.weighed(gold, FINE_STEP_MG):
                if (values == BELOW_SCALE).any():
                    continue
                found = step_down(
                    np.log(values).ravel().tolist(), self.names, order, self.rows
                ).minimum_effective_dose
                self.tally.add(
                    ("least dose within a step", *where), found is not None and abs(found - least) <= 1
                )
                self.tally.add(("least dose named exactly", *where), found == least)
                self.tally.add(("least dose named too low", *where), found is not None and found < least - 1)


def cells() -> Iterator[Cell]:
    """Every cell, the longest first, so that two processes end together."""
    for treatments in sorted(TREATMENTS, reverse=True):
        for blocks in sorted(BLOCKS, reverse=True):
            for outcome in ("colours", "mass"):
                for lot in range(len(LOTS)):
                    yield Cell(outcome, lot, treatments, blocks)
