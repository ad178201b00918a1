"""Renewing a test lot: the bridging trial that sets the new lot beside the old one."""

from django.db import transaction

from prospecting.actions.journal import write_journal
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from prospecting.models import Lot
from trials.actions.planning import plan_trial
from trials.models import NO_TEST_LOTS, Treatment, Trial


@transaction.atomic
def plan_bridge(*, old_lot: Lot, new_lot: Lot, recorded_by, **fields) -> Trial:
    """Open the draft of a bridging trial: both lots untreated, the old one as the control. The new lot renews the old one."""
    for lot, field in ((old_lot, None), (new_lot, "new_lot")):
        if lot.kind in NO_TEST_LOTS:
            raise Refused(
                phrase("{lot} is no test lot: {kind}.", lot=lot.code, kind=lot.get_kind_display().lower()),
                code="no_test_lot",
                field=field,
            )
    if old_lot.pk == new_lot.pk:
        raise Refused(
            phrase("A bridge has a lot at either end: choose another one."), code="same_lot", field="new_lot"
        )
    trial = plan_trial(
        feed_lot=old_lot,
        new_lot=new_lot,
        question=f"Bridge: what does {new_lot.code} give beside {old_lot.code}?",
        recorded_by=recorded_by,
        **fields,
    )
    Treatment.objects.bulk_create(
        [
            Treatment(trial=trial, name=f"{old_lot.code}, old lot", is_control=True, position=1),
            Treatment(trial=trial, name=f"{new_lot.code}, new lot", position=2),
        ]
    )
    write_journal(
        member=recorded_by, about=new_lot, what=f"is to take over from {old_lot.code}; bridging runs planned"
    )
    return trial
