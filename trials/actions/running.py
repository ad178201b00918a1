"""Runs: logged in the planned order or alone, kept when they failed, corrected with a reason, never deleted."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from prospecting.actions.journal import write_journal
from prospecting.actions.material import DrawFrom, StepDetails, void_step
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.actions.steps import recover_gold
from prospecting.models import Lot, Photo
from trials.models import Block, ColourCount, PlannedRun, Run, Trial


@dataclass(frozen=True)
class Portion:
    """The mass put through, in grams and as typed; `is_whole` when it is all of its lot, not weighed again."""

    mass_g: Decimal
    typed: str
    is_whole: bool = False


@dataclass(frozen=True)
class RunResult:
    """What one run gave and how it was done. `colours` maps a size class to a count; an empty one means not counted."""

    panned_on: datetime.date
    panner: object
    gold_mg: Decimal | None = None
    gold_typed: str = ""
    below_scale: bool = False
    scale_step_mg: Decimal | None = None
    colours: Mapping[str, int] = field(default_factory=dict)
    soak_min: Decimal | None = None
    pan_min: Decimal | None = None
    pan: str = ""
    water: str = ""
    guess: str = ""
    note: str = ""
    photo: Photo | None = None
    failed: bool = False
    fail_reason: str = ""

    def fields(self) -> dict:
        """The Run's own columns; the colours are rows of their own."""
        return {name: value for name, value in vars(self).items() if name != "colours"}


@transaction.atomic
def log_run(*, planned: PlannedRun, result: RunResult, recorded_by, portion: Portion | None = None) -> Run:
    """Log a planned run. A cut portion is used whole; a measured one needs its mass."""
    require_writer(recorded_by)
    trial = Trial.objects.select_for_update().get(pk=planned.trial_id)
    planned = PlannedRun.objects.select_related("portion", "block", "treatment").get(pk=planned.pk)
    if trial.state != Trial.State.RUNNING or planned.block.closed_at is not None:
        raise Refused("This trial is closed: no more runs are logged.", code="trial_closed")
    if Run.objects.filter(planned=planned).exists():
        raise Refused(f"Run {planned.blind_code} is in already.", code="logged_already")
    _check_outcome(trial, result)
    if planned.portion is not None:
        lot = Lot.objects.get(pk=planned.portion_id)
        portion = Portion(mass_g=lot.on_hand_g, typed=lot.mass_typed, is_whole=True)
    elif portion is None:
        raise Refused("Weigh the portion you take out of the lot.", code="portion_missing", field="portion")
    else:
        lot = trial.lot_of(planned.treatment)
    run = _record(lot=lot, portion=portion, result=result, planned=planned, recorded_by=recorded_by)
    write_journal(
        member=recorded_by,
        about=run,
        what=f"logged {planned.blind_code} as failed" if result.failed else f"logged {planned.blind_code}",
        why=result.fail_reason,
    )
    return run


@transaction.atomic
def log_test_pan(*, lot: Lot, portion: Portion, result: RunResult, recorded_by) -> Run:
    """Log a run that stands alone: a test pan of a lot."""
    require_writer(recorded_by)
    _check_result(result)
    run = _record(lot=lot, portion=portion, result=result, planned=None, recorded_by=recorded_by)
    write_journal(
        member=recorded_by, about=run, what=f"logged a test pan of {lot.code}", why=result.fail_reason
    )
    return run


@transaction.atomic
def correct_run(*, run: Run, result: RunResult, reason: str, recorded_by) -> Run:
    """Correct what a run gave. Before its block is closed who logged it may; after that only a keeper, who says why."""
    require_writer(recorded_by)
    run = Run.objects.select_for_update().get(pk=run.pk)
    planned = run.planned
    reason = reason.strip()
    if not reason:
        raise Refused("Say why it is corrected.", code="reason_missing", field="reason")
    if run.step.is_void:
        raise Refused("This run is void.", code="run_void")
    if not recorded_by.is_keeper:
        if run.recorded_by_id != recorded_by.pk:
            raise Refused("Only who logged a run, or a keeper, corrects it.", code="not_yours")
        if planned is not None and planned.block.closed_at is not None:
            raise Refused(
                "The key of this block is open, so a correction could follow a wish. Ask a keeper.",
                code="key_open",
            )
    if planned is not None:
        _check_outcome(planned.trial, result)
    else:
        _check_result(result)
    before = _as_text(run)
    for name, value in result.fields().items():
        if name == "photo" and value is None:
            continue
        setattr(run, name, value)
    run.full_clean(exclude=["step", "lot", "planned", "recorded_by"])
    run.save()
    run.colours.all().delete()
    _count_colours(run, result)
    after = _as_text(run)
    changes = {name: [before[name], after[name]] for name in before if before[name] != after[name]}
    write_journal(member=recorded_by, about=run, what="corrected", why=reason, changes=changes)
    return run


