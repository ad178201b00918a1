"""What the checks of a return say, in sentences with their working, and how a failed return marks its values."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from django.utils.formats import date_format
from django.utils.translation import gettext_lazy

from prospecting.calc import batch_checks, units
from prospecting.calc.batch_checks import DuplicatesFound, Finding, Precision
from prospecting.calc.language import phrase, phrase_counted, to_phrase
from prospecting.calc.number_words import in_mark, numeral
from prospecting.calc.quality_control import ACTION_SIGMAS, BLANK_FACTOR, WARNING_SIGMAS
from prospecting.calc.value_in_use import BELOW, Figure, Value
from prospecting.calc.working import Working, WorkingRow, given
from prospecting.models import AssayReturn, ReferenceMaterial, Sample
from prospecting.models.check_evidence import CheckBook, CheckRow, JudgedReturn, certified_of
from prospecting.models.check_evidence import mark_of as mark_of

REPLACED = gettext_lazy("A later certificate corrects this one; none of its readings counts.")
Say = Callable[[float], str]

RULES = {rule.name: rule for rule in batch_checks.RULES}

OUTCOMES = {
    batch_checks.PASSED: gettext_lazy("passed"),
    batch_checks.LOOK: gettext_lazy("look at it"),
    batch_checks.FAILED: gettext_lazy("failed"),
    batch_checks.NOT_JUDGED: gettext_lazy("not judged"),
}
STAGES = {
    "field": gettext_lazy("Field duplicates"),
    "coarse": gettext_lazy("Coarse duplicates"),
    "pulp": gettext_lazy("Pulp duplicates"),
}


def return_rules() -> dict:
    """The rules by which the checks of a return are judged, and what they are called."""
    return {"name": phrase(batch_checks.RULE_SET_NAME), "rules": batch_checks.RULES}


@dataclass(frozen=True)
class CheckLine:
    """One check, or the duplicates of one stage: what it is, how it came out, why, and the figures behind it."""

    what: str
    tags: Sequence[Sample]
    outcome: str
    word: str
    sentence: str
    working: Working


@dataclass(frozen=True)
class ReturnChecks:
    """All checks of one return. `stale` is the state it would have if it were judged now, where that differs."""

    headline: str
    explanation: str
    lines: Sequence[CheckLine]
    without_figure: Sequence[CheckRow]
    stale: str
    is_replaced: bool


def return_checks(assay_return: AssayReturn, *, grade_unit: str) -> ReturnChecks:
    """What the checks of this return say, in the reader's unit. `assay_return` comes with its dispatch."""
    book = CheckBook([assay_return.dispatch.laboratory_id], also=assay_return)
    judged = book.judged(assay_return)
    say = partial(units.format_grade, unit=grade_unit)
    lines = [
        *(_blank_line(row, finding, say) for row, finding in judged.blanks),
        *(_reference_line(row, finding, say) for row, finding in judged.references),
        *(_duplicate_line(stage, rows, found, say) for stage, rows, found in judged.duplicates),
    ]
    # What failed first; what cannot be told last.
    order = [batch_checks.FAILED, batch_checks.LOOK, batch_checks.PASSED, batch_checks.NOT_JUDGED]
    lines.sort(key=lambda line: order.index(line.outcome))
    headline, explanation = _headline(assay_return, judged, lines)
    is_replaced = any(each.replaces_id == assay_return.pk for each in book.returns.values())
    return ReturnChecks(
        headline=headline,
        explanation=REPLACED if is_replaced else explanation,
        lines=lines,
        without_figure=judged.without_figure,
        stale="" if is_replaced else _stale(assay_return, judged.state),
        is_replaced=is_replaced,
    )


