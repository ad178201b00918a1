from datetime import timedelta
from decimal import Decimal

import pytest
from django.utils import timezone

from prospecting.actions.contamination import mark_lot
from tests.make import make_lot, make_member
from tests.trials.make_judging import close, in_order, judge, make_rows
from tests.trials.make_trial import make_closed
from trials.actions import clearing
from trials.frames.evidence import (
    hash_of_clearing,
    hash_of_trial,
    hashes_of_clearings,
    hashes_of_trials,
    versions,
)
from trials.models import ClearingTest, ColourCount, SettledMud, TailsPan, Trial

pytestmark = pytest.mark.django_db


def anew(trial: Trial) -> str:
    return hash_of_trial(Trial.objects.get(pk=trial.pk))


@pytest.fixture
def trial() -> Trial:
    return make_closed(lambda planned: f"{5 + planned.run_order}.0")


def test_stands_while_nothing_changes_and_costs_few_queries(trial, django_assert_max_num_queries):
    stood = anew(trial)
    # The trial is read anew, and hashed in seven.
    with django_assert_max_num_queries(8):
        assert anew(trial) == stood
    assert len(stood) == 64


def test_hashes_many_trials_in_the_queries_of_one(django_assert_max_num_queries):
    """Each as by itself: weighed ones on two lots, one judged by places, and one whose lot alone carries a mark."""
    lot = make_lot("40000", is_dry=True)
    trials = [make_closed(lambda planned: f"{5 + planned.run_order}.0", lot=lot) for _ in range(3)]
    rows = make_rows(blocks=2)
    for block in rows.blocks.all():
        judge(block, in_order("rinse", "plain water"))
    marked = make_closed(lambda planned: "8.0")
    trials += [close(rows), marked]
    clean = hashes_of_trials(trials)
    mark_lot(lot=marked.feed_lot, kind="unclean", what="mortar not washed", recorded_by=make_member())
    with django_assert_max_num_queries(9):
        found = hashes_of_trials(trials)
    assert found == {trial.pk: anew(trial) for trial in trials}
    assert len(set(found.values())) == len(trials)
    assert {pk for pk in found if found[pk] != clean[pk]} == {marked.pk}


def test_hashes_nothing_for_nothing(django_assert_max_num_queries):
    with django_assert_max_num_queries(0):
        assert hashes_of_trials([]) == hashes_of_clearings([]) == {}


def test_hashes_clearing_tests_together_as_one_by_one(django_assert_max_num_queries):
    member = make_member()
    tests = [
        clearing.add_clearing_test(
            question="How little?",
            measure=ClearingTest.Measure.CLEAR_MM,
            target=Decimal(150),
            tubs=[clearing.TubOf(label) for label in ("1", "2")],
            recorded_by=member,
        )
        for _ in range(3)
    ]
    began = clearing.begin_tubs(
        tubs=list(tests[1].tubs.all()), began_at=timezone.now() - timedelta(hours=1), recorded_by=member
    )
    before = hashes_of_clearings(tests)
    clearing.read_tub(tub=began[0], minutes=Decimal(5), value=Decimal(40), recorded_by=member)
    with django_assert_max_num_queries(4):
        after = hashes_of_clearings(tests)
    assert {pk for pk in after if after[pk] != before[pk]} == {tests[1].pk}
    assert after == {test.pk: hash_of_clearing(test) for test in tests}


def changed_gold(trial, run):
    run.gold_mg = (run.gold_mg or Decimal(0)) + Decimal("0.1")
    run.save()


def counted_colours(trial, run):
    ColourCount.objects.create(run=run, size_class="fine", count=3)


def panned_tails(trial, run):
    TailsPan.objects.create(
        run=run, panned_on="2026-09-01", panner=run.panner, colours=2, recorded_by=run.panner
    )


def panned_mud(trial, run):
    SettledMud.objects.create(
        run=run, panned_on="2026-09-01", panner=run.panner, colours=2, recorded_by=run.panner
    )


def renamed_treatment(trial, run):
    trial.treatments.filter(is_control=False).update(name="another rinse")


def renamed_panner(trial, run):
    run.panner.first_name = "Someone else"
    run.panner.save()


def opened_key(trial, run):
    trial.key_openings.create(member=run.panner)


def marked_lot(trial, run):
    mark_lot(lot=trial.feed_lot, kind="unclean", what="mortar not washed", recorded_by=make_member())


@pytest.mark.parametrize(
    "change",
    [
        changed_gold,
        counted_colours,
        panned_tails,
        panned_mud,
        renamed_treatment,
        renamed_panner,
        opened_key,
        marked_lot,
    ],
)
def test_changes_with_every_record_that_is_read(trial, change):
    stood = anew(trial)
    change(trial, trial.planned_runs.last().run)
    assert anew(trial) != stood


def test_names_what_reckoned():
    assert set(versions()) == {"site", "python", "numpy", "scipy"}
