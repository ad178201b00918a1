"""To the laboratory: laboratories, check materials, and dispatches packed under blind tags."""

import datetime
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from random import SystemRandom

from django.db import IntegrityError, models, transaction
from django.utils.formats import date_format

from prospecting.actions.journal import changed_fields, write_journal
from prospecting.actions.material import DrawFrom, StepDetails, check_day, lock_lots
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.actions.steps import take_for_assay
from prospecting.calc import codes
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.calc.packing import Expectation, list_order
from prospecting.models import Dispatch, Draw, Laboratory, Lot, ReferenceMaterial, Sample

_rng = SystemRandom()
Kind, Stage = Sample.Kind, Sample.Stage


# Given the lots in a dispatch, what is known of them beforehand, by their ids.
Expect = Callable[[Sequence[Lot]], Mapping[int, Expectation]]


def nothing_known(lots: Sequence[Lot]) -> Mapping[int, Expectation]:
    return {}


@dataclass(frozen=True)
class PlannedCheck:
    """One check to pack: packets name their `material`; a duplicate its sample and, taken in the field, the draw for it."""

    kind: str
    material: ReferenceMaterial | None = None
    of: Sample | None = None
    stage: str = ""
    mass_g: Decimal | None = None
    typed: str = ""
    details: StepDetails | None = None
    done_on: datetime.date | None = None
    field: str | None = None


@transaction.atomic
def add_laboratory(
    *, name: str, recorded_by, note: str = "", turnaround_days: int | None = None
) -> Laboratory:
    require_writer(recorded_by)
    laboratory = Laboratory(name=_tidy(name), note=note.strip(), turnaround_days=turnaround_days)
    _save_named(laboratory, missing=phrase("Give the laboratory's name."), code="laboratory_twice")
    write_journal(member=recorded_by, about=laboratory, what="laboratory added")
    return laboratory


@transaction.atomic
def change_laboratory(
    *, laboratory: Laboratory, name: str, recorded_by, note: str = "", turnaround_days: int | None = None
) -> Laboratory:
    require_writer(recorded_by)
    laboratory = Laboratory.objects.select_for_update().get(pk=laboratory.pk)
    values = {"name": _tidy(name), "note": note.strip(), "turnaround_days": turnaround_days}
    if changes := _set(laboratory, values):
        _save_named(laboratory, missing=phrase("Give the laboratory's name."), code="laboratory_twice")
        write_journal(member=recorded_by, about=laboratory, what="laboratory changed", changes=changes)
    return laboratory


@transaction.atomic
def add_material(*, name: str, kind: str, recorded_by, **values) -> ReferenceMaterial:
    """Record a reference material with what its certificate prints, or a barren material for coarse blanks.

    `values` are the other fields of ReferenceMaterial: each figure as typed and in g/t.
    """
    require_writer(recorded_by)
    material = ReferenceMaterial(name=_tidy(name), kind=kind, recorded_by=recorded_by, **values)
    _check_material(material)
    _save_named(material, missing=phrase("Give the material's name."), code="material_twice")
    write_journal(member=recorded_by, about=material, what="check material added")
    return material


@transaction.atomic
def change_material(
    *, material: ReferenceMaterial, recorded_by, reason: str = "", **values
) -> ReferenceMaterial:
    """Change what is recorded of a material, or retire it. Once packets went out, its figures need a reason to change."""
    require_writer(recorded_by)
    material = ReferenceMaterial.objects.select_for_update().get(pk=material.pk)
    changes = _set(material, values | {"name": _tidy(values["name"])})
    if not changes:
        return material
    went_out = material.samples.filter(dispatch__sent_on__isnull=False).exists()
    if went_out and "kind" in changes:
        raise Refused(
            phrase(
                "Packets of it went out already: it stays the kind it is. Add the other as a material of its own."
            ),
            code="kind_used",
            field="kind",
        )
    judged_by = {
        "certified_g_per_t",
        "plus_minus_g_per_t",
        "plus_minus_kind",
        "sd_g_per_t",
        "certified_method",
    }
    if went_out and judged_by & set(changes) and not reason.strip():
        raise Refused(
            phrase("Returns were judged by these figures. Say why they change."),
            code="reason_missing",
            field="reason",
        )
    _check_material(material)
    _save_named(material, missing=phrase("Give the material's name."), code="material_twice")
    write_journal(
        member=recorded_by,
        about=material,
        what="check material changed",
        why=reason.strip(),
        changes=changes,
    )
    return material


