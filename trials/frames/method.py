"""The group's method as its standing findings make it: what is done, what is not, and what is open."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prospecting.calc import units
from prospecting.models import Member
from trials.frames.findings import doubt_about, rows_meant, shown_in_a_line
from trials.models import Finding, FindingEvidence, Trial

About, Stand = Finding.About, Finding.Stand
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
class Subject:
    """What is done in one matter; several findings side by side may contradict each other."""

    label: str
    lines: Sequence[MethodLine]
    cautions: Sequence[str]


@dataclass(frozen=True)
class HouseMethod:
    """The whole page."""

    subjects: Sequence[Subject]
    do_not: Sequence[MethodLine]
    open: Sequence[MethodLine]

    @property
    def is_empty(self) -> bool:
        return not (self.subjects or self.do_not or self.open)

    @property
    def changed(self) -> list[MethodLine]:
        lines = [line for subject in self.subjects for line in subject.lines]
        return [line for line in [*lines, *self.do_not, *self.open] if line.is_changed]


def method_of(findings: Sequence[Finding], changed: Collection[int], member: Member) -> HouseMethod:
    """The method these standing findings make; `changed` are the pieces of evidence whose records changed since."""
    usual = _usual_tub(member)
    lines = [_line(finding, changed, usual) for finding in findings]
    said: set[str] = set()
    subjects = []
    for about in About:
        does = [line for line in lines if line.finding.about == about and line.finding.stand == Stand.DO]
        if does:
            cautions = [name for name in CAUTIONS.get(about, ()) if name not in said]
            said.update(cautions)
            subjects.append(Subject(about.label, does, cautions))
    return HouseMethod(subjects, _of(lines, Stand.DO_NOT), _of(lines, Stand.OPEN))


def standing_findings() -> list[Finding]:
    """The findings the group still holds, the newest first, with all that they rest on."""
    found = Finding.objects.standing().select_related("additive", "recorded_by")
    return list(found.prefetch_related("evidence__trial", "evidence__clearing_test"))


def _of(lines: Iterable[MethodLine], stand: str) -> list[MethodLine]:
    return [line for line in lines if line.finding.stand == stand]


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
                or [piece.figures["headline"] or "It says nothing of this treatment."],
                piece.pk in changed,
            )
            for piece in pieces
        ],
        doubt=doubt_about(finding),
    )
