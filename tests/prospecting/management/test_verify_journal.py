"""The journal's chain checked by command, against every way of spoiling it past the database's own guard."""

# Every name in these queries is that of a table or column of our own.
# ruff: noqa: S608

import importlib
import io
import random
import uuid
from types import SimpleNamespace

import pytest
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import connection
from django.urls import reverse

from prospecting.actions.journal import seal_unsealed, write_event, write_journal
from prospecting.calc.journal_chain import BEFORE_FIRST, SEALED_FIELDS, Entry, hash_after
from prospecting.frames import journal_chain
from prospecting.frames.journal_chain import check_file, failed_check, faults_of_journal, last_check
from prospecting.models import JournalEntry, JournalSeal
from tests import make

pytestmark = pytest.mark.django_db
GUARD = importlib.import_module("prospecting.migrations.0013_journal_only_added_to")
ENTRIES, SEALS = JournalEntry._meta.db_table, JournalSeal._meta.db_table


@pytest.fixture(autouse=True)
def data_dir(settings, tmp_path):
    settings.DATA_DIR = tmp_path


@pytest.fixture
def lines() -> list[JournalEntry]:
    """Six sealed lines, written by two members, and no guard: whoever spoils the journal has taken it away."""
    members, claim = [make.make_member(), make.make_member()], make.make_claim()
    for number in range(6):
        write_journal(
            member=members[number % 2],
            about=claim,
            what=f"line {number}",
            why="as it was",
            changes={"name": [f"a{number}", f"b{number}"]},
        )
    seal_unsealed()
    if connection.vendor == "postgresql":
        by_sql("SET CONSTRAINTS ALL IMMEDIATE")
    lift_guard()
    return list(JournalEntry.objects.order_by("pk"))


def lift_guard() -> None:
    """Inside the test's own transaction, so that it is back when the test is over."""
    with connection.cursor() as cursor:
        GUARD.lift(None, SimpleNamespace(connection=connection, execute=cursor.execute))


def by_sql(sql: str, *values) -> None:
    with connection.cursor() as cursor:
        cursor.execute(sql, values)


def verify(**options) -> tuple[int, str]:
    said, off = io.StringIO(), io.StringIO()
    try:
        call_command("verify_journal", stdout=said, stderr=off, **options)
    except SystemExit as end:
        return end.code, said.getvalue() + off.getvalue()
    return 0, said.getvalue() + off.getvalue()


def number_of(line: JournalEntry) -> int:
    return JournalSeal.objects.get(entry=line).number


def test_an_untouched_journal_holds_and_its_head_is_told(lines):
    code, said = verify()
    head = JournalSeal.objects.get(number=6).sha256
    assert code == 0
    assert "All 6 links of the journal's chain hold." in said
    assert f"--count 6 --head {head}" in said
    assert (last_check().count, last_check().sha256) == (6, head)
    write_event(member=None, kind="keeping", label="x", what="later")
    assert verify(count=6, head=head.upper())[0] == 0
    assert list(faults_of_journal()) == []


def test_an_empty_journal_holds():
    assert verify() == (
        0,
        f"All 0 links of the journal's chain hold.\nIts head, to write down elsewhere:\n  --count 0 --head {BEFORE_FIRST}\n",
    )
    assert verify()[0] == 0


OTHER_VALUES = {
    "at": "2020-01-01 00:00:00+00:00",
    "changes": '{"name": ["a2", "b9"]}',
    "subject_id": 9,
}


@pytest.mark.parametrize(
    "column", sorted({field.column for field in JournalEntry._meta.local_fields} - {"id"})
)
def test_one_change_of_any_column_is_found(lines, column):
    line = lines[2]
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {column} FROM {ENTRIES} WHERE id = %s", [line.pk])
        (as_it_was,) = cursor.fetchone()
    others = OTHER_VALUES | {"member_id": lines[1].member_id}
    value = others.get(column) or f"{getattr(line, column)}x"
    by_sql(f"UPDATE {ENTRIES} SET {column} = %s WHERE id = %s", value, line.pk)
    code, said = verify()
    assert code == 1
    assert f"Entry {line.pk} does not fit its seal (link 3)" in said
    assert "2 links before it hold" in said
    assert [str(fault) for fault in faults_of_journal()] == [f"Journal: {said.splitlines()[0]}"]
    # Kept, though no check was good before.
    assert failed_check().sentence == said.splitlines()[0]
    assert last_check() is None
    by_sql(f"UPDATE {ENTRIES} SET {column} = %s WHERE id = %s", as_it_was, line.pk)
    assert verify()[0] == 0 and failed_check() is None


def test_one_digit_of_a_seal_changed_is_found(lines):
    seal = JournalSeal.objects.get(number=4)
    other = ("0" if seal.sha256[0] != "0" else "1") + seal.sha256[1:]
    by_sql(f"UPDATE {SEALS} SET sha256 = %s WHERE number = 4", other)
    assert f"Entry {lines[3].pk} does not fit its seal (link 4)" in verify()[1]


def test_a_line_taken_out_with_its_seal_is_missed(lines):
    by_sql(f"DELETE FROM {SEALS} WHERE number = 3")
    by_sql(f"DELETE FROM {ENTRIES} WHERE id = %s", lines[2].pk)
    code, said = verify()
    assert code == 1
    assert f"Link 3 is missing after entry {lines[1].pk}, before entry {lines[3].pk}" in said