def _headline(assay_return: AssayReturn, judged: JudgedReturn, lines: Sequence[CheckLine]) -> tuple[str, str]:
    match assay_return.checks_state:
        case AssayReturn.Checks.FAILED:
            return (
                phrase("A check of this return failed."),
                phrase(
                    "A failed check questions the whole return, not one number: every value in use from it is marked until a "
                    "keeper accepts it with a reason, or its samples are assayed again."
                ),
            )
        case AssayReturn.Checks.ACCEPTED:
            return (
                phrase("A check of this return failed; it was accepted all the same."),
                f"{assay_return.accepted_by}, {date_format(assay_return.accepted_at, 'd M Y')}: "
                f"{assay_return.accepted_reason}",
            )
        case AssayReturn.Checks.PASSED:
            return (
                phrase("The checks of this return passed."),
                phrase("They show no fault; they do not show that each figure is right."),
            )
    if lines:
        return (
            phrase("Checks came back, but none of them can tell anything yet."),
            phrase("This is no pass: nothing speaks for or against the return."),
        )
    if judged.without_figure:
        return (
            phrase("The checks sent along came back without a figure."),
            phrase("This is no pass: ask the laboratory."),
        )
    return (
        phrase("No check came back in this return."),
        phrase(
            "This is no pass: without a coarse blank, a reference material or a duplicate nobody can tell carry-over, a "
            "shifted scale or a mix-up of samples."
        ),
    )


def _stale(assay_return: AssayReturn, now: str) -> str:
    checks = AssayReturn.Checks
    if now == assay_return.checks_state or (
        now == checks.FAILED and assay_return.checks_state == checks.ACCEPTED
    ):
        return ""
    return str(checks(now).label)


BLANK_SAYS = {
    "below": to_phrase("It reads {read}: no gold carried into it can be seen."),
    "within": to_phrase("It reads {read}, not above the detection limit of {limit}."),
    "over_limit": to_phrase(
        "It reads {read}, above the detection limit of {limit} but within {factor} times it."
    ),
    "over_factor": to_phrase(
        "It reads {read}, above {factor} times the detection limit of {limit}: gold came into barren rock on the way."
    ),
    "above": to_phrase("It reads {read}: barren rock can't. Was it mixed up with another sample?"),
    "no_limit": to_phrase(
        "It reads {read}, but no certificate of this laboratory printed a detection limit for the method, so nothing tells "
        "whether that is much."
    ),
}


def _blank_line(row: CheckRow, finding: Finding, say: Say) -> CheckLine:
    read, factor = read_words(row.figure, say), numeral(BLANK_FACTOR, "g")
    limit = say(finding.limit) if finding.limit is not None else ""
    sentences = [phrase(BLANK_SAYS[finding.why], read=read, limit=limit, factor=factor)]
    if row.before is not None:
        sentences.append(_went_before(row, say))
    inputs = [given(phrase("read"), read)]
    if finding.limit is not None:
        inputs += [given(phrase("detection limit"), limit), given(phrase("allowed times"), factor)]
    return _line(
        phrase("Coarse blank {material}", material=row.sample.material),
        [row.sample],
        finding,
        " ".join(sentences),
        WorkingRow(
            label=phrase("Coarse blank against the detection limit"),
            formula=phrase("fails when read > {factor} x detection limit", factor=factor),
            inputs=tuple(inputs),
            value=OUTCOMES[finding.outcome],
            source=RULES["blank"].source,
        ),
    )


def _went_before(row: CheckRow, say: Say) -> str:
    before = {"tag": row.before.tag, "what": row.before.what}
    if row.before_figure is None:
        return phrase(
            "In the list sent, {tag} ({what}) goes before it; of that no figure came in this return.",
            **before,
        )
    before["read"] = read_words(row.before_figure, say)
    if row.figure.grade and row.before_figure.grade:
        return phrase(
            "In the list sent, {tag} ({what}) goes before it, with {read}: were it all carried over from there, {share} of "
            "that came along.",
            **before,
            share=units.format_share(batch_checks.carried(row.figure, row.before_figure)),
        )
    return phrase("In the list sent, {tag} ({what}) goes before it, with {read}.", **before)


