"""The runs of a closed trial as a table for other programs, and the same as the bytes of a CSV file or a spreadsheet."""

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc.cells import Cell
from prospecting.calc.number_words import as_written
from prospecting.frames.sheets import write_csv, write_xlsx
from trials.calc.run_columns import (
    COLUMNS,
    DOSE,
    FACTOR,
    FAILED,
    NOT_DONE,
    SIZES,
    STANDS,
    VOID,
    RunColumn,
)
from trials.frames.trial_lines import TrialLines
from trials.models import Run, SettledMud, TailsPan, Treatment, Trial

# Columns of doses and factors stand behind this one.
AFTER = "is_control"


@dataclass(frozen=True)
class RunTable:
    """Columns with their meaning, and one row for each planned run in the order of the plan."""

    columns: list[RunColumn]
    rows: list[list[Cell]]

    @property
    def dictionary(self) -> list[list[Cell]]:
        head = ["column", "what it means", "unit", "an empty cell means"]
        return [head, *([column.name, column.what, column.unit, column.empty] for column in self.columns)]

    @property
    def lines(self) -> list[list[Cell]]:
        """The rows under the names of their columns."""
        return [[column.name for column in self.columns], *self.rows]


@as_written()
def runs_of(trial: Trial) -> RunTable:
    """All planned runs of a closed trial with what was logged. Nothing of where the ground was dug is read."""
    read = TrialLines(trial)
    treatments = {
        each.pk: each for each in trial.treatments.prefetch_related("doses__additive", "levels__factor")
    }
    of_trial = {"run__planned__trial": trial}
    tails = {each.run_id: each for each in TailsPan.objects.filter(**of_trial)}
    mud = {each.run_id: each for each in SettledMud.objects.filter(**of_trial)}
    lots = {lot.pk: lot.code for lot in trial.feeds}
    lots |= dict(trial.planned_runs.exclude(portion=None).values_list("portion", "portion__code"))
    places = read.judged.place_of if read.judged else {}
    additives = _names(dose.additive.name for each in treatments.values() for dose in each.doses.all())
    factors = _names(level.factor.name for each in treatments.values() for level in each.levels.all())
    columns = _columns(additives, factors)
    rows = []
    for line in read.lines:
        treatment = treatments[line.planned.treatment_id]
        run = line.run
        found = {
            "trial": trial.pk,
            "code": line.planned.blind_code,
            "lot": lots.get(run.lot_id, "") if run else None,
            "block": line.block if trial.in_blocks else None,
            "order": line.planned.run_order,
            "treatment": treatment.name,
            "is_control": _yes(treatment.is_control),
            "place": _number(places.get(line.planned.pk)),
            "state": _state(run),
            "why": line.left_out if _state(run) in (FAILED, VOID) else None,
        }
        found |= {f"{DOSE}{dose.additive.name}": dose.ml_per_l for dose in treatment.doses.all()}
        found |= {f"{FACTOR}{level.factor.name}": level.name for level in treatment.levels.all()}
        # A treatment without a dose of an additive that others got has none of it.
        found = {f"{DOSE}{name}": Decimal(0) for name in additives} | found
        if run is not None:
            found |= _logged(run, treatments)
            found |= _left("tails", tails.get(run.pk)) | _left("mud", mud.get(run.pk))
        rows.append([found.get(column.name) for column in columns])
    return RunTable(columns, rows)


def as_csv(lines: Iterable[Sequence[Cell]]) -> bytes:
    kept = io.BytesIO()
    write_csv(kept, lines)
    return kept.getvalue()


def as_xlsx(table: RunTable) -> bytes:
    """A spreadsheet of two sheets: the runs, and what their columns mean."""
    kept = io.BytesIO()
    write_xlsx(kept, [("runs", table.lines), ("columns", table.dictionary)])
    return kept.getvalue()


def _columns(additives: list[str], factors: list[str]) -> list[RunColumn]:
    own = [
        RunColumn(f"{FACTOR}{name}", f"Level of the factor {name}", "the trial has no factors")
        for name in factors
    ] + [
        RunColumn(
            f"{DOSE}{name}",
            f"Dose of {name}: mL of product per litre of water",
            "never empty",
            "mL/L",
            "number",
        )
        for name in additives
    ]
    columns: list[RunColumn] = []
    for column in COLUMNS:
        columns.append(column)
        if column.name == AFTER:
            columns += own
    return columns


def _logged(run: Run, treatments: dict[int, Treatment]) -> dict[str, Cell]:
    counts = {f"colours_{colour.size_class}": colour.count for colour in run.colours.all()}
    stands = _state(run) == STANDS
    guessed = treatments.get(run.guess_treatment_id)
    return {
        **{f"colours_{size}": counts.get(f"colours_{size}") for size in SIZES},
        "colours_total": run.colours_total,
        "portion_g": _number(run.portion_mass_g),
        "gold_mg": _number(run.gold_mg),
        "below_scale": _yes(run.below_scale) if stands else None,
        "scale_step_mg": _number(run.scale_step_mg),
        "soak_min": _number(run.soak_min),
        "pan_min": _number(run.pan_min),
        "panner": str(run.panner),
        "gear": run.pan or None,
        "water": run.water or None,
        "light": run.light or None,
        "guess": guessed.name if guessed else run.guess or None,
        "day": run.panned_on,
    }


def _left(where: str, found: TailsPan | SettledMud | None) -> dict[str, Cell]:
    if found is None:
        return {}
    return {
        f"{where}_gold_mg": _number(found.gold_mg),
        f"{where}_below_scale": _yes(found.below_scale),
        f"{where}_scale_step_mg": _number(found.scale_step_mg),
    }


def _state(run: Run | None) -> str:
    if run is None:
        return NOT_DONE
    if run.is_void:
        return VOID
    return FAILED if run.failed else STANDS


def _names(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def _number(value: Decimal | float | None) -> Decimal | None:
    return None if value is None else Decimal(str(value))
