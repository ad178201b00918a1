"""The group's method as its standing findings make it: what is done, what is not, and what is open."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc import units
from prospecting.calc.language import phrase
from prospecting.models import Member
from trials.frames.findings import doubt_about, rows_meant, shown_in_a_line
from trials.models import Finding, FindingEvidence, Trial

About, Stand = Finding.About, Finding.Stand
# So many findings stand side by side in one matter, the newest; how many more there are is told.
MOST_SIDE_BY_SIDE = 12
# What the act of a subject needs said; names of templates/prospecting/_caution.html.
CAUTIONS = {
    About.ADDITIVE: ("water",),
    About.FLOCCULANT: ("water",),
    About.PREPARING: ("crush", "screen", "dry"),
}
# A tub where no trial says how large one is.
USUAL_TUB = {Member.DoseUnit.TSP_PER_US_GAL: "2 gal (US)", Member.DoseUnit.ML_PER_L: "9 L"}


@dataclass(frozen=True)
class Ground:
    """One piece of evidence in a line or two: what it said that day, and whether its records have changed since."""

    evidence: FindingEvidence
    lines: Sequence[str]
    is_changed: bool


@dataclass(frozen=True)
class MethodLine:
    """One standing finding. `poured` is its dose for one tub in the measure one would use; blank without a dose."""

    finding: Finding
    poured: str
    tub: str
    dose_ml_per_l: str
    grounds: Sequence[Ground]
    doubt: str

    @property
    def is_changed(self) -> bool:
        return any(ground.is_changed for ground in self.grounds)


@dataclass(frozen=True)
class Held:
    """The findings that stand in one matter, the newest of them in full; several side by side may contradict each other."""

    lines: Sequence[MethodLine] = ()
    older: int = 0

    @property
    def number(self) -> int:
        return len(self.lines) + self.older


@dataclass(frozen=True)
class Subject:
    """What is done in one matter."""

    label: str
    held: Held
    cautions: Sequence[str]


@dataclass(frozen=True)
class HouseMethod:
    """The whole page."""

    subjects: Sequence[Subject]
    do_not: Held
    open: Held

    @property
    def is_empty(self) -> bool:
        return not (self.subjects or self.do_not.lines or self.open.lines)

    @property
    def changed(self) -> list[MethodLine]:
        held = [*(subject.held for subject in self.subjects), self.do_not, self.open]
        return [line for each in held for line in each.lines if line.is_changed]


@dataclass(frozen=True)
class Standing:
    """The findings the group still holds, the newest first; `older` says of each matter how many more there are."""

    findings: Sequence[Finding]
    older: Mapping[str, int]


def method_of(standing: Standing, changed: Collection[int], member: Member) -> HouseMethod:
    """The method these standing findings make; `changed` are the pieces of evidence whose records changed since."""
    usual = _usual_tub(member)
    lines: dict[str, list[MethodLine]] = defaultdict(list)
    for finding in standing.findings:
        lines[_matter(finding.about, finding.stand)].append(_line(finding, changed, usual))
    held = {matter: Held(some, standing.older.get(matter, 0)) for matter, some in lines.items()}
    said: set[str] = set()
    subjects = []
    for about in About:
        if about in held:
            cautions = [name for name in CAUTIONS.get(about, ()) if name not in said]
            said.update(cautions)
            subjects.append(Subject(about.label, held[about], cautions))
    return HouseMethod(subjects, held.get(Stand.DO_NOT, Held()), held.get(Stand.OPEN, Held()))


def standing_findings() -> Standing:
    """Of each matter the newest, with all that they rest on."""
    matters: dict[str, list[int]] = defaultdict(list)
    for pk, about, stand in Finding.objects.standing().values_list("pk", "about", "stand"):
        matters[_matter(about, stand)].append(pk)
    newest = [pk for pks in matters.values() for pk in pks[:MOST_SIDE_BY_SIDE]]
    found = Finding.objects.filter(pk__in=newest).select_related("additive", "recorded_by")
    return Standing(
        list(found.prefetch_related("evidence__trial", "evidence__clearing_test")),
        {matter: max(0, len(pks) - MOST_SIDE_BY_SIDE) for matter, pks in matters.items()},
    )


def _matter(about: str, stand: str) -> str:
    """What is done stands by what it is about; what is not done and what is open stand each for themselves."""
    return about if stand == Stand.DO else stand


def _usual_tub(member: Member) -> tuple[Decimal, str]:
    """The water of the latest trial, as it was typed; else a usual tub."""
    last = Trial.objects.values_list("water_ml", "water_typed").first()
    if last is not None:
        return last
    typed = USUAL_TUB[member.dose_unit]
    return units.parse_volume(typed, "L").canonical, typed


def _line(finding: Finding, changed: Collection[int], usual: tuple[Decimal, str]) -> MethodLine:
    pieces = list(finding.evidence.all())
    water_ml, tub = next(
        ((piece.trial.water_ml, piece.trial.water_typed) for piece in pieces if piece.trial_id), usual
    )
    has_dose = finding.ml_per_l is not None
    return MethodLine(
        finding=finding,
        poured=units.tub_amounts(finding.ml_per_l, water_ml).as_poured() if has_dose else "",
        tub=tub,
        dose_ml_per_l=units.format_dose(finding.ml_per_l, "ml_per_l") if has_dose else "",
        grounds=[
            Ground(
                piece,
                [
                    shown_in_a_line(row)
                    for row in rows_meant(piece.figures, finding.additive, finding.ml_per_l)
                ]
                or [piece.figures["headline"] or phrase("It says nothing of this treatment.")],
                piece.pk in changed,
            )
            for piece in pieces
        ],
        doubt=doubt_about(finding),
    )
