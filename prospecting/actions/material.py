"""The one door through which mass moves: every step draws from lots and makes new ones here, under a row lock."""

import datetime
import secrets
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from random import SystemRandom

from django.db import transaction
from django.utils import timezone
from django.utils.formats import date_format

from prospecting.actions.journal import write_journal, write_many
from prospecting.actions.permission import require_keeper, require_writer
from prospecting.actions.refusal import Refused, said_when_read
from prospecting.calc import codes, lineage, mass_balance, units
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.models import Contamination, Dig, Draw, Lot, OldSheet, Origin, Step

_rng = SystemRandom()
ROWS_AT_ONCE = 500


@dataclass(frozen=True)
class DrawFrom:
    """So much to be taken from a lot; `field` names the form field a refusal stands beside."""

    lot: Lot
    mass_g: Decimal
    typed: str = ""
    field: str | None = "mass"
    # All that was there was taken, unweighed: the mass follows when the lot's own is corrected.
    takes_all: bool = False


@dataclass(frozen=True)
class NewLot:
    """A lot to be made by a step; what is None is taken over from the (only) parent."""

    kind: str
    mass_g: Decimal
    typed: str = ""
    title: str = ""
    is_dry: bool | None = None
    top_size_um: Decimal | None = None
    portion_number: int | None = None
    place: str = ""
    note: str = ""
    field: str | None = "mass"


@dataclass(frozen=True)
class StepDetails:
    """What the trade records of a step besides the masses."""

    people: str = ""
    method: str = ""
    passes: int | None = None
    machine: str = ""
    target_size_um: Decimal | None = None
    mesh_series: str = ""
    mesh_number: int | None = None
    measure_ml: Decimal | None = None
    bulk_density_g_per_ml: Decimal | None = None
    loss_reason: str = ""
    note: str = ""
    # The list kept before the site that it was taken in from, and its line there.
    old_sheet: OldSheet | None = None
    old_sheet_line: int | None = None


def lock_lots(lots: Iterable[Lot]) -> dict[int, Lot]:
    """Lock these lots' rows, always in the same order so that two blends of the same lots never wait for each other."""
    wanted = sorted({lot.pk for lot in lots})
    return {lot.pk: lot for lot in Lot.objects.select_for_update().filter(pk__in=wanted).order_by("pk")}


def new_codes(number: int) -> list[str]:
    """So many different lot codes no lot has, looked up all at once; three digits once two no longer suffice."""
    free: list[str] = []
    for attempt in range(40):
        missing = number - len(free)
        if not missing:
            return free
        drawn = dict.fromkeys(codes.draw_code(_rng, digits=2 if attempt < 12 else 3) for _ in range(missing))
        used = {*free, *Lot.objects.filter(code__in=drawn).values_list("code", flat=True)}
        free.extend(code for code in drawn if code not in used)
    raise Refused(phrase("No free lot code was found. Please try once more."), code="no_free_code")


def check_day(day: datetime.date, *, field_name: str = "done_on") -> None:
    if day > timezone.localdate() + datetime.timedelta(days=1):
        raise Refused(
            phrase("{day} has not come yet. Give the day it was done.", day=date_format(day, "d M Y")),
            code="day_in_future",
            field=field_name,
        )
    if day.year < 1900:
        raise Refused(
            phrase("{day} is too long ago to be the day it was done.", day=day),
            code="day_too_early",
            field=field_name,
        )


@transaction.atomic
def record_step(
    *,
    kind: str,
    draws: Sequence[DrawFrom],
    makes: Sequence[NewLot],
    recorded_by,
    done_on: datetime.date,
    details: StepDetails | None = None,
    dig: dict | None = None,
) -> Step:
    """Record one step: take `draws` from their lots, make `makes`, fix the new lots' origin shares, and journal it.

    `dig` (the fields of a Dig) is given for a step of kind dig, which draws from the ground. Raises Refused when a lot
    holds too little, when more comes out than went in, or when an unusual loss has no reason; then nothing is stored.
    """
    require_writer(recorded_by)
    details = details or StepDetails()
    check_day(done_on)
    locked = lock_lots(draw.lot for draw in draws)
    _check_draws(locked, draws, kind)
    loss_g = _check_balance(kind, draws, makes, details, mass_unit=recorded_by.mass_unit)
    step = _new_step(kind, done_on, details, loss_g, recorded_by)
    step.save()
    rows = [_new_draw(step, draw, locked[draw.lot.pk]) for draw in draws]
    Draw.objects.bulk_create(rows)
    Lot.objects.bulk_update([row.lot for row in rows], ["on_hand_g"])
    if dig is not None:
        made_dig = Dig(step=step, recorded_by=recorded_by, dug_on=done_on, **dig)
        made_dig.full_clean(exclude=["step", "recorded_by", "photo"])
        made_dig.save()
        shares = {made_dig.pk: Decimal(1)}
    else:
        shares = blended_shares([(draw.mass_g, locked[draw.lot.pk]) for draw in draws]) if makes else {}
    lots = make_lots(step=step, makes=makes, shares=shares, parents=[locked[draw.lot.pk] for draw in draws])
    write_journal(member=recorded_by, about=step, what=_sentence(step, draws, lots), why=details.loss_reason)
    return step


