"""The ladders of a closed trial: doses that differ from the control in nothing else, and what their runs let one say of them."""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from typing import TYPE_CHECKING

from django.db.models import prefetch_related_objects
from django.utils.translation import gettext_lazy

from prospecting.calc import number_words, units
from prospecting.calc.language import phrase
from prospecting.models import Member, Origin
from trials.calc.next_dose import NextDose, next_dose
from trials.frames.trial_lines import RunLine, TrialLines
from trials.models import Additive, Treatment

if TYPE_CHECKING:
    from trials.calc.comparison import ControlComparison, TreatmentComparison
    from trials.calc.doses_together import Fall, LeastNotWorse, ShownDoses
    from trials.calc.verdict import Verdict


# A page of doses has something to say from two of one additive on.
FEWEST_RUNGS = 2
NEXT_BECAUSE = {
    "between": gettext_lazy(
        "half-way, by factors, between the highest dose not shown and the lowest one shown"
    ),
    "up": gettext_lazy(
        "no dose was shown, so twice the highest one; outside what was tried, so only one to try, not one to use"
    ),
    "down": gettext_lazy(
        "lower than any with runs that count, since the least that works may lie there; only one to try, not one to use"
    ),
    "again": gettext_lazy("a lower dose was shown and a higher one not: first see whether that holds"),
}


@dataclass(frozen=True)
class Rung:
    """A treatment that differs from the control by one dose and nothing else."""

    treatment: Treatment
    ml_per_l: Decimal
    typed: str

    @property
    def name(self) -> str:
        return self.treatment.name

    @property
    def key(self) -> float:
        return float(self.ml_per_l)

    @property
    def said(self) -> str:
        """As it was typed; a bare number was mL/L."""
        typed = " ".join(self.typed.split())
        return (
            typed if any(sign.isalpha() for sign in typed) else units.format_dose(self.ml_per_l, "ml_per_l")
        )

    @property
    def in_ml_per_l(self) -> str:
        """In mL/L, where it was typed otherwise."""
        return "" if "ml/l" in self.said.lower() else units.format_dose(self.ml_per_l, "ml_per_l")

    @property
    def said_in_full(self) -> str:
        return f"{self.said} ({self.in_ml_per_l})" if self.in_ml_per_l else self.said


@dataclass(frozen=True)
class Ladder:
    """The doses of one additive in a trial, lowest first."""

    additive: Additive
    control: Treatment
    rungs: list[Rung]

    @property
    def names(self) -> list[str]:
        return [rung.name for rung in self.rungs]

    @property
    def order(self) -> list[str]:
        return [self.control.name, *self.names]


@dataclass(frozen=True)
class OtherDose:
    """A dose of another additive in the same trial, and whether it is shown not worse than the one to be costed."""

    additive_id: int
    name: str
    ml_per_l: Decimal
    not_worse: bool


@dataclass(frozen=True)
class DoseToCost:
    """What a cost is put to: the least dose shown, None where none is; the gold it brings beyond the control, mg a portion."""

    additive_id: int
    control: str
    dose: str = ""
    ml_per_l: Decimal | None = None
    extra_mg: tuple[float, float, float] | None = None
    others: tuple[OtherDose, ...] = ()
    # Whether single trials show what all of them together don't.
    shown_apart: bool = False
    # Where the gold was weighed, on a page of several trials.
    trial: str = ""


def ladders_in(treatments: Sequence[Treatment], fewest: int = 1) -> list[Ladder]:
    """The ladders of a trial: for each additive the treatments that differ from the control by a dose of it only.

    `fewest` doses at least. Their doses must be prefetched with their additives.
    """
    control = next((treatment for treatment in treatments if treatment.is_control), None)
    if control is None:
        return []
    base = {dose.additive_id: dose.ml_per_l for dose in control.doses.all()}
    found: dict[int, Ladder] = {}
    for treatment in treatments:
        if treatment.is_control or treatment.technique != control.technique:
            continue
        for dose in treatment.doses.all():
            rest = {
                other.additive_id: other.ml_per_l
                for other in treatment.doses.all()
                if other.additive_id != dose.additive_id
            }
            if dose.additive_id in base or rest != base:
                continue
            ladder = found.setdefault(dose.additive_id, Ladder(dose.additive, control, []))
            ladder.rungs.append(Rung(treatment, dose.ml_per_l, dose.typed))
    for ladder in found.values():
        ladder.rungs.sort(key=lambda rung: (rung.ml_per_l, rung.treatment.position))
    enough = [ladder for ladder in found.values() if len({rung.ml_per_l for rung in ladder.rungs}) >= fewest]
    return sorted(enough, key=lambda ladder: ladder.additive.name)