@transaction.atomic
def void_run(*, run: Run, reason: str, voided_by) -> Run:
    """Take a test pan back: its portion returns to the lot. A trial's run is never voided; it is marked failed instead."""
    # Locked by void_step, its step first: a correction of masses locks steps before the runs they belong to.
    run = Run.objects.get(pk=run.pk)
    if run.planned_id is not None:
        raise Refused(
            "A run of a trial stays in the record. If it went wrong, correct it: mark it failed and say why.",
            code="planned_run",
        )
    void_step(step=run.step, reason=reason, voided_by=voided_by)
    write_journal(member=voided_by, about=run, what="voided", why=reason.strip())
    run.refresh_from_db()
    return run


@transaction.atomic
def close_block(*, block: Block, closed_by) -> Block:
    """Close a block once all its runs are in: its key may be read from then on. The last block closes the trial."""
    require_writer(closed_by)
    trial = Trial.objects.select_for_update().get(pk=block.trial_id)
    block = Block.objects.select_for_update().get(pk=block.pk)
    if trial.state != Trial.State.RUNNING or block.closed_at is not None:
        raise Refused(f"{block} is closed already.", code="closed_already")
    missing = [planned.blind_code for planned in block.planned_runs.open()]
    if missing:
        raise Refused(
            f"Not in yet: {', '.join(missing)}. Log them first, failed ones too.", code="runs_missing"
        )
    now = timezone.now()
    block.closed_at = now
    block.closed_by = closed_by
    block.save(update_fields=["closed_at", "closed_by"])
    write_journal(member=closed_by, about=trial, what=f"closed block {block.number}")
    if not trial.blocks.filter(closed_at__isnull=True).exists():
        trial.state = Trial.State.CLOSED
        trial.closed_at = now
        trial.closed_by = closed_by
        trial.save(update_fields=["state", "closed_at", "closed_by"])
        write_journal(member=closed_by, about=trial, what="closed, every planned run is in")
    return block


def _record(*, lot: Lot, portion: Portion, result: RunResult, planned: PlannedRun | None, recorded_by) -> Run:
    step = recover_gold(
        draw=DrawFrom(
            lot=lot,
            mass_g=portion.mass_g,
            typed=portion.typed,
            field="portion",
            takes_all=portion.is_whole,
        ),
        recorded_by=recorded_by,
        done_on=result.panned_on,
        details=StepDetails(people=str(result.panner)),
    )
    run = Run(
        planned=planned,
        lot=lot,
        step=step,
        portion_mass_g=portion.mass_g,
        portion_typed=portion.typed,
        recorded_by=recorded_by,
        **result.fields(),
    )
    run.full_clean(exclude=["step", "lot", "planned", "recorded_by", "photo"])
    run.save()
    _count_colours(run, result)
    return run


def _count_colours(run: Run, result: RunResult) -> None:
    ColourCount.objects.bulk_create(
        [
            ColourCount(run=run, size_class=size_class, count=number)
            for size_class, number in result.colours.items()
        ]
    )


def _check_outcome(trial: Trial, result: RunResult) -> None:
    """A run of a trial brings what the trial is judged by, unless it failed."""
    _check_result(result)
    if result.failed:
        return
    if trial.outcome == Trial.Outcome.GOLD_MASS and result.gold_mg is None and not result.below_scale:
        raise Refused(
            "This trial is judged by weight: weigh the gold, or say that it does not show on the scale.",
            code="outcome_missing",
            field="gold",
        )
    if trial.outcome == Trial.Outcome.COLOURS and not result.colours:
        raise Refused(
            "This trial is judged by colours: count them. If there was none, type 0.",
            code="outcome_missing",
            field="colours",
        )


def _check_result(result: RunResult) -> None:
    if result.failed:
        if not result.fail_reason.strip():
            raise Refused("Say what went wrong.", code="reason_missing", field="fail_reason")
        return
    if result.below_scale and result.gold_mg is not None:
        raise Refused(
            "Either a weight, or nothing on the scale: not both.",
            code="weighed_and_below",
            field="below_scale",
        )
    if result.below_scale and not result.scale_step_mg:
        raise Refused(
            "Give the scale's step: without it nobody knows how little 'nothing' is.",
            code="step_missing",
            field="scale_step",
        )
    if result.gold_mg is not None and result.scale_step_mg and result.gold_mg < result.scale_step_mg:
        raise Refused(
            f"{result.gold_typed} is less than one step of this scale. Tick that it does not show on the scale.",
            code="below_step",
            field="gold",
        )
    if result.gold_mg is None and not result.below_scale and not result.colours:
        raise Refused(
            "Weigh the gold, say that it does not show on the scale, or count colours.",
            code="nothing_seen",
            field="gold",
        )


def _as_text(run: Run) -> dict[str, str]:
    colours = ", ".join(f"{count.count} {count.size_class}" for count in run.colours.order_by("size_class"))
    names = [name for name in RunResult.__dataclass_fields__ if name != "colours"]
    values = {name: getattr(run, name) for name in names}
    return {name: "" if value is None else str(value) for name, value in values.items()} | {
        "colours": colours
    }