@transaction.atomic
def pack_dispatch(
    *,
    laboratory: Laboratory,
    method: str,
    recorded_by,
    lots: Sequence[Lot] = (),
    checks: Sequence[PlannedCheck] = (),
    preparation: str = "",
    price_per_sample: Decimal | None = None,
    price_besides: Decimal | None = None,
    rejects_until: datetime.date | None = None,
    expected_on: datetime.date | None = None,
    note: str = "",
    expect: Expect = nothing_known,
) -> Dispatch:
    """Begin a dispatch: every lot and check gets a tag drawn at random, and the list is shuffled. It is sent by `say_sent`."""
    require_writer(recorded_by)
    dispatch = _new_dispatch(
        laboratory=laboratory,
        method=method,
        preparation=" ".join(preparation.split()),
        price_per_sample=price_per_sample,
        price_besides=price_besides,
        rejects_until=rejects_until,
        expected_on=expected_on,
        note=note.strip(),
        recorded_by=recorded_by,
    )
    samples = _add_lots(dispatch, lots)
    samples += [_add_check(dispatch, check, recorded_by) for check in checks]
    write_journal(
        member=recorded_by,
        about=dispatch,
        what=_listed("begun to pack", samples) + _order(dispatch, expect),
    )
    return dispatch


@transaction.atomic
def change_dispatch(*, dispatch: Dispatch, recorded_by, **values) -> Dispatch:
    """Change what is asked for and what it costs; where it goes and by which method, only while it is being packed."""
    require_writer(recorded_by)
    dispatch = _locked(dispatch)
    changes = _set(dispatch, values)
    if not changes:
        return dispatch
    for name in ("laboratory", "method", "preparation"):
        if dispatch.sent_on and name in changes:
            raise Refused(
                phrase(
                    "It has gone: the laboratory, the method and the preparation stay as they were asked for."
                ),
                code="gone",
                field=name,
            )
    _check_days(dispatch)
    _check_method(dispatch)
    dispatch.full_clean(exclude=["recorded_by"])
    dispatch.save()
    write_journal(member=recorded_by, about=dispatch, what="dispatch changed", changes=changes)
    return dispatch


@transaction.atomic
def add_splits(
    *, dispatch: Dispatch, lots: Sequence[Lot], recorded_by, expect: Expect = nothing_known
) -> Dispatch:
    """Put further splits for assay into a dispatch that is being packed; the order is drawn anew."""
    require_writer(recorded_by)
    dispatch = _being_packed(dispatch)
    if not lots:
        raise Refused(phrase("Tick at least one split to send."), code="nothing_to_send", field="lots")
    samples = _add_lots(dispatch, lots)
    return _repacked(dispatch, _listed("packed", samples), recorded_by, expect)


@transaction.atomic
def take_splits(
    *,
    dispatch: Dispatch,
    draws: Sequence[DrawFrom],
    done_on: datetime.date,
    details: StepDetails,
    recorded_by,
    expect: Expect = nothing_known,
) -> Dispatch:
    """Take a split for assay from each of these lots, and pack them: one step each, as `take_for_assay` records it."""
    require_writer(recorded_by)
    dispatch = _being_packed(dispatch)
    if not draws:
        raise Refused(phrase("Choose at least one lot."), code="nothing_to_send", field="lots")
    # In the order in which every action locks lots, so that two members never wait for each other.
    lock_lots(draw.lot for draw in draws)
    made = [
        take_for_assay(draw=draw, recorded_by=recorded_by, done_on=done_on, details=details).made.get()
        for draw in draws
    ]
    samples = _add_lots(dispatch, made)
    return _repacked(dispatch, _listed("taken and packed", samples), recorded_by, expect)


@transaction.atomic
def add_checks(
    *, dispatch: Dispatch, checks: Sequence[PlannedCheck], recorded_by, expect: Expect = nothing_known
) -> Dispatch:
    """Put planned checks into a dispatch that is being packed, each under a tag like any other; the order is drawn anew."""
    require_writer(recorded_by)
    dispatch = _being_packed(dispatch)
    if not checks:
        raise Refused(phrase("Tick at least one check, or go back."), code="no_check")
    samples = [_add_check(dispatch, check, recorded_by) for check in checks]
    return _repacked(dispatch, _listed("packed", samples), recorded_by, expect)


