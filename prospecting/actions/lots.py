"""What is said about a lot besides its mass, which only steps change."""

from django.db import transaction

from prospecting.actions.journal import changed_fields, write_journal
from prospecting.actions.material import lock_lots
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.models import Lot


@transaction.atomic
def describe_lot(*, lot: Lot, title: str, place: str, note: str, recorded_by) -> Lot:
    """Set what a lot is, where it stands and its note; the journal keeps what stood there before."""
    require_writer(recorded_by)
    lot = lock_lots([lot])[lot.pk]
    if lot.is_void:
        raise Refused(f"{lot.code} is void: what was written about it stays.", code="lot_void")
    values = {"title": title, "place": place, "note": note}
    changes = changed_fields(record=lot, values=values)
    if not changes:
        return lot
    for name, value in values.items():
        setattr(lot, name, value)
    lot.clean_fields(exclude=["made_by"])
    lot.save(update_fields=list(values))
    write_journal(member=recorded_by, about=lot, what="described anew", changes=changes)
    return lot
