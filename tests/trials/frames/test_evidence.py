from decimal import Decimal

import pytest

from prospecting.actions.contamination import mark_lot
from tests.make import make_member
from tests.trials.make_trial import make_closed
from trials.frames.evidence import hash_of_trial, versions
from trials.models import ColourCount, SettledMud, TailsPan, Trial

pytestmark = pytest.mark.django_db


def anew(trial: Trial) -> str:
    return hash_of_trial(Trial.objects.get(pk=trial.pk))


@pytest.fixture
def trial() -> Trial:
    return make_closed(lambda planned: f"{5 + planned.run_order}.0")


def test_stands_while_nothing_changes_and_costs_few_queries(trial, django_assert_max_num_queries):
    stood = anew(trial)
    with django_assert_max_num_queries(14):
        assert anew(trial) == stood
    assert len(stood) == 64


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
