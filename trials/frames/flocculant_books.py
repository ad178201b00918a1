"""The records of one additive that tell what it clears and what it costs in gold, read in a few queries. Reckons nothing."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from django.db.models import Model, Prefetch, prefetch_related_objects

from prospecting.calc.language import phrase
from prospecting.models import Origin
from trials.frames.trial_lines import TrialLines
from trials.models import (
    Additive,
    ClearingTest,
    KeyOpening,
    PlannedRun,
    SettledMud,
    Treatment,
    Trial,
    Tub,
)

# What a trial's lines are made of; of closed trials only.
RUNS = (
    Prefetch("key_openings", KeyOpening.objects.select_related("member")),
    Prefetch(
        "planned_runs",
        PlannedRun.objects.select_related("treatment", "block", "run__step", "run__panner"),
    ),
)


class LinesByWeight(TrialLines):
    """The lines of a trial by weight whose records were read with those of other trials: however many, in as many queries."""

    def __post_init__(self) -> None:
        self.outcome = self.trial.outcome
        self.treatments = list(self.trial.treatments.all())
        self.openings = list(self.trial.key_openings.all())
        self.judged = None
        self.lines = [self._line(planned) for planned in self.trial.planned_runs.all()]


@dataclass(frozen=True)
class ArmOfTrial:
    """One dose of the additive in a closed trial by weight whose treatment differs from the control in nothing else."""

    lines: TrialLines
    treatment: Treatment

    @property
    def trial(self) -> Trial:
        return self.lines.trial


@dataclass(frozen=True)
class Books:
    """All records the page hangs on. `arms` by dose, newest trial first; `others` are trials of it that give no ratio here."""

    additive: Additive
    tests: list[ClearingTest]
    tubs: list[Tub]
    arms: dict[Decimal, list[ArmOfTrial]]
    others: list[tuple[Trial, str]]
    open_trials: list[Trial]
    muds: list[SettledMud]
    origins: list[Origin]

    @property
    def has_something(self) -> bool:
        """Whether there is a page to show: of what is no flocculant only where a clearing test was made with it."""
        if self.additive.kind != Additive.Kind.FLOCCULANT:
            return bool(self.tests)
        return bool(self.tests or self.arms or self.others)

    @property
    def closed(self) -> list[TrialLines]:
        """The trials read for their gold, newest first, each once."""
        found = {arm.trial.pk: arm.lines for arms in self.arms.values() for arm in arms}
        return [found[pk] for pk in sorted(found, reverse=True)]

    def holds(self, tub: Tub, dose: Decimal | None) -> bool:
        """Whether a tub holds this dose of the additive; None: nothing at all."""
        if dose is None:
            return tub.is_control
        return tub.additive_id == self.additive.pk and tub.ml_per_l == dose

    def all_read(self) -> tuple:
        """Everything a figure or a word of the page comes from, to tell whether anything has changed."""
        rows = [self.additive, *self.tests, *self.tubs, *self.muds, *self.open_trials]
        rows += [reading for tub in self.tubs for reading in tub.readings.all()]
        rows += [mud.run for mud in self.muds]
        rows += [mud.run.tails_pan for mud in self.muds if hasattr(mud.run, "tails_pan")]
        rows += [trial for trial, _ in self.others] + [lines.trial for lines in self.closed]
        return (
            *map(_columns, rows),
            *(why for _, why in self.others),
            *(
                (dose, [(arm.trial.pk, arm.treatment.name) for arm in arms])
                for dose, arms in self.arms.items()
            ),
            *(
                (
                    line.planned.pk,
                    line.block,
                    line.treatment,
                    line.value,
                    line.result,
                    line.left_out,
                    line.is_blind,
                )
                for lines in self.closed
                for line in lines.lines
            ),
            *(
                (origin.lot_id, origin.share, str(origin.dig), str(origin.dig.zone))
                for origin in self.origins
            ),
        )


def books_of(additive: Additive) -> Books:
    """Read everything of this additive: its clearing tests with all their tubs, and its closed trials; open ones by name."""
    tests = list(
        ClearingTest.objects.filter(tubs__additive=additive).select_related("lot", "trial").distinct()
    )
    tubs = list(
        Tub.objects.filter(test__in=tests)
        .select_related("test", "additive", "settled_mud")
        .prefetch_related("readings")
    )
    trials = (
        Trial.objects.filter(treatments__doses__additive=additive)
        .select_related("feed_lot")
        .prefetch_related("treatments__doses")
        .distinct()
    )
    closed = [trial for trial in trials if trial.state == Trial.State.CLOSED]
    arms, others = _arms_of(additive, closed)
    read = {arm.trial for of_dose in arms.values() for arm in of_dose}
    lots = {test.lot_id for test in tests} | {trial.feed_lot_id for trial in read}
    return Books(
        additive=additive,
        tests=tests,
        tubs=tubs,
        arms=arms,
        others=others,
        open_trials=[trial for trial in trials if trial.state == Trial.State.RUNNING],
        muds=list(
            SettledMud.objects.filter(
                run__planned__trial__in=read, run__failed=False, run__step__voided_at__isnull=True
            ).select_related("run__planned__treatment", "run__step", "run__tails_pan")
        ),
        origins=list(
            Origin.objects.filter(lot__in=[lot for lot in lots if lot]).select_related(
                "lot", "dig__zone__claim"
            )
        ),
    )


def _arms_of(
    additive: Additive, closed: Sequence[Trial]
) -> tuple[dict[Decimal, list[ArmOfTrial]], list[tuple[Trial, str]]]:
    """The doses these trials tell of, and the trials that tell nothing of this additive alone, each with the reason."""
    arms: dict[Decimal, list[ArmOfTrial]] = {}
    others, doses_of = [], {}
    for trial in closed:
        treatments = list(trial.treatments.all())
        control = next(each for each in treatments if each.is_control)
        alone = {
            dose: each for each in treatments if (dose := _dose_alone(each, control, additive)) is not None
        }
        if trial.outcome != Trial.Outcome.GOLD_MASS:
            others.append(
                (
                    trial,
                    phrase(
                        "it was judged by {outcome}, not by weight",
                        outcome=trial.get_outcome_display().lower(),
                    ),
                )
            )
        elif not alone:
            others.append(
                (
                    trial,
                    phrase(
                        "no treatment of it differs from its control in {additive} alone", additive=additive
                    ),
                )
            )
        else:
            doses_of[trial] = alone
    prefetch_related_objects(list(doses_of), *RUNS)
    for trial, alone in doses_of.items():
        lines = LinesByWeight(trial)
        for dose, treatment in alone.items():
            arms.setdefault(dose, []).append(ArmOfTrial(lines, treatment))
    return dict(sorted(arms.items())), others


def _dose_alone(treatment: Treatment, control: Treatment, additive: Additive) -> Decimal | None:
    """How much of the additive a treatment has more than the control, where that is all they differ in."""
    own, of_control = (
        {dose.additive_id: dose.ml_per_l for dose in each.doses.all()} for each in (treatment, control)
    )
    dose = own.pop(additive.pk, None)
    alike = own == of_control and treatment.technique.strip() == control.technique.strip()
    return dose if alike else None


def _columns(record: Model) -> tuple:
    return tuple(getattr(record, each.attname) for each in record._meta.concrete_fields)
