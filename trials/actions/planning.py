"""Planning a trial: the draft, its treatments, and the plan that is drawn once and then stands."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from prospecting.actions.journal import changed_fields, changed_texts, write_journal
from prospecting.actions.material import draw_seed, lock_lots
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase, phrase_counted
from prospecting.calc.mass_balance import portions_need
from prospecting.models import Lot
from trials.actions.judging import why_unjudged
from trials.calc import designs
from trials.calc.designs import MOST_RUNS
from trials.models import Block, Dose, KeyOpening, PlannedRun, Treatment, Trial


@dataclass(frozen=True)
class DoseOf:
    """So much of an additive, as typed and in mL of product per litre of water."""

    additive: object
    ml_per_l: Decimal
    typed: str


@transaction.atomic
def plan_trial(*, recorded_by, **fields) -> Trial:
    """Open a draft; nothing is fixed yet."""
    require_writer(recorded_by)
    trial = Trial(recorded_by=recorded_by, **fields)
    # Locked, so that nobody voids the step that made a lot while a trial is put on it.
    locked = lock_lots(trial.feeds)
    trial.feed_lot = locked[trial.feed_lot.pk]
    if trial.is_bridge:
        trial.new_lot = locked[trial.new_lot.pk]
    _check_draft(trial)
    trial.full_clean()
    trial.save()
    write_journal(member=recorded_by, about=trial, what=f"began planning on lot {trial.feed_lot.code}")
    return trial


@transaction.atomic
def change_trial(*, trial: Trial, recorded_by, **fields) -> Trial:
    """Change a draft. A planned trial no longer changes: plan another one."""
    require_writer(recorded_by)
    trial = lock_draft(trial)
    changes = changed_fields(record=trial, values=fields)
    for name, value in fields.items():
        setattr(trial, name, value)
    _check_draft(trial)
    trial.full_clean()
    trial.save()
    if changes:
        write_journal(member=recorded_by, about=trial, what="changed the draft", changes=changes)
    return trial


@transaction.atomic
def add_treatment(
    *, trial: Trial, name: str, is_control: bool, technique: str, doses: Sequence[DoseOf], recorded_by
) -> Treatment:
    """Add a treatment to a draft; exactly one treatment of a trial is the control."""
    require_writer(recorded_by)
    trial = draft_with_own_treatments(trial)
    treatment = Treatment(trial=trial, position=trial.treatments.count() + 1)
    set_treatment(treatment, name=name, is_control=is_control, technique=technique, doses=doses)
    write_journal(member=recorded_by, about=trial, what=f"added treatment {treatment}")
    return treatment


@transaction.atomic
def change_treatment(
    *, treatment: Treatment, name: str, is_control: bool, technique: str, doses: Sequence[DoseOf], recorded_by
) -> Treatment:
    require_writer(recorded_by)
    trial = draft_with_own_treatments(treatment.trial)
    treatment = trial.treatments.get(pk=treatment.pk)
    before = _as_text(treatment)
    treatment.doses.all().delete()
    set_treatment(treatment, name=name, is_control=is_control, technique=technique, doses=doses)
    write_journal(
        member=recorded_by,
        about=trial,
        what=f"changed treatment {treatment}",
        changes=changed_texts(before, _as_text(treatment)),
    )
    return treatment


@transaction.atomic
def remove_treatment(*, treatment: Treatment, recorded_by) -> Trial:
    """Take a treatment out of a draft. A draft is no evidence yet; the journal keeps that it was there."""
    require_writer(recorded_by)
    trial = draft_with_own_treatments(treatment.trial)
    treatment = trial.treatments.get(pk=treatment.pk)
    treatment.doses.all().delete()
    treatment.delete()
    write_journal(member=recorded_by, about=trial, what=f"removed treatment {treatment.name}")
    return trial


@transaction.atomic
def fix_plan(*, trial: Trial, planned_by, cannot: str = "", reason: str = "") -> Trial:
    """Draw order, blind codes and portions by lot, and store them as a list. From here on the plan stands.

    `cannot` is what the planning page says against the plan, as the books have it, blank where it can answer its question:
    then a reason for planning it all the same is asked for, and both are kept.

    The list is what counts, not the seed: a random generator may change between versions, a stored list does not. Nobody
    is shown the seed before the trial is closed, for whoever has it can draw the plan again and read the key off it.
    """
    require_writer(planned_by)
    trial = lock_draft(trial)
    reason = reason.strip()
    if cannot and not reason:
        raise Refused(
            phrase("{cannot} Mend the plan, or say why you want it all the same.", cannot=cannot),
            code="wishful",
            field="reason",
        )
    locked = lock_lots(trial.feeds)
    treatments = list(trial.treatments.prefetch_related("doses"))
    runs = len(treatments) * trial.blocks_planned
    _check_plan(trial, locked.values(), treatments, runs)
    seed = draw_seed()
    places = draw_places(trial, treatments, seed)
    portion_of: dict[int, int] = {}
    for lot in locked.values():
        of_lot = {treatment.pk for treatment in treatments if trial.lot_of(treatment).pk == lot.pk}
        own_places = [place for place in places if place.treatment in of_lot]
        if trial.portions_from == Trial.PortionsFrom.CUT:
            ready = _portions_for(trial, lot, len(own_places))
            # A seed of its own for each lot, or both would draw the same places of their lists.
            portion_of |= designs.draw_portions(ready, own_places, seed + lot.pk)
        else:
            _check_holds(trial, lot, len(own_places))
    trial.seed = seed
    trial.state = Trial.State.RUNNING
    trial.planned_by = planned_by
    trial.planned_at = timezone.now()
    trial.wishful_reason = reason if cannot else ""
    trial.save()
    blocks = {
        block.number: block
        for block in Block.objects.bulk_create(
            [Block(trial=trial, number=number) for number in range(1, trial.blocks_drawn + 1)]
        )
    }
    PlannedRun.objects.bulk_create(
        [
            PlannedRun(
                trial=trial,
                block=blocks[place.block],
                run_order=place.run_order,
                position=place.position,
                treatment_id=place.treatment,
                blind_code=place.blind_code,
                portion_id=portion_of.get(place.run_order),
            )
            for place in places
        ]
    )
    order = (
        f"{runs} runs in {trial.blocks_planned} blocks" if trial.in_blocks else f"{runs} runs in one order"
    )
    against = f"; the planning page said: {cannot}" if cannot else ""
    write_journal(
        member=planned_by, about=trial, what=f"fixed the plan: {order}{against}", why=trial.wishful_reason
    )
    return trial


def draw_places(trial: Trial, treatments: Sequence[Treatment], seed: int) -> list[designs.Place]:
    """Draw the plan of this trial's design, by the keys of its treatments in their order; Refused where no square fits."""
    try:
        return designs.draw_plan(
            trial.design, [treatment.pk for treatment in treatments], trial.blocks_planned, seed
        )
    except ValueError as error:
        raise Refused(str(error), code="no_square") from None


