"""How long a zone's page takes with many results. From the project's top folder, in its environment:

    python -m tests.benchmarks.zone

Makes a database of its own (SQLite; PostgreSQL where DATABASE_URL names one), puts 50,000 pans and assays of one zone into it,
and measures the zone's page against the bare time its own queries take, fetched row by row into Python. The page reckons once
for each state of the records and reads that back at every other opening: both are held to the bare queries. Times are the best
of several goes: of the processor on SQLite, of the clock on PostgreSQL.
Prints one table and ends with 1 when a limit is missed. `--results 5000` gives a quick look.
"""

import argparse
import datetime
import random
import sys
import time
from collections.abc import Callable
from decimal import Decimal

from tests.benchmarks.lineage import Line, own_database, printed

RESULTS, DIGS, ASSAYS_IN = 50_000, 500, 10
TIMES_BARE, PLUS_SECONDS = 1.5, 0.3
GOES = 5


def fill(results: int):
    """One zone with so many digs, a bucket each, cut into portions; each portion panned, every tenth assayed."""
    from prospecting.models import (
        AssayReturn,
        Claim,
        Dig,
        Dispatch,
        Laboratory,
        Lot,
        Member,
        Origin,
        Reading,
        Sample,
        Step,
        Zone,
    )
    from trials.models import Run

    dice = random.Random(7)
    member = Member.objects.create(username="runner", role="member", mass_unit="kg")
    zone = Zone.objects.create(claim=Claim.objects.create(name="Invented claim"), name="Invented zone")
    laboratory = Laboratory.objects.create(name="Invented laboratory")
    first = datetime.date(2024, 4, 1)
    rows: dict[type, list] = {}

    def add(row) -> None:
        rows.setdefault(type(row), []).append(row)

    dispatch = Dispatch(pk=1, laboratory=laboratory, sent_on=first, method="fire_30", recorded_by=member)
    returned = AssayReturn(
        pk=1,
        dispatch=dispatch,
        certificate_number="C",
        reported_on=first,
        checks_state="failed",
        recorded_by=member,
    )
    add(dispatch)
    add(returned)
    digs = min(DIGS, max(2, results // 20))
    steps = 0
    for dig in range(1, digs + 1):
        day = first + datetime.timedelta(days=dig)
        steps += 1
        add(Step(pk=steps, kind="dig", done_on=day, loss_g=0, recorded_by=member))
        add(
            Dig(
                pk=dig,
                zone=zone,
                step_id=steps,
                station=f"S{dig % 40}",
                dug_on=day,
                sample_kind="channel",
                depth_m=Decimal(dig % 7),
                recorded_by=member,
            )
        )
    for number in range(1, results + 1):
        dig = number % digs + 1
        grade = round(dice.lognormvariate(1.2, 1.0), 4)
        is_assay = number % ASSAYS_IN == 0
        add(
            Lot(
                pk=number,
                code=f"L{number}A",
                kind="assay_split" if is_assay else "portion",
                made_by_id=dig,
                mass_g=454,
                on_hand_g=0,
                is_dry=True,
            )
        )
        add(Origin(lot_id=number, dig_id=dig, share=1))
        if is_assay:
            add(
                Sample(
                    pk=number,
                    dispatch=dispatch,
                    lot_id=number,
                    tag=f"T{number}",
                    reading_in_use_id=number,
                    in_use_symbol="value",
                    in_use_g_per_t=Decimal(str(grade)),
                )
            )
            add(
                Reading(
                    pk=number,
                    assay_return=returned,
                    sample_id=number,
                    order=1,
                    unit="g/t",
                    symbol="value",
                    grade_g_per_t=Decimal(str(grade)),
                )
            )
            continue
        steps += 1
        below = grade < 1
        add(
            Step(
                pk=steps,
                kind="recover",
                done_on=first + datetime.timedelta(days=dig),
                loss_g=0,
                recorded_by=member,
            )
        )
        add(
            Run(
                lot_id=number,
                step_id=steps,
                portion_mass_g=454,
                panned_on=first,
                panner=member,
                gold_mg=None if below else Decimal(str(round(grade * 0.454, 4))),
                below_scale=below,
                scale_step_mg=Decimal("0.5"),
                recorded_by=member,
            )
        )
    _write(rows)
    return member, zone


def _write(rows: dict[type, list]) -> None:
    from django.db import connection, transaction

    with transaction.atomic():
        for model in [*rows]:
            model._base_manager.bulk_create(rows.pop(model), batch_size=2_000)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def quickest(
    work: Callable[[], object], before: Callable[[], object] = lambda: None, goes: int = GOES
) -> float:
    from django.db import connection

    # SQLite works within this process, so that a busy machine does little harm; PostgreSQL does not.
    clock = time.process_time if connection.vendor == "sqlite" else time.perf_counter
    taken = []
    for _ in range(goes):
        before()
        start = clock()
        work()
        taken.append(clock() - start)
    return min(taken)


def lines(results: int) -> list[Line]:
    from django.core.cache import caches
    from django.db import connection
    from django.test import Client
    from django.test.utils import CaptureQueriesContext

    from trials.frames.zone_grade import grade_from
    from trials.frames.zone_rows import rows_of_zone

    member, zone = fill(results)
    client = Client()
    client.force_login(member)
    url = zone.get_absolute_url()

    def page() -> None:
        assert client.get(url).status_code == 200

    page()
    with CaptureQueriesContext(connection) as queries:
        page()
    # Counted at once: the next request clears the list.
    counted = len(queries)
    asked = [
        query["sql"]
        for query in queries.captured_queries
        if query["sql"].startswith(("SELECT", "\n    WITH"))
    ]

    def bare() -> None:
        with connection.cursor() as cursor:
            for sql in asked:
                cursor.execute(sql.replace("%", "%%"), [])
                cursor.fetchall()

    alone = quickest(bare)
    again = quickest(page)
    anew = quickest(page, caches["results"].clear)
    rows = rows_of_zone(zone)
    reckoned = quickest(lambda: grade_from(rows, zone.name, grade_unit="g_per_t", mass_unit="kg"))
    limit = TIMES_BARE * alone + PLUS_SECONDS
    told = f"at most {TIMES_BARE} x bare + {PLUS_SECONDS} s = {limit * 1000:.0f} ms"
    return [
        Line(f"bare SQL of that page, {results:,} results", alone, len(asked)),
        Line("the zone's page, read back", again, counted, told, again <= limit),
        Line(
            "the same after a record changed: all reckoned anew",
            anew,
            counted,
            told,
            anew <= limit,
        ),
        Line("of that: reckoning and the picture, without SQL and HTML", reckoned, 0),
        Line("of that: the rows and their hash", quickest(lambda: rows_of_zone(zone).sha256), 6),
    ]


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.zone")
    parser.add_argument("--results", type=int, default=RESULTS)
    asked = parser.parse_args()
    with own_database():
        found = lines(asked.results)
    print(printed(found))
    missed = [line.what for line in found if line.met is False]
    print(f"\n{len(missed)} of {sum(line.met is not None for line in found)} limits missed.")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
