"""Which value a sample counts with: the rule that holds, or a reading chosen by hand with a reason."""

from collections import defaultdict
from collections.abc import Sequence

from django.db import connection, transaction
from django.db.models import Q

from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc import value_in_use
from prospecting.calc.language import phrase
from prospecting.calc.number_words import as_written
from prospecting.calc.value_in_use import Value
from prospecting.models import AssayReturn, Dispatch, Reading, Sample
from prospecting.models.check_evidence import as_figure, counting, readings_of_samples

# The fields of a sample that say together which value counts, and why.
IN_USE = ("reading_in_use", "in_use_symbol", "in_use_g_per_t", "in_use_limit_g_per_t")
WITH_RULE = (*IN_USE, "in_use_rule", "in_use_reason", "asked_rule", "asked_reason")
LONGEST_REASON = Sample._meta.get_field("in_use_reason").max_length
CHOICE_FELL = "the reading chosen by hand counts no longer"


@transaction.atomic
def choose_reading(*, sample: Sample, reading: Reading, reason: str, chosen_by) -> Sample:
    """Put another reading of the sample in use, by hand and with a reason; nothing is taken away."""
    require_writer(chosen_by)
    sample = Sample.objects.select_for_update().get(pk=sample.pk)
    readings = Reading.objects.select_related("assay_return__replaced_by").defer(
        "assay_return__file_bytes", "assay_return__replaced_by__file_bytes"
    )
    reading = readings.get(pk=reading.pk)
    if reading.sample_id != sample.pk:
        raise Refused(phrase("That reading is of another sample."), code="other_sample", field="reading")
    if reading.symbol not in Reading.FIGURES:
        raise Refused(
            phrase(
                "“{reading}” says nothing of the grade: it can't be the reading in use.",
                reading=reading.get_symbol_display(),
            ),
            code="no_figure",
            field="reading",
        )
    if reading.fraction:
        raise Refused(
            phrase("That is the reading of one fraction, not of the whole sample."),
            code="only_a_fraction",
            field="reading",
        )
    if hasattr(reading.assay_return, "replaced_by"):
        raise Refused(
            phrase(
                "{certificate} was replaced by a revised one: its readings count no longer.",
                certificate=reading.assay_return,
            ),
            code="replaced",
            field="reading",
        )
    reason = _reason(reason, phrase("Say why this reading is the better one."))
    reckoned = (Sample.Rule.MEAN, Sample.Rule.SCREEN)
    if sample.in_use_rule not in reckoned and sample.reading_in_use_id == reading.pk:
        raise Refused(phrase("This reading is in use already."), code="no_change", field="reading")
    # Where a rule reckoned the value, it stood in no one reading.
    before, stood_in = _words(sample), sample.reading_in_use
    _use(sample, value_in_use.first_value([as_figure(reading)]))
    sample.in_use_rule = Sample.Rule.CHOSEN
    sample.in_use_reason = reason
    _save(sample)
    write_journal(
        member=chosen_by,
        about=sample.dispatch,
        what=f"sample {sample.tag}: another reading in use",
        why=reason,
        changes={
            "reading in use": [str(stood_in) if stood_in else "", str(reading)],
            "value in use": [before, _words(sample)],
        },
    )
    return sample


@transaction.atomic
def set_rule(*, sample: Sample, rule: str, reason: str, set_by) -> Sample:
    """Let this rule say which value of the sample counts, now and for readings to come.

    It stays asked for where it gives no value yet; the first reading stands in until it does.
    """
    require_writer(set_by)
    reason = _reason(reason, phrase("Say why this rule fits better."))
    _check_rule(rule)
    sample = Sample.objects.select_for_update(of=("self",)).select_related("dispatch").get(pk=sample.pk)
    if sample.holding_rule == rule:
        raise Refused(phrase("This rule holds already."), code="no_change", field="rule")
    asked, before = _asked_words(sample), _words(sample)
    sample.asked_rule, sample.asked_reason = rule, reason
    gives_none = _settle(sample, readings_of_samples(Q(sample=sample)))
    _save(sample)
    changes = {"rule asked for": [asked, _asked_words(sample)], "value in use": [before, _words(sample)]}
    write_journal(
        member=set_by,
        about=sample.dispatch,
        what=f"sample {sample.tag}: value in use by another rule"
        + (f", which gives none yet: {gives_none}" if gives_none else ""),
        why=reason,
        changes={name: change for name, change in changes.items() if change[0] != change[1]},
    )
    return sample


@transaction.atomic
def set_dispatch_rule(*, dispatch: Dispatch, rule: str, reason: str, set_by) -> Dispatch:
    """Let this rule hold for all samples of the dispatch, now and for readings to come.

    What was chosen by hand stays so. Where the rule gives no value yet the first reading stands in; the journal names each.
    Refused when it holds for all of them already.
    """
    require_writer(set_by)
    reason = _reason(reason, phrase("Say why this rule fits better."))
    _check_rule(rule)
    dispatch = Dispatch.objects.select_for_update().get(pk=dispatch.pk)
    readings = _readings_of(dispatch)
    changed, changes, without = [], {}, []
    for sample in _locked(dispatch).exclude(in_use_rule=Sample.Rule.CHOSEN):
        if sample.holding_rule == rule:
            continue
        before = _words(sample)
        sample.asked_rule, sample.asked_reason = rule, reason
        if _settle(sample, readings[sample.pk]):
            without.append(sample.tag)
        changed.append(sample)
        if before != _words(sample):
            changes[sample.tag] = [before, _words(sample)]
    if not changed:
        raise Refused(
            phrase("This rule holds for all samples already, or they were chosen by hand."),
            code="no_change",
            field="rule",
        )
    _save_all(changed)
    with as_written():
        named = str(Sample.Rule(rule).label)
    write_journal(
        member=set_by,
        about=dispatch,
        what=f"values in use by rule for {len(changed)} samples: {named}"
        + (f"; it gives no value yet for {', '.join(without)}"[:1500] if without else ""),
        why=reason,
        changes=changes,
    )
    return dispatch


