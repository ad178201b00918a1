"""How a sample came by its value: every reading in order, which of them count, by which rule, with its working."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from django.db.models import Q
from django.utils.translation import gettext_lazy

from prospecting.calc import units, value_in_use
from prospecting.calc.language import phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.value_in_use import Figure, NoValue, ScreenParts, Settled, Value
from prospecting.calc.working import Working, WorkingRow, given
from prospecting.frames.checks import Say, read_words
from prospecting.models import Reading, Sample
from prospecting.models.check_evidence import as_figure, counting, mark_of, readings_of_samples

BERINGER = gettext_lazy(
    "mass-weighted mean of both fractions, as C. and J. J. Beringer, A Text-book of Assaying (1904)"
)


@dataclass(frozen=True)
class ReadingLine:
    """One reading; `counts` says how it bears on the value in use, in words."""

    reading: Reading
    counts: str
    is_used: bool


@dataclass(frozen=True)
class SampleValue:
    """A sample's readings in order with what they come to."""

    lines: Sequence[ReadingLine]
    rule: str
    reason: str
    asked: str
    pending: bool
    mark: str
    warnings: Sequence[str]
    can_choose: bool
    working: Working | None


def sample_value(sample: Sample, *, grade_unit: str) -> SampleValue:
    """How the value of this sample came about. `sample` comes with its dispatch."""
    say = partial(units.format_grade, unit=grade_unit)
    readings = list(
        sample.readings.select_related("assay_return__replaced_by", "sample__lot")
        .defer("assay_return__file_bytes", "assay_return__replaced_by__file_bytes")
        .in_turn()
    )
    standing = readings_of_samples(Q(sample=sample))
    taken = counting(standing)
    figures = [as_figure(reading) for reading in taken]
    settled = value_in_use.settle(figures, asked=sample.asked_rule, by_screen=sample.by_screen)
    if sample.in_use_rule == Sample.Rule.CHOSEN:
        settled = Settled(sample.in_use_rule, None)
    value = settled.value
    used = {figure.key for figure in value.used} if value else {sample.reading_in_use_id}
    counted = {reading.pk for reading in taken}
    in_use = next((reading for reading in readings if reading.pk == sample.reading_in_use_id), None)
    return SampleValue(
        lines=[ReadingLine(each, _counts(each, used, counted), each.pk in used) for each in readings],
        rule=Sample.Rule(sample.in_use_rule).meaning,
        reason=_reason(sample, settled, say),
        asked=_asked(sample),
        pending=sample.in_use_symbol == Reading.Symbol.ABOVE,
        mark=mark_of(in_use.assay_return.checks_state, in_use.assay_return.accepted_reason) if in_use else "",
        warnings=_warnings(sample, figures, say),
        can_choose=any(not reading.fraction for reading in standing),
        working=_working(settled, figures, say),
    )


def _reason(sample: Sample, settled: Settled, say: Say) -> str:
    """Why the sample counts so, with the range in the reader's unit where only that is known; nothing without a reason."""
    why = sample.in_use_reason.rstrip(". ")
    if not why or (sample.in_use is None and why == sample.asked_reason.rstrip(". ")):
        return ""
    return " ".join([f"{why}.", *_range_words(settled.between, say)])


def _asked(sample: Sample) -> str:
    """The rule asked for while another stands in its place, with the member's reason."""
    if not sample.asked_rule or (sample.in_use and sample.in_use_rule == sample.asked_rule):
        return ""
    asked = {"rule": sample.get_asked_rule_display(), "reason": sample.asked_reason.rstrip(". ")}
    if sample.in_use_rule == Sample.Rule.CHOSEN:
        return phrase(
            "Asked for: {rule}. Reason: {reason}. It counts again if the chosen reading ceases to.", **asked
        )
    return phrase(
        "Asked for: {rule}. Reason: {reason}. It counts by itself as soon as readings give it a value.",
        **asked,
    )


def _range_words(between: tuple | None, say: Say) -> list[str]:
    """A sentence where a range is known."""
    if not between:
        return []
    return [phrase("It lies from {low} to {high}.", low=say(between[0]), high=say(between[1]))]


