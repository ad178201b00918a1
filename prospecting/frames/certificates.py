"""What the books already know beside a certificate that was just read: earlier figures, likely grades, what it would change.

A cell here is a reader's `ParsedReading`, beside the sample it belongs to and the method it would be kept under.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Any, NamedTuple

from django.db.models import Prefetch

from prospecting.calc.language import phrase, phrase_counted, to_phrase
from prospecting.calc.unit_jump import (
    PanJump,
    PanPair,
    UnitJump,
    jump_against,
    jump_against_pans,
    jump_of_pairs,
)
from prospecting.calc.units import format_grade, format_share
from prospecting.models import AssayReturn, Dispatch, Lot, Origin, Reading, Sample

MOST_KNOWN = 500
# So many lots are asked about in one question to the database.
LOTS_AT_ONCE = 500
MOST_NAMED = 12
MOST_CHANGES_SHOWN = 60
MOST_BESIDE_PANS = 4


@dataclass(frozen=True)
class Panned:
    """What pans gave of a lot, in g/t: of the same material, or (`is_same` false) of its zone or what it was made from."""

    g_per_t: Decimal
    is_same: bool


# What pans of these lots gave, by lot; lots of which no pan tells are left out. The pages that read a return are handed this by
# the part of the site that keeps the pans.
PansOf = Callable[[Sequence[Lot]], Mapping[int, Panned]]


class ReadCell(NamedTuple):
    """One cell of gold of a sample of the dispatch. `column` says which column it stands in, for a sentence."""

    sample: Sample
    method: str
    column: str
    cell: Any


@dataclass(frozen=True)
class FigureChange:
    """One reading that a revised certificate prints otherwise; empty where one of the two doesn't have it."""

    sample: Sample
    method: str
    before: str
    after: str


@dataclass(frozen=True)
class Revision:
    """What changes where this certificate takes the place of an earlier one."""

    replaced: AssayReturn
    changes: list[FigureChange]
    unchanged: int
    chosen: list[Sample]

    @property
    def shown(self) -> list[FigureChange]:
        return self.changes[:MOST_CHANGES_SHOWN]

    @property
    def not_shown(self) -> int:
        return max(0, len(self.changes) - MOST_CHANGES_SHOWN)


@dataclass(frozen=True)
class Beside:
    """A read certificate beside the books: what it would correct, what has the same figures, and what to ask first."""

    revision: Revision | None
    same: AssayReturn | None
    questions: list[str]


def beside(
    dispatch: Dispatch,
    returns: Sequence[AssayReturn],
    corrected: AssayReturn | None,
    cells: Sequence[ReadCell],
    grade_unit: str,
    pans_of: PansOf,
) -> Beside:
    """Set what was read beside the dispatch's standing returns and what is known of its ground.

    `corrected` is the return it corrects, or seems to.
    """
    revision = revision_of(corrected, cells) if corrected else None
    same = with_same_figures(returns, cells)
    questions = unit_questions(dispatch, cells, grade_unit, pans_of)
    if same is not None and revision is None:
        questions.append(
            phrase(
                "Every figure of this file is stored already, as certificate {number}. Is it a second copy?",
                number=same.certificate_number,
            )
        )
    if revision is not None:
        questions += _questions_of(revision)
    return Beside(revision, same, questions)


def _questions_of(revision: Revision) -> list[str]:
    number = revision.replaced.certificate_number
    asked = [
        phrase_counted(
            "It takes the place of certificate {certificate}: {number} reading changed, {unchanged} stay as they were. Is it "
            "that one that is corrected?",
            "It takes the place of certificate {certificate}: {number} readings changed, {unchanged} stay as they were. Is it "
            "that one that is corrected?",
            len(revision.changes),
            certificate=number,
            unchanged=revision.unchanged,
        )
    ]
    if revision.chosen:
        tags = ", ".join(sample.tag for sample in revision.chosen[:MOST_NAMED])
        more = len(revision.chosen) - MOST_NAMED
        asked.append(
            phrase(
                "By hand a reading of certificate {certificate} was put in use for {tags}. It counts no longer then; look at "
                "these samples again.",
                certificate=number,
                tags=phrase("{tags} and {more} more", tags=tags, more=more) if more > 0 else tags,
            )
        )
    return asked


def standing_returns(dispatch: Dispatch) -> list[AssayReturn]:
    """The returns of a dispatch that no other one has replaced, with their readings in the order printed."""
    readings = Reading.objects.select_related("sample").order_by("order", "pk")
    returns = dispatch.returns.standing().without_file()
    return list(returns.prefetch_related(Prefetch("readings", readings)))