@transaction.atomic
def take_out(*, sample: Sample, reason: str, recorded_by, expect: Expect = nothing_known) -> Dispatch:
    """Take one tag out of a dispatch that is being packed. Its split stays a split for assay."""
    require_writer(recorded_by)
    dispatch = _being_packed(sample.dispatch)
    sample = Sample.objects.with_what().filter(pk=sample.pk).first()
    if sample is None:
        raise Refused(phrase("This tag was taken out meanwhile."), code="taken_out")
    if twins := list(sample.duplicates.all()):
        named = ", ".join(twin.tag for twin in twins)
        raise Refused(
            phrase("{tags} is a duplicate of it. Take that out first.", tags=named),
            code="has_duplicate",
            field="reason",
        )
    with as_written():
        what = f"taken out {sample.tag}, {sample.what}"
    sample.delete()
    return _repacked(dispatch, what, recorded_by, expect, why=reason.strip())


@transaction.atomic
def give_up(*, dispatch: Dispatch, reason: str, recorded_by) -> Laboratory:
    """Undo a dispatch that never went: its splits wait again, its tags are gone, the journal keeps what lay under them."""
    require_writer(recorded_by)
    dispatch = _being_packed(dispatch)
    if not reason.strip():
        raise Refused(phrase("Say why it is given up."), code="reason_missing", field="reason")
    laboratory = dispatch.laboratory
    what = _listed(f"dispatch {dispatch.pk} given up before it went", list(dispatch.samples.with_what()))
    try:
        dispatch.samples.exclude(duplicate_of=None).delete()
        dispatch.samples.all().delete()
        dispatch.delete()
    except models.ProtectedError:
        raise Refused(
            phrase("Something is recorded about this dispatch already, so it stays."), code="in_use"
        ) from None
    write_journal(member=recorded_by, about=laboratory, what=what, why=reason.strip())
    return laboratory


@transaction.atomic
def say_sent(
    *,
    dispatch: Dispatch,
    sent_on: datetime.date,
    recorded_by,
    expected_on: datetime.date | None = None,
) -> Dispatch:
    """The dispatch has gone: from now on nothing goes in or out. No day expected takes the laboratory's own number of days."""
    require_writer(recorded_by)
    dispatch = _being_packed(dispatch)
    samples = list(dispatch.samples.with_what())
    if not any(sample.lot_id for sample in samples):
        raise Refused(phrase("No split of a lot is packed yet."), code="nothing_to_send")
    _send(dispatch, sent_on, expected_on)
    write_journal(member=recorded_by, about=dispatch, what=_listed("sent", samples))
    return dispatch


@transaction.atomic
def send_dispatch(
    *,
    laboratory: Laboratory,
    sent_on: datetime.date,
    method: str,
    lots: Sequence[Lot],
    recorded_by,
    expected_on: datetime.date | None = None,
    note: str = "",
) -> Dispatch:
    """Pack and send at once, without checks: each lot gets a tag drawn at random, which tells the laboratory nothing."""
    require_writer(recorded_by)
    if not lots:
        raise Refused(phrase("Tick at least one split to send."), code="nothing_to_send", field="lots")
    dispatch = _new_dispatch(laboratory=laboratory, method=method, note=note.strip(), recorded_by=recorded_by)
    samples = _add_lots(dispatch, lots)
    _order(dispatch, nothing_known)
    _send(dispatch, sent_on, expected_on)
    write_journal(member=recorded_by, about=dispatch, what=_listed("sent", samples))
    return dispatch


def _new_dispatch(**fields) -> Dispatch:
    dispatch = Dispatch(**fields)
    _check_days(dispatch)
    _check_method(dispatch)
    dispatch.full_clean(exclude=["recorded_by"])
    dispatch.save()
    return dispatch


def _send(dispatch: Dispatch, sent_on: datetime.date, expected_on: datetime.date | None) -> None:
    check_day(sent_on, field_name="sent_on")
    days = dispatch.laboratory.turnaround_days
    dispatch.sent_on = sent_on
    if expected_on is None and days is not None:
        expected_on = sent_on + datetime.timedelta(days=days)
    dispatch.expected_on = expected_on
    _check_days(dispatch)
    dispatch.save(update_fields=["sent_on", "expected_on"])


def _check_days(dispatch: Dispatch) -> None:
    if dispatch.sent_on is None:
        return
    if dispatch.expected_on is not None and dispatch.expected_on < dispatch.sent_on:
        raise Refused(
            phrase("The return can't be expected before the samples are sent."),
            code="expected_too_early",
            field="expected_on",
        )
    if dispatch.rejects_until is not None and dispatch.rejects_until < dispatch.sent_on:
        raise Refused(
            phrase("Rejects can't be kept until a day before the samples are sent."),
            code="rejects_too_early",
            field="rejects_until",
        )