@transaction.atomic
def record_many(
    *, kind: str, steps: Sequence[tuple[Sequence[DrawFrom], datetime.date, StepDetails]], recorded_by
) -> list[Step]:
    """Record many steps that make no lots, each given as its draws, day and details, as `record_step` would one by one.

    The rules are asked for each; rows are written together, so that a list of thousands doesn't keep others waiting.
    """
    require_writer(recorded_by)
    locked = lock_lots(draw.lot for draws, _, _ in steps for draw in draws)
    made: list[Step] = []
    rows: list[Draw] = []
    for draws, done_on, details in steps:
        check_day(done_on)
        _check_draws(locked, draws, kind)
        loss_g = _check_balance(kind, draws, [], details, mass_unit=recorded_by.mass_unit)
        step = _new_step(kind, done_on, details, loss_g, recorded_by)
        made.append(step)
        rows += [_new_draw(step, draw, locked[draw.lot.pk]) for draw in draws]
    Step.objects.bulk_create(made, batch_size=ROWS_AT_ONCE)
    for row in rows:
        row.step_id = row.step.pk
    Draw.objects.bulk_create(rows, batch_size=ROWS_AT_ONCE)
    Lot.objects.bulk_update(locked.values(), ["on_hand_g"], batch_size=ROWS_AT_ONCE)
    write_many(
        member=recorded_by,
        told=(
            (step, _sentence(step, draws, []), details.loss_reason)
            for step, (draws, _, details) in zip(made, steps, strict=True)
        ),
    )
    return made


@dataclass(frozen=True)
class NewDig:
    """One of many digs recorded together: the fields of its Dig, and the buckets it filled."""

    dug_on: datetime.date
    fields: dict
    buckets: Sequence[NewLot]
    details: StepDetails


@transaction.atomic
def record_digs(*, digs: Sequence[NewDig], recorded_by) -> list[list[Lot]]:
    """Record many digs as `record_step` would one after the other, their rows written together; returns each dig's buckets."""
    require_writer(recorded_by)
    steps, rows = [], []
    for dig in digs:
        check_day(dig.dug_on)
        loss_g = _check_balance(Step.Kind.DIG, [], dig.buckets, dig.details, mass_unit=recorded_by.mass_unit)
        steps.append(_new_step(Step.Kind.DIG, dig.dug_on, dig.details, loss_g, recorded_by))
        rows.append(Dig(step=steps[-1], recorded_by=recorded_by, dug_on=dig.dug_on, **dig.fields))
        rows[-1].full_clean(
            exclude=["step", "zone", "recorded_by", "photo"],
            validate_unique=False,
            validate_constraints=False,
        )
    Step.objects.bulk_create(steps, batch_size=ROWS_AT_ONCE)
    for row, step in zip(rows, steps, strict=True):
        # Set anew, now that it has its number.
        row.step = step
    Dig.objects.bulk_create(rows, batch_size=ROWS_AT_ONCE)
    codes = iter(new_codes(sum(len(dig.buckets) for dig in digs)))
    made = [
        [
            _new_lot(next(codes), new, step=row.step, parents=(), stripe=row.zone.stripe, is_marked=False)
            for new in dig.buckets
        ]
        for dig, row in zip(digs, rows, strict=True)
    ]
    Lot.objects.bulk_create([lot for lots in made for lot in lots], batch_size=ROWS_AT_ONCE)
    Origin.objects.bulk_create(
        [
            Origin(lot=lot, dig=row, share=Decimal(1))
            for row, lots in zip(rows, made, strict=True)
            for lot in lots
        ],
        batch_size=ROWS_AT_ONCE,
    )
    write_many(
        member=recorded_by,
        told=(
            (step, _sentence(step, [], lots), dig.details.loss_reason)
            for step, lots, dig in zip(steps, made, digs, strict=True)
        ),
    )
    return made