def _counts(reading: Reading, used: set, counted: set) -> str:
    if reading.pk in used:
        return phrase("counts")
    if hasattr(reading.assay_return, "replaced_by"):
        return phrase(
            "replaced by certificate {number}", number=reading.assay_return.replaced_by.certificate_number
        )
    if reading.symbol not in Reading.FIGURES:
        return phrase("says nothing of the grade")
    if reading.pk not in counted:
        return phrase("a check of its return failed, and the sample was assayed again")
    return phrase("kept beside it")


def _warnings(sample: Sample, figures: Sequence[Figure], say: Say) -> list[str]:
    """Where the laboratory printed a total beside both fractions of a screen fire assay and the two differ."""
    try:
        value = value_in_use.screen_value(figures)
    except NoValue as none:
        is_told = sample.in_use_rule == Sample.Rule.SCREEN or not any(figure.fraction for figure in figures)
        return [] if is_told else [" ".join([str(none), *_range_words(none.between, say)])]
    totals = [
        figure
        for figure in figures
        if not figure.fraction and value_in_use.is_screen_total(figure.method, by_screen=sample.by_screen)
    ]
    return [
        phrase(
            "The laboratory printed a total of {total}, but its two fractions come to {sum}. Ask it which is right.",
            total=say(total.grade),
            sum=say(value.grade),
        )
        for total in totals
        if value_in_use.disagrees_with_printed(value, total)
    ]


def _working(settled: Settled, figures: Sequence[Figure], say: Say) -> Working | None:
    value = settled.value
    if value is None or settled.rule == Sample.Rule.FIRST:
        return None
    if settled.rule == Sample.Rule.SCREEN:
        parts = value_in_use.screen_parts(figures)
        return Working(_screen_rows(parts, value, say), assumptions=_taken_as_given(value))
    row = WorkingRow(
        label=phrase("Mean of the repeats"),
        formula=phrase("all below their limits: below the largest of these")
        if value.symbol == value_in_use.BELOW
        else phrase("sum of the readings / their number"),
        inputs=tuple(
            given(phrase("reading {number}", number=n), read_words(each, say))
            for n, each in enumerate(value.used, 1)
        ),
        value=read_words(value, say),
    )
    return Working((row,), assumptions=_taken_as_given(value))


def _screen_rows(parts: ScreenParts, value: Value, say: Say) -> tuple[WorkingRow, ...]:
    minus_g = next(each.mass_g for each in parts.minus if each.mass_g)
    return (
        WorkingRow(
            label=phrase("Gold in the plus fraction, assayed whole"),
            formula=phrase("grade x mass"),
            inputs=(
                given(phrase("grade"), read_words(parts.plus, say)),
                given(phrase("mass"), numeral(parts.plus.mass_g.normalize(), "f"), "g"),
            ),
            value=_between(parts.plus_gold_mg, units.format_gold_mg),
        ),
        WorkingRow(
            label=phrase("Gold in the minus fraction"),
            formula=phrase("mean of its assays x mass"),
            inputs=(
                *(
                    given(phrase("assay {number}", number=n), read_words(each, say))
                    for n, each in enumerate(parts.minus, 1)
                ),
                given(phrase("mass"), numeral(minus_g.normalize(), "f"), "g"),
            ),
            value=_between(parts.minus_gold_mg, units.format_gold_mg),
        ),
        WorkingRow(
            label=phrase("Grade of the sample"),
            formula=phrase("gold of both fractions / mass of both"),
            value=read_words(value, say),
            source=BERINGER,
        ),
    )


def _taken_as_given(value: Value) -> tuple[str, ...]:
    given_so = phrase(
        "A reading below the detection limit is never taken as nothing, as the limit or as half of it."
    )
    return (given_so, value.note) if value.note else (given_so,)


def _between(low_high: tuple, say: Say) -> str:
    low, high = low_high
    if low == high:
        return say(low)
    if high is None:
        return phrase("{low} or more", low=say(low))
    return phrase("{low} to {high}", low=say(low), high=say(high))