REFERENCE_SAYS = {
    "acceptable": to_phrase("z = {z}: acceptable."),
    "warning": to_phrase("z = {z}: a warning signal, which one result in twenty gives by chance alone."),
    "action": to_phrase("z = {z}: an action signal."),
    "two_of_three": to_phrase("z = {z}, and two of the last three lie beyond 2 on this side: that fails."),
    "inside": to_phrase("That is inside its plus or minus."),
    "between": to_phrase(
        "That is outside its plus or minus, which tells how well the mean is known and not how far one assay may lie, and "
        "within {off_by} % of the certified grade: nothing can be said."
    ),
    "far": to_phrase("That is off by {share}, more than {off_by} %."),
    "below": to_phrase("A figure below a limit tells too little here."),
    "above": to_phrase("It is above the upper limit; the re-run is pending."),
    "partial": to_phrase(
        "The method asked for ({method}) finds only part of the gold it is certified for, so a low figure is no fault of the "
        "laboratory."
    ),
}
# Where a limit alone is enough to fail.
SO_FAR_OFF = {
    "below": to_phrase("So little cannot be right."),
    "above": to_phrase("So much cannot be right."),
}


def _reference_line(row: CheckRow, finding: Finding, say: Say) -> CheckLine:
    material = row.sample.material
    certified = certified_of(material)
    read = read_words(row.figure, say)
    reads = (
        phrase(
            "It reads {read}; certified is {certified} ({plus_minus}).",
            read=read,
            certified=say(certified.grade),
            plus_minus=plus_minus_words(material, say),
        )
        if material.plus_minus_g_per_t
        else phrase("It reads {read}; certified is {certified}.", read=read, certified=say(certified.grade))
    )
    z = "" if finding.z is None else z_words(finding.z)
    off_by = numeral(100 * batch_checks.OFF_BY, "g")
    says = SO_FAR_OFF if finding.outcome == batch_checks.FAILED else REFERENCE_SAYS
    means = phrase(
        says.get(finding.why, REFERENCE_SAYS[finding.why]),
        z=z,
        off_by=off_by,
        share=units.format_share(abs(finding.share or 0)),
        method=row.sample.dispatch.get_method_display(),
    )
    inputs = [
        given(phrase("read"), read),
        given(phrase("certified"), say(certified.grade), link=material.get_absolute_url()),
    ]
    if certified.sd is not None:
        inputs.append(given(phrase("sd between laboratories"), say(certified.sd)))
    return _line(
        phrase("Reference material {material}", material=material),
        [row.sample],
        finding,
        f"{reads} {means}",
        WorkingRow(
            label=phrase("Reference material against its certificate"),
            formula=phrase(
                "z = (read - certified) / sd; warning beyond {warning}, action from {action} on",
                warning=numeral(WARNING_SIGMAS, "g"),
                action=numeral(ACTION_SIGMAS, "g"),
            )
            if certified.sd is not None
            else phrase(
                "passes inside the plus or minus; fails outside it when off by more than {off_by} %",
                off_by=off_by,
            ),
            inputs=tuple(inputs),
            value=z or OUTCOMES[finding.outcome],
            source=RULES["reference" if certified.sd is not None else "reference_without_sd"].source,
        ),
    )


DUPLICATES_SAY = {
    "none_clear": to_phrase(
        "All pairs lie near the detection limit, where a difference says more of the limit than of the sample."
    ),
    "only_bounds": to_phrase("Of these pairs one side is only a bound, so their difference is not known."),
    "field": to_phrase(
        "Field duplicates tell of coarse gold and of our own splitting: they never fail a laboratory."
    ),
    "outside": to_phrase(
        "So few within are rarer than {chance} % at a laboratory that keeps 90 %. Coarse gold can do this too: look whether "
        "it was a coarse-gold lot before blaming the laboratory."
    ),
}


def _few_pairs(judged: int) -> str:
    return (
        phrase(
            "One pair alone can't fail a laboratory, nor speak for it: with coarse gold one grain more in one cut does this "
            "honestly. They count in the laboratory's precision over time."
        )
        if judged == 1
        else phrase(
            "Two pairs alone can't fail a laboratory, nor speak for it: with coarse gold one grain more in one cut does this "
            "honestly. They count in the laboratory's precision over time."
        )
    )