@transaction.atomic
def open_key(*, trial: Trial, member, reason: str = "") -> KeyOpening:
    """Let the mixer see which code is which treatment, or a keeper who says why; either is on record."""
    require_writer(member)
    trial = Trial.objects.select_for_update().get(pk=trial.pk)
    if trial.state == Trial.State.DRAFT:
        raise Refused(phrase("There is no key yet: the plan has not been fixed."), code="no_plan")
    reason = reason.strip()
    if trial.mixer_id != member.pk:
        if not member.is_keeper:
            raise Refused(
                phrase("The mixing sheet is for the mixer, {mixer}.", mixer=trial.mixer), code="not_mixer"
            )
        if not reason:
            raise Refused(
                phrase("Say why you look: it is kept, and whoever looks is no longer blind."),
                code="reason_missing",
                field="reason",
            )
    opening = KeyOpening.objects.create(trial=trial, member=member, reason=reason)
    write_journal(member=member, about=trial, what="opened the mixing sheet", why=reason)
    return opening


@transaction.atomic
def close_trial(*, trial: Trial, closed_by, reason: str = "") -> Trial:
    """End a trial. Before all planned runs are in, only with a reason: stopping early on a good look misleads."""
    require_writer(closed_by)
    trial = Trial.objects.select_for_update().get(pk=trial.pk)
    if trial.state != Trial.State.RUNNING:
        raise Refused(phrase("Only a running trial can be closed."), code="not_running")
    open_runs = trial.planned_runs.open().count()
    left = (
        phrase_counted(
            "{number} planned runs are not in yet.", "{number} planned runs are not in yet.", open_runs
        )
        if open_runs
        else why_unjudged(trial)
    )
    reason = reason.strip()
    if left:
        if not reason:
            raise Refused(
                phrase("{left} Say why the trial ends early; the verdict will say so too.", left=left),
                code="reason_missing",
                field="reason",
            )
        if not (closed_by.is_keeper or closed_by.pk in (trial.planned_by_id, trial.recorded_by_id)):
            raise Refused(phrase("Only who planned it, or a keeper, ends a trial early."), code="not_yours")
    now = timezone.now()
    trial.blocks.filter(closed_at__isnull=True).update(closed_at=now, closed_by=closed_by)
    trial.state = Trial.State.CLOSED
    trial.closed_at = now
    trial.closed_by = closed_by
    trial.close_reason = reason if left else ""
    trial.save(update_fields=["state", "closed_at", "closed_by", "close_reason"])
    write_journal(
        member=closed_by,
        about=trial,
        what=f"closed, {open_runs} planned runs not done" if open_runs else "closed, every planned run is in",
        why=reason,
    )
    return trial