def _check_method(dispatch: Dispatch) -> None:
    if dispatch.method == Dispatch.Method.OTHER and not dispatch.note.strip():
        raise Refused(phrase("Say in the note which method it is."), code="method_unsaid", field="note")


def _locked(dispatch: Dispatch) -> Dispatch:
    try:
        return (
            Dispatch.objects.select_for_update(of=("self",)).select_related("laboratory").get(pk=dispatch.pk)
        )
    except Dispatch.DoesNotExist:
        raise Refused(phrase("This dispatch was given up meanwhile."), code="given_up") from None


def _being_packed(dispatch: Dispatch) -> Dispatch:
    dispatch = _locked(dispatch)
    if dispatch.sent_on is not None:
        raise Refused(
            phrase(
                "This dispatch went on {day}: nothing goes in or out any more.",
                day=date_format(dispatch.sent_on, "d M Y"),
            ),
            code="gone",
        )
    return dispatch


def _add_lots(dispatch: Dispatch, lots: Sequence[Lot]) -> list[Sample]:
    locked = list(lock_lots(lots).values())
    _check_may_go(locked)
    # Shuffled: neither the tags nor the order in which they were given out follows the order of the lots.
    _rng.shuffle(locked)
    return Sample.objects.bulk_create(
        [
            Sample(dispatch=dispatch, lot=lot, tag=tag)
            for lot, tag in zip(locked, _new_tags(len(locked)), strict=True)
        ]
    )


def _check_may_go(lots: Sequence[Lot]) -> None:
    sent = dict(Sample.objects.filter(lot__in=lots).values_list("lot_id", "dispatch_id"))
    for lot in lots:
        if lot.pk in sent:
            why = phrase("{lot} is in dispatch {dispatch} already.", lot=lot.code, dispatch=sent[lot.pk])
        elif lot.is_void:
            why = phrase("{lot} is void.", lot=lot.code)
        elif lot.kind != Lot.Kind.ASSAY_SPLIT:
            why = phrase("{lot} is not a split for assay: take one from it first.", lot=lot.code)
        elif lot.on_hand_g == 0:
            why = phrase("{lot} is used up: nothing is left to send.", lot=lot.code)
        else:
            continue
        raise Refused(why, code="may_not_go", field="lots")


def _add_check(dispatch: Dispatch, check: PlannedCheck, recorded_by) -> Sample:
    sample = Sample(dispatch=dispatch, kind=check.kind, tag=_new_tags(1)[0])
    if check.kind in (Kind.BLANK, Kind.REFERENCE):
        sample.material = _packet(check)
    else:
        sample.duplicate_of = _twin(dispatch, check)
        sample.duplicate_stage = check.stage
        if check.stage == Stage.FIELD:
            sample.lot = _second_split(sample.duplicate_of, check, recorded_by)
    sample.full_clean(exclude=["dispatch", "lot", "duplicate_of", "material"], validate_unique=False)
    sample.save()
    return sample


def _packet(check: PlannedCheck) -> ReferenceMaterial:
    material = check.material
    if material is None or material.kind != check.kind:
        missing = (
            phrase("Choose the barren material.")
            if check.kind == Kind.BLANK
            else phrase("Choose the reference material.")
        )
        raise Refused(missing, code="material_missing", field=check.field)
    if material.is_retired:
        raise Refused(
            phrase("{material} is retired.", material=material), code="material_retired", field=check.field
        )
    return material


def _twin(dispatch: Dispatch, check: PlannedCheck) -> Sample:
    of = check.of
    if of is None or of.dispatch_id != dispatch.pk or of.kind != Kind.LOT:
        raise Refused(
            phrase("Choose which sample of this dispatch is to be assayed twice."),
            code="twin_missing",
            field=check.field,
        )
    return of


def _second_split(of: Sample, check: PlannedCheck, recorded_by) -> Lot:
    """A second split from the lot that the first was taken from, by the same step."""
    source = parent_of(of.lot)
    if source is None:
        raise Refused(
            phrase("{lot} was not taken from one lot, so no second split can be.", lot=of.lot.code),
            code="no_source",
            field=check.field,
        )
    mass_g = check.mass_g if check.mass_g is not None else of.lot.mass_g
    draw = DrawFrom(lot=source, mass_g=mass_g, typed=check.typed, field="field_mass")
    return take_for_assay(
        draw=draw,
        recorded_by=recorded_by,
        done_on=check.done_on,
        details=check.details or StepDetails(),
    ).made.get()


