"""A dispatch while it is packed: the checks proposed and why, where the blanks stand, and whether the charge is enough."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.utils.translation import gettext_lazy

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.calc.packing import ProposedChecks
from prospecting.frames.dispatches import Parcel
from prospecting.models import Dispatch, Draw, Lot, ReferenceMaterial, Sample
from trials.frames.charges import ScreenPrompt, screen_prompts
from trials.frames.expected_grades import Foreseen, expected_grades, foreseen

Kind, Stage = Sample.Kind, Sample.Stage
WHY = {
    "blank": gettext_lazy(
        "Shows carry-over: barren rock that goes through the crusher right after the sample expected to be richest."
    ),
    "reference": gettext_lazy(
        "Shows accuracy: a packet whose grade is known, so a reading that is off can be seen. A laboratory can tell "
        "powder from rock, but not which powder it is."
    ),
    "field": gettext_lazy(
        "Shows precision of everything from your splitter on: a second split of the same lot under a tag of its own."
    ),
    "coarse": gettext_lazy(
        "Shows precision from the crusher on. The laboratory makes the second cut, so it has to know which; two readings "
        "it knows to be a pair may agree better than two it does not know."
    ),
    "pulp": gettext_lazy(
        "Shows precision of weighing and assaying alone. The laboratory makes the second weighing, so it has to know which."
    ),
}


@dataclass(frozen=True)
class BlankPlace:
    """Where a coarse blank stands: after which sample, and why there."""

    blank: Sample
    after: Sample
    why: str


@dataclass(frozen=True)
class PackingSight:
    """What a dispatch's page shows until it has gone."""

    blanks: Sequence[BlankPlace]
    prompts: Sequence[ScreenPrompt]
    unknown: int


@dataclass(frozen=True)
class CheckProposal:
    """What is still proposed, as ticks, and what can't be for want of a material."""

    proposed: ProposedChecks
    initial: dict[str, object]
    twin_where: str
    missing: tuple[str, ...]
    # Duplicates proposed beyond the three ways of one sample.
    still_duplicates: int = 0


def packing_sight(dispatch: Dispatch, parcel: Parcel, *, grade_unit: str) -> PackingSight:
    seen = foreseen([sample.lot for sample in parcel.samples if sample.lot_id])
    of_lots = [sample for sample in parcel.samples if sample.kind == Kind.LOT]
    return PackingSight(
        blanks=_blanks(parcel.samples, seen, grade_unit),
        prompts=screen_prompts(dispatch, of_lots, seen),
        unknown=sum(1 for sample in of_lots if not seen[sample.lot_id].grade),
    )


def check_proposal(parcel: Parcel) -> CheckProposal:
    """Ticks for the checks this dispatch still lacks; a duplicate of the sample expected to hold most, where a pair says most."""
    proposed = parcel.proposed
    lots = [sample for sample in parcel.samples if sample.kind == Kind.LOT]
    kinds = set(ReferenceMaterial.objects.in_use().values_list("kind", flat=True))
    initial: dict[str, object] = {}
    missing = []
    for kind, number in ((Kind.BLANK, proposed.blanks), (Kind.REFERENCE, proposed.references)):
        if number and kind not in kinds:
            missing.append(phrase("barren material") if kind == Kind.BLANK else phrase("reference material"))
        elif number:
            initial |= {kind.value: True, f"{kind}_number": number}
    twin_where, still = "", 0
    if proposed.duplicates and lots:
        twin, twin_where = _twin(lots, {sample.duplicate_of_id for sample in parcel.samples})
        source = _source(twin)
        # A second split from the same lot where there is as much again; then the laboratory's powder, weighed twice.
        has_more = source is not None and source.on_hand_g >= twin.lot.mass_g
        ways = [*(["field"] if has_more else []), "pulp", "coarse"][: proposed.duplicates]
        for way in ways:
            initial |= {way: True, f"{way}_of": twin.pk}
        if has_more and twin.lot.made_by.method:
            initial |= {"field_method": twin.lot.made_by.method}
        still = proposed.duplicates - len(ways)
    return CheckProposal(proposed, initial, twin_where, tuple(missing), still)


def _twin(lots: Sequence[Sample], paired: set[int | None]) -> tuple[Sample, str]:
    """The sample to duplicate: expected the richest of those without a duplicate; nothing known, the first on the list."""
    free = [sample for sample in lots if sample.pk not in paired] or list(lots)
    expected = expected_grades([sample.lot for sample in free])
    known = [sample for sample in free if sample.lot_id in expected]
    if not known:
        return free[0], phrase("nothing is known of any sample's grade, so the first of the shuffled list")
    richest = max(known, key=lambda sample: expected[sample.lot_id].g_per_t)
    where = expected[richest.lot_id].where
    return richest, phrase(
        "expected the richest ({where}): two readings near the detection limit would say nothing", where=where
    )


def _source(sample: Sample) -> Lot | None:
    """The lot the sample's split was taken from; None where it came of several or of none."""
    draws = list(Draw.objects.filter(step=sample.lot.made_by_id).select_related("lot")[:2])
    return draws[0].lot if len(draws) == 1 else None


def _blanks(samples: Sequence[Sample], seen: dict[int, Foreseen], grade_unit: str) -> list[BlankPlace]:
    """Each blank with the sample before it. More may have become known since the order was drawn: then that is said."""
    pairs = []
    before: Sample | None = None
    for sample in samples:
        if sample.kind != Kind.BLANK:
            before = sample
        elif before is not None:
            pairs.append((sample, before))
    known = [sample for sample in samples if sample.lot_id and seen[sample.lot_id].grade]
    known.sort(key=lambda sample: -seen[sample.lot_id].grade.g_per_t)
    least = seen[known[: len(pairs)][-1].lot_id].grade.g_per_t if known and pairs else None
    return [
        BlankPlace(blank, after, _why_there(seen.get(after.lot_id), least, known, grade_unit))
        for blank, after in pairs
    ]


def _why_there(here: Foreseen | None, least: Decimal | None, known: Sequence[Sample], grade_unit: str) -> str:
    """`least` is the grade from which on a sample is among the richest, `known` are those with a grade, the richest first."""
    if here is not None and here.grade is not None:
        expected = phrase(
            "{grade} by the {where}",
            grade=units.format_grade(here.grade.g_per_t, grade_unit),
            where=here.grade.where,
        )
        if here.grade.g_per_t >= least:
            return phrase("expected the richest: {expected}", expected=expected)
    elif not known:
        return phrase("drawn at random, for nothing is known of any sample's grade")
    else:
        expected = phrase("nothing known")
    return phrase(
        "drawn when less was known (here {expected}); {tag} is expected richer by now. Take the blank out and add it again "
        "to move it",
        expected=expected,
        tag=known[0].tag,
    )
