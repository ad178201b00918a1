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
from decimal import Decimal
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
    """The comparison of a whole trial against the library calls for the same numbers: the fit, and Dunnett with intervals."""
    import numpy as np
    import pandas
    import scipy.stats
    from statsmodels.formula.api import ols

    from trials.calc.comparison import compare_gold
    from trials.calc.verdict import judge

    dice = np.random.default_rng(20_260_401)
    logs = dice.normal(1, 0.4, (BLOCKS, TREATMENTS)) + dice.normal(0, 0.3, (BLOCKS, 1))
    names = [f"treatment {number}" for number in range(TREATMENTS)] * BLOCKS
    blocks = [block for block in range(BLOCKS) for _ in range(TREATMENTS)]
    values = np.exp(logs).ravel().tolist()
    control = names[0]
    gaps = [None if n in (13, 40, 77) else value for n, value in enumerate(values)]
    table = pandas.DataFrame({"ln_mg": logs.ravel(), "treatment": names, "block": blocks})

    def fit_only():
        ols("ln_mg ~ C(treatment) + C(block)", table).fit()

    def dunnett_only():
        columns = [logs[:, number] for number in range(TREATMENTS)]
        scipy.stats.dunnett(*columns[1:], control=columns[0], random_state=1).confidence_interval()

    def judged():
        found = compare_gold(values, names, blocks, control)
        return [judge(found, entry.treatment, 1.25) for entry in found.treatments]

    fit, dunnett = best_of(7, fit_only), best_of(3, dunnett_only)
    ours = best_of(7, lambda: compare_gold(values, names, blocks, control))
    with_gaps = best_of(3, lambda: compare_gold(gaps, names, blocks, control))
    bare = fit + dunnett
    target = f"under {MOST_TIMES_BARE} x bare"
    design = f"{TREATMENTS} treatments, {BLOCKS} blocks"
    return [
        Line(f"bare: statsmodels fit, {design}", fit),
        Line("bare: scipy.stats.dunnett with intervals (no blocks)", dunnett),
        Line(
            f"comparison with the control, {design}",
            ours,
            target,
            ours < MOST_TIMES_BARE * bare,
            f"{ours / bare:.2f} x",
        ),
        Line(
            "the same with 3 runs missing",
            with_gaps,
            target,
            with_gaps < MOST_TIMES_BARE * bare,
            f"{with_gaps / bare:.2f} x",
        ),
        Line("comparison and all verdicts", best_of(5, judged)),
    ]


def zone_lines() -> list[Line]:
    """Ten thousand pans of one zone put together: the arithmetic alone, and with the rows the zone's page makes of them."""
    import django

    os.environ["DJANGO_SETTINGS_MODULE"] = "prospecting.settings"
    django.setup()
    from prospecting.calc.grade import below_scale_grade, grade_g_per_t
    from prospecting.calc.zone_grade import mean_day
    from prospecting.models import Dig, Lot, Origin
    from trials.frames import results as frames
    from trials.models import Run

    day = datetime.date(2026, 5, 3)
    dig = Dig(pk=1, dug_on=day)
    lots = [Lot(pk=n, code=f"L{n}", is_dry=True) for n in range(200)]
    origins = {lot.pk: [Origin(lot=lot, dig=dig, share=Decimal("0.25"))] for lot in lots}
    runs = [
        Run(
            pk=n,
            lot=lots[n % len(lots)],
            planned=None,
            panned_on=day,
            portion_mass_g=Decimal(400 + n % 50),
            gold_mg=None if n % 7 == 0 else Decimal(n % 91) / 8,
            below_scale=n % 7 == 0,
            scale_step_mg=Decimal("0.1"),
        )
        for n in range(RUNS)
    ]

    of_zone = [frames._of_zone(frames._pan_of_lot(run), run.lot_id, origins, {}) for run in runs]

    def summary():
        for run in runs:
            if run.gold_mg is None:
                below_scale_grade(run.scale_step_mg, run.portion_mass_g)
            else:
                grade_g_per_t(run.gold_mg, run.portion_mass_g)
            mean_day([(day, Decimal("0.25"))])
        return frames._estimate(of_zone, "g_per_t")

    def rows():
        for run in runs:
            frames._of_zone(frames._pan_of_lot(run), run.lot_id, origins, {})

    def links():
        for run in runs:
            run.get_absolute_url()

    summed = best_of(5, summary)
    return [
        Line(
            f"{RUNS:,} runs of a zone summarised: grades, days, mean, range",
            summed,
            f"under {MOST_SECONDS_A_ZONE} s",
            summed < MOST_SECONDS_A_ZONE,
        ),
        Line(f"the zone page's rows of {RUNS:,} runs, their links among them", best_of(3, rows)),
        Line(f"{RUNS:,} links alone", best_of(3, links)),
    ]


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