def revision_of(replaced: AssayReturn, cells: Sequence[ReadCell]) -> Revision:
    """Compare reading by reading, those of one sample, fraction and method in the order printed."""
    samples: dict[int, Sample] = {}
    before, after = defaultdict(list), defaultdict(list)
    for reading in replaced.readings.all():
        samples.setdefault(reading.sample_id, reading.sample)
        before[reading.sample_id, reading.fraction, reading.method].append(
            (_figure(reading), _printed(reading))
        )
    for each in cells:
        samples[each.sample.pk] = each.sample
        after[each.sample.pk, each.cell.fraction, each.method].append(
            (_figure(each.cell), _printed(each.cell))
        )
    changes, unchanged = [], 0
    for key in dict.fromkeys([*before, *after]):
        for at in range(max(len(before[key]), len(after[key]))):
            was, now = (side[key][at] if at < len(side[key]) else None for side in (before, after))
            if was and now and was[0] == now[0]:
                unchanged += 1
            else:
                changes.append(
                    FigureChange(samples[key[0]], key[2], was[1] if was else "", now[1] if now else "")
                )
    chosen = Sample.objects.filter(
        reading_in_use__assay_return=replaced, in_use_rule=Sample.Rule.CHOSEN
    ).with_what()
    return Revision(replaced, changes, unchanged, list(chosen))


def with_same_figures(returns: Iterable[AssayReturn], cells: Sequence[ReadCell]) -> AssayReturn | None:
    """The stored return that holds every figure of these cells already, under whatever file."""
    read = Counter((each.sample.pk, *_figure(each.cell)) for each in cells if _speaks(each.cell))
    if not read:
        return None
    for each in returns:
        known = Counter(
            (reading.sample_id, *_figure(reading)) for reading in each.readings.all() if _speaks(reading)
        )
        if read <= known:
            return each
    return None


def unit_questions(
    dispatch: Dispatch, cells: Sequence[ReadCell], grade_unit: str, pans_of: PansOf
) -> list[str]:
    """Ask about each column that stands about a thousand times (or 34 times) off what is known beforehand.

    Known are, surest first: the grade a reference material is certified for, another column of the same samples, what
    counts of other samples from the same zones, and pans.
    """
    columns: dict[str, list[ReadCell]] = defaultdict(list)
    for each in cells:
        if each.cell.symbol == Reading.Symbol.VALUE and not each.cell.fraction:
            columns[each.column].append(each)
    of_zones = cache(lambda: _known_of_zones(dispatch))
    panned = cache(lambda: _panned([each.sample for each in cells], pans_of))
    before: dict[int, Decimal] = {}
    questions = []
    for column, of_column in columns.items():
        jump, what = _jump_of(of_column, before, of_zones)
        if jump is not None:
            questions.append(_question(column, jump, what, grade_unit))
        else:
            read = [(each.sample, each.cell.grade_g_per_t) for each in of_column]
            questions += _beside_pans(column, read, panned(), grade_unit)
        for each in of_column:
            before.setdefault(each.sample.pk, each.cell.grade_g_per_t)
    return questions


def _jump_of(
    of_column: list[ReadCell], before: dict[int, Decimal], of_zones: Callable[[], list[Decimal]]
) -> tuple[UnitJump | None, str]:
    """The jump of one column against the surest that is known, and what that is; `before` are the columns left of it."""
    certified = [
        (each.cell.grade_g_per_t, each.sample.material.certified_g_per_t)
        for each in of_column
        if each.sample.material_id and each.sample.material.certified_g_per_t
    ]
    beside = [
        (each.cell.grade_g_per_t, before[each.sample.pk]) for each in of_column if each.sample.pk in before
    ]
    for pairs, what in (
        (certified, phrase("the certified grade of the reference material")),
        (beside, phrase("the column before it, on the same samples")),
    ):
        if jump := jump_of_pairs(pairs):
            return jump, what
    of_ground = [each.cell.grade_g_per_t for each in of_column if each.sample.lot_id]
    return jump_against(of_ground, of_zones()), phrase("what counts of other samples from the same zones")


def pan_questions(
    column: str, read: Sequence[tuple[Sample, Decimal]], grade_unit: str, pans_of: PansOf
) -> list[str]:
    """The question whether these readings (g/t, in the order printed) go with what pans gave, where one is to be asked."""
    return _beside_pans(column, read, _panned([sample for sample, _ in read], pans_of), grade_unit)


def _panned(samples: Iterable[Sample], pans_of: PansOf) -> Mapping[int, Panned]:
    lots = list({sample.lot_id: sample.lot for sample in samples if sample.lot_id}.values())
    told: dict[int, Panned] = {}
    for first in range(0, len(lots), LOTS_AT_ONCE):
        told |= pans_of(lots[first : first + LOTS_AT_ONCE])
    return told


