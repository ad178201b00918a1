"""Corrected masses of a step together with the runs that repeat them."""

from functools import partial

from django.db import transaction

from prospecting.actions.correction import Change, Correction, correct_masses
from prospecting.actions.journal import write_journal
from prospecting.actions.refusal import Refused
from prospecting.calc import units
from prospecting.calc.grade import below_scale_grade, grade_g_per_t
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.models import Draw
from trials.models import Run


def correct_step(*, reason: str, corrected_by, **masses) -> Correction:
    """prospecting.actions.correction.correct_masses, with the portions and grades of the runs concerned following."""
    follow = partial(_correct_portions, reason=reason.strip(), corrected_by=corrected_by)
    return correct_masses(reason=reason, corrected_by=corrected_by, follow=follow, **masses)


def preview_correction(**wanted) -> Correction:
    """What correct_step would change and say, with nothing stored."""
    with transaction.atomic():
        correction = correct_step(**wanted)
        transaction.set_rollback(True)
    return correction


def _correct_portions(draws: list[Draw], *, reason: str, corrected_by) -> list[Change]:
    by_step = {draw.step_id: draw for draw in draws}
    runs = Run.objects.select_for_update(of=("self",)).filter(step__in=by_step).order_by("pk")
    changes = []
    for run in runs.select_related("step", "planned__block"):
        if run.planned_id is not None and not run.key_hidden and not corrected_by.is_keeper:
            raise Refused(
                phrase(
                    "The key of run {code} is open, so a correction of its portion could follow a wish. Ask a keeper.",
                    code=run.planned.blind_code,
                ),
                code="key_open",
            )
        changes += _correct_portion(run, by_step[run.step_id], reason, corrected_by)
    return changes


@as_written()
def _correct_portion(run: Run, draw: Draw, reason: str, corrected_by) -> list[Change]:
    typed_before, grade_before = run.portion_typed, _grade(run, corrected_by.grade_unit)
    run.portion_mass_g = draw.mass_g
    run.portion_typed = draw.mass_typed.removeprefix("all, ")
    run.save(update_fields=["portion_mass_g", "portion_typed"])
    write_journal(
        member=corrected_by,
        about=run,
        what="portion corrected",
        why=reason,
        changes={"portion_typed": [typed_before, run.portion_typed]},
    )
    changes = [Change(f"{run}: portion", typed_before, run.portion_typed)]
    if grade_before:
        after = _grade(run, corrected_by.grade_unit)
        changes.append(Change(f"{run}: recovered grade", grade_before, after))
    return changes


def _grade(run: Run, unit: str) -> str:
    """What the run's gold means as a grade; blank where there is none, or where nobody may know it yet."""
    if run.failed or run.key_hidden:
        return ""
    if run.below_scale:
        limit = below_scale_grade(run.scale_step_mg, run.portion_mass_g)
        return f"under {units.format_grade(limit, unit)}"
    return units.format_grade(grade_g_per_t(run.gold_mg, run.portion_mass_g), unit) if run.gold_mg else ""