def _new_step(kind: str, done_on: datetime.date, details: StepDetails, loss_g: Decimal, recorded_by) -> Step:
    step = Step(
        kind=kind,
        done_on=done_on,
        people=details.people,
        method=details.method,
        passes=details.passes,
        machine=details.machine,
        target_size_um=details.target_size_um,
        mesh_series=details.mesh_series,
        mesh_number=details.mesh_number,
        measure_ml=details.measure_ml,
        bulk_density_g_per_ml=details.bulk_density_g_per_ml,
        loss_g=loss_g,
        loss_reason=details.loss_reason,
        note=details.note,
        old_sheet=details.old_sheet,
        old_sheet_line=details.old_sheet_line,
        recorded_by=recorded_by,
    )
    step.full_clean(exclude=["recorded_by", "voided_by", "old_sheet"], validate_constraints=False)
    return step


def _new_draw(step: Step, draw: DrawFrom, lot: Lot) -> Draw:
    """The draw, taken off what its lot holds; neither is stored yet."""
    row = Draw(step=step, lot=lot, mass_g=draw.mass_g, mass_typed=draw.typed, takes_all=draw.takes_all)
    row.clean_fields(exclude=["step", "lot"])
    lot.on_hand_g = mass_balance.mass_left_g(lot.on_hand_g, [row.mass_g])
    return row


def check_makes(makes: Sequence[NewLot]) -> None:
    for new in makes:
        if new.mass_g <= 0:
            raise Refused(
                phrase("A lot weighs more than nothing."), code="mass_not_positive", field=new.field
            )


def make_lots(
    *, step: Step, makes: Sequence[NewLot], shares: dict[int, Decimal], parents: Sequence[Lot]
) -> list[Lot]:
    """Create the lots a step makes, each with its code, its stripe and its origin shares."""
    stripes = set(Dig.objects.filter(pk__in=shares).values_list("zone__stripe", "zone_id"))
    stripe = next(iter(stripes))[0] if len(stripes) == 1 else "mixed"
    # Asks nothing while no parent is marked. A mark of a later day does not reach what was drawn before it.
    marked = [(parent.pk, step.done_on) for parent in parents if parent.is_marked]
    is_marked = Contamination.objects.reaching(marked).exists()
    lots = [
        _new_lot(code, new, step=step, parents=parents, stripe=stripe, is_marked=is_marked)
        for code, new in zip(new_codes(len(makes)), makes, strict=True)
    ]
    lots = Lot.objects.bulk_create(lots)
    Origin.objects.bulk_create(
        [Origin(lot=lot, dig_id=dig_id, share=share) for lot in lots for dig_id, share in shares.items()]
    )
    return lots


def _new_lot(
    code: str, new: NewLot, *, step: Step, parents: Sequence[Lot], stripe: str, is_marked: bool
) -> Lot:
    lot = Lot(
        code=code,
        kind=new.kind,
        title=new.title,
        made_by=step,
        mass_g=new.mass_g,
        mass_typed=new.typed,
        on_hand_g=new.mass_g,
        is_dry=_inherit(new.is_dry, [p.is_dry for p in parents], all),
        top_size_um=_inherit(new.top_size_um, [p.top_size_um for p in parents], _largest),
        portion_number=new.portion_number,
        stripe=stripe,
        place=new.place,
        is_marked=is_marked,
        note=new.note,
    )
    lot.clean_fields(exclude=["made_by"])
    return lot


def blended_shares(parts: Sequence[tuple[Decimal, Lot]]) -> dict[int, Decimal]:
    """Each dig's share in these masses of these lots put together, every lot taken as well mixed."""
    by_lot: dict[int, dict[int, Decimal]] = {lot.pk: {} for _, lot in parts}
    for lot_id, dig_id, share in Origin.objects.filter(lot_id__in=by_lot).values_list(
        "lot_id", "dig_id", "share"
    ):
        by_lot[lot_id][dig_id] = share
    return lineage.blend_shares([(mass_g, by_lot[lot.pk]) for mass_g, lot in parts])


