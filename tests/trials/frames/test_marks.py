import datetime

import pytest
from django.urls import reverse

from prospecting.actions.contamination import mark_lot
from prospecting.models import Contamination, Lot
from tests.make import DAY, make_lot, make_member, make_portions
from tests.trials.make_trial import log, make_closed, make_draft, make_running
from trials.actions.planning import close_trial
from trials.frames.marks import marks_of
from trials.frames.verdicts import verdict_of
from trials.models import Trial

pytestmark = pytest.mark.django_db

LATER = DAY + datetime.timedelta(days=1)


def mark(lot: Lot, since=None):
    return mark_lot(lot=lot, kind="unclean", what="mortar not washed", since=since, recorded_by=make_member())


def now(trial: Trial) -> list[Contamination]:
    """As the page of the trial reads it."""
    return marks_of(Trial.objects.get(pk=trial.pk))


def test_a_draft_asks_the_lot_it_will_draw_from():
    lot = make_lot("40000")
    cut = make_draft(lot=lot, portions_from=Trial.PortionsFrom.CUT)
    measured = make_draft(lot=lot)
    make_portions(lot, 6, "454")
    assert (now(cut), now(measured)) == ([], [])
    done = mark(lot, since=LATER)
    # The portions were cut before; measured ones are still to come.
    assert (now(cut), now(measured)) == ([], [done])
    earlier = mark(lot)
    assert (now(cut), now(measured)) == ([earlier], [done, earlier])


def test_a_run_is_reached_by_the_day_it_drew(django_assert_max_num_queries):
    lot, member = make_lot("40000"), make_member()
    trial = make_running(lot=lot)
    *most, last = trial.planned_runs.all()
    for planned in most:
        log(planned, member)
    done = mark(lot, since=LATER)
    # One portion is still to come.
    assert now(trial) == [done]
    log(last, member)
    close_trial(trial=trial, closed_by=trial.recorded_by, reason="water frozen")
    # Every run drew before the mark's day.
    assert now(trial) == []
    earlier = mark(lot, since=DAY)
    with django_assert_max_num_queries(4):
        assert now(trial) == [earlier]


def test_one_marked_portion_marks_the_trial():
    lot = make_lot("40000")
    make_portions(lot, 6, "454")
    trial = make_running(lot=lot, portions_from=Trial.PortionsFrom.CUT)
    assert now(trial) == []
    done = mark(trial.planned_runs.last().portion)
    assert now(trial) == [done]


def test_pages_of_a_trial_say_so(client_as):
    lot, member = make_lot("40000"), client_as("member")
    draft, trial = make_draft(lot=lot), make_running(lot=lot)
    run = log(trial.planned_runs.first(), make_member())
    urls = [
        draft.get_absolute_url(),
        trial.get_absolute_url(),
        run.get_absolute_url(),
        reverse("run-sheet", args=[trial.pk]),
    ]
    for url in urls:
        assert "Contamination marked" not in member.get(url).content.decode()
    mark(lot)
    for url in urls:
        words = member.get(url).content.decode()
        assert "mortar not washed" in words
        assert f'href="{lot.get_absolute_url()}"' in words


def test_the_verdict_warns_of_it():
    trial = make_closed(lambda planned: "8.0")
    reader = make_member()
    assert not any("Contamination" in sentence for sentence in verdict_of(trial, reader).warnings)
    mark(Lot.objects.get(pk=trial.feed_lot_id))
    (warning,) = [
        sentence
        for sentence in verdict_of(Trial.objects.get(pk=trial.pk), reader).warnings
        if "Contamination" in sentence
    ]
    assert f"{trial.feed_lot.code} (crusher, mortar or pan was not clean: mortar not washed)" in warning