def lock_draft(trial: Trial) -> Trial:
    """The trial, locked; refused where its plan stands."""
    trial = Trial.objects.select_for_update().get(pk=trial.pk)
    if trial.state != Trial.State.DRAFT:
        raise Refused(
            phrase("The plan of this trial stands: it no longer changes. Plan a new trial instead."),
            code="plan_stands",
        )
    return trial


def draft_with_own_treatments(trial: Trial) -> Trial:
    """The trial, locked; refused where it is no draft, or where its treatments are fixed by what it compares."""
    trial = lock_draft(trial)
    if trial.is_bridge:
        raise Refused(
            phrase("A bridge compares its two lots, both untreated: it has no other treatment."),
            code="bridge_treatments",
        )
    if trial.factors.exists():
        raise Refused(
            phrase(
                "The treatments of this trial are all combinations of its factors: remove them as a whole, then make new ones."
            ),
            code="of_factorial",
        )
    return trial


def _check_draft(trial: Trial) -> None:
    for lot in trial.feeds:
        if lot.is_void:
            field = "feed_lot" if lot.pk == trial.feed_lot_id else "new_lot"
            raise Refused(phrase("{lot} is void.", lot=lot.code), code="lot_void", field=field)
    if not trial.mixer.can_write:
        raise Refused(
            phrase("{mixer} can't record anything, so can't be the mixer.", mixer=trial.mixer),
            code="mixer",
            field="mixer",
        )
    if trial.outcome == Trial.Outcome.PLACES and trial.is_bridge:
        raise Refused(
            phrase(
                "Places say which lot shows more gold, not how much more: nothing could be carried over. Weigh or count."
            ),
            code="bridge_by_place",
            field="outcome",
        )
    if trial.outcome == Trial.Outcome.PLACES and not trial.in_blocks:
        raise Refused(
            phrase("Pans set side by side are judged block by block: choose blocks or a square."),
            code="row_is_a_block",
            field="design",
        )


def _as_text(treatment: Treatment) -> dict[str, str]:
    doses = treatment.doses.select_related("additive")
    return {
        "name": treatment.name,
        "control": "yes" if treatment.is_control else "",
        "technique": treatment.technique,
        "doses": ", ".join(f"{dose.additive}: {dose.typed}" for dose in doses),
    }


