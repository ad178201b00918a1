"""How long the calculations take, each beside what it must not exceed. From the project's top folder, in its environment:

    python -m tests.benchmarks.speed

Prints one table and ends with 1 when a target is missed. Times are seconds of the processor, the best of several goes, so that a
busy machine does little harm. Nothing is stored and no database is opened.
"""

import datetime
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
TREATMENTS, BLOCKS = 12, 10
RUNS = 10_000
MOST_TIMES_BARE = 1.5
MOST_SECONDS_A_ZONE = 0.3
# What a calc module may load when it is itself imported: numpy and the light part of scipy. The heavy parts wait for a call.
HEAVY = ("scipy.stats", "scipy.optimize", "statsmodels", "pandas", "plotly", "openpyxl", "django")
# Beyond what its libraries take, for a module and the calc modules below it.
MOST_SECONDS_OWN = 0.25


@dataclass(frozen=True)
class Line:
    """One line of the table; `met` is None where there is no target."""

    what: str
    seconds: float
    target: str = ""
    met: bool | None = None
    note: str = ""


def best_of(goes: int, work: Callable[[], object]) -> float:
    """Seconds of the quickest go, after one that does not count."""
    work()
    taken = []
    for _ in range(goes):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def trial_lines() -> list[Line]:
    """The comparison of a whole trial against the library calls for the same numbers: the fit, and Dunnett with intervals.

    scipy.stats.dunnett is the one library function that judges many treatments against a control together, so it is part of
    what the analysis would need; it draws random numbers, which takes most of its time, and knows no blocks. So that it
    cannot hide a slow analysis, ours is also set beside the fit alone. Every go has runs of its own: none finds its answer
    remembered.
    """
    import numpy as np
    import pandas
    import scipy.stats
    import statsmodels.api as sm
    from statsmodels.formula.api import glm

    from trials.calc.comparison import compare_gold
    from trials.calc.verdict import judge

    dice = np.random.default_rng(20_260_401)
    names = [f"treatment {number}" for number in range(TREATMENTS)] * BLOCKS
    blocks = [block for block in range(BLOCKS) for _ in range(TREATMENTS)]
    control = names[0]

    def runs_mg() -> np.ndarray:
        logs = dice.normal(1, 0.4, (BLOCKS, TREATMENTS)) + dice.normal(0, 0.3, (BLOCKS, 1))
        return np.exp(logs).ravel()

    table = pandas.DataFrame({"mg": runs_mg(), "treatment": names, "block": blocks})

    def fit_only():
        glm("mg ~ C(treatment) + C(block)", table, family=sm.families.Poisson()).fit(scale="X2")

    def dunnett_only():
        columns = np.log(table["mg"].to_numpy()).reshape(BLOCKS, TREATMENTS).T
        scipy.stats.dunnett(*columns[1:], control=columns[0], random_state=1).confidence_interval()

    def compared(missing: tuple[int, ...] = ()):
        values = [None if n in missing else value for n, value in enumerate(runs_mg().tolist())]
        return compare_gold(values, names, blocks, control)

    def judged():
        found = compared()
        return [judge(found, entry.treatment, 1.25) for entry in found.treatments]

    fit, dunnett = best_of(7, fit_only), best_of(3, dunnett_only)
    bare = fit + dunnett
    design = f"{TREATMENTS} treatments, {BLOCKS} blocks"
    lines = [
        Line(f"bare: statsmodels log-linear fit, {design}", fit),
        Line("bare: scipy.stats.dunnett with intervals (no blocks)", dunnett),
    ]
    for what, work in (
        (f"comparison with the control, {design}", compared),
        ("the same with 3 runs missing", lambda: compared((13, 40, 77))),
        ("comparison and all verdicts", judged),
    ):
        ours = best_of(7, work)
        note = f"{ours / bare:.2f} x; {ours / fit:.1f} x the fit alone"
        lines.append(Line(what, ours, f"under {MOST_TIMES_BARE} x bare", ours < MOST_TIMES_BARE * bare, note))
    return lines


