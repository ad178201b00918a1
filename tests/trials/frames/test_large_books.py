"""Questions asked for one lot or one trial go by an index, however many runs, lots and journal lines there are besides.

SQLite says how it would go about a query even with empty tables. PostgreSQL chooses anew by how many rows it holds: there
`tests.load.size` measures it.
"""

import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from tests import make
from trials.frames import stock
from trials.frames.next_trials import trials_to_read
from trials.models import Run

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.skipif(connection.vendor != "sqlite", reason="PostgreSQL plans by what it holds"),
]
LARGE = {
    "prospecting_draw",
    "prospecting_journalentry",
    "prospecting_lot",
    "prospecting_step",
    "trials_plannedrun",
    "trials_run",
}


def plans_of(call) -> list[tuple[str, str]]:
    """Each line of how SQLite goes about the queries of this call, and the table it is about ("" for none of the large)."""
    with CaptureQueriesContext(connection) as queries:
        call()
    found = []
    with connection.cursor() as cursor:
        for query in queries.captured_queries:
            aliases = re.findall(r'"(\w+)" ([TUVW]\d+)\b', query["sql"])
            names = {alias: table for table, alias in aliases}
            cursor.execute(f"EXPLAIN QUERY PLAN {query['sql']}")
            for *_, line in cursor.fetchall():
                name = line.split()[1]
                table = names.get(name, name)
                found.append((table if table in LARGE else "", line))
    assert found
    return found


def gone_through(call) -> set[str]:
    """The large tables that are read from end to end."""
    return {table for table, line in plans_of(call) if line.startswith("SCAN ")} - {""}


def test_the_check_itself_sees_a_whole_table():
    assert gone_through(lambda: list(Run.objects.filter(failed=False))) == {"trials_run"}
    assert gone_through(
        lambda: list(Run.objects.exclude(pk__in=Run.objects.filter(failed=True)).filter(lot=1))
    ) == {"trials_run"}


def test_hidden_bridging_runs_are_found_from_their_trials():
    assert gone_through(lambda: list(Run.objects.blind_bridges())) == set()
    hidden = Run.objects.blind_bridges().values("pk")
    assert gone_through(lambda: list(Run.objects.filter(lot=1).exclude(pk__in=hidden))) == set()


def test_the_runs_of_a_feed_are_found_from_its_lot():
    lot = make.make_lot()
    assert gone_through(lambda: Run.objects.standing().untreated().of_feed(lot).weighings()) == set()


def test_the_stock_of_a_lot_asks_for_its_own_portions():
    lot = make.make_lot()
    assert gone_through(lambda: stock.stocks_of([lot])) == set()
    assert not [line for _, line in plans_of(lambda: stock.stocks_of([lot])) if "lot_by_kind" in line]


def test_the_lots_of_trials_are_found_from_the_trials():
    assert gone_through(stock.test_lots) == set()


def test_the_last_line_about_the_runs_of_a_trial_is_looked_up():
    about = [line for table, line in plans_of(trials_to_read) if "(subject_kind=?" in line]
    assert about
    assert all("(subject_kind=? AND subject_id=?)" in line for line in about)