@transaction.atomic
def void_step(*, step: Step, reason: str, voided_by) -> Step:
    """Take a step back: its draws return to their lots and what it made is void, while nothing uses what it made.

    A member voids what they recorded themselves; a keeper voids anything.
    """
    require_writer(voided_by)
    step = Step.objects.select_for_update().get(pk=step.pk)
    reason = reason.strip()
    if not reason:
        raise Refused(phrase("Say why this step is voided."), code="reason_missing", field="reason")
    if step.is_void:
        raise Refused(phrase("This step is void already."), code="void_already")
    if step.recorded_by_id != voided_by.pk and not voided_by.is_keeper:
        raise Refused(phrase("Only a keeper voids what someone else recorded."), code="not_yours")
    draws = list(step.draws.select_related("lot"))
    made = list(step.made.all())
    locked = lock_lots([draw.lot for draw in draws] + made)
    for lot in made:
        use = use_of_lot(locked[lot.pk])
        if use:
            raise Refused(
                phrase("{lot}, made by this step, {use}. Void that first.", lot=lot.code, use=use),
                code="used_downstream",
            )
    for draw in draws:
        lot = locked[draw.lot_id]
        lot.on_hand_g = mass_balance.total_mass_g([lot.on_hand_g, draw.mass_g])
        lot.save(update_fields=["on_hand_g"])
    for lot in made:
        lot = locked[lot.pk]
        lot.is_void = True
        lot.on_hand_g = 0
        lot.save(update_fields=["is_void", "on_hand_g"])
    step.voided_at = timezone.now()
    step.voided_by = voided_by
    step.void_reason = reason
    step.save(update_fields=["voided_at", "voided_by", "void_reason"])
    write_journal(member=voided_by, about=step, what="voided", why=reason)
    return step


def use_of_lot(lot: Lot) -> str:
    """What already uses this lot, as the end of a sentence; blank when nothing does."""
    if lot.draws.filter(step__voided_at__isnull=True).exists():
        return phrase("has had material taken from it")
    for relation in Lot._meta.related_objects:
        if relation.related_model in (Contamination, Draw, Origin):
            continue
        users = relation.related_model._default_manager.filter(**{relation.field.name: lot})
        if any(field.name == "step" for field in relation.related_model._meta.fields):
            users = users.filter(step__voided_at__isnull=True)
        if users.exists():
            return phrase("is used by a {user}", user=relation.related_model._meta.verbose_name)
    return ""


@transaction.atomic
def void_together(*, steps: Sequence[Step], reason: str, voided_by) -> None:
    """Take back steps that drew only on what they made themselves, all at once, while nothing else uses that.

    As `void_step` for each, the last first; rows are written together.
    """
    require_keeper(voided_by)
    numbers = [step.pk for step in steps]
    made = lock_lots(Lot.objects.filter(made_by__in=numbers))
    if Draw.objects.filter(step__in=numbers).exclude(lot__made_by__in=numbers).exists():
        raise Refused(
            phrase("One of these steps drew on other material: void it alone."), code="draws_elsewhere"
        )
    if uses := uses_beside(made.values(), numbers):
        raise Refused(phrase("{use}. Void that first.", use=uses[0]), code="used_downstream")
    standing = Step.objects.select_for_update().filter(pk__in=numbers, voided_at__isnull=True)
    voided = list(standing.order_by("-pk"))
    standing.update(voided_at=timezone.now(), voided_by=voided_by, void_reason=reason)
    Lot.objects.filter(pk__in=made).update(is_void=True, on_hand_g=0)
    write_many(member=voided_by, told=((step, "voided", reason) for step in voided))


def uses_beside(lots: Iterable[Lot], step_numbers: Sequence[int]) -> list[str]:
    """What uses these lots besides these steps, each in a few words."""
    codes = {lot.pk: lot.code for lot in lots}
    draws = (
        Draw.objects.filter(lot__in=codes, step__voided_at__isnull=True)
        .exclude(step__in=step_numbers)
        .select_related("step")
        .order_by("pk")
    )
    said = [
        phrase(
            "{lot}: {step} on {day}",
            lot=codes[draw.lot_id],
            step=draw.step.get_kind_display(),
            day=date_format(draw.step.done_on, "d M Y"),
        )
        for draw in draws
    ]
    for relation in Lot._meta.related_objects:
        if relation.related_model in (Contamination, Draw, Origin):
            continue
        users = relation.related_model._default_manager.filter(**{f"{relation.field.name}__in": codes})
        if any(field.name == "step" for field in relation.related_model._meta.fields):
            users = users.filter(step__voided_at__isnull=True).exclude(step__in=step_numbers)
        name = relation.related_model._meta.verbose_name
        said += [
            phrase("{lot} is used by a {user}", lot=codes[pk], user=name)
            for pk in users.values_list(relation.field.attname, flat=True)
        ]
    return said


