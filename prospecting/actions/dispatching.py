"""To the laboratory: laboratories, and dispatches under blind tags."""

import datetime
from collections.abc import Sequence
from random import SystemRandom

from django.db import IntegrityError, transaction

from prospecting.actions.journal import write_journal
from prospecting.actions.material import check_day, lock_lots
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc import codes
from prospecting.models import Dispatch, Laboratory, Lot, Sample

_rng = SystemRandom()


@transaction.atomic
def add_laboratory(*, name: str, recorded_by, note: str = "") -> Laboratory:
    require_writer(recorded_by)
    name = " ".join(name.split())
    if not name:
        raise Refused("Give the laboratory's name.", code="name_missing", field="name")
    twice = Refused(f"{name} is in the list already.", code="laboratory_twice", field="name")
    if Laboratory.objects.filter(name__iexact=name).exists():
        raise twice
    laboratory = Laboratory(name=name, note=note.strip())
    laboratory.clean_fields()
    try:
        with transaction.atomic():
            laboratory.save()
    except IntegrityError:
        # Someone else added it a moment ago.
        raise twice from None
    write_journal(member=recorded_by, about=laboratory, what="laboratory added")
    return laboratory


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
    """Record what goes to the laboratory: each lot gets a tag drawn at random, which tells the laboratory nothing."""
    require_writer(recorded_by)
    check_day(sent_on, field_name="sent_on")
    if expected_on is not None and expected_on < sent_on:
        raise Refused(
            "The return can't be expected before the samples are sent.",
            code="expected_too_early",
            field="expected_on",
        )
    if method == Dispatch.Method.OTHER and not note.strip():
        raise Refused("Say in the note which method it is.", code="method_unsaid", field="note")
    if not lots:
        raise Refused("Tick at least one split to send.", code="nothing_to_send", field="lots")
    locked = list(lock_lots(lots).values())
    _check_may_go(locked)
    dispatch = Dispatch(
        laboratory=laboratory,
        sent_on=sent_on,
        method=method,
        expected_on=expected_on,
        note=note.strip(),
        recorded_by=recorded_by,
    )
    dispatch.full_clean(exclude=["recorded_by"])
    dispatch.save()
    # Shuffled as well: neither the tags nor the order in which they were given out follows the order of the lots.
    _rng.shuffle(locked)
    samples = Sample.objects.bulk_create(
        [
            Sample(dispatch=dispatch, lot=lot, tag=tag, place=place)
            for place, (lot, tag) in enumerate(zip(locked, _new_tags(len(locked)), strict=True), start=1)
        ]
    )
    sent = ", ".join(
        f"{sample.lot.code} as {sample.tag}" for sample in sorted(samples, key=lambda each: each.tag)
    )
    write_journal(member=recorded_by, about=dispatch, what=f"sent {sent}")
    return dispatch


def _check_may_go(lots: Sequence[Lot]) -> None:
    sent = dict(Sample.objects.filter(lot__in=lots).values_list("lot_id", "dispatch_id"))
    for lot in lots:
        if lot.pk in sent:
            why = f"went out with dispatch {sent[lot.pk]} already"
        elif lot.is_void:
            why = "is void"
        elif lot.kind != Lot.Kind.ASSAY_SPLIT:
            why = "is not a split for assay: take one from it first"
        elif lot.on_hand_g == 0:
            why = "is used up: nothing is left to send"
        else:
            continue
        raise Refused(f"{lot.code} {why}.", code="may_not_go", field="lots")


def _new_tags(number: int) -> list[str]:
    """So many tags no sample has, in random order."""
    free: list[str] = []
    for _ in range(40):
        if len(free) == number:
            return free
        drawn = dict.fromkeys(codes.draw_tag(_rng) for _ in range(number - len(free)))
        used = {*free, *Sample.objects.filter(tag__in=drawn).values_list("tag", flat=True)}
        free.extend(tag for tag in drawn if tag not in used)
    raise Refused("No free tag was found. Please try once more.", code="no_free_tag")
