"""What is said of a lot besides its mass: what it is, where it stands, who has it, and whether it is held back."""

from collections.abc import Sequence

from django.db import transaction

from prospecting.actions.journal import changed_fields, write_journal
from prospecting.actions.material import lock_lots, used_up
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.models import Lot


@transaction.atomic
def describe_lot(*, lot: Lot, title: str, place: str, note: str, recorded_by) -> Lot:
    """Set what a lot is, where it stands and its note; the journal keeps what stood there before."""
    require_writer(recorded_by)
    lot = lock_lots([lot])[lot.pk]
    if lot.is_void:
        raise Refused(
            phrase("{lot} is void: what was written about it stays.", lot=lot.code), code="lot_void"
        )
    _set(lot, {"title": title, "place": place, "note": note}, what="described anew", by=recorded_by)
    return lot


@transaction.atomic
def move_lots(*, lots: Sequence[Lot], place: str, recorded_by) -> list[Lot]:
    """Put lots somewhere else, all of them or none."""
    place = place.strip()
    if not place:
        raise Refused(phrase("Say where it stands now."), code="place_missing", field="place")
    return _set_all(lots, {"place": place}, what=f"moved to {place}", by=recorded_by)


@transaction.atomic
def hand_over_lots(*, lots: Sequence[Lot], holder: str, recorded_by) -> list[Lot]:
    """Note who has these lots from now on, all of them or none; a blank `holder` means that nobody took them along."""
    holder = holder.strip()
    what = f"handed over to {holder}" if holder else "handed back"
    return _set_all(lots, {"holder": holder}, what=what, by=recorded_by)


@transaction.atomic
def reserve_lots(*, lots: Sequence[Lot], reason: str, recorded_by) -> list[Lot]:
    """Hold lots back, all of them or none: nothing is taken from them until they are released."""
    reason = reason.strip()
    if not reason:
        raise Refused(phrase("Say what it is held back for."), code="reason_missing", field="reason")
    return _set_all(lots, {"reserve_reason": reason}, what="held back", why=reason, by=recorded_by)


@transaction.atomic
def release_lots(*, lots: Sequence[Lot], reason: str, recorded_by) -> list[Lot]:
    """Let material be taken again from lots that were held back, all of them or none."""
    reason = reason.strip()
    if not reason:
        raise Refused(phrase("Say why it is released."), code="reason_missing", field="reason")
    for lot in lock_lots(lots).values():
        if not lot.reserve_reason:
            raise Refused(phrase("{lot} is not held back.", lot=lot.code), code="not_held_back")
    return _set_all(lots, {"reserve_reason": ""}, what="released", why=reason, by=recorded_by)


def reserve_lot(*, lot: Lot, reason: str, recorded_by) -> Lot:
    """Hold one lot back."""
    return reserve_lots(lots=[lot], reason=reason, recorded_by=recorded_by)[0]


def release_lot(*, lot: Lot, reason: str, recorded_by) -> Lot:
    """Release one lot."""
    return release_lots(lots=[lot], reason=reason, recorded_by=recorded_by)[0]


def _set_all(lots: Sequence[Lot], values: dict[str, str], *, what: str, by, why: str = "") -> list[Lot]:
    """Set these fields on every lot, or refuse and set none; in the order given."""
    require_writer(by)
    if not lots:
        raise Refused(phrase("Tick at least one lot."), code="no_lot")
    locked = lock_lots(lots)
    for lot in lots:
        lot = locked[lot.pk]
        if lot.is_void:
            raise Refused(
                phrase("{lot} is void: nothing can be done with it.", lot=lot.code), code="lot_void"
            )
        if lot.on_hand_g == 0:
            raise Refused(used_up(lot), code="lot_used_up")
    for lot in locked.values():
        _set(lot, values, what=what, by=by, why=why)
    return [locked[lot.pk] for lot in lots]


def _set(lot: Lot, values: dict[str, str], *, what: str, by, why: str = "") -> None:
    """Set fields of a locked lot, with a line in the journal where that changes anything."""
    changes = changed_fields(record=lot, values=values)
    if not changes:
        return
    for name, value in values.items():
        setattr(lot, name, value)
    lot.clean_fields(exclude=["made_by"])
    lot.save(update_fields=list(values))
    write_journal(member=by, about=lot, what=what, changes=changes, why=why)