def recomputed_on_hand_g(lot: Lot) -> Decimal:
    """The lot's mass less every standing draw, added up anew; the figure `on_hand_g` must equal."""
    if lot.is_void:
        return Decimal(0)
    drawn = lot.draws.filter(step__voided_at__isnull=True).values_list("mass_g", flat=True)
    return mass_balance.mass_left_g(lot.mass_g, drawn)


def draw_seed() -> int:
    """A seed nobody chose, for whatever is drawn by lot."""
    return secrets.randbelow(2**53)


def _check_draws(locked: dict[int, Lot], draws: Sequence[DrawFrom], kind: str) -> None:
    drawn_already: set[int] = set()
    for draw in draws:
        if draw.lot.pk in drawn_already:
            raise Refused(
                phrase("{lot} is listed twice: give its mass once.", lot=draw.lot.code),
                code="lot_twice",
                field=draw.field,
            )
        drawn_already.add(draw.lot.pk)
        _check_draw(locked[draw.lot.pk], draw, kind)


def _check_draw(lot: Lot, draw: DrawFrom, kind: str) -> None:
    if lot.is_void:
        raise Refused(
            phrase("{lot} is void: nothing can be taken from it.", lot=lot.code),
            code="lot_void",
            field=draw.field,
        )
    if lot.reserve_reason and kind != Step.Kind.REWEIGH:
        raise Refused(
            phrase(
                "{lot} is held back ({reason}): release it first.", lot=lot.code, reason=lot.reserve_reason
            ),
            code="held_back",
            field=draw.field,
        )
    if lot.on_hand_g == 0:
        raise Refused(used_up(lot), code="lot_used_up", field=draw.field)
    on_hand_g = lot.on_hand_g

    def problem() -> str:
        try:
            mass_balance.check_draw_fits(on_hand_g, draw.mass_g)
        except ValueError as error:
            return str(error)
        return ""

    if problem():
        raise Refused(
            said_when_read(lambda: phrase("{lot}: {problem}", lot=lot.code, problem=problem())),
            code="too_little_on_hand",
            field=draw.field,
        )


def used_up(lot: Lot) -> str:
    code = lot.code
    return said_when_read(lambda: phrase("{lot} is used up: nothing is left of it.", lot=code))


def _check_balance(
    kind: str, draws: Sequence[DrawFrom], makes: Sequence[NewLot], details: StepDetails, *, mass_unit: str
) -> Decimal:
    """The step's loss in grams; the ground has no balance, so a dig loses nothing."""
    check_makes(makes)
    if kind == Step.Kind.DIG:
        return Decimal(0)
    drawn_g = mass_balance.total_mass_g(draw.mass_g for draw in draws)
    made_g = mass_balance.total_mass_g(new.mass_g for new in makes)
    put_in = units.format_mass(drawn_g, mass_unit)
    try:
        loss_g = mass_balance.step_loss_g([drawn_g], [made_g])
    except ValueError:
        raise Refused(
            phrase(
                "{came_out} came out of {put_in} put in: {more} too much, and material doesn't grow. Check the weights and "
                "their units.",
                came_out=units.format_mass(made_g, mass_unit),
                put_in=put_in,
                more=units.format_mass(mass_balance.mass_left_g(made_g, [drawn_g]), mass_unit),
            ),
            code="gain",
            field=makes[-1].field if makes else None,
        ) from None
    if mass_balance.loss_needs_reason(kind, drawn_g, loss_g) and not details.loss_reason.strip():
        raise Refused(
            phrase(
                "{loss} is missing of {put_in} put in: more than this step usually loses. Check the weights; if they are "
                "right, say where it went.",
                loss=units.format_mass(loss_g, mass_unit),
                put_in=put_in,
            ),
            code="loss_without_reason",
            field="loss_reason",
        )
    return loss_g


def _inherit(own, from_parents: list, join):
    if own is not None:
        return own
    return join(from_parents) if from_parents else (False if join is all else None)


def _largest(sizes: list[Decimal | None]) -> Decimal | None:
    """The coarsest parent decides a blend's top size; unknown as soon as one parent's is."""
    return None if any(size is None for size in sizes) else max(sizes)


@as_written()
def _sentence(step: Step, draws: Sequence[DrawFrom], lots: Sequence[Lot]) -> str:
    taken = ", ".join(f"{draw.typed or f'{draw.mass_g} g'} of {draw.lot.code}" for draw in draws)
    made = ", ".join(lot.code for lot in lots)
    parts = [step.get_kind_display()]
    if taken:
        parts.append(f"took {taken}")
    if made:
        parts.append(f"made {made}")
    return "; ".join(parts)
