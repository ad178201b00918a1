"""What the checks of a return say, in sentences with their working, and how a failed return marks its values."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from prospecting.calc import batch_checks, units
from prospecting.calc.batch_checks import DuplicatesFound, Finding, Precision
from prospecting.calc.number_words import in_mark, numeral
from prospecting.calc.quality_control import ACTION_SIGMAS, BLANK_FACTOR, WARNING_SIGMAS
from prospecting.calc.value_in_use import Figure
from prospecting.calc.working import Working, WorkingRow, given
from prospecting.models import AssayReturn, ReferenceMaterial, Sample
from prospecting.models.check_evidence import CheckBook, CheckRow, JudgedReturn, certified_of
from prospecting.models.check_evidence import mark_of as mark_of

REPLACED = "A later certificate corrects this one; none of its readings counts."
Say = Callable[[float], str]

RULES = {rule.name: rule for rule in batch_checks.RULES}
RULE_SET = {"name": batch_checks.RULE_SET_NAME, "rules": batch_checks.RULES}
OUTCOMES = {
    batch_checks.PASSED: "passed",
    batch_checks.LOOK: "look at it",
    batch_checks.FAILED: "failed",
    batch_checks.NOT_JUDGED: "not judged",
}
STAGES = {"field": "Field duplicates", "coarse": "Coarse duplicates", "pulp": "Pulp duplicates"}


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
                "A check of this return failed.",
                "A failed check questions the whole return, not one number: every value in use from it is marked until a keeper "
                "accepts it with a reason, or its samples are assayed again.",
            )
        case AssayReturn.Checks.ACCEPTED:
            return (
                "A check of this return failed; it was accepted all the same.",
                f"{assay_return.accepted_by}, {assay_return.accepted_at:%d %b %Y}: {assay_return.accepted_reason}",
            )
        case AssayReturn.Checks.PASSED:
            return (
                "The checks of this return passed.",
                "They show no fault; they do not show that each figure is right.",
            )
    if lines:
        return (
            "Checks came back, but none of them can tell anything yet.",
            "This is no pass: nothing speaks for or against the return.",
        )
    if judged.without_figure:
        return ("The checks sent along came back without a figure.", "This is no pass: ask the laboratory.")
    return (
        "No check came back in this return.",
        "This is no pass: without a coarse blank, a reference material or a duplicate nobody can tell carry-over, a shifted "
        "scale or a mix-up of samples.",
    )


def _stale(assay_return: AssayReturn, now: str) -> str:
    checks = AssayReturn.Checks
    if now == assay_return.checks_state or (
        now == checks.FAILED and assay_return.checks_state == checks.ACCEPTED
    ):
        return ""
    return checks(now).label


def _blank_line(row: CheckRow, finding: Finding, say: Say) -> CheckLine:
    read = _read(row.figure, say)
    limit = say(finding.limit) if finding.limit is not None else ""
    sentence = {
        "below": f"It reads {read}: no gold carried into it can be seen.",
        "within": f"It reads {read}, not above the detection limit of {limit}.",
        "over_limit": f"It reads {read}, above the detection limit of {limit} but within {numeral(BLANK_FACTOR, 'g')} times it.",
        "over_factor": f"It reads {read}, above {numeral(BLANK_FACTOR, 'g')} times the detection limit of {limit}: "
        "gold came into barren "
        "rock on the way.",
        "above": f"It reads {read}: barren rock can't. Was it mixed up with another sample?",
        "no_limit": f"It reads {read}, but no certificate of this laboratory printed a detection limit for the method, so "
        "nothing tells whether that is much.",
    }[finding.why]
    if row.before is not None:
        sentence += f" {_went_before(row, say)}"
    inputs = [given("read", read)]
    if finding.limit is not None:
        inputs += [given("detection limit", limit), given("allowed times", numeral(BLANK_FACTOR, "g"))]
    return _line(
        f"Coarse blank {row.sample.material}",
        [row.sample],
        finding,
        sentence,
        WorkingRow(
            label="Coarse blank against the detection limit",
            formula=f"fails when read > {numeral(BLANK_FACTOR, 'g')} x detection limit",
            inputs=tuple(inputs),
            value=OUTCOMES[finding.outcome],
            source=RULES["blank"].source,
        ),
    )


def _went_before(row: CheckRow, say: Say) -> str:
    where = f"In the list sent, {row.before.tag} ({row.before.what}) goes before it"
    if row.before_figure is None:
        return f"{where}; of that no figure came in this return."
    said = f"{where}, with {_read(row.before_figure, say)}"
    if row.figure.grade and row.before_figure.grade:
        share = units.format_share(batch_checks.carried(row.figure, row.before_figure))
        return f"{said}: were it all carried over from there, {share} of that came along."
    return f"{said}."


def _reference_line(row: CheckRow, finding: Finding, say: Say) -> CheckLine:
    material = row.sample.material
    certified = certified_of(material)
    read = _read(row.figure, say)
    sentence = f"It reads {read}; certified is {say(certified.grade)}"
    sentence += f" ({plus_minus_words(material, say)})." if material.plus_minus_g_per_t else "."
    z = "" if finding.z is None else z_words(finding.z)
    sentence += {
        "acceptable": f" z = {z}: acceptable.",
        "warning": f" z = {z}: a warning signal, which one result in twenty gives by chance alone.",
        "action": f" z = {z}: an action signal.",
        "two_of_three": f" z = {z}, and two of the last three lie beyond 2 on this side: that fails.",
        "inside": " That is inside its plus or minus.",
        "between": " That is outside its plus or minus, which tells how well the mean is known and not how far one assay may "
        f"lie, and within {numeral(100 * batch_checks.OFF_BY, 'g')} % of the certified grade: nothing can be said.",
        "far": f" That is off by {units.format_share(abs(finding.share or 0))}, more than "
        f"{numeral(100 * batch_checks.OFF_BY, 'g')} %.",
        "below": " A figure below a limit tells too little here."
        if finding.outcome != batch_checks.FAILED
        else " So little cannot be right.",
        "above": " It is above the upper limit; the re-run is pending."
        if finding.outcome != batch_checks.FAILED
        else " So much cannot be right.",
        "partial": f" The method asked for ({row.sample.dispatch.get_method_display()}) finds only part of the gold it is "
        "certified for, so a low figure is no fault of the laboratory.",
    }[finding.why]
    inputs = [given("read", read), given("certified", say(certified.grade), link=material.get_absolute_url())]
    if certified.sd is not None:
        inputs.append(given("sd between laboratories", say(certified.sd)))
    return _line(
        f"Reference material {material}",
        [row.sample],
        finding,
        sentence,
        WorkingRow(
            label="Reference material against its certificate",
            formula=f"z = (read - certified) / sd; warning beyond {numeral(WARNING_SIGMAS, 'g')}, action from "
            f"{numeral(ACTION_SIGMAS, 'g')} on"
            if certified.sd is not None
            else "passes inside the plus or minus; fails outside it when off by more than "
            f"{numeral(100 * batch_checks.OFF_BY, 'g')} %",
            inputs=tuple(inputs),
            value=z or OUTCOMES[finding.outcome],
            source=RULES["reference" if certified.sd is not None else "reference_without_sd"].source,
        ),
    )


def _duplicate_line(stage: str, rows: Sequence[CheckRow], found: DuplicatesFound, say: Say) -> CheckLine:
    limit = units.format_share(found.finding.limit)
    many = "pair" if found.judged == 1 else "pairs"
    counted = f"{found.judged - found.outside} of {found.judged} {many} within {limit} (half the relative difference)."
    one = "One pair alone" if found.judged == 1 else "Two pairs alone"
    sentence = {
        "none_clear": "All pairs lie near the detection limit, where a difference says more of the limit than of the sample.",
        "only_bounds": "Of these pairs one side is only a bound, so their difference is not known.",
        "field": f"{counted} Field duplicates tell of coarse gold and of our own splitting: they never fail a laboratory.",
        "few": f"{counted} {one} can't fail a laboratory, nor speak for it: with coarse gold one grain more in one cut does this "
        "honestly. They count in the laboratory's precision over time.",
        "outside": f"{counted} So few within are rarer than {numeral(100 * batch_checks.CHANCE, 'g')} % at a "
        "laboratory that keeps 90 %. "
        "Coarse gold can do this too: look whether it was a coarse-gold lot before blaming the laboratory.",
        "within": counted,
    }[found.finding.why]
    if found.near_limit and found.finding.why != "none_clear":
        sentence += f" {found.near_limit} more near the detection limit, left out."
    if found.bounds and found.finding.why != "only_bounds":
        sentence += f" Of {found.bounds} more one side is only a bound, so the difference is not known."
    return CheckLine(
        what=STAGES[stage],
        tags=[row.sample for row in rows],
        outcome=found.finding.outcome,
        word=OUTCOMES[found.finding.outcome],
        sentence=sentence,
        working=Working(
            tuple(_pair_row(row, say) for row in rows),
            assumptions=(RULES["duplicate"].sentence, f"Source: {RULES['duplicate'].source}."),
        ),
    )


def _pair_row(row: CheckRow, say: Say) -> WorkingRow:
    hard = row.pair.hard
    return WorkingRow(
        label=f"{row.sample.duplicate_of.tag} and {row.sample.tag}",
        formula="|a - b| / (a + b)",
        inputs=(given("a", _read(row.partner, say)), given("b", _read(row.figure, say))),
        value="no single figure" if hard is None else units.format_share(hard),
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
        few = f"{pairs} {'pair' if pairs == 1 else 'pairs'}" if pairs else "no pair"
        return f"{few}: too few to tell"
    return (
        f"coefficient of variation {units.format_share(found.cv)} ({numeral(100 * found.level, 'g')} % confidence "
        f"{units.format_share(found.low)} to {units.format_share(found.high)}), from {found.pairs} pairs"
    )


def _read(result: Figure, say: Say) -> str:
    if result.grade is not None:
        return say(result.grade)
    return f"{result.symbol} {say(result.limit)}"