def unit_of(rungs: Iterable[Rung], member: Member) -> str:
    """The unit to speak of further doses in: mL/L where all were typed so, else the member's own."""
    return "ml_per_l" if not any(rung.in_ml_per_l for rung in rungs) else member.dose_unit


def dose_said(ml_per_l: Decimal | float, unit: str) -> str:
    """A dose in mL/L, before it another unit where that is asked for."""
    plain = units.format_dose(ml_per_l, "ml_per_l")
    return plain if unit == "ml_per_l" else f"{units.format_dose(ml_per_l, unit)} ({plain})"


def as_poured(ml_per_l: Decimal | float, water_ml: Decimal, water_typed: str) -> str:
    """What goes into the tub: drops, or mL and teaspoons."""
    amount = units.tub_amounts(ml_per_l, water_ml).as_poured()
    return phrase("{amount} in {water}", amount=amount, water=water_typed)


def listed(names: Iterable[str]) -> str:
    """Names with commas and an "and"."""
    return number_words.listed(list(names))


@dataclass
class LadderLines(TrialLines):
    """A closed trial's runs with its ladders; nothing is reckoned yet."""

    ladders: list[Ladder] = field(init=False)
    origins: list[Origin] = field(init=False)

    def __post_init__(self) -> None:
        super().__post_init__()
        prefetch_related_objects(self.treatments, "doses__additive")
        self.ladders = ladders_in(self.treatments, FEWEST_RUNGS)
        self.origins = list(self.trial.feed_lot.origins.select_related("dig__zone__claim"))

    @property
    def left_out(self) -> list[RunLine]:
        return [line for line in self.lines if not line.counts]

    def fingerprint(self) -> str:
        """64 signs that change with anything `ladder_readings` reads."""
        trial = self.trial
        told = [
            (trial.pk, trial.smallest_ratio, trial.outcome, trial.design, trial.water_ml, trial.water_typed),
            (trial.scale_step_mg, trial.feed_lot.is_dry, self.outcome),
            [
                (t.pk, t.name, t.is_control, t.technique, t.position)
                + tuple((d.additive_id, d.additive.name, d.ml_per_l, d.typed) for d in t.doses.all())
                for t in self.treatments
            ],
            [
                (
                    line.planned.pk,
                    line.planned.blind_code,
                    line.block,
                    line.treatment,
                    line.value,
                    line.result,
                )
                + (line.left_out, line.run and (line.run.pk, line.run.portion_mass_g, line.run.scale_step_mg))
                for line in self.lines
            ],
        ]
        return hashlib.sha256(repr(told).encode()).hexdigest()

    def columns(self, control: str) -> tuple[list, list[str], list[int], str]:
        return (
            [line.value for line in self.lines],
            [line.treatment for line in self.lines],
            [line.block for line in self.lines],
            control,
        )

    def compare_with(self, control: str) -> "ControlComparison":
        """The trial's comparison with another treatment in the control's place."""
        from trials.calc.comparison import compare_counts, compare_gold

        if self.by_colours:
            return compare_counts(*self.columns(control), places=self.places)
        return compare_gold(*self.columns(control), scale_step_mg=self.scale_step_mg, places=self.places)