def _beside_pans(
    column: str, read: Sequence[tuple[Sample, Decimal]], panned: Mapping[int, Panned], grade_unit: str
) -> list[str]:
    beside = [
        (sample, PanPair(grade, known.g_per_t, known.is_same))
        for sample, grade in read
        if (known := panned.get(sample.lot_id))
    ]
    jump = jump_against_pans([pair for _, pair in beside])
    if jump is None:
        return []
    return [_question_of_pans(column, jump, [beside[place] for place in jump.places], grade_unit)]


def _question_of_pans(
    column: str, jump: PanJump, off: Sequence[tuple[Sample, PanPair]], grade_unit: str
) -> str:
    def grade(g_per_t: Decimal) -> str:
        return format_grade(g_per_t, grade_unit)

    named = [
        phrase(
            "{sample} {read} where pans gave {panned}",
            sample=sample.tag,
            read=grade(pair.read_g_per_t),
            panned=grade(pair.panned_g_per_t),
        )
        for sample, pair in off[:MOST_BESIDE_PANS]
    ]
    if len(off) > MOST_BESIDE_PANS:
        named.append(phrase("and {number} more", number=len(off) - MOST_BESIDE_PANS))
    same = to_phrase(
        "{column} does not go with pans of the same material: {samples}. As printed, a pan caught {caught}; were it {times} "
        "({meant}), {caught_then}. {question}"
    )
    other = to_phrase(
        "{column} does not go with pans of its zone or of what it was made from: {samples}. As printed, a pan caught "
        "{caught}; were it {times} ({meant}), {caught_then}. {question}"
    )
    return phrase(
        same if jump.is_same else other,
        column=_opening(column),
        samples="; ".join(named),
        caught=_caught(jump.caught_as_printed),
        times=_times_less(jump.times) if jump.is_higher else _times_more(jump.times),
        meant=grade(jump.meant_g_per_t),
        caught_then=_caught(jump.caught_if_meant),
        question=_slip(jump.times),
    )


def _caught(part: Decimal) -> str:
    if part >= 2:
        return phrase("{times} times the gold there is", times=format(part, ".0f"))
    return phrase("{share} of the gold", share=format_share(round(part, 5)))


def _question(column: str, jump: UnitJump, what: str, grade_unit: str) -> str:
    return phrase(
        "{column} is {times} than {what} ({read} against {known}). {question}",
        column=_opening(column),
        times=_times_more(jump.times) if jump.is_higher else _times_less(jump.times),
        what=what,
        read=format_grade(jump.read_g_per_t, grade_unit),
        known=format_grade(jump.known_g_per_t, grade_unit),
        question=_slip(jump.times),
    )


def _opening(column: str) -> str:
    return f"{column[0].upper()}{column[1:]}"


def _times_more(times: int) -> str:
    if times == 1000:
        return phrase("about a thousand times more")
    return phrase("about {number} times more", number=times)


def _times_less(times: int) -> str:
    if times == 1000:
        return phrase("about a thousand times less")
    return phrase("about {number} times less", number=times)


def _slip(times: int) -> str:
    if times == 1000:
        return phrase("Does it print ppb where ppm or g/t is meant, or the other way round?")
    return phrase("Were g/t and troy oz per short ton mixed up?")


def _known_of_zones(dispatch: Dispatch) -> list[Decimal]:
    # By their numbers, and in no order: PostgreSQL walked the samples by tag, and asked for the zones anew at each.
    zones = set(Origin.objects.filter(lot__sample__dispatch=dispatch).values_list("dig__zone", flat=True))
    lots = Origin.objects.filter(dig__zone__in=zones).values("lot")
    known = Sample.objects.of_ground().filter(lot__in=lots, in_use_symbol=Reading.Symbol.VALUE).order_by()
    return list(known.exclude(dispatch=dispatch).values_list("in_use_g_per_t", flat=True)[:MOST_KNOWN])


def _figure(reading: Any) -> tuple[str, Decimal | None, Decimal | None]:
    """Of a stored reading or a cell: what it says, to the step that the books keep."""
    return reading.symbol, _kept(reading.grade_g_per_t), _kept(reading.limit_g_per_t)


def _kept(grade_g_per_t: Decimal | None) -> Decimal | None:
    return None if grade_g_per_t is None else round(grade_g_per_t, 6)


def _printed(reading: Any) -> str:
    text = " ".join(reading.raw_text.split())
    return f"{text} {reading.unit or ''}".strip() if text else phrase("nothing")


def _speaks(reading: Any) -> bool:
    return reading.symbol in Reading.ANSWERS
