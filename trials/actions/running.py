"""Runs: logged in the planned order or alone, kept when they failed, corrected with a reason, never deleted."""

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from prospecting.actions.journal import changed_texts, write_journal, write_many
from prospecting.actions.material import ROWS_AT_ONCE, DrawFrom, StepDetails, record_many, void_step
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.actions.steps import recover_gold
from prospecting.calc.language import phrase, to_phrase
from prospecting.calc.weighing import weighed_gold_mg
from prospecting.models import Lot, OldSheet, Photo, Step
from trials.actions.judging import check_judged
from trials.models import (
    Block,
    ColourCount,
    PlannedRun,
    Run,
    SettledMud,
    TailsPan,
    Treatment,
    Trial,
    Weighing,
)


@dataclass(frozen=True)
class Portion:
    """The mass put through, in grams and as typed; `is_whole` when it is all of its lot, not weighed again."""

    mass_g: Decimal
    typed: str
    is_whole: bool = False


@dataclass(frozen=True)
class Reading:
    """What the scale showed once, in milligrams and as typed."""

    mg: Decimal
    typed: str


@dataclass(frozen=True)
class RunResult:
    """What one run gave and how it was done. `colours` maps a size class to a count; an empty one means not counted.

    `gold_mg` is the mean of `weighings` less `tare_mg`; a result without weighings was known as one mass.
    """

    panned_on: datetime.date
    panner: object
    gold_mg: Decimal | None = None
    gold_typed: str = ""
    below_scale: bool = False
    scale_step_mg: Decimal | None = None
    weighings: Sequence[Reading] = ()
    tare_mg: Decimal | None = None
    tare_typed: str = ""
    colours: Mapping[str, int] = field(default_factory=dict)
    began_at: datetime.datetime | None = None
    ended_at: datetime.datetime | None = None
    soak_min: Decimal | None = None
    pan_min: Decimal | None = None
    pan: str = ""
    light: str = ""
    water: str = ""
    water_batch: str = ""
    water_uses: int | None = None
    water_temp_c: Decimal | None = None
    water_temp_typed: str = ""
    water_hardness_mg_per_l: Decimal | None = None
    water_hardness_typed: str = ""
    guess_treatment: Treatment | None = None
    guess: str = ""
    note: str = ""
    photo: Photo | None = None
    failed: bool = False
    fail_kind: str = ""
    fail_reason: str = ""

    def fields(self) -> dict:
        """The Run's own columns; colours and weighings are rows of their own."""
        return {name: value for name, value in vars(self).items() if name not in ROWS}


# Records that were just read.
UNCLEANED = ["step", "lot", "planned", "panner", "recorded_by", "photo"]
TAILS = to_phrase("the tails")
# What of a result is kept in rows beside the run.
ROWS = ("colours", "weighings")


@dataclass(frozen=True)
class PannedAgain:
    """What a run's tails, or the mud that settled in a tub, gave when panned once more. `colours` None: not counted."""

    panned_on: datetime.date
    panner: object
    gold_mg: Decimal | None = None
    gold_typed: str = ""
    below_scale: bool = False
    scale_step_mg: Decimal | None = None
    colours: int | None = None
    note: str = ""


@transaction.atomic
def log_run(*, planned: PlannedRun, result: RunResult, recorded_by, portion: Portion | None = None) -> Run:
    """Log a planned run. A cut portion is used whole; a measured one needs its mass."""
    require_writer(recorded_by)
    trial = Trial.objects.select_for_update().get(pk=planned.trial_id)
    planned = PlannedRun.objects.select_related("portion", "block", "treatment").get(pk=planned.pk)
    if trial.state != Trial.State.RUNNING or planned.block.closed_at is not None:
        raise Refused(phrase("This trial is closed: no more runs are logged."), code="trial_closed")
    if Run.objects.filter(planned=planned).exists():
        raise Refused(phrase("Run {code} is in already.", code=planned.blind_code), code="logged_already")
    _check_outcome(trial, result)
    if planned.portion is not None:
        lot = Lot.objects.get(pk=planned.portion_id)
        portion = Portion(mass_g=lot.on_hand_g, typed=lot.mass_typed, is_whole=True)
    elif portion is None:
        raise Refused(
            phrase("Weigh the portion you take out of the lot."), code="portion_missing", field="portion"
        )
    else:
        lot = trial.lot_of(planned.treatment)
    try:
        run = _record(lot=lot, portion=portion, result=result, planned=planned, recorded_by=recorded_by)
    except Refused as refusal:
        if not trial.is_bridge:
            raise
        # A bridge's lot is its key: the sentence must not name it.
        raise Refused(
            phrase(
                "The lot that {code} comes from can't give this portion. Ask {mixer}, who knows which it is.",
                code=planned.blind_code,
                mixer=trial.mixer,
            ),
            code=refusal.code,
            field=refusal.field,
        ) from None
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
    _check_test_pan(result)
    run = _record(lot=lot, portion=portion, result=result, planned=None, recorded_by=recorded_by)
    write_journal(
        member=recorded_by, about=run, what=f"logged a test pan of {lot.code}", why=result.fail_reason
    )
    return run


