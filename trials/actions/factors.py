"""Treatments made many at a time: every combination of the levels of a few factors, and a ladder of doses."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction

from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase, phrase_counted
from trials.actions.planning import (
    DoseOf,
    check_runs,
    draft_with_own_treatments,
    lock_draft,
    set_treatment,
)
from trials.models import Factor, Level, Treatment, Trial

MOST_FACTORS = 3
LEVELS = range(2, 5)
LONGEST_NAME = Treatment._meta.get_field("name").max_length


@dataclass(frozen=True)
class LevelOf:
    """One setting of a factor, as typed; `ml_per_l` of a dose, None for the level without it."""

    name: str
    ml_per_l: Decimal | None = None


@dataclass(frozen=True)
class FactorOf:
    """What is varied, and its levels; the first level is the control's. `additive` of a dose only."""

    name: str
    kind: str
    levels: Sequence[LevelOf]
    additive: object = None


@dataclass(frozen=True)
class RungOf:
    """One dose of a ladder: the treatment's name, and its dose; None for the one without."""

    name: str
    dose: DoseOf | None


@transaction.atomic
def make_factorial(*, trial: Trial, factors: Sequence[FactorOf], recorded_by) -> Trial:
    """Make every combination of the factors' levels a treatment; the first levels together are the control."""
    require_writer(recorded_by)
    trial = draft_with_own_treatments(trial)
    if trial.treatments.exists():
        raise Refused(
            phrase(
                "This draft has treatments already: remove them first, for all combinations are made here."
            ),
            code="has_treatments",
        )
    _check_factors(factors)
    combinations = list(itertools.product(*(factor.levels for factor in factors)))
    check_runs(trial.runs_of(len(combinations)))
    stored = [_store_factor(trial, factor, position) for position, factor in enumerate(factors, start=1)]
    for position, levels in enumerate(combinations, start=1):
        treatment = Treatment(trial=trial, position=position)
        set_treatment(
            treatment,
            name=_name(factors, levels),
            is_control=position == 1,
            technique=_technique(factors, levels),
            doses=[
                DoseOf(factor.additive, level.ml_per_l, level.name)
                for factor, level in zip(factors, levels, strict=True)
                if level.ml_per_l
            ],
        )
        treatment.levels.set(known[level] for known, level in zip(stored, levels, strict=True))
    named = ", ".join(f"{factor.name} ({len(factor.levels)} levels)" for factor in factors)
    write_journal(
        member=recorded_by,
        about=trial,
        what=f"made {len(combinations)} treatments of all combinations: {named}",
    )
    return trial


@transaction.atomic
def remove_factorial(*, trial: Trial, recorded_by) -> Trial:
    """Take the factors and all their combinations out of a draft."""
    require_writer(recorded_by)
    trial = lock_draft(trial)
    if not trial.factors.exists():
        raise Refused(phrase("This draft has no factors."), code="no_factors")
    named = ", ".join(factor.name for factor in trial.factors.all())
    for treatment in trial.treatments.all():
        treatment.doses.all().delete()
        treatment.delete()
    Level.objects.filter(factor__trial=trial).delete()
    trial.factors.all().delete()
    write_journal(member=recorded_by, about=trial, what=f"removed all combinations of {named}")
    return trial


@transaction.atomic
def add_ladder(*, trial: Trial, rungs: Sequence[RungOf], recorded_by) -> Trial:
    """Add a treatment for each dose of a ladder, the one without dose as the control where the draft has none."""
    require_writer(recorded_by)
    trial = draft_with_own_treatments(trial)
    has_control = trial.treatments.filter(is_control=True).exists()
    added = [rung for rung in rungs if rung.dose or not has_control]
    before = trial.treatments.count()
    check_runs(trial.runs_of(before + len(added)))
    for position, rung in enumerate(added, start=before + 1):
        set_treatment(
            Treatment(trial=trial, position=position),
            name=rung.name,
            is_control=rung.dose is None,
            technique="",
            doses=[rung.dose] if rung.dose else [],
        )
    write_journal(
        member=recorded_by,
        about=trial,
        what=f"added a ladder of doses: {', '.join(rung.name for rung in added)}",
    )
    return trial


def _check_factors(factors: Sequence[FactorOf]) -> None:
    if not 1 <= len(factors) <= MOST_FACTORS:
        raise Refused(
            phrase("One factor to {most}: more make too many combinations.", most=MOST_FACTORS),
            code="factor_number",
        )
    names = [factor.name.casefold() for factor in factors]
    if len(set(names)) < len(names):
        raise Refused(phrase("Two factors have the same name."), code="factor_twice")
    additives = [factor.additive.pk for factor in factors if factor.additive]
    if len(set(additives)) < len(additives):
        raise Refused(phrase("The same additive stands in two factors."), code="additive_twice")
    for factor in factors:
        _check_levels(factor)


def _check_levels(factor: FactorOf) -> None:
    if len(factor.levels) not in LEVELS:
        raise Refused(
            phrase_counted(
                "{factor} has {number} level: give {least} to {most}, the control's first.",
                "{factor} has {number} levels: give {least} to {most}, the control's first.",
                len(factor.levels),
                factor=factor.name,
                least=LEVELS.start,
                most=LEVELS.stop - 1,
            ),
            code="level_number",
        )
    names = [level.name.casefold() for level in factor.levels]
    doses = [level.ml_per_l for level in factor.levels] if factor.additive else names
    if len(set(names)) < len(names) or len(set(doses)) < len(doses):
        raise Refused(phrase("Two levels of {factor} are the same.", factor=factor.name), code="level_twice")


def _store_factor(trial: Trial, given: FactorOf, position: int) -> dict[LevelOf, Level]:
    factor = Factor(trial=trial, name=given.name, kind=given.kind, additive=given.additive, position=position)
    factor.full_clean()
    factor.save()
    stored = {}
    for number, level in enumerate(given.levels, start=1):
        row = Level(factor=factor, name=level.name, ml_per_l=level.ml_per_l, position=number)
        row.full_clean()
        row.save()
        stored[level] = row
    return stored


def _name(factors: Sequence[FactorOf], levels: Sequence[LevelOf]) -> str:
    name = ", ".join(f"{factor.name} {level.name}" for factor, level in zip(factors, levels, strict=True))
    if len(name) > LONGEST_NAME:
        raise Refused(
            phrase(
                "“{name}” is longer than a treatment's name ({most} signs): name factors and levels more shortly.",
                name=name,
                most=LONGEST_NAME,
            ),
            code="name_too_long",
        )
    return name


def _technique(factors: Sequence[FactorOf], levels: Sequence[LevelOf]) -> str:
    """What is done besides the doses: the settings of all other factors."""
    pairs = zip(factors, levels, strict=True)
    return "; ".join(f"{factor.name}: {level.name}" for factor, level in pairs if not factor.additive)
