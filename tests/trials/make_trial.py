"""Makers of trials for tests, through the same actions as the pages."""

from collections.abc import Callable
from decimal import Decimal

from prospecting.models import Lot, Member
from tests import make
from trials.actions import additives, planning, running
from trials.actions.renewal import plan_bridge
from trials.models import Additive, PlannedRun, Run, Trial


def make_additive(name: str = "Rinse", kind: str = "wetting", member: Member | None = None) -> Additive:
    known = Additive.objects.filter(name=name).first()
    return known or additives.add_additive(name=name, kind=kind, recorded_by=member or make.make_member())


def make_draft(
    *,
    lot: Lot | None = None,
    names: tuple[str, ...] = ("plain water", "rinse"),
    blocks: int = 3,
    mixer: Member | None = None,
    member: Member | None = None,
    **fields,
) -> Trial:
    """A draft whose first treatment is the control and whose others dose 0.1, 0.2, ... mL/L of one additive."""
    member = member or make.make_member()
    fields = {
        "question": "Does it help?",
        "outcome": Trial.Outcome.GOLD_MASS,
        "smallest_ratio": Decimal("1.25"),
        "portion_mass_g": Decimal("454"),
        "portion_typed": "454 g",
        "portions_from": Trial.PortionsFrom.MEASURED,
        "water_ml": Decimal(9000),
        "water_typed": "9 L",
        "scale_step_mg": Decimal("0.1"),
    } | fields
    trial = planning.plan_trial(
        feed_lot=lot or make.make_lot("40000"),
        blocks_planned=blocks,
        mixer=mixer or make.make_member(),
        recorded_by=member,
        **fields,
    )
    for number, name in enumerate(names):
        dose = planning.DoseOf(
            additive=make_additive(), ml_per_l=Decimal(number) / 10, typed=f"0.{number} mL/L"
        )
        planning.add_treatment(
            trial=trial,
            name=name,
            is_control=not number,
            technique="",
            doses=[dose] if number else [],
            recorded_by=member,
        )
    return trial


def make_running(**fields) -> Trial:
    trial = make_draft(**fields)
    return planning.fix_plan(trial=trial, planned_by=trial.recorded_by)


def make_result(panner: Member, gold: str | None = "8.0", **fields) -> running.RunResult:
    fields = {"scale_step_mg": Decimal("0.1"), "panned_on": make.DAY} | fields
    return running.RunResult(
        panner=panner,
        gold_mg=None if gold is None else Decimal(gold),
        gold_typed="" if gold is None else f"{gold} mg",
        **fields,
    )


PORTION = running.Portion(mass_g=Decimal("454"), typed="454 g")


def log(planned: PlannedRun, member: Member, gold: str | None = "8.0", **fields) -> Run:
    return running.log_run(
        planned=planned,
        result=make_result(member, gold, **fields),
        recorded_by=member,
        portion=None if planned.portion_id else PORTION,
    )


def make_closed(
    gold_of: Callable[[PlannedRun], str | None], *, panner: Member | None = None, **fields
) -> Trial:
    """A trial with every run in; `gold_of` gives each planned run's milligrams."""
    trial = make_running(**fields)
    panner = panner or make.make_member()
    for planned in trial.planned_runs.select_related("treatment", "block"):
        log(planned, panner, gold_of(planned))
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=panner)
    trial.refresh_from_db()
    return trial


def make_bridge(old: Lot, new: Lot, *, blocks: int = 3, member: Member | None = None, **fields) -> Trial:
    """A draft of bridging runs from the old lot to the new one."""
    fields = {
        "outcome": Trial.Outcome.GOLD_MASS,
        "smallest_ratio": Decimal("1.25"),
        "portion_mass_g": Decimal("454"),
        "portion_typed": "454 g",
        "portions_from": Trial.PortionsFrom.MEASURED,
        "water_ml": Decimal(9000),
        "water_typed": "9 L",
        "scale_step_mg": Decimal("0.1"),
    } | fields
    return plan_bridge(
        old_lot=old,
        new_lot=new,
        blocks_planned=blocks,
        mixer=make.make_member(),
        recorded_by=member or make.make_member(),
        **fields,
    )


def make_closed_bridge(old: Lot, new: Lot, golds_old: list[str], golds_new: list[str], **fields) -> Trial:
    """A bridge with every run in, its blocks giving these milligrams in turn."""
    trial = make_bridge(old, new, blocks=len(golds_old), **fields)
    planning.fix_plan(trial=trial, planned_by=trial.recorded_by)
    panner = make.make_member()
    for planned in trial.planned_runs.select_related("treatment", "block"):
        golds = golds_old if planned.treatment.is_control else golds_new
        log(planned, panner, golds[planned.block.number - 1])
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=panner)
    trial.refresh_from_db()
    return trial