@dataclass(frozen=True)
class PanOfLot:
    """One of many test pans logged at once, and where it was taken in from."""

    lot: Lot
    portion: Portion
    result: RunResult
    old_sheet: OldSheet | None = None
    old_sheet_line: int | None = None

    def step_details(self) -> StepDetails:
        return StepDetails(
            people=str(self.result.panner), old_sheet=self.old_sheet, old_sheet_line=self.old_sheet_line
        )


@transaction.atomic
def log_test_pans(*, pans: Sequence[PanOfLot], recorded_by) -> list[Run]:
    """Log many test pans as `log_test_pan` would one after the other, their rows written together."""
    require_writer(recorded_by)
    for pan in pans:
        _check_test_pan(pan.result)
    steps = record_many(
        kind=Step.Kind.RECOVER,
        steps=[([_draw_of(pan.lot, pan.portion)], pan.result.panned_on, pan.step_details()) for pan in pans],
        recorded_by=recorded_by,
    )
    runs = [
        _new_run(
            lot=pan.lot,
            step=step,
            portion=pan.portion,
            result=pan.result,
            planned=None,
            recorded_by=recorded_by,
        )
        for pan, step in zip(pans, steps, strict=True)
    ]
    for run in runs:
        _clean(run)
    runs = Run.objects.bulk_create(runs, batch_size=ROWS_AT_ONCE)
    _keep_rows([(run, pan.result) for run, pan in zip(runs, pans, strict=True)])
    write_many(
        member=recorded_by,
        told=((run, f"logged a test pan of {run.lot.code}", run.fail_reason) for run in runs),
    )
    return runs


@transaction.atomic
def correct_run(*, run: Run, result: RunResult, reason: str, recorded_by) -> Run:
    """Correct what a run gave. Before its block is closed who logged it may; after that only a keeper, who says why."""
    require_writer(recorded_by)
    run = Run.objects.select_for_update().get(pk=run.pk)
    reason = reason_to_correct(run, run.recorded_by_id, reason, recorded_by)
    if run.planned is not None:
        _check_outcome(run.planned.trial, result)
    else:
        _check_test_pan(result)
    before = _as_text(run)
    for name, value in result.fields().items():
        if name == "photo" and value is None:
            continue
        setattr(run, name, value)
    run.full_clean(exclude=["step", "lot", "planned", "recorded_by"])
    run.save()
    run.colours.all().delete()
    run.weighings.all().delete()
    _keep_rows([(run, result)])
    write_journal(
        member=recorded_by,
        about=run,
        what="corrected",
        why=reason,
        changes=changed_texts(before, _as_text(run)),
    )
    return run


@transaction.atomic
def log_tails(*, run: Run, tails: PannedAgain, recorded_by) -> TailsPan:
    """Keep what a run's tails gave when panned once more: once per run, a result of its own."""
    require_writer(recorded_by)
    run = Run.objects.select_for_update().get(pk=run.pk)
    if run.step.is_void:
        raise Refused(phrase("This run is void."), code="run_void")
    if TailsPan.objects.filter(run=run).exists():
        raise Refused(phrase("The tails of this run are in already."), code="tails_already")
    kept = TailsPan(run=run, recorded_by=recorded_by)
    keep_panned_again(kept, tails, what=TAILS)
    write_journal(member=recorded_by, about=run, what="panned its tails again")
    return kept


