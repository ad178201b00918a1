"""Laboratories over time and side by side: control charts, bias, blanks, duplicates, days taken."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from django.utils import timezone
from django.utils.formats import date_format

from prospecting.calc import batch_checks, units
from prospecting.calc.batch_checks import Precision, Turnaround
from prospecting.calc.language import phrase, phrase_counted, to_phrase
from prospecting.calc.number_words import numeral
from prospecting.calc.quality_control import (
    BLANK_FACTOR,
    WARNING_SIGMAS,
    WESTERN_ELECTRIC,
    Bias,
    CarryOver,
    ControlChart,
    carry_over,
    individuals_chart,
)
from prospecting.calc.working import Working, WorkingRow, given
from prospecting.frames.checks import (
    OUTCOMES,
    STAGES,
    Say,
    plus_minus_words,
    precision_words,
    read_words,
    z_words,
)
from prospecting.models import AssayReturn, Dispatch, Laboratory, ReferenceMaterial, Sample
from prospecting.models.check_evidence import CheckBook, CheckRow, certified_of

SIGNAL_WORDS = {
    "rule1_beyond_3": to_phrase("beyond 3 standard deviations"),
    "rule2_2_of_3_beyond_2": to_phrase("two of three beyond 2 standard deviations on one side"),
    "rule3_4_of_5_beyond_1": to_phrase("four of five beyond 1 standard deviation on one side"),
    "rule4_8_same_side": to_phrase("eight in a row on one side"),
}
# So many signals are told above a chart; its table holds them all.
MOST_SIGNALS = 3


@dataclass(frozen=True)
class ChartedResult:
    """One result of a check material, in order of reporting; `value` is the limit where `way` says below or above."""

    sample: Sample
    assay_return: AssayReturn
    value: float
    way: str
    read: str
    z: str
    says: str
    is_signal: bool
    before: str = ""


@dataclass(frozen=True)
class Limit:
    """A line of a control chart, in g/t."""

    value: float
    label: str
    kind: str


@dataclass(frozen=True)
class MaterialHistory:
    """One reference material at one laboratory."""

    material: ReferenceMaterial
    certified: str
    results: Sequence[ChartedResult]
    limits: Sequence[Limit]
    limits_from: str
    signals: Sequence[str]
    earlier_signals: int
    bias: Bias | None
    bias_words: str
    bias_short: str
    working: Working | None


@dataclass(frozen=True)
class BlankHistory:
    """The coarse blanks of one laboratory, and the results before them for what is carried over."""

    results: Sequence[ChartedResult]
    limits: Sequence[Limit]
    failed: int
    judged: int
    pairs: Sequence[tuple[float, float]]
    limits_from: str


@dataclass(frozen=True)
class StageHistory:
    stage: str
    name: str
    pairs: int
    precision: Precision | None
    words: str
    within: str
    # Every pair of figures, also those near the detection limit, for how precision grows with the grade.
    rows: Sequence[CheckRow]
    printed_limits: Sequence[float]


@dataclass(frozen=True)
class LaboratoryRecord:
    """One laboratory as all its returns show it."""

    laboratory: Laboratory
    returns: int
    failed: int
    accepted: int
    unchecked: int
    turnaround: Turnaround | None
    days_words: str
    materials: Sequence[MaterialHistory]
    blanks: BlankHistory
    stages: Sequence[StageHistory]


def laboratory_records(laboratories: Sequence[Laboratory], *, grade_unit: str) -> list[LaboratoryRecord]:
    """What the returns of each laboratory show; the same number of queries however many there are."""
    say = partial(units.format_grade, unit=grade_unit)
    book = CheckBook([laboratory.pk for laboratory in laboratories])
    returns: dict[int, list[AssayReturn]] = defaultdict(list)
    replaced = {each.replaces_id for each in book.returns.values()}
    for each in book.returns.values():
        if each.pk not in replaced:
            returns[each.dispatch.laboratory_id].append(each)
    answered: dict[int, list[AssayReturn]] = defaultdict(list)
    for each in book.returns.values():
        answered[each.dispatch.laboratory_id].append(each)
    dispatches: dict[int, list[Dispatch]] = defaultdict(list)
    for dispatch in Dispatch.objects.filter(laboratory__in=laboratories, sent_on__isnull=False):
        dispatches[dispatch.laboratory_id].append(dispatch)
    return [
        _record(
            laboratory,
            book,
            returns[laboratory.pk],
            _turnaround(dispatches[laboratory.pk], answered[laboratory.pk]),
            say,
        )
        for laboratory in laboratories
    ]


def _record(
    laboratory: Laboratory,
    book: CheckBook,
    returns: Sequence[AssayReturn],
    days: Turnaround | None,
    say: Say,
) -> LaboratoryRecord:
    states = [each.checks_state for each in returns]
    return LaboratoryRecord(
        laboratory=laboratory,
        returns=len(returns),
        failed=states.count(AssayReturn.Checks.FAILED),
        accepted=states.count(AssayReturn.Checks.ACCEPTED),
        unchecked=states.count(AssayReturn.Checks.NONE),
        turnaround=days,
        days_words=_days_words(laboratory, days),
        materials=[
            _material_history(material, rows, say)
            for material, rows in sorted(
                book.series(laboratory.pk).items(), key=lambda each: each[0].certified_g_per_t
            )
        ],
        blanks=_blank_history(book, laboratory, say),
        stages=[_stage_history(book, laboratory, stage) for stage in ("pulp", "coarse", "field")],
    )


def _turnaround(dispatches: Sequence[Dispatch], returns: Sequence[AssayReturn]) -> Turnaround | None:
    """From the day sent to the first return; a parcel still out is late once its day has passed."""
    first: dict[int, AssayReturn] = {}
    for each in sorted(returns, key=lambda one: (one.reported_on, one.pk)):
        first.setdefault(each.dispatch_id, each)
    today = timezone.localdate()
    days, lateness = [], []
    for dispatch in dispatches:
        came = first[dispatch.pk].reported_on if dispatch.pk in first else None
        if came is not None:
            days.append((came - dispatch.sent_on).days)
        expected = dispatch.expected_on
        if came is not None or (expected is not None and today > expected):
            lateness.append(None if expected is None else ((came or today) - expected).days)
    return batch_checks.turnaround(days, lateness)


def _days_words(laboratory: Laboratory, days: Turnaround | None) -> str:
    if days is None:
        said = [phrase("nothing has come back yet")]
    elif days.number == 1:
        said = [
            phrase_counted(
                "{number} day from sending to the first return, once",
                "{number} days from sending to the first return, once",
                days.shortest,
            )
        ]
    else:
        said = [
            phrase(
                "{median} days from sending to the first return in the middle, {shortest} to {longest}, over {number} "
                "dispatches",
                median=numeral(days.median, "g"),
                shortest=days.shortest,
                longest=days.longest,
                number=days.number,
            )
        ]
    if laboratory.turnaround_days is not None:
        said.append(phrase("it says {days}", days=laboratory.turnaround_days))
    if days is not None and days.with_day:
        said.append(phrase("{late} of {number} late", late=days.late, number=days.with_day))
    elif days is not None:
        said.append(phrase("no day expected was named"))
    return "; ".join(said)


def _material_history(material: ReferenceMaterial, rows: Sequence[CheckRow], say: Say) -> MaterialHistory:
    certified = certified_of(material)
    told = [row for row in rows if row.figure.grade is not None]
    values = [float(row.figure.grade) for row in told]
    chart = _own_limits(values, certified.grade) if certified.sd is None else None
    z: list[float] = []
    if certified.sd is not None:
        z = batch_checks.z_scores(values, certified)
    elif chart is not None:
        z = chart.standardized(values)
    broken = batch_checks.signals(z)
    z_of = {id(row): (place, z[place] if z else None) for place, row in enumerate(told)}
    results = [_charted(row, *z_of.get(id(row), (None, None)), broken, say) for row in rows]
    found = batch_checks.bias_of(
        values,
        certified.grade,
        batch_checks.certified_uncertainty(certified.plus_minus, material.plus_minus_kind),
    )
    return MaterialHistory(
        material=material,
        certified=say(certified.grade)
        + (f" ({plus_minus_words(material, say)})" if material.plus_minus_g_per_t else ""),
        results=results,
        limits=_limits(certified, chart),
        limits_from=_limits_words(certified, chart, len(values), say),
        signals=[_signal_words(told[place], broken[place]) for place in sorted(broken)[-MOST_SIGNALS:]],
        earlier_signals=len(sorted(broken)[:-MOST_SIGNALS]),
        bias=found,
        bias_words=_bias_words(found, len(values), certified.grade, say),
        bias_short=_bias_short(found, len(values), certified.grade),
        working=_bias_working(found, values, certified, material, say),
    )


def _signal_words(row: CheckRow, names: Sequence[str]) -> str:
    day = date_format(row.assay_return.reported_on, "d M Y")
    return f"{row.assay_return}, {day}: {_rules(names)}"


def _rules(names: Sequence[str]) -> str:
    return "; ".join(phrase(SIGNAL_WORDS[name]) for name in names)


def _own_limits(values: Sequence[float], centre: float) -> ControlChart | None:
    if len(values) < batch_checks.FEWEST_FOR_LIMITS or len(set(values)) == 1:
        return None
    return individuals_chart(values, centre=centre)


def _charted(row: CheckRow, place: int | None, z: float | None, broken: dict, say: Say) -> ChartedResult:
    names = broken.get(place, [])
    read = _read(row, say)
    return ChartedResult(
        sample=row.sample,
        assay_return=row.assay_return,
        value=float(row.figure.limit if row.figure.grade is None else row.figure.grade),
        way="" if row.figure.grade is not None else row.figure.symbol,
        read=read,
        z="" if z is None else z_words(z),
        says=_rules(names),
        is_signal=bool(names),
    )


def _limits(certified: batch_checks.Certified, chart: ControlChart | None) -> list[Limit]:
    lines = [Limit(certified.grade, phrase("certified"), "certified")]
    sd = certified.sd if certified.sd is not None else chart.sigma if chart else None
    if sd is not None:
        for sds, value in batch_checks.control_limits(certified.grade, sd):
            kind = "warning" if abs(sds) == WARNING_SIGMAS else "action"
            lines.append(
                Limit(value, phrase("{number} sd", number=numeral(sds, "+g").replace("-", "−")), kind)
            )
    return lines


def _limits_words(
    certified: batch_checks.Certified, chart: ControlChart | None, number: int, say: Say
) -> str:
    if certified.sd is not None:
        return phrase(
            "Lines at 2 and 3 standard deviations between laboratories ({sd} each), as the certificate gives them.",
            sd=say(certified.sd),
        )
    if chart is not None:
        return phrase(
            "The certificate gives no standard deviation between laboratories, so the lines stand at 2 and 3 standard deviations "
            "of this laboratory's own results ({sd} each, mean moving range over 1.128) around the certified grade. They show a "
            "change, not whether the laboratory agrees with others.",
            sd=say(chart.sigma),
        )
    return phrase_counted(
        "The certificate gives no standard deviation between laboratories, and {number} result is too few to draw limits from.",
        "The certificate gives no standard deviation between laboratories, and {number} results are too few to draw limits "
        "from.",
        number,
    )


def _bias_words(found: Bias | None, number: int, certified: float, say: Say) -> str:
    if found is None:
        return phrase_counted(
            "Bias: too few to tell ({number} result; it is reckoned from {fewest} different ones on).",
            "Bias: too few to tell ({number} results; it is reckoned from {fewest} different ones on).",
            number,
            fewest=batch_checks.FEWEST_FOR_BIAS,
        )
    middle, low, high = _of_certified(found, certified)
    reads = (
        phrase("{share} above the certified {grade}", share=middle.lstrip("−"), grade=say(certified))
        if found.difference > 0
        else phrase("{share} below the certified {grade}", share=middle.lstrip("−"), grade=say(certified))
    )
    shown, not_shown = (
        to_phrase(
            "A bias is shown: over {number} results it reads {reads} on average (about 95 % confidence, k = 2: {low} to {high})."
        ),
        to_phrase(
            "No bias is shown: over {number} results it reads {reads} on average (about 95 % confidence, k = 2: {low} to "
            "{high})."
        ),
    )
    return phrase(
        shown if found.is_significant else not_shown, number=number, reads=reads, low=low, high=high
    )


def _bias_short(found: Bias | None, number: int, certified: float) -> str:
    """The same for a place with little room."""
    if found is None:
        return phrase_counted("{number} result: too few to tell", "{number} results: too few to tell", number)
    middle, low, high = _of_certified(found, certified)
    parts = {"share": middle, "low": low, "high": high, "number": number}
    if found.is_significant:
        return phrase("bias shown, {share} (about 95 %: {low} to {high}), {number} results", **parts)
    return phrase("no bias shown, {share} (about 95 %: {low} to {high}), {number} results", **parts)


def _of_certified(found: Bias, certified: float) -> list[str]:
    """The difference and the ends of its interval, as a share of the certified grade."""
    return [
        units.format_share(batch_checks.relative(each, certified)).replace("-", "−")
        for each in (found.difference, found.low, found.high)
    ]


def _bias_working(
    found: Bias | None,
    values: Sequence[float],
    certified: batch_checks.Certified,
    material: ReferenceMaterial,
    say: Say,
) -> Working | None:
    if found is None:
        return None
    u = batch_checks.certified_uncertainty(certified.plus_minus, material.plus_minus_kind)
    unknown = phrase(
        "The certificate does not tell how well its mean is known; this is taken as exactly known, so the interval is if "
        "anything too narrow."
    )
    return Working(
        (
            WorkingRow(
                label=phrase("Bias against the certificate"),
                formula=phrase("mean - certified, ± 2 x root of (s² / n + u²)"),
                inputs=(
                    given("n", len(values)),
                    given(phrase("mean"), say(found.mean)),
                    given(phrase("certified"), say(certified.grade), link=material.get_absolute_url()),
                    given(phrase("s / root of n"), say(found.u_mean)),
                    given(phrase("u of the certified mean"), phrase("not known") if u is None else say(u)),
                ),
                value=phrase("{low} to {high}", low=say(found.low), high=say(found.high)),
                source=phrase("T. Linsinger, ERM Application Note 1 (2010), from memory"),
            ),
        ),
        assumptions=(unknown,) if u is None else (),
    )


def _blank_history(book: CheckBook, laboratory: Laboratory, say: Say) -> BlankHistory:
    results, pairs, limits, failed, judged = [], [], set(), 0, 0
    for row in book.of_kind(Sample.Kind.BLANK, laboratory_id=laboratory.pk):
        if row.figure is None:
            continue
        finding = batch_checks.judge_blank(row.figure, limit := book.detection_limit(row))
        failed += finding.outcome == batch_checks.FAILED
        judged += finding.outcome != batch_checks.NOT_JUDGED
        if limit is not None:
            limits.add(limit)
        if row.figure.grade is not None and row.before_figure and row.before_figure.grade is not None:
            pairs.append((float(row.figure.grade), float(row.before_figure.grade)))
        before = (
            f"{row.before.tag}, {_read_figure(row.before_figure, say)}" if row.before else phrase("not known")
        )
        results.append(
            ChartedResult(
                sample=row.sample,
                assay_return=row.assay_return,
                value=float(row.figure.limit if row.figure.grade is None else row.figure.grade),
                way="" if row.figure.grade is not None else row.figure.symbol,
                read=_read(row, say),
                z="",
                says=OUTCOMES[finding.outcome],
                is_signal=finding.outcome == batch_checks.FAILED,
                before=before,
            )
        )
    lines = []
    if limits:
        lines = [
            Limit(max(limits), phrase("limit"), "certified"),
            Limit(
                batch_checks.blank_allowed(max(limits)),
                phrase("{factor} × limit", factor=numeral(BLANK_FACTOR, "g")),
                "action",
            ),
        ]
    several = (
        phrase("Of several detection limits the highest is drawn; each is judged by its own.")
        if len(limits) > 1
        else ""
    )
    return BlankHistory(results, lines, failed, judged, pairs, several)


def _stage_history(book: CheckBook, laboratory: Laboratory, stage: str) -> StageHistory:
    rows = [
        row
        for row in book.of_kind(Sample.Kind.DUPLICATE, laboratory_id=laboratory.pk)
        if row.sample.duplicate_stage == stage and row.pair is not None and row.pair.hard is not None
    ]
    limits = [book.detection_limit(row) for row in rows]
    pairs = [row.pair for row, limit in zip(rows, limits, strict=True) if row.pair.is_clear_of(limit)]
    found = batch_checks.precision_of(pairs, stage)
    limit = units.format_share(batch_checks.HARD_LIMIT[stage])
    return StageHistory(
        stage=stage,
        name=STAGES[stage],
        pairs=len(pairs),
        precision=found,
        words=precision_words(found, len(pairs)),
        within=phrase(
            "{share} of pairs within {limit}", share=units.format_share(found.share_within), limit=limit
        )
        if found
        else "",
        rows=rows,
        printed_limits=sorted(set(limits) - {None}),
    )


def carry_over_words(pairs: Sequence[tuple[float, float]]) -> str:
    """What share of the sample before it a coarse blank holds, with its interval; loads scipy where there are enough."""
    if len(pairs) < batch_checks.FEWEST_FOR_CARRY_OVER:
        return phrase_counted(
            "Carry-over: too few to tell ({number} coarse blank with a figure after a sample with one).",
            "Carry-over: too few to tell ({number} coarse blanks with a figure after a sample with one).",
            len(pairs),
        )
    try:
        found: CarryOver = carry_over([blank for blank, _ in pairs], [before for _, before in pairs])
    except ValueError as error:
        return phrase("Carry-over: too few to tell. {reason}", reason=error)
    rate, low, high = (
        units.format_share(each).replace("-", "−") for each in (found.rate, found.rate_low, found.rate_high)
    )
    parts = {"low": low, "high": high, "level": numeral(100 * found.level, "g"), "number": len(pairs)}
    if found.is_shown:
        return phrase(
            "Carry-over is shown: {rate}, with {low} to {high} of the sample before ({level} % confidence), over {number} "
            "coarse blanks.",
            rate=rate,
            **parts,
        )
    return phrase(
        "Carry-over is not shown: {low} to {high} of the sample before ({level} % confidence), over {number} coarse blanks, "
        "and nothing at all lies among that.",
        **parts,
    )


def rule_set() -> tuple[str, str]:
    """Name and source of the rules by which a control chart signals."""
    return WESTERN_ELECTRIC.name, WESTERN_ELECTRIC.source


def _read(row: CheckRow, say: Say) -> str:
    return _read_figure(row.figure, say)


def _read_figure(result, say: Say) -> str:
    if result is None:
        return phrase("no figure")
    return read_words(result, say)
