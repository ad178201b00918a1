"""Where digs were, taken from a file: all of it or nothing."""

from collections.abc import Mapping
from decimal import Decimal

from django.db import transaction

from prospecting.actions.journal import changed_fields, write_event, write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.models import Claim, Dig


@transaction.atomic
def place_digs(
    *, claim: Claim, positions: Mapping[int, tuple[Decimal, Decimal]], may_move: bool, recorded_by
) -> Claim:
    """Give standing digs of the claim (by id) these latitudes and longitudes.

    A dig that has another position already is moved only where `may_move`; else nothing at all is recorded.
    """
    require_writer(recorded_by)
    if not positions:
        raise Refused(phrase("There is no position to record."), code="no_position")
    digs = list(
        Dig.objects.select_for_update(of=("self",))
        .standing()
        .filter(zone__claim=claim, pk__in=positions)
        .select_related("step")
        .order_by("pk")
    )
    if len(digs) != len(positions):
        raise Refused(
            phrase("A dig was voided meanwhile. Look at the file's stations again."),
            code="digs_changed",
            field="upload",
        )
    moved = []
    for dig in digs:
        latitude, longitude = positions[dig.pk]
        changes = changed_fields(record=dig, values={"latitude": latitude, "longitude": longitude})
        if not changes:
            continue
        if dig.latitude is not None:
            moved.append(dig.station)
        dig.latitude, dig.longitude = latitude, longitude
        dig.full_clean(exclude=[field.name for field in Dig._meta.fields if field.name not in changes])
        dig.save(update_fields=["latitude", "longitude"])
        write_journal(member=recorded_by, about=dig.step, what="position from a file", changes=changes)
    if moved and not may_move:
        raise Refused(
            phrase(
                "{stations} would move. Say that you mean it, or leave them out of the file.",
                stations=", ".join(dict.fromkeys(moved)),
            ),
            code="would_move",
            field="may_move",
        )
    return claim


def note_positions_leave(*, claim: Claim, form: str, member) -> None:
    """Keep in the journal who saved the positions of a claim's digs, and in which form of file."""
    require_writer(member)
    write_event(
        member=member,
        kind="export",
        label=str(claim),
        what=f"saved the positions of its digs as a file ({form})",
    )