def apply_rules(assay_return: AssayReturn, *, recorded_by) -> None:
    """Put in use what each sample's rule takes from the readings that count now.

    Called whenever readings come, cease to count (a revised certificate) or a return's checks are judged. The value hangs on
    the readings alone, not on the order in which returns were entered.
    """
    dispatch = Dispatch.objects.select_for_update().get(pk=assay_return.dispatch_id)
    readings = _readings_of(dispatch)
    changed, changes = [], {}
    for sample in _locked(dispatch):
        before, was = _words(sample), _state(sample)
        _apply(sample, readings[sample.pk])
        if _state(sample) == was:
            continue
        changed.append(sample)
        if before:
            changes[sample.tag] = [before, _words(sample)]
    _save_all(changed)
    if changes:
        write_journal(
            member=recorded_by,
            about=assay_return,
            what="other values in use, by each sample's rule",
            why="which readings count has changed",
            changes=changes,
        )


def _apply(sample: Sample, standing: Sequence[Reading]) -> None:
    """Let the sample count by its rule, unless a reading chosen by hand still stands."""
    if sample.in_use_rule == Sample.Rule.CHOSEN:
        # One of a return whose checks failed may be chosen over others; its mark stays.
        if any(reading.pk == sample.reading_in_use_id for reading in standing):
            return
        if not sample.asked_rule:
            sample.asked_reason = CHOICE_FELL
    _settle(sample, standing)


@as_written()
def _settle(sample: Sample, standing: Sequence[Reading]) -> str:
    """Let the sample count by the rule asked for; returns why that gives no value, or nothing."""
    settled = value_in_use.settle(
        [as_figure(reading) for reading in counting(standing)],
        asked=sample.asked_rule,
        by_screen=sample.by_screen,
    )
    _use(sample, settled.value)
    sample.in_use_rule = settled.rule
    sample.in_use_reason = (settled.why or sample.asked_reason)[:LONGEST_REASON]
    return settled.why if sample.asked_rule else ""


def _use(sample: Sample, value: Value | None) -> None:
    """Let the sample count with this value; saved by the caller."""
    sample.reading_in_use_id = value.used[0].key if value else None
    sample.in_use_symbol = value.symbol if value else ""
    sample.in_use_g_per_t = value.grade if value else None
    sample.in_use_limit_g_per_t = value.limit if value else None


def _save(sample: Sample) -> None:
    sample.full_clean(exclude=["dispatch", "lot"], validate_unique=False)
    sample.save(update_fields=WITH_RULE)


def _save_all(samples: Sequence[Sample]) -> None:
    """Write the values in use of many samples; the rows are locked."""
    fields = [Sample._meta.get_field(name) for name in WITH_RULE]
    # bulk_update took 16 s for a certificate of 5,000 rows, most of it building one expression for each row.
    with connection.cursor() as cursor:
        cursor.executemany(
            "UPDATE prospecting_sample SET reading_in_use_id = %s, in_use_symbol = %s, in_use_g_per_t = %s, "
            "in_use_limit_g_per_t = %s, in_use_rule = %s, in_use_reason = %s, asked_rule = %s, asked_reason = %s "
            "WHERE id = %s",
            [
                [
                    *(field.get_db_prep_save(getattr(sample, field.attname), connection) for field in fields),
                    sample.pk,
                ]
                for sample in samples
            ],
        )


def _locked(dispatch: Dispatch):
    samples = Sample.objects.select_for_update(of=("self",)).filter(dispatch=dispatch)
    return samples.select_related("dispatch").order_by("pk")


def _readings_of(dispatch: Dispatch) -> dict[int, list[Reading]]:
    readings: dict[int, list[Reading]] = defaultdict(list)
    for reading in readings_of_samples(Q(sample__dispatch=dispatch)):
        readings[reading.sample_id].append(reading)
    return readings


def _check_rule(rule: str) -> None:
    if rule not in value_in_use.RULES:
        raise Refused(phrase("Choose one of the rules."), code="rule_unknown", field="rule")


def _reason(typed: str, missing: str) -> str:
    reason = " ".join(typed.split())
    if not reason:
        raise Refused(missing, code="reason_missing", field="reason")
    if len(reason) > LONGEST_REASON:
        raise Refused(
            phrase("Keep the reason to {most} signs.", most=LONGEST_REASON),
            code="reason_too_long",
            field="reason",
        )
    return reason


def _state(sample: Sample) -> tuple:
    return tuple(getattr(sample, name) for name in ("reading_in_use_id", *WITH_RULE[1:]))


@as_written()
def _words(sample: Sample) -> str:
    """The value in use as the journal keeps it; nothing while there is none."""
    if not sample.in_use_symbol:
        return ""
    number = sample.in_use_limit_g_per_t if sample.in_use_g_per_t is None else sample.in_use_g_per_t
    way = "" if sample.in_use_symbol == Reading.Symbol.VALUE else f"{sample.in_use_symbol} "
    return f"{way}{number.normalize():f} g/t, {sample.get_in_use_rule_display()}"


@as_written()
def _asked_words(sample: Sample) -> str:
    """The rule asked for as the journal keeps it; nothing where nobody asked."""
    return sample.get_asked_rule_display() if sample.asked_rule else ""
