"""What a closed trial shows, from the runs in the books to the sentences of the page."""

import datetime
import math
from collections.abc import Mapping, Sequence
from decimal import Decimal

import pytest

from prospecting.models import Lot, Member
from tests.make import DAY, make_blend, make_lot, make_member
from trials.actions import planning, running
from trials.actions.running import Portion, RunResult
from trials.models import Trial
from trials.verdicts import verdict_of

# What a run of `make_trial` may come to besides a weight in mg or a mapping of colours.
FAILED, BELOW, NOT_DONE = "failed", "below", "not done"
Result = float | str | Mapping[str, int]


def make_trial(
    results: Mapping[str, Sequence[Result]],
    *,
    outcome: str = Trial.Outcome.GOLD_MASS,
    ratio: str = "1.25",
    mixer: Member | None = None,
    panner: Member | None = None,
    feed_lot: Lot | None = None,
    portions_g: Sequence[str] = ("454",),
    scale_step_mg: str = "0.1",
    guess: str = "",
    key_opened_by: Sequence[Member] = (),
    close: bool = True,
) -> Trial:
    """A trial on measured portions, the first treatment its control; `results` has one entry for each block.

    Runs that are NOT_DONE leave the trial to be ended early; with `close=False` it is left running.
    """
    member = make_member()
    panner = panner or make_member()
    lot = feed_lot or make_blend(
        (make_lot("40000", member=member, is_dry=True), "30000"), (make_lot("40000", member=member, is_dry=True), "30000")
    )
    trial = planning.plan_trial(
        question="Does the rinse keep more gold than plain water?",
        feed_lot=lot,
        outcome=outcome,
        blocks_planned=len(next(iter(results.values()))),
        smallest_ratio=Decimal(ratio),
        portion_mass_g=Decimal(portions_g[0]),
        portion_typed=f"{portions_g[0]} g",
        portions_from=Trial.PortionsFrom.MEASURED,
        water_ml=Decimal(9000),
        water_typed="9 L",
        mixer=mixer or make_member(),
        recorded_by=member,
    )
    for number, name in enumerate(results):
        planning.add_treatment(
            trial=trial,
            name=name,
            is_control=number == 0,
            technique="" if number == 0 else f"as written on card {number}",
            doses=[],
            recorded_by=member,
        )
    trial = planning.fix_plan(trial=trial, planned_by=member)
    for opener in key_opened_by:
        planning.open_key(trial=trial, member=opener, reason="to check a label")
    for number, planned in enumerate(trial.planned_runs.select_related("treatment", "block")):
        result = results[planned.treatment.name][planned.block.number - 1]
        if result == NOT_DONE:
            continue
        portion_g = portions_g[number % len(portions_g)]
        running.log_run(
            planned=planned,
            result=_run_result(result, panner, scale_step_mg, guess),
            recorded_by=panner,
            portion=Portion(mass_g=Decimal(portion_g), typed=f"{portion_g} g"),
        )
    if not close:
        return trial
    if trial.planned_runs.open().exists():
        return planning.close_trial(trial=trial, closed_by=member, reason="snow came early")
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=panner)
    trial.refresh_from_db()
    return trial


def _run_result(result: Result, panner: Member, scale_step_mg: str, guess: str) -> RunResult:
    common = {"panned_on": DAY, "panner": panner, "guess": guess}
    if result == FAILED:
        return RunResult(**common, failed=True, fail_reason="tub knocked over")
    if result == BELOW:
        return RunResult(**common, below_scale=True, scale_step_mg=Decimal(scale_step_mg))
    if isinstance(result, Mapping):
        return RunResult(**common, colours=result)
    return RunResult(
        **common, gold_mg=Decimal(str(result)), gold_typed=f"{result} mg", scale_step_mg=Decimal(scale_step_mg)
    )
