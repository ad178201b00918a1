"""Which lot a bridging run drew from is its key: no page tells it to anybody while the block is open."""

import html
import json
import re
import uuid

import pytest
from django.urls import reverse

from prospecting.actions.correction import Weight
from prospecting.models import JournalEntry
from tests.make import make_lot, make_member, make_portions
from tests.trials.make_trial import PORTION, log, make_bridge
from trials.actions import planning, running
from trials.actions.correction import correct_step
from trials.models import Trial

pytestmark = pytest.mark.django_db


@pytest.fixture
def panner():
    return make_member()


@pytest.fixture
def run(panner):
    """The first run of a bridge, its portion's mass corrected once."""
    trial = make_bridge(make_lot("9000"), make_lot("9000"))
    planning.fix_plan(trial=trial, planned_by=trial.recorded_by)
    run = log(trial.planned_runs.first(), panner)
    heavier = Weight(mass_g=PORTION.mass_g + 1, typed="455 g")
    correct_step(
        step=run.step,
        draws={run.lot_id: heavier},
        makes={},
        reason="read the wrong line",
        corrected_by=panner,
    )
    return run


def close(run) -> None:
    block = run.planned.block
    for planned in block.planned_runs.filter(run__isnull=True):
        log(planned, run.recorded_by)
    running.close_block(block=block, closed_by=run.recorded_by)


def body(client, name: str, *args, status: int = 200, query: str = "") -> str:
    answer = client.get(reverse(name, args=args) + query)
    assert answer.status_code == status, name
    return html.unescape(b"".join(answer).decode()) if answer.streaming else html.unescape(answer.text)


@pytest.mark.parametrize("role", ["guest", "member", "keeper"])
def test_no_page_of_the_step_the_run_or_the_lots_tells_it(client_as, run, role):
    client = client_as(role)
    lots = [run.planned.trial.feed_lot, run.planned.trial.new_lot]
    codes = {lot.code for lot in lots}
    of_run = re.compile(rf"/(steps/{run.step_id}|runs/{run.pk})/")
    step_page = body(client, "step-detail", run.step_id)
    assert f"is the key of this bridging run: hidden until {run.planned.block} is closed" in step_page
    assert "Went in" not in step_page and "What it changed" not in step_page
    for page in (step_page, body(client, "run-detail", run.pk)):
        # Its trial is named after both lots.
        page = page.replace(str(run.planned.trial), "")
        assert not [code for code in codes if code in page]
    listed = [*re.findall(r"<tr.*?</tr>", body(client, "run-list"), re.S)]
    listed += body(client, "run-list", query="?file=csv").splitlines()
    told = [row for row in listed if run.planned.blind_code in row]
    assert told and not [row for row in told if any(code in row for code in codes)]
    for lot in lots:
        for name in ("lot-detail", "lot-lineage", "lot-recovery"):
            page = body(client, name, lot.code)
            assert not of_run.search(page) and "run hidden" not in page, name
    for dig in {origin.dig for lot in lots for origin in lot.origins.all()}:
        assert not of_run.search(body(client, "dig-lots", dig.pk))
    if role != "guest":
        journal = body(client, "journal")
        rows = [row for row in re.findall(r"<tr.*?</tr>", journal, re.S) if of_run.search(row)]
        assert rows and not [row for row in rows if any(code in row for code in codes)]
        entry = JournalEntry.objects.get(what="corrected masses")
        body(client, "step-correct", run.step_id, status=404)
        body(client, "correction-detail", entry.pk, status=404)
        body(client, "run-keep", run.pk, status=404)


def test_once_the_block_is_closed_the_pages_tell_it(client_as, run):
    close(run)
    reader = client_as("member")
    assert run.lot.code in body(reader, "step-detail", run.step_id)
    assert f"/steps/{run.step_id}/" in body(reader, "lot-lineage", run.lot.code)
    entry = JournalEntry.objects.get(what="corrected masses")
    assert run.lot.code in body(reader, "correction-detail", entry.pk)
    body(reader, "step-correct", run.step_id)
    body(reader, "run-keep", run.pk)


def test_own_data_of_who_panned_does_not_tell_it(client, run, panner):
    client.force_login(panner)
    answer = client.post(reverse("own-data"))
    rows = json.loads(answer.content)["held"]["journal entry as member"]
    of_step = [row for row in rows if row["subject_kind"] == "step"]
    assert of_step and not [row for row in of_step if {"what", "why", "changes"} & row.keys()]
    assert run.lot.code not in json.dumps(of_step)


def test_a_correction_of_its_lot_does_not_name_the_run(client_as, panner):
    """The portion of a run that took all of a lot follows the lot's mass, so the two stand side by side among the changes."""
    lots = [make_lot("9000"), make_lot("9000")]
    for lot in lots:
        make_portions(lot, 3)
    trial = make_bridge(*lots, portions_from=Trial.PortionsFrom.CUT)
    planning.fix_plan(trial=trial, planned_by=trial.recorded_by)
    run = log(trial.planned_runs.first(), panner)
    keeper = client_as("keeper")
    typed = {"identity": str(uuid.uuid4()), "mass": "460 g", "reason": "read the wrong line"}
    url = reverse("lot-correct", args=[run.lot.code])
    preview = keeper.post(url, typed)
    named = re.compile(rf"(Run|Step) ({run.pk}|{run.step_id})\b")
    assert preview.context["preview"]["sections"]
    assert f"{run.lot.code}" in preview.text and not named.search(preview.text)
    assert "What changes of bridging runs is left out here" in preview.text
    assert keeper.post(url, typed | {"agreed": preview.context["preview"]["fingerprint"]}).status_code == 302
    entry = JournalEntry.objects.filter(what="corrected masses").latest("-pk")
    assert f"Run {run.pk}: portion" in entry.changes
    for name, *args in [("correction-detail", entry.pk), ("journal",)]:
        page = body(keeper, name, *args, query="?kind=step" if not args else "")
        assert f"Run {run.pk}: portion" not in page and f"Step {run.step_id} (" not in page
