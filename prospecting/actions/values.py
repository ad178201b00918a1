"""Which value a sample counts with: the rule that holds, or a reading chosen by hand with a reason."""

from django.db import transaction

from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.models import AssayReturn, Reading, Sample

# The fields of a sample that say together which value counts.
IN_USE = ("reading_in_use", "in_use_symbol", "in_use_g_per_t", "in_use_limit_g_per_t")


@transaction.atomic
def choose_reading(*, sample: Sample, reading: Reading, reason: str, chosen_by) -> Sample:
    """Put another reading of the sample in use, by hand and with a reason; nothing is taken away."""
    require_writer(chosen_by)
    sample = Sample.objects.select_for_update().get(pk=sample.pk)
    reading = Reading.objects.select_related("assay_return").get(pk=reading.pk)
    reason = " ".join(reason.split())
    if reading.sample_id != sample.pk:
        raise Refused("That reading is of another sample.", code="other_sample", field="reading")
    if reading.symbol not in Reading.FIGURES:
        raise Refused(
            f"“{reading.get_symbol_display()}” says nothing of the grade: it can't be the reading in use.",
            code="no_figure",
            field="reading",
        )
    if not reason:
        raise Refused("Say why this reading is the better one.", code="reason_missing", field="reason")
    if sample.reading_in_use_id == reading.pk:
        raise Refused("This reading is in use already.", code="no_change", field="reading")
    _put_in_use(sample, reading, rule=Sample.Rule.CHOSEN, reason=reason, member=chosen_by)
    return sample


def apply_rules(assay_return: AssayReturn, *, recorded_by) -> None:
    """Put the first reading of the first return in use wherever no one has chosen by hand.

    First by the day it was reported: which return was typed first must not decide which figure counts.
    """
    ruled = list(
        Sample.objects.select_for_update(of=("self",))
        .filter(dispatch=assay_return.dispatch_id, in_use_rule=Sample.Rule.FIRST)
        .select_related("reading_in_use")
        .order_by("pk")
    )
    first: dict[int, Reading] = {}
    readings = Reading.objects.filter(sample__in=ruled).standing().of_whole().usable().in_turn()
    for reading in readings.select_related("assay_return"):
        first.setdefault(reading.sample_id, reading)
    changes = {}
    for sample in ruled:
        reading = first.get(sample.pk)
        if reading is None or reading.pk == sample.reading_in_use_id:
            continue
        if sample.reading_in_use_id is not None:
            changes[sample.tag] = [str(sample.reading_in_use), str(reading)]
        _use(sample, reading)
    Sample.objects.bulk_update(ruled, IN_USE)
    if changes:
        write_journal(
            member=recorded_by,
            about=assay_return,
            what="an earlier return came in: its first readings are now in use",
            why=Sample.Rule.FIRST.label,
            changes=changes,
        )


def _use(sample: Sample, reading: Reading) -> None:
    """Let the sample count with what this reading says; saved by the caller."""
    sample.reading_in_use = reading
    sample.in_use_symbol = reading.symbol
    sample.in_use_g_per_t = reading.grade_g_per_t
    sample.in_use_limit_g_per_t = reading.limit_g_per_t


def _put_in_use(sample: Sample, reading: Reading, *, rule: str, reason: str, member) -> None:
    before = sample.reading_in_use
    _use(sample, reading)
    sample.in_use_rule = rule
    sample.in_use_reason = reason
    sample.full_clean(exclude=["dispatch", "lot"], validate_unique=False)
    sample.save(update_fields=[*IN_USE, "in_use_rule", "in_use_reason"])
    write_journal(
        member=member,
        about=sample.dispatch,
        what=f"sample {sample.tag}: another reading in use",
        why=reason,
        changes={"reading in use": [str(before) if before else "", str(reading)]},
    )
