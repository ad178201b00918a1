"""Which value a sample counts with: the rule that holds, or a reading chosen by hand with a reason."""

from collections import defaultdict
from collections.abc import Callable, Sequence

from django.db import connection, transaction
from django.db.models import Q

from prospecting.actions.journal import write_journal
from prospecting.actions.permission import require_writer
from prospecting.actions.refusal import Refused
from prospecting.calc import value_in_use
from prospecting.calc.value_in_use import Figure, NoValue, Value
from prospecting.models import AssayReturn, Dispatch, Reading, Sample
from prospecting.models.check_evidence import as_figure, counting, readings_of_samples

# The fields of a sample that say together which value counts.
IN_USE = ("reading_in_use", "in_use_symbol", "in_use_g_per_t", "in_use_limit_g_per_t")
WITH_RULE = (*IN_USE, "in_use_rule", "in_use_reason")
LONGEST_REASON = Sample._meta.get_field("in_use_reason").max_length
RULES: dict[str, Callable[[Sequence[Figure]], Value]] = {
    Sample.Rule.FIRST: value_in_use.first_value,
    Sample.Rule.MEAN: value_in_use.mean_value,
    Sample.Rule.SCREEN: value_in_use.screen_over_charge,
}


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
        raise Refused("That reading is of another sample.", code="other_sample", field="reading")
    if reading.symbol not in Reading.FIGURES:
        raise Refused(
            f"“{reading.get_symbol_display()}” says nothing of the grade: it can't be the reading in use.",
            code="no_figure",
            field="reading",
        )
    if reading.fraction:
        raise Refused(
            "That is the reading of one fraction, not of the whole sample.",
            code="only_a_fraction",
            field="reading",
        )
    if hasattr(reading.assay_return, "replaced_by"):
        raise Refused(
            f"{reading.assay_return} was replaced by a revised one: its readings count no longer.",
            code="replaced",
            field="reading",
        )
    reason = _reason(reason, "Say why this reading is the better one.")
    reckoned = (Sample.Rule.MEAN, Sample.Rule.SCREEN)
    if sample.in_use_rule not in reckoned and sample.reading_in_use_id == reading.pk:
        raise Refused("This reading is in use already.", code="no_change", field="reading")
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
    """Let this rule say which value of the sample counts, as long as it gives one; refused where it gives none now."""
    require_writer(set_by)
    reason = _reason(reason, "Say why this rule fits better.")
    _check_rule(rule)
    sample = Sample.objects.select_for_update(of=("self",)).select_related("dispatch").get(pk=sample.pk)
    if sample.in_use_rule == rule:
        raise Refused("This rule holds already.", code="no_change", field="rule")
    before = _words(sample)
    readings = counting(readings_of_samples(Q(sample=sample)))
    if readings:
        try:
            _use(sample, RULES[rule]([as_figure(reading) for reading in readings]))
        except NoValue as none:
            raise Refused(str(none), code="rule_gives_none", field="rule") from None
    else:
        _use(sample, None)
    sample.in_use_rule, sample.in_use_reason = rule, reason
    _save(sample)
    write_journal(
        member=set_by,
        about=sample.dispatch,
        what=f"sample {sample.tag}: value in use by another rule",
        why=reason,
        changes={"value in use": [before, _words(sample)]},
    )
    return sample


