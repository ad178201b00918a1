"""The mixing sheet: what goes into which tub, in the measures people pour."""

from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.models import Lot
from trials.calc import designs
from trials.models import Dose, PlannedRun, Trial


@dataclass(frozen=True)
class Pour:
    """So much of an additive for one tub: as it is best poured, in every measure, and how to thin it where that is too little."""

    additive: str
    poured: str
    measures: str
    thinned: str


@dataclass(frozen=True)
class MixingRow:
    """One tub: its code, the lot its ore comes from, and what is poured; nothing where the list is empty."""

    planned: PlannedRun
    lot: Lot
    pours: list[Pour]


def mixing_rows(trial: Trial, water_ml: Decimal) -> list[MixingRow]:
    """The tubs of a trial in run order, each with what goes into so much water: a tub of any size gets the same dose."""
    planned_runs = trial.planned_runs.select_related("treatment", "block", "portion").prefetch_related(
        "treatment__doses__additive"
    )
    return [
        MixingRow(
            planned=planned,
            lot=trial.lot_of(planned.treatment),
            pours=[_pour(dose, water_ml) for dose in planned.treatment.doses.all()],
        )
        for planned in planned_runs
    ]


def _pour(dose: Dose, water_ml: Decimal) -> Pour:
    tub = units.tub_amounts(dose.ml_per_l, water_ml)
    stock = designs.stock_for(tub)
    return Pour(
        additive=dose.additive.name,
        poured=tub.as_poured(),
        measures=phrase(
            "{drops} drops, {millilitres} mL, {teaspoons} tsp",
            drops=numeral(tub.drops, ".3g"),
            millilitres=numeral(tub.ml, ".3g"),
            teaspoons=numeral(tub.teaspoons, ".2g"),
        ),
        thinned=stock.sentence if stock else "",
    )