@dataclass
class JudgedLadder:
    """One ladder and what its runs let one say of the doses."""

    lines: LadderLines
    ladder: Ladder
    comparison: "ControlComparison | None"
    why_none: str
    verdicts: "dict[str, Verdict]"
    member: Member

    @property
    def control(self) -> str:
        return self.ladder.control.name

    @property
    def by_ratio(self) -> bool:
        return self.comparison is not None and self.comparison.route in ("mass", "colours")

    @property
    def unit(self) -> str:
        return unit_of(self.ladder.rungs, self.member)

    @property
    def judged(self) -> bool:
        """Whether there is anything to judge: a comparison, and a run of some dose."""
        return self.comparison is not None and bool(self.tried)

    @cached_property
    def enough(self) -> bool:
        """Whether any dose has runs enough to tell chance from an effect."""
        from trials.calc.doses_together import enough_runs

        return self.judged and any(enough_runs(self.comparison, self.entry(rung.name)) for rung in self.tried)

    @cached_property
    def tried(self) -> list[Rung]:
        """The rungs with a run that counts."""
        return [rung for rung in self.ladder.rungs if self.lines.of(rung.name)]

    @property
    def tried_order(self) -> list[str]:
        return [self.control, *(rung.name for rung in self.tried)]

    @property
    def all_weighed(self) -> bool:
        """Whether every run that counts has a logarithm."""
        return self.lines.by_weight and self.by_ratio and not self.comparison.runs_below_scale

    def entry(self, name: str) -> "TreatmentComparison":
        return self.comparison.of(name)

    def rung_at(self, dose: float) -> Rung:
        return next(rung for rung in self.ladder.rungs if rung.key == dose)

    def said_of(self, name: str) -> str:
        return name if name == self.control else self.rung_of(name).said

    def rung_of(self, name: str) -> Rung:
        return next(rung for rung in self.ladder.rungs if rung.name == name)

    def poured(self, ml_per_l: Decimal | float) -> str:
        return as_poured(ml_per_l, self.lines.trial.water_ml, self.lines.trial.water_typed)

    @cached_property
    def shown(self) -> "ShownDoses":
        from trials.calc.doses_together import DoseShown, evidence_of, shown_doses

        if self.by_ratio:
            return shown_doses([evidence_of(self.comparison, r.name, r.key) for r in self.tried])
        return shown_doses(
            [DoseShown(r.key, False, self.verdicts[r.name].kind == "better") for r in self.tried]
        )

    @cached_property
    def not_worse(self) -> "LeastNotWorse | None":
        """The least that does not lose the margin against the best; None where there is no ratio, or water is the best."""
        from trials.calc.doses_together import least_not_worse

        if not (self.by_ratio and self.enough):
            return None
        ratios = {rung.name: self.entry(rung.name).ratio or 0.0 for rung in self.tried}
        best = max(ratios, key=ratios.__getitem__)
        if ratios[best] <= 1:
            return None
        lower = self.tried_order[: self.tried_order.index(best)]
        try:
            return least_not_worse(self.lines.compare_with, best, lower, self.lines.smallest_ratio)
        except ValueError:
            return None

    @cached_property
    def fall(self) -> "Fall | None":
        from trials.calc.doses_together import fall_by_ratio, fall_of_masses

        try:
            if self.all_weighed:
                values, names, blocks = self.ladder_runs
                return fall_of_masses(values, names, blocks, self.tried_order)
            if self.by_ratio:
                return fall_by_ratio(self.lines.compare_with, [rung.name for rung in self.tried])
        except ValueError:
            pass
        return None

    @property
    def ladder_runs(self) -> tuple[list[float], list[str], list[int]]:
        runs = [line for line in self.lines.counted if line.treatment in self.ladder.order]
        return (
            [line.value for line in runs],
            [line.treatment for line in runs],
            [line.block for line in runs],
        )

    @property
    def worse(self) -> list[Rung]:
        return [rung for rung in self.ladder.rungs if self.verdicts[rung.name].kind == "worse"]

    @cached_property
    def next(self) -> NextDose:
        harmful = {rung.key for rung in self.worse}
        if self.fall is not None:
            onset = self.rung_of(self.fall.onset).key
            harmful |= {rung.key for rung in self.tried if rung.key >= onset}
        # Why a dose that is too much was not shown is known: it must not stand in the way of the lower ones.
        of_use = [rung for rung in self.tried if rung.key not in harmful] or self.tried
        return next_dose({rung.key: rung.key in self.shown.shown for rung in of_use}, top_harms=bool(harmful))