def set_treatment(
    treatment: Treatment, *, name: str, is_control: bool, technique: str, doses: Sequence[DoseOf]
) -> None:
    """Give a treatment these values, whole and unlike the others of its trial, and store it."""
    others = treatment.trial.treatments.exclude(pk=treatment.pk)
    if is_control and others.filter(is_control=True).exists():
        raise Refused(
            phrase("This trial has its control already: one, and only one."),
            code="second_control",
            field="is_control",
        )
    if others.filter(name__iexact=name).exists():
        raise Refused(
            phrase("Another treatment of this trial has that name."), code="name_taken", field="name"
        )
    if not is_control and not doses and not technique.strip():
        raise Refused(
            phrase(
                "Say what is done: a dose of an additive, a technique or gear, or both. Nothing at all is the control."
            ),
            code="nothing_done",
            field="technique",
        )
    if len({dose.additive.pk for dose in doses}) < len(doses):
        raise Refused(phrase("The same additive stands here twice."), code="additive_twice", field="dose")
    treatment.name = name
    treatment.is_control = is_control
    treatment.technique = technique
    treatment.full_clean(exclude=["trial"])
    treatment.save()
    Dose.objects.bulk_create(
        [Dose(treatment=treatment, additive=d.additive, ml_per_l=d.ml_per_l, typed=d.typed) for d in doses]
    )


def _portions_for(trial: Trial, lot: Lot, needed: int) -> list[int]:
    """The untouched portions of this lot, locked; at least as many as its runs need."""
    ready = [
        each.pk for each in lock_lots(trial.portions_ready(lot)).values() if each.on_hand_g == each.mass_g
    ]
    if len(ready) < needed:
        raise Refused(
            phrase(
                "The plan needs {needed} equal portions; {ready} untouched ones of about {portion} are cut from {lot}. Cut "
                "{more} more, or plan fewer blocks.",
                needed=needed,
                ready=len(ready),
                portion=trial.portion_typed,
                lot=lot.code,
                more=needed - len(ready),
            ),
            code="too_few_portions",
        )
    return ready


def _check_holds(trial: Trial, lot: Lot, needed: int) -> None:
    if lot.reserve_reason:
        raise Refused(
            phrase(
                "{lot} is held back ({reason}): release it first, or pan portions cut from it.",
                lot=lot.code,
                reason=lot.reserve_reason,
            ),
            code="held_back",
        )
    if portions_need(lot.on_hand_g, needed, trial.portion_mass_g).short_g:
        raise Refused(
            phrase(
                "{needed} portions of {portion} are more than {lot} holds. Plan fewer blocks, smaller portions or fewer "
                "treatments.",
                needed=needed,
                portion=trial.portion_typed,
                lot=lot.code,
            ),
            code="lot_too_small",
        )


def _check_plan(trial: Trial, lots: Collection[Lot], treatments: Sequence[Treatment], runs: int) -> None:
    for lot in lots:
        if lot.is_void:
            raise Refused(phrase("{lot} is void.", lot=lot.code), code="lot_void")
    if len(treatments) < 2:
        raise Refused(
            phrase("A trial compares at least two treatments, one of them the control."),
            code="too_few_treatments",
        )
    if not any(treatment.is_control for treatment in treatments):
        raise Refused(
            phrase("No treatment is the control. Without one, nobody can say what the others did."),
            code="no_control",
        )
    seen: dict[tuple, Treatment] = {}
    for treatment in treatments:
        content = (
            trial.lot_of(treatment).pk,
            treatment.technique.strip().lower(),
            *sorted((d.additive_id, d.ml_per_l) for d in treatment.doses.all()),
        )
        if content in seen:
            raise Refused(
                phrase(
                    "{treatment} and {other} are the same thing done.",
                    treatment=treatment,
                    other=seen[content],
                ),
                code="same_treatment",
            )
        seen[content] = treatment
    if trial.blocks_planned < 2:
        raise Refused(
            phrase("One block can't tell treatments from chance: plan at least three.")
            if trial.in_blocks
            else phrase("One run of each can't tell treatments from chance: plan at least three."),
            code="one_block",
        )
    check_runs(runs)


def check_runs(runs: int) -> None:
    if runs > MOST_RUNS:
        raise Refused(
            phrase("{runs} runs are more than one plan takes ({most}).", runs=runs, most=MOST_RUNS),
            code="too_many_runs",
        )