def _duplicate_line(stage: str, rows: Sequence[CheckRow], found: DuplicatesFound, say: Say) -> CheckLine:
    why = found.finding.why
    sentences = []
    if why not in ("none_clear", "only_bounds"):
        sentences.append(
            phrase_counted(
                "{within} of {number} pair within {limit} (half the relative difference).",
                "{within} of {number} pairs within {limit} (half the relative difference).",
                found.judged,
                within=found.judged - found.outside,
                limit=units.format_share(found.finding.limit),
            )
        )
    if why == "few":
        sentences.append(_few_pairs(found.judged))
    elif why != "within":
        sentences.append(phrase(DUPLICATES_SAY[why], chance=numeral(100 * batch_checks.CHANCE, "g")))
    if found.near_limit and why != "none_clear":
        sentences.append(phrase("{number} more near the detection limit, left out.", number=found.near_limit))
    if found.bounds and why != "only_bounds":
        sentences.append(
            phrase(
                "Of {number} more one side is only a bound, so the difference is not known.",
                number=found.bounds,
            )
        )
    return CheckLine(
        what=STAGES[stage],
        tags=[row.sample for row in rows],
        outcome=found.finding.outcome,
        word=OUTCOMES[found.finding.outcome],
        sentence=" ".join(sentences),
        working=Working(
            tuple(_pair_row(row, say) for row in rows),
            assumptions=(
                RULES["duplicate"].sentence,
                phrase("Source: {source}.", source=RULES["duplicate"].source),
            ),
        ),
    )


def _pair_row(row: CheckRow, say: Say) -> WorkingRow:
    hard = row.pair.hard
    return WorkingRow(
        label=phrase("{first} and {second}", first=row.sample.duplicate_of.tag, second=row.sample.tag),
        formula="|a - b| / (a + b)",
        inputs=(given("a", read_words(row.partner, say)), given("b", read_words(row.figure, say))),
        value=phrase("no single figure") if hard is None else units.format_share(hard),
    )


def _line(what: str, tags: Sequence[Sample], finding: Finding, sentence: str, row: WorkingRow) -> CheckLine:
    return CheckLine(
        what=what,
        tags=tags,
        outcome=finding.outcome,
        word=OUTCOMES[finding.outcome],
        sentence=sentence,
        working=Working((row,)),
    )


def plus_minus_words(material: ReferenceMaterial, say: Say) -> str:
    """The certificate's plus or minus with its kind in words; nothing where it has none."""
    if material.plus_minus_g_per_t is None:
        return ""
    return f"± {say(material.plus_minus_g_per_t)}, {material.get_plus_minus_kind_display()}"


def z_words(z: float) -> str:
    """A distance in standard deviations, with its sign; nothing next to nothing has none."""
    text = f"{z:+.1f}".replace("-", "−")
    return in_mark("0.0" if text[1:] == "0.0" else text)


def precision_words(found: Precision | None, pairs: int) -> str:
    """The precision of one result from duplicates, with its interval, or that there are too few."""
    if found is None:
        if not pairs:
            return phrase("no pair: too few to tell")
        return phrase_counted("{number} pair: too few to tell", "{number} pairs: too few to tell", pairs)
    return phrase(
        "coefficient of variation {share} ({level} % confidence {low} to {high}), from {number} pairs",
        share=units.format_share(found.cv),
        level=numeral(100 * found.level, "g"),
        low=units.format_share(found.low),
        high=units.format_share(found.high),
        number=found.pairs,
    )


def read_words(result: Figure | Value, say: Say) -> str:
    """A figure in the reader's unit, or the limit it lies below or above."""
    if result.grade is not None:
        return say(result.grade)
    if result.symbol == BELOW:
        return phrase("below {limit}", limit=say(result.limit))
    return phrase("above {limit}", limit=say(result.limit))
