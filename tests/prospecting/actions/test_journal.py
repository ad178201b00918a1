import datetime
import importlib
import threading
from unittest import mock

import pytest
from django.apps import apps
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from prospecting.actions import journal
from prospecting.actions.journal import note_refusal, seal_unsealed, write_event, write_journal
from prospecting.frames.journal_chain import walked
from prospecting.models import JournalEntry, JournalSeal
from tests import make

pytestmark = pytest.mark.django_db


def event(what: str = "x") -> JournalEntry:
    return write_event(member=None, kind="keeping", label="x", what=what)


def unsealed(what: str = "past the site") -> JournalEntry:
    return JournalEntry.objects.create(subject_kind="x", subject_id=0, subject_label="x", what=what)


def chain() -> list[tuple[int, int]]:
    return list(JournalSeal.objects.order_by("number").values_list("number", "entry_id"))


def test_each_line_gets_the_next_link_of_the_chain(django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        entries = [write_journal(member=None, about=make.make_claim(), what="added"), event("µ — 金")]
    assert chain() == [(1, entries[0].pk), (2, entries[1].pk)]
    found = walked()
    assert (found.count, found.broken) == (2, None)


def test_what_is_taken_back_leaves_no_link(django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        with pytest.raises(ZeroDivisionError), transaction.atomic():
            event("taken back")
            raise ZeroDivisionError
        kept = event("kept")
        with pytest.raises(ZeroDivisionError), transaction.atomic():
            event("taken back")
            raise ZeroDivisionError
        also = event("kept too")
    assert chain() == [(1, kept.pk), (2, also.pk)]


def test_lines_without_a_seal_are_sealed_and_that_is_told():
    # Not just being written: by when the transaction began, which no clock of the site's moves.
    with mock.patch("django.utils.timezone.now", return_value=timezone.now() - datetime.timedelta(minutes=2)):
        lost = unsealed()
    assert seal_unsealed() == [lost.pk]
    seal_unsealed()
    told = JournalEntry.objects.get(subject_kind="keeping")
    assert told.what == f"sealed 1 found without a seal: {lost.pk}"
    assert chain() == [(1, lost.pk), (2, told.pk)]
    assert seal_unsealed() == []


def test_a_line_just_written_is_not_late_however_long_the_transaction_takes():
    """A check of a busy site reads the journal as of its beginning, minutes ago by the clock."""
    if connection.vendor != "postgresql":
        pytest.skip("on SQLite a line comes with its seal")
    unsealed()
    later = timezone.now() + datetime.timedelta(minutes=2)
    with mock.patch("django.utils.timezone.now", return_value=later):
        assert not JournalEntry.objects.left_unsealed().exists()


def test_many_are_sealed_in_the_order_of_their_ids(monkeypatch):
    monkeypatch.setattr(journal, "AT_ONCE", 3)
    pks = [unsealed().pk for _ in range(7)]
    seal_unsealed()
    assert [pk for _, pk in chain()][:7] == pks
    assert walked().broken is None


def test_going_forth_with_the_migration_seals_what_is_there(monkeypatch):
    migration = importlib.import_module("prospecting.migrations.0013_journal_only_added_to")
    monkeypatch.setattr(migration, "AT_ONCE", 2)
    entries = [unsealed(f"old {number}") for number in range(5)]
    for _ in range(2):
        migration.seal(apps, None)
        assert chain() == [(number, entry.pk) for number, entry in enumerate(entries, start=1)]
    assert walked().broken is None


class TestARefusal:
    def refuse(self, member, path: str = "/members/") -> None:
        note_refusal(member=member, path=path, sentence="This page is for keepers.")

    def test_is_kept_once_an_hour_for_each_member_and_address(self):
        one, two = make.make_member(), make.make_member()
        for member, path in [(one, "/members/"), (one, "/members/"), (two, "/members/"), (one, "/other/")]:
            self.refuse(member, path)
        told = JournalEntry.objects.filter(subject_kind="refusal").order_by("pk")
        assert [(line.member, line.subject_label) for line in told] == [
            (one, "page /members/"),
            (two, "page /members/"),
            (one, "page /other/"),
        ]
        assert told[0].why == "This page is for keepers."
        later = timezone.now() + datetime.timedelta(minutes=61)
        with mock.patch("django.utils.timezone.now", return_value=later):
            self.refuse(one)
        assert told.all().count() == 4

    def test_is_cut_where_the_address_is_long(self):
        member = make.make_member()
        for _ in range(2):
            self.refuse(member, "/" + "x" * 500)
        assert len(JournalEntry.objects.get(subject_kind="refusal").subject_label) == 120

    def test_stays_a_refusal_when_the_journal_can_not_be_written(self, monkeypatch):
        def fail(**_):
            raise DatabaseError("no room left")

        monkeypatch.setattr(journal, "write_event", fail)
        self.refuse(make.make_member())


@pytest.mark.django_db(transaction=True)
def test_writers_at_the_same_time_make_one_chain():
    """Each writes and commits on a connection of its own; every line gets one link, and the links hold."""
    start, failed = threading.Barrier(6), []

    def write(number: int) -> None:
        try:
            start.wait()
            for turn in range(5):
                with transaction.atomic():
                    for _ in range(2):
                        event(f"{number}, {turn}")
        except Exception as error:
            failed.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=write, args=[number]) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failed
    found = walked()
    assert (found.count, found.broken) == (60, None)
    assert not JournalEntry.objects.unsealed().exists()


@pytest.mark.django_db(transaction=True)
def test_what_was_recorded_stays_so_when_it_can_not_be_sealed(monkeypatch):
    if connection.vendor == "sqlite":
        pytest.skip("sealed in the same transaction")

    def fail(*_):
        raise DatabaseError("no connection")

    with monkeypatch.context() as broken:
        broken.setattr(journal, "_link", fail)
        with transaction.atomic():
            first = event()
    with transaction.atomic():
        second = event()
    # A later line does not hide that one was left; sealing what is left does, at its own place in the chain.
    assert chain() == [(1, second.pk)]
    seal_unsealed()
    assert chain() == [(1, second.pk), (2, first.pk)]
    assert walked().broken is None
