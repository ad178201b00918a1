"""Settled mud: what a run's tub, or one of a clearing test, had taken down, panned out of it once and corrected with a reason."""

from django.db import transaction

from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.number_words import as_written
from trials.actions.running import PannedAgain, keep_panned_again, reason_to_correct
from trials.models import ClearingTest, Run, SettledMud, Tub

WHAT = to_phrase("the mud")


@transaction.atomic
def log_run_mud(*, run: Run, mud: PannedAgain, recorded_by) -> SettledMud:
    """Keep what the mud of a run's tub gave: once per run, a result of its own. Nothing here reads the run's treatment."""
    require_writer(recorded_by)
    run = Run.objects.select_for_update().get(pk=run.pk)
    if run.step.is_void:
        raise Refused(phrase("This run is void."), code="run_void")
    if SettledMud.objects.filter(run=run).exists():
        raise Refused(phrase("The mud of this run is in already."), code="mud_already")
    kept = SettledMud(run=run, recorded_by=recorded_by)
    keep_panned_again(kept, mud, what=WHAT)
    write_journal(member=recorded_by, about=run, what="panned the mud of its tub")
    return kept


@transaction.atomic
def log_tub_mud(*, tub: Tub, mud: PannedAgain, recorded_by) -> SettledMud:
    """Keep what the mud of a clearing test's tub gave, once per tub; it may still be watched, or never have been read."""
    require_writer(recorded_by)
    test = ClearingTest.objects.select_for_update().get(pk=tub.test_id)
    if SettledMud.objects.filter(tub=tub).exists():
        raise Refused(phrase("The mud of {tub} is in already.", tub=tub), code="mud_already")
    kept = SettledMud(tub=tub, recorded_by=recorded_by)
    keep_panned_again(kept, mud, what=WHAT)
    with as_written():
        panned = f"panned the mud of {tub}"
    write_journal(member=recorded_by, about=test, what=panned)
    return kept


@transaction.atomic
def correct_mud(*, kept: SettledMud, mud: PannedAgain, reason: str, recorded_by) -> SettledMud:
    """Correct what mud gave: of a run under the same rule as the run itself, of a tub by who logged it or a keeper."""
    require_writer(recorded_by)
    run, test = None, None
    if kept.run_id:
        run = Run.objects.select_for_update().get(pk=kept.run_id)
    else:
        test = ClearingTest.objects.select_for_update().get(pk=kept.tub.test_id)
    kept = SettledMud.objects.select_for_update().get(pk=kept.pk)
    reason = reason_to_correct(run, kept.recorded_by_id, reason, recorded_by)
    changes = keep_panned_again(kept, mud, what=WHAT)
    with as_written():
        corrected = f"corrected the mud of {kept.tub or 'its tub'}"
    write_journal(member=recorded_by, about=run or test, what=corrected, why=reason, changes=changes)
    return kept