def test_lines_taken_off_the_end_are_missed_by_the_last_check_and_by_a_head_written_down(lines):
    head = JournalSeal.objects.get(number=6).sha256
    by_sql(f"DELETE FROM {SEALS} WHERE number > 4")
    by_sql(f"DELETE FROM {ENTRIES} WHERE id >= %s", lines[4].pk)
    code, said = verify(count=6, head=head)
    assert (code, "ends at link 4, but 6 links were written down" in said) == (1, True)
    # Nothing but a head kept elsewhere can tell.
    assert verify()[0] == 0
    check_file().write_text(check_file().read_text().replace('"count": 4', '"count": 6'))
    code, said = verify()
    assert code == 1 and "The last good check was on" in said and str(check_file()) in said
    assert "ends at link 4" in next(faults_of_journal()).what


def test_two_lines_that_changed_places_are_out_of_order(lines):
    one, other = lines[1].pk, lines[4].pk
    by_sql(f"UPDATE {SEALS} SET number = 100 WHERE number = 2")
    by_sql(f"UPDATE {SEALS} SET number = 2 WHERE number = 5")
    by_sql(f"UPDATE {SEALS} SET number = 5 WHERE number = 100")
    assert verify() == (
        1,
        f"Entry {other} is out of order: at link 2 stood entry {one}.\n1 links before it hold.\n",
    )


def test_a_forged_line_put_between_is_found(lines):
    forged = JournalEntry.objects.create(subject_kind="x", subject_id=0, subject_label="x", what="forged")
    row = JournalEntry.objects.values(*SEALED_FIELDS).get(pk=forged.pk)
    before = JournalSeal.objects.get(number=2).sha256
    for number in range(6, 2, -1):
        by_sql(f"UPDATE {SEALS} SET number = %s WHERE number = %s", number + 1, number)
    JournalSeal.objects.create(number=3, entry=forged, sha256=hash_after(before, Entry(**row)))
    code, said = verify()
    assert code == 1
    assert f"Entry {lines[2].pk} does not fit its seal (link 4)" in said


def test_a_line_written_past_the_site_is_told_once_and_stays_told(lines):
    forged = JournalEntry(subject_kind="x", subject_id=0, subject_label="x", what="forged")
    forged.save()
    by_sql(f"UPDATE {ENTRIES} SET at = '2026-01-01 00:00:00+00:00' WHERE id = %s", forged.pk)
    assert f"entry {forged.pk} has no seal" in next(faults_of_journal()).what
    code, said = verify()
    assert code == 1
    assert f"Entry {forged.pk} had no seal" in said
    assert "All 8 links" in said or connection.vendor == "postgresql"
    assert f"found without a seal: {forged.pk}" in JournalEntry.objects.get(subject_kind="keeping").what
    assert verify()[0] == 0


def test_a_chain_made_anew_is_found_by_a_head_written_down(lines):
    head = JournalSeal.objects.get(number=6).sha256
    by_sql(f"UPDATE {ENTRIES} SET what = 'another' WHERE id = %s", lines[2].pk)
    by_sql(f"DELETE FROM {SEALS}")
    GUARD.seal(apps, None)
    code, said = verify(count=6, head=head)
    assert code == 1
    assert "Link 6 has another hash than was written down" in said
    assert verify()[0] == 0


def test_the_chain_is_read_by_parts(lines, monkeypatch):
    for size in (1, 2, 3, 6, 7):
        monkeypatch.setattr(journal_chain, "AT_ONCE", size)
        assert verify()[0] == 0


@pytest.mark.parametrize(
    "options",
    [
        {"head": "a" * 64},
        {"count": 3},
        {"head": "abc", "count": 3},
        {"head": "g" * 64, "count": 3},
        {"head": "a" * 64, "count": 0},
    ],
)
def test_a_head_that_can_not_be_is_refused_in_words(options):
    with pytest.raises(CommandError, match="--head"):
        verify(**options)


def edit(client, claim, chance: random.Random) -> dict[str, list[str]]:
    """One edit of a claim through its page; what it changed, as the journal should say it."""
    before = {"name": claim.name, "serial_number": claim.serial_number}
    after = {"name": f"Claim {chance.randrange(10**6)}", "serial_number": chance.choice(["", "XX 1", "XX 2"])}
    sent = {"identity": str(uuid.uuid4()), "kind": claim.kind} | after
    assert client.post(reverse("claim-edit", args=[claim.pk]), sent).status_code == 302
    claim.refresh_from_db()
    return {name: [before[name], after[name]] for name in before if before[name] != after[name]}


@pytest.mark.parametrize("edits", [20, pytest.param(200, marks=pytest.mark.long)])
def test_each_of_many_edits_stands_in_the_journal_with_who_when_old_and_new(client_as, edits):
    chance = random.Random(7)
    keepers = [client_as("keeper") for _ in range(3)]
    claims = [make.make_claim() for _ in range(4)]
    expected = []
    for _ in range(edits):
        client, claim = chance.choice(keepers), chance.choice(claims)
        expected.append((client.member.pk, claim.pk, edit(client, claim, chance)))
    told = JournalEntry.objects.filter(what="claim changed").order_by("pk")
    assert list(told.values_list("member", "subject_id", "changes")) == expected
    times = list(told.values_list("at", flat=True))
    assert times == sorted(times)
    assert verify()[0] == 0