def parent_of(split: Lot) -> Lot | None:
    """The lot a split was taken from; None where it came of several or of none."""
    draws = list(Draw.objects.filter(step=split.made_by_id).select_related("lot")[:2])
    return draws[0].lot if len(draws) == 1 else None


def _repacked(dispatch: Dispatch, what: str, recorded_by, expect: Expect, why: str = "") -> Dispatch:
    write_journal(member=recorded_by, about=dispatch, what=what + _order(dispatch, expect), why=why)
    return dispatch


@as_written()
def _order(dispatch: Dispatch, expect: Expect) -> str:
    """Draw the order of the laboratory's list anew; what is said of where the coarse blanks stand, and why there."""
    samples = list(dispatch.samples.with_what().order_by("pk"))
    crushed = [sample for sample in samples if sample.lot_id]
    blanks = [sample for sample in samples if sample.kind == Kind.BLANK]
    others = [sample for sample in samples if not sample.lot_id and sample.kind != Kind.BLANK]
    expected = expect([sample.lot for sample in crushed]) if blanks else {}
    grades = {sample: expected[sample.lot_id].g_per_t for sample in crushed if sample.lot_id in expected}
    order = list_order(crushed, others, blanks, grades, _rng)
    for place, sample in enumerate(order.keys, start=1):
        sample.place = place
    Sample.objects.bulk_update(samples, ["place"])
    return "".join(
        f"; coarse blank {blank.tag} after {sample.tag}, {_why_there(expected.get(sample.lot_id))}"
        for blank, sample in order.after.items()
    )


def _why_there(expectation: Expectation | None) -> str:
    if expectation is None:
        return "drawn at random, for nothing is known of any sample's grade"
    return f"expected the richest not taken yet ({expectation.where})"


@as_written()
def _listed(verb: str, samples: Sequence[Sample]) -> str:
    """What went under which tag, in the order of the tags, for the journal."""
    named = ", ".join(f"{sample.what} as {sample.tag}" for sample in sorted(samples, key=lambda one: one.tag))
    return f"{verb} {named}" if named else verb


def _check_material(material: ReferenceMaterial) -> None:
    if material.kind == ReferenceMaterial.Kind.BLANK:
        if material.certified_g_per_t is not None:
            raise Refused(
                phrase("Barren material has no certified grade. Leave it empty, or choose the other kind."),
                code="blank_with_grade",
                field="certified",
            )
    elif not material.certified_g_per_t or material.certified_g_per_t <= 0:
        raise Refused(phrase("Give the certified value."), code="value_missing", field="certified")
    elif material.plus_minus_g_per_t is not None and not material.plus_minus_kind:
        raise Refused(
            phrase(
                "Say what the certificate's plus or minus means; “the certificate does not say” is an answer too."
            ),
            code="kind_missing",
            field="plus_minus_kind",
        )


def _tidy(name: str) -> str:
    return " ".join(name.split())


def _set(record: models.Model, values: Mapping[str, object]) -> dict[str, list[str]]:
    changes = changed_fields(record=record, values=dict(values))
    for name, value in values.items():
        setattr(record, name, value)
    return changes


def _save_named(record: Laboratory | ReferenceMaterial, *, missing: str, code: str) -> None:
    """Save what has a name of its own; a name another one has is refused beside its field."""
    if not record.name:
        raise Refused(missing, code="name_missing", field="name")
    twice = Refused(phrase("{name} is in the list already.", name=record.name), code=code, field="name")
    if type(record).objects.filter(name__iexact=record.name).exclude(pk=record.pk).exists():
        raise twice
    record.clean_fields(exclude=["recorded_by"] if hasattr(record, "recorded_by_id") else None)
    try:
        with transaction.atomic():
            record.save()
    except IntegrityError:
        # Someone else added it a moment ago.
        raise twice from None


def _new_tags(number: int) -> list[str]:
    """So many tags no sample has, in random order."""
    free: list[str] = []
    for _ in range(40):
        if len(free) == number:
            return free
        drawn = dict.fromkeys(codes.draw_tag(_rng) for _ in range(number - len(free)))
        used = {*free, *Sample.objects.filter(tag__in=drawn).values_list("tag", flat=True)}
        free.extend(tag for tag in drawn if tag not in used)
    raise Refused(phrase("No free tag was found. Please try once more."), code="no_free_tag")
