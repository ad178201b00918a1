"""A full disk: who writes is told so in words, nothing is stored by halves. tests/load/test_disk_full.py fills a real one."""

import errno
import os
import uuid

import pytest
from django.db import connection
from django.urls import reverse

from prospecting.models import Claim, JournalEntry
from prospecting.views.disk_full import is_disk_full

ON_SQLITE = pytest.mark.skipif("DATABASE_URL" in os.environ, reason="speaks of SQLite")


def ask_sqlite(pragma: str) -> int:
    with connection.cursor() as cursor:
        cursor.execute(f"PRAGMA {pragma}")
        return cursor.fetchone()[0]


@pytest.fixture
def no_room():
    """The database may not grow by a page: SQLite answers as on a full disk."""
    # What other tests took out left room within the file.
    with connection.cursor() as cursor:
        cursor.execute("VACUUM")
    ask_sqlite(f"max_page_count = {ask_sqlite('page_count')}")
    yield
    ask_sqlite("max_page_count = 1073741823")


def add_claim(client, **headers):
    form = {
        "name": f"Claim {uuid.uuid4()}",
        "kind": "lode",
        "permission": "ours " * 40,
        "identity": uuid.uuid4(),
    }
    return client.post(reverse("claim-add"), form, headers=headers)


def add_until_full(client, **headers):
    """Pages that are not full yet take some more first."""
    client.raise_request_exception = False
    for _ in range(300):
        before = Claim.objects.count(), JournalEntry.objects.count()
        answer = add_claim(client, **headers)
        if answer.status_code != 302 and answer.status_code != 201:
            return answer, before == (Claim.objects.count(), JournalEntry.objects.count())
    raise AssertionError("the disk never got full")


@ON_SQLITE
@pytest.mark.django_db(transaction=True)
def test_a_full_disk_is_told_in_words_and_stores_nothing_by_halves(client_as, no_room):
    keeper = client_as("keeper")
    answer, nothing_stored = add_until_full(keeper)
    assert answer.status_code == 507
    assert "disk is full" in answer.content.decode()
    assert nothing_stored
    assert keeper.get(reverse("zone-list")).status_code == 200
    phone = {"X-Phone-Entry": "now", "X-Member": str(keeper.member.pk)}
    told = add_claim(keeper, **phone)
    assert told.status_code == 507
    # The phone keeps what was answered so, and sends it again.
    assert told.json()["state"] == "error"
    ask_sqlite("max_page_count = 1073741823")
    assert add_claim(keeper).status_code == 302


def test_other_faults_are_not_taken_for_a_full_disk():
    assert not is_disk_full(None)
    assert not is_disk_full(OSError(errno.EACCES, "no"))
    assert is_disk_full(OSError(errno.ENOSPC, "full"))
    try:
        try:
            raise OSError(errno.ENOSPC, "full")
        except OSError as cause:
            raise ValueError("no picture") from cause
    except ValueError as error:
        assert is_disk_full(error)
