"""Hold the numbers against trials simulated grain by grain: prints a table, ends with 1 where a demand is not met.

    nice -n 10 .venv/bin/python -m tests.calibration

`--trials` scales the number of trials (1 is the full count), `--processes` says how many run at once. Seeds are fixed: the
same code gives the same table.
"""

import os

# One thread for each process: small matrices gain nothing from more.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import argparse  # noqa: E402
import multiprocessing  # noqa: E402
import sys  # noqa: E402
import time  # noqa: E402

from tests.calibration.demands import Row, rows_of, rows_of_spreads  # noqa: E402
from tests.calibration.sampling_spread import all_spreads  # noqa: E402
from tests.calibration.trials_seen import Bench, Cell, Tally, cells  # noqa: E402

# Trials of each scenario in a cell, by treatments: the larger ones take longer to analyse.
TRIALS = {2: 400, 4: 170, 6: 100}

BEFORE = """\
Truth: the ratio of expected gold (of expected colours), known from the grains. The verdicts' method estimates just that. The
method by logarithms estimates the ratio of geometric means: where the spread of a control run is c and a treatment keeps R
times the gold, that lies above R by about c^2 / 2 x (1 - 1 / R) in the logarithm, and its intervals miss by so much.
"allowed" is the chance in the counting itself, in points: 2 standard errors of the simulation for a row printed here. Each lot
with each number of treatments and of blocks is held to 3, each single cell to 3.5; there are hundreds, and only those that fail
are printed. "conservative": clearly below 5 % false claims. Trials in which a treatment shows no colour are counted too: their
exact limits on one side cover more than 95 % by nature, and of the coarse lot with 3 blocks one trial in fifty or so is such.
What follows the demands is for the record.
"""


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.calibration", description=__doc__.partition("\n")[0]
    )
    parser.add_argument("--trials", type=float, default=1.0, help="multiple of the usual number of trials")
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    start = time.perf_counter()
    work = [(cell, max(20, round(TRIALS[cell.treatments] * asked.trials))) for cell in cells()]
    tally = Tally()
    with multiprocessing.get_context("fork").Pool(asked.processes) as pool:
        for counted in pool.imap_unordered(_seen, work):
            tally.join(counted)
        rows = [*rows_of(dict(tally.counts)), *rows_of_spreads(pool.apply(all_spreads))]
    print(BEFORE)
    _print(rows)
    failed = sum(row.failed for row in rows)
    runs = sum(row[1] for key, row in tally.counts.items() if key[0] == "judged by places")
    print(
        f"\n{runs:,} trials judged in {time.perf_counter() - start:.0f} s; {failed} of {len(rows)} rows failed."
    )
    return 1 if failed else 0


def _seen(work: tuple[Cell, int]) -> dict[tuple, list[float]]:
    cell, trials = work
    return Bench(cell).run(trials)


def _print(rows: list[Row]) -> None:
    demand = None
    for row in rows:
        if row.demand != demand:
            demand = row.demand
            print(f"\n{demand}")
        seen = f"{row.seen:9.3f}" if row.plain else f"{100 * row.seen:7.1f} %"
        allowed = f"{row.allowed:.3f}" if row.plain else f"{100 * row.allowed:.1f}"
        rest = f"{row.wanted:>14}  allowed {allowed:>5}  {row.outcome}" if row.wanted else ""
        print(f"  {row.what:<72}{row.trials:>8}{seen}  {rest}".rstrip())


if __name__ == "__main__":
    sys.exit(main())
