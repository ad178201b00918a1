"""How long a lot's page and its lineage take with many lots in the books. From the project's top folder, in its environment:

    python -m tests.benchmarks.lineage

Makes a database of its own (SQLite; PostgreSQL where DATABASE_URL names one whose account may make databases), fills it with
2,000 lots, measures, fills it up to 200,000 and measures again. Prints one table and ends with 1 when a limit is missed. Times
are the best of several goes: of the processor on SQLite, of the clock on PostgreSQL. Pages with few and with many lots are
compared by how many times they take as long as the settings page, taken in turn with them, so that a busy hour changes little.
`--lots 20000` gives a quick look.

The books: families of eight buckets blended on for 60 generations, then cut, panned and assayed; in the large books also one of
200 strands whose last lot has over 10,000 ancestors. One dig, a dump, has a bucket in every family, so nearly every lot holds
some of it. Rows are written straight to the tables, and the shares only sum to 1: speed is what is looked at here.
"""

import argparse
import datetime
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import count

FEW, MANY = 2_000, 200_000
GENERATIONS = 60
STRANDS, STRANDS_OF_LARGE = 8, 200
PORTIONS, RUNS = 24, 9
MOST_TIMES_FEW = 1.5
MOST_TIMES_BARE = 2.0
MOST_SECONDS_A_QUESTION = 1.0
DAY = datetime.date(2026, 5, 3)


@dataclass(frozen=True)
class Line:
    """One line of the table; `met` is None where there is no limit."""

    what: str
    seconds: float
    queries: int
    limit: str = ""
    met: bool | None = None
    note: str = ""
    # Seconds of a page that does not depend on the books, taken in turn with this one: how fast the machine was meanwhile.
    yard: float = 1.0


