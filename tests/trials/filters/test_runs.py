"""Pans by lot, zone, panner and day. What a block still hides is told by no filter and no order."""

import re

import pytest
from django.test import RequestFactory
from django.urls import reverse

from tests.make import make_lot, make_member, make_zone
from tests.trials.make_trial import log, make_bridge, make_running
from trials.actions import planning, running
from trials.filters.runs import RunFilter
from trials.models import Run

pytestmark = pytest.mark.django_db


def found(**query) -> set[int]:
    filters = RunFilter(RequestFactory().get("/", query), Run.objects.for_list())
    assert not filters.errors
    return set(filters.qs.values_list("pk", flat=True))


@pytest.fixture
def bridge():
    """A bridge between two lots of two zones, two runs of its first block in."""
    trial = make_bridge(make_lot("9000", zone=make_zone()), make_lot("9000", zone=make_zone()))
    planning.fix_plan(trial=trial, planned_by=trial.recorded_by)
    return trial


def test_a_run_of_a_trial_is_found_by_lot_zone_panner_and_day():
    panner, other = make_member(), make_member()
    trial = make_running()
    run = log(trial.planned_runs.first(), panner)
    zone = run.lot.origins.first().dig.zone
    assert (
        found(lot=trial.feed_lot.code.lower()) == found(lot=run.lot.code) == {run.pk}
        or run.lot != trial.feed_lot
    )
    assert found(lot=run.lot.code, zone=zone.pk, panner=panner.pk, which="trial") == {run.pk}
    assert found(since=run.panned_on.isoformat(), until=run.panned_on.isoformat()) == {run.pk}
    assert (
        found(which="test")
        == found(which="out")
        == found(which="below")
        == found(lot=make_lot().code)
        == set()
    )
    assert found(zone=make_zone().pk) == set()
    Run.objects.update(failed=True, fail_reason="spilled", gold_mg=None, below_scale=True, scale_step_mg=1)
    assert found(which="out") == found(which="below") == {run.pk}
    filters = RunFilter(RequestFactory().get("/", {"panner": other.pk}), Run.objects.for_list())
    assert list(filters.errors) == ["panner"]


@pytest.mark.parametrize("role", ["guest", "keeper"])
def test_no_filter_finds_a_run_of_an_open_bridge_by_what_is_its_key(client_as, bridge, role):
    run = log(bridge.planned_runs.first(), make_member())
    zone = run.lot.origins.first().dig.zone
    client = client_as(role)
    for query in ({"lot": run.lot.code}, {"zone": zone.pk}):
        for file in ({}, {"file": "csv"}):
            told = b"".join(client.get(reverse("run-list"), query | file)).decode()
            assert f"/pans/{run.pk}/" not in told
            assert not file or told.count("\n") == 1
    block = run.planned.block
    for planned in block.planned_runs.filter(run__isnull=True):
        log(planned, run.recorded_by)
    running.close_block(block=block, closed_by=run.recorded_by)
    assert run.pk in found(lot=run.lot.code) and run.pk in found(zone=zone.pk)


@pytest.mark.parametrize("sort", ["lot", "-lot"])
def test_the_place_of_a_hidden_lot_among_the_others_tells_nothing(client_as, bridge, sort):
    """Hidden ones come last, newest first, whichever lot they drew from."""
    panner = make_member()
    hidden = [log(planned, panner) for planned in bridge.planned_runs.order_by("pk")[:2]]
    assert len({run.lot_id for run in hidden}) == 2
    known = log(make_running().planned_runs.first(), panner)
    page = client_as("guest").get(reverse("run-list"), {"sort": sort}).content.decode()
    listed = [int(pk) for pk in re.findall(r'href="/pans/(\d+)/"', page)]
    assert listed == [known.pk, *sorted((run.pk for run in hidden), reverse=True)]


def test_only_who_panned_can_be_chosen(client_as):
    panner = make_member(first_name="Panning", last_name="Member")
    make_member(first_name="Silent", last_name="Member")
    log(make_running().planned_runs.first(), panner)
    page = client_as("guest").get(reverse("run-list")).content.decode()
    assert f'<option value="{panner.pk}">' in page and "Silent" not in page