@transaction.atomic
def correct_tails(*, run: Run, tails: PannedAgain, reason: str, recorded_by) -> TailsPan:
    """Correct what a run's tails gave, under the same rule as the run itself."""
    require_writer(recorded_by)
    run = Run.objects.select_for_update().get(pk=run.pk)
    kept = TailsPan.objects.get(run=run)
    reason = reason_to_correct(run, kept.recorded_by_id, reason, recorded_by)
    changes = keep_panned_again(kept, tails, what=TAILS)
    write_journal(member=recorded_by, about=run, what="corrected its tails", why=reason, changes=changes)
    return kept


def keep_panned_again(kept: TailsPan | SettledMud, found: PannedAgain, *, what: str) -> dict[str, list[str]]:
    """Write into `kept` what was found in `what` (a few words for a refusal); returns what changed, old and new, as text."""
    _check_weight(found)
    if found.gold_mg is None and not found.below_scale and found.colours is None:
        raise Refused(
            phrase(
                "Weigh what {what} still held, say that it does not show on the scale, or count its colours.",
                what=phrase(what),
            ),
            code="nothing_seen",
            field="gold",
        )
    before = _texts(kept, vars(found)) if kept.pk else {}
    for name, value in vars(found).items():
        setattr(kept, name, value)
    kept.full_clean(exclude=["run", "recorded_by"])
    kept.save()
    return changed_texts(before, _texts(kept, vars(found)))


@transaction.atomic
def void_run(*, run: Run, reason: str, voided_by) -> Run:
    """Take a test pan back: its portion returns to the lot. A trial's run is never voided; it is marked failed instead."""
    # Locked by void_step, its step first: a correction of masses locks steps before the runs they belong to.
    run = Run.objects.get(pk=run.pk)
    if run.planned_id is not None:
        raise Refused(
            phrase(
                "A run of a trial stays in the record. If it went wrong, correct it: mark it failed and say why."
            ),
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
        raise Refused(phrase("{block} is closed already.", block=block), code="closed_already")
    missing = [planned.blind_code for planned in block.planned_runs.open()]
    if missing:
        raise Refused(
            phrase("Not in yet: {codes}. Log them first, failed ones too.", codes=", ".join(missing)),
            code="runs_missing",
        )
    if trial.outcome == Trial.Outcome.PLACES:
        check_judged(block)
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
        draw=_draw_of(lot, portion),
        recorded_by=recorded_by,
        done_on=result.panned_on,
        details=StepDetails(people=str(result.panner)),
    )
    run = _new_run(
        lot=lot, step=step, portion=portion, result=result, planned=planned, recorded_by=recorded_by
    )
    _clean(run)
    run.save()
    _keep_rows([(run, result)])
    return run


def _clean(run: Run) -> None:
    """The database itself asks its constraints, all of them refused in words before: to ask each by a query takes long."""
    run.full_clean(exclude=UNCLEANED, validate_unique=False, validate_constraints=False)


def _draw_of(lot: Lot, portion: Portion) -> DrawFrom:
    return DrawFrom(
        lot=lot, mass_g=portion.mass_g, typed=portion.typed, field="portion", takes_all=portion.is_whole
    )


def _new_run(*, lot: Lot, step: Step, portion: Portion, result: RunResult, planned, recorded_by) -> Run:
    return Run(
        planned=planned,
        lot=lot,
        step=step,
        portion_mass_g=portion.mass_g,
        portion_typed=portion.typed,
        recorded_by=recorded_by,
        **result.fields(),
    )


def _keep_rows(results: Sequence[tuple[Run, RunResult]]) -> None:
    Weighing.objects.bulk_create(
        [
            Weighing(run=run, position=position, reading_mg=reading.mg, typed=reading.typed)
            for run, result in results
            for position, reading in enumerate(result.weighings, start=1)
        ],
        batch_size=ROWS_AT_ONCE,
    )
    ColourCount.objects.bulk_create(
        [
            ColourCount(run=run, size_class=size_class, count=number)
            for run, result in results
            for size_class, number in result.colours.items()
        ],
        batch_size=ROWS_AT_ONCE,
    )


