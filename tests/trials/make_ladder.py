"""Makers of closed trials whose treatments are doses, for tests, through the same actions as the pages."""

from collections.abc import Mapping, Sequence
from decimal import Decimal

from prospecting.calc.units import parse_dose
from prospecting.models import Lot, Member
from tests.make import DAY, make_lot, make_member
from tests.trials.make_trial import make_additive
from trials.actions import planning, running
from trials.actions.running import Portion, RunResult
from trials.models import Additive, PlannedRun, Trial

# What a run may come to besides a weight in mg or a mapping of colours.
FAILED, BELOW, NOT_DONE = "failed", "below", "not done"
# Below-scale runs are under this.
STEP_MG = Decimal("0.1")
Result = float | str | Mapping[str, int] | None


def make_ladder(
    results: Mapping[str, Sequence[Result]],
    *,
    additive: Additive | None = None,
    additive_of: Mapping[str, Additive] | None = None,
    control_dose: tuple[Additive, str] | None = None,
    lot: Lot | None = None,
    outcome: str = Trial.Outcome.GOLD_MASS,
    ratio: str = "1.25",
    question: str = "How little is enough?",
    close: bool = True,
    day=DAY,
    member: Member | None = None,
) -> Trial:
    """A trial whose first treatment is the control and each other one the dose it is named by: "0.2 mL/L", "2 drops in 1 L".

    `results` has one entry for each block, None for a pan that is only placed. A name after "; " tells two equal doses apart.
    """
    member = member or make_member()
    additive = additive or make_additive(member=member)
    control, *doses = results
    blocks = len(results[control])
    trial = planning.plan_trial(
        question=question,
        feed_lot=lot or make_lot("90000", member=member, is_dry=True),
        outcome=outcome,
        blocks_planned=blocks,
        smallest_ratio=Decimal(ratio),
        portion_mass_g=Decimal("454"),
        portion_typed="454 g",
        portions_from=Trial.PortionsFrom.MEASURED,
        water_ml=Decimal(9000),
        water_typed="9 L",
        mixer=make_member(),
        recorded_by=member,
    )
    shared = []
    if control_dose:
        shared = [_dose(control_dose[0], control_dose[1])]
    for name in results:
        of = (additive_of or {}).get(name, additive)
        own = [] if name == control else [_dose(of, name.partition(";")[0])]
        planning.add_treatment(
            trial=trial,
            name=name,
            is_control=name == control,
            technique="",
            doses=[*shared, *own],
            recorded_by=member,
        )
    trial = planning.fix_plan(trial=trial, planned_by=member)
    for planned in trial.planned_runs.select_related("treatment", "block"):
        result = results[planned.treatment.name][planned.block.number - 1]
        if result != NOT_DONE:
            _log(planned, result, member, day)
    if not close:
        return trial
    if trial.planned_runs.open().exists():
        return planning.close_trial(trial=trial, closed_by=member, reason="snow came early")
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=member)
    trial.refresh_from_db()
    return trial


def _dose(additive: Additive, typed: str) -> planning.DoseOf:
    return planning.DoseOf(
        additive=additive, ml_per_l=parse_dose(typed).ml_per_l.quantize(Decimal("0.000001")), typed=typed
    )


def _log(planned: PlannedRun, result: Result, panner: Member, day) -> None:
    common = {"panned_on": day, "panner": panner}
    if result is None:
        found = RunResult(**common)
    elif result == FAILED:
        found = RunResult(**common, failed=True, fail_reason="tub knocked over")
    elif result == BELOW:
        found = RunResult(**common, below_scale=True, scale_step_mg=STEP_MG)
    elif isinstance(result, Mapping):
        found = RunResult(**common, colours=result)
    else:
        found = RunResult(
            **common, gold_mg=Decimal(str(result)), gold_typed=f"{result} mg", scale_step_mg=STEP_MG
        )
    running.log_run(
        planned=planned,
        result=found,
        recorded_by=panner,
        portion=Portion(mass_g=Decimal("454"), typed="454 g"),
    )


def around(times: float, water: Sequence[float], spread: Sequence[float]) -> list[float]:
    """Runs that give so many times the control's in each block, each off by its own factor; never under a tenth of a mg."""
    return [max(0.1, round(times * mg * factor, 1)) for mg, factor in zip(water, spread, strict=True)]