@transaction.atomic
def set_dispatch_rule(*, dispatch: Dispatch, rule: str, reason: str, set_by) -> Dispatch:
    """Let this rule hold for all samples of the dispatch that it gives a value, or that have no reading yet.

    What was chosen by hand stays so. Where the rule gives no value the sample keeps its own; the journal names each.
    Refused when it would change nothing.
    """
    require_writer(set_by)
    reason = _reason(reason, "Say why this rule fits better.")
    _check_rule(rule)
    dispatch = Dispatch.objects.select_for_update().get(pk=dispatch.pk)
    readings = _readings_of(dispatch)
    changed, changes, left, why_not = [], {}, [], ""
    for sample in _locked(dispatch).exclude(in_use_rule__in=[rule, Sample.Rule.CHOSEN]):
        before = _words(sample)
        figures = [as_figure(reading) for reading in counting(readings[sample.pk])]
        try:
            _use(sample, RULES[rule](figures) if figures else None)
        except NoValue as none:
            left.append(sample.tag)
            why_not = str(none)
            continue
        sample.in_use_rule, sample.in_use_reason = rule, reason
        changed.append(sample)
        if before != _words(sample):
            changes[sample.tag] = [before, _words(sample)]
    if not changed:
        raise Refused(
            why_not or "This rule holds for all samples already, or they were chosen by hand.",
            code="no_change",
            field="rule",
        )
    _save_all(changed)
    write_journal(
        member=set_by,
        about=dispatch,
        what=f"values in use by rule for {len(changed)} samples: {Sample.Rule(rule).label}"
        + (f"; the rule gives no value for {', '.join(left)}, which keep their own"[:1500] if left else ""),
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
        _apply(sample, readings[sample.pk], by_screen=dispatch.method == Dispatch.Method.SCREEN_FIRE)
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


def _apply(sample: Sample, standing: Sequence[Reading], *, by_screen: bool) -> None:
    """Let the sample count by its rule; where the rule gives no value, by the first reading, and the reason says so."""
    figures = [as_figure(reading) for reading in counting(standing)]
    if sample.in_use_rule == Sample.Rule.CHOSEN:
        # One of a return whose checks failed may be chosen over others; its mark stays.
        if any(reading.pk == sample.reading_in_use_id for reading in standing):
            return
        _fall_back(sample, "the reading chosen by hand counts no longer")
    if not figures:
        _use(sample, None)
        return
    if sample.in_use_rule == Sample.Rule.FIRST and _is_by_screen(sample, figures, by_screen):
        try:
            value = value_in_use.screen_over_charge(figures)
        except NoValue:
            pass
        else:
            _use(sample, value)
            sample.in_use_rule = Sample.Rule.SCREEN
            sample.in_use_reason = value.note or "both fractions of a screen fire assay came"
            return
    try:
        _use(sample, RULES[sample.in_use_rule](figures))
    except NoValue as none:
        if sample.in_use_rule == Sample.Rule.FIRST:
            _use(sample, None)
            return
        _fall_back(sample, str(none).rstrip("."))
        _apply(sample, standing, by_screen=False)


def _is_by_screen(sample: Sample, figures: Sequence[Figure], by_screen: bool) -> bool:
    """Whether the two fractions count without anyone saying so: they were asked for, or nothing else came."""
    # A reason means that a member settled on the first reading, or that another rule gave no value.
    return all(figure.fraction for figure in figures) or (by_screen and not sample.in_use_reason)


def _fall_back(sample: Sample, why: str) -> None:
    sample.in_use_rule = Sample.Rule.FIRST
    sample.in_use_reason = why[:LONGEST_REASON]


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
            "in_use_limit_g_per_t = %s, in_use_rule = %s, in_use_reason = %s WHERE id = %s",
            [
                [
                    *(field.get_db_prep_save(getattr(sample, field.attname), connection) for field in fields),
                    sample.pk,
                ]
                for sample in samples
            ],
        )


def _locked(dispatch: Dispatch):
    return Sample.objects.select_for_update(of=("self",)).filter(dispatch=dispatch).order_by("pk")


def _readings_of(dispatch: Dispatch) -> dict[int, list[Reading]]:
    readings: dict[int, list[Reading]] = defaultdict(list)
    for reading in readings_of_samples(Q(sample__dispatch=dispatch)):
        readings[reading.sample_id].append(reading)
    return readings


def _check_rule(rule: str) -> None:
    if rule not in RULES:
        raise Refused("Choose one of the rules.", code="rule_unknown", field="rule")


def _reason(typed: str, missing: str) -> str:
    reason = " ".join(typed.split())
    if not reason:
        raise Refused(missing, code="reason_missing", field="reason")
    if len(reason) > LONGEST_REASON:
        raise Refused(f"Keep the reason to {LONGEST_REASON} signs.", code="reason_too_long", field="reason")
    return reason


def _state(sample: Sample) -> tuple:
    return tuple(getattr(sample, name) for name in ("reading_in_use_id", *WITH_RULE[1:]))


def _words(sample: Sample) -> str:
    """The value in use as the journal keeps it; nothing while there is none."""
    if not sample.in_use_symbol:
        return ""
    number = sample.in_use_limit_g_per_t if sample.in_use_g_per_t is None else sample.in_use_g_per_t
    way = "" if sample.in_use_symbol == Reading.Symbol.VALUE else f"{sample.in_use_symbol} "
    return f"{way}{number.normalize():f} g/t, {sample.get_in_use_rule_display()}"
