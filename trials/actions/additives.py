"""Additives: products put into the tub water, and what they cost."""

from django.db import transaction

from prospecting.actions.journal import changed_fields, write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc.language import phrase
from trials.models import Additive, Dose


@transaction.atomic
def add_additive(*, recorded_by, **fields) -> Additive:
    require_writer(recorded_by)
    additive = Additive(**fields)
    additive.full_clean()
    additive.save()
    write_journal(member=recorded_by, about=additive, what="added")
    return additive


@transaction.atomic
def change_additive(*, additive: Additive, recorded_by, **fields) -> Additive:
    """Change an additive. Its kind stays once a dose of it has been planned: past trials were about that kind."""
    require_writer(recorded_by)
    additive = Additive.objects.select_for_update().get(pk=additive.pk)
    if (
        "kind" in fields
        and fields["kind"] != additive.kind
        and Dose.objects.filter(additive=additive).exists()
    ):
        raise Refused(
            phrase("Trials have used this as what it is now. Add the other kind as a new additive."),
            code="used",
            field="kind",
        )
    changes = changed_fields(record=additive, values=fields)
    for name, value in fields.items():
        setattr(additive, name, value)
    additive.full_clean()
    additive.save()
    if changes:
        write_journal(member=recorded_by, about=additive, what="changed", changes=changes)
    return additive
