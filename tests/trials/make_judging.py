"""Makers of trials judged by place, for tests, through the same actions as the pages."""

from collections.abc import Callable, Sequence

from prospecting.models import Member
from tests import make
from tests.trials.make_trial import log, make_running
from trials.actions import judging, running
from trials.actions.judging import Look
from trials.calc.judging import in_steps
from trials.models import Block, Judging, PlannedRun, Trial

# What a judge says of a row: its pans, as the database knows them, to their places.
Eye = Callable[[Sequence[PlannedRun]], dict[PlannedRun, int]]


def make_rows(*, failed: Callable[[PlannedRun], bool] = lambda planned: False, **fields) -> Trial:
    """A running trial judged by place with every run in; those that `failed` picks are marked failed."""
    trial = make_running(**{"outcome": Trial.Outcome.PLACES} | fields)
    panner = make.make_member()
    for planned in trial.planned_runs.select_related("treatment", "block"):
        gone = {"failed": True, "fail_reason": "tub knocked over"} if failed(planned) else {}
        log(planned, panner, None, **gone)
    return trial


def make_look(block: Block, eye: Eye, **fields) -> Look:
    row = list(block.planned_runs.in_row().select_related("treatment", "block"))
    return Look(
        places={planned.blind_code: place for planned, place in in_steps(eye(row)).items()},
        **{"judged_on": make.DAY} | fields,
    )


def judge(
    block: Block, eye: Eye, *, member: Member | None = None, by: Member | None = None, **fields
) -> Judging:
    member = member or make.make_member()
    return judging.keep_judging(
        block=block, judge=member, look=make_look(block, eye, **fields), recorded_by=by or member
    )


def in_order(*names: str) -> Eye:
    """A judge who sees most gold in the first treatment named, and so on."""
    return lambda row: {planned: 1 + names.index(planned.treatment.name) for planned in row}


def all_alike(row: Sequence[PlannedRun]) -> dict[PlannedRun, int]:
    return dict.fromkeys(row, 1)


def close(trial: Trial) -> Trial:
    member = make.make_member()
    for block in trial.blocks.filter(closed_at__isnull=True):
        running.close_block(block=block, closed_by=member)
    trial.refresh_from_db()
    return trial