@contextmanager
def own_database() -> Iterator[None]:
    """A database for this alone, gone afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ["PROSPECTING_DATA_DIR"] = folder
        os.environ["DJANGO_SETTINGS_MODULE"] = "prospecting.settings"
        import django
        from django.conf import settings

        if not os.environ.get("DATABASE_URL"):
            settings.DATABASES["default"]["TEST"] = {"NAME": os.path.join(folder, "many.sqlite3")}
        # The test client asks for pages as a browser on the site's own machine would.
        settings.ALLOWED_HOSTS = ["testserver"]
        settings.STORAGES = settings.STORAGES | {
            "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
        }
        django.setup()
        from django.db import connection

        kept = settings.DATABASES["default"]["NAME"]
        connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
        try:
            yield
        finally:
            connection.creation.destroy_test_db(kept, verbosity=0)


class Books:
    """Rows to be written, with the numbers of the next ones."""

    def __init__(self) -> None:
        from prospecting.models import Claim, Laboratory, Member, Zone

        self.member = Member.objects.create(username="runner", role="member", mass_unit="kg")
        claim = Claim.objects.create(name="Invented claim")
        self.zones = [Zone.objects.create(claim=claim, name=f"Zone {number}") for number in range(10)]
        self.laboratory = Laboratory.objects.create(name="Invented laboratory")
        self.lot_numbers, self.step_numbers, self.dig_numbers = count(1), count(1), count(1)
        self.sample_numbers = count(1)
        self.rows: dict[type, list] = {}
        self.lots_made = 0
        self.step_of: dict[int, int] = {}
        self.dump = self.dig()

    def add(self, row) -> None:
        self.rows.setdefault(type(row), []).append(row)

    def step(self, kind: str, *parents: int) -> int:
        from prospecting.models import Draw, JournalEntry, Step

        pk = next(self.step_numbers)
        self.add(Step(pk=pk, kind=kind, done_on=DAY, loss_g=1 if parents else 0, recorded_by=self.member))
        for parent in parents:
            self.add(Draw(step_id=pk, lot_id=parent, mass_g=400))
        self.add(
            JournalEntry(
                member=self.member, subject_kind="step", subject_id=pk, subject_label="Step", what="recorded"
            )
        )
        return pk

    def dig(self) -> int:
        from prospecting.models import Dig

        pk, step = next(self.dig_numbers), self.step("dig")
        self.step_of[pk] = step
        zone = self.zones[pk % len(self.zones)]
        self.add(
            Dig(
                pk=pk,
                zone=zone,
                step_id=step,
                station=f"S{pk}",
                dug_on=DAY,
                sample_kind="bulk",
                recorded_by=self.member,
            )
        )
        return pk

    def lot(self, kind: str, step: int, digs: tuple[int, ...], **fields) -> int:
        from prospecting.models import Lot, Origin

        pk = next(self.lot_numbers)
        self.lots_made += 1
        self.add(
            Lot(
                pk=pk,
                code=f"L{pk}A",
                kind=kind,
                made_by_id=step,
                mass_g=1000,
                on_hand_g=200,
                is_dry=True,
                **fields,
            )
        )
        for dig in digs:
            self.add(Origin(lot_id=pk, dig_id=dig, share=Decimal(1) / len(digs)))
        return pk

    def family(self, strands: int) -> int:
        """Strands blended each with another for so many generations; returns the lot that is cut, panned and assayed."""
        digs = [self.dump, *(self.dig() for _ in range(3))]
        line = []
        for strand in range(strands):
            dig = digs[strand % 4]
            line.append(self.lot("bucket", self.step_of[dig], (dig,)))
        for generation in range(1, GENERATIONS):
            shift = 1 + generation % (strands - 1)
            line = [
                self.lot("blend", self.step("blend", one, line[(at + shift) % strands]), tuple(digs))
                for at, one in enumerate(line)
                if generation < GENERATIONS - 1 or at < 1
            ]
        last = line[0]
        self._used(last, tuple(digs))
        return last

    def _used(self, lot: int, digs: tuple[int, ...]) -> None:
        from prospecting.models import AssayReturn, Dispatch, Reading, Sample
        from trials.models import Run

        cut = self.step("cut", lot)
        portions = [
            self.lot("portion", cut, digs, portion_number=number) for number in range(1, PORTIONS + 1)
        ]
        for portion in portions[:RUNS]:
            pan = self.step("recover", portion)
            self.add(
                Run(
                    lot_id=portion,
                    step_id=pan,
                    portion_mass_g=454,
                    portion_typed="454 g",
                    panned_on=DAY,
                    panner=self.member,
                    gold_mg=Decimal(portion % 9 + 1),
                    recorded_by=self.member,
                )
            )
        for number in range(2):
            split = self.lot("assay_split", self.step("assay", lot), digs)
            pk = next(self.sample_numbers)
            self.add(
                Dispatch(
                    pk=pk, laboratory=self.laboratory, sent_on=DAY, method="fire_30", recorded_by=self.member
                )
            )
            self.add(
                Sample(
                    pk=pk,
                    dispatch_id=pk,
                    lot_id=split,
                    tag=f"T{pk}",
                    reading_in_use_id=pk,
                    in_use_symbol="value",
                    in_use_g_per_t=3 + number,
                )
            )
            self.add(
                AssayReturn(
                    pk=pk, dispatch_id=pk, certificate_number="C", reported_on=DAY, recorded_by=self.member
                )
            )
            self.add(
                Reading(
                    pk=pk,
                    assay_return_id=pk,
                    sample_id=pk,
                    order=1,
                    unit="g/t",
                    raw_text=str(3 + number),
                    symbol="value",
                    grade_g_per_t=3 + number,
                )
            )

    def write(self) -> None:
        from django.db import connection, transaction

        with transaction.atomic():
            for model in [*self.rows]:
                model._base_manager.bulk_create(self.rows.pop(model), batch_size=2_000)
        with connection.cursor() as cursor:
            # What the database does by itself on a running site, sooner or later.
            if connection.vendor == "postgresql":
                cursor.execute("ANALYZE")

    def fill(self, lots: int) -> int:
        """Families until there are so many lots; returns the last lot blended in the first of these families."""
        first = None
        while self.lots_made < lots:
            last = self.family(STRANDS)
            first = first or last
            if self.lots_made % 10_000 < 600:
                self.write()
        self.write()
        return first


def measured(what: str, work: Callable[[], object], goes: int = 15) -> Line:
    return measured_in_turn({what: work}, goes)[0]


def measured_in_turn(works: dict[str, Callable[[], object]], goes: int = 15) -> list[Line]:
    """Seconds of the quickest go of each, after two that do not count, and how often the database was asked.

    What is to be compared takes turns, so that a busy minute of the machine falls on both.
    """
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    # SQLite works within this process, so that a busy machine does little harm; PostgreSQL does not.
    clock = time.process_time if connection.vendor == "sqlite" else time.perf_counter
    asked = {}
    for what, work in works.items():
        work()
        with CaptureQueriesContext(connection) as queries:
            work()
        # Counted at once: the next request clears the list.
        asked[what] = len(queries)
    taken: dict[str, list[float]] = {what: [] for what in works}
    for _ in range(goes):
        for what, work in works.items():
            start = clock()
            work()
            taken[what].append(clock() - start)
    return [Line(what, min(taken[what]), asked[what]) for what in works]


def held(line: Line, bare: Line, times: float, of: str) -> Line:
    ratio = (line.seconds / line.yard) / (bare.seconds / bare.yard)
    return Line(
        line.what, line.seconds, line.queries, f"at most {times:g} x {of}", ratio <= times, f"{ratio:.2f} x"
    )


def within(line: Line, *, seconds: float, queries: int) -> Line:
    met = line.seconds <= seconds and line.queries <= queries
    return Line(
        line.what,
        line.seconds,
        line.queries,
        f"under {seconds:g} s in {queries} quer{'y' if queries == 1 else 'ies'}",
        met,
    )


def lines(many: int) -> list[Line]:
    from django.core.paginator import Paginator
    from django.db import connection
    from django.test import Client
    from django.urls import reverse

    from prospecting.models import Dig, Lot
    from prospecting.models.lineage import links_back
    from trials.charts.lineage import lineage_chart
    from trials.frames.lineage import lineage_of, lots_ever_of_dig, row_keys, walks_of
    from trials.views.lineage import ROWS

    client = Client()

    def page(name: str, *args) -> Callable[[], object]:
        url = reverse(name, args=args)

        def get() -> None:
            assert client.get(url).status_code == 200, url

        return get

    def paged(what: str, name: str, *args) -> Line:
        """A page beside the settings page, since the few lots and the many are measured minutes apart."""
        line, yard = measured_in_turn({what: page(name, *args), "yard": page("own-settings")})
        return replace(line, yard=yard.seconds)

    books = Books()
    small = books.fill(FEW)
    client.force_login(books.member)
    lot = Lot.objects.get(pk=small)
    lot_few = paged(f"lot page, {books.lots_made:,} lots", "lot-detail", lot.code)
    lineage_few = paged(f"lineage page, {books.lots_made:,} lots", "lot-lineage", lot.code)

    large = Lot.objects.get(pk=_family(books, STRANDS_OF_LARGE))
    books.fill(many)
    total = f"{books.lots_made:,} lots"
    lot_many = paged(f"lot page of the same lot, {total}", "lot-detail", lot.code)
    new = Lot.objects.get(pk=_family(books, STRANDS))
    lot_new = paged(f"lot page of a lot made last, {total}", "lot-detail", new.code)
    lot_large = paged(f"lot page of the lot with most ancestors, {total}", "lot-detail", large.code)
    lineage_many = paged(f"lineage page of the same lot, {total}", "lot-lineage", lot.code)

    def frame() -> None:
        """All the lineage page does short of its html and its list by dig: both walks, one page of rows, the picture."""
        walks = walks_of(large)
        rows = Paginator(row_keys(walks), ROWS).get_page(1)
        found = lineage_of(walks, keys=rows.object_list, grade_unit="g_per_t")
        lineage_chart(found.groups, found.flows, mass_unit="kg", label="x")

    ancestors = walks_of(large).back
    assert ancestors.lots >= 10_000
    assert len(ancestors.generations) == GENERATIONS - 1
    bare, framed = measured_in_turn(
        {
            f"bare recursive query, {ancestors.lots:,} ancestors, {GENERATIONS} generations": lambda: (
                links_back(large)
            ),
            "lineage of that lot: both walks, rows of a page, picture": frame,
        }
    )
    dump = Dig.objects.get(pk=books.dump)
    forward = measured(
        "which lots ever held a dig that is in nearly all: first 25, with use",
        lambda: list(lots_ever_of_dig(dump)[:25]),
    )
    backward = measured(
        "which digs are in that lot", lambda: list(large.origins.select_related("dig__zone__claim"))
    )
    return [
        lot_few,
        held(lot_many, lot_few, MOST_TIMES_FEW, "that"),
        held(lot_new, lot_few, MOST_TIMES_FEW, "that"),
        held(lot_large, lot_few, MOST_TIMES_FEW, "that"),
        lineage_few,
        held(lineage_many, lineage_few, MOST_TIMES_FEW, "that"),
        bare,
        held(framed, bare, MOST_TIMES_BARE, "bare"),
        measured("the whole lineage page of that lot", page("lot-lineage", large.code)),
        within(forward, seconds=MOST_SECONDS_A_QUESTION, queries=1),
        within(backward, seconds=MOST_SECONDS_A_QUESTION, queries=1),
        within(
            measured(
                f"the page of that dig's lots, counted, {connection.vendor}", page("dig-lots", dump.pk), 5
            ),
            seconds=MOST_SECONDS_A_QUESTION,
            queries=10,
        ),
        measured("the same page of its zone's lots", page("zone-lots", dump.zone_id), 3),
    ]


def _family(books: Books, strands: int) -> int:
    last = books.family(strands)
    books.write()
    return last


def printed(found: list[Line]) -> str:
    width = max(len(line.what) for line in found)
    return "\n".join(
        f"{line.what:<{width}}  {line.seconds * 1000:9.1f} ms  {line.queries:3} queries  "
        f"{'' if line.met is None else 'met' if line.met else 'MISSED':<6}  "
        f"{'; '.join(filter(None, (line.limit, line.note)))}".rstrip()
        for line in found
    )


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.lineage")
    parser.add_argument("--lots", type=int, default=MANY)
    asked = parser.parse_args()
    with own_database():
        found = lines(asked.lots)
    print(printed(found))
    missed = [line.what for line in found if line.met is False]
    print(f"\n{len(missed)} of {sum(line.met is not None for line in found)} limits missed.")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
