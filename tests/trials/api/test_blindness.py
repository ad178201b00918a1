"""Whoever asks, and whatever is asked: of an open block no treatment is told, and of an open bridge no lot."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from tests import make
from tests.prospecting.make_token import program_as
from tests.trials.make_trial import log, make_bridge, make_draft, make_running
from trials.actions import planning, running
from trials.api.description import LISTINGS
from trials.models import Trial

pytestmark = pytest.mark.django_db

# Planted as names of treatments: nothing else is called so.
NAMES = ("Quartzmoor plain", "Zebrafish rinse")


def everything_told(program, trial: Trial) -> str:
    """All that this program may read of these books, as one text."""
    pages = [reverse(f"api-{listing.name}") for listing in LISTINGS]
    pages += [reverse("api-trial", args=[trial.pk])]
    pages += [reverse("api-run", args=[planned.run.pk]) for planned in trial.planned_runs.exclude(run=None)]
    answers = [program.get(page) for page in pages]
    assert {answer.status_code for answer in answers} == {200}
    return "".join(answer.content.decode() for answer in answers)


@pytest.mark.parametrize("role", ["guest", "member", "keeper"])
def test_no_treatment_of_an_open_block_is_told_and_all_of_a_closed_one(role):
    trial = make_running(names=NAMES, blocks=2)
    panner, program = make.make_member(), program_as(role)
    guessed = trial.treatments.last()
    for planned in trial.planned_runs.filter(block__number=1):
        log(planned, panner, guess_treatment=guessed, guess="its smell")
    told = everything_told(program, trial)
    assert [name for name in (*NAMES, str(trial.seed)) if name in told] == []
    assert program.get(reverse("api-trial", args=[trial.pk])).json()["treatments"] == []

    running.close_block(block=trial.blocks.get(number=1), closed_by=panner)
    one = program.get(reverse("api-trial", args=[trial.pk])).json()
    assert [each["name"] for each in one["treatments"]] == list(NAMES)
    key = {planned.blind_code: planned for planned in trial.planned_runs.select_related("treatment", "block")}
    for line in one["plan"]:
        planned = key[line["blind_code"]]
        assert line["treatment"] == (planned.treatment.name if planned.block.number == 1 else None)
    # The second block: logged, and still nothing.
    open_runs = trial.planned_runs.filter(block__number=2)
    for planned in open_runs:
        log(planned, panner)
    for run in program.get(reverse("api-runs"), {"trial": trial.pk}).json()["items"]:
        planned = key[run["blind_code"]]
        is_open = planned.block.number == 2
        assert run["is_key_hidden"] is is_open
        assert run["treatment"] == (None if is_open else planned.treatment.name)


def test_the_key_is_not_even_read():
    """What a query does not bring cannot leak: names of treatments leave the database for closed blocks only."""
    trial = make_running(names=NAMES)
    log(trial.planned_runs.first(), make.make_member())
    program = program_as()
    with CaptureQueriesContext(connection) as asked:
        for page in ("api-runs", "api-trials"):
            program.get(reverse(page))
        program.get(reverse("api-trial", args=[trial.pk]))
    reads = [query["sql"] for query in asked if '"trials_treatment"."name"' in query["sql"]]
    assert reads
    assert all("closed_at" in sql for sql in reads)


def test_a_draft_tells_no_treatment_and_an_ended_trial_all():
    program = program_as("keeper")
    assert [name for name in NAMES if name in everything_told(program, make_draft(names=NAMES))] == []
    trial = make_running(names=NAMES, blocks=2)
    log(trial.planned_runs.first(), make.make_member())
    planning.close_trial(trial=trial, reason="snow", closed_by=make.make_member("keeper"))
    assert [name for name in NAMES if name not in everything_told(program, trial)] == []


def test_the_lot_of_an_open_bridging_run_is_not_told_nor_found():
    old, new = make.make_lot("40000"), make.make_lot("40000")
    trial = make_bridge(old, new, blocks=2)
    planning.fix_plan(trial=trial, planned_by=trial.recorded_by)
    panner, program = make.make_member(), program_as("keeper")
    for planned in trial.planned_runs.filter(block__number=1):
        log(planned, panner)

    def found(**asked) -> list[dict]:
        return program.get(reverse("api-runs"), asked).json()["items"]

    assert [run["lot"] for run in found(trial=trial.pk)] == [None, None]
    for lot in (old, new):
        assert found(lot=lot.code) == found(zone=lot.origins.get().dig.zone_id) == []
    running.close_block(block=trial.blocks.get(number=1), closed_by=panner)
    assert {run["lot"] for run in found(trial=trial.pk)} == {old.code, new.code}
    assert len(found(lot=old.code)) == len(found(zone=new.origins.get().dig.zone_id)) == 1


def test_the_plan_of_an_open_bridge_names_no_portion(django_assert_max_num_queries):
    old, new = make.make_lot("40000"), make.make_lot("40000")
    portions = [lot.code for each in (old, new) for lot in make.make_portions(each, 3)]
    trial = make_bridge(old, new, blocks=3, portions_from=Trial.PortionsFrom.CUT)
    planning.fix_plan(trial=trial, planned_by=trial.recorded_by)
    program, panner = program_as("keeper"), make.make_member()
    address = reverse("api-trial", args=[trial.pk])
    assert {line["portion"] for line in program.get(address).json()["plan"]} == {None}
    for planned in trial.planned_runs.filter(block__number=1):
        log(planned, panner)
    running.close_block(block=trial.blocks.get(number=1), closed_by=panner)
    with django_assert_max_num_queries(6):
        plan = program.get(address).json()["plan"]
    told = [line["portion"] for line in plan if line["block"] == 1]
    assert len(told) == 2 and set(told) < set(portions)
    assert {line["portion"] for line in plan if line["block"] > 1} == {None}