def reason_to_correct(run: Run | None, logged_by_id: int, reason: str, corrected_by) -> str:
    """The reason, tidied; refused where there is none, or where this member may not correct what stands there.

    `run` is what it belongs to; None where there is none, and so no key.
    """
    reason = reason.strip()
    if not reason:
        raise Refused(phrase("Say why it is corrected."), code="reason_missing", field="reason")
    if run is not None and run.step.is_void:
        raise Refused(phrase("This run is void."), code="run_void")
    if not corrected_by.is_keeper:
        if logged_by_id != corrected_by.pk:
            raise Refused(phrase("Only who logged it, or a keeper, corrects it."), code="not_yours")
        if run is not None and run.planned is not None and run.planned.block.closed_at is not None:
            raise Refused(
                phrase("The key of this block is open, so a correction could follow a wish. Ask a keeper."),
                code="key_open",
            )
    return reason


def _check_outcome(trial: Trial, result: RunResult) -> None:
    """A run of a trial brings what the trial is judged by, unless it failed. A place is given later, by the judges."""
    _check_result(result)
    if result.failed:
        return
    if result.guess_treatment is not None and result.guess_treatment.trial_id != trial.pk:
        raise Refused(
            phrase("Guess one of this trial's treatments."), code="other_trial", field="guess_treatment"
        )
    if trial.outcome == Trial.Outcome.GOLD_MASS and result.gold_mg is None and not result.below_scale:
        raise Refused(
            phrase(
                "This trial is judged by weight. Weigh the gold, or say that it does not show on the scale."
            ),
            code="outcome_missing",
            field="gold",
        )
    if trial.outcome == Trial.Outcome.COLOURS and not result.colours:
        raise Refused(
            phrase("This trial is judged by colours: count them. If there was none, type 0."),
            code="outcome_missing",
            field="colours",
        )


def _check_test_pan(result: RunResult) -> None:
    """A test pan brings a weight or colours, unless it failed."""
    _check_result(result)
    if not result.failed and result.gold_mg is None and not result.below_scale and not result.colours:
        raise Refused(
            phrase("Weigh the gold, say that it does not show on the scale, or count colours."),
            code="nothing_seen",
            field="gold",
        )


def _check_result(result: RunResult) -> None:
    if result.failed:
        if not result.fail_reason.strip():
            raise Refused(phrase("Say what went wrong."), code="reason_missing", field="fail_reason")
    else:
        _check_weight(result)
    if not result.weighings:
        return
    try:
        weighed_mg = weighed_gold_mg([reading.mg for reading in result.weighings], result.tare_mg)
    except ValueError as error:
        raise Refused(str(error), code="not_above_dish", field="gold") from None
    if weighed_mg != result.gold_mg:
        raise Refused(
            phrase("The readings make {made} mg, not {typed} mg.", made=weighed_mg, typed=result.gold_mg),
            code="weighings_differ",
            field="gold",
        )


def _check_weight(result: RunResult | PannedAgain) -> None:
    if result.below_scale and result.gold_mg is not None:
        raise Refused(
            phrase("Either a weight, or nothing on the scale: not both."),
            code="weighed_and_below",
            field="below_scale",
        )
    if result.below_scale and not result.scale_step_mg:
        raise Refused(
            phrase("Give the scale's step: without it nobody knows how little 'nothing' is."),
            code="step_missing",
            field="scale_step",
        )
    if result.gold_mg is not None and result.scale_step_mg and result.gold_mg < result.scale_step_mg:
        raise Refused(
            phrase(
                "{gold} is less than one step of this scale. Tick that it does not show on the scale, and leave the weight "
                "empty.",
                gold=result.gold_typed,
            ),
            code="below_step",
            field="gold",
        )


def _as_text(run: Run) -> dict[str, str]:
    return _texts(run, [name for name in RunResult.__dataclass_fields__ if name not in ROWS]) | {
        "colours": ", ".join(
            f"{each.count} {each.size_class}" for each in run.colours.order_by("size_class")
        ),
        "weighings": ", ".join(each.typed for each in run.weighings.all()),
    }


def _texts(record: Run | TailsPan | SettledMud, names: Iterable[str]) -> dict[str, str]:
    values = {name: getattr(record, name) for name in names}
    return {name: "" if value is None else str(value) for name, value in values.items()}
