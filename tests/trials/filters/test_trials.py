import pytest
from django.test import RequestFactory
from django.utils import timezone

from prospecting.filters.base import ListFilter
from tests import make
from tests.trials.make_trial import make_additive, make_bridge, make_running
from trials.filters.clearing import ClearingFilter
from trials.filters.findings import FindingFilter
from trials.filters.trials import TrialFilter
from trials.models import ClearingTest, Finding, FindingEvidence, Trial

pytestmark = pytest.mark.django_db


def found(cls: type[ListFilter], rows, **query) -> set[int]:
    filters = cls(RequestFactory().get("/", query), rows)
    assert not filters.errors
    return set(filters.qs.values_list("pk", flat=True))


def test_trials_are_found_by_state_additive_and_either_lot_of_a_bridge():
    running = make_running()
    bridge = make_bridge(make.make_lot("9000"), make.make_lot("9000"))
    trials = Trial.objects.for_list()
    assert found(TrialFilter, trials, state="running") == {running.pk}
    assert found(TrialFilter, trials, question=bridge.question[:12].upper(), state="draft") == {bridge.pk}
    for lot in bridge.feeds:
        assert found(TrialFilter, trials, lot=lot.code) == {bridge.pk}
    additive = running.treatments.exclude(is_control=True).first().doses.first().additive
    assert found(TrialFilter, trials, additive=additive.pk) == {running.pk}
    assert found(TrialFilter, trials, additive=make_additive("Other").pk) == set()
    counted = TrialFilter(RequestFactory().get("/", {"additive": additive.pk}), trials).qs.get()
    assert counted.planned == running.planned_runs.count()


def test_findings_are_found_by_state_and_by_the_zone_they_rest_on():
    keeper = make.make_member("keeper")
    trial = make_running()
    common = {"about": "gear", "stand": "do", "concluded_on": make.DAY, "recorded_by": keeper}
    first = Finding.objects.create(sentence="one", concluded_by="us", **common)
    second = Finding.objects.create(sentence="two", concluded_by="us", **common)
    Finding.objects.filter(pk=first.pk).update(replaced_by=second)
    third = Finding.objects.create(sentence="three", concluded_by="us", **common)
    Finding.objects.filter(pk=third.pk).update(
        taken_back_at=timezone.now(), taken_back_by=keeper, taken_back_reason="x"
    )
    FindingEvidence.objects.create(finding=second, trial=trial, data_hash="x", figures=[], versions={})
    findings = Finding.objects.for_list()
    for state, finding in {"replaced": first, "stands": second, "taken_back": third}.items():
        assert found(FindingFilter, findings, state=state) == {finding.pk}
    zone = trial.feed_lot.origins.first().dig.zone
    assert found(FindingFilter, findings, zone=zone.pk, about="gear") == {second.pk}
    assert found(FindingFilter, findings, zone=make.make_zone().pk) == set()


def test_clearing_tests_are_found_by_whether_they_are_still_watched():
    member = make.make_member()
    watched = ClearingTest.objects.create(question="Watched?", measure="photo", recorded_by=member)
    ended = ClearingTest.objects.create(
        question="Ended?", measure="photo", ended_at=timezone.now(), recorded_by=member
    )
    tests = ClearingTest.objects.for_list()
    assert found(ClearingFilter, tests, state="running") == {watched.pk}
    assert found(ClearingFilter, tests, state="ended", measure="photo") == {ended.pk}
    assert found(ClearingFilter, tests, question="watched") == {watched.pk}
