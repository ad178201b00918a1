"""What is demanded of the counted trials: limits, the allowance for chance in the counting, and the rows of the table."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from tests.calibration.sampling_spread import Spread
from tests.calibration.trials_seen import LOTS

# Standard errors of the simulation itself allowed beyond a limit: for a row of the table, for one lot with one number of
# treatments or of blocks, and for one cell among hundreds. Of the last two only failures are printed.
ALLOWED_POOLED = 2.0
ALLOWED_GROUP = 3.0
ALLOWED_CELL = 3.5
# The wanted level of false claims, and one point for methods that are right only in the long run.
MOST_FALSE = 0.06
COVERED = (0.93, 0.97)
POWER_APART = 0.05
DETECTABLE = 0.8
LEAST_DOSE = 0.85
SPREAD_APART = 0.10
FEWEST_TRIALS = 60

Counts = dict[tuple, list[float]]
OUTCOME, LOT, SCALE, TREATMENTS, BLOCKS = range(1, 6)


@dataclass(frozen=True)
class Row:
    """One line of the table; figures in percent unless `plain`."""

    demand: str
    what: str
    trials: int
    seen: float
    wanted: str
    allowed: float
    outcome: str
    plain: bool = False

    @property
    def failed(self) -> bool:
        return self.outcome == "FAILED"


def rows_of(counts: Counts) -> Iterator[Row]:
    """Every row: pooled over designs, pooled over lots, and single cells that fail."""
    for measure, short in (
        ("false claim, nothing differs", "false better/worse, nothing differs"),
        ("false claim, mixed truths", "false better/worse, others differ"),
        ("false claim by places, nothing differs", "the same, judged by places"),
        ("false equivalent at the margin", "equivalent, truth at the margin"),
    ):
        yield from _each_pooling(counts, measure, lambda hits, n, z, short=short: _at_most(short, hits, n, z))
    for measure, short in (
        ("intervals together cover", "95 % intervals together cover"),
        ("plain interval covers", "plain 95 % interval covers"),
    ):
        yield from _each_pooling(counts, measure, lambda hits, n, z, short=short: _covered(short, hits, n, z))
    yield from _each_pooling(
        counts,
        "plain 90 % interval covers",
        lambda hits, n, z: _covered("plain 90 % interval covers", hits, n, z, (0.88, 0.92)),
    )
    yield from _power(counts)
    yield from _each_pooling(counts, "detectable ratio seen", _detectable)
    yield from _each_pooling(counts, "least dose within a step", _least_dose)
    yield from _notes(counts)


def rows_of_spreads(spreads: list[Spread]) -> Iterator[Row]:
    """Predicted over simulated spread; of a floor only that it is one."""
    for spread in spreads:
        apart = spread.ratio - 1
        allowed = ALLOWED_POOLED / math.sqrt(2 * spread.repeats)
        if spread.is_floor:
            fine, wanted = apart <= allowed, "at most 1"
        else:
            fine, wanted = abs(apart) <= SPREAD_APART + allowed, "0.90 to 1.10"
        yield Row(
            "sampling spread",
            spread.name,
            spread.repeats,
            spread.ratio,
            wanted,
            allowed,
            "fine" if fine else "FAILED",
            plain=True,
        )


def _at_most(short: str, hits: float, n: int, z: float) -> tuple:
    allowed = z * math.sqrt(MOST_FALSE * (1 - MOST_FALSE) / n)
    rate = hits / n
    clearly_less = rate + 2 * math.sqrt(0.05 * 0.95 / n) < 0.05
    word = "FAILED" if rate > MOST_FALSE + allowed else "conservative" if clearly_less else "fine"
    return short, rate, "at most 6 %", allowed, word


def _covered(short: str, hits: float, n: int, z: float, limits: tuple[float, float] = COVERED) -> tuple:
    low, high = limits
    rate = hits / n
    # The chance in the counting at the limit that is nearer.
    near = low if rate < (low + high) / 2 else high
    allowed = z * math.sqrt(near * (1 - near) / n)
    fine = low - allowed <= rate <= high + allowed
    return short, rate, f"{100 * low:.0f} to {100 * high:.0f} %", allowed, "fine" if fine else "FAILED"


def _detectable(hits: float, n: int, z: float) -> tuple:
    allowed = z * math.sqrt(DETECTABLE * (1 - DETECTABLE) / n)
    rate = hits / n
    word = "fine" if abs(rate - DETECTABLE) <= POWER_APART + allowed else "FAILED"
    return "detectable ratio, true, is seen", rate, "75 to 85 %", allowed, word


def _least_dose(hits: float, n: int, z: float) -> tuple:
    allowed = z * math.sqrt(LEAST_DOSE * (1 - LEAST_DOSE) / n)
    rate = hits / n
    word = "fine" if rate >= LEAST_DOSE - allowed else "FAILED"
    return "least dose within one step", rate, "at least 85 %", allowed, word


def _power(counts: Counts) -> Iterator[Row]:
    """Power seen less power stated, cell by cell (rates near 0 and 1 would hide in a mean), then the mean of the cells."""
    for part, name in (("top", "the larger gain"), ("half", "half of it (ln)")):
        seen = _of(counts, f"power seen, {part}")
        stated = _of(counts, f"power stated, {part}")
        for label, wanted in _poolings(seen):
            hits, n = _sum(seen, wanted)
            claimed, _ = _sum(stated, wanted)
            yield _power_row(label, name, hits, claimed, n, ALLOWED_POOLED)
        for label, wanted, z in _unprinted(seen):
            hits, n = _sum(seen, wanted)
            claimed, _ = _sum(stated, wanted)
            row = _power_row(label, name, hits, claimed, n, z)
            if n >= FEWEST_TRIALS and row.failed:
                yield row


def _power_row(label: str, name: str, hits: float, claimed: float, n: int, z: float) -> Row:
    power = claimed / n
    allowed = z * math.sqrt(max(power * (1 - power), 0.01) / n)
    fine = abs(hits / n - power) <= POWER_APART + allowed
    wanted = f"{100 * power:.0f} % +-5"
    return Row(f"power seen, {name}", label, n, hits / n, wanted, allowed, "fine" if fine else "FAILED")


def _each_pooling(counts: Counts, measure: str, judge: Callable) -> Iterator[Row]:
    found = _of(counts, measure)
    for label, wanted in _poolings(found):
        hits, n = _sum(found, wanted)
        if n >= FEWEST_TRIALS:
            yield _row(label, n, judge(hits, n, ALLOWED_POOLED))
    # Hundreds of rows would bury the table.
    for label, wanted, z in _unprinted(found):
        hits, n = _sum(found, wanted)
        row = _row(label, n, judge(hits, n, z)) if n >= FEWEST_TRIALS else None
        if row is not None and row.failed:
            yield row


def _row(label: str, n: int, judged: tuple) -> Row:
    short, rate, wanted, allowed, word = judged
    return Row(short, label, n, rate, wanted, allowed, word)


def _notes(counts: Counts) -> Iterator[Row]:
    """For the record, without a limit."""
    by_logs = _of(counts, "intervals together cover, by logarithms")
    for label, wanted, z in _unprinted(by_logs):
        hits, n = _sum(by_logs, wanted)
        if z == ALLOWED_GROUP and n:
            yield Row(
                "intervals together cover, by logarithms of single runs", label, n, hits / n, "", 0.0, ""
            )
    for measure in (
        "equivalent when nothing differs",
        "judged by places",
        "least dose named exactly",
        "least dose named too low",
        "ln ratio seen - ln truth, top",
    ):
        found = _of(counts, measure)
        for label, wanted in _poolings(found, by_design=False):
            hits, n = _sum(found, wanted)
            yield Row(measure, label, n, hits / n, "", 0.0, "", plain="ln ratio" in measure)


def _of(counts: Counts, measure: str) -> Counts:
    return {key: value for key, value in counts.items() if key[0] == measure}


def _sum(found: Counts, wanted: Callable[[tuple], bool]) -> tuple[float, int]:
    rows = [value for key, value in found.items() if wanted(key)]
    return sum(row[0] for row in rows), sum(row[1] for row in rows)


def _poolings(found: Counts, by_design: bool = True) -> Iterator[tuple[str, Callable[[tuple], bool]]]:
    for outcome, lot, scale in sorted({(key[OUTCOME], key[LOT], key[SCALE]) for key in found}):
        yield (
            _lot_name(outcome, lot, scale),
            lambda key, which=(outcome, lot, scale): (key[OUTCOME], key[LOT], key[SCALE]) == which,
        )
    if by_design:
        for outcome, number in sorted({(key[OUTCOME], key[BLOCKS]) for key in found}):
            yield (
                f"{outcome}, {number} blocks",
                lambda key, w=(outcome, number): (key[OUTCOME], key[BLOCKS]) == w,
            )
        for outcome, number in sorted({(key[OUTCOME], key[TREATMENTS]) for key in found}):
            yield (
                f"{outcome}, {number} treatments",
                lambda key, w=(outcome, number): (key[OUTCOME], key[TREATMENTS]) == w,
            )


def _unprinted(found: Counts) -> Iterator[tuple[str, Callable[[tuple], bool], float]]:
    """Finer groups than those of the table, down to the single cell, each with its allowance."""
    for axis, word in ((TREATMENTS, "treatments"), (BLOCKS, "blocks")):
        for which in sorted({(key[OUTCOME], key[LOT], key[SCALE], key[axis]) for key in found}):
            yield (
                f"{_lot_name(*which[:3])}, {which[3]} {word}",
                lambda key, w=which, axis=axis: (key[OUTCOME], key[LOT], key[SCALE], key[axis]) == w,
                ALLOWED_GROUP,
            )
    for cell in found:
        yield _cell_name(cell), lambda key, w=cell[1:]: key[1:] == w, ALLOWED_CELL


def _lot_name(outcome: str, lot: int, scale: str) -> str:
    of, cv, _ = LOTS[lot]
    return f"{outcome}, {of.name} ({cv:g})" + ("" if scale == "none" else f", {scale} scale")


def _cell_name(key: tuple) -> str:
    return f"{_lot_name(key[OUTCOME], key[LOT], key[SCALE])}, {key[TREATMENTS]} treatments x {key[BLOCKS]} blocks"