def zone_lines() -> list[Line]:
    """Ten thousand pans of one zone put together by the functions its page uses, from rows already read from the books."""
    import django

    os.environ["DJANGO_SETTINGS_MODULE"] = "prospecting.settings"
    django.setup()
    from trials.frames import results as frames
    from trials.frames.zone_grade import estimate_of
    from trials.frames.zone_results import results_from
    from trials.frames.zone_rows import ZoneRows

    day = datetime.date(2026, 5, 3)
    rows = ZoneRows(
        digs=[(1, "S1", day, None, "channel")],
        origins=[(lot, 1, 0.25) for lot in range(200)],
        sorted_out=[],
        runs=[
            (
                n,
                n % 200,
                f"L{n % 200}",
                True,
                None if n % 7 == 0 else n % 91 / 8,
                n % 7 == 0,
                0.1,
                400.0 + n % 50,
                1,
                "",
                None,
            )
            for n in range(RUNS)
        ],
        samples=[],
        panners=[(1, "A.", "Panner", "panner")],
    )

    def found():
        return results_from(rows).results

    def summary():
        return estimate_of(found(), "g_per_t")

    def page():
        estimate = summary()
        links = [result.url for result in estimate.results[-frames.MOST_RESULTS :]]
        return estimate, links, frames.mean_row(estimate, "mean", "", "g_per_t", "kg")

    demands = [
        (f"{RUNS:,} runs of a zone: grade, share and days of each", found),
        ("the same summarised: mean between its bounds, range", summary),
        (f"the same with {frames.MOST_RESULTS} rows linked and the working, as the page shows it", page),
    ]
    lines = []
    for what, work in demands:
        taken = best_of(5, work)
        lines.append(Line(what, taken, f"under {MOST_SECONDS_A_ZONE} s", taken < MOST_SECONDS_A_ZONE))
    return lines


IMPORT = """
import sys, time
start = time.process_time()
{libraries}
libraries = time.process_time()
import {module}
end = time.process_time()
heavy = [name for name in {heavy!r} if name in sys.modules]
print(libraries - start, end - libraries, ",".join(heavy) or "-", "numpy" in sys.modules, "scipy.special" in sys.modules)
"""


def imported(module: str, libraries: str = "") -> tuple[float, float, str, bool, bool]:
    """Seconds for the libraries, then for the module; the heavy names loaded; whether numpy and scipy.special were."""
    done = subprocess.run(
        [sys.executable, "-c", IMPORT.format(module=module, libraries=libraries, heavy=HEAVY)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    for_libraries, own, heavy, numpy, special = done.stdout.split()
    return float(for_libraries), float(own), heavy, numpy == "True", special == "True"


def import_lines() -> list[Line]:
    """Each calc module in a Python of its own: no heavy part of a library, and little time beyond numpy and scipy.special."""
    lines = []
    for path in sorted(
        path for app in ("prospecting", "trials") for path in (ROOT / app / "calc").glob("*.py")
    ):
        if path.stem == "__init__":
            continue
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        _, _, heavy, numpy, special = imported(module)
        libraries = "import scipy.special" if special else "import numpy" if numpy else ""
        goes = [imported(module, libraries) for _ in range(2)]
        base, own = min(go[0] for go in goes), min(go[1] for go in goes)
        lines.append(
            Line(
                f"import {module}",
                base + own,
                f"own part under {MOST_SECONDS_OWN} s, nothing heavy",
                heavy == "-" and own < MOST_SECONDS_OWN,
                f"own {own:.3f}; {'scipy.special' if special else 'numpy' if numpy else 'plain'}"
                + ("" if heavy == "-" else f"; loads {heavy}"),
            )
        )
    return lines


def printed(lines: list[Line]) -> str:
    width = max(len(line.what) for line in lines)
    return "\n".join(
        f"{line.what:<{width}}  {line.seconds:8.4f} s  {'' if line.met is None else 'met' if line.met else 'MISSED':<6}  "
        f"{'; '.join(filter(None, (line.target, line.note)))}".rstrip()
        for line in lines
    )


def main() -> int:
    with tempfile.TemporaryDirectory() as data_dir:
        os.environ["PROSPECTING_DATA_DIR"] = data_dir
        lines = [*trial_lines(), *zone_lines(), *import_lines()]
    print(printed(lines))
    missed = [line.what for line in lines if line.met is False]
    print(f"\n{len(missed)} of {sum(line.met is not None for line in lines)} targets missed.")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
