"""The whole books leave as a file: who takes them has seen the keys in them, and that is on record first."""

import pytest
from django.core.exceptions import PermissionDenied

from prospecting.models import JournalEntry
from tests import make
from tests.trials.make_trial import log, make_draft, make_running
from trials.actions import running
from trials.actions.books_out import say_books_leave, trials_with_open_keys
from trials.models import KeyOpening, Trial

pytestmark = pytest.mark.django_db


def close_all(trial: Trial) -> None:
    member = make.make_member()
    for planned in trial.planned_runs.select_related("treatment", "block"):
        log(planned, member)
    for block in trial.blocks.all():
        running.close_block(block=block, closed_by=member)


def test_whoever_takes_them_has_looked_at_every_key_that_was_hidden():
    keeper, running_one, closed = make.make_member("keeper"), make_running(), make_running(blocks=2)
    make_draft()
    hidden = trials_with_open_keys()
    # Closed between the first line of the file and the last: it was hidden when the file was begun.
    close_all(closed)
    say_books_leave(kind="ZIP", hidden_before=hidden, member=keeper)
    assert list(KeyOpening.objects.order_by("trial").values_list("trial", "member")) == [
        (running_one.pk, keeper.pk),
        (closed.pk, keeper.pk),
    ]
    left = JournalEntry.objects.get(subject_kind="export")
    assert (left.member, left.what) == (keeper, "left the site as a ZIP")


def test_at_the_site_s_own_computer_nobody_looked_but_the_keys_left():
    trial = make_running()
    say_books_leave(kind="spreadsheet", hidden_before=[])
    assert not KeyOpening.objects.exists()
    told = JournalEntry.objects.filter(subject_kind="peek")
    assert [(each.member, each.subject_label) for each in told] == [(None, str(trial))]


@pytest.mark.parametrize("role", ["member", "guest"])
def test_it_is_for_keepers(role):
    make_running()
    before = JournalEntry.objects.count()
    with pytest.raises(PermissionDenied):
        say_books_leave(kind="ZIP", hidden_before=[], member=make.make_member(role))
    assert JournalEntry.objects.count() == before
