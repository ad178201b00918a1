"""Marks of contamination: put on a lot, lifted with a reason, and carried by everything made from it."""

import datetime

from django.db import transaction
from django.utils import timezone

from prospecting.actions.journal import write_journal
from prospecting.actions.material import check_day, lock_lots
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.models import Contamination, Lot
from prospecting.models.contamination import lots_carrying_a_mark
from prospecting.models.onward import steps_onward


@transaction.atomic
def mark_lot(
    *, lot: Lot, kind: str, what: str, recorded_by, since: datetime.date | None = None
) -> Contamination:
    """Mark a lot; everything drawn from it on day `since` or later (None: ever) and all that was made of that carries it."""
    require_writer(recorded_by)
    lot = _locked_line(lot)
    if lot.is_void:
        raise Refused(phrase("{lot} is void: nothing is made from it.", lot=lot.code), code="lot_void")
    if not what.strip():
        raise Refused(phrase("Say in words what happened."), code="what_missing", field="what")
    if since is not None:
        check_day(since, field_name="since")
    mark = Contamination(lot=lot, kind=kind, what=what.strip(), since=since, recorded_by=recorded_by)
    mark.full_clean(exclude=["lot", "recorded_by", "lifted_by"])
    mark.save()
    _set_flags()
    with as_written():
        what = f"marked: {mark}"
    write_journal(member=recorded_by, about=lot, what=what, why=_since(since))
    return mark


@transaction.atomic
def lift_mark(*, mark: Contamination, reason: str, lifted_by) -> Contamination:
    """Lift a mark, with the reason; what carries no other mark is clean again. Who marked the lot lifts it, or a keeper."""
    require_writer(lifted_by)
    lot = _locked_line(mark.lot)
    mark = Contamination.objects.select_for_update().get(pk=mark.pk)
    reason = reason.strip()
    if not reason:
        raise Refused(phrase("Say why the mark is lifted."), code="reason_missing", field="reason")
    if mark.lifted_at is not None:
        raise Refused(phrase("This mark is lifted already."), code="lifted_already")
    if mark.recorded_by_id != lifted_by.pk and not lifted_by.is_keeper:
        raise Refused(phrase("Only who marked the lot, or a keeper, lifts the mark."), code="not_yours")
    mark.lifted_at, mark.lifted_by, mark.lift_reason = timezone.now(), lifted_by, reason
    mark.clean_fields(exclude=["lot", "recorded_by", "lifted_by"])
    mark.save(update_fields=["lifted_at", "lifted_by", "lift_reason"])
    _set_flags()
    with as_written():
        what = f"mark lifted: {mark}"
    write_journal(member=lifted_by, about=lot, what=what, why=reason)
    return mark


def _locked_line(lot: Lot) -> Lot:
    """The lot, locked together with everything made from it: nothing is made of it while its flags change."""
    steps = steps_onward([lot.pk], after=lot.made_by)
    locked = lock_lots([lot, *Lot.objects.filter(made_by__in=steps)])
    if steps_onward([lot.pk], after=lot.made_by) != steps:
        raise Refused(
            phrase(
                "Someone recorded something on this material at the same moment. Nothing was changed; send it once more."
            ),
            code="books_moved",
        )
    return locked[lot.pk]


def _set_flags() -> None:
    """Let every lot's flag say whether a standing mark reaches it."""
    carrying = lots_carrying_a_mark()
    Lot.objects.filter(is_marked=False, pk__in=carrying).update(is_marked=True)
    Lot.objects.filter(is_marked=True).exclude(pk__in=carrying).update(is_marked=False)


def _since(day: datetime.date | None) -> str:
    return f"what was taken from {day:%d %b %Y} on" if day else "whatever was taken from it"
